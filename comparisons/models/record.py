"""The record: who did what, when, before and after. Append-only."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from specimens.models import Programme

from .comparison import Comparison


class Event(models.Model):
    """One thing that was done, written by the service that did it, in the same transaction."""

    at = models.DateTimeField(auto_now_add=True)
    actor = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    actor_name = models.CharField(max_length=150)
    verb = models.CharField(max_length=40)
    changes_draft = models.BooleanField(
        default=False, help_text="who changed the draft since the last edition does not approve it"
    )
    comparison = models.ForeignKey(
        Comparison, null=True, blank=True, on_delete=models.PROTECT, related_name="events"
    )
    programme = models.ForeignKey(
        Programme, null=True, blank=True, on_delete=models.PROTECT, related_name="events"
    )
    thing = models.CharField(max_length=40, blank=True, help_text="kind of object, as in the study folder")
    code = models.CharField(max_length=200, blank=True)
    before = models.JSONField(null=True, blank=True)
    after = models.JSONField(null=True, blank=True)
    why = models.TextField(blank=True)

    append_only = True

    class Meta:
        ordering = ["-id"]
        indexes = [
            models.Index(fields=["comparison", "id"], name="event_comparison"),
            models.Index(
                fields=["programme", "id"], condition=models.Q(changes_draft=True), name="event_programme_draft"
            ),
        ]

"""A maker's private way to the facts about their own product."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from specimens.models import ProgrammeProduct

from .comparison import Comparison


class MakerLink(models.Model):
    """A link that shows one maker the facts about one product until it expires or is taken back.

    Only the digest of the link's secret is kept: who reads the database cannot open the link.
    """

    comparison = models.ForeignKey(Comparison, on_delete=models.PROTECT, related_name="maker_links")
    product = models.ForeignKey(ProgrammeProduct, on_delete=models.PROTECT, related_name="maker_links")
    secret_sha256 = models.CharField(max_length=64, unique=True)
    note = models.CharField(max_length=200, blank=True, help_text="to whom it was given")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)
    expires_at = models.DateTimeField()
    first_opened_at = models.DateTimeField(null=True, blank=True)
    last_opened_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)
    revoked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    fixed = ["comparison", "product", "secret_sha256", "note", "made_by", "made_at", "expires_at"]
    kept = True

    class Meta:
        ordering = ["-made_at"]
        constraints = [
            models.CheckConstraint(condition=Q(expires_at__gt=F("made_at")), name="maker_link_expires_later")
        ]

    def __str__(self):
        return f"{self.product}, until {self.expires_at:%Y-%m-%d}"

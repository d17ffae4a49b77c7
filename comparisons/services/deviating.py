"""Deviations: dated changes of a frozen plan, each with its reason, which readers see."""

from __future__ import annotations

from django.utils import timezone

from comparisons.models import Comparison, Deviation
from specimens.models import Programme

from .errors import NotReady


def deviate(actor, programme: Programme, what: str, before: str, after: str, why: str) -> None:
    """Write a deviation into each comparison of the programme that froze its plan. One query where none did.

    NotReady where one did and no reason is given. Inside the transaction of the change.
    """
    for one in Comparison.objects.filter(parts__programme=programme, plan_frozen_at__isnull=False):
        deviate_one(actor, one, what, before, after, why)


def deviate_one(actor, comparison: Comparison, what: str, before: str, after: str, why: str) -> None:
    """Write a deviation of one comparison, where its plan is frozen."""
    if not comparison.plan_frozen_at:
        return
    if not why.strip():
        raise NotReady("The plan is frozen: write why you change it. Readers will see the change and the reason.")
    at = timezone.now()
    Deviation.objects.create(
        comparison=comparison, at=at, at_text=at.isoformat(timespec="seconds"), by=actor.get_username()[:100],
        what=what[:300], before=before or "nothing", after=after or "nothing", why=why.strip(),
    )  # fmt: skip

"""Taking an edition back, and what every edition has become since it was published."""

from __future__ import annotations

from django.db import transaction

from comparisons.models import Comparison, Edition, Withdrawal

from .errors import NotReady
from .record import record
from .roles import require_editor
from .wording import said


def withdraw(actor, edition: Edition, *, reason: str) -> Withdrawal:
    """Take an edition back, with the reason that readers will see above it. It stays readable, and is never erased.

    NotReady without a reason, or where it was withdrawn already.
    """
    require_editor(actor, "withdraw an edition")
    reason = said(reason, "reason", needed="Say why it is withdrawn: readers see the reason above the edition.")
    with transaction.atomic():
        # the lock of the row that the withdrawal hangs on: two editors at once leave one
        locked = Edition.objects.select_for_update(of=("self",)).select_related("comparison").only(
            "number", "comparison__slug"
        ).get(pk=edition.pk)  # fmt: skip
        if already := Withdrawal.objects.filter(edition=edition).select_related("withdrawn_by").first():
            raise NotReady(
                f"Edition {locked.number} was withdrawn already, by {already.withdrawn_by.get_username()}: "
                f"{already.reason}"
            )
        made = Withdrawal.objects.create(edition=locked, reason=reason, withdrawn_by=actor)
        record(
            actor, "withdrew an edition", comparison=locked.comparison, thing="edition", code=str(locked.number),
            after={"reason": reason}, why=reason,
        )  # fmt: skip
    return made


def correction_of(comparison: Comparison, *, correction: str, why: str, since: str | int | None) -> dict:
    """What a request for approval keeps of a correction; {} where none is meant.

    correction: what was wrong; why: how it came; since: the number of the first edition that was wrong.
    NotReady where one of the three is missing, or there is no such edition.
    """
    correction, why = said(correction, "correction"), said(why, "cause")
    asked = "" if since is None else str(since).strip()
    if not correction and not why and not asked:
        return {}
    if not correction:
        raise NotReady("Say what was wrong: a correction tells readers what, why, and since which edition.")
    if not why:
        raise NotReady("Say why it was wrong: a correction tells readers what, why, and since which edition.")
    if not asked:
        raise NotReady("Say since which edition it was wrong: choose the first one that had it.")
    numbers = set(comparison.editions.values_list("number", flat=True))
    if not (asked.isdecimal() and len(asked) < 9 and int(asked) in numbers):
        there = f"there are editions 1 to {max(numbers)}" if numbers else "nothing is published yet"
        raise NotReady(f"There is no edition {asked[:20]} to correct: {there}.")
    return {"correction": correction, "correction_why": why, "corrects_since": int(asked)}


def withdrawn_state(comparison: Comparison, digest: str) -> int | None:
    """The number of a withdrawn edition that says exactly what this digest stands for; None where there is none."""
    return (
        comparison.editions.filter(approval__request__digest=digest, withdrawal__isnull=False)
        .order_by("-number").values_list("number", flat=True).first()
    )


def require_not_withdrawn(comparison: Comparison, digest: str) -> None:
    """NotReady where this very state was published before and taken back."""
    if number := withdrawn_state(comparison, digest):
        raise NotReady(
            f"This is what edition {number} says, which was withdrawn: change what was wrong with it, evaluate, "
            "and ask again."
        )


def editions_told(comparison: Comparison) -> list[Edition]:
    """All editions of a comparison, the newest first, each with what became of it. Two queries; no frozen part is read.

    Each has `corrected_by`: the editions that say what was wrong with it; `open_notices` and `lifted_notices`;
    `taken_back`: its withdrawal, or None.
    """
    editions = list(
        comparison.editions.defer("package", "results", "page").order_by("-number")
        .select_related("withdrawal__withdrawn_by", "approval__approved_by", "approval__request__requested_by")
        .prefetch_related("notices__put_by", "notices__lifted_by")
    )  # fmt: skip
    for edition in editions:
        edition.corrected_by = [
            other for other in editions
            if other.corrects_since is not None and other.corrects_since <= edition.number < other.number
        ]
        notices = list(edition.notices.all())
        edition.open_notices = [notice for notice in notices if notice.lifted_at is None]
        edition.lifted_notices = [notice for notice in notices if notice.lifted_at is not None]
        edition.taken_back = getattr(edition, "withdrawal", None)
    return editions

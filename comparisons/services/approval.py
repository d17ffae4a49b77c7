"""A second person's word: asking for it and giving it."""

from __future__ import annotations

from django.db import transaction
from django.db.models import Q

from comparisons.models import Approval, ApprovalRequest, Comparison, Edition, Event
from comparisons.models.editions import JobKind, Verdict
from specimens.models import Calibration, Instrument, MethodRevision

from .corrections import correction_of, require_not_withdrawn
from .errors import NotAllowed, NotReady, Stale
from .evaluation import read_state, standing
from .readiness import points, require_not_held, require_ready
from .record import draft_events, hold_still, record
from .roles import require_editor, require_preparer
from .tied import require_carried

PUBLISHED = "published an edition"
LONGEST_WORDS = 2000  # characters of a note or a reason


def _words(text: str) -> str:
    """A note or a reason as it is kept: without the NULs that PostgreSQL does not take, and not endless."""
    return text.replace("\x00", "").strip()[:LONGEST_WORDS]


def latest_request(comparison: Comparison) -> ApprovalRequest | None:
    """The newest request, with its approval where there is one; an older request no longer counts."""
    return (
        ApprovalRequest.objects.filter(comparison=comparison)
        .select_related("approval", "requested_by", "evaluation").defer("evaluation__document")
        .order_by("-id").first()
    )


def open_request(comparison: Comparison) -> ApprovalRequest | None:
    """The newest request where nobody has decided on it yet. The draft may have changed since."""
    request = latest_request(comparison)
    return request if request and not hasattr(request, "approval") else None


def standing_approval(comparison: Comparison) -> Approval | None:
    """The approval of the draft as it stands, not published yet; None where there is none."""
    approval = unpublished_approval(comparison)
    if approval is None:
        return None
    view = standing(comparison)
    return approval if view.fresh and view.approval_digest == approval.request.digest else None


def unpublished_approval(comparison: Comparison) -> Approval | None:
    """The approval of the newest request where it was approved and not published, fresh or not."""
    request = latest_request(comparison)
    approval = getattr(request, "approval", None)
    if approval is None or approval.verdict != Verdict.APPROVED:
        return None
    approval.request = request
    return None if Edition.objects.filter(approval=approval).exists() else approval


def last_edition_event(comparison: Comparison) -> int:
    """The last event that changed the draft of the newest edition; 0 where nothing is published."""
    event = Event.objects.filter(comparison=comparison, verb=PUBLISHED).order_by("-id").first()
    return event.after["draft_event"] if event else 0


def ask(
    comparison: Comparison, *, actor, note: str = "", correction: str = "", why: str = "", since=None
) -> ApprovalRequest:
    """Ask a second person to approve the draft as it stands.

    correction, why, since: what was wrong in earlier editions, why, and the number of the first of them, where
    this one corrects them. NotReady without a fresh evaluation, while a point stops or lacks its reason, or where
    the same state was asked for, approved, published or withdrawn.
    """
    require_preparer(actor, "ask for approval")
    corrects = correction_of(comparison, correction=correction, why=why, since=since)
    view = standing(comparison)
    if not view.fresh:
        raise NotReady("The draft has changed since it was evaluated: evaluate it first, then ask.")
    state = read_state(comparison)
    require_carried(comparison, view.evaluation, state.tables)
    require_ready(points(comparison, state=state, evaluation=view.evaluation))
    with transaction.atomic():
        hold_still(comparison)
        view = standing(comparison)
        if not view.fresh or view.approval_digest != state.approval_digest:
            raise NotReady("The draft was changed while you asked: evaluate it, look at it again, then ask.")
        request = latest_request(comparison)
        if request and request.digest == view.approval_digest:
            approval = getattr(request, "approval", None)
            if approval is None:
                raise NotReady("This state waits for approval already: an editor decides on it.")
            if approval.verdict == Verdict.APPROVED:
                if edition := Edition.objects.filter(approval=approval).only("number").first():
                    require_not_withdrawn(comparison, view.approval_digest)
                    raise NotReady(
                        f"This state is published already, as edition {edition.number}: change the draft before you "
                        "ask again."
                    )
                raise NotReady("This state is approved already: publish it.")
        require_not_withdrawn(comparison, view.approval_digest)
        request = ApprovalRequest.objects.create(
            comparison=comparison, evaluation=view.evaluation, digest=view.approval_digest, note=_words(note),
            requested_by=actor, **corrects,
        )
        record(
            actor, "asked for approval", comparison=comparison, thing="approval request",
            code=str(request.pk), after={"digest": request.digest, **corrects}, why=request.note,
        )
    return request


def _wrote_of_the_teams(comparison: Comparison, actor, *, after: int) -> bool:
    """Whether `actor` wrote a wording, a gauge or a calibration that the draft took up from the team's own.

    It may have been written before any programme knew it, so that no event of the draft tells.
    """
    programmes = list(comparison.parts.values_list("programme_id", flat=True))
    wordings = MethodRevision.objects.select_related("method").filter(
        Q(programmes__programme__in=programmes) | Q(trials__programme__in=programmes)
        | Q(runs__trial__programme__in=programmes)
    )  # fmt: skip
    gauges = Instrument.objects.filter(programmes__programme__in=programmes).distinct()
    calibrations = Calibration.objects.filter(instrument__in=gauges).select_related("instrument")
    used = {str(row)[:200] for rows in (wordings.distinct(), gauges, calibrations) for row in rows}
    return Event.objects.filter(
        actor=actor, id__gt=after, comparison=None, programme=None, thing__in=("method", "instrument", "calibration"),
        code__in=used,
    ).exists()  # fmt: skip


def decide(request: ApprovalRequest, *, actor, verdict: str, reason: str = "") -> Approval:
    """Approve a request, or return it with a reason. What is approved goes to be published.

    NotAllowed: no editor, the person who asked, or (to approve) anyone who changed the draft since the
    last edition. Stale: the draft is no longer what was asked about. NotReady: decided already, or
    returned without a reason.
    """
    from comparisons import jobs

    require_editor(actor, "decide on a request for approval")
    if verdict not in Verdict.values:
        raise NotReady("Say either “approved” or “returned”.")
    reason = _words(reason)
    with transaction.atomic():
        comparison = request.comparison
        hold_still(comparison)
        if actor.pk == request.requested_by_id:
            raise NotAllowed("You asked for this approval: another editor has to decide on it.")
        latest = latest_request(comparison)
        if latest.pk != request.pk:
            raise Stale("A newer request has taken the place of this one: decide on that.")
        if hasattr(latest, "approval"):
            raise NotReady("This request was decided already: look at the decision first.")
        if verdict == Verdict.RETURNED and not reason:
            raise NotReady("Say why you return it, so that it can be put right.")
        if verdict == Verdict.APPROVED:
            since = last_edition_event(comparison)
            if draft_events(comparison, after=since).filter(actor=actor).exists() or _wrote_of_the_teams(
                comparison, actor, after=since
            ):
                raise NotAllowed(
                    "You changed this draft since the last edition: an editor who did not has to approve it."
                )
            view = standing(comparison)
            if not view.fresh or view.approval_digest != request.digest:
                raise Stale("The draft has changed since approval was asked for: evaluate it and ask again.")
            require_carried(comparison, view.evaluation)
            require_not_withdrawn(comparison, request.digest)
            require_not_held(comparison)
        approval = Approval.objects.create(
            request=request, verdict=verdict, reason=reason, requested_by_id=request.requested_by_id,
            approved_by=actor,
        )
        record(
            actor, "approved" if verdict == Verdict.APPROVED else "returned", comparison=comparison,
            thing="approval request", code=str(request.pk), after={"digest": request.digest}, why=reason,
        )
        if verdict == Verdict.APPROVED:
            jobs.enqueue(JobKind.PUBLISH, comparison, f"approval-{approval.pk}", actor)
    return approval

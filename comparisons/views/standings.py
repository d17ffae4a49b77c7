"""Where each comparison stands, and the next thing to do: for the desk, in a fixed number of queries."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db.models import OuterRef, Subquery

from comparisons.analysis import ENGINE, SCHEMA
from comparisons.models import ApprovalRequest, Comparison, Edition, Event, Job, Standing
from comparisons.models.editions import JobKind, JobStatus, Verdict
from comparisons.services.roles import can_prepare, is_editor

OPEN = (JobStatus.WAITING, JobStatus.RUNNING)


@dataclass(frozen=True)
class Place:
    """Where one comparison stands.

    state: in words. next: what to do, in words. wants: the action that the page offers first (evaluate, ask,
    decide) or "". waiting: a job is under way, so the page looks again. trouble: what went wrong, one line.
    """

    pk: int
    slug: str
    title: str
    state: str
    next: str = ""
    wants: str = ""
    waiting: bool = False
    trouble: str = ""
    since: datetime | None = None
    fresh: bool = False
    evaluation_id: int | None = None
    event_id: int = 0
    request: ApprovalRequest | None = None
    edition: int | None = None
    edition_at: datetime | None = None


def places(user, slug: str | None = None) -> list[Place]:
    """Where the comparisons stand, as `user` sees it: four queries and that for the user's roles."""
    draft = Event.objects.filter(changes_draft=True).order_by("-id").values("id")
    editions = Edition.objects.filter(comparison=OuterRef("pk")).order_by("-number")
    jobs = Job.objects.filter(comparison=OuterRef("pk")).order_by("-id").values("id")
    comparisons = (
        Comparison.objects.annotate(
            own_event=Subquery(draft.filter(comparison=OuterRef("pk"))[:1]),
            programme_event=Subquery(draft.filter(programme__parts__comparison=OuterRef("pk"))[:1]),
            edition_number=Subquery(editions.values("number")[:1]),
            edition_at=Subquery(editions.values("published_at")[:1]),
            edition_approval=Subquery(editions.values("approval")[:1]),
            evaluate_job=Subquery(jobs.filter(kind=JobKind.EVALUATE)[:1]),
            publish_job=Subquery(jobs.filter(kind=JobKind.PUBLISH)[:1]),
            request=Subquery(
                ApprovalRequest.objects.filter(comparison=OuterRef("pk")).order_by("-id").values("id")[:1]
            ),
        )
        .only("slug", "title")
        .order_by("title")
    )
    if slug is not None:
        comparisons = comparisons.filter(slug=slug)
    rows = list(comparisons)
    standings = {
        s.comparison_id: s
        for s in Standing.objects.filter(comparison__in=[r.pk for r in rows])
        .select_related("evaluation")
        # a database reads through the whole document to reach the columns behind it
        .only("comparison", "event_id", "approval_digest", "checked_at", "evaluation__engine", "evaluation__schema")
    }
    found = Job.objects.in_bulk([pk for r in rows for pk in (r.evaluate_job, r.publish_job) if pk])
    requests = ApprovalRequest.objects.select_related("approval", "requested_by", "approval__approved_by").in_bulk(
        [r.request for r in rows if r.request]
    )
    return [
        _place(
            user, r, standings.get(r.pk), found.get(r.evaluate_job), found.get(r.publish_job), requests.get(r.request)
        )
        for r in rows
    ]


def _place(user, row, standing, evaluate, publish, request) -> Place:
    event = max(row.own_event or 0, row.programme_event or 0)
    current = standing is not None and (standing.evaluation.engine, standing.evaluation.schema) == (ENGINE, SCHEMA)
    fresh = current and standing.event_id >= event
    base = {
        "pk": row.pk, "slug": row.slug, "title": row.title, "fresh": fresh, "event_id": event,
        "evaluation_id": standing.evaluation_id if standing else None,
        "edition": row.edition_number, "edition_at": row.edition_at,
    }  # fmt: skip
    prepares = can_prepare(user)
    if evaluate is not None and evaluate.status in OPEN:
        state = "Being evaluated" if evaluate.status == JobStatus.RUNNING else "Waiting to be evaluated"
        return Place(**base, state=state, next="Wait for the results", waiting=True, since=evaluate.created_at)
    if not fresh:
        failed = evaluate is not None and evaluate.status == JobStatus.FAILED
        trouble = f"The evaluation failed. {evaluate.error}" if failed else ""
        state = "Changed since it was evaluated" if standing else "Not evaluated yet"
        if standing and not current:
            state = "Evaluated by an earlier version"
        told = "Put right what is wrong, then evaluate" if failed else "Evaluate"
        if standing and not failed:
            told = "Evaluate again"
        return Place(
            **base,
            state=state,
            next=told if prepares else "A planner or an editor evaluates",
            trouble=trouble,
            wants="evaluate" if prepares else "",
            since=standing.checked_at if standing else None,
        )
    asked = request is not None and request.digest == standing.approval_digest
    approval = getattr(request, "approval", None) if asked else None
    if not asked:
        told = "Read the results, then ask for approval" if prepares else "A planner or an editor asks for approval"
        return Place(**base, state="Evaluated", next=told, wants="ask" if prepares else "", since=standing.checked_at)
    if approval is None:
        mine = request.requested_by_id == user.pk
        told = "Decide" if is_editor(user) and not mine else "Another editor decides" if mine else "An editor decides"
        return Place(
            **base,
            state="Waits for approval",
            next=told,
            wants="decide" if told == "Decide" else "",
            since=request.requested_at,
            request=request,
        )
    if approval.verdict == Verdict.RETURNED:
        return Place(
            **base,
            state="Returned",
            next="Put it right, evaluate, and ask again",
            since=approval.approved_at,
            trouble=f"{approval.approved_by.get_username()} returned it: {approval.reason}",
            request=request,
        )
    if row.edition_approval == approval.pk:
        return Place(**base, state=f"Published as edition {row.edition_number}", since=row.edition_at, request=request)
    if publish is not None and publish.status == JobStatus.FAILED:
        return Place(
            **base,
            state="Approved, not published",
            next=f"Type: python manage.py publish {row.slug}",
            trouble=f"Publishing failed. {publish.error}",
            since=approval.approved_at,
            request=request,
        )
    return Place(
        **base,
        state="Approved, being published",
        next="Wait for the edition",
        waiting=True,
        since=approval.approved_at,
        request=request,
    )

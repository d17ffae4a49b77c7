"""Progress: who measured what and when, what is left, and what the planner has to look at."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta

from django.db import transaction
from django.db.models import Count, Max, Q
from django.utils import timezone

from specimens.models import BenchPlace, Conflict, Programme, Reading, Submission, Trial
from specimens.models.bench import ConflictKind, EntryStatus

from . import finding
from .context import trial_name
from .entries import CLOCK_SLACK, note
from .errors import Refused
from .pack import label
from .panels import rater_of, unfinished
from .places import measured
from .typed import words

LATEST = 40
HIDDEN = "hidden until all ratings are in"


@dataclass
class Line:
    """One trial's progress."""

    code: str
    name: str
    planned: int
    done: int
    voided: int
    last_at: object = None
    raters: list[str] = field(default_factory=list)

    @property
    def left(self) -> int:
        return max(self.planned - self.done, 0)


def of_programme(programme: Programme) -> dict:
    """All that the progress page shows of a programme: a fixed number of queries, whatever the size."""
    places = BenchPlace.objects.filter(trial__programme=programme).alias(done=measured())
    counted = {
        (row["trial"], row["rater"]): row
        for row in places.values("trial", "rater").order_by("trial", "rater").annotate(
            planned=Count("pk"), measured=Count("pk", filter=Q(done=True))
        )
    }  # fmt: skip
    readings = {
        row["trial"]: row
        for row in Reading.objects.filter(programme=programme).values("trial").order_by("trial").annotate(
            n=Count("pk"), voided=Count("void"), last=Max("received_at")
        )
    }  # fmt: skip
    trials = list(
        Trial.objects.filter(programme=programme).exclude(property__kind="certification")
        .select_related("property", "condition").order_by("code")
    )  # fmt: skip
    hidden = set(unfinished([programme.pk]))
    lines = []
    for trial in trials:
        rows = [(rater, row) for (key, rater), row in counted.items() if key == trial.pk]
        own = readings.get(trial.pk)
        if not rows and not own:
            continue
        lines.append(Line(
            trial.code, trial_name(trial), sum(row["planned"] for _, row in rows),
            sum(row["measured"] for _, row in rows), own["voided"] if own else 0, own["last"] if own else None,
            [f"{rater}: {row['measured']} of {row['planned']}" for rater, row in rows if rater],
        ))  # fmt: skip
    return {
        "lines": lines, "people": _people(programme), "latest": _latest(programme, hidden),
        "conflicts": conflicts(programme, hidden), "refused": _refused(programme, hidden),
    }  # fmt: skip


def _people(programme: Programme) -> list[dict]:
    rows = Reading.objects.filter(programme=programme).exclude(operator="").values("operator").order_by("operator")
    return list(rows.annotate(n=Count("pk"), trials=Count("trial", distinct=True), last=Max("received_at")))


def _latest(programme: Programme, hidden: set[int]) -> list[dict]:
    """The readings that came last; of a panel that is not complete, without the value."""
    rows = Submission.objects.filter(reading__programme=programme, kind="reading").select_related(
        "reading__trial__property", "reading__trial__condition", "reading__specimen", "reading__void",
        "reading__replaced_by",
    )  # fmt: skip
    found = []
    for sent in rows.order_by("-received_at")[:LATEST]:
        reading = sent.reading
        secret = reading.trial_id in hidden
        void = getattr(reading, "void", None)
        state = f"void: {void.reason}" if void else "replaced" if hasattr(reading, "replaced_by") else ""
        found.append({
            "at": sent.done_at, "received_at": sent.received_at, "who": rater_of(reading), "tablet": sent.tablet,
            "trial": trial_name(reading.trial), "specimen": label(reading.specimen) if reading.specimen else "",
            "value": HIDDEN if secret else f"{reading.bound if reading.bound != '=' else ''}{reading.value}"
            f" {reading.unit_of_measure or reading.trial.reading_unit or reading.trial.property.unit}".strip(),
            "decision": "" if secret else reading.decision, "state": state, "code": reading.code,
            "late": sent.received_at - sent.done_at > timedelta(minutes=10), "clock": _clock(sent),
        })  # fmt: skip
    return found


def _clock(sent: Submission) -> str:
    """The tablet's own time, where its clock was wrong; "" where it was right."""
    if sent.tablet_time is None or abs(sent.tablet_time - sent.done_at) <= CLOCK_SLACK:
        return ""
    return f"the tablet said {sent.tablet_time_text}"


def conflicts(programme: Programme, hidden: set[int] = frozenset()) -> list[dict]:
    """What the planner has to look at, oldest first. One query."""
    rows = Conflict.objects.filter(trial__programme=programme, seen_at__isnull=True).select_related(
        "trial__property", "trial__condition", "specimen", "first", "second"
    )
    found = []
    for row in rows.order_by("found_at", "pk"):
        secret = row.trial_id in hidden
        values = []
        for one in (row.first, row.second):
            if one is not None:
                value = HIDDEN if secret else f"{one.value} {one.unit_of_measure}".strip()
                values.append({"code": one.code, "who": rater_of(one), "value": value})
        found.append({
            "pk": row.pk, "kind": row.get_kind_display(), "trial": row.trial.code, "name": trial_name(row.trial),
            "specimen": label(row.specimen) if row.specimen else "", "readings": values, "at": row.found_at,
            "sent": _sent(row, secret),
        })  # fmt: skip
    return found


def _sent(row: Conflict, secret: bool) -> str:
    """What came again under an id that was stored already; "" where it is no such pair."""
    if row.kind != ConflictKind.OTHER_CONTENT:
        return ""
    return HIDDEN if secret else str((row.content or {}).get("value", ""))[:40]


def _refused(programme: Programme, hidden: set[int]) -> list[dict]:
    rows = Submission.objects.filter(trial__programme=programme, status=EntryStatus.REFUSED).select_related("user")
    return [
        {"at": row.received_at, "who": row.user.get_username(), "tablet": row.tablet,
         "text": HIDDEN if row.trial_id in hidden else row.answer.get("text", ""),
         "typed": "" if row.trial_id in hidden else str(row.content.get("value", ""))[:40]}
        for row in rows.order_by("-received_at")[:LATEST]
    ]  # fmt: skip


def settle(trial: Trial, key: int, resolution: str, *, actor) -> None:
    """The planner has looked at a pair and says what became of it. Both readings stay. Raises Refused."""
    text = words(resolution, "words")
    if not text:
        raise Refused("Say what you decided.")
    with transaction.atomic():
        finding.lock(trial.programme)
        changed = Conflict.objects.filter(trial=trial, pk=key, seen_at__isnull=True).update(
            seen_by=actor, seen_at=timezone.now(), resolution=text
        )
        if not changed:
            raise Refused("This was settled already, or is not of this trial.")
        note(
            actor, "settled a conflict", programme=trial.programme, thing="trial", code=trial.code, why=text,
            after={"conflict": key}, changes_draft=False,
        )  # fmt: skip

"""The conditioning board: what goes in, what comes out, what is due now, next and overdue."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from django.utils import timezone

from specimens.models import BenchPlace, Condition, Exposure, Reading

from .exposures import hazards, slack
from .pack import label
from .windows import LEAST_WINDOW, clock, span, window_of

SOON = timedelta(minutes=15)  # own choice: time to walk there
LONGEST_BACK = timedelta(days=120)  # what ended earlier is not looked at: no recovery takes so long
MOST_PAST = 50  # moments at which batches came out, on one page of those that are over
KEPT = timedelta(days=2)  # how long a finished batch stays on the board


@dataclass
class Batch:
    """Specimens that went into a chamber together.

    state: running, due, overdue (still inside); recovering, ready, late, done (out). due_at: the next moment
    that asks for something, None where nothing is planned.
    """

    condition: Condition
    programme: str
    chamber: str
    started_at: datetime
    ended_at: datetime | None
    exposures: list[Exposure] = field(default_factory=list)
    state: str = "running"
    due_at: datetime | None = None
    due_text: str = ""
    waiting: int = 0

    @property
    def key(self) -> str:
        return "-".join(str(row.pk) for row in self.exposures[:1])

    @property
    def codes(self) -> list[str]:
        return sorted(label(row.specimen) for row in self.exposures)

    @property
    def range(self) -> str:
        """What the chamber really did, in words; "" where nobody knows."""
        known = [row for row in self.exposures if row.actual_low is not None and row.actual_high is not None]
        if not known:
            return ""
        low, high = min(row.actual_low for row in known), max(row.actual_high for row in known)
        return f"{low} to {high} {known[0].actual_unit}"

    @property
    def departure(self) -> str:
        found = {row.stay.departure: None for row in self.exposures if hasattr(row, "stay") and row.stay.departure}
        return "; ".join(found)

    @property
    def set_point(self) -> str:
        stay = next((row.stay for row in self.exposures if hasattr(row, "stay")), None)
        return f"{stay.set_point} {stay.set_point_unit}" if stay and stay.set_point is not None else ""


@dataclass
class Ready:
    """Specimens of one condition and programme that have not gone in yet."""

    condition: Condition
    programme: str
    slug: str
    specimens: list[tuple[str, str]] = field(default_factory=list)  # (code on the label, trial)
    cautions: list[str] = field(default_factory=list)
    planned: str = ""


def batches(now: datetime | None = None) -> list[Batch]:
    """The batches that ask for something, the most urgent first. Three queries."""
    now = now or timezone.now()
    rows = Exposure.objects.filter(started_at__isnull=False).exclude(ended_at__lt=now - LONGEST_BACK)
    rows = rows.select_related("condition__programme", "specimen", "stay")
    rows = [
        row for row in rows.order_by("started_at", "pk") if row.ended_at is None or _until(row) > now
    ]
    read = set(
        Reading.objects.filter(
            specimen__in=[row.specimen_id for row in rows], trial__condition__in={row.condition_id for row in rows},
            void__isnull=True,
        ).values_list("specimen_id", "trial__condition_id")
    )  # fmt: skip
    planned = set(
        BenchPlace.objects.filter(
            trial__condition__in={row.condition_id for row in rows}, specimen__in=[row.specimen_id for row in rows]
        ).values_list("specimen_id", "trial__condition_id")
    )  # fmt: skip
    grouped = _grouped(rows)
    for batch in grouped.values():
        pairs = {(row.specimen_id, row.condition_id) for row in batch.exposures}
        batch.waiting = len(pairs & planned - read)
        _judge(batch, now)
    urgent = ("overdue", "late", "due", "ready", "running", "recovering", "done")
    far = datetime.max.replace(tzinfo=now.tzinfo)
    return sorted(grouped.values(), key=lambda b: (urgent.index(b.state), b.due_at or far, b.started_at))


def over(until: datetime | None = None) -> tuple[list[Batch], datetime | None]:
    """Batches that came out, the latest first, and where the next page begins (None: nowhere). One or two queries.

    until: only what came out before that moment.
    """
    ended = Exposure.objects.filter(started_at__isnull=False, ended_at__isnull=False)
    if until is not None:
        ended = ended.filter(ended_at__lt=until)
    moments = list(ended.order_by("-ended_at").values_list("ended_at", flat=True).distinct()[: MOST_PAST + 1])
    if not moments:
        return [], None
    # whole moments, so that no batch is cut in two
    shown = moments[:MOST_PAST]
    rows = ended.filter(ended_at__gte=shown[-1]).select_related("condition__programme", "specimen", "stay")
    grouped = _grouped(rows.order_by("-ended_at", "started_at", "pk"))
    return list(grouped.values()), shown[-1] if len(moments) > MOST_PAST else None


def _grouped(rows) -> dict[tuple, Batch]:
    """The batches that exposures make: one condition, one chamber, in and out together."""
    grouped: dict[tuple, Batch] = {}
    for row in rows:
        batch = grouped.setdefault((row.condition_id, row.chamber, row.started_at, row.ended_at), Batch(
            row.condition, row.condition.programme.name, row.chamber, row.started_at, row.ended_at
        ))  # fmt: skip
        batch.exposures.append(row)
    return grouped


def _until(row: Exposure) -> datetime:
    """How long a finished exposure stays on the board."""
    recovery = span(row.condition.recovery, row.condition.recovery_unit) or timedelta()
    return row.ended_at + recovery + max(recovery, LEAST_WINDOW) + KEPT


def _judge(batch: Batch, now: datetime) -> None:
    condition = batch.condition
    window = window_of(condition, batch.started_at, batch.ended_at)
    if batch.ended_at is None:
        planned = span(condition.duration, condition.duration_unit)
        if planned is None:
            batch.due_text = "no duration is planned"
            return
        batch.due_at = batch.started_at + planned
        batch.due_text = f"comes out at {clock(batch.due_at)}"
        if now > batch.due_at + slack(planned):
            batch.state = "overdue"
        elif now >= batch.due_at - SOON:
            batch.state = "due"
        return
    if not batch.waiting:
        batch.state, batch.due_text = "done", "measured, or in no plan"
        return
    if now < window.ready_from:
        batch.state, batch.due_at = "recovering", window.ready_from
        batch.due_text = f"recovers until {clock(window.ready_from)}, then {batch.waiting} to measure"
    else:
        batch.due_at = window.ready_until
        batch.state = "ready" if now <= window.ready_until else "late"
        batch.due_text = f"{batch.waiting} to measure until {clock(window.ready_until)}"


def to_start() -> list[Ready]:
    """Planned specimens whose conditioning has not started, by condition. Three queries."""
    places = BenchPlace.objects.filter(trial__condition__isnull=False).select_related(
        "trial__condition__programme", "specimen"
    )
    begun = set(
        Exposure.objects.filter(specimen__places__trial__condition__isnull=False)
        .values_list("specimen_id", "condition_id")
    )
    found: dict[int, Ready] = {}
    for place in places.order_by("trial__condition", "trial", "position"):
        condition = place.trial.condition
        if (place.specimen_id, condition.pk) in begun:
            continue
        group = found.setdefault(condition.pk, Ready(condition, condition.programme.name, condition.programme.slug))
        pair = (label(place.specimen), place.trial.code)
        if pair[0] not in {code for code, _ in group.specimens}:
            group.specimens.append(pair)
    cautions = hazards(*(group.condition for group in found.values()))
    for group in found.values():
        group.cautions = [revision.cautions for revision in cautions.get(group.condition.pk, [])]
        group.planned = planned_text(group.condition)
    return list(found.values())


def planned_text(condition: Condition) -> str:
    """What is planned of a condition, in words: `72 h at 70 degC, recovery 24 h`."""
    parts = []
    if condition.duration is not None:
        parts.append(f"{condition.duration} {condition.duration_unit}")
    if condition.temperature is not None:
        parts.append(f"at {condition.temperature} {condition.temperature_unit}")
    if condition.agent:
        parts.append(f"in {condition.agent}")
    text = " ".join(parts)
    if condition.recovery is not None:
        text += f"{', ' if text else ''}recovery {condition.recovery} {condition.recovery_unit}"
    return text

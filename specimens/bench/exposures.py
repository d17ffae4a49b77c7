"""Conditioning: batches of specimens go into a chamber and come out; departures from plan record themselves."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from django.db import transaction
from django.utils import timezone

from specimens import units
from specimens.fields import Number
from specimens.models import Condition, Exposure, MethodRevision, Programme, Specimen, Stay, Trial

from . import context, finding, hooks
from .entries import Entry, Outcome, note
from .errors import Refused
from .pack import label
from .typed import moment, plain_number, shown, unit, words
from .windows import span

# Own choice, no source: a time within 2 % of the planned one, a minute at least, is as planned.
SLACK_SHARE, LEAST_SLACK = 0.02, timedelta(minutes=1)
MOST_AT_ONCE = 500


@dataclass
class Start:
    """A batch that goes in: all that is kept of it."""

    programme: Programme
    condition: Condition
    specimens: list[Specimen]
    at: datetime
    at_text: str
    by: str
    chamber: str = ""
    set_point: Number | None = None
    set_point_unit: str = ""
    confirmed: bool = False


@dataclass
class End:
    """A batch that comes out. `low`, `high`: what the chamber really did, where that is known by now."""

    programme: Programme
    exposures: list[Exposure]
    at: datetime
    at_text: str
    by: str
    low: Number | None = None
    high: Number | None = None
    unit: str = ""
    reason: str = ""
    departures: list[str] = field(default_factory=list)


def slack(planned: timedelta) -> timedelta:
    """How far a duration may be from the planned one and still be as planned."""
    return max(planned * SLACK_SHARE, LEAST_SLACK)


def hazards(*conditions: Condition) -> dict[int, list[MethodRevision]]:
    """The hazardous methods of the trials that use each condition (by key); their cautions are shown. One query."""
    found: dict[int, list[MethodRevision]] = {}
    trials = Trial.objects.filter(condition__in=conditions, revision__hazardous=True)
    for trial in trials.select_related("revision__method").order_by("code"):
        listed = found.setdefault(trial.condition_id, [])
        if trial.revision not in listed:
            listed.append(trial.revision)
    return found


def start(batch: Start, *, actor) -> list[Exposure]:
    """Put a batch in. Raises Refused, with every specimen that cannot go in."""
    _check_start(batch)
    with transaction.atomic():
        return _start(batch, actor)


def _check_start(batch: Start) -> None:
    if not batch.specimens:
        raise Refused("Choose the specimens that go in.")
    if len(batch.specimens) > MOST_AT_ONCE:
        raise Refused(f"At most {MOST_AT_ONCE} specimens go in at a time.")
    if batch.at > timezone.now() + timedelta(minutes=5):
        raise Refused("The start lies in the future: start the exposure when the specimens go in.")
    if not batch.confirmed and hazards(batch.condition):
        raise Refused("Read the cautions, and confirm that you have, before the specimens go in.")


def _start(batch: Start, actor) -> list[Exposure]:
    finding.lock(batch.programme)
    inside = Exposure.objects.filter(specimen__in=batch.specimens, ended_at__isnull=True, started_at__isnull=False)
    if busy := [label(row.specimen) for row in inside.select_related("specimen")]:
        raise Refused(f"In another exposure still: {', '.join(sorted(busy)[:20])}. End that one first.")
    text = batch.at_text or batch.at.isoformat(timespec="seconds")
    same = Exposure.objects.filter(specimen__in=batch.specimens, condition=batch.condition, started_at_text=text)
    if same.exists():
        raise Refused("These specimens went in at this very moment already.")
    made = Exposure.objects.bulk_create(
        Exposure(
            specimen=specimen, condition=batch.condition, started_at=batch.at, started_at_text=text,
            chamber=batch.chamber,
        )
        for specimen in batch.specimens
    )  # fmt: skip
    Stay.objects.bulk_create(
        Stay(
            exposure=one, set_point=batch.set_point, set_point_unit=batch.set_point_unit, started_by=batch.by,
        )
        for one in made
    )  # fmt: skip
    revisions = hazards(batch.condition).get(batch.condition.pk, [])
    note(
        actor, "started an exposure", programme=batch.programme, thing="condition", code=batch.condition.code,
        after={
            "specimens": [one.code for one in batch.specimens], "chamber": batch.chamber, "at": text, "by": batch.by,
            "set_point": str(batch.set_point or ""), "set_point_unit": batch.set_point_unit,
            "cautions_confirmed": [str(revision) for revision in revisions] if batch.confirmed else [],
        },
    )  # fmt: skip
    return made


def end(batch: End, *, actor) -> list[str]:
    """Take a batch out; the departures from plan, in words. Raises Refused."""
    with transaction.atomic():
        return _end(batch, actor)


def _end(batch: End, actor) -> list[str]:
    finding.lock(batch.programme)
    if not batch.exposures:
        raise Refused("Choose the specimens that come out.")
    if batch.at > timezone.now() + timedelta(minutes=5):
        raise Refused("The end lies in the future: end the exposure when the specimens come out.")
    if batch.low is not None and batch.high is not None and batch.low > batch.high:
        raise Refused(f"The lowest ({batch.low}) lies above the highest ({batch.high}): exchange them.")
    # as they are now, not as they were when the page was drawn
    rows = list(
        Exposure.objects.filter(pk__in=[one.pk for one in batch.exposures])
        .select_related("specimen", "condition", "stay").order_by("pk")
    )  # fmt: skip
    if ended := [label(row.specimen) for row in rows if row.ended_at is not None]:
        raise Refused(f"Out already: {', '.join(ended[:20])}. The first end is kept.")
    if early := [label(row.specimen) for row in rows if row.started_at and batch.at < row.started_at]:
        raise Refused(f"The end lies before the start of {', '.join(early[:20])}.")
    found: dict[tuple[Condition, str], list[Exposure]] = defaultdict(list)
    for row in rows:
        row.ended_at, row.ended_at_text = batch.at, batch.at_text or batch.at.isoformat(timespec="seconds")
        if batch.low is not None or batch.high is not None:
            row.actual_low, row.actual_high, row.actual_unit = batch.low, batch.high, batch.unit
        row.save(update_fields=["ended_at", "ended_at_text", "actual_low", "actual_high", "actual_unit"])
        told = tell_departure(row, reason=batch.reason, by=batch.by)
        found[row.condition, told].append(row)
    for (condition, told), group in found.items():
        if told:
            deviate(batch.programme, condition, told, group, at=batch.at, by=batch.by, reason=batch.reason)
    batch.departures = [told for (_, told), _ in found.items() if told]
    note(
        actor, "ended an exposure", programme=batch.programme, thing="condition", code=rows[0].condition.code,
        after={"specimens": [row.specimen.code for row in rows], "at": rows[0].ended_at_text, "by": batch.by,
               "departures": batch.departures},
        why=batch.reason,
    )  # fmt: skip
    return batch.departures


def tell_departure(row: Exposure, *, reason: str = "", by: str = "") -> str:
    """Work an exposure's departure out and keep it with the exposure. Two queries."""
    stay = getattr(row, "stay", None) or Stay(exposure=row)
    told = "; ".join(departures(row, stay))
    stay.departure = told
    stay.departure_reason = reason or stay.departure_reason
    stay.ended_by = by or stay.ended_by
    stay.save()
    return told


def departures(row: Exposure, stay: Stay | None) -> list[str]:
    """In what an exposure departs from its condition: time, set point, what the chamber really did."""
    condition = row.condition
    found = []
    planned = span(condition.duration, condition.duration_unit)
    if planned is not None and row.started_at and row.ended_at:
        done = row.ended_at - row.started_at
        if abs(done - planned) > slack(planned):
            shown_unit = units.parse_unit(condition.duration_unit).symbol
            found.append(f"{condition.duration} {shown_unit} planned, {in_unit(done, condition.duration_unit)} done")
    wanted = condition.temperature
    if wanted is not None:
        symbol = units.parse_unit(condition.temperature_unit).symbol
        target = units.convert(wanted.text, condition.temperature_unit, "K")
        if stay is not None and stay.set_point is not None and context.fits(stay.set_point_unit, "K"):
            if units.convert(stay.set_point.text, stay.set_point_unit, "K") != target:
                own = units.parse_unit(stay.set_point_unit).symbol
                found.append(f"{wanted} {symbol} planned, set to {stay.set_point} {own}")
        ends = [end for end in (row.actual_low, row.actual_high) if end is not None]
        if ends and context.fits(row.actual_unit, "K"):
            low, high = (units.convert(end.text, row.actual_unit, "K") for end in (ends[0], ends[-1]))
            if not (low <= target <= high) and len(ends) == 2:
                own = units.parse_unit(row.actual_unit).symbol
                found.append(f"{wanted} {symbol} planned, {row.actual_low} to {row.actual_high} {own} logged")
    return found


def in_unit(time: timedelta, unit_text: str) -> str:
    """A duration in the unit of its plan, to four digits: `80 h`."""
    number = units.convert(repr(time.total_seconds()), "s", unit_text)
    return f"{float(number):.4g} {units.parse_unit(unit_text).symbol}"


def deviate(
    programme: Programme, condition: Condition, told: str, group: list[Exposure], *, at: datetime, by: str, reason: str
) -> None:
    """Write a departure down as a dated deviation, which readers see: one for all specimens alike."""
    names = ", ".join(row.specimen.code for row in group)
    what = f"condition {condition.code}, {len(group)} specimens: {names}"
    before, _, after = told.partition(" planned, ")
    hooks.call(
        "deviate", programme, at=at, by=by, what=what if len(what) <= 300 else f"{what[:298]} …",
        before=before if "; " not in told else "", after=after if "; " not in told else told, why=reason,
    )  # fmt: skip


# --- as entries of a tablet


def _condition(programme: Programme, code: object) -> Condition:
    text = code if isinstance(code, str) and len(code) <= 80 and "\x00" not in code else ""
    found = Condition.objects.filter(programme=programme, code=text).first() if text else None
    if found is None:
        raise Refused(f"There is no condition {shown(code)} in this programme.")
    return found


def _named(programme: Programme, listed: object) -> list[Specimen]:
    if not isinstance(listed, list) or not 0 < len(listed) <= MOST_AT_ONCE:
        raise Refused(f"Found no list of specimens, expected 1 to {MOST_AT_ONCE} codes.")
    made = {one.pk: one for one in (finding.specimen(programme, text) for text in listed)}
    return list(made.values())


def _who(entry: Entry) -> str:
    said = entry.content.get("operator") or entry.content.get("by")
    return words(said, "operator", 100) or entry.user.get_username()


def actual(content: dict, condition: Condition) -> tuple[Number | None, Number | None, str]:
    """The range that was read off a chamber, with its unit."""
    ends = [
        Number(plain_number(content[name], what)) if content.get(name) not in (None, "") else None
        for name, what in (("actual_low", "lowest value"), ("actual_high", "highest value"))
    ]
    if ends == [None, None]:
        return None, None, ""
    return ends[0], ends[1], _chamber_unit(content.get("actual_unit"), condition)


def _chamber_unit(typed: object, condition: Condition) -> str:
    """The unit of what a chamber shows: of temperature where the condition has one, else what is typed."""
    own = condition.temperature_unit
    found = unit(typed, own) if own else words(typed, "unit", 40)
    if not found and not own:
        raise Refused(f"Say in which unit the chamber shows it: {condition} has no temperature to go by.")
    if not own and not context.fits(found, found):
        raise Refused(f"Found the unit {shown(found)}, expected one such as degC or percent.")
    return found or own


def set_point(content: dict, condition: Condition) -> tuple[Number | None, str]:
    if content.get("set_point") in (None, ""):
        return None, ""
    number = Number(plain_number(content["set_point"], "set point"))
    return number, _chamber_unit(content.get("set_point_unit"), condition)


def prepare_start(entry: Entry) -> Start:
    bench = context.by_key(entry.content.get("trial"), fresh=entry.second_look)
    condition = bench.trial.condition
    if entry.content.get("condition") or condition is None:
        condition = _condition(bench.programme, entry.content.get("condition"))
    point, point_unit = set_point(entry.content, condition)
    batch = Start(
        bench.programme, condition, _named(bench.programme, entry.content.get("specimens")), entry.at,
        entry.tablet_text if entry.skew is None else "", _who(entry),
        chamber=words(entry.content.get("chamber"), "chamber", 200), set_point=point, set_point_unit=point_unit,
        confirmed=entry.content.get("confirmed") is True,
    )  # fmt: skip
    _check_start(batch)
    return batch


def store_start(entry: Entry, batch: Start) -> Outcome:
    made = _start(batch, entry.user)
    return Outcome(trial=_trial_of(entry), more={"exposures": len(made)})


def prepare_end(entry: Entry) -> End:
    bench = context.by_key(entry.content.get("trial"), fresh=entry.second_look)
    specimens = _named(bench.programme, entry.content.get("specimens"))
    rows = Exposure.objects.filter(specimen__in=specimens, ended_at__isnull=True, started_at__isnull=False)
    rows = list(rows.select_related("condition"))
    missing = {one.pk for one in specimens} - {row.specimen_id for row in rows}
    if missing:
        names = ", ".join(label(one) for one in specimens if one.pk in missing)
        raise Refused(f"Not in any exposure: {names}.")
    low, high, own = actual(entry.content, rows[0].condition)
    return End(
        bench.programme, rows, entry.at, entry.tablet_text if entry.skew is None else "", _who(entry), low, high, own,
        words(entry.content.get("reason"), "reason"),
    )  # fmt: skip


def store_end(entry: Entry, batch: End) -> Outcome:
    told = _end(batch, entry.user)
    text = f"Departure from plan noted: {'; '.join(told)}." if told else ""
    return Outcome(text, trial=_trial_of(entry), more={"departures": told})


def _trial_of(entry: Entry) -> Trial:
    return context.by_key(entry.content.get("trial"), fresh=entry.second_look).trial


def moment_typed(text: str, what: str) -> tuple[datetime, str]:
    """A time from a form: blank is now."""
    if not text.strip():
        now = timezone.now()
        return now, now.isoformat(timespec="seconds")
    return moment(text, what)

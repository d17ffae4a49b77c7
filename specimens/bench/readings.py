"""Readings from the bench: checked, warned about, stored as typed. Nothing but nonsense is refused."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal

from specimens import units
from specimens.models import (
    Absence,
    BenchPlace,
    Conflict,
    ConvertedValue,
    FailureMode,
    Instrument,
    Reading,
    Specimen,
    Submission,
    TraceReduction,
    Trial,
)
from specimens.models.bench import EntryKind
from specimens.models.readings import Bound
from specimens.models.trials import AbsenceReason, Property

from . import context, finding, pack, panels, slips, traces, voids
from .entries import CLOCK_SLACK, Entry, Outcome, note
from .errors import Refused
from .slips import Slip
from .typed import FAILS, PASSES, plain_number, shown, unit, words
from .windows import windows

BETWEEN = Decimal("0.001")  # the step of orders that fall between two whole ones
SECOND_RATING = "a second rating by the same rater: the first counts until the planner decides"


@dataclass
class Typed:
    """One value as typed, with what is needed to store it."""

    trial: Trial
    property: Property
    value: str
    unit: str
    instrument: Instrument | None
    number: float | None
    slips: list[Slip] = field(default_factory=list)


@dataclass
class Prepared:
    bench: context.Bench
    specimen: Specimen
    main: Typed
    dimensions: list[Typed]
    bound: str
    mode: FailureMode | None
    operator: str
    rater: str
    note: str
    decision: str
    run: object
    replaces: Reading | None
    replace_reason: str
    panel: bool
    slips: list[Slip]
    trace: str = ""
    wish: traces.Wish | None = None
    reduction: object = None


def prepare(entry: Entry) -> Prepared:
    """Look a reading entry over. Raises Refused and NotYet; whatever else is odd becomes a slip."""
    content = entry.content
    bench = context.by_key(content.get("trial"))
    prop = bench.property
    if prop.kind == "certification":
        raise Refused("A certification is looked up, not measured: enter it at the desk.")
    specimen = finding.specimen(bench.programme, content.get("specimen"))
    _refuse_absent(bench, specimen)
    main = _typed(bench.trial, prop, bench, content, entry.at)
    bound = _bound(content.get("bound"), prop)
    operator = words(content.get("operator") or content.get("by"), "operator", 100) or entry.user.get_username()
    places = list(BenchPlace.objects.filter(trial=bench.trial, specimen=specimen))
    panel = any(place.rater for place in places) or (not places and bool(panels.raters_of(bench.trial)))
    rater = words(content.get("rater"), "rater", 100)
    if panel:
        rater = rater or operator
    replaces, replace_reason = _replaces(bench, specimen, content)
    made = Prepared(
        bench=bench, specimen=specimen, main=main, dimensions=_dimensions(bench, content, entry.at), bound=bound,
        mode=_mode(bench, content.get("failure_mode")), operator=operator, rater=rater,
        note=words(content.get("note"), "note"), decision=words(content.get("decision"), "decision"),
        run=finding.run(bench, content.get("run"), entry.at), replaces=replaces, replace_reason=replace_reason,
        panel=panel, slips=[],
    )  # fmt: skip
    if content.get("reduction") is not None:
        made.trace, made.wish, made.reduction = traces.prepared(
            bench, specimen, content["reduction"], main.value
        )
    made.slips = _slips(made, entry, places)
    return made


def _refuse_absent(bench: context.Bench, specimen: Specimen) -> None:
    """A product that the plan leaves out of a trial has no readings there."""
    left_out = (AbsenceReason.NOT_PLANNED, AbsenceReason.NOT_APPLICABLE)
    found = Absence.objects.filter(
        trial=bench.trial, product_id=specimen.unit.product_id, reason__in=left_out
    ).first()
    if found:
        raise Refused(
            f"The specimen {pack.label(specimen)} is of a product that is {found.get_reason_display()} in this trial: "
            "ask the planner to change that, or scan the code again."
        )


def _typed(trial: Trial, prop: Property, bench: context.Bench, content: dict, at: datetime) -> Typed:
    """A value with its unit and gauge, as a number in the trial's reading unit."""
    what = "value" if trial == bench.trial else str(prop)
    target = context.reading_unit(trial)
    instrument = _instrument(bench, content.get("instrument"), target, prop)
    if prop.kind == "pass_fail":
        text = words(content.get("value"), what, 64).lower()
        if text not in PASSES | FAILS:
            raise Refused(f"Found {shown(content.get('value'))}, expected pass or fail.")
        return Typed(trial, prop, text, "", instrument, 1.0 if text in PASSES else 0.0)
    text = plain_number(content.get("value"), what)
    if prop.kind == "rating":
        if not prop.scale_low <= Decimal(text) <= prop.scale_high:
            raise Refused(f"Found {shown(text)}, expected a rating from {prop.scale_low} to {prop.scale_high}.")
        return Typed(trial, prop, text, "", instrument, float(text))
    typed_unit = unit(content.get("unit"), target)
    number, _ = units.reading_value(prop.kind, text, typed_unit, target)
    made = Typed(trial, prop, text, typed_unit, instrument, number)
    made.slips = slips.of_gauge(instrument, Decimal(text), typed_unit or target, at)
    return made


def _instrument(bench: context.Bench, code: object, target: str, prop: Property) -> Instrument | None:
    if code in (None, ""):
        return None
    found = bench.instruments.get(code) if isinstance(code, str) else None
    if found is None:
        raise Refused(f"There is no instrument {shown(code)} in this programme: choose one of its list.")
    if prop.kind == "quantity" and found.unit and not context.fits(found.unit, target):
        raise Refused(f"{found} reads in {found.unit}, expected an instrument for {prop} in {target}.")
    return found


def _bound(text: object, prop: Property) -> str:
    if text in (None, ""):
        return ""
    if text not in Bound.values:
        raise Refused(f"Found the bound {shown(text)}, expected >, < or none.")
    if text != Bound.EXACT and prop.kind != "quantity":
        raise Refused(f"Found the bound {shown(text)}, expected none: {prop} is no quantity.")
    return text


def _mode(bench: context.Bench, code: object) -> FailureMode | None:
    if code in (None, ""):
        return None
    found = bench.modes.get(code) if isinstance(code, str) else None
    if found is None:
        raise Refused(f"Found the failure mode {shown(code)}, expected one that the trial's method codes.")
    return found


def _dimensions(bench: context.Bench, content: dict, at: datetime) -> list[Typed]:
    rows = content.get("dimensions") or []
    by_trial = {d.trial.code: d for d in bench.dimensions}
    if not isinstance(rows, list) or len(rows) > 20:
        raise Refused("Found no list of dimensions, expected one row for each.")
    made = []
    for row in rows:
        dimension = by_trial.get(row.get("trial")) if isinstance(row, dict) else None
        if dimension is None:
            named = row.get("trial") if isinstance(row, dict) else row
            raise Refused(f"Found the dimension {shown(named)}, expected one of {', '.join(by_trial) or 'none'}.")
        made.append(_typed(dimension.trial, dimension.property, bench, row, at))
    return made


def _replaces(bench: context.Bench, specimen: Specimen, content: dict) -> tuple[Reading | None, str]:
    if content.get("replaces") in (None, ""):
        return None, ""
    old = finding.reading(bench.programme, content["replaces"], "replaced")
    if old.trial_id != bench.trial.pk or old.specimen_id != specimen.pk:
        raise Refused(f"The reading {old.code} is of another specimen or trial: it cannot be replaced by this one.")
    reason = words(content.get("replace_reason"), "reason")
    if not reason:
        raise Refused(f"Say why this replaces the reading {old.code}.")
    return old, reason


# --- slips


def _slips(p: Prepared, entry: Entry, places: list[BenchPlace]) -> list[Slip]:
    """All that looks wrong with a reading, by what the server knows."""
    found = [slip for typed in (p.main, *p.dimensions) for slip in typed.slips]
    found += [slip for typed in p.dimensions for slip in _of_dimension(typed)]
    found += _of_value(p)
    found += _of_specimen(p, entry, places)
    found += _of_work(p, entry)
    if entry.skew and abs(entry.skew) > CLOCK_SLACK:
        minutes = abs(entry.skew).total_seconds() / 60
        side = "ahead of" if entry.skew.total_seconds() > 0 else "behind"
        found.append(Slip("clock", f"the tablet's clock is {minutes:.0f} min {side} the server's"))
    return found


def _of_dimension(typed: Typed) -> list[Slip]:
    if typed.number is None:
        return []
    shown_unit = typed.trial.reading_unit or typed.property.unit
    value = float(units.convert(repr(typed.number), shown_unit, typed.property.unit))
    return slips.of_property(typed.property, value)


def _of_value(p: Prepared) -> list[Slip]:
    prop, main = p.bench.property, p.main
    if prop.kind != "quantity" or main.number is None:
        return []
    result = _result(p)
    found = slips.of_property(prop, result) if p.bound != ">" or result is None else []
    if p.bound in ("", "="):
        live = Reading.objects.filter(
            trial=p.bench.trial, product_id=p.specimen.unit.product_id, replaced_by__isnull=True, void__isnull=True,
            bound__in=["", "="], converted__value__isnull=False,
        ).exclude(pk=p.replaces.pk if p.replaces else None)  # fmt: skip
        siblings = list(live.order_by("pk").values_list("converted__value", flat=True))
        plausible = (prop.plausible_low, prop.plausible_high)
        ends = None
        if not p.bench.dimensions and any(end is not None for end in plausible):
            ends = tuple(
                None if end is None else float(units.convert(end.text, prop.unit, p.bench.unit)) for end in plausible
            )
        step = None
        if main.instrument and main.instrument.resolution:
            own = main.instrument.unit or p.bench.unit
            step = float(units.convert(main.instrument.resolution.text, own, p.bench.unit, difference=True))
        found += slips.of_siblings(main.number, siblings, unit=p.bench.unit, plausible=ends, resolution=step)
    return found


def _result(p: Prepared) -> float | None:
    """The reading in the property's unit, divided by its dimensions; None where one is lacking."""
    bench = p.bench
    if bench.faults:
        return None
    if not bench.dimensions:
        return float(units.convert(repr(p.main.number), bench.unit, bench.property.unit))
    quotient, value = bench.unit, p.main.number
    for dimension in bench.dimensions:
        typed = [t.number for t in p.dimensions if t.trial == dimension.trial and t.number is not None]
        measured = typed or list(
            Reading.objects.filter(
                trial=dimension.trial, specimen=p.specimen, replaced_by__isnull=True, void__isnull=True,
                converted__value__isnull=False,
            ).values_list("converted__value", flat=True)
        )  # fmt: skip
        if not measured or sum(measured) <= 0:
            p.main.slips.append(Slip("dimension", ""))
            return None
        own = dimension.trial.reading_unit or dimension.property.unit
        value /= float(units.convert(repr(sum(measured) / len(measured)), own, dimension.property.unit))
    parts = "*".join(f"({d.property.unit})" for d in bench.dimensions)
    quotient = f"{bench.unit}/({parts})"
    return value * float(units.factor(quotient, bench.property.unit))


def _of_specimen(p: Prepared, entry: Entry, places: list[BenchPlace]) -> list[Slip]:
    """The wrong specimen: of another trial, measured already, or voided."""
    found = []
    name = pack.label(p.specimen)
    if not places and BenchPlace.objects.filter(trial=p.bench.trial).exists():
        found.append(Slip("other_trial", f"the specimen {name} is not planned in this trial"))
    elif p.panel and p.rater not in {place.rater for place in places}:
        found.append(Slip("not_on_panel", f"the rater {p.rater} is not on this panel"))
    if p.replaces is None:
        rows = Reading.objects.filter(trial=p.bench.trial, specimen=p.specimen, replaced_by__isnull=True)
        if p.panel:
            rows = rows.filter(rater=p.rater)
        rows = list(rows.select_related("void", "run"))
        live = [row for row in rows if getattr(row, "void", None) is None and _same_run(row, p)]
        if live:
            by = "" if p.panel else f" by {live[0].operator}" if live[0].operator else ""
            found.append(Slip("already", f"the specimen {name} was measured already{by}"))
        elif any(getattr(row, "void", None) is not None for row in rows):
            found.append(Slip("voided", f"an earlier reading of the specimen {name} was voided"))
    return found


def _same_run(row: Reading, p: Prepared) -> bool:
    first = p.bench.runs[0].pk if p.bench.runs else None
    return (row.run_id or first) == (p.run.pk if p.run else first)


def _of_work(p: Prepared, entry: Entry) -> list[Slip]:
    """Conditioning, cautions, dimensions that are lacking."""
    found = []
    if p.bench.trial.condition_id:
        window = windows(p.bench.trial.condition, [p.specimen.pk])[p.specimen.pk]
        if remark := window.remark(entry.at):
            found.append(Slip("conditioning", f"measured when {remark}"))
    revision = p.bench.trial.revision
    if revision and revision.hazardous and pack.confirmed_at(p.bench, entry.user, entry.at) is None:
        found.append(Slip("cautions", "the method's cautions were not confirmed before"))
    lacking = [slip for slip in p.main.slips if slip.kind == "dimension"]
    if lacking:
        p.main.slips = [slip for slip in p.main.slips if slip.kind != "dimension"]
        names = " and ".join(str(d.property) for d in p.bench.dimensions)
        found.append(Slip("dimension", f"it stays uncounted until its {names} is measured"))
    found += [Slip("dimension", fault) for fault in p.bench.faults]
    return found


# --- storing


def store(entry: Entry, p: Prepared) -> Outcome:
    """Store a prepared reading with its dimensions; inside a transaction."""
    finding.lock(p.bench.programme)
    remarks = [slip.text for slip in p.slips]
    replaces = finding.head(p.replaces) if p.replaces else None
    others = _others(p) if p.replaces is None else []
    if p.replaces and replaces.pk != p.replaces.pk:
        remarks.append(f"the reading {p.replaces.code} had been replaced by {replaces.code}: this one replaces that")
    codes = _codes(entry, p)
    made = _create(entry, p, p.main, codes[0], _order(entry, p), replaces)
    if p.reduction is not None:
        TraceReduction.objects.create(
            reading=made, trial=p.bench.trial, rule=p.wish.rule, parameters=p.wish.parameters, columns=p.wish.columns,
            reason=p.wish.reason,
            result={"rule": p.reduction.rule, "value": p.reduction.value, "window": p.reduction.window,
                    "peaks": len(p.reduction.peaks), "n": p.reduction.n},
        )  # fmt: skip
    for typed, code in zip(p.dimensions, codes[1:], strict=True):
        _create(entry, p, typed, code, "", None)
    note(
        entry.user, "measured", programme=p.bench.programme, thing="reading", code=made.code,
        after={"trial": p.bench.trial.code, "value": made.value, "unit": made.unit_of_measure,
               "dimensions": [typed.value for typed in p.dimensions]},
        why=made.replace_reason,
    )  # fmt: skip
    remarks += _conflicts(entry, p, made, others, replaces)
    if p.specimen.order_done is None and made.order:
        Specimen.objects.filter(pk=p.specimen.pk).update(order_done=made.order)
    more = {"reading": made.code, "slips": [{"kind": slip.kind, "text": slip.text} for slip in p.slips]}
    return Outcome(_sentence(remarks), trial=p.bench.trial, reading=made, more=more)


def _sentence(remarks: list[str]) -> str:
    text = "; ".join(remarks)
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _others(p: Prepared) -> list[Reading]:
    """Live readings of the same specimen in the same run; of a panel, by the same rater."""
    rows = Reading.objects.filter(
        trial=p.bench.trial, specimen=p.specimen, replaced_by__isnull=True, void__isnull=True
    ).prefetch_related(pack.SENT)
    found = [row for row in rows if _same_run(row, p)]
    if p.bench.property.kind == "rating":
        rater = p.rater or p.operator
        return [row for row in found if panels.rater_of(row) == rater]
    return found


def _conflicts(entry: Entry, p: Prepared, made: Reading, others: list[Reading], replaces: Reading | None) -> list[str]:
    """Note what the planner has to look at, and say so."""
    remarks = []
    rating = p.bench.property.kind == "rating"
    for other in others:
        tablets = {sent.tablet for sent in other.submissions.all()}
        if rating or entry.tablet not in tablets or other.operator != p.operator:
            Conflict.objects.create(trial=p.bench.trial, specimen=p.specimen, first=other, second=made)
            remarks.append("both readings are kept, and the planner is shown them")
            break
    if rating and others:
        voids.made(made, entry, SECOND_RATING, p.operator)
    if p.replaces is not None and replaces is not None and replaces.pk != p.replaces.pk:
        Conflict.objects.create(trial=p.bench.trial, specimen=p.specimen, first=replaces, second=made)
    if p.panel and panels.find_apart(p.bench.trial, p.specimen.pk):
        remarks.append("ratings of this specimen lie far apart: it comes up for another look")
    return remarks


def _codes(entry: Entry, p: Prepared) -> list[str]:
    """Codes for the reading and its dimensions: "b-" and the beginning of the entry's id."""
    for length in (12, 20, 32):
        code = f"b-{entry.id.hex[:length]}"
        made = [code, *(f"{code}-d{i}" for i in range(1, len(p.dimensions) + 1))]
        if not Reading.objects.filter(programme=p.bench.programme, code__in=made).exists():
            return made
    raise Refused("A reading has this id already.")


def _order(entry: Entry, p: Prepared) -> str:
    """The reading's place in the order in which the trial was really measured.

    What arrives late goes between its neighbours in time, with a fraction.
    """
    sent = Submission.objects.filter(trial=p.bench.trial, kind=EntryKind.READING, reading__isnull=False)
    sent = sent.exclude(reading__order="").values_list("reading__order", flat=True)
    low = sent.filter(done_at__lte=entry.at).order_by("-done_at", "-received_at").first()
    high = sent.filter(done_at__gt=entry.at).order_by("done_at", "received_at").first()
    if high is None:
        if low is None:
            low = _last_order(p.bench.trial)
        return str(int(Decimal(low or "0")) + 1)
    low, high = Decimal(low or "0"), Decimal(high)
    between = low + BETWEEN
    return format(between if between < high else (low + high) / 2, "f")[:20]


def _last_order(trial: Trial) -> str:
    """The greatest order of readings that did not come from a tablet."""
    found = Reading.objects.filter(trial=trial).exclude(order="").values_list("order", flat=True)
    return max(found, key=Decimal, default="0")


def _create(entry: Entry, p: Prepared, typed: Typed, code: str, order: str, replaces: Reading | None) -> Reading:
    own = typed is p.main
    at = entry.tablet_at or entry.received_at
    made = Reading.objects.create(
        programme=p.bench.programme, code=code, trial=typed.trial, product_id=p.specimen.unit.product_id,
        unit_id=p.specimen.unit_id, specimen=p.specimen, value=typed.value, bound=p.bound if own else "",
        unit_of_measure=typed.unit, operator=p.operator, rater=p.rater if own else "", instrument=typed.instrument,
        taken_at=at, taken_at_text=entry.tablet_text or at.isoformat(timespec="seconds"),
        received_at=entry.received_at, received_at_text=entry.received_at.isoformat(timespec="seconds"),
        run=p.run if own else None, order=order, failure_mode=p.mode.code if own and p.mode else "",
        trace=p.trace if own else "", decision=_told(p, typed),
        replaces=replaces if own else None, replace_reason=p.replace_reason if own else "", note=p.note if own else "",
    )  # fmt: skip
    kind = typed.property.kind
    ConvertedValue.objects.create(
        reading=made, value=typed.number, unit="" if kind == "pass_fail" else context.reading_unit(typed.trial),
        engine=units.VERSION, reason="" if typed.number is not None else "no number",
    )  # fmt: skip
    return made


def _told(p: Prepared, typed: Typed) -> str:
    """How a trace was reduced, what was warned of, and what the person decided, as the record keeps it."""
    own = typed is p.main
    warned = "; ".join(slip.text for slip in (p.slips if own else typed.slips))
    parts = [traces.in_words(p.wish, p.reduction)] if own and p.reduction is not None else []
    parts += [f"Warned: {warned}."] if warned else []
    parts += [f"Decided: {p.decision}"] if p.decision else []
    return " ".join(parts)

"""Readings from the bench: checked, warned about, stored as typed. Nothing but nonsense is refused."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from specimens import units
from specimens.models import (
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
from specimens.models.bench import ConflictKind, EntryKind
from specimens.models.readings import Bound
from specimens.models.trials import AbsenceReason, Property

from . import context, finding, pack, panels, reviewing, slips, traces, voids
from .entries import Entry, Outcome, note
from .errors import Refused
from .prepared import Other, Piece, Prepared, Typed
from .statements import Insert, Statement, moment
from .typed import FAILS, PASSES, plain_number, shown, unit, words

BETWEEN = Decimal("0.001")  # the step of orders that fall between two whole ones
CODE_DIGITS = (12, 32)  # of the entry's id; all of it where the shorter code is taken
SECOND_RATING = "a second rating by the same rater: the first counts until the planner decides"


def _sent(trial: int):
    """(order, moment) of a trial's readings that came from tablets."""
    found = Submission.objects.filter(trial_id=trial, kind=EntryKind.READING, reading__isnull=False)
    return found.exclude(reading__order="").values_list("reading__order", "done_at")


PLACES = Statement(
    lambda trial, label: BenchPlace.objects.filter(trial_id=trial, specimen__blind_code=label).order_by().values_list(
        "rater", "specimen_id", "specimen__code", "specimen__blind_code", "specimen__order_done", "specimen__unit_id",
        "specimen__unit__product_id",
    ),
    trial=int, label=str,
)  # fmt: skip
OTHERS = Statement(
    lambda trial, specimen: Reading.objects.filter(
        trial_id=trial, specimen_id=specimen, replaced_by__isnull=True
    ).order_by("pk").values_list("pk", "run_id", "operator", "rater", "void__pk"),
    trial=int, specimen=int,
)  # fmt: skip
NEW_READING, NEW_VALUE = Insert(Reading), Insert(ConvertedValue)
LAST = Statement(lambda trial: _sent(trial).order_by("-done_at", "-reading_id")[:1], trial=int)


def prepare(entry: Entry) -> Prepared:
    """Look a reading entry over. Raises Refused and NotYet; whatever else is odd becomes a slip."""
    content = entry.content
    bench = context.by_key(content.get("trial"), fresh=entry.second_look)
    prop = bench.property
    if prop.kind == "certification":
        raise Refused("A certification is looked up, not measured: enter it at the desk.")
    specimen, raters = _specimen(bench, content.get("specimen"))
    _refuse_absent(bench, specimen)
    main = _typed(bench.trial, prop, bench, content, entry.at)
    bound = _bound(content.get("bound"), prop)
    operator = words(content.get("operator") or content.get("by"), "operator", 100) or entry.user.get_username()
    panel = any(raters) or (not raters and prop.kind == "rating" and bool(panels.raters_of(bench.trial)))
    rater = words(content.get("rater"), "rater", 100)
    runs = bench.runs
    run, run_remark = finding.run(runs, content.get("run"), entry.at)
    replaces, replace_reason = _replaces(bench, specimen, content)
    made = Prepared(
        bench=bench, specimen=specimen, raters=raters, main=main, dimensions=_dimensions(bench, content, entry.at),
        bound=bound, mode=_mode(bench, content.get("failure_mode")), operator=operator,
        rater=(rater or operator) if panel else rater, note=words(content.get("note"), "note"),
        decision=words(content.get("decision"), "decision"), runs=runs,
        run=run, replaces=replaces, replace_reason=replace_reason,
        panel=panel,
    )  # fmt: skip
    if content.get("reduction") is not None:
        made.trace, made.wish, made.reduction = traces.prepared(bench, specimen, content["reduction"], main.value)
    made.slips = reviewing.review(made, entry)
    if run_remark:
        made.slips.append(slips.Slip("run", run_remark))
    return made


def _specimen(bench: context.Bench, text: object) -> tuple[Piece, list[str]]:
    """The specimen and the raters of its places in this trial ("" for none). One query where it is planned here."""
    if isinstance(text, str) and 0 < len(text.strip()) <= 80 and "\x00" not in text:
        if places := PLACES.rows(trial=bench.trial.pk, label=text.strip()):
            return Piece(*places[0][1:]), [place[0] for place in places]
    found = finding.specimen(bench.programme, text)
    places = BenchPlace.objects.filter(trial=bench.trial, specimen=found).order_by()
    piece = Piece(
        found.pk, found.code, found.blind_code, found.order_done, found.unit_id, found.unit.product_id
    )
    return piece, list(places.values_list("rater", flat=True))


def _refuse_absent(bench: context.Bench, specimen: Piece) -> None:
    """A product that the plan leaves out of a trial has no readings there."""
    if reason := bench.left_out.get(specimen.product_id):
        raise Refused(
            f"The specimen {pack.label(specimen)} is of a product that is {AbsenceReason(reason).label} in this trial:"
            " ask the planner to change that, or scan the code again."
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
        named = row.get("trial") if isinstance(row, dict) else row
        dimension = by_trial.get(named) if isinstance(row, dict) and isinstance(named, str) else None
        if dimension is None:
            raise Refused(f"Found the dimension {shown(named)}, expected one of {', '.join(by_trial) or 'none'}.")
        made.append(_typed(dimension.trial, dimension.property, bench, row, at))
    return made


def _replaces(bench: context.Bench, specimen: Piece, content: dict) -> tuple[Reading | None, str]:
    if content.get("replaces") in (None, ""):
        return None, ""
    old = finding.reading(bench.programme, content["replaces"], "replaced")
    if old.trial_id != bench.trial.pk or old.specimen_id != specimen.pk:
        raise Refused(f"The reading {old.code} is of another specimen or trial: it cannot be replaced by this one.")
    reason = words(content.get("replace_reason"), "reason")
    if not reason:
        raise Refused(f"Say why this replaces the reading {old.code}.")
    return old, reason


# --- storing


def store(entry: Entry, p: Prepared) -> Outcome:
    """Store a prepared reading with its dimensions; inside a transaction."""
    finding.lock(p.bench.programme)
    others = _others(p)
    found = [*p.slips, *reviewing.of_others(p, others)]
    remarks = [slip.text for slip in found]
    replaces = finding.head(p.replaces) if p.replaces else None
    if p.replaces and replaces.pk != p.replaces.pk:
        remarks.append(f"the reading {p.replaces.code} had been replaced by {replaces.code}: this one replaces that")
    code = f"b-{entry.id.hex[: CODE_DIGITS[entry.long_code]]}"
    made = _create(entry, p, p.main, code, _order(entry, p), replaces, found)
    if p.reduction is not None:
        TraceReduction.objects.create(
            reading=made, trial=p.bench.trial, rule=p.wish.rule, parameters=p.wish.parameters, columns=p.wish.columns,
            reason=p.wish.reason,
            result={"rule": p.reduction.rule, "value": p.reduction.value, "window": p.reduction.window,
                    "peaks": len(p.reduction.peaks), "n": p.reduction.n},
        )  # fmt: skip
    for i, typed in enumerate(p.dimensions, 1):
        _create(entry, p, typed, f"{code}-d{i}", "", None, typed.slips)
    note(
        entry.user, "measured", programme=p.bench.programme, thing="reading", code=made.code,
        # the record is open to the whole team: what a panel's rater gave is not told there
        after={"trial": p.bench.trial.code} if p.panel else {
            "trial": p.bench.trial.code, "value": made.value, "unit": made.unit_of_measure,
            "dimensions": [typed.value for typed in p.dimensions],
        },
        why=made.replace_reason,
    )  # fmt: skip
    remarks += _conflicts(entry, p, made, others, replaces)
    if p.specimen.order_done is None and made.order:
        Specimen.objects.filter(pk=p.specimen.pk).update(order_done=made.order)
    more = {"reading": made.code, "slips": [{"kind": slip.kind, "text": slip.text} for slip in found]}
    return Outcome(_sentence(remarks), trial=p.bench.trial, reading=made, more=more)


def _sentence(remarks: list[str]) -> str:
    text = "; ".join(remarks)
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _others(p: Prepared) -> list[Other]:
    """Readings of the same specimen in this trial that nothing replaces; of ratings, those by the same rater."""
    if p.replaces is not None:
        return []
    found = [Other(*row) for row in OTHERS.rows(trial=p.bench.trial.pk, specimen=p.specimen.pk)]
    if p.bench.property.kind == "rating":
        return [other for other in found if (other.rater or other.operator) == (p.rater or p.operator)]
    return found


def _conflicts(entry: Entry, p: Prepared, made: Reading, others: list[Other], replaces: Reading | None) -> list[str]:
    """Note what the planner has to look at, and say so."""
    remarks = []
    rating = p.bench.property.kind == "rating"
    live = [other for other in others if other.void_id is None and p.same_run(other)]
    for other in live:
        sent = Submission.objects.filter(reading_id=other.pk, kind=EntryKind.READING).order_by()
        tablets = set(sent.values_list("tablet", flat=True))
        if rating or entry.tablet not in tablets or other.operator != p.operator:
            Conflict.objects.create(trial=p.bench.trial, specimen_id=p.specimen.pk, first_id=other.pk, second=made)
            remarks.append("both readings are kept, and the planner is shown them")
            break
    if rating and live:
        voids.made(made, entry, SECOND_RATING, p.operator)
    if p.replaces is not None and replaces is not None and replaces.pk != p.replaces.pk:
        Conflict.objects.create(
            trial=p.bench.trial, specimen_id=p.specimen.pk, kind=ConflictKind.TWICE, first=replaces, second=made
        )
    if p.panel and panels.find_apart(p.bench.trial, p.specimen.pk):
        remarks.append("ratings of this specimen lie far apart: it comes up for another look")
    return remarks


def _order(entry: Entry, p: Prepared) -> str:
    """The reading's place in the order in which the trial was really measured.

    What arrives late goes between its neighbours in time, with a fraction. One query, or two for what is late.
    """
    last = LAST.rows(trial=p.bench.trial.pk)
    if not last:
        return str(int(Decimal(_last_order(p.bench.trial))) + 1)
    order, done_at = last[0]
    if moment(done_at) <= entry.at:
        return str(int(Decimal(order)) + 1)
    sent = _sent(p.bench.trial.pk)
    before = sent.filter(done_at__lte=entry.at).order_by("-done_at", "-reading_id").first()
    after = sent.filter(done_at__gt=entry.at).order_by("done_at", "reading_id").first()
    low, high = Decimal(before[0] if before else "0"), Decimal(after[0])
    between = low + BETWEEN
    return format(between if between < high else (low + high) / 2, "f")[:20]


def _last_order(trial: Trial) -> str:
    """The greatest order of readings that did not come from a tablet."""
    found = Reading.objects.filter(trial=trial).exclude(order="").order_by().values_list("order", flat=True)
    return max(found, key=Decimal, default="0")


def _create(
    entry: Entry, p: Prepared, typed: Typed, code: str, order: str, replaces: Reading | None, found: list[slips.Slip]
) -> Reading:
    own = typed is p.main
    at = entry.tablet_at or entry.received_at
    made = NEW_READING.row(
        programme_id=p.bench.trial.programme_id, code=code, trial=typed.trial, product_id=p.specimen.product_id,
        unit_id=p.specimen.unit_id, specimen_id=p.specimen.pk, value=typed.value, bound=p.bound if own else "",
        unit_of_measure=typed.unit, operator=p.operator, rater=p.rater if own else "", instrument=typed.instrument,
        taken_at=at, taken_at_text=entry.tablet_text or at.isoformat(timespec="seconds"),
        received_at=entry.received_at, received_at_text=entry.received_at.isoformat(timespec="seconds"),
        run=p.run if own else None, order=order, failure_mode=p.mode.code if own and p.mode else "",
        trace=p.trace if own else "", decision=_told(p, own, found), replaces=replaces,
        replace_reason=p.replace_reason if own else "", note=p.note if own else "",
    )  # fmt: skip
    kind = typed.property.kind
    NEW_VALUE.row(
        reading=made, value=typed.number, unit="" if kind == "pass_fail" else context.reading_unit(typed.trial),
        engine=units.VERSION, reason="" if typed.number is not None else "no number",
    )  # fmt: skip
    return made


def _told(p: Prepared, own: bool, found: list[slips.Slip]) -> str:
    """How a trace was reduced, what was warned of, and what the person decided, as the record keeps it."""
    warned = "; ".join(slip.text for slip in found)
    parts = [traces.in_words(p.wish, p.reduction)] if own and p.reduction is not None else []
    parts += [f"Warned: {warned}."] if warned else []
    parts += [f"Decided: {p.decision}"] if p.decision else []
    return " ".join(parts)

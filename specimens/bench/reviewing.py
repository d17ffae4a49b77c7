"""All that looks wrong with a reading, by what the server knows. Told and kept, and nothing is blocked by it."""

from __future__ import annotations

from specimens import units
from specimens.models import BenchPlace, Reading

from . import pack, slips
from .context import reading_unit
from .entries import CLOCK_SLACK, Entry
from .prepared import Other, Prepared, Typed
from .slips import Slip
from .statements import Statement
from .windows import windows

LACKING = "dimension"
SIBLINGS = Statement(
    lambda trial, product: Reading.objects.filter(
        trial_id=trial, product_id=product, replaced_by__isnull=True, void__isnull=True, bound__in=["", "="],
        converted__value__isnull=False,
    ).order_by().values_list("pk", "converted__value", "failure_mode"),
    trial=int, product=int,
)  # fmt: skip


def review(p: Prepared, entry: Entry) -> list[Slip]:
    """The slips of a prepared reading but those of other readings of its specimen: see `of_others`."""
    found = [slip for typed in (p.main, *p.dimensions) for slip in typed.slips]
    found += [slip for typed in p.dimensions for slip in _of_dimension(typed)]
    found += _of_value(p)
    found += _of_plan(p, entry.user.get_username())
    found += _of_work(p, entry)
    if entry.skew and abs(entry.skew) > CLOCK_SLACK:
        minutes = abs(entry.skew).total_seconds() / 60
        side = "ahead of" if entry.skew.total_seconds() > 0 else "behind"
        found.append(Slip("clock", f"the tablet's clock is {minutes:.0f} min {side} the server's"))
    return found


def _of_dimension(typed: Typed) -> list[Slip]:
    if typed.number is None:
        return []
    value = float(units.convert(repr(typed.number), reading_unit(typed.trial), typed.property.unit))
    return slips.of_property(typed.property, value)


def _of_value(p: Prepared) -> list[Slip]:
    """Against the property's plausible range, and against the siblings: the same product in the same trial."""
    prop, main, own = p.bench.property, p.main, p.bench.unit
    if prop.kind != "quantity" or main.number is None:
        return []
    result, lacking = _result(p)
    found = [Slip(LACKING, lacking)] if lacking else []
    if p.bound != ">":  # a fixture's limit says nothing of what is plausible
        found += slips.of_property(prop, result)
    if p.bound not in ("", "="):
        return found
    live = SIBLINGS.rows(trial=p.bench.trial.pk, product=p.specimen.product_id)
    uncounted = {code for code, mode in p.bench.modes.items() if not mode.counts}
    siblings = [
        value for key, value, mode in live
        if mode not in uncounted and (p.replaces is None or key != p.replaces.pk)
    ]
    ends = None
    if not p.bench.dimensions and (prop.plausible_low is not None or prop.plausible_high is not None):
        ends = tuple(
            None if end is None else float(units.convert(end, prop.unit, own))
            for end in (prop.plausible_low, prop.plausible_high)
        )
    step = None
    if main.instrument is not None and main.instrument.resolution is not None:
        step = float(units.convert(main.instrument.resolution, main.instrument.unit or own, own, difference=True))
    return found + slips.of_siblings(main.number, siblings, unit=own, plausible=ends, resolution=step)


def _result(p: Prepared) -> tuple[float | None, str]:
    """The reading in the property's unit, divided by its dimensions; None, and why in words, where one is lacking."""
    bench = p.bench
    if bench.faults:
        return None, ""
    if not bench.dimensions:
        return float(units.convert(repr(p.main.number), bench.unit, bench.property.unit)), ""
    value = p.main.number
    for dimension in bench.dimensions:
        measured = [t.number for t in p.dimensions if t.trial == dimension.trial and t.number is not None]
        if not measured:
            live = Reading.objects.filter(
                trial=dimension.trial, specimen_id=p.specimen.pk, replaced_by__isnull=True, void__isnull=True,
                converted__value__isnull=False,
            )  # fmt: skip
            measured = list(live.order_by().values_list("converted__value", flat=True))
        if not measured:
            return None, f"it stays uncounted until its {dimension.property} is measured"
        mean = sum(measured) / len(measured)
        if mean <= 0:
            return None, f"it stays uncounted: its {dimension.property} is not above zero"
        value /= float(units.convert(repr(mean), reading_unit(dimension.trial), dimension.property.unit))
    parts = "*".join(f"({d.property.unit})" for d in bench.dimensions)
    return value * float(units.factor(f"{bench.unit}/({parts})", bench.property.unit)), ""


def _of_plan(p: Prepared, account: str) -> list[Slip]:
    """A specimen of another trial; a rater who is not on the panel, or who is not the one signed in."""
    if not p.raters and BenchPlace.objects.filter(trial=p.bench.trial).exists():
        return [Slip("other_trial", f"the specimen {pack.label(p.specimen)} is not planned in this trial")]
    found = []
    if p.panel and p.rater not in p.raters:
        found.append(Slip("not_on_panel", f"the rater {p.rater} is not on this panel"))
    if p.panel and p.rater != account:
        found.append(Slip("other_account", f"the rating of {p.rater} was sent in by {account}"))
    return found


def _of_work(p: Prepared, entry: Entry) -> list[Slip]:
    """Conditioning, cautions, dimensions that nobody can find."""
    found = []
    if p.bench.trial.condition_id:
        window = windows(p.bench.trial.condition, [p.specimen.pk])[p.specimen.pk]
        if remark := window.remark(entry.at):
            found.append(Slip("conditioning", f"measured when {remark}"))
    revision = p.bench.trial.revision
    if revision and revision.hazardous and pack.confirmed_at(p.bench, entry.user, entry.at) is None:
        found.append(Slip("cautions", "the method's cautions were not confirmed before"))
    return found + [Slip(LACKING, fault) for fault in p.bench.faults]


def of_others(p: Prepared, others: list[Other]) -> list[Slip]:
    """The specimen was measured already, or an earlier reading of it was voided.

    others: its readings in this trial that nothing replaces, by this rater alone where there is a panel.
    """
    if p.replaces is not None:
        return []
    name = pack.label(p.specimen)
    live = [other for other in others if other.void_id is None and p.same_run(other)]
    if live:
        by = "" if p.panel or not live[0].operator else f" by {live[0].operator}"
        return [Slip("already", f"the specimen {name} was measured already{by}")]
    if any(other.void_id is not None for other in others):
        return [Slip("voided", f"an earlier reading of the specimen {name} was voided")]
    return []

"""What the bench knows of one trial: its property, method, dimensions, modes, gauges and runs."""

from __future__ import annotations

import copy
import time
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cached_property, lru_cache

from specimens import units
from specimens.models import (
    Absence,
    FailureMode,
    Instrument,
    Programme,
    ProgrammeInstrument,
    Property,
    Run,
    Trial,
    TrialDimension,
)
from specimens.models.trials import AbsenceReason

from .errors import Refused
from .statements import Statement
from .typed import shown

# Units that gauges show, by trade habit; offered where they measure what the trial asks for.
OFFERED = (
    "N", "kN", "mN", "lbf", "ozf", "gf", "kgf", "mm", "cm", "m", "µm", "in", "mil", "ft", "yd", "g", "kg", "mg",
    "oz", "lb", "s", "min", "h", "d", "degC", "degF", "K", "MPa", "kPa", "bar", "psi", "N/mm^2", "N/cm", "N/mm",
    "N/25 mm", "lbf/in", "ozf/in", "N*m", "N*cm", "lbf*in", "lbf*ft", "ml", "l", "fl oz", "mm^2", "cm^2", "in^2",
    "V", "mV", "kV", "A", "mA", "ohm", "W", "Wh", "Ah", "mAh", "lm", "lx", "cd", "percent", "ppm", "count",
    "rpm", "Hz", "deg", "g/m^2", "kg/m^3", "g/cm^3",
)  # fmt: skip


RUNS = Statement(lambda trial: Run.objects.filter(trial_id=trial).order_by().values_list("pk")[:1], trial=int)
KEPT_S = 5.0
MOST_KEPT = 200
LEFT_OUT = (AbsenceReason.NOT_PLANNED, AbsenceReason.NOT_APPLICABLE)


@lru_cache(maxsize=512)
def fits(unit: str, expected: str) -> bool:
    """Whether two units measure one kind of quantity; False where one is unknown."""
    try:
        return units.same_kind(unit, expected)
    except units.UnitError:
        return False


@lru_cache(maxsize=512)
def unit_row(text: str, target: str) -> dict:
    """A unit that a gauge may show: value in `target` = value * factor + offset."""
    scale, shift = units.affine(text, target)
    return {"text": text, "factor": float(scale), "offset": float(shift)}


@lru_cache(maxsize=512)
def offered(target: str, own: tuple[str, ...] = ()) -> tuple[dict, ...]:
    """Units that a gauge may show for a quantity in `target`: that one, the gauges' own, the trade's."""
    if not target:
        return ()
    found = dict.fromkeys((target, *own, *OFFERED))
    return tuple(unit_row(text, target) for text in found if text and fits(text, target))


@dataclass
class Dimension:
    """A dimension that divides each specimen's reading: its property and the trial that measures it."""

    property: Property
    trial: Trial


@dataclass
class Bench:
    """One trial with all that an entry may name. `load` makes it."""

    trial: Trial
    dimensions: list[Dimension] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    @cached_property
    def property(self) -> Property:
        return self.trial.property

    @cached_property
    def programme(self) -> Programme:
        return self.trial.programme

    @cached_property
    def key(self) -> str:
        """The trial as tablets name it."""
        return f"{self.programme.slug}/{self.trial.code}"

    @cached_property
    def unit(self) -> str:
        """The unit of readings; "" where they have none (pass or fail)."""
        return reading_unit(self.trial)

    @cached_property
    def modes(self) -> dict[str, FailureMode]:
        """The failure modes that the trial's method codes in this programme, by code. One query."""
        if self.trial.revision_id is None:
            return {}
        found = FailureMode.objects.filter(
            method__programme_id=self.trial.programme_id, method__method_id=self.trial.revision.method_id
        )
        return {mode.code: mode for mode in found.order_by("code")}

    @cached_property
    def instruments(self) -> dict[str, Instrument]:
        """The programme's instruments by its codes. One query."""
        rows = ProgrammeInstrument.objects.filter(programme_id=self.trial.programme_id).select_related("instrument")
        return {row.code: row.instrument for row in rows.order_by("code")}

    @cached_property
    def absences(self) -> dict[int, str]:
        """Why products are missing from the trial, by key. One query."""
        return dict(Absence.objects.filter(trial_id=self.trial.pk).order_by().values_list("product_id", "reason"))

    @cached_property
    def left_out(self) -> dict[int, str]:
        """The products that the plan leaves out of the trial: they have no readings in it."""
        return {key: reason for key, reason in self.absences.items() if reason in LEFT_OUT}

    @cached_property
    def runs(self) -> list[Run]:
        """The trial's runs in the order of their start. One query."""
        if not RUNS.rows(trial=self.trial.pk):
            return []
        found = Run.objects.filter(trial_id=self.trial.pk).order_by()
        return sorted(found, key=lambda run: (_seconds(run.started_at), run.code))

    @cached_property
    def run(self) -> Run | None:
        """The run that is under way: the last one started."""
        return self.runs[-1] if self.runs else None


def _seconds(at: datetime | None) -> float:
    return at.timestamp() if at else float("-inf")


def trial_name(trial: Trial) -> str:
    """A trial in words: its property and, where there is one, its condition."""
    return f"{trial.property}, {trial.condition}" if trial.condition else str(trial.property)


def reading_unit(trial: Trial) -> str:
    return "" if trial.property.kind == "pass_fail" else trial.reading_unit or trial.property.unit


def overdue(instrument: Instrument, day: date) -> bool:
    return instrument.due_on is not None and day > instrument.due_on


def load(programme: str, code: str) -> Bench | None:
    """The trial of a programme with its dimensions; None where there is none. Two or three queries."""
    trial = (
        Trial.objects.filter(programme__slug=programme, code=code)
        .select_related("programme", "property", "condition", "revision__method", "baseline")
        .first()
    )
    return of(trial) if trial else None


_kept: dict[str, tuple[float, Bench]] = {}


def forget() -> None:
    """Look at the database again for the next entry."""
    _kept.clear()


def by_key(key: object, fresh: bool = False) -> Bench:
    """The trial that a tablet names as `programme/trial`. Raises Refused.

    What hardly changes (property, method, gauges, who is left out) is kept for a few seconds in this
    process, for many tablets send at once; runs are looked up anew each time. An entry that would be
    refused by what was kept is looked at again, `fresh`.
    """
    name = key if isinstance(key, str) and len(key) <= 200 and "\x00" not in key else ""
    now = time.monotonic()
    kept_at, bench = _kept.get(name, (float("-inf"), None))
    if bench is None or fresh or now - kept_at > KEPT_S:
        programme, slash, code = name.partition("/")
        bench = load(programme, code) if slash else None
        if bench is None:
            raise Refused(f"There is no trial {shown(key)}: load the page of the trial again.")
        # all that is kept is read before anybody else sees it
        _ = bench.modes, bench.instruments, bench.left_out
        if len(_kept) >= MOST_KEPT:
            _kept.clear()
        _kept[name] = now, bench
    return copy.copy(bench)


def of(trial: Trial) -> Bench:
    """The bench of a trial whose property and programme are loaded. One or two queries."""
    bench = Bench(trial)
    divisors = [row.property for row in TrialDimension.objects.filter(trial=trial).select_related("property")]
    if not divisors:
        return bench
    others = list(
        Trial.objects.filter(property__in=divisors, divide_by__isnull=True)
        .exclude(pk=trial.pk).select_related("property", "condition").order_by("code")
    )  # fmt: skip
    for prop in divisors:
        found = dimension_trial(trial, [other for other in others if other.property_id == prop.pk])
        if found is None:
            bench.faults.append(f"no one trial measures {prop}: ask the planner")
        else:
            bench.dimensions.append(Dimension(prop, found))
    return bench


def dimension_trial(trial: Trial, found: list[Trial]) -> Trial | None:
    """Of the trials that measure a dimension, the one whose readings divide this trial's.

    The one under the same condition; else the one as received; else the only one: the same rule as the
    evaluation's.
    """
    for wanted in (trial.condition_id, None):
        same = [other for other in found if other.condition_id == wanted]
        if same:
            return same[0] if len(same) == 1 else None
    return found[0] if len(found) == 1 else None

"""The study as arrays: all that the analysis reads, and nothing else.

`comparisons.load` builds it from a study folder's tables. Text has become numbers, every number is
in the unit that its field names, and codes stay the folder's own. Nothing here knows a database, a
file or a clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True)
class Decision:
    """How statements of conformity are made (ILAC-G8:09/2019, 4.2)."""

    confidence: float = 0.95
    rule: str = "probability"  # simple | guard | probability
    rounding: str = "absolute"  # absolute | rounding (ASTM E29)
    coverage: float = 0.95  # share of items that a claim on every item speaks of
    price_cap: float | None = None


@dataclass(frozen=True)
class Property:
    """What is measured; every bound is in `unit`, the unit of the result."""

    code: str
    kind: str  # quantity | pass_fail | rating | certification
    unit: str
    better: str  # more | less | target | neither
    decimals: int | None = None
    plausible_low: float | None = None
    plausible_high: float | None = None
    tolerance_pct: float | None = None
    scale_low: float | None = None
    scale_high: float | None = None


@dataclass(frozen=True)
class Gauge:
    """One instrument in one calibration state, seen in one trial's reading unit.

    All amounts are in that reading unit, `accuracy_pct` and `gain` excepted: the first is in
    percent of reading or of full scale, the second a factor (1 = none).
    `U` is the calibration's expanded uncertainty with coverage factor `k`. `offset` and `gain` are
    the errors that it found, indication = gain x true value + offset; the analysis takes them off.
    """

    instrument: str
    unit: str
    resolution: float | None = None
    accuracy_abs: float | None = None
    accuracy_pct: float | None = None
    accuracy_basis: str | None = None  # reading | full_scale
    full_scale: float | None = None
    range_low: float | None = None
    range_high: float | None = None
    calibrated_on: str | None = None
    due_on: str | None = None
    U: float | None = None
    k: float | None = None
    offset: float | None = None
    gain: float | None = None


@dataclass(frozen=True)
class Correction:
    """Readings of one trial by a gauge found wrong; `undated`: those left as they are, for want of a day."""

    trial: str
    code: str
    instrument: str
    since: str
    until: str
    factor: float
    readings: int
    undated: bool = False


@dataclass(frozen=True)
class Run:
    code: str
    pooled_because: str = ""
    anchor_product: str | None = None
    revision: str = ""


@dataclass(frozen=True)
class Trial:
    """One property by one method under one condition.

    Readings are in `reading_unit`. With `divide_by`, a specimen's reading is divided by the mean of
    its readings of each dimension (in that dimension's own result unit) and multiplied by
    `result_factor`; without, by `result_factor` alone, to reach the property's unit.
    `quantities`: what the units of readings and dimensions are made of, with powers, such as
    (("force", 1), ("length", -1)): a slip of unit is looked for among these (see `suspects`).
    Runs come in the order in which they were started.
    """

    code: str
    property: str
    condition: str | None = None
    method: str | None = None
    revision: str | None = None
    baseline: str | None = None
    paired: bool = False
    reading_unit: str = ""
    divide_by: tuple[str, ...] = ()
    result_factor: float = 1.0
    quantities: tuple[tuple[str, int], ...] = ()
    units_planned: int | None = None
    replicates: int | None = None
    blind: bool = False
    runs: tuple[Run, ...] = ()
    absences: dict[str, str] = field(default_factory=dict)  # product -> reason code


@dataclass(frozen=True)
class Readings:
    """All readings, one row each, sorted by code. Index arrays are -1 where nothing is named.

    trial, product, unit, specimen, rater, gauge, run: int32 indices into Study.trials, .products,
    .units, .specimens, .raters, .gauges and the trial's own runs.
    value: float64 in the trial's reading unit; pass = 1, fail = 0. bound: -1 for `<`, 0, 1 for `>`.
    live: whether the reading is the head of its chain and not voided; why_not says why not, or why
    a live one does not count ("" where it counts).
    overdue: the instrument was past its due date. order: order of measuring, NaN where unknown.
    day: date of taken_at as "YYYY-MM-DD", "" where unknown.
    """

    code: np.ndarray
    trial: np.ndarray
    product: np.ndarray
    unit: np.ndarray
    specimen: np.ndarray
    rater: np.ndarray
    gauge: np.ndarray
    run: np.ndarray
    value: np.ndarray
    bound: np.ndarray
    live: np.ndarray
    why_not: np.ndarray
    overdue: np.ndarray
    order: np.ndarray
    day: np.ndarray

    def __len__(self) -> int:
        return len(self.code)


@dataclass(frozen=True)
class Claim:
    """A maker's claim, in the property's unit (percent where `of` is "change").

    `printed_step` is one unit in the last place as printed, after conversion: the size within which
    two sources agree and to which ASTM E29's rounding method rounds.
    """

    code: str
    product: str
    property: str
    sense: str  # at_least | at_most | nominal | between | yes
    trial: str | None = None
    condition: str | None = None
    of: str = "value"  # value | change
    value: float | None = None
    low: float | None = None
    high: float | None = None
    tolerance_minus: float | None = None
    tolerance_plus: float | None = None
    printed_step: float | None = None
    unit: str = ""
    scope: str = "typical"  # typical | every
    source: str = ""
    governs: bool = False
    governs_reason: str = ""
    certification_state: str | None = None
    reference: str = ""
    checked_on: str | None = None


@dataclass(frozen=True)
class Purchase:
    """How items were obtained. `content` is per item, in Study.content_unit."""

    code: str
    product: str
    obtained: str  # bought | supplied | lent
    price: float | None = None
    shipping: float | None = None
    packs: float | None = None
    items_per_pack: float | None = None
    content: float | None = None


@dataclass(frozen=True)
class Criterion:
    id: str
    kind: str  # trial | cost | certification
    ref: str  # trial code | per_item, per_content, per_usable | property code
    name: str = ""
    measure: str | None = None
    better: str | None = None
    floor: float | None = None
    ceiling: float | None = None
    target: float | None = None
    band: float | None = None
    value_function: str = "linear"  # linear | logarithmic | desirability
    exponent: float = 1.0
    anchors_set_at: str | None = None
    anchors_before_data: bool = False
    must: bool = False


@dataclass(frozen=True)
class Weighting:
    id: str
    weights: dict[str, float]
    name: str = ""
    missing: str = "renormalise"  # renormalise | leave_out | worst_case


@dataclass(frozen=True)
class Award:
    code: str
    product: str
    weighting: str | None = None
    name: str = ""
    reason: str = ""


@dataclass(frozen=True)
class Study:
    slug: str
    currency: str
    seed: int
    decision: Decision
    products: tuple[str, ...]
    properties: dict[str, Property]
    trials: tuple[Trial, ...]
    units: tuple[str, ...]
    unit_product: np.ndarray  # int32, product index of each unit
    specimens: tuple[str, ...]
    specimen_unit: np.ndarray  # int32, unit index of each specimen
    raters: tuple[str, ...]
    gauges: tuple[Gauge, ...]
    readings: Readings
    claims: tuple[Claim, ...] = ()
    purchases: tuple[Purchase, ...] = ()
    content_unit: str = ""
    criteria: tuple[Criterion, ...] = ()
    weightings: tuple[Weighting, ...] = ()
    awards: tuple[Award, ...] = ()
    inputs_digest: str = ""
    frozen_at: str | None = None
    corrections: tuple[Correction, ...] = ()
    usable_trial: str | None = None  # measures how much of an item's content can be used

    def trial(self, code: str) -> Trial:
        """The trial of that code; KeyError where there is none."""
        for t in self.trials:
            if t.code == code:
                return t
        raise KeyError(code)

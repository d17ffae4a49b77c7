"""What each criterion found for each product, with all that a draw of it needs."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .certifications import REASONS, state_of, states
from .changes import ChangeOf
from .comparing import passed_of
from .costs import Cost
from .study import Criterion, Study
from .summary import Summaries, Summary, bounds_of
from .value_functions import ValueFunction, value_function

MEASURES = ("mean", "median", "min", "max", "change", "pass_share", "rating")


@dataclass(frozen=True)
class CriterionEstimates:
    """One criterion over all products, in the study's order of products.

    kind: mean, median, min, max, change, share, rating, cost or certification; unit: of `value`
    (change: percent, share and certification: 0 to 1).
    value: NaN where there is none. low, high: the interval that bounds alone leave for a missing
    value (-inf, inf: nothing is known).
    law: what a draw of the value follows, by product: "t" (value, u_own, dof), "ratio" (`ratio`:
    mean, u, dof, baseline mean, u, dof), "log" (`ratio`: mean, u, dof of the log ratio), "beta"
    (k of n items passed; Jeffreys), "panel" (`panel`: raters in rows, products in columns), "fixed"
    (certain), or "" (not drawn).
    u_own, dof: Type A, without gauges; NaN where unknown. n: items; k: items that passed.
    offset, gain: shape (products, gauges), change of the mean for one unit of a gauge's offset and for
    a relative error of one; base_offset, base_gain: the same for the baseline of a ratio.
    of_units_tested: the spread between units is unknown, so that nothing is said of the product at large.
    function: None where the criterion cannot be scored, with `reason`.
    score: 0 to 100, NaN missing; score_low, score_high: the least and greatest that it can be.
    missing: why a value is missing ("" where not); not_applicable: whether the product has none to give.
    gated: why a must-have is not met ("" where met, or no must-have).
    """

    criterion: Criterion
    kind: str
    unit: str
    trial: int | None
    value: np.ndarray
    low: np.ndarray
    high: np.ndarray
    law: np.ndarray
    u_own: np.ndarray
    dof: np.ndarray
    n: np.ndarray
    k: np.ndarray
    ratio: np.ndarray
    offset: np.ndarray
    gain: np.ndarray
    base_offset: np.ndarray
    base_gain: np.ndarray
    of_units_tested: np.ndarray
    panel: np.ndarray | None
    function: ValueFunction | None
    reason: str
    flags: tuple[str, ...]
    score: np.ndarray
    score_low: np.ndarray
    score_high: np.ndarray
    missing: np.ndarray
    not_applicable: np.ndarray
    gated: np.ndarray
    product_flags: tuple[tuple[str, ...], ...] = field(default=())


class _Draft:
    """Columns of one criterion while they are filled."""

    def __init__(self, products: int, gauges: int) -> None:
        nan = np.full(products, np.nan)
        self.value, self.u_own, self.dof, self.k = (nan.copy() for _ in range(4))
        self.low, self.high = np.full(products, -np.inf), np.full(products, np.inf)
        self.n = np.zeros(products, dtype=np.int64)
        self.law = np.full(products, "", dtype=object)
        self.ratio = np.full((products, 6), np.nan)
        self.offset, self.gain, self.base_offset, self.base_gain = (
            np.zeros((products, gauges)) for _ in range(4)
        )
        self.of_units_tested = np.zeros(products, dtype=bool)
        self.missing = np.full(products, "", dtype=object)
        self.not_applicable = np.zeros(products, dtype=bool)
        self.flags: list[list[str]] = [[] for _ in range(products)]

    def absent(self, p: int, row: Summary) -> None:
        self.missing[p] = row.reason or "not measured"
        self.not_applicable[p] = row.absence == "not_applicable"


def measure_of(criterion: Criterion, study: Study) -> str:
    """The criterion's measure, by its default where none is named; "" where its trial is not known."""
    if criterion.kind == "cost":
        return criterion.measure or "typical"
    if criterion.kind == "certification":
        return "certification"
    trial = next((t for t in study.trials if t.code == criterion.ref), None)
    if trial is None:
        return ""
    if criterion.measure:
        return criterion.measure
    if trial.baseline:
        return "change"
    kind = study.properties[trial.property].kind
    return {"pass_fail": "pass_share", "rating": "rating"}.get(kind, "mean")


def estimates_of(s: Summaries, changes: dict[tuple[int, int], ChangeOf], costs: list[Cost]) -> list:
    """The estimates of every criterion (`CriterionEstimates`), in the study's order."""
    return [_estimate(s, c, changes, costs) for c in s.study.criteria]


def _estimate(s: Summaries, c: Criterion, changes: dict, costs: list[Cost]) -> CriterionEstimates:
    study = s.study
    d = _Draft(len(study.products), len(study.gauges))
    measure = measure_of(c, study)
    place = {t.code: i for i, t in enumerate(study.trials)}
    trial, panel, reason = None, None, ""
    if c.kind == "cost":
        kind, unit, better = "cost", study.currency, c.better or "less"
        reason = _fill_cost(d, c, measure, costs)
    elif c.kind == "certification":
        kind, unit, better = "certification", "", c.better or "more"
        _fill_certification(d, study, c.ref)
    elif c.ref not in place:
        kind, unit, better, reason = "mean", "", c.better or "neither", f"no trial {c.ref}"
        d.missing[:] = reason
    else:
        trial = place[c.ref]
        prop = study.properties[study.trials[trial].property]
        kind, unit, better = measure, prop.unit, c.better or prop.better
        if measure == "change":
            unit, better = "percent", c.better or "target"
            _fill_change(d, s, trial, changes)
        elif measure == "pass_share":
            kind, unit, better = "share", "", c.better or "more"
            reason = _fill_share(d, s, trial)
        elif prop.kind == "rating":
            kind = "rating"
            panel = s.panels.get(trial)
            reason = _fill_rating(d, s, trial, measure)
        elif prop.kind != "quantity" or measure not in ("mean", "median", "min", "max"):
            reason = f"{measure} cannot be taken of a {prop.kind.replace('_', '/')} trial"
            d.missing[:] = reason
        else:
            _fill_quantity(d, s, trial, measure)
    return _scored(s, c, d, kind, unit, better, trial, panel, reason)


def _fill_cost(d: _Draft, c: Criterion, measure: str, costs: list[Cost]) -> str:
    if c.ref not in ("per_item", "per_content", "per_usable") or measure not in ("typical", "lowest"):
        d.missing[:] = reason = f"unknown cost {c.ref} ({measure})"
        return reason
    for p, cost in enumerate(costs):
        price = cost.of(c.ref)
        amount = getattr(price, measure)
        d.n[p] = cost.n
        if amount is None:
            d.missing[p] = price.reason or "no price"
        else:
            d.value[p], d.law[p] = amount, "fixed"
    return ""


def _fill_certification(d: _Draft, study: Study, prop: str) -> None:
    for p, claim in enumerate(states(study, prop).values()):
        state = state_of(claim) if claim is not None else "not_looked_for"
        if state in ("claimed", "not_looked_for"):
            d.missing[p] = REASONS[state]
        else:
            d.value[p], d.law[p] = float(state == "verified"), "fixed"
            d.n[p] = 1
        d.flags[p].append(f"certification_{state}")


def _fill_share(d: _Draft, s: Summaries, trial: int) -> str:
    if s.study.properties[s.study.trials[trial].property].kind != "pass_fail":
        d.missing[:] = reason = "a pass share needs a pass/fail trial"
        return reason
    for p, row in enumerate(s.of_trial(trial)):
        if not row.n:
            d.absent(p, row)
            continue
        counts = passed_of(s, row)
        d.value[p], d.law[p] = counts.share, "beta"
        d.n[p], d.k[p] = counts.n_items, counts.k
        if counts.on == "specimens":
            d.flags[p].append("specimens_not_units")
            if row.units is not None and row.units >= 2:
                # Units that disagree within themselves: each counts as one item, by its share.
                d.n[p], d.k[p] = row.units, d.value[p] * row.units
        d.of_units_tested[p] = row.units is None or row.units < 2
    return ""


def _fill_rating(d: _Draft, s: Summaries, trial: int, measure: str) -> str:
    if measure not in ("rating", "mean", "median"):
        d.missing[:] = reason = f"{measure} cannot be taken of ratings"
        return reason
    for p, row in enumerate(s.of_trial(trial)):
        d.n[p] = row.n
        if not row.n:
            d.absent(p, row)
            continue
        d.value[p] = row.median if measure == "median" else row.mean
        d.flags[p] += [f for f in row.flags if f == "opinion"]
        if measure != "median" and row.u_own is not None:
            d.u_own[p], d.dof[p], d.law[p] = row.u_own, row.dof_own, "panel"
    return ""


def _gauges(s: Summaries, cell: int, offset: np.ndarray, gain: np.ndarray) -> None:
    at = s.sensitivities.of(cell)
    offset[s.sensitivities.gauge[at]] = s.sensitivities.offset[at]
    gain[s.sensitivities.gauge[at]] = s.sensitivities.gain[at]


def _fill_quantity(d: _Draft, s: Summaries, trial: int, measure: str) -> None:
    for p, row in enumerate(s.of_trial(trial)):
        d.n[p] = row.n
        if not row.n:
            d.absent(p, row)
            continue
        value = {"mean": row.mean, "median": row.median, "min": row.minimum, "max": row.maximum}[measure]
        d.of_units_tested[p] = "of_units_tested" in row.flags
        _gauges(s, row.cell, d.offset[p], d.gain[p])
        if value is None:
            d.low[p], d.high[p] = _interval_of(s, row, measure)
            d.missing[p] = (row.reason if measure == "mean" else None) or f"bounds leave the {measure} open"
            continue
        d.value[p] = value
        if measure == "mean" and row.u_own:
            d.u_own[p], d.dof[p], d.law[p] = row.u_own, row.dof_own, "t"


def _interval_of(s: Summaries, row: Summary, measure: str) -> tuple[float, float]:
    """The interval in which bounds leave a mean, median, minimum or maximum."""
    if measure == "mean":
        return float(s.cells.low[row.cell]), float(s.cells.high[row.cell])
    take = {"median": np.median, "min": np.min, "max": np.max}[measure]
    low, high = bounds_of(s.values, s.cells.own_rows(row.cell))
    with np.errstate(invalid="ignore"):
        least, most = float(take(low)), float(take(high))
    return (-np.inf if np.isnan(least) else least), (np.inf if np.isnan(most) else most)


def _fill_change(d: _Draft, s: Summaries, trial: int, changes: dict) -> None:
    for p, row in enumerate(s.of_trial(trial)):
        found = changes.get((trial, p))
        d.n[p] = row.n
        if found is None:
            d.missing[p] = "the trial has no baseline"
            continue
        before = s.table.get((found.baseline, p)) if found.baseline is not None else None
        d.not_applicable[p] = "not_applicable" in (row.absence, before.absence if before else None)
        if found.change.change_pct is None:
            d.missing[p] = found.change.reason or "no change could be computed"
            continue
        d.value[p] = found.change.change_pct
        d.of_units_tested[p] = "of_units_tested" in found.flags
        d.flags[p] += [f for f in found.flags if f not in d.flags[p]]
        if found.law:
            d.law[p] = found.law
            d.ratio[p, : len(found.numbers)] = found.numbers
        if found.law == "ratio":
            d.ratio[p] = (row.mean, row.u_own, row.dof_own, before.mean, before.u_own, before.dof_own)
            _gauges(s, row.cell, d.offset[p], d.gain[p])
            _gauges(s, before.cell, d.base_offset[p], d.base_gain[p])


def _anchors(c: Criterion, kind: str, prop, better: str) -> tuple:
    """Floor, ceiling and target: the criterion's, else those that its kind brings along."""
    floor, ceiling, target = c.floor, c.ceiling, c.target
    if kind in ("share", "certification"):
        worst, best = (0.0, 1.0) if better == "more" else (1.0, 0.0)
    elif kind == "rating" and prop is not None and better in ("more", "less"):
        worst, best = prop.scale_low, prop.scale_high
        if better == "less":
            worst, best = best, worst
    else:
        worst = best = None
    if kind == "change" and better == "target" and target is None:
        target = 0.0
    return (worst if floor is None else floor), (best if ceiling is None else ceiling), target


def _scored(s, c, d: _Draft, kind, unit, better, trial, panel, reason) -> CriterionEstimates:
    prop = None if trial is None else s.study.properties[s.study.trials[trial].property]
    # A must-have's floor on a pass share is where it gates, not where its score begins.
    gate_only = c.must and kind == "share" and c.floor is not None and c.ceiling is None
    floor, ceiling, target = _anchors(c, kind, prop, better)
    if gate_only and floor == ceiling:
        floor = 0.0
    function, why, flags = value_function(
        better=better, floor=floor, ceiling=ceiling, target=target, band=c.band,
        form=c.value_function, exponent=c.exponent, values=d.value,
    )  # fmt: skip
    given = c.floor is not None or c.ceiling is not None
    if function is not None and given and not c.anchors_before_data and "anchors_from_data" not in flags:
        flags.append("anchors_not_before_data")
    if reason:
        function, why = None, reason
    products = len(d.value)
    score, low, high = np.full(products, np.nan), np.zeros(products), np.full(products, 100.0)
    if function is not None:
        score = function(d.value)
        for p in np.flatnonzero(np.isnan(score)):
            if np.isfinite(d.low[p]) or np.isfinite(d.high[p]):
                low[p], high[p] = function.range_over(float(d.low[p]), float(d.high[p]))
                if low[p] == high[p]:
                    score[p], d.missing[p], d.law[p] = low[p], "", "fixed"
                    d.flags[p].append("settled_by_a_bound")
        known = ~np.isnan(score)
        low[known] = high[known] = score[known]
    gated = np.full(products, "", dtype=object)
    if c.must:
        for p in range(products):
            gated[p] = _gate(c, d, p, kind, better, floor, ceiling)
        if kind not in ("certification", "share") and c.floor is None:
            flags.append("must_have_without_a_floor")
    return CriterionEstimates(
        criterion=c, kind=kind, unit=unit, trial=trial, value=d.value, low=d.low, high=d.high, law=d.law,
        u_own=d.u_own, dof=d.dof, n=d.n, k=d.k, ratio=d.ratio, offset=d.offset, gain=d.gain,
        base_offset=d.base_offset, base_gain=d.base_gain, of_units_tested=d.of_units_tested, panel=panel,
        function=function, reason=why, flags=tuple(flags), score=score, score_low=low, score_high=high,
        missing=d.missing, not_applicable=d.not_applicable, gated=gated,
        product_flags=tuple(tuple(f) for f in d.flags),
    )  # fmt: skip


def _gate(c: Criterion, d: _Draft, p: int, kind: str, better: str, floor, ceiling) -> str:
    """Why product `p` does not meet the must-have `c`, "" where it does or cannot be held to it."""
    if d.not_applicable[p]:
        return ""
    if kind == "certification":
        if np.isnan(d.value[p]):
            return d.missing[p]
        return "" if d.value[p] == 1.0 else _certification_reason(d.flags[p])
    limit = c.floor
    if kind == "share" and limit is None:
        limit = 1.0
    if limit is None:
        return ""
    low, high = (d.value[p], d.value[p]) if not np.isnan(d.value[p]) else (d.low[p], d.high[p])
    if better == "target":
        meets = low >= limit and (ceiling is None or high <= ceiling)
    elif better == "less":
        meets = high <= limit
    else:
        meets = low >= limit
    if meets:
        return ""
    if np.isnan(d.value[p]):
        return d.missing[p] or "not measured"
    return "does not reach what is required"


def _certification_reason(flags: list[str]) -> str:
    state = next(f.removeprefix("certification_") for f in flags if f.startswith("certification_"))
    return REASONS.get(state, state)

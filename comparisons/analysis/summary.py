"""What was found for each product in each trial: mean, spread, interval, uncertainty.

Units carry the inference (see `pooling`); bounds are carried as bounds (see `censored`); ratings
are means over raters (see `ratings`). A product without a result has a row that says why.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from .cells import Cells, gather
from .document import settled
from .gauges import GaugeErrors
from .pooling import Spread, spread_of_trial, type_a
from .robust import Robust, compare_rows
from .study import Study, Trial
from .uncertainty import LEVEL, ROOT12, Budget, Sensitivities, budget, sensitivities
from .values import BIT, Values

ABSENT = {
    "not_planned": "not planned in this trial",
    "not_applicable": "does not apply to this product",
    "lost": "the specimens were lost",
    "excluded": "excluded from this trial",
}
UNFINISHED = "not measured yet"
COARSE_PCT = 10.0  # of the mean, from which a gauge is told to be too coarse (common practice, no source)
CARRIED = ("averaged", "gauge_overdue", "gauge_corrected", "outside_gauge_range", "outside_plausible_range")


@dataclass(frozen=True)
class Summary:
    """One product in one trial. Numbers in the property's unit; None where there is none.

    cell: index into Cells, -1 where nothing counts. units: None where not known. mean: unweighted
    mean of unit means (rating: mean over raters; pass/fail: share that passed). low, high: interval
    in which bounds alone leave the mean. u_own, dof_own: what the product itself contributes; u,
    dof, k, U: with its gauges; u_gauge: what the gauges alone may add, shared by all that they
    measured. resolution: of the mean's gauges together. gauge_pct: what the gauges and their resolution
    may add at k = 2, in percent of the mean. ci: Type A interval. absence: reason code of
    an absent product. source: where u_own comes from (see `pooling.TypeA`), or "censored", "raters".
    """

    trial: int
    product: int
    kind: str
    cell: int = -1
    n: int = 0
    units: int | None = None
    mean: float | None = None
    sd: float | None = None
    median: float | None = None
    minimum: float | None = None
    maximum: float | None = None
    low: float | None = None
    high: float | None = None
    u: float | None = None
    u_own: float | None = None
    dof: float | None = None
    dof_own: float | None = None
    k: float | None = None
    U: float | None = None
    u_gauge: float | None = None
    resolution: float | None = None
    gauge_pct: float | None = None
    ci: tuple[float, float] | None = None
    between_sd: float | None = None
    within_sd: float | None = None
    n_bounds: int = 0
    up: int = 0
    down: int = 0
    source: str = ""
    absence: str | None = None
    reason: str | None = None
    flags: tuple[str, ...] = ()
    budget: tuple[dict, ...] = ()


@dataclass(frozen=True)
class Summaries:
    """All summaries of a study: `table[trial, product]`, and what they were made from."""

    study: Study
    values: Values
    cells: Cells
    sensitivities: Sensitivities
    errors: GaugeErrors
    table: dict[tuple[int, int], Summary] = field(repr=False)
    panels: dict[int, np.ndarray] = field(default_factory=dict, repr=False)

    def of_trial(self, trial: int) -> list[Summary]:
        """The trial's summaries, one a product, in the study's order."""
        return [self.table[trial, p] for p in range(len(self.study.products))]


def _number(x) -> float | None:
    x = float(x)
    return x if math.isfinite(x) else None


def _interval(centre: float, u: float, dof: float) -> tuple[float, float] | None:
    from scipy.special import stdtrit

    if not (0 < u < math.inf and dof > 0):
        return None
    half = float(stdtrit(dof, (1 + LEVEL) / 2)) * u
    return centre - half, centre + half


def _unit_flags(cells: Cells, i: int) -> list[str]:
    flags = []
    if not cells.known[i]:
        flags.append("units_unknown")
    elif cells.m[i] == 1:
        flags.append("one_unit")
    elif cells.m[i] == 2:
        flags.append("two_units")
    return flags + [f for f in CARRIED if cells.flags[i] & BIT[f]]


def summarise(study: Study, v: Values, errors: GaugeErrors) -> Summaries:
    """Every product of every trial, measured or not."""
    cells = gather(study, v)
    s = sensitivities(v, cells, len(study.gauges))
    spread = type_a(cells)
    kinds = [study.properties[t.property].kind for t in study.trials]
    table: dict[tuple[int, int], Summary] = {}
    spreads: dict[int, Spread | None] = {}
    counts = zip(
        cells.trial.tolist(), cells.product.tolist(), cells.n.tolist(), cells.m.tolist(), cells.known.tolist(),
        cells.up.tolist(), cells.down.tolist(), strict=True,
    )  # fmt: skip
    for i, (t, p, n, m, known, up, down) in enumerate(counts):
        base = {
            "trial": t, "product": p, "kind": kinds[t], "cell": i, "n": n, "units": m if known else None,
            "median": _number(cells.median[i]), "minimum": _number(cells.minimum[i]),
            "maximum": _number(cells.maximum[i]), "low": _number(cells.low[i]),
            "high": _number(cells.high[i]), "n_bounds": up + down, "up": up, "down": down,
        }  # fmt: skip
        if kinds[t] != "quantity":
            flags = tuple(_unit_flags(cells, i))
            table[t, p] = Summary(**base, mean=base["low"], sd=_number(cells.sd[i]), flags=flags)
        elif up or down:
            if t not in spreads:
                spreads[t] = spread_of_trial(cells, t)
            table[t, p] = _censored(study, v, cells, s, errors, i, base, spreads[t])
        else:
            own = (float(spread.u[i]), float(spread.dof[i]), str(spread.source[i]))
            table[t, p] = _exact(study, cells, s, errors, i, base, *own)
    panels = {}
    for t, kind in enumerate(kinds):
        if kind == "rating":
            panels[t] = _panel(study, v, t)
            _rate(table, t, panels[t])
    width = len(study.products)
    tried = v.trial.astype(np.int64) * width + v.product
    for t, trial in enumerate(study.trials):
        for p in range(width):
            if (t, p) not in table:
                first, last = np.searchsorted(tried, [t * width + p, t * width + p + 1])
                table[t, p] = _absent(study, trial, t, p, kinds[t], v.why_not[first:last])
    return Summaries(study, v, cells, s, errors, table, panels)


def _exact(study, cells, s, errors, i, base: dict, u: float, dof: float, source: str) -> Summary:
    mean = float(cells.low[i])
    made = budget(study, errors, s, cells, i, u, dof, source or "units")
    flags = _unit_flags(cells, i) + made.flags
    many = bool(cells.m[i] >= 2)
    between, within = _number(cells.between_variance[i]), _number(cells.within_variance[i])
    if many and within is None:
        flags.append("one_specimen_per_unit")
    if many and between is not None and between < 0:
        flags.append("negative_between")
    if source.startswith("pooled"):
        flags.append("between_units_pooled")
        if source == "pooled_percent":
            flags.append("pooled_in_percent")
    elif not many:
        flags.append("of_units_tested")
    own_u, own_dof = math.nan, math.nan
    if many:
        own_u, own_dof = made.u_own, made.dof_own
    elif base["n"] > 1:
        own_u, own_dof = float(cells.sd[i]) / math.sqrt(base["n"]), base["n"] - 1.0
        if own_u == 0 and "resolution_floor" in made.flags:
            own_u = made.resolution / ROOT12
    interval = _interval(mean, own_u, own_dof)
    if interval is not None and made.U < (interval[1] - interval[0]) / 2 * (1 - 1e-9):
        flags.append("type_a_interval_wider")
    share = _gauge_pct(study, base["trial"], mean, made)
    if share is not None and share >= COARSE_PCT:
        flags.append("gauge_too_coarse")
    reason = None
    if "gauge_amount_refused" in made.flags and math.isnan(made.u):
        reason = "the gauge's errors are too large to compute with"
    elif not math.isfinite(made.u_own):
        reason = "one specimen of one unit, and no other product shows how units spread"
    elif made.u_own == 0:
        reason = "no spread, and the gauge's resolution is not known"
    return Summary(
        **base, mean=mean, sd=_number(cells.sd[i]), **_numbers_of(made), ci=interval, gauge_pct=share,
        between_sd=math.sqrt(max(between, 0.0)) if many and between is not None else None,
        within_sd=None if within is None else math.sqrt(within),
        source=source, reason=reason, flags=tuple(flags), budget=tuple(made.rows),
    )  # fmt: skip


def _gauge_pct(study: Study, trial: int, mean: float, made: Budget) -> float | None:
    """The gauge's share of a mean; None where nothing is known of its errors or zero means nothing (degC)."""
    if mean == 0 or "gauge_errors_unknown" in made.flags or ("celsius", 1) in study.trials[trial].quantities:
        return None
    return _number(100.0 * 2.0 * math.hypot(made.u_gauge, (made.resolution or 0.0) / ROOT12) / abs(mean))


def _numbers_of(made: Budget) -> dict:
    return {
        "u": _number(made.u), "u_own": _number(made.u_own), "dof": _number(made.dof), "k": _number(made.k),
        "dof_own": _number(made.dof_own), "U": _number(made.U), "u_gauge": made.u_gauge,
        "resolution": made.resolution,
    }  # fmt: skip


def _censored(study, v, cells, s, errors, i, base: dict, spread: Spread | None) -> Summary:
    """A cell with bounds: the fitted normal mean, if enough values are exact.

    One unit: the variance between units is the trial's other products', as for exact values.
    """
    from .censored import fit_normal
    from .clustered import fit_clustered

    rows = cells.own_rows(i)
    flags = [*_unit_flags(cells, i), "bounds"]
    low, high = bounds_of(v, rows)
    if cells.m[i] >= 2:
        fit = fit_clustered(low, high, v.unit[rows], LEVEL)
    else:
        fit = fit_normal(low, high, LEVEL)
    u = np.nan if fit.u is None else fit.u
    dof = np.nan if fit.dof is None else float(fit.dof)
    source = "censored"
    if cells.m[i] < 2 and (spread is None or fit.mean is None or fit.u is None):
        flags.append("of_units_tested")
    elif cells.m[i] < 2:
        u, dof, percent = spread.of_one_unit(fit.mean, u**2, dof, len(rows))
        source = "censored_pooled"
        flags += ["between_units_pooled", "pooled_in_percent"] if percent else ["between_units_pooled"]
    made = budget(study, errors, s, cells, i, u, dof, source)
    if fit.mean is None:
        return Summary(
            **base, flags=tuple(flags + made.flags), budget=tuple(made.rows), u_gauge=made.u_gauge,
            resolution=made.resolution, reason=fit.reason or "bounds: no mean", source="",
        )  # fmt: skip
    flags.append("sd_of_the_likelihood")
    return Summary(
        **base, mean=fit.mean, sd=fit.sd, **_numbers_of(made), ci=tuple(fit.ci) if fit.ci else None,
        source="censored", flags=tuple(flags + made.flags), budget=tuple(made.rows),
    )  # fmt: skip


def bounds_of(v: Values, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Each row's value as an interval: equal ends where it is exact, an infinite one where it is a bound."""
    low = np.where(v.bound[rows] < 0, -np.inf, v.value[rows])
    high = np.where(v.bound[rows] > 0, np.inf, v.value[rows])
    return low, high


def _panel(study: Study, v: Values, t: int) -> np.ndarray:
    """Ratings of trial `t`, raters in rows, products in columns; NaN where there is none.

    A rater's ratings of one product's specimens are averaged. Ratings without a rater are one rater's.
    """
    rows = np.flatnonzero(v.counted & (v.trial == t))
    raters, place = np.unique(v.rater[rows], return_inverse=True)
    k = len(study.products)
    key = place * k + v.product[rows]
    count = np.bincount(key, minlength=len(raters) * k)
    total = np.bincount(key, v.value[rows], minlength=len(raters) * k)
    out = np.full(len(raters) * k, np.nan)
    np.divide(total, count, out=out, where=count > 0)
    return out.reshape(len(raters), k)


def _rate(table: dict, t: int, panel: np.ndarray) -> None:
    """Rater-centred means and their uncertainty put into the summaries of rating trial `t`."""
    from scipy.special import stdtrit

    from .ratings import OPINION_RATERS, rater_centred_means

    seen = ~np.isnan(panel)
    products = np.flatnonzero(seen.any(axis=0))
    if not len(products):
        return
    mean, u, dof = rater_centred_means(panel[:, products])
    plain = [float(np.mean(panel[seen[:, p], p])) for p in products]
    for j, p in enumerate(products.tolist()):
        row = table[t, p]
        raters = int(seen[:, p].sum())
        flags = [f for f in row.flags if f not in ("one_unit", "two_units", "units_unknown")]
        if raters <= OPINION_RATERS:
            flags.append("opinion")
        centre = mean[j] if mean[j] is not None else plain[j]
        if mean[j] is None:
            flags.append("raters_not_linked")
        more = {}
        if mean[j] is not None and u[j]:
            d = float(dof[j])
            k = float(stdtrit(d, (1 + LEVEL) / 2))
            more = {
                "u": u[j], "u_own": u[j], "dof": d, "dof_own": d, "k": k, "U": k * u[j],
                "ci": (centre - k * u[j], centre + k * u[j]),
            }  # fmt: skip
        reason = None
        if raters <= OPINION_RATERS:
            reason = f"{'one rater' if raters == 1 else 'two raters'}: an opinion"
        table[t, p] = replace(
            row, mean=centre, low=None, high=None, source="raters", reason=reason, flags=tuple(flags), **more
        )


def _absent(study: Study, trial: Trial, t: int, p: int, kind: str, uncounted: np.ndarray) -> Summary:
    absence = trial.absences.get(study.products[p])
    row = Summary(trial=t, product=p, kind=kind, absence=absence)
    if absence is not None:
        return replace(row, reason=ABSENT.get(absence, absence), flags=("absent",))
    if len(uncounted):
        why = sorted({str(w) for w in uncounted if w})
        return replace(row, reason="no reading counts: " + "; ".join(why), flags=("absent", "none_counts"))
    return replace(row, reason=UNFINISHED, flags=("absent", "unfinished"))


def robust_of(s: Summaries) -> dict[int, Robust]:
    """Robust figures of every cell of exact quantities, by cell: of its specimens, whatever their units."""
    cells, out = s.cells, {}
    quantity = np.array([s.study.properties[t.property].kind == "quantity" for t in s.study.trials] + [False])
    exact = quantity[cells.trial] & (cells.up + cells.down == 0)
    for n in np.unique(cells.n[exact]).tolist():
        which = np.flatnonzero(exact & (cells.n == n))
        table = s.values.value[cells.rows[cells.start[which][:, None] + np.arange(n)]]
        out |= zip(which.tolist(), compare_rows(table), strict=True)
    return out


def summary_rows(s: Summaries) -> list[dict]:
    """The `summaries` rows of the document: quantities and ratings, sorted by trial and product."""
    study, rows, robust = s.study, [], robust_of(s)
    for (t, p), row in sorted(s.table.items()):
        if row.kind not in ("quantity", "rating"):
            continue
        trial = study.trials[t]
        prop = study.properties[trial.property]
        other = robust.get(row.cell)
        flags = list(row.flags)
        if other is not None and other.agree is False:
            flags.append("far_values_pull_the_mean")
        rows.append({
            "trial": trial.code, "product": study.products[p], "property": prop.code, "kind": row.kind,
            "n": row.n, "units": row.units, "mean": row.mean, "sd": row.sd, "median": row.median,
            "min": row.minimum, "max": row.maximum, "low": row.low if row.n_bounds else None,
            "high": row.high if row.n_bounds else None, "u": row.u,
            "u_own": row.u_own, "dof": row.dof, "dof_own": row.dof_own, "k": row.k, "U": row.U,
            "ci": list(row.ci) if row.ci else None, "unit": prop.unit, "between_sd": row.between_sd,
            "within_sd": row.within_sd, "n_bounds": row.n_bounds, "absence": row.absence,
            "mad_sd": other and other.mad_sd, "huber": other and other.huber,
            "robust": (other and (other.words or other.reason)) or None,
            "u_gauge": row.u_gauge, "gauge_pct": row.gauge_pct,
            "reason": row.reason, "flags": flags,
        })  # fmt: skip
    return settled(
        rows, "mean", "sd", "median", "min", "max", "low", "high", "u", "u_own", "dof", "dof_own", "k", "U",
        "between_sd", "within_sd", "mad_sd", "huber", "u_gauge", "gauge_pct", pairs=("ci",),
    )  # fmt: skip


def budget_rows(s: Summaries) -> list[dict]:
    """The `budgets` rows of the document: each contribution to each product's uncertainty."""
    study, rows = s.study, []
    for (t, p), row in sorted(s.table.items()):
        trial = study.trials[t]
        for part in row.budget:
            rows.append({
                "trial": trial.code, "product": study.products[p],
                "unit": study.properties[trial.property].unit, **part,
            })  # fmt: skip
    return settled(rows, "half_width", "divisor", "dof", "u")

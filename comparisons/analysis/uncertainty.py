"""Uncertainty budgets: what the specimens scatter and what the gauge may add.

Sources: JCGM 100:2008 (GUM), 4.2 and 4.3 (Type A and B), 5.1 (combination), F.2.2.1 (resolution),
G.4 (effective degrees of freedom by Welch and Satterthwaite), G.6 (expanded uncertainty).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .cells import Cells
from .checked import LARGEST, number
from .gauges import ASSUMED_K, GaugeErrors
from .pooling import TypeA, type_a
from .study import Study
from .values import Values

LEVEL = 0.95
ROOT3, ROOT12 = math.sqrt(3.0), math.sqrt(12.0)


@dataclass(frozen=True)
class Combined:
    """u: combined standard uncertainty. dof: effective. k: coverage factor. U: k u."""

    u: float
    dof: float
    k: float
    U: float


def combine(u, dof, level: float = LEVEL) -> Combined:
    """Root sum of squares of independent contributions, with k from Student's t.

    u: standard uncertainties, each already times its sensitivity, one unit. dof: their degrees of
    freedom, infinity where the contribution is taken as exactly known. level: of the interval y +- U.
    Degrees of freedom are not cut to whole numbers. ValueError where nothing is given, a u is
    negative or not finite, or a dof is not above zero. Sources: JCGM 100:2008, 5.1.2, G.4.1, G.6.4.

    >>> c = combine([3.0, 4.0], [8, float("inf")])
    >>> c.u, round(c.dof, 2)
    (5.0, 61.73)
    """
    from scipy.special import ndtri, stdtrit

    try:
        parts = [(float(x), float(nu)) for x, nu in zip(u, dof, strict=True)]
    except TypeError as error:
        raise ValueError("one u and one dof for each contribution") from error
    if not parts:
        raise ValueError("one u and one dof for each contribution")
    if not all(0 <= x < math.inf and nu > 0 for x, nu in parts):
        raise ValueError("u must be finite and not negative, dof above zero")
    top = max(x for x, _ in parts)
    if top == 0:
        effective, total = min(nu for _, nu in parts), 0.0
    else:
        squares = [((x / top) ** 2, nu) for x, nu in parts]
        whole = sum(x for x, _ in squares)
        tail = sum(x * x / nu for x, nu in squares)
        total, effective = top * math.sqrt(whole), (whole * whole / tail if tail > 0 else math.inf)
    p = (1 + level) / 2
    k = float(ndtri(p)) if math.isinf(effective) else float(stdtrit(effective, p))
    return Combined(total, effective, k, k * total)


@dataclass(frozen=True)
class Sensitivities:
    """How far each gauge moves each cell's mean: one entry for each cell and gauge that met.

    cell, gauge: indices, sorted. offset: change of the mean for one unit of the gauge's offset;
    gain: for a relative error of one. In the property's unit. start: first entry of each cell, and
    their number at the end.
    """

    cell: np.ndarray
    gauge: np.ndarray
    offset: np.ndarray
    gain: np.ndarray
    start: np.ndarray

    def of(self, cell: int) -> slice:
        """The entries of one cell."""
        return slice(int(self.start[cell]), int(self.start[cell + 1]))


def sensitivities(v: Values, cells: Cells, gauge_count: int) -> Sensitivities:
    """The links of all counted values summed by cell and gauge, each with its value's weight in the mean."""
    cell_of = np.full(len(v), -1, dtype=np.intp)
    weight = np.zeros(len(v))
    cell_of[cells.rows] = np.repeat(np.arange(len(cells)), cells.n)
    weight[cells.rows] = cells.weight
    use = cell_of[v.link_row] >= 0
    row, gauge = v.link_row[use], v.link_gauge[use].astype(np.intp)
    key, place = np.unique(cell_of[row] * max(gauge_count, 1) + gauge, return_inverse=True)
    cell = key // max(gauge_count, 1)
    return Sensitivities(
        cell=cell,
        gauge=key % max(gauge_count, 1),
        offset=np.bincount(place, weight[row] * v.link_offset[use], minlength=len(key)),
        gain=np.bincount(place, weight[row] * v.link_gain[use], minlength=len(key)),
        start=np.searchsorted(cell, np.arange(len(cells) + 1)),
    )


@dataclass(frozen=True)
class Budget:
    """The uncertainty of one cell's mean.

    u_own, dof_own: Type A (and the floor of resolution), what the product itself contributes.
    u_gauge: what its gauges may add, shared by all that they measured. u, dof, k, U: both together.
    resolution: the step of its gauges in the property's unit, None where unknown.
    rows: the contributions, as rows of the document. flags. NaN where there is no Type A part.
    """

    u_own: float
    dof_own: float
    u_gauge: float
    u: float
    dof: float
    k: float
    U: float
    rows: list[dict]
    flags: list[str]
    resolution: float | None = None


def _row(source: str, kind: str, u: float, **more) -> dict:
    base = {
        "source": source, "type": kind, "instrument": None, "distribution": None, "half_width": None,
        "divisor": None, "dof": None, "u": u, "shared": kind == "B",
    }  # fmt: skip
    return base | more


TYPE_A_WORDS = {
    "units": "spread of {m} units",
    "pooled": "one unit; spread between units of the trial's other products",
    "pooled_percent": "one unit; spread between units of the trial's other products, in percent",
    "specimens": "spread of {n} specimens of the units tested",
    "censored": "likelihood of values and bounds",
    "censored_pooled": "likelihood of values and bounds; spread between units of the trial's other products",
    "floor": "all readings equal: the resolution is the least that can be told",
}


def _type_a_row(u: float, dof: float, source: str, m: int, n: int) -> dict:
    basis = TYPE_A_WORDS[source].format(m=m, n=n)
    return _row("type_a", "A", u, distribution="t", dof=dof, basis=basis)


def _gauge_rows(study: Study, errors: GaugeErrors, s: Sensitivities, at: slice) -> list[dict]:
    """The gauges' contributions: one instrument has one resolution and one error of accuracy, in whatever
    states and units it read, and one error of calibration in each calibration state."""
    rows = []
    entries = list(zip(s.gauge[at].tolist(), s.offset[at].tolist(), s.gain[at].tolist(), strict=True))
    instruments = {g: int(errors.instrument[g]) for g, _, _ in entries}
    for instrument in dict.fromkeys(instruments.values()):
        own = [e for e in entries if instruments[e[0]] == instrument]
        name = study.gauges[own[0][0]].instrument
        half = abs(sum(o * float(errors.resolution[g]) for g, o, _ in own if errors.resolution[g] > 0)) / 2
        if half > 0:
            rows.append(_rectangular("resolution", name, half, shared=False))
        half = abs(sum(o * float(errors.accuracy_offset[g]) for g, o, _ in own))
        half += abs(sum(x * float(errors.accuracy_gain[g]) for g, _, x in own))
        if half > 0:
            rows.append(_rectangular("accuracy", name, half))
        states: dict[str, list[tuple[int, float]]] = {}
        for g, o, _ in own:
            if errors.calibration[g] > 0:
                states.setdefault(study.gauges[g].calibrated_on or "", []).append((g, o))
        for held in states.values():
            u = abs(sum(o * float(errors.calibration[g]) for g, o in held))
            if u > 0:
                k = number(study.gauges[held[0][0]].k)
                k = k if k is not None and k > 0 else ASSUMED_K
                rows.append(_row(
                    "calibration", "B", u, instrument=name, distribution="normal", half_width=u * k, divisor=k,
                ))  # fmt: skip
    return rows


def _rectangular(source: str, name: str, half: float, **more) -> dict:
    return _row(
        source, "B", half / ROOT3, instrument=name, distribution="rectangular", half_width=half,
        divisor=ROOT3, **more,
    )  # fmt: skip


def resolution_floor(rows: list[dict]) -> float:
    """Standard uncertainty of the resolution rows together: the least spread that equal readings allow."""
    return math.hypot(*(r["u"] for r in rows if r["source"] == "resolution"))


def budget(study: Study, errors: GaugeErrors, s: Sensitivities, cells: Cells, i: int,
           u_own: float, dof_own: float, source: str) -> Budget:  # fmt: skip
    """The budget of cell `i`, from its Type A part (NaN: none) and its gauges.

    Where all readings are equal, or their spread is none, Type A is the resolution's standard
    uncertainty, not divided by the root of their number, and no resolution row is added besides.
    The resolution belongs to each reading and is not shared; accuracy and calibration are the
    gauge's own errors and are shared by all that it measured.
    """
    at = s.of(i)
    rows = _gauge_rows(study, errors, s, at)
    gauges = s.gauge[at].tolist()
    flags = sorted({f for g in gauges for f in errors.flags[g]})
    if not any(errors.stated[g] for g in gauges):
        flags.append("gauge_errors_unknown")
    u_gauge = math.hypot(*(r["u"] for r in rows if r["shared"]))
    floor = resolution_floor(rows)
    step = floor * ROOT12 if floor > 0 else None
    if not all(r["u"] <= LARGEST for r in rows):
        return Budget(*[math.nan] * 2, 0.0, *[math.nan] * 4, [], [*flags, "gauge_amount_refused"])
    if not math.isfinite(u_own):
        return Budget(*[math.nan] * 2, u_gauge, *[math.nan] * 4, rows, flags, step)
    if floor > 0 and (cells.flat[i] or u_own == 0):
        rows = [r for r in rows if r["source"] != "resolution"]
        flags.append("resolution_floor")
        if floor > u_own:
            u_own, source = floor, "floor"
    rows.insert(0, _type_a_row(u_own, dof_own, source, int(cells.m[i]), int(cells.n[i])))
    dof = [math.inf if r["dof"] is None else r["dof"] for r in rows]
    whole = combine([r["u"] for r in rows], dof)
    return Budget(u_own, dof_own, u_gauge, whole.u, whole.dof, whole.k, whole.U, rows, flags, step)


__all__ = [
    "Budget", "Combined", "LEVEL", "Sensitivities", "TypeA", "budget", "combine", "resolution_floor",
    "sensitivities", "type_a",
]  # fmt: skip

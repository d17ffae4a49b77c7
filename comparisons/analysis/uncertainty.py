"""Uncertainty budgets: what the specimens scatter and what the gauge may add.

Sources: JCGM 100:2008 (GUM), 4.2 and 4.3 (Type A and B), 5.1 (combination), F.2.2.1 (resolution),
G.4 (effective degrees of freedom by Welch and Satterthwaite), G.6 (expanded uncertainty).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .cells import Cells
from .checked import LARGEST, number
from .gauges import ASSUMED_K, GaugeErrors
from .pooling import TypeA, type_a
from .study import Study
from .values import Values

LEVEL = 0.95
ROOT3 = float(np.sqrt(3.0))


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

    u, dof = np.asarray(u, dtype=float), np.asarray(dof, dtype=float)
    if u.ndim != 1 or u.shape != dof.shape or not len(u):
        raise ValueError("one u and one dof for each contribution")
    if not (np.isfinite(u).all() and (u >= 0).all() and (dof > 0).all()):
        raise ValueError("u must be finite and not negative, dof above zero")
    top = u.max()
    if top == 0:
        effective = float(dof.min())
        total = 0.0
    else:
        part = (u / top) ** 2
        total = float(top * np.sqrt(part.sum()))
        tail = np.sum(part**2 / dof)
        effective = float(part.sum() ** 2 / tail) if tail > 0 else np.inf
    p = (1 + level) / 2
    k = float(ndtri(p)) if np.isinf(effective) else float(stdtrit(effective, p))
    return Combined(total, effective, k, k * total)


@dataclass(frozen=True)
class Sensitivities:
    """How far each gauge moves each cell's mean: one entry for each cell and gauge that met.

    cell, gauge: indices, sorted. offset: change of the mean for one unit of the gauge's offset;
    gain: for a relative error of one. In the property's unit.
    own: the gauge read the trial's own property (not only a dimension it is divided by).
    """

    cell: np.ndarray
    gauge: np.ndarray
    offset: np.ndarray
    gain: np.ndarray

    def of(self, cell: int) -> slice:
        """The entries of one cell."""
        return slice(*np.searchsorted(self.cell, [cell, cell + 1]))


def sensitivities(v: Values, cells: Cells, gauge_count: int) -> Sensitivities:
    """The links of all counted values summed by cell and gauge, each with its value's weight in the mean."""
    cell_of = np.full(len(v), -1, dtype=np.intp)
    weight = np.zeros(len(v))
    cell_of[cells.rows] = np.repeat(np.arange(len(cells)), cells.n)
    weight[cells.rows] = cells.weight
    use = cell_of[v.link_row] >= 0
    row, gauge = v.link_row[use], v.link_gauge[use].astype(np.intp)
    key, place = np.unique(cell_of[row] * max(gauge_count, 1) + gauge, return_inverse=True)
    return Sensitivities(
        cell=key // max(gauge_count, 1),
        gauge=key % max(gauge_count, 1),
        offset=np.bincount(place, weight[row] * v.link_offset[use], minlength=len(key)),
        gain=np.bincount(place, weight[row] * v.link_gain[use], minlength=len(key)),
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


def _type_a_row(u: float, dof: float, source: str, m: int, n: int) -> dict:
    words = {
        "units": f"spread of {m} units",
        "pooled": "one unit; spread between units of the trial's other products",
        "pooled_percent": "one unit; spread between units of the trial's other products, in percent",
        "specimens": f"spread of {n} specimens of the units tested",
        "censored": "likelihood of values and bounds",
        "censored_pooled": "likelihood of values and bounds; spread between units of the trial's other products",
        "floor": "all readings equal: the resolution is the least that can be told",
    }
    return _row("type_a", "A", u, distribution="t", dof=dof, basis=words[source])


def _gauge_rows(study: Study, errors: GaugeErrors, s: Sensitivities, at: slice) -> list[dict]:
    """The gauges' contributions: one instrument has one resolution and one error of accuracy, in whatever
    states and units it read, and one error of calibration in each calibration state."""
    rows = []
    entries = [
        (int(g), float(offset), float(gain))
        for g, offset, gain in zip(s.gauge[at], s.offset[at], s.gain[at], strict=True)
    ]
    for instrument in dict.fromkeys(int(errors.instrument[g]) for g, _, _ in entries):
        own = [e for e in entries if errors.instrument[e[0]] == instrument]
        name = study.gauges[own[0][0]].instrument
        half = abs(sum(o * errors.resolution[g] for g, o, _ in own if errors.resolution[g] > 0)) / 2
        if half > 0:
            rows.append(_row(
                "resolution", "B", half / ROOT3, instrument=name, distribution="rectangular",
                half_width=half, divisor=ROOT3, shared=False,
            ))  # fmt: skip
        half = abs(sum(o * errors.accuracy_offset[g] for g, o, _ in own))
        half += abs(sum(x * errors.accuracy_gain[g] for g, _, x in own))
        if half > 0:
            rows.append(_row(
                "accuracy", "B", half / ROOT3, instrument=name, distribution="rectangular",
                half_width=half, divisor=ROOT3,
            ))  # fmt: skip
        for state in dict.fromkeys(study.gauges[g].calibrated_on or "" for g, _, _ in own):
            held = [(g, o) for g, o, _ in own if (study.gauges[g].calibrated_on or "") == state]
            u = abs(sum(o * errors.calibration[g] for g, o in held))
            if u > 0:
                k = number(study.gauges[held[0][0]].k) or ASSUMED_K
                rows.append(_row(
                    "calibration", "B", u, instrument=name, distribution="normal", half_width=u * k, divisor=k,
                ))  # fmt: skip
    for row in rows:
        row["u"] = float(row["u"])
        row["half_width"] = float(row["half_width"])
    return rows


def resolution_floor(rows: list[dict]) -> float:
    """Standard uncertainty of the resolution rows together: the least spread that equal readings allow."""
    return float(np.sqrt(sum(r["u"] ** 2 for r in rows if r["source"] == "resolution")))


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
    flags = sorted({f for j in range(at.start, at.stop) for f in errors.flags[int(s.gauge[j])]})
    known = [j for j in range(at.start, at.stop) if errors.stated[int(s.gauge[j])]]
    if not known:
        flags.append("gauge_errors_unknown")
    nan = float("nan")
    shared = [r["u"] for r in rows if r["shared"]]
    u_gauge = float(np.sqrt(np.sum(np.square(shared)))) if shared else 0.0
    floor = resolution_floor(rows)
    step = floor * np.sqrt(12) if floor > 0 else None
    if any(not r["u"] <= LARGEST for r in rows):
        return Budget(nan, nan, 0.0, nan, nan, nan, nan, [], [*flags, "gauge_amount_refused"])
    if not np.isfinite(u_own):
        return Budget(nan, nan, u_gauge, nan, nan, nan, nan, rows, flags, step)
    if floor > 0 and (cells.flat[i] or u_own == 0):
        rows = [r for r in rows if r["source"] != "resolution"]
        flags.append("resolution_floor")
        if floor > u_own:
            u_own, source = floor, "floor"
    rows.insert(0, _type_a_row(u_own, dof_own, source, int(cells.m[i]), int(cells.n[i])))
    whole = combine([r["u"] for r in rows], [r["dof"] if r["dof"] is not None else np.inf for r in rows])
    return Budget(u_own, dof_own, u_gauge, whole.u, whole.dof, whole.k, whole.U, rows, flags, step)


__all__ = [
    "Budget", "Combined", "LEVEL", "Sensitivities", "TypeA", "budget", "combine", "resolution_floor",
    "sensitivities", "type_a",
]  # fmt: skip

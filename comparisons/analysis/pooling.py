"""Standard uncertainty of a product's mean, from its units; one-unit products borrow the trial's spread.

Units carry the inference: with two or more, the spread of the unit means alone gives the standard
error (W. A. Thomas and R. A. Hultquist 1978; R. K. Burdick and F. A. Graybill 1992). A product of
which one unit was tested would look the surest, so the variance between units is taken from the
trial's other products (S. R. Searle, G. Casella and C. E. McCulloch 1992; S. H. Hurlbert 1984 on
pseudoreplication). Degrees of freedom by F. E. Satterthwaite (1946). From memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from .cells import Cells

PERCENT_SLOPE = 0.5  # midway between one SD for all products (slope 0) and one CV for all (slope 1)
PERCENT_RATIO = 1.5  # means closer together than this cannot tell the two apart


@dataclass(frozen=True)
class TypeA:
    """Type A standard uncertainty of each cell's mean, in the property's unit.

    u: NaN where the data give none; dof: its degrees of freedom, NaN likewise.
    source: "units", "pooled" (one unit, between-unit spread of the trial's other products),
    "pooled_percent" (the same, in percent of the mean), "specimens" (of the units tested) or "".
    """

    u: np.ndarray
    dof: np.ndarray
    source: np.ndarray


def grows_with_mean(mean: np.ndarray, variance: np.ndarray, dof: np.ndarray) -> bool:
    """Whether the spread of a trial's products goes with their means, so that percent is the fairer scale.

    mean, variance, dof: one entry a product with two or more units. True where three or more means,
    all above zero and reaching over a factor of 1.5, show a slope of log SD on log mean above one
    half. Common practice (variance-stabilising choice), no source.
    """
    if len(mean) < 3 or not (mean > 0).all():
        return False
    usable = variance > 0
    if usable.sum() < 3 or mean[usable].max() < PERCENT_RATIO * mean[usable].min():
        return False
    x, y, w = np.log(mean[usable]), np.log(variance[usable]) / 2, dof[usable].astype(float)
    dx = x - np.average(x, weights=w)
    return bool(np.sum(w * dx * y) / np.sum(w * dx * dx) > PERCENT_SLOPE)


class Pool(NamedTuple):
    """How units differ, over the products of a trial that have two or more: see `pooled_between`."""

    v: float
    v_dof: float
    inverse_size: float
    within: float
    within_dof: float


def pool_of(products) -> Pool | None:
    """The pool of several products' values, None where none has two units.

    products: for each product (values, unit index from 0), both of shape (n,), one unit of measure.

    >>> pool_of([(np.array([1.0, 3.0, 5.0]), np.array([0, 0, 1]))])
    Pool(v=4.5, v_dof=1.0, inverse_size=0.75, within=2.0, within_dof=1.0)
    """
    v = inverse_size = squares = 0.0
    v_dof = within_dof = 0
    for values, unit in products:
        sizes = np.bincount(unit)
        if len(sizes) < 2:
            continue
        centred = values - values.mean()
        means = np.bincount(unit, centred) / sizes
        dof = len(sizes) - 1
        v += dof * float(means.var(ddof=1))
        inverse_size += dof * float(np.mean(1.0 / sizes))
        squares += float(np.sum((centred - means[unit]) ** 2))
        v_dof += dof
        within_dof += len(values) - len(sizes)
    if not v_dof:
        return None
    within = squares / within_dof if within_dof else 0.0
    return Pool(v / v_dof, float(v_dof), inverse_size / v_dof, within, float(within_dof))


def pooled_between(v: float, v_dof: float, inverse_size: float, within: float, within_dof: float,
                   own_within: float, own_dof: float, n: int) -> tuple[float, float]:  # fmt: skip
    """Variance of a one-unit product's mean and its degrees of freedom.

    v: pooled variance of unit means (v_dof degrees of freedom), whose expectation is
    s_b^2 + inverse_size x s_w^2; within: pooled variance within units (within_dof); own_within: the
    product's own variance within its unit (own_dof), of n specimens.
    The variance is s_b^2 + s_w^2/n with s_b^2 = v - inverse_size x within, not below zero, and s_w^2
    the product's own where it has one, else the pooled one. Where nothing was repeated within a
    unit, v alone is the variance of one specimen from one unit, and is used undivided.
    """
    if not within_dof > 0:
        return v, v_dof
    if own_dof > 0:
        between = v - inverse_size * within
        parts = [(v, v_dof), (inverse_size * within, within_dof), (own_within / n, own_dof)]
        variance = max(between, 0.0) + own_within / n
    else:
        between = v - inverse_size * within
        parts = [(v, v_dof), ((1.0 / n - inverse_size) * within, within_dof)]
        variance = max(between, 0.0) + within / n
    if between <= 0 and own_dof > 0:
        return variance, float(own_dof)
    spread = sum(part**2 / dof for part, dof in parts)
    if not spread > 0:
        return variance, v_dof
    # Below one degree of freedom t has no usable quantile; above all data together it would boast.
    most = v_dof + within_dof
    return variance, float(min(max(variance**2 / spread, 1.0), most))


def type_a(cells: Cells) -> TypeA:
    """Type A uncertainty of every cell of exact values; NaN for cells with bounds.

    Two or more units: SD(unit means)/sqrt(m), m - 1 degrees of freedom. One unit or units unknown:
    pooled over the products of the same trial with two or more units, in percent where the spread
    goes with the mean; where the trial has none, SD/sqrt(n) of the specimens, which speaks of the
    units tested only. One specimen and nothing to pool: NaN.
    """
    count = len(cells)
    u, dof = np.full(count, np.nan), np.full(count, np.nan)
    source = np.full(count, "", dtype=object)
    exact = (cells.up + cells.down) == 0
    many = exact & (cells.m >= 2)
    u[many] = np.sqrt(cells.means_variance[many] / cells.m[many])
    dof[many] = cells.m[many] - 1
    source[many] = "units"
    for t in np.unique(cells.trial[exact & ~many]).tolist():
        spread = spread_of_trial(cells, t)
        for i in np.flatnonzero((cells.trial == t) & exact & ~many):
            n = int(cells.n[i])
            if spread is not None:
                own_dof = float(cells.within_dof[i])
                own = float(cells.within_variance[i]) / n if own_dof else 0.0
                u[i], dof[i], percent = spread.of_one_unit(float(cells.low[i]), own, own_dof, n)
                source[i] = "pooled_percent" if percent else "pooled"
            elif n > 1:
                u[i] = cells.sd[i] / np.sqrt(n)
                dof[i] = n - 1
                source[i] = "specimens"
    return TypeA(u, dof, source)


@dataclass(frozen=True)
class Spread:
    """Pooled spread of a trial's products with two or more units, plain and (where it serves) relative.

    v, within: pairs, in the property's unit and relative to the mean; else as in `Pool`.
    percent: whether the relative one serves.
    """

    v: tuple[float, float]
    within: tuple[float, float]
    v_dof: float
    within_dof: float
    inverse_size: float
    percent: bool

    @classmethod
    def of(cls, cells: Cells, pool: np.ndarray) -> Spread:
        mean, dof = cells.low[pool], (cells.m[pool] - 1).astype(float)
        variance, within_dof = cells.means_variance[pool], cells.within_dof[pool].astype(float)
        within = np.where(within_dof > 0, cells.within_variance[pool], 0.0)
        percent = grows_with_mean(mean, variance, dof)
        scales = (np.ones(len(pool)), mean if percent else np.ones(len(pool)))
        total = within_dof.sum()
        return cls(
            v=tuple(float(np.sum(dof * variance / s**2) / dof.sum()) for s in scales),
            within=tuple(float(np.sum(within_dof * within / s**2) / total) if total else 0.0 for s in scales),
            v_dof=float(dof.sum()),
            within_dof=float(total),
            inverse_size=float(np.sum(dof * cells.inverse_size[pool]) / dof.sum()),
            percent=percent,
        )

    def of_one_unit(self, mean: float, own: float, own_dof: float, n: int) -> tuple[float, float, bool]:
        """u and dof of the mean of a one-unit product, and whether the spread was taken in percent.

        mean: in the property's unit. own: the variance of the mean within the unit (own_dof degrees of
        freedom, 0: not known), of n specimens.
        """
        percent = bool(self.percent and mean > 0)
        scale = mean if percent else 1.0
        variance, dof = pooled_between(
            self.v[percent], self.v_dof, self.inverse_size, self.within[percent], self.within_dof,
            own * n / scale**2, own_dof, n,
        )  # fmt: skip
        return float(np.sqrt(variance) * scale), dof, percent


def spread_of_trial(cells: Cells, trial: int) -> Spread | None:
    """The pooled spread of a trial's products with two or more units and exact values; None without one."""
    exact = (cells.up + cells.down) == 0
    pool = np.flatnonzero((cells.trial == trial) & exact & (cells.m >= 2))
    return Spread.of(cells, pool) if len(pool) else None

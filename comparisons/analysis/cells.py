"""Specimen values gathered by trial and product: counts, unit means, spread between and within units.

One pass over arrays, whatever the number of readings. Sources: S. R. Searle, G. Casella and
C. E. McCulloch (1992), Variance Components, ch. 3 (one-way random model, ANOVA estimators, which are
Henderson's method 1); from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from .study import Study
from .values import Values


@dataclass(frozen=True)
class Cells:
    """One entry for each trial and product with counted values, sorted by trial, then product.

    trial, product: indices. n: specimen values. known: every value names its unit. m: units, 1 where
    they are not known. rows[start[i]:start[i+1]] are the cell's rows in Values; its units are the
    groups group_start[i]:group_start[i+1], each with group_size, group_low and group_high (its mean,
    or the interval in which bounds leave it) and group_unit (index, -1 unknown).
    weight: for each entry of `rows`, 1/(m x size of its unit): what it carries in the mean.
    low, high: the interval in which bounds leave the mean; equal where all values are exact.
    median, minimum, maximum: NaN where bounds leave them open. sd: of the specimens, NaN for n = 1.
    up, down: numbers of `>` and `<` bounds. flat: all values equal and exact.
    means_variance: variance of unit means (m - 1 degrees of freedom), NaN for m = 1.
    within_variance: pooled within units (within_dof), NaN where there is none.
    between_variance: NaN where it cannot be split off; may be negative. inverse_size: mean of 1/size.
    Everything of spread is NaN for a cell with bounds. All in the property's unit.
    """

    trial: np.ndarray
    product: np.ndarray
    n: np.ndarray
    known: np.ndarray
    m: np.ndarray
    rows: np.ndarray
    start: np.ndarray
    group_start: np.ndarray
    group_size: np.ndarray
    group_unit: np.ndarray
    group_low: np.ndarray
    group_high: np.ndarray
    weight: np.ndarray
    low: np.ndarray
    high: np.ndarray
    median: np.ndarray
    minimum: np.ndarray
    maximum: np.ndarray
    sd: np.ndarray
    up: np.ndarray
    down: np.ndarray
    flat: np.ndarray
    means_variance: np.ndarray
    within_variance: np.ndarray
    within_dof: np.ndarray
    between_variance: np.ndarray
    inverse_size: np.ndarray
    flags: np.ndarray

    def __len__(self) -> int:
        return len(self.trial)

    def own_rows(self, i: int) -> np.ndarray:
        """Rows of Values that belong to cell `i`."""
        return self.rows[self.start[i] : self.start[i + 1]]

    def groups(self, i: int) -> slice:
        """The cell's units, as a slice of the group arrays."""
        return slice(self.group_start[i], self.group_start[i + 1])


def _starts(*keys: np.ndarray) -> np.ndarray:
    new = np.zeros(len(keys[0]), dtype=bool)
    if len(new):
        new[0] = True
        for key in keys:
            new[1:] |= key[1:] != key[:-1]
    return np.flatnonzero(new)


def _middle(values: np.ndarray, cell: np.ndarray, start: np.ndarray, n: np.ndarray) -> np.ndarray:
    ordered = values[np.lexsort((values, cell))]
    return (ordered[start + (n - 1) // 2] + ordered[start + n // 2]) / 2


def _settled(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    return np.where((low == high) & np.isfinite(low), low, np.nan)


def _ratio(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.divide(a, b, out=np.full(len(a), np.nan), where=np.asarray(b) > 0)


def _none() -> Cells:
    """No cells at all."""
    columns = {f.name: np.zeros(0) for f in fields(Cells)}
    whole = ("trial", "product", "n", "m", "rows", "group_size", "group_unit", "up", "down", "within_dof")
    columns |= {name: np.zeros(0, dtype=np.intp) for name in (*whole, "flags")}
    columns |= {name: np.zeros(0, dtype=bool) for name in ("known", "flat")}
    columns |= {name: np.zeros(1, dtype=np.intp) for name in ("start", "group_start")}
    return Cells(**columns)


def gather(study: Study, v: Values) -> Cells:
    """The cells of a study's counted specimen values.

    A cell in which any value has no unit is treated as of units unknown: nothing then shows that two
    of its specimens come from different items. Variances are computed from deviations, never from
    sums of squares, so that large values with small differences keep their digits.
    """
    rows = np.flatnonzero(v.counted)
    trial, product, unit = v.trial[rows], v.product[rows], v.unit[rows]
    start = _starts(trial, product)
    n = np.diff(np.append(start, len(rows)))
    cell = np.repeat(np.arange(len(start)), n)
    if not len(start):
        return _none()

    known = np.minimum.reduceat(unit, start) >= 0
    unit = np.where(known[cell], unit, -1)
    group_at = _starts(cell, unit)
    size = np.diff(np.append(group_at, len(rows)))
    group = np.repeat(np.arange(len(group_at)), size)
    group_cell = cell[group_at]
    m = np.bincount(group_cell, minlength=len(start))
    group_start = np.concatenate([[0], np.cumsum(m)])

    value, bound = v.value[rows], v.bound[rows]
    base = value[start]
    x = value - base[cell]
    lower, upper = np.where(bound < 0, -np.inf, x), np.where(bound > 0, np.inf, x)
    up = np.add.reduceat((bound > 0).astype(np.int64), start)
    down = np.add.reduceat((bound < 0).astype(np.int64), start)
    exact = (up + down) == 0
    group_low, group_high = np.add.reduceat(lower, group_at) / size, np.add.reduceat(upper, group_at) / size
    low = np.add.reduceat(group_low, group_start[:-1]) / m
    high = np.add.reduceat(group_high, group_start[:-1]) / m
    flat = exact & (np.maximum.reduceat(x, start) == np.minimum.reduceat(x, start))

    nan_unless = np.where(exact, 0.0, np.nan)
    plain_mean = np.add.reduceat(x, start) / n
    sd = np.sqrt(_ratio(np.add.reduceat((x - plain_mean[cell]) ** 2, start), n - 1)) + nan_unless
    within_dof = n - m
    group_mean = np.add.reduceat(x, group_at) / size
    within_ss = np.add.reduceat((x - group_mean[group]) ** 2, start)
    within = _ratio(within_ss, within_dof) + nan_unless
    mean_of_units = np.add.reduceat(group_mean, group_start[:-1]) / m
    spread = (group_mean - mean_of_units[group_cell]) ** 2
    means_variance = _ratio(np.add.reduceat(spread, group_start[:-1]), m - 1) + nan_unless
    between_ss = np.add.reduceat(size * (group_mean - plain_mean[group_cell]) ** 2, group_start[:-1])
    n0 = _ratio(n - np.add.reduceat(size.astype(float) ** 2, group_start[:-1]) / n, m - 1)
    between = _ratio(_ratio(between_ss, m - 1) - within, n0)

    def median() -> np.ndarray:
        return _settled(_middle(lower, cell, start, n), _middle(upper, cell, start, n))

    return Cells(
        trial=trial[start], product=product[start], n=n, known=known, m=m, rows=rows,
        start=np.append(start, len(rows)), group_start=group_start, group_size=size,
        group_unit=unit[group_at],
        group_low=group_low + base[group_cell], group_high=group_high + base[group_cell],
        weight=1.0 / (m[cell] * size[group]), low=low + base, high=high + base, median=median() + base,
        minimum=_settled(np.minimum.reduceat(lower, start), np.minimum.reduceat(upper, start)) + base,
        maximum=_settled(np.maximum.reduceat(lower, start), np.maximum.reduceat(upper, start)) + base,
        sd=sd, up=up, down=down, flat=flat, means_variance=means_variance, within_variance=within,
        within_dof=np.where(exact, within_dof, 0), between_variance=between,
        inverse_size=np.add.reduceat(1.0 / size, group_start[:-1]) / m,
        flags=np.bitwise_or.reduceat(v.flags[rows], start),
    )  # fmt: skip

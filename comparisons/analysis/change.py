"""Change under a condition, in percent of the baseline.

Separate specimens: ratio of arithmetic means. Same specimens before and after: ratio of geometric means.
The two are different quantities; `method` says which one a result is, and they are not mixed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from .checked import degrees, groups, number, share, vector
from .pooling import Pool, pooled_between

FIELLER_ABOVE = 0.1  # g above which the baseline is too poorly known for the delta method


@dataclass(frozen=True)
class Change:
    """A change in percent of the baseline.

    change_pct: 100 (ratio - 1). ci_pct: (low, high) in percent at the stated level, None where there is
    none. reason: why one of them is absent, else "". method: how it was made. flags: remarks beside it.
    log: centre, standard uncertainty and degrees of freedom of the logarithm of the ratio, where the
    interval is Student's t on it (same specimens).
    """

    change_pct: float | None
    ci_pct: tuple[float, float] | None
    reason: str
    method: str
    flags: tuple[str, ...] = ()
    log: tuple[float, float, float] | None = None


def _t(dof: float, level: float) -> float:
    return float(special.stdtrit(dof, (1 + level) / 2))


def fieller_g(m0: float, u0: float, t: float) -> float:
    """(t u0/m0)^2: how near the baseline lies to zero; from 1 on its interval holds zero.

    >>> round(fieller_g(7, 2, 1.812461), 6)
    0.268164
    """
    ratio = t * u0 / m0 if m0 else math.inf
    return ratio * ratio  # not ratio**2, which raises where this gives infinity


def fieller(m, u, m0, u0, t) -> tuple[float, float] | None:
    """Interval for the ratio m/m0 of two independent normal means.

    m, m0: means; u, u0: their standard uncertainties, one unit; t: quantile of Student's t. Returns the
    limits of the ratio, None where g >= 1 and the set is unbounded. Source: Fieller 1954, J. R. Stat.
    Soc. B 16:175.

    >>> low, high = fieller(14, 3, 7, 2, 1.812461)
    >>> round(low, 6), round(high, 6)
    (1.051413, 4.414296)
    """
    g = fieller_g(m0, u0, t)
    if not g < 1:
        return None
    r = m / m0
    half = t * math.hypot(u / m0 * math.sqrt(1 - g), r * u0 / m0)
    return (r - half) / (1 - g), (r + half) / (1 - g)


def satterthwaite(u_a: float, nu_a: float, u_b: float, nu_b: float) -> float:
    """Effective degrees of freedom of two independent standard uncertainties together (Welch 1947).

    u_a, u_b: one unit, not both zero. nu_a, nu_b: their degrees of freedom, infinity allowed.

    >>> round(satterthwaite(3.0, 5, 4.0, 5), 2)
    9.27
    """
    top = max(abs(u_a), abs(u_b))
    a, b = (u_a / top) ** 2, (u_b / top) ** 2
    below = (a / (a + b)) ** 2 / nu_a + (b / (a + b)) ** 2 / nu_b
    return 1 / below if below > 0 else math.inf


def separate(m, u, dof, m0, u0, dof0, level=0.95) -> Change:
    """Change of a mean under a condition, measured on other specimens than the baseline.

    m, u, dof: mean, standard uncertainty, degrees of freedom under the condition; m0, u0, dof0: of the
    baseline, same unit. level: two-sided confidence. Refused where the baseline is not above zero or its
    interval holds zero (Fieller's g >= 1). For g > 0.1 the interval is Fieller's, else the delta method
    on the logarithm; both with Welch-Satterthwaite degrees of freedom. A mean whose own interval holds
    zero has no logarithm to speak of, so it takes Fieller's too. Never raises on data. Assumes
    independent normal means on a scale with a true zero. Sources: Fieller 1954; Welch 1947; Franz 2007,
    arXiv 0710.2024 (review of ratio intervals; from memory).

    >>> c = separate(8.1, 0.2, 4, 9.0, 0.2, 4)
    >>> round(c.change_pct, 1), [round(x, 1) for x in c.ci_pct], c.method
    (-10.0, [-16.6, -2.8], 'separate specimens: ratio of means, delta method on the logarithm')
    """
    method = "separate specimens: ratio of means"

    def refuse(reason: str) -> Change:
        return Change(None, None, reason, method)

    confidence = share(level)
    if confidence is None:
        return refuse("the level must lie between 0 and 1")
    mean, mean0 = number(m), number(m0)
    if mean is None:
        return refuse("no result under the condition")
    if mean0 is None:
        return refuse("no baseline result")
    if mean0 <= 0:
        return refuse("the baseline is not above zero: a change in percent has no plain meaning")
    unc0, nu0 = number(u0), degrees(dof0)
    if unc0 is None or unc0 < 0 or nu0 is None:
        return refuse("the baseline has no uncertainty: whether it is clear of zero is unknown")
    if not fieller_g(mean0, unc0, _t(nu0, confidence)) < 1:
        return refuse(f"the baseline's {100 * confidence:g} % interval holds zero")
    r = mean / mean0
    change = 100 * (r - 1)
    if not math.isfinite(change):
        return refuse("the baseline is too near zero")
    unc, nu = number(u), degrees(dof)
    if unc is None or unc < 0 or nu is None:
        return Change(change, None, "the result under the condition has no uncertainty", method)
    if unc == 0 and unc0 == 0:
        return Change(change, None, "no spread in either set of specimens", method)

    a, b = unc / mean0, r * unc0 / mean0
    if a == 0 and b == 0:
        return Change(change, None, "no spread in either set of specimens", method)
    t = _t(satterthwaite(a, nu, b, nu0), confidence)
    g = fieller_g(mean0, unc0, t)
    near_zero = mean <= 0 or _t(nu, confidence) * unc >= mean
    flags = ()
    if g > FIELLER_ABOVE or near_zero:
        limits = fieller(mean, unc, mean0, unc0, t)
        method += ", Fieller's interval"
        if near_zero:
            flags += ("the result under the condition may be zero",)
        if limits is None:
            reason = f"the baseline's {100 * confidence:g} % interval comes too near zero for an interval"
            return Change(change, None, reason, method, flags)
    else:
        method += ", delta method on the logarithm"
        half = t * math.hypot(unc / mean, unc0 / mean0)
        limits = r * math.exp(-half), r * math.exp(half)
    return _finished(change, limits, method, flags)


def _finished(change: float, ratio: tuple[float, float], method: str, flags, log=None) -> Change:
    ci = (100 * (ratio[0] - 1), 100 * (ratio[1] - 1))
    if not all(map(math.isfinite, ci)):
        return Change(change, None, "the interval is too wide to compute", method, flags)
    if ci[0] <= 0 <= ci[1]:
        flags += ("no change shown",)
    return Change(change, ci, "", method, flags, log)


def paired(values, baseline, unit_ids=None, level=0.95, pool: Pool | None = None) -> Change:
    """Change of the same specimens, before and after the condition.

    values, baseline: shape (n,), one unit, row i the same specimen; all > 0, since logarithms are taken.
    unit_ids: shape (n,), the unit of each specimen: the unweighted mean over units of each unit's mean
    log ratio carries the inference (units - 1 degrees of freedom); None: not known.
    level: two-sided confidence. pool: how other products' units differ in their log ratios; with it a
    product of one unit (or of units not known) has the variance between units that they show, without it
    its specimens are taken as independent. Returns the ratio of geometric means as a change in percent
    with Student's t interval. Values <= 0 and unequal lengths are refused with a reason; one specimen
    without a pool, or no spread, gives the change without interval. Never raises on data. Source: Bland
    and Altman 1996, BMJ 312:1153 (ratio of geometric means from differences of logarithms).

    >>> c = paired([9.1, 8.8, 9.4, 9.0], [10.0, 10.1, 10.2, 9.9])
    >>> round(c.change_pct, 2), [round(x, 2) for x in c.ci_pct]
    (-9.72, [-13.17, -6.14])
    """
    method = "same specimens: ratio of geometric means, Student's t on the log ratios"

    def refuse(reason: str) -> Change:
        return Change(None, None, reason, method)

    confidence = share(level)
    if confidence is None:
        return refuse("the level must lie between 0 and 1")
    after, before = vector(values), vector(baseline)
    if after is None or before is None:
        return refuse("a value is absent or not a finite number")
    if len(after) != len(before):
        return refuse("each specimen needs a value before and one after")
    if len(after) == 0:
        return refuse("no specimen was measured before and after")
    if (after <= 0).any() or (before <= 0).any():
        return refuse("a value is zero or below: it has no logarithm")
    logs = np.log(after) - np.log(before)
    flags: tuple[str, ...] = ()
    items = logs
    if unit_ids is None:
        flags += ("specimens, not units",)
    else:
        units = groups(unit_ids, len(logs))
        if units is None:
            return refuse("the units do not match the values")
        count = int(units.max()) + 1
        if count == 1:
            flags += ("one unit only",)
        else:
            items, pool = np.bincount(units, weights=logs) / np.bincount(units), None
            if count == 2:
                flags += ("two units",)
    m = len(items)
    centre = math.fsum(items) / m
    try:
        change = 100 * math.expm1(centre)
    except OverflowError:
        return refuse("the change is too large to compute")
    sd = math.sqrt(math.fsum((items - centre) ** 2) / (m - 1)) if m > 1 else 0.0
    u, dof = sd / math.sqrt(m), m - 1.0
    if pool is not None:
        variance, dof = pooled_between(*pool, sd**2, m - 1, m)
        u = math.sqrt(variance)
        flags += ("between_units_pooled",)
    elif m < 2:
        return Change(change, None, "one specimen: no interval", method, flags)
    if u <= 1e-14 * max(1.0, float(np.max(np.abs(np.log(after))))):
        return Change(change, None, "no spread between the changes", method, flags)
    half = _t(dof, confidence) * u
    if half > 600 or abs(centre) + half > 700:
        return Change(change, None, "the interval is too wide to compute", method, flags)
    log = (centre, u, float(dof))
    return _finished(change, (math.exp(centre - half), math.exp(centre + half)), method, flags, log)

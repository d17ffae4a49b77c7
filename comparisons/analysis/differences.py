"""Which products of a trial really differ: all pairs, with an error rate for the whole family.

Every answer is "different", "no_difference_shown" or "too_few_to_tell", and its interval comes from
the same procedure. A bad input is answered by a comparison with `reason` set, never by a number.
Ratings are in `panels`, comparisons with the best and equivalence in `best`; all are offered here.
"""

from __future__ import annotations

import numpy as np

from .best import Equivalence, HsuBest, equivalent_within, hsu_best
from .exact_tests import fisher_p, smallest_fisher_p
from .pairs import (
    DIFFERENT,
    NOT_SHOWN,
    TOO_FEW,
    Differences,
    Pairs,
    agree_with_decision,
    bad_request,
    decide,
    give_letters,
    holm,
    no_test,
    numbers,
    own_reasons,
    pair_index,
    refused,
    spreadless,
    welch,
)
from .panels import compare_ratings

__all__ = [
    "Differences",
    "Equivalence",
    "HsuBest",
    "Pairs",
    "compare_means",
    "compare_ratings",
    "compare_shares",
    "equivalent_within",
    "holm",
    "hsu_best",
    "welch_anova",
]

GAMES_HOWELL_UNITS = 9  # with fewer independent items its family-wise error leaves 5 % (simulated)
GAMES_HOWELL_PRODUCTS = 6
MOST_ITEMS = 100_000
NO_SPREAD = "no spread in either product: compared with the resolution, without p"
NO_STEP = "no spread in either product and no known resolution"


@np.errstate(over="ignore", invalid="ignore")
def compare_means(
    mean, u, dof, labels, level=0.95, n_units=None, values=None, resolution=None
) -> Differences:
    """All pairs of product means, with unequal variances.

    Args:
        mean: k means, in the property's unit. None or NaN: the product has no result.
        u: k standard uncertainties of the means (without what a shared gauge adds), same unit.
        dof: k degrees of freedom, 1 or more, infinity allowed; None, NaN or less: the product gets no
            test and no letter.
        labels: k different names.
        level: 1 minus the family-wise error, between 0.5 and 1.
        n_units: k numbers of independent items; without them Games-Howell is never used.
        values: k arrays of the independent items' values, to see where all of a product are equal;
            without them a product with u = 0 counts as such.
        resolution: the gauge's, one number or k; needed only where two products have no spread.

    Returns:
        `Differences`; the difference is a minus b. Games-Howell where every product has 9 or more
        independent items and there are at most 6 products, else Welch's t with Holm's adjustment,
        whose intervals are Bonferroni's, cut at zero where Holm decides and they do not. Two products
        without any spread differ where their means are further apart than the resolution. Letters go
        from the highest mean down. `reason` is set, and there are no pairs, where numbers do not match
        in length, a name comes twice, the level is out of range or there are fewer than two products.

    Sources: P. A. Games and J. F. Howell (1976), Journal of Educational Statistics 1, 113-125; B. L.
    Welch (1938), Biometrika 29, 350-362; Holm (1979); all from memory.

    >>> d = compare_means([10.0, 12.0, 12.1], [0.1, 0.1, 0.1], [4, 4, 4], ["A", "B", "C"])
    >>> d.method, d.letters
    ('Welch t with Holm', {'A': 'b', 'B': 'a', 'C': 'a'})
    """
    labels, problem = bad_request(labels, level)
    k = len(labels)
    mean, u, dof = numbers(mean), numbers(u), numbers(dof, infinite=True)
    units = np.full(k, np.nan) if n_units is None else numbers(n_units)
    steps = numbers(np.full(k, resolution, dtype=object) if np.ndim(resolution) == 0 else resolution)
    if problem is None and not len(mean) == len(u) == len(dof) == len(units) == len(steps) == k:
        problem = "means, uncertainties, degrees of freedom and labels differ in number"
    if problem is None and values is not None and len(values) != k:
        problem = "values and labels differ in number"
    if problem:
        return refused(labels, problem)
    own = [no_test(*row) for row in zip(mean, u, dof, strict=True)]
    tested = np.array([r is None for r in own])
    flat = tested & (u <= spreadless(mean))
    if values is not None:
        flat |= tested & np.array([_all_equal(v) for v in values])

    a, b = pair_index(k)
    both = tested[a] & tested[b]
    by_step = both & flat[a] & flat[b]
    by_t = both & ~by_step
    # A pair without a test of its own would leave the studentised range with too few products.
    games_howell = bool(k <= GAMES_HOWELL_PRODUCTS and np.all(units >= GAMES_HOWELL_UNITS) and by_t.all())
    d = mean[a] - mean[b]
    p, low, high = (np.full(len(a), np.nan) for _ in range(3))
    decided = np.full(len(a), TOO_FEW)

    t = np.flatnonzero(by_t)
    se, nu = welch(u[a[t]], u[b[t]], dof[a[t]], dof[b[t]])
    p[t], half = (_studentised_range if games_howell else _welch_holm)(d[t], se, nu, k, level)
    low[t], high[t] = d[t] - half, d[t] + half
    decided[t] = np.where(p[t] < 1 - level, DIFFERENT, NOT_SHOWN)
    low, high = agree_with_decision(low, high, d, decided == DIFFERENT, decided == NOT_SHOWN)

    s = np.flatnonzero(by_step)
    step = (steps[a[s]] + steps[b[s]]) / 2  # each reading lies within half a step of the true value
    known = step > 0
    step = np.where(known, step, np.nan)
    low[s], high[s] = d[s] - step, d[s] + step
    beyond = np.abs(d[s]) > step * (1 + 1e-9)
    decided[s] = np.where(~known, TOO_FEW, np.where(beyond, DIFFERENT, NOT_SHOWN))

    reasons: list[str | None] = [None, NO_SPREAD, NO_STEP]
    reason = np.zeros(len(a), dtype=int)
    reason[s] = np.where(known, 1, 2)
    reasons, reason = own_reasons(reasons, reason, own, labels, a, b, ~both)
    order = np.argsort(np.where(tested, -mean, 0), kind="stable")
    letters, why = give_letters(labels, order, a, b, decided, own)
    return Differences(
        method="Games-Howell" if games_howell else "Welch t with Holm",
        pairs=Pairs(labels, a, b, d, low, high, p, decided, reason, reasons),
        letters=letters,
        omnibus=welch_anova(mean, u, dof),
        reason=None,
        level=float(level),
        no_letter=why,
    )


@np.errstate(over="ignore", invalid="ignore")
def welch_anova(mean, u, dof) -> dict:
    """Welch's test that all means are equal, from summaries.

    mean, u, dof: k each, as in `compare_means`; products without a test are left out.
    Returns {test, statistic, dof1, dof2, p, products, reason}; the numbers are None with a reason
    where fewer than two products remain or one has no spread.
    Source: B. L. Welch (1951), "On the comparison of several mean values", Biometrika 38, 330-336.

    >>> v = welch_anova([27.8, 24.1, 22.2], [(60.1/20)**.5, (6.3/10)**.5, (15.4/10)**.5], [19, 9, 9])
    >>> round(v["statistic"], 3), round(v["dof2"], 4), round(v["p"], 4)
    (3.351, 22.5678, 0.0532)
    """
    from scipy.special import fdtrc

    mean, u, dof = numbers(mean), numbers(u), numbers(dof, infinite=True)
    use = np.array([no_test(*row) is None for row in zip(mean, u, dof, strict=True)], dtype=bool)
    mean, u, dof = mean[use], u[use], dof[use]
    k = len(mean)
    out = {"test": "Welch ANOVA", "statistic": None, "dof1": None, "dof2": None, "p": None, "products": k}
    if k < 2:
        return out | {"reason": "fewer than two products with degrees of freedom"}
    if (u <= spreadless(mean)).any():
        return out | {"reason": "a product without any spread"}
    share = (u.min() / u) ** 2
    total = share.sum()
    share /= total
    centred = (mean - mean.mean()) / u.min()
    between = total * np.sum(share * (centred - np.sum(share * centred)) ** 2) / (k - 1)
    tail = np.sum((1 - share) ** 2 / dof)
    f = float(between / (1 + 2 * (k - 2) / (k * k - 1) * tail))
    if not np.isfinite(f):
        return out | {"reason": "the means differ by more than the arithmetic can hold"}
    nu = float(min((k * k - 1) / (3 * max(tail, 1e-15)), 1e12))
    p = float(fdtrc(k - 1, nu, f))
    return out | {"statistic": f, "dof1": k - 1, "dof2": nu, "p": p, "reason": None}


def compare_shares(k, n, labels, level=0.95) -> Differences:
    """All pairs of pass shares: Fisher's exact test with Holm's adjustment.

    Args:
        k: passes, whole numbers. n: items tested, whole numbers; the items must be independent.
        labels: as many names. level: as in `compare_means`.

    Returns:
        `Differences`; the difference is share a minus share b, from -1 to 1. The interval is
        Newcombe's hybrid score interval at Bonferroni's level, widened to hold zero where the exact
        test decides nothing. Where even the most extreme outcome of two samples of these sizes could
        not be decided, the pair is "too_few_to_tell". A product with nothing tested or impossible
        counts has no test and no letter. Refused as in `compare_means`.

    Sources: A. Agresti, Categorical Data Analysis (2013), 3.5; Holm (1979); R. G. Newcombe (1998),
    Statistics in Medicine 17, 873-890, method 10.

    >>> compare_shares([3, 0], [3, 3], ["A", "B"]).pairs[0]["decided"]
    'too_few_to_tell'
    """
    labels, problem = bad_request(labels, level)
    passed, n = numbers(k), numbers(n)
    if problem is None and not len(passed) == len(n) == len(labels):
        problem = "passes, numbers tested and labels differ in number"
    if problem:
        return refused(labels, problem, "share")
    own = [_no_share(*row) for row in zip(passed, n, strict=True)]
    tested = np.array([r is None for r in own])
    passed, n = np.where(tested, passed, 0).astype(int), np.where(tested, n, 1).astype(int)
    share = np.where(tested, passed / n, np.nan)
    a, b = pair_index(len(labels))
    both = np.flatnonzero(tested[a] & tested[b])
    i, j = a[both], b[both]
    raw, least, low, high = (np.full(len(a), np.nan) for _ in range(4))
    raw[both], least[both] = fisher_p(passed[i], n[i], passed[j], n[j]), smallest_fisher_p(n[i], n[j])
    pair_level = 1 - (1 - level) / max(len(both), 1)
    low[both], high[both] = _newcombe(passed[i], n[i], passed[j], n[j], pair_level)
    return decide(
        labels,
        difference=share[a] - share[b],
        low=low,
        high=high,
        raw=raw,
        least=least,
        own=own,
        order=np.argsort(np.where(tested, -share, 0), kind="stable"),
        method="Fisher exact with Holm",
        scale="share",
        level=level,
        too_few="too few items for the exact test to reach a decision",
    )


def _welch_holm(d, se, nu, k, level):
    from scipy.special import stdtr, stdtrit

    if not len(d):
        return np.zeros(0), np.zeros(0)
    with np.errstate(over="ignore"):
        p = holm(2 * stdtr(nu, -np.abs(d) / se))
    return p, -stdtrit(nu, (1 - level) / (2 * len(d))) * se


def _studentised_range(d, se, nu, k, level):
    from .studentized import quantile, tail

    with np.errstate(over="ignore"):
        q = np.minimum(np.abs(d) / se * np.sqrt(2), 1e6)
    p = tail(q, k, nu)
    half = quantile(level, k, nu) * se / np.sqrt(2)
    return np.clip(p, 0.0, 1.0), half


def _newcombe(k1, n1, k2, n2, level):
    """Newcombe's hybrid score interval for differences of two shares, arrays (1998, method 10)."""
    from scipy.special import ndtri

    z = -ndtri((1 - level) / 2)
    p1, p2 = k1 / n1, k2 / n2
    low1, high1 = _wilson(p1, n1, z)
    low2, high2 = _wilson(p2, n2, z)
    low = p1 - p2 - np.hypot(p1 - low1, high2 - p2)
    high = p1 - p2 + np.hypot(high1 - p1, p2 - low2)
    return np.maximum(low, -1.0), np.minimum(high, 1.0)


def _wilson(p, n, z):
    centre = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    low, high = np.clip(centre - half, 0, 1), np.clip(centre + half, 0, 1)
    return np.where(p == 0, 0.0, low), np.where(p == 1, 1.0, high)


def _no_share(k, n) -> str | None:
    if np.isnan(n) or n < 1:
        return "no item tested"
    if np.isnan(k) or k != int(k) or n != int(n) or not 0 <= k <= n:
        return "passes and items tested must be whole numbers, passes from 0 to the number tested"
    if n > MOST_ITEMS:
        return f"more than {MOST_ITEMS} items: the exact test would take too long"
    return None


def _all_equal(values) -> bool:
    if values is None:
        return False
    v = numbers(np.ravel(values))
    v = v[~np.isnan(v)]
    return len(v) > 0 and bool(np.ptp(v) <= spreadless(v))

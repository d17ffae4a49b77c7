"""Exact tests for small samples, for many pairs at once: Fisher, sign, Wilcoxon signed rank."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Two outcomes whose probabilities differ by less than this (relative) count as equally likely.
SAME_PROBABILITY = 1e-7
CHUNK = 2_000_000  # floats held at once
EXACT_RATERS = 100  # beyond, the signed rank statistic is taken as normal


@dataclass(frozen=True)
class Paired:
    """One entry per pair: raters of both, estimate, interval, p, smallest reachable p (NaN: absent)."""

    n: np.ndarray
    estimate: np.ndarray
    low: np.ndarray
    high: np.ndarray
    p: np.ndarray
    least: np.ndarray


def fisher_p(k1, n1, k2, n2) -> np.ndarray:
    """Two-sided p values of Fisher's exact test, elementwise.

    k1 of n1 against k2 of n2 passes: arrays of whole numbers of one length, 0 <= k <= n. Two-sided: the
    total probability of all tables with the same margins that are no likelier than the one observed.
    Source: A. Agresti, Categorical Data Analysis (2013), section 3.5 (from memory).

    >>> fisher_p([3], [3], [0], [3]).round(6).tolist()
    [0.1]
    """
    from scipy.special import gammaln

    rows = np.column_stack([np.asarray(x, dtype=np.int64) for x in (k1, n1, k2, n2)])
    if not len(rows):
        return np.zeros(0)
    rows, back = np.unique(rows, axis=0, return_inverse=True)
    k1, n1, k2, n2 = rows.T
    log_factorial = gammaln(np.arange(int((n1 + n2).max()) + 1) + 1.0)
    total = k1 + k2
    first = np.maximum(0, total - n2)
    width = np.minimum(n1, total) - first + 1
    p = np.empty(len(rows))
    order = np.argsort(-width, kind="stable")  # the widest of a chunk is its first
    at = 0
    while at < len(order):
        widest = int(width[order[at]])
        take = order[at : at + max(1, CHUNK // widest)]
        at += len(take)
        x = first[take, None] + np.arange(widest)
        inside = x < (first + width)[take, None]
        x = np.where(inside, x, first[take, None])
        y = total[take, None] - x
        logp = -(
            log_factorial[x]
            + log_factorial[n1[take, None] - x]
            + log_factorial[y]
            + log_factorial[n2[take, None] - y]
        )
        logp[~inside] = -np.inf
        seen = logp[np.arange(len(take)), k1[take] - first[take]]
        weight = np.exp(logp - logp.max(axis=1, keepdims=True))
        extreme = logp <= seen[:, None] + SAME_PROBABILITY
        p[take] = (weight * extreme).sum(axis=1) / weight.sum(axis=1)
    return np.minimum(p, 1.0)[back.reshape(-1)]


def smallest_fisher_p(n1, n2) -> np.ndarray:
    """The smallest p that Fisher's exact test can reach with samples of n1 and n2: all against none.

    >>> smallest_fisher_p([3, 4], [3, 4]).round(4).tolist()
    [0.1, 0.0286]
    """
    n1, n2 = np.asarray(n1), np.asarray(n2)
    return fisher_p(n1, n1, np.zeros_like(n2), n2)


def midranks(x) -> tuple[np.ndarray, float]:
    """Ranks from 1, ties at their mean rank, and the sum of t^3 - t over groups of t ties.

    >>> midranks([3, 1, 3])[0].tolist(), midranks([3, 1, 3])[1]
    ([2.5, 1.0, 2.5], 6.0)
    """
    _, back, counts = np.unique(np.asarray(x, dtype=float), return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    ranks = (last - (counts - 1) / 2)[back.reshape(-1)]
    return ranks, float(np.sum(counts.astype(float) ** 3 - counts))


def rating_table(table, k: int | None = None) -> tuple[np.ndarray, str | None]:
    """The ratings as floats (raters in rows, products in columns, NaN missing), or why they are none."""
    empty = np.zeros((0, 0))
    try:
        out = np.array([[np.nan if v is None else float(v) for v in row] for row in table], dtype=float)
    except (TypeError, ValueError):
        return empty, "the ratings are no table of numbers"
    if out.ndim != 2 or np.isnan(out).all():
        return empty, "there are no ratings"
    if k is not None and out.shape[1] != k:
        return empty, "the table has another number of products than there are labels"
    if np.isinf(out).any():
        return empty, "a rating is infinite"
    return out, None


def column_means(table: np.ndarray) -> np.ndarray:
    """Mean of each column over what is there; NaN for an empty column."""
    there = ~np.isnan(table)
    count = there.sum(axis=0)
    return np.where(count, np.where(there, table, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)


def paired(table: np.ndarray, a: np.ndarray, b: np.ndarray, level: float, test: str) -> Paired:
    """Exact paired tests of columns a against b over the rows that have both.

    table: shape (m, k), NaN missing. level: that the intervals of all pairs with a test hold together
    (Bonferroni). test: "wilcoxon" or "sign". Pairs that share no row get NaN.
    """
    rated = ~np.isnan(table)
    common = rated.astype(np.float32).T @ rated.astype(np.float32)
    n = np.rint(common[a, b]).astype(int)
    tail = (1 - level) / (2 * max(int(np.sum(n > 0)), 1))
    answers = np.full((4, len(a)), np.nan)  # estimate, low, high, p
    least = np.where(n > 0, np.minimum(1.0, 2.0 ** (1.0 - n)), np.nan)
    many = _signs if test == "sign" else _signed_ranks
    for m in np.unique(n[n > 0]):
        same = np.flatnonzero(n == m)
        size = max(1, CHUNK // (int(m) * max(int(m), len(table))))
        for at in range(0, len(same), size):
            take = same[at : at + size]
            d = np.sort((table[:, a[take]] - table[:, b[take]]).T, axis=1)[:, :m]  # NaN sorts last
            answers[:, take] = many(d, tail)
    return Paired(n, *answers, least)


def _signs(d: np.ndarray, tail: float) -> np.ndarray:
    """Rows (median, low, high, p) for sorted differences d, shape (pairs, n); tail: error on each side."""
    from scipy.special import bdtr

    n = d.shape[1]
    up, down = (d > 0).sum(axis=1), (d < 0).sum(axis=1)
    p = np.minimum(1.0, 2 * bdtr(np.minimum(up, down), up + down, 0.5))
    cut = int(np.sum(bdtr(np.arange(n // 2), n, 0.5) <= tail * (1 + 1e-9)))
    return np.array([np.median(d, axis=1), *_cut_off(d, cut), np.where(up == down, 1.0, p)])


def _signed_ranks(d: np.ndarray, tail: float) -> np.ndarray:
    """Rows (Hodges-Lehmann estimate, low, high, p) for sorted differences; arguments as in `_signs`."""
    n = d.shape[1]
    i, j = np.triu_indices(n)
    walsh = np.sort((d[:, i] + d[:, j]) / 2, axis=1)
    middle = walsh.shape[1] // 2
    estimate = (walsh[:, middle] + walsh[:, -1 - middle]) / 2
    return np.array([estimate, *_cut_off(walsh, _walsh_depth(n, tail)), _signed_rank_ps(d)])


def _cut_off(ordered: np.ndarray, cut: int) -> tuple[np.ndarray, np.ndarray]:
    """The interval that is left when `cut` values go from each end; NaN where none may go."""
    if cut == 0:
        return np.full(len(ordered), np.nan), np.full(len(ordered), np.nan)
    return ordered[:, cut - 1], ordered[:, -cut]


def _walsh_depth(n: int, tail: float) -> int:
    """How many Walsh averages bound the interval: the largest c with P(T+ <= c - 1) <= tail."""
    if n > EXACT_RATERS:
        from scipy.special import ndtri

        spread = np.sqrt(n * (n + 1) * (2 * n + 1) / 24)
        return max(0, int(np.floor(n * (n + 1) / 4 + ndtri(tail) * spread)))
    below = np.cumsum(_rank_sum_law(np.arange(1, n + 1)))
    return int(np.sum(below[: n * (n + 1) // 4 + 1] <= tail * (1 + 1e-9)))


def signed_rank_p(d) -> float:
    """Two-sided p of Wilcoxon's signed rank test: exact given the ties; zeros are left out.

    d: differences, finite. All zero: p = 1. More than 100 differences: normal, corrected for ties and
    continuity. Source: Hollander, Wolfe and Chicken (2014), section 3.1, its comments on ties and zeros.

    >>> signed_rank_p([1, 2, 3, 4, 5])
    0.0625
    """
    d = np.asarray(d, dtype=float).ravel()
    return float(_signed_rank_ps(d[None, :])[0]) if len(d) else 1.0


def _signed_rank_ps(d: np.ndarray) -> np.ndarray:
    size = np.abs(d)
    smaller = (size[:, :, None] > size[:, None, :]) & (size[:, None, :] > 0)
    equal = size[:, :, None] == size[:, None, :]
    twice = np.where(size > 0, 2 * smaller.sum(axis=2) + equal.sum(axis=2) + 1, 0)  # 0 for a zero
    plus = np.where(d > 0, twice, 0).sum(axis=1)
    total = twice.sum(axis=1)
    less = np.minimum(plus, total - plus)
    if d.shape[1] > EXACT_RATERS:
        from scipy.special import ndtr

        spread = np.sqrt(np.maximum(np.sum(twice.astype(float) ** 2, axis=1), 1.0)) / 2
        return np.minimum(1.0, 2 * ndtr(-np.maximum(total / 2 - less - 1, 0.0) / spread))
    patterns, which = np.unique(np.sort(twice, axis=1), axis=0, return_inverse=True)
    which = which.reshape(-1)
    p = np.empty(len(d))
    order = np.argsort(which, kind="stable")
    edges = np.searchsorted(which[order], np.arange(len(patterns) + 1))
    for pattern, start, stop in zip(patterns, edges[:-1], edges[1:], strict=True):
        rows = order[start:stop]
        p[rows] = 2 * np.cumsum(_rank_sum_law(pattern))[less[rows]]
    return np.minimum(p, 1.0)


def _rank_sum_law(ranks: np.ndarray) -> np.ndarray:
    """Probability of each value of the sum of whole ranks when each counts or not by a fair coin."""
    law = np.zeros(int(np.sum(ranks)) + 1)
    law[0] = 1.0
    reached = 1
    for r in ranks:
        if r:
            reached += int(r)
            moved = law[: reached - r] / 2
            law[:reached] /= 2
            law[r:reached] += moved
    return law

"""Which products a panel tells apart: paired exact tests, or Dunn's test between different raters."""

from __future__ import annotations

import numpy as np

from .exact_tests import column_means, midranks, paired, rating_table
from .pairs import Differences, bad_request, decide, pair_index, refused
from .ratings import RankTest, panel_test

TESTS = {"wilcoxon": "Exact Wilcoxon signed rank with Holm", "sign": "Exact sign test with Holm"}


def compare_ratings(table, labels, level=0.95, test="wilcoxon") -> Differences:
    """All pairs of products rated by a panel, or by different raters.

    Args:
        table: raters in rows, products in columns, shape (m, k); NaN or None where a rater did not
            rate a product. Rating steps.
        labels: k names. level: as in `compare_means`.
        test: for products rated by the same raters, "wilcoxon" (exact signed rank, differences of
            steps are compared in size) or "sign" (only their direction counts).

    Returns:
        `Differences`. Where a rater rated several products each pair rests on the raters of both:
        exact test with Holm's adjustment; the difference is the Hodges-Lehmann estimate (sign test:
        the median difference) in rating steps, its interval by the same test at Bonferroni's level.
        Where no rater rated two products: Dunn's test with Holm's adjustment, and the difference is
        one of mean ranks. A pair that no decision could be reached for is "too_few_to_tell". Refused
        as in `compare_means`, and where the table is none.

    Sources: M. Hollander, D. A. Wolfe and E. Chicken, Nonparametric Statistical Methods (2014), 3.1 to
    3.6; O. J. Dunn (1964), Technometrics 6, 241-252; Holm (1979). Pairs are not judged by mean ranks
    over the panel: A. Benavoli, G. Corani and F. Mangili (2016), Journal of Machine Learning Research
    17, 1-10 (all from memory).

    >>> table = [[4, 2], [5, 3], [4, 1], [5, 2], [3, 2], [4, 3], [5, 1]]
    >>> row = compare_ratings(table, ["A", "B"]).pairs[0]
    >>> row["decided"], row["difference"], row["p"]
    ('different', 2.25, 0.015625)
    """
    labels, problem = bad_request(labels, level)
    if problem is None and test not in TESTS:
        problem = f"no such test: {test}"
    if problem is None:
        table, problem = rating_table(table, len(labels))
    if problem:
        return refused(labels, problem, "rating steps")
    rated = ~np.isnan(table)
    own = [None if there else "no rating" for there in rated.any(axis=0)]
    if not (rated.sum(axis=1) > 1).any():
        return _dunn(table, rated, labels, level, own)
    a, b = pair_index(len(labels))
    each = paired(table, a, b, level, test)
    centre = column_means(table)
    return decide(
        labels,
        difference=each.estimate,
        low=each.low,
        high=each.high,
        raw=each.p,
        least=each.least,
        own=own,
        order=np.argsort(np.where(np.isnan(centre), 0, -centre), kind="stable"),
        method=TESTS[test],
        scale="rating steps",
        level=level,
        too_few="too few raters of both for the exact test to reach a decision",
        untested="no rater rated both",
        no_interval="too few raters of both for an interval",
        omnibus=panel_test(table).as_dict(),
    )


def _dunn(table, rated, labels, level, own) -> Differences:
    from scipy.special import chdtrc, ndtr, ndtri

    k, total = len(labels), int(rated.sum())
    rows, columns = np.nonzero(rated)
    rank, ties = midranks(table[rows, columns])
    n = np.bincount(columns, minlength=k)
    mean_rank = np.bincount(columns, weights=rank, minlength=k) / np.maximum(n, 1)
    variance = total * (total + 1) / 12 - ties / (12 * max(total - 1, 1))
    varied = variance > 1e-9 and total > 1
    a, b = pair_index(k)
    both = np.flatnonzero((n[a] > 0) & (n[b] > 0))
    i, j = a[both], b[both]
    d, raw, least, low, high = (np.full(len(a), np.nan) for _ in range(5))
    d[both] = mean_rank[i] - mean_rank[j]
    if varied:
        se = np.sqrt(variance * (1 / n[i] + 1 / n[j]))
        raw[both] = 2 * ndtr(-np.abs(d[both]) / se)
        # All of one product below everything, all of the other above: the mean ranks lie this far apart.
        least[both] = 2 * ndtr(-(total - (n[i] + n[j]) / 2) / se)
        half = -ndtri((1 - level) / (2 * max(len(both), 1))) * se
        low[both], high[both] = d[both] - half, d[both] + half
    else:  # every rating is the same: nothing speaks for a difference, and no interval exists
        raw[both], least[both] = 1.0, 0.0
    present = n > 0
    products = int(present.sum())
    if varied and products > 1:
        h = float(np.sum(n * (mean_rank - (total + 1) / 2) ** 2) / variance)
        p = float(chdtrc(products - 1, h))
        omnibus = RankTest("Kruskal-Wallis", h, products - 1, p, products, total)
    else:
        reason = "all ratings are equal" if products > 1 else "fewer than two rated products"
        omnibus = RankTest("Kruskal-Wallis", None, None, None, products, total, reason)
    return decide(
        labels,
        difference=d,
        low=low,
        high=high,
        raw=raw,
        least=least,
        own=own,
        order=np.argsort(np.where(present, -mean_rank, 0), kind="stable"),
        method="Dunn with Holm",
        scale="mean ranks",
        level=level,
        too_few="too few ratings for a decision",
        no_interval="all ratings are equal",
        omnibus=omnibus.as_dict(),
    )

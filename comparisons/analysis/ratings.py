"""Ratings by a panel: how far the raters agree, and what the panel says of each product.

A table has raters in rows and products in columns; NaN (or None) where a rater did not rate a
product. What cannot be computed is None, with a reason where a dataclass carries one.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np

from .checked import number
from .exact_tests import column_means, midranks, rating_table

OPINION_RATERS = 2  # so many or fewer: an opinion, not a panel
RESAMPLE_RATERS = 8  # from here whole raters are resampled; below, Student's t
# Krippendorff's limits 0.8 and 0.667 (Content Analysis, 2004, p. 241, from memory); the words are ours.
ALPHA_WORDS = (
    (0.8, "the raters agree"),
    (0.667, "the raters agree in the main"),
    (0.0, "the raters agree little"),
)
LEVELS = ("nominal", "ordinal", "interval", "ratio")


@dataclass(frozen=True)
class RankTest:
    """A test over all products. statistic is compared with chi-square on dof; None with a reason."""

    test: str
    statistic: float | None
    dof1: int | None
    p: float | None
    products: int
    raters: int
    reason: str | None = None

    def as_dict(self) -> dict:
        return asdict(self)


@dataclass(frozen=True)
class Agreement:
    """How far a panel agrees. opinion: two raters or fewer, so that nothing is said of other people."""

    raters: int
    products: int
    kendall_w: float | None
    p: float | None
    alpha: float | None
    words: str
    opinion: bool
    w_reason: str | None
    alpha_reason: str | None


@dataclass(frozen=True)
class RatedMedian:
    """Median of a product's ratings and its interval; ci is None with a reason."""

    median: float | None
    ci: list[float] | None
    n: int
    reason: str | None


def kendall_w(table) -> tuple[float | None, float | None]:
    """Kendall's coefficient of concordance with ties, and its chi-square p.

    table: shape (m raters, k products), complete, m and k 2 or more; any numbers, ranked within each
    rater. Returns (W, p), W from 0 to 1; (None, None) where the table is incomplete or too small, or
    every rater ties all products (`agreement` says why).
    p is from chi-square m (k - 1) W on k - 1 degrees of freedom, rough for fewer than 8 products.
    Source: Siegel and Castellan, Nonparametric Statistics (1988), section 9.7 (from memory).

    >>> w, p = kendall_w([[1, 2, 3], [1, 2, 3], [1, 3, 2]])
    >>> round(w, 4)
    0.7778
    """
    w, p, _ = _kendall(table)
    return w, p


def _kendall(table) -> tuple[float | None, float | None, str | None]:
    from scipy.special import chdtrc

    x, problem = rating_table(table)
    if problem:
        return None, None, problem
    m, k = x.shape
    if m < 2 or k < 2:
        return None, None, "agreement needs two raters and two products"
    if np.isnan(x).any():
        return None, None, "not every rater rated every product"
    ranked = [midranks(row) for row in x]
    rank_sum = np.sum([r for r, _ in ranked], axis=0)
    ties = sum(t for _, t in ranked)
    spread = m * m * (float(k) ** 3 - k) - m * ties
    if spread <= 1e-9:
        return None, None, "every rater rates all products alike"
    w = float(min(1.0, 12 * np.sum((rank_sum - m * (k + 1) / 2) ** 2) / spread))
    return w, float(chdtrc(k - 1, m * (k - 1) * w)), None


def krippendorff_alpha(table, level: str = "ordinal") -> float | None:
    """Krippendorff's alpha: agreement beyond chance, missing ratings allowed.

    table: shape (m raters, k products), NaN missing. level: "nominal", "ordinal", "interval" or
    "ratio" (values 0 or more). Returns alpha, 1 at full agreement, 0 at chance, below 0 worse;
    None where no product has two ratings, all ratings are equal, or the level does not fit.
    Source: K. Krippendorff, Content Analysis (2004), section 11.3; "Computing Krippendorff's
    alpha-reliability" (2011) (from memory).

    >>> krippendorff_alpha([[1, 2, 3, 3], [1, 2, 3, 3]])
    1.0
    """
    return _alpha(table, level)[0]


def _alpha(table, level) -> tuple[float | None, str | None]:
    x, problem = rating_table(table)
    if problem:
        return None, problem
    if level not in LEVELS:
        return None, f"no such level of measurement: {level}"
    x = x[:, (~np.isnan(x)).sum(axis=0) >= 2]
    values = x[~np.isnan(x)]
    if not len(values):
        return None, "no product was rated twice"
    if level == "ratio" and (values < 0).any():
        return None, "ratios need values of 0 or more"
    steps, code = np.unique(values, return_inverse=True)
    if len(steps) < 2:
        return None, "all ratings are equal: agreement beyond chance cannot be told"
    counts = np.zeros((x.shape[1], len(steps)))  # products x steps
    np.add.at(counts, (np.nonzero(~np.isnan(x))[1], code.reshape(-1)), 1)
    n_unit = counts.sum(axis=1)
    weight = 1 / (n_unit - 1)
    coincidence = (counts * weight[:, None]).T @ counts - np.diag(weight @ counts)
    totals = counts.sum(axis=0)
    n = totals.sum()
    distance = _squared_distance(steps, totals, level)
    observed = np.sum(coincidence * distance) / n
    expected = (totals @ distance @ totals) / (n * (n - 1))
    return float(1 - observed / expected), None


def _squared_distance(steps, totals, level):
    if level == "nominal":
        return 1.0 - np.eye(len(steps))
    if level == "ordinal":
        middle = np.cumsum(totals) - totals / 2
        return (middle[:, None] - middle) ** 2
    gap = (steps[:, None] - steps) / np.max(np.abs(steps))
    if level == "interval":
        return gap**2
    total = (steps[:, None] + steps) / np.max(np.abs(steps))
    return np.where(total > 0, gap / np.where(total > 0, total, 1), 0.0) ** 2


def agreement(table, level: str = "ordinal") -> Agreement:
    """Kendall's W, Krippendorff's alpha and what they say in words.

    table, level: as in `krippendorff_alpha`. Words rest on alpha, since it also counts raters who
    use the scale differently; limits 0.8 and 0.667 after Krippendorff (2004).

    >>> agreement([[4, 2], [5, 1]]).opinion
    True
    """
    x, problem = rating_table(table)
    raters = int((~np.isnan(x)).any(axis=1).sum())
    products = int((~np.isnan(x)).any(axis=0).sum())
    w, p, w_reason = _kendall(table)
    alpha, alpha_reason = _alpha(table, level)
    opinion = raters <= OPINION_RATERS
    if problem:
        words = "no ratings"
    elif raters == 1:
        words = "one rater: an opinion"
    elif alpha is None:
        words = f"agreement not told: {alpha_reason}"
    else:
        words = next((text for limit, text in ALPHA_WORDS if alpha >= limit), "the raters disagree")
        if raters == 2:
            words = f"two raters: an opinion ({words})"
    return Agreement(raters, products, w, p, alpha, words, opinion, w_reason, alpha_reason)


def rater_centred_means(table) -> tuple[list, list, list]:
    """Product means freed from each rater's own level, with standard uncertainty and dof.

    table: shape (m, k), NaN missing. Returns (mean, u, dof), lists of k: mean in rating steps, u its
    standard uncertainty for comparisons among these products, dof = raters of the product - 1.
    u and dof are None for a product with fewer than three raters (an opinion), mean is None where no
    rater links a product to the others. Where no rater rated two products at all, plain means and SD.

    Ratings are product + rater + error, fitted by least squares (complete table: the plain product
    mean). u is the SD of the product's residuals, each divided by the share of freedom that the fit
    leaves it (complete table: Morey's factor k/(k - 1)), so that sqrt(u_a^2 + u_b^2) is right for a
    difference. It leaves out how raters differ in level, which is common to all products.
    Sources: D. Cousineau (2005) and R. D. Morey (2008), Tutorials in Quantitative Methods for
    Psychology 1, 42-45 and 4, 61-64; Searle, Linear Models (1971), section 7.1 (from memory).

    >>> mean, u, dof = rater_centred_means([[1, 2, 3], [2, 4, 4], [3, 4, 5]])
    >>> [round(v, 3) for v in mean], dof
    ([2.0, 3.333, 4.0], [2, 2, 2])
    """
    mean, u, dof, _ = _additive_fit(table)
    return mean, u, dof


def _additive_fit(table):
    """(mean, u, dof, fit): as `rater_centred_means`; fit is (products in it, values less rater effects)."""
    x, problem = rating_table(table)
    k = _columns(table)
    mean, u, dof = ([None] * k for _ in range(3))
    if problem:
        return mean, u, dof, None
    if not ((~np.isnan(x)).sum(axis=1) > 1).any():
        return *_separate_panels(x), None
    linked_rows, linked_columns = _largest_linked(~np.isnan(x))
    x = x[linked_rows][:, linked_columns]
    seen = ~np.isnan(x)
    m, q = x.shape
    rows, columns = np.nonzero(seen)
    centre = float(x[seen].mean())
    y = x[rows, columns] - centre
    n_column = seen.sum(axis=0)
    # Normal equations of rater effects (their sum held at 0 by the ones) and product means.
    normal = np.block([[np.diag(seen.sum(axis=1)) + 1.0, seen], [seen.T, np.diag(n_column)]])
    right = np.concatenate([np.bincount(rows, y, m), np.bincount(columns, y, q)])
    inverse = np.linalg.inv(normal)
    effect = inverse @ right
    d = np.diag(inverse)
    freedom = 1 - (d[rows] + d[m + columns] + 2 * inverse[rows, m + columns])
    squares = np.bincount(columns, (y - effect[rows] - effect[m + columns]) ** 2, q)
    free = np.bincount(columns, freedom, q)
    # The ones added 1/m^2 to the variances (null vector (1, -1) of the equations without them).
    variance_factor = d[m:] - 1 / m**2
    noise = (1e-12 * max(float(np.ptp(y)), np.finfo(float).tiny)) ** 2
    for j, column in enumerate(np.flatnonzero(linked_columns)):
        mean[column] = float(effect[m + j]) + centre
        if n_column[j] > OPINION_RATERS and free[j] > 1e-6:
            variance = squares[j] / free[j]
            u[column] = float(np.sqrt(variance * variance_factor[j])) if variance > noise else 0.0
            dof[column] = int(n_column[j]) - 1
    centred = np.full(seen.shape, np.nan)
    centred[rows, columns] = y - effect[rows] + centre
    return mean, u, dof, (linked_columns, centred)


def _separate_panels(x):
    """Plain means where no rater rated two products: rater and product cannot be told apart."""
    mean, u, dof = ([None] * x.shape[1] for _ in range(3))
    for j, column in enumerate(x.T):
        y = column[~np.isnan(column)]
        if len(y):
            mean[j] = float(y.mean())
        if len(y) > OPINION_RATERS:
            u[j] = 0.0 if np.ptp(y) == 0 else float(y.std(ddof=1) / np.sqrt(len(y)))
            dof[j] = len(y) - 1
    return mean, u, dof


def _largest_linked(seen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of the largest part of the table in which raters link the products.

    Raters of a single product tell nothing of the others and are left out.
    """
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import connected_components

    rows = seen.sum(axis=1) > 1
    part = seen & rows[:, None]
    m, k = part.shape
    i, j = np.nonzero(part)
    graph = csr_array((np.ones(len(i), dtype=np.int8), (i, m + j)), shape=(m + k, m + k))
    _, group = connected_components(graph, directed=False)
    best = np.bincount(group[i]).argmax()
    return rows & (group[:m] == best), part.any(axis=0) & (group[m:] == best)


def _columns(table) -> int:
    try:
        return max((len(row) for row in table), default=0)
    except TypeError:
        return 0


def resampled_means(table, generator, draws: int = 2000) -> tuple[np.ndarray | None, str | None]:
    """Product means of resampled panels: whole raters with replacement, the same for all products.

    table: shape (m, k), m of 8 or more raters; generator: numpy Generator. draws: how many.
    Returns (array of shape (draws, k) in rating steps, None), or (None, reason). Deviations from the
    point estimate are widened by sqrt(m/(m - 1)), since a plain bootstrap of few raters is too narrow.
    In an incomplete table each rater's own level is taken out first.
    Source: T. C. Hesterberg (2015), The American Statistician 69, 371-386 (from memory).

    >>> ratings = [[3, 4], [2, 4], [3, 5], [4, 4], [3, 3], [2, 5], [4, 5], [3, 4]]
    >>> resampled_means(ratings, np.random.default_rng(1), 500)[0].shape
    (500, 2)
    """
    x, problem = rating_table(table)
    if problem:
        return None, problem
    if (~np.isnan(x)).any(axis=1).sum() < RESAMPLE_RATERS:
        return None, f"fewer than {RESAMPLE_RATERS} raters"
    x = x[(~np.isnan(x)).any(axis=1)]
    if np.isnan(x).any():
        mean, _, _, fit = _additive_fit(x)
        if fit is None or any(v is None for v in mean):
            return None, "not all products are linked by raters who rated several"
        x = fit[1]
    m = len(x)
    counts = generator.multinomial(m, np.full(m, 1 / m), size=draws).astype(float)
    there = (~np.isnan(x)).astype(float)
    for _ in range(20):
        weight = counts @ there
        empty = (weight == 0).any(axis=1)
        if not empty.any():
            break
        counts[empty] = generator.multinomial(m, np.full(m, 1 / m), size=int(empty.sum()))
    else:
        return None, "a product has too few raters to be resampled"
    means = counts @ np.where(np.isnan(x), 0.0, x) / weight
    point = column_means(x)
    return point + (means - point) * np.sqrt(m / (m - 1)), None


def rated_medians(table, generator, level: float = 0.95, draws: int = 2000) -> list[RatedMedian]:
    """Median rating of each product with an interval from resampled raters.

    table: shape (m, k). generator: numpy Generator. level: of each interval, between 0.5 and 1.
    Returns one `RatedMedian` per product; ci only with 8 or more raters of the product, its bounds
    moved out from the median by sqrt(m/(m - 1)) and kept within the ratings given.
    Source: Hesterberg (2015) (from memory).

    >>> m = rated_medians([[3, 4], [5, 4], [4, 2]], np.random.default_rng(1))
    >>> m[0].median, m[0].reason
    (4.0, 'fewer than 8 raters')
    """
    x, problem = rating_table(table)
    if problem:
        return [RatedMedian(None, None, 0, problem)] * _columns(table)
    confidence = number(level)
    out = []
    for column in x.T:
        given = np.sort(column[~np.isnan(column)])
        n = len(given)
        median = float(np.median(given)) if n else None
        reason = None
        if n == 0:
            reason = "no rating"
        elif confidence is None or not 0.5 < confidence < 1:
            reason = "the confidence level must lie between 0.5 and 1"
        elif n < RESAMPLE_RATERS:
            reason = f"fewer than {RESAMPLE_RATERS} raters"
        if reason:
            out.append(RatedMedian(median, None, n, reason))
            continue
        drawn = np.median(given[generator.integers(0, n, size=(draws, n))], axis=1)
        bounds = np.quantile(drawn, [(1 - confidence) / 2, (1 + confidence) / 2])
        low, high = np.clip(median + (bounds - median) * np.sqrt(n / (n - 1)), given[0], given[-1])
        out.append(RatedMedian(median, [float(low), float(high)], n, None))
    return out


def friedman(table) -> RankTest:
    """Friedman's test, corrected for ties; needs a complete table.

    table: shape (m, k). Returns `RankTest`, statistic None with a reason where a rating is missing
    or every rater ties all products.
    Source: Friedman (1937); Conover, Practical Nonparametric Statistics (1999), section 5.8.

    >>> round(friedman([[1, 2, 3], [1, 2, 3], [1, 3, 2]]).statistic, 4)
    4.6667
    """
    x, problem = rating_table(table)
    m, k = x.shape
    w, p, reason = _kendall(table)
    if reason:
        return RankTest("Friedman", None, None, None, k, m, problem or reason)
    return RankTest("Friedman", m * (k - 1) * w, k - 1, p, k, m)


def skillings_mack(table) -> RankTest:
    """Skillings and Mack's test for incomplete tables (Friedman's where complete, without ties).

    table: shape (m, k), NaN missing. Raters of fewer than two products tell nothing and are left out.
    Returns `RankTest`, statistic None with a reason where fewer than two products are linked.
    Source: J. H. Skillings and G. A. Mack (1981), Technometrics 23, 171-177; Hollander, Wolfe and
    Chicken (2014), section 7.8 (from memory).

    >>> nan = float("nan")
    >>> round(skillings_mack([[1, 2, 3], [1, 2, nan], [nan, 1, 2]]).statistic, 4)
    3.7321
    """
    x, problem = rating_table(table)
    if problem:
        return RankTest("Skillings-Mack", None, None, None, 0, 0, problem)
    seen = ~np.isnan(x)
    x = x[seen.sum(axis=1) > 1]
    x = x[:, (~np.isnan(x)).any(axis=0)] if len(x) else x[:, :0]
    m, k = x.shape
    if k < 2:
        return RankTest("Skillings-Mack", None, None, None, k, m, "no rater rated two products")
    seen = ~np.isnan(x)
    adjusted = np.zeros(k)
    covariance = np.zeros((k, k))
    for row, there in zip(x, seen, strict=True):
        size = int(there.sum())
        rank = np.full(k, (size + 1) / 2)
        rank[there] = midranks(row[there])[0]
        adjusted += np.sqrt(12 / (size + 1)) * (rank - (size + 1) / 2)
        covariance -= np.outer(there, there)
    np.fill_diagonal(covariance, 0)
    np.fill_diagonal(covariance, -covariance.sum(axis=1))
    from scipy.special import chdtrc

    values, vectors = np.linalg.eigh(covariance)
    kept = values > 1e-9 * values.max()
    if not np.any(adjusted):
        return RankTest("Skillings-Mack", 0.0, int(kept.sum()), 1.0, k, m)
    scores = vectors[:, kept].T @ adjusted
    statistic = float(np.sum(scores**2 / values[kept]))
    dof = int(kept.sum())
    return RankTest("Skillings-Mack", statistic, dof, float(chdtrc(dof, statistic)), k, m)


def panel_test(table) -> RankTest:
    """Friedman's test where every rater rated every product, else Skillings and Mack's.

    >>> panel_test([[1, 2], [1, 2], [2, 1]]).test
    'Friedman'
    """
    x, problem = rating_table(table)
    if problem or not np.isnan(x).any():
        return friedman(table)
    return skillings_mack(table)

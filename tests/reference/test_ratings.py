"""Ratings against published examples, independent libraries and simulation."""

from __future__ import annotations

import itertools
import warnings

import krippendorff
import numpy as np
import pandas as pd
import pytest
import scikit_posthocs
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.contingency_tables import cochrans_q
from statsmodels.stats.multitest import multipletests

from comparisons.analysis import exact_tests, pairs
from comparisons.analysis.panels import compare_ratings
from comparisons.analysis.ratings import (
    LEVELS,
    friedman,
    kendall_w,
    krippendorff_alpha,
    panel_test,
    rated_medians,
    rater_centred_means,
    resampled_means,
    skillings_mack,
)

from .soundness import assert_sound, one_rating_each

NAN = float("nan")

SIEGEL_CASTELLAN = [[5, 6, 7, 1, 2, 4, 3, 8], [1, 7, 6, 2, 3, 5, 4, 8], [4, 5, 1, 3, 2, 7, 6, 8]]
KRIPPENDORFF = [
    [1, 2, 3, 3, 2, 1, 4, 1, 2, NAN, NAN, NAN],
    [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, NAN, 3],
    [NAN, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, NAN],
    [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, NAN],
]


def random_table(rng, missing=0.0):
    m, k = int(rng.integers(3, 14)), int(rng.integers(2, 9))
    table = rng.integers(1, int(rng.integers(3, 9)), (m, k)).astype(float) + rng.normal(0, 1, k).round()
    table[rng.random((m, k)) < missing] = np.nan
    return table


# -- published examples ------------------------------------------------------------------------------


def test_kendall_siegel_castellan():
    # Siegel and Castellan 1988, 3 raters of 8: W 0.656 (from memory; R irr 0.6560846561), chi-square
    # 13.778, p 0.0552779.
    w, p = kendall_w(SIEGEL_CASTELLAN)
    assert w == pytest.approx(0.6560846561, abs=5e-11)
    assert p == pytest.approx(0.0552779, abs=5e-8)
    assert friedman(SIEGEL_CASTELLAN).statistic == pytest.approx(13.778, abs=5e-4)


@pytest.mark.parametrize(
    ("level", "printed", "by_irr"),
    [
        ("nominal", 0.743, 0.7434210526),
        ("ordinal", 0.815, 0.8153875038),
        ("interval", 0.849, 0.8491071429),
        ("ratio", 0.797, 0.7974027747),
    ],
)
def test_krippendorff_four_observers(level, printed, by_irr):
    # Krippendorff's four observers and twelve units (data as in the R packages irr and DescTools; the
    # printed answers from memory, more digits from R irr).
    alpha = krippendorff_alpha(KRIPPENDORFF, level)
    assert alpha == pytest.approx(printed, abs=5e-4)
    assert alpha == pytest.approx(by_irr, abs=5e-11)


def test_krippendorff_three_observers():
    # Wikipedia, Krippendorff's alpha, three coders of fifteen units: nominal 0.691, interval 0.811
    # (data and answers from memory).
    a = [NAN] * 5 + [3, 4, 1, 2, 1, 1, 3, 3, NAN, 3]
    b = [1, NAN, 2, 1, 3, 3, 4, 3] + [NAN] * 7
    c = [NAN, NAN, 2, 1, 3, 4, 4, NAN, 2, 1, 1, 3, 3, NAN, 4]
    assert krippendorff_alpha([a, b, c], "nominal") == pytest.approx(0.691, abs=5e-4)
    assert krippendorff_alpha([a, b, c], "interval") == pytest.approx(0.811, abs=5e-4)


def test_friedman_conover_grass():
    # Conover 1999, section 5.8, twelve homeowners rank four grasses: T1 8.097 with ties (from memory).
    table = [
        [4, 3, 2, 1], [4, 2, 3, 1], [3, 1.5, 1.5, 4], [3, 1, 2, 4], [4, 2, 1, 3], [2, 2, 2, 4],
        [1, 3, 2, 4], [2, 4, 1, 3], [3.5, 1, 2, 3.5], [4, 1, 3, 2], [4, 2, 3, 1], [3.5, 1, 2, 3.5],
    ]  # fmt: skip
    found = friedman(table)
    assert found.statistic == pytest.approx(8.097, abs=5e-4)
    assert (found.dof1, found.raters, found.products) == (3, 12, 4)


def test_friedman_zar():
    # Zar, Biostatistical Analysis, randomised blocks, four treatments in five blocks: 10.68.
    treatments = [[7.0, 9.9, 8.5, 5.1, 10.3], [5.3, 5.7, 4.7, 3.5, 7.7], [4.9, 7.6, 5.5, 2.8, 8.4],
                  [8.8, 8.9, 8.1, 3.3, 9.1]]  # fmt: skip
    assert friedman(np.transpose(treatments)).statistic == pytest.approx(10.68, abs=5e-3)


def test_skillings_mack_published():
    # Skillings and Mack 1981 by way of Hollander and Wolfe 1999, p. 293, assembly methods; manual of the
    # R package Skillings.Mack: 15.493, p 0.00144 (data and answer from memory).
    columns = [
        [3.2, 4.1, 3.8, 4.2], [3.1, 3.9, 3.4, 4.0], [4.3, 3.5, 4.6, 4.8], [3.5, 3.6, 3.9, 4.0],
        [3.6, 4.2, 3.7, 3.9], [4.5, 4.7, 3.7, NAN], [NAN, 4.2, 3.4, NAN], [4.3, 4.6, 4.4, 4.9],
        [3.5, NAN, 3.7, 3.9],
    ]  # fmt: skip
    found = skillings_mack(columns)
    assert found.statistic == pytest.approx(15.493, abs=5e-4)
    assert found.p == pytest.approx(0.00144, abs=5e-6)
    assert panel_test(columns) == found


def test_dunn_home_care():
    # Dunn 1964, home-care data, 383 heavily tied ratings (counts per rank 1 to 7 from the data file of
    # the R packages FSA and dunn.test): chi-square 4.22264; two-sided p before
    # Holm 0.876058, 0.043156, 0.149527.
    counts = {
        "Eligible": [3, 12, 10, 20, 47, 74, 62],
        "No responsible person": [0, 4, 7, 10, 9, 12, 26],
        "Responsible person unable": [1, 2, 4, 11, 10, 21, 38],
    }
    groups = [np.repeat(np.arange(1, 8), c) for c in counts.values()]
    found = compare_ratings(one_rating_each(groups), list(counts))
    assert found.method == "Dunn with Holm"
    assert found.omnibus["statistic"] == pytest.approx(4.22264216, abs=5e-9)
    expected = multipletests([0.876058, 0.043156, 0.149527], method="holm")[1]
    assert [r["p"] for r in found.pairs] == pytest.approx(expected, rel=2e-5)
    assert_sound(found)


def test_dunn_mucociliary():
    # Hollander and Wolfe, mucociliary efficiency: H 0.771428571, p 0.68; |Z| 0.641426981, 0.226778684,
    # 0.855235974 (R dunn.test).
    groups = [[2.9, 3.0, 2.5, 2.6, 3.2], [3.8, 2.7, 4.0, 2.4], [2.8, 3.4, 3.7, 2.2, 2.0]]
    found = compare_ratings(one_rating_each(groups), "ABC")
    assert found.omnibus["statistic"] == pytest.approx(0.771428571, abs=5e-10)
    assert found.omnibus["p"] == pytest.approx(0.68, abs=5e-3)
    # Mean rank differences over their standard errors, read back from the intervals.
    limit = stats.norm.ppf(1 - 0.05 / 6)
    z = [abs(r["difference"]) / ((r["ci"][1] - r["ci"][0]) / 2 / limit) for r in found.pairs]
    assert sorted(z) == pytest.approx([0.226778684, 0.641426981, 0.855235974], abs=5e-9)


def test_wilcoxon_depression_scale():
    # Hollander, Wolfe and Chicken, Example 3.1, nine patients: one-sided p 0.0195, estimate 0.46,
    # 96.1 % interval 0.010 to 0.786 (from memory; R ?wilcox.test gives the p).
    x = [1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30]
    y = [0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29]
    row = compare_ratings(np.column_stack([x, y]), "AB").pairs[0]
    assert row["p"] == pytest.approx(2 * 0.01953125)
    assert row["difference"] == pytest.approx(0.46)
    assert row["ci"] == pytest.approx([0.010, 0.786], abs=5e-4)


# -- independent libraries on random data ------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_krippendorff_against_its_package(seed):
    rng = np.random.default_rng(seed)
    table = random_table(rng, missing=0.25)
    table = np.abs(table) + 1
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for level in LEVELS:
            other = krippendorff.alpha(table, level_of_measurement=level)
            assert krippendorff_alpha(table, level) == pytest.approx(other, abs=1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_friedman_and_kendall_against_scipy(seed):
    table = random_table(np.random.default_rng(seed))
    if table.shape[1] < 3:
        table = np.column_stack([table, np.roll(table[:, 0], 1)])
    other = stats.friedmanchisquare(*table.T)
    found = friedman(table)
    assert found.statistic == pytest.approx(other.statistic)
    assert found.p == pytest.approx(other.pvalue)
    m, k = table.shape
    assert kendall_w(table)[0] == pytest.approx(other.statistic / (m * (k - 1)))


@pytest.mark.parametrize("seed", range(6))
def test_friedman_of_pass_and_fail_is_cochrans_q(seed):
    table = (np.random.default_rng(seed).random((12, 4)) < [0.3, 0.5, 0.7, 0.9]).astype(float)
    other = cochrans_q(table)
    assert friedman(table).statistic == pytest.approx(other.statistic)


@pytest.mark.parametrize("seed", range(6))
def test_skillings_mack_is_friedman_where_complete_and_untied(seed):
    table = np.random.default_rng(seed).random((7, 5))
    found, other = skillings_mack(table), friedman(table)
    assert found.statistic == pytest.approx(other.statistic)
    assert found.dof1 == other.dof1


@pytest.mark.parametrize("seed", range(10))
def test_dunn_against_scikit_posthocs(seed):
    rng = np.random.default_rng(seed)
    groups = [rng.integers(1, 8, rng.integers(4, 20)) + rng.integers(0, 3) for _ in range(2 + seed % 4)]
    found = compare_ratings(one_rating_each(groups), "ABCDEF"[: len(groups)])
    which = np.repeat(range(len(groups)), [len(g) for g in groups])
    frame = pd.DataFrame({"y": np.concatenate(groups), "g": which})
    other = scikit_posthocs.posthoc_dunn(frame, val_col="y", group_col="g", p_adjust="holm").to_numpy()
    p = [other[i, j] for i, j in itertools.combinations(range(len(groups)), 2)]
    assert [r["p"] for r in found.pairs] == pytest.approx(p)
    h = stats.kruskal(*groups)
    assert found.omnibus["statistic"] == pytest.approx(h.statistic)
    assert_sound(found)


@pytest.mark.parametrize("seed", range(10))
def test_signed_rank_against_scipy(seed):
    rng = np.random.default_rng(seed)
    untied = rng.normal(0.3, 1, 4 + 3 * seed)
    assert exact_tests.signed_rank_p(untied) == pytest.approx(stats.wilcoxon(untied, method="exact").pvalue)
    tied = rng.integers(-3, 5, 10)
    tied = tied[tied != 0]
    every = stats.PermutationMethod(n_resamples=2**12)
    assert exact_tests.signed_rank_p(tied) == pytest.approx(stats.wilcoxon(tied, method=every).pvalue)
    many = rng.integers(-3, 5, 150)
    other = stats.wilcoxon(many, zero_method="wilcox", correction=True, method="asymptotic")
    assert exact_tests.signed_rank_p(many) == pytest.approx(other.pvalue)


@pytest.mark.parametrize("seed", range(8))
def test_panel_pairs_one_by_one(seed):
    rng = np.random.default_rng(seed)
    table = random_table(rng, missing=0.2)
    k = table.shape[1]
    couples = list(itertools.combinations(range(k), 2))
    for test in ("wilcoxon", "sign"):
        found = compare_ratings(table, list(range(k)), test=test)
        raw = []
        for i, j in couples:
            d = (table[:, i] - table[:, j])[~np.isnan(table[:, i] - table[:, j])]
            moved = d[d != 0]
            if not len(d):
                raw.append(np.nan)
            elif not len(moved):
                raw.append(1.0)
            elif test == "sign":
                raw.append(stats.binomtest(int((moved > 0).sum()), len(moved)).pvalue)
            else:
                every = stats.PermutationMethod(n_resamples=2**14)
                raw.append(stats.wilcoxon(moved, method=every).pvalue)
        expected = np.full(len(raw), np.nan)
        there = ~np.isnan(raw)
        expected[there] = multipletests(np.array(raw)[there], method="holm")[1]
        assert found.pairs.p == pytest.approx(expected, nan_ok=True)
        assert_sound(found)


@pytest.mark.parametrize("seed", range(8))
def test_rater_centred_means_against_least_squares(seed):
    rng = np.random.default_rng(seed)
    m, k = 9, 5
    table = rng.integers(1, 8, (m, k)).astype(float) + rng.integers(-2, 3, (m, 1))
    table[rng.random((m, k)) < 0.25] = np.nan
    r, p = np.nonzero(~np.isnan(table))
    frame = pd.DataFrame({"y": table[r, p], "r": r, "p": p})
    fit = smf.ols("y ~ 0 + C(p) + C(r, Sum)", frame).fit()
    mean, u, dof = rater_centred_means(table)
    assert mean == pytest.approx(fit.params.to_numpy()[:k])
    assert dof == [int(n) - 1 for n in (~np.isnan(table)).sum(axis=0)]
    # The variances of the products differ here; with one common variance u would be statsmodels' own.
    common = fit.bse.to_numpy()[:k] / np.sqrt(fit.scale)
    residual = fit.resid.to_numpy()
    free = 1 - fit.get_influence().hat_matrix_diag
    own = [np.sqrt(np.sum(residual[p == j] ** 2) / np.sum(free[p == j])) for j in range(k)]
    assert u == pytest.approx(own * common)


# -- closed forms and simulation ---------------------------------------------------------------------


def test_complete_table_is_centring_with_moreys_factor():
    # Cousineau 2005 with Morey's 2008 correction, computed step by step.
    table = np.array([[1.0, 2, 3, 5], [2, 4, 4, 4], [3, 4, 5, 7], [1, 3, 2, 6]])
    centred = table - table.mean(axis=1, keepdims=True) + table.mean()
    u = centred.std(axis=0, ddof=1) * np.sqrt(4 / 3) / np.sqrt(4)
    mean, found, dof = rater_centred_means(table)
    assert mean == pytest.approx(table.mean(axis=0))
    assert found == pytest.approx(u)
    assert dof == [3] * 4


def test_two_products_give_the_paired_t_test():
    x = np.array([[4.0, 2], [5, 4], [3, 3], [5, 2], [4, 1]])
    mean, u, _ = rater_centred_means(x)
    t = (mean[0] - mean[1]) / np.hypot(*u)
    assert t == pytest.approx(stats.ttest_rel(x[:, 0], x[:, 1]).statistic)


def test_centred_intervals_of_a_difference_cover():
    rng = np.random.default_rng(5)
    true = np.array([3.0, 3.5, 4.0, 4.0, 5.0])
    covered = runs = 0
    for _ in range(500):
        table = true + rng.normal(0, 2, (6, 1)) + rng.normal(0, 1, (6, 5))
        table[rng.random(table.shape) < 0.15] = np.nan
        mean, u, dof = rater_centred_means(table)
        if None in u[:2]:
            continue
        se, nu = pairs.welch(*(np.array([v], dtype=float) for v in (u[0], u[1], dof[0], dof[1])))
        covered += abs(mean[0] - mean[1] + 0.5) <= stats.t.ppf(0.975, nu[0]) * se[0]
        runs += 1
    assert runs > 300
    assert 0.92 <= covered / runs <= 0.985


@pytest.mark.parametrize("m", [8, 20])
def test_resampled_means_have_the_standard_error_of_the_mean(m):
    rng = np.random.default_rng(m)
    table = rng.integers(1, 8, (m, 3)).astype(float)
    drawn, reason = resampled_means(table, np.random.default_rng(1), 20_000)
    assert reason is None
    assert drawn.mean(axis=0) == pytest.approx(table.mean(axis=0), abs=0.03)
    # Plain resampling gives sqrt((m - 1)/m) of it; that is what the widening puts right.
    assert drawn.std(axis=0) == pytest.approx(table.std(axis=0, ddof=1) / np.sqrt(m), rel=0.025)
    assert np.corrcoef(drawn.T) == pytest.approx(np.corrcoef(table.T), abs=0.04)


def test_resampling_takes_the_same_raters_for_all_products():
    rng = np.random.default_rng(2)
    table = rng.integers(1, 8, (10, 1)) + np.zeros((1, 3)) + [0, 1, 2]
    drawn, _ = resampled_means(table, rng, 200)
    assert np.diff(drawn, axis=1) == pytest.approx(np.ones((200, 2)))


def test_resampling_an_incomplete_table_leaves_out_who_rated_what():
    # Severe raters rated only the first two products, mild ones only the last two, one pair links them.
    rng = np.random.default_rng(3)
    table = np.full((12, 3), np.nan)
    table[:6, :2] = [[1, 2]] * 6
    table[6:, 1:] = [[6, 7]] * 6
    table += rng.normal(0, 0.1, table.shape)
    drawn, _ = resampled_means(table, rng, 300)
    assert np.diff(drawn.mean(axis=0)) == pytest.approx([1, 1], abs=0.15)


def test_the_seed_alone_decides():
    table = np.random.default_rng(0).integers(1, 8, (9, 4))
    a, b = (resampled_means(table, np.random.default_rng(7), 50)[0] for _ in range(2))
    assert np.array_equal(a, b)
    c, d = (rated_medians(table, np.random.default_rng(7)) for _ in range(2))
    assert c == d


def test_panel_family_wise_error():
    rng = np.random.default_rng(11)
    wrong = 0
    for _ in range(300):
        table = rng.integers(1, 8, (12, 1)) + rng.integers(-1, 2, (12, 4))
        wrong += bool((compare_ratings(table, "ABCD").pairs.decided == pairs.DIFFERENT).any())
    assert wrong / 300 <= 0.05

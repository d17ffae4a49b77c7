"""Pairwise differences against published examples, independent libraries and simulation."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pingouin
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.oneway import anova_generic
from statsmodels.stats.proportion import confint_proportions_2indep
from statsmodels.stats.weightstats import ttost_ind

from comparisons.analysis import exact_tests, pairs
from comparisons.analysis.differences import (
    compare_means,
    compare_shares,
    equivalent_within,
    holm,
    hsu_best,
    welch_anova,
)

from .soundness import assert_sound, compare, summarise

PLANT_GROWTH = {
    "ctrl": [4.17, 5.58, 5.18, 6.11, 4.5, 4.61, 5.17, 4.53, 5.33, 5.14],
    "trt1": [4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69],
    "trt2": [6.31, 5.12, 5.54, 5.5, 5.37, 5.29, 4.92, 6.15, 5.8, 5.26],
}
INSECT_SPRAYS = {
    "A": [10, 7, 20, 14, 14, 12, 10, 23, 17, 20, 14, 13],
    "B": [11, 17, 21, 11, 16, 14, 17, 17, 19, 21, 7, 13],
    "C": [0, 1, 7, 2, 3, 1, 2, 1, 3, 0, 1, 4],
    "D": [3, 5, 12, 6, 4, 3, 5, 5, 5, 5, 2, 4],
    "E": [3, 5, 3, 5, 3, 6, 1, 1, 3, 2, 6, 4],
    "F": [11, 9, 15, 22, 15, 16, 13, 10, 26, 26, 24, 13],
}


# -- published examples ------------------------------------------------------------------------------


def test_games_howell_three_groups_of_four():
    # R package PMCMRplus, gamesHowellTest, as quoted in scipy's tests of tukey_hsd(equal_var=False).
    # The number of items is stated as 9, which is what lets the rule choose this procedure.
    groups = [[24, 23, 31, 51], [34, 18, 18, 26], [17, 68, 59, 7]]
    found = compare(groups, n_units=[9, 9, 9])
    assert found.method == "Games-Howell"
    p = [row["p"] for row in found.pairs]
    assert p == pytest.approx([0.55873362851759, 0.94114775035993, 0.68298393799782], abs=1e-7)


def test_games_howell_paint_hardness():
    # Minitab help, one-way analysis of variance, paint hardness: n 6 each; Games-Howell groups Blend 4 A,
    # Blend 1 AB, Blend 3 AB, Blend 2 B.
    mean, sd = [14.73, 8.57, 12.98, 18.07], np.array([3.36, 5.50, 3.73, 2.64])
    labels = ["Blend 1", "Blend 2", "Blend 3", "Blend 4"]
    found = compare_means(mean, sd / np.sqrt(6), [5] * 4, labels, n_units=[9] * 4)
    assert found.letters == {"Blend 4": "a", "Blend 1": "ab", "Blend 3": "ab", "Blend 2": "b"}
    assert found.pairs.between("Blend 4", "Blend 2")["decided"] == "different"
    assert_sound(found)


def test_welch_1951():
    # Welch 1951, Biometrika 38, p. 335: F 3.351, 22.5678 degrees of freedom, p 0.0532.
    u = np.sqrt(np.array([60.1, 6.3, 15.4]) / [20, 10, 10])
    out = welch_anova([27.8, 24.1, 22.2], u, [19, 9, 9])
    assert out["statistic"] == pytest.approx(3.351, abs=5e-4)
    assert out["dof2"] == pytest.approx(22.5678, abs=5e-5)
    assert out["p"] == pytest.approx(0.0532, abs=5e-5)


@pytest.mark.parametrize(
    ("groups", "statistic", "dof", "p"),
    [
        # R, oneway.test on its data sets PlantGrowth and InsectSprays.
        (PLANT_GROWTH, 5.18097240811, 17.12841919, 0.01739282),
        (INSECT_SPRAYS, 36.065444, 30.042561, None),
    ],
)
def test_welch_anova_as_in_r(groups, statistic, dof, p):
    out = compare(groups.values()).omnibus
    assert out["statistic"] == pytest.approx(statistic, rel=1e-7)
    assert out["dof2"] == pytest.approx(dof, rel=1e-7)
    if p:
        assert out["p"] == pytest.approx(p, rel=1e-6)


def test_student_1908_sleep():
    # R, t.test(extra ~ group, sleep): p 0.079394, interval -3.3654832 to 0.2054832.
    one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    two = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    row = compare([one, two]).pairs[0]
    assert row["p"] == pytest.approx(0.079394, abs=5e-7)
    assert row["ci"] == pytest.approx([-3.3654832, 0.2054832], abs=5e-8)
    assert row["decided"] == "no_difference_shown"


def test_welch_degrees_of_freedom_of_auto83b():
    # NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B; Welch's version in the Boost.Math documentation:
    # T -12.946, 136.87 degrees of freedom.
    u = np.array([6.41470 / np.sqrt(249), 6.10771 / np.sqrt(79)])
    se, nu = pairs.welch(u[:1], u[1:], np.array([248.0]), np.array([78.0]))
    assert nu[0] == pytest.approx(136.87, abs=0.01)
    assert (20.14458 - 30.48101) / se[0] == pytest.approx(-12.946, abs=5e-4)


def test_holm_worked_example():
    # Wikipedia, Holm-Bonferroni method, worked example (from memory).
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])


def test_holm_passes_over_what_was_not_tested():
    assert holm([0.01, np.nan, 0.03]) == pytest.approx([0.02, np.nan, 0.03], nan_ok=True)


@pytest.mark.parametrize(
    ("one", "two", "p"),
    [
        # Fisher 1935, The Design of Experiments: tea tasting 3 of 4 against 1 of 4; two-sided 0.4857
        # (from memory; R ?fisher.test gives 0.2429 one-sided).
        ((3, 4), (1, 4), 0.4857),
        # R ?fisher.test, convictions of twins, 10 of 13 against 2 of 17: 0.0005367 (from memory).
        ((10, 13), (2, 17), 0.0005367),
        # Closed form: 3 of 3 against 0 of 3, 2/20.
        ((3, 3), (0, 3), 0.1),
    ],
)
def test_fisher_published(one, two, p):
    found = compare_shares([one[0], two[0]], [one[1], two[1]], ["A", "B"])
    assert found.pairs[0]["p"] == pytest.approx(p, rel=2e-4)


@pytest.mark.parametrize(
    ("one", "two", "low", "high"),
    [
        # Newcombe 1998, Stat. Med. 17:873, Table II, method 10; all three differences are decided by
        # Fisher's test too, so the interval stands as published.
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
    ],
)
def test_newcombe_published(one, two, low, high):
    row = compare_shares([one[0], two[0]], [one[1], two[1]], ["A", "B"]).pairs[0]
    assert row["decided"] == "different"
    assert row["ci"] == pytest.approx([low, high], abs=5e-5)


def test_hsu_paint_hardness():
    # Minitab help, Hsu's comparison of the paint blends with the best, one pooled SD (20 degrees of
    # freedom) and Dunnett's value: Blend 2 (-14.5000, 0), Blend 3 (-10.0833, 0). Bonferroni's value must
    # give intervals that hold those and are little wider; Blend 3, excluded there by 0.09, stays here.
    pooled = np.sqrt(np.mean(np.array([3.36, 5.50, 3.73, 2.64]) ** 2))
    labels = ["Blend 1", "Blend 2", "Blend 3", "Blend 4"]
    found = hsu_best([14.733, 8.567, 12.983, 18.067], [pooled / np.sqrt(6)] * 4, [10] * 4, labels)
    rows = {r["product"]: r for r in found.rows}
    for label, low in (("Blend 2", -14.5), ("Blend 3", -10.0833)):
        assert 1.025 * low < rows[label]["ci"][0] <= low
        assert 0 <= rows[label]["ci"][1] < 0.2
    assert found.candidates() == ["Blend 1", "Blend 3", "Blend 4"]
    assert not any(r["shown_best"] for r in found.rows)


# -- independent libraries on random data ------------------------------------------------------------


def random_groups(seed):
    rng = np.random.default_rng(seed)
    k = int(rng.integers(2, 7))
    return [rng.normal(rng.normal(0, 1), rng.uniform(0.3, 2), rng.integers(2, 12)) for _ in range(k)]


@pytest.mark.parametrize("seed", range(15))
def test_welch_with_holm_against_scipy_and_statsmodels(seed):
    groups = random_groups(seed)
    found = compare(groups)
    assert found.method == "Welch t with Holm"
    tests = [stats.ttest_ind(g, h, equal_var=False) for g, h in itertools.combinations(groups, 2)]
    adjusted = multipletests([t.pvalue for t in tests], method="holm")[1]
    assert [row["p"] for row in found.pairs] == pytest.approx(adjusted, rel=1e-9)
    for row, test in zip(found.pairs, tests, strict=True):
        low, high = test.confidence_interval(1 - 0.05 / len(tests))
        if row["decided"] == "different":  # cut at zero where Holm decides and Bonferroni does not
            low, high = (max(low, 0), high) if row["difference"] > 0 else (low, min(high, 0))
        assert row["ci"] == pytest.approx([low, high], rel=1e-9, abs=1e-12)
    assert_sound(found)


@pytest.mark.parametrize("seed", range(4))
def test_games_howell_against_scipy_and_pingouin(seed):
    rng = np.random.default_rng(seed)
    k = 2 + seed % 2
    groups = [rng.normal(rng.normal(), rng.uniform(0.5, 2), rng.integers(9, 14)) for _ in range(k)]
    found = compare(groups, n_units=[len(g) for g in groups])
    assert found.method == "Games-Howell"
    other = stats.tukey_hsd(*groups, equal_var=False)
    interval = other.confidence_interval(0.95)
    frame = pd.DataFrame({"y": np.concatenate(groups), "g": np.repeat(range(k), [len(g) for g in groups])})
    table = pingouin.pairwise_gameshowell(frame, dv="y", between="g")
    p_column = "pval" if "pval" in table else "p_corr"
    for row, (i, j), p in zip(
        found.pairs, itertools.combinations(range(k), 2), table[p_column], strict=True
    ):
        assert row["p"] == pytest.approx(other.pvalue[i, j], abs=1e-6)
        assert row["p"] == pytest.approx(p, abs=1e-3)
        assert row["ci"] == pytest.approx([interval.low[i, j], interval.high[i, j]], rel=1e-5, abs=1e-6)
    assert_sound(found)


@pytest.mark.parametrize("seed", range(10))
def test_welch_anova_against_statsmodels(seed):
    groups = random_groups(seed)
    out = compare(groups).omnibus
    other = anova_generic(
        np.array([np.mean(g) for g in groups]),
        np.array([np.var(g, ddof=1) for g in groups]),
        np.array([len(g) for g in groups]),
        use_var="unequal",
        welch_correction=True,
    )
    assert out["statistic"] == pytest.approx(other.statistic)
    assert out["dof2"] == pytest.approx(other.df_denom)
    assert out["p"] == pytest.approx(other.pvalue)


def test_fisher_against_scipy_on_all_small_tables_and_some_large():
    tables = [(a, n, b, m) for n in range(1, 9) for m in range(1, 9)
              for a in range(n + 1) for b in range(m + 1)]  # fmt: skip
    rng = np.random.default_rng(4)
    for _ in range(40):
        n, m = rng.integers(20, 400, 2)
        tables.append((rng.binomial(n, 0.6), n, rng.binomial(m, 0.55), m))
    columns = [np.array(c) for c in zip(*tables, strict=True)]
    p = exact_tests.fisher_p(*columns)
    other = [stats.fisher_exact([[a, n - a], [b, m - b]])[1] for a, n, b, m in tables]
    assert p == pytest.approx(other, rel=1e-8, abs=1e-12)


@pytest.mark.parametrize("seed", range(10))
def test_shares_against_scipy_and_statsmodels(seed):
    rng = np.random.default_rng(seed)
    k = int(rng.integers(2, 6))
    n = rng.integers(5, 60, k)
    passed = rng.binomial(n, rng.uniform(0.2, 0.95, k))
    found = compare_shares(passed, n, list("ABCDEF")[:k])
    couples = list(itertools.combinations(range(k), 2))
    raw = [stats.fisher_exact([[passed[i], n[i] - passed[i]], [passed[j], n[j] - passed[j]]])[1]
           for i, j in couples]  # fmt: skip
    assert [r["p"] for r in found.pairs] == pytest.approx(multipletests(raw, method="holm")[1], rel=1e-8)
    for row, (i, j) in zip(found.pairs, couples, strict=True):
        low, high = confint_proportions_2indep(
            passed[i], n[i], passed[j], n[j], method="newcomb", alpha=0.05 / len(couples)
        )
        if row["decided"] == "different":
            low, high = (max(low, 0), high) if row["difference"] > 0 else (low, min(high, 0))
        else:
            low, high = min(low, 0), max(high, 0)
        assert row["ci"] == pytest.approx([low, high], abs=1e-9)
    assert_sound(found)


@pytest.mark.parametrize("seed", range(10))
def test_equivalence_against_statsmodels(seed):
    rng = np.random.default_rng(seed)
    x, y = rng.normal(10, 1, 12), rng.normal(10.1, 1.5, 9)
    margin = rng.uniform(0.3, 2)
    p, _, _ = ttost_ind(x, y, -margin, margin, usevar="unequal")
    se, nu = pairs.welch(*(np.array([v]) for v in (stats.sem(x), stats.sem(y), 11.0, 8.0)))
    found = equivalent_within(x.mean() - y.mean(), se[0], nu[0], margin)
    assert found.p == pytest.approx(p)
    assert found.equivalent == (p < 0.05)
    assert found.equivalent == (-margin < found.ci[0] and found.ci[1] < margin)


# -- simulation --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("k", "n", "equal"), [(12, 2, True), (12, 3, False), (5, 5, False)])
def test_family_wise_error_and_simultaneous_coverage(k, n, equal):
    rng = np.random.default_rng(k * n)
    sd = np.ones(k) if equal else np.linspace(0.4, 3, k)
    errors = misses = 0
    runs = 400
    for _ in range(runs):
        found = compare([rng.normal(0, s, n) for s in sd]).pairs
        errors += bool((found.decided == pairs.DIFFERENT).any())
        # True differences of 0, 3, 6, ...: all intervals must hold them together.
        step = 3.0
        apart = compare([rng.normal(step * i, s, n) for i, s in enumerate(sd)]).pairs
        true = step * (apart.a - apart.b)
        misses += bool(((true < apart.low) | (true > apart.high)).any())
    # Standard error of the simulation: 1.1 % at 5 %.
    assert errors / runs <= 0.05
    assert misses / runs <= 0.05


def test_games_howell_limits_of_use():
    # Six products of nine items, unequal spread: family-wise error of the procedure that the rule picks.
    rng = np.random.default_rng(7)
    sd = np.array([0.5, 0.5, 1, 1, 2, 4])
    x = rng.normal(0, 1, (4000, 6, 9)) * sd[:, None]
    mean, u = x.mean(axis=2), x.std(axis=2, ddof=1) / 3
    a, b = np.triu_indices(6, 1)
    se, nu = pairs.welch(u[:, a], u[:, b], np.full((4000, 15), 8.0), np.full((4000, 15), 8.0))
    grid = np.linspace(8, 16, 9)
    limit = np.interp(nu, grid, [stats.studentized_range.ppf(0.95, 6, v) for v in grid])
    errors = (np.abs(mean[:, a] - mean[:, b]) / se * np.sqrt(2) > limit).any(axis=1)
    assert errors.mean() < 0.065


def test_shares_family_wise_error():
    rng = np.random.default_rng(1)
    n = np.array([8, 12, 20, 20])
    errors = sum(
        bool((compare_shares(rng.binomial(n, 0.7), n, "ABCD").pairs.decided == pairs.DIFFERENT).any())
        for _ in range(800)
    )
    assert errors / 800 <= 0.05


def test_the_best_is_seldom_excluded_and_the_intervals_hold():
    rng = np.random.default_rng(3)
    true, sd, n = np.array([5.0, 5.0, 4.6, 3.0]), np.array([0.5, 1.5, 1.0, 2.0]), 4
    wanted = np.array([true[i] - np.delete(true, i).max() for i in range(4)])
    lost = missed = 0
    runs = 1000
    for _ in range(runs):
        x = rng.normal(true[:, None], sd[:, None], (4, n))
        rows = hsu_best(*summarise(x), "ABCD").rows
        lost += rows[0]["excluded"] and rows[1]["excluded"]
        ci = np.array([r["ci"] for r in rows])
        missed += bool(((wanted < ci[:, 0]) | (wanted > ci[:, 1])).any())
    assert lost / runs <= 0.05
    assert missed / runs <= 0.05

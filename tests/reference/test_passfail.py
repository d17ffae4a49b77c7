"""Intervals for shares against Newcombe's tables, the Boost documentation and statsmodels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from comparisons.analysis.passfail import (
    all_passed_bound,
    at_least,
    at_most,
    clopper_pearson,
    in_words,
    jeffreys,
    newcombe_difference,
    wilson,
)

properties = settings(deadline=None, derandomize=True, max_examples=100)
counts = st.integers(1, 300).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@pytest.mark.parametrize(
    ("method", "k", "n", "level", "low", "high", "digits"),
    [
        # Newcombe 1998, Stat. Med. 17:857, Table I.
        (wilson, 81, 263, 0.95, 0.2553, 0.3662, 5e-5),
        (clopper_pearson, 81, 263, 0.95, 0.2527, 0.3676, 5e-5),
        (wilson, 0, 20, 0.95, 0.0, 0.1611, 5e-5),
        (clopper_pearson, 0, 20, 0.95, 0.0, 0.1684, 5e-5),
        # Boost.Math documentation, binomial distribution, confidence limits on the success fraction.
        (clopper_pearson, 4, 20, 0.50, 0.12840, 0.29588, 5e-6),
        (clopper_pearson, 4, 20, 0.90, 0.07135, 0.40103, 5e-6),
        (clopper_pearson, 4, 20, 0.95, 0.05733, 0.43661, 5e-6),
        (clopper_pearson, 4, 20, 0.99, 0.03576, 0.50661, 5e-6),
        (jeffreys, 4, 20, 0.95, 0.07152, 0.40823, 5e-6),
        # NIST/SEMATECH e-Handbook, 7.2.4.1: 4 in 20 at 90 %; its upper limit 0.401029 is off by 1e-6.
        (clopper_pearson, 4, 20, 0.90, 0.071354, 0.401029, 1.1e-6),
    ],
)
def test_published_intervals(method, k, n, level, low, high, digits):
    got = method(k, n, level)
    assert got.low == pytest.approx(low, abs=digits)
    assert got.high == pytest.approx(high, abs=digits)
    assert got.share == k / n


def test_one_sided_wilson_of_the_handbook():
    # NIST/SEMATECH e-Handbook, 7.2.4.1: 26 in 200, one-sided 95 % lower limit 0.09577; the one-sided 95 %
    # limit is that of the two-sided 90 % interval.
    assert wilson(26, 200, 0.90).low == pytest.approx(0.09577, abs=5e-6)


@pytest.mark.parametrize(("n", "bound"), [(3, 0.368), (12, 0.779)])
def test_all_passed(n, bound):
    # 3 of 3: at least 36.8 %; 12 of 12: at least 77.9 % (closed form 0.05^(1/n)).
    assert all_passed_bound(n) == pytest.approx(bound, abs=5e-4)
    assert all_passed_bound(n) == pytest.approx(0.05 ** (1 / n), rel=1e-12)


@pytest.mark.parametrize(("n", "upper"), [(10, 0.259), (30, 0.095), (100, 0.030)])
def test_none_passed(n, upper):
    # Hanley and Lippman-Hand 1983, JAMA 249:1743 (the rule of three): exact upper limits 1 - 0.05^(1/n).
    assert at_most(0, n) == pytest.approx(upper, abs=5e-4)


@pytest.mark.parametrize(
    ("k1", "n1", "k2", "n2", "low", "high"),
    [
        # Newcombe 1998, Stat. Med. 17:873, Table II, method 10.
        (56, 70, 48, 80, 0.0524, 0.3339),
        (9, 10, 3, 10, 0.1705, 0.8090),
        (6, 7, 2, 7, 0.0582, 0.8062),
    ],
)
def test_newcombe_difference(k1, n1, k2, n2, low, high):
    got = newcombe_difference(k1, n1, k2, n2)
    assert got.difference == pytest.approx(k1 / n1 - k2 / n2)
    assert (got.low, got.high) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))


def test_fagerland_example():
    # Fagerland, Lydersen and Laake 2015, Stat. Methods Med. Res. 24:224: 7/34 against 1/34, Newcombe
    # 0.019 to 0.34.
    got = newcombe_difference(7, 34, 1, 34)
    assert got.low == pytest.approx(0.019, abs=5e-4)
    assert got.high == pytest.approx(0.34, abs=5e-3)


def test_words():
    assert in_words(3, 3) == "3 of 3 passed: at least 36.8 % would pass (95 %, one-sided)"
    assert in_words(12, 12) == "12 of 12 passed: at least 77.9 % would pass (95 %, one-sided)"
    assert in_words(0, 3) == "0 of 3 passed: at most 63.2 % would pass (95 %, one-sided)"
    assert in_words(2, 3) == "2 of 3 passed: at least 13.5 % would pass (95 %, one-sided)"
    assert in_words(9, 10, 0.9) == "9 of 10 passed: at least 66.3 % would pass (90 %, one-sided)"
    assert in_words(4, 3) == "more passed than were tested, or fewer than none"


def test_words_never_promise_more_than_was_shown():
    for n in range(1, 60):
        for k in range(1, n + 1):
            said = float(in_words(k, n).split("at least ")[1].split(" %")[0])
            assert said / 100 <= at_least(k, n) + 1e-12 < said / 100 + 0.0011


def test_agreement_with_statsmodels():
    rng = np.random.default_rng(20)
    for _ in range(150):
        n = int(rng.integers(1, 400))
        k, level = int(rng.integers(0, n + 1)), float(rng.uniform(0.5, 0.999))
        for method, name in ((clopper_pearson, "beta"), (wilson, "wilson"), (jeffreys, "jeffreys")):
            if name == "jeffreys" and k in (0, n):
                continue  # the limit at an end is set to 0 or 1 here, as Brown, Cai and DasGupta advise
            low, high = proportion_confint(k, n, alpha=1 - level, method=name)
            got = method(k, n, level)
            assert (got.low, got.high) == (pytest.approx(low, abs=1e-10), pytest.approx(high, abs=1e-10))
        k2, n2 = int(rng.integers(0, 31)), 30
        low, high = confint_proportions_2indep(k, n, k2, n2, method="newcomb", alpha=1 - level)
        got = newcombe_difference(k, n, k2, n2, level)
        assert (got.low, got.high) == (pytest.approx(low, abs=1e-9), pytest.approx(high, abs=1e-9))


def test_agreement_with_scipy_binomtest():
    for k, n in ((0, 5), (3, 3), (7, 12), (99, 100)):
        exact = stats.binomtest(k, n).proportion_ci(0.9, "exact")
        assert tuple(clopper_pearson(k, n, 0.9)) == (pytest.approx(exact.low), pytest.approx(exact.high))
        one_sided = stats.binomtest(k, n, alternative="greater").proportion_ci(0.95, "exact")
        assert at_least(k, n) == pytest.approx(one_sided.low)


def _coverage(method, n, p, level=0.95):
    k = np.arange(n + 1)
    limits = np.array([tuple(method(int(i), n, level)) for i in k])
    return float(stats.binom.pmf(k, n, p)[(limits[:, 0] <= p) & (p <= limits[:, 1])].sum())


def test_coverage_by_enumeration():
    # Exact, not simulated: Clopper-Pearson never covers less than it says; Wilson and Jeffreys do so on
    # average over the share.
    shares = np.linspace(0.01, 0.99, 99)
    for n in (5, 20, 50):
        assert min(_coverage(clopper_pearson, n, p) for p in shares[::4]) >= 0.95
        for method in (wilson, jeffreys):
            assert np.mean([_coverage(method, n, p) for p in shares[::4]]) == pytest.approx(0.95, abs=0.02)


def test_one_sided_bound_by_enumeration():
    for n in (3, 12):
        k = np.arange(n + 1)
        bounds = np.array([at_least(int(i), n) for i in k])
        for p in (0.2, 0.368, 0.6, 0.779, 0.95):
            assert stats.binom.pmf(k, n, p)[bounds <= p].sum() >= 0.95 - 1e-12


def test_newcombe_covers_by_simulation():
    rng = np.random.default_rng(21)
    held, runs = 0, 1500
    for _ in range(runs):
        got = newcombe_difference(int(rng.binomial(12, 0.9)), 12, int(rng.binomial(15, 0.6)), 15)
        held += got.low <= 0.3 <= got.high
    assert 0.93 <= held / runs <= 0.985


@pytest.mark.parametrize(
    ("k", "n"),
    [(0, 0), (4, 3), (-1, 3), (1.5, 3), (None, 3), (1, None), (math.nan, 3), ("1", 3), (1, math.inf)],
)
def test_bad_counts_are_refused(k, n):
    for method in (clopper_pearson, wilson, jeffreys):
        got = method(k, n)
        assert (got.low, got.high, got.share) == (None, None, None) and got.reason
    assert at_least(k, n) is None and at_most(k, n) is None
    assert newcombe_difference(k, n, 1, 2).reason and newcombe_difference(1, 2, k, n).difference is None
    assert "passed:" not in in_words(k, n)


@pytest.mark.parametrize("level", [0, 1, 95, None, math.nan])
def test_bad_levels_are_refused(level):
    for method in (clopper_pearson, wilson, jeffreys):
        assert method(1, 3, level).low is None and method(1, 3, level).reason
    assert all_passed_bound(3, level) is None
    assert in_words(3, 3, level) == "the level must lie between 0 and 1"


@properties
@given(counts)
def test_mirror_and_order(pair):
    k, n = pair
    for method in (clopper_pearson, wilson, jeffreys):
        low, high = method(k, n)
        other_low, other_high = method(n - k, n)
        assert (other_low, other_high) == (
            pytest.approx(1 - high, abs=1e-9),
            pytest.approx(1 - low, abs=1e-9),
        )
        assert 0 <= low <= k / n <= high <= 1
    there, back = newcombe_difference(k, n, 3, 7), newcombe_difference(3, 7, k, n)
    assert (there.low, there.high) == (
        pytest.approx(-back.high, abs=1e-12),
        pytest.approx(-back.low, abs=1e-12),
    )


@properties
@given(counts, st.floats(0.5, 0.99))
def test_more_confidence_is_never_narrower(pair, level):
    k, n = pair
    for method in (clopper_pearson, wilson, jeffreys):
        inner, outer = method(k, n, level), method(k, n, level + 0.5 * (1 - level))
        assert outer.low <= inner.low + 1e-12 and outer.high >= inner.high - 1e-12
    assert at_least(k, n, level) <= k / n <= at_most(k, n, level)

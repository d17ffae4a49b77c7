"""Tolerance factors and claims on every item against tables, quadrature and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from comparisons.analysis.conformity import every_item, tolerance_k
from comparisons.analysis.tolerance import confidence_above, lower_bound, noncentral_t, spread_of

properties = settings(deadline=None, derandomize=True, max_examples=30)

# CMH-17-1G (2012), section 8.3.11, sample data (read in the tests of the R package cmstatr 0.9).
CMH17_NORMAL = [
    137.4438, 139.5395, 150.89, 141.4474, 141.8203, 151.8821, 143.9245, 132.9732, 136.6419,
    138.1723, 148.7668, 143.283, 143.5429, 141.7023, 137.4732, 152.338, 144.1589, 128.5218,
]  # fmt: skip
CMH17_BATCHES = [
    99.0239966, 103.341238, 100.30213, 98.4634133, 92.264728, 103.487693, 113.734763, 108.172659, 108.426732,
    116.260375, 121.04961, 111.223082, 104.574843, 103.222552, 99.3918538, 87.3421658, 102.730741, 96.3694916,
    99.5946088, 97.0712407,
]  # fmt: skip


# --- published factors ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n", "coverage", "confidence", "k", "digits"),
    [
        # NIST/SEMATECH e-Handbook, 7.2.6.3, exact values beside Natrella's approximation.
        (43, 0.90, 0.99, 1.8740, 5e-5),
        (6, 0.90, 0.99, 4.4111, 5e-5),
        # US EPA 2009 Unified Guidance, Table 17-3, and the EnvStats manual.
        (8, 0.95, 0.95, 3.187294, 5e-7),
        (20, 0.99, 0.90, 3.051543, 5e-7),
        # ISO 16269-6, share and confidence 95 % (from memory).
        (2, 0.95, 0.95, 26.26, 5e-3),
        (3, 0.95, 0.95, 7.656, 5e-4),
        (5, 0.95, 0.95, 4.203, 5e-4),
        (10, 0.95, 0.95, 2.911, 5e-4),
        # CMH-17-1G (2012), tables of k_B (share 90 %) and k_A (99 %), read in the tests of R cmstatr, which
        # allow the handbook's last digit to be 2 off.
        (2, 0.90, 0.95, 20.581, 2e-3),
        (3, 0.90, 0.95, 6.157, 2e-3),
        (10, 0.90, 0.95, 2.355, 2e-3),
        (50, 0.90, 0.95, 1.646, 2e-3),
        (95, 0.90, 0.95, 1.534, 2e-3),
        (2, 0.99, 0.95, 37.094, 2e-3),
        (3, 0.99, 0.95, 10.553, 2e-3),
        (10, 0.99, 0.95, 3.981, 2e-3),
        (75, 0.99, 0.95, 2.748, 2e-3),
    ],
)
def test_one_sided_factor(n, coverage, confidence, k, digits):
    assert tolerance_k(n, coverage, confidence).one_sided == pytest.approx(k, abs=digits)


def test_share_and_confidence_are_not_interchangeable():
    assert tolerance_k(20, 0.90, 0.99).one_sided < tolerance_k(20, 0.99, 0.90).one_sided - 0.5


def test_two_sided_factor():
    # EnvStats manual: n 20, 95/95, exact 2.760346. NIST/SEMATECH e-Handbook 7.2.6.3: Howe's approximation
    # 2.217 at n 43, 90/99, which the exact one meets within half a percent.
    assert tolerance_k(20, 0.95, 0.95).two_sided == pytest.approx(2.760346, abs=5e-7)
    assert tolerance_k(43, 0.90, 0.99).two_sided == pytest.approx(2.217, rel=5e-3)


def test_factors_tend_to_the_normal_quantiles():
    k = tolerance_k(10**6, 0.95, 0.95)
    assert k.one_sided == pytest.approx(stats.norm.ppf(0.95), abs=0.004)
    assert k.two_sided == pytest.approx(stats.norm.ppf(0.975), abs=0.004)


@pytest.mark.parametrize(
    "args",
    [(1, 0.95, 0.95), (None, 0.9, 0.9), (2.5, 0.9, 0.9), (5, 95, 0.95), (5, 0.9, 1.0), (math.nan, 0.9, 0.9)],
)
def test_factor_refuses(args):
    k = tolerance_k(*args)
    assert k.one_sided is None and k.two_sided is None and k.reason


def test_chrysene_upper_tolerance_limit():
    # US EPA 2009 Unified Guidance, Example 17-3: lognormal 95/95 upper tolerance limit of the eight
    # background values, 90.9247 ppb (EnvStats manual).
    background = [19.7, 39.2, 7.8, 12.8, 10.2, 7.2, 16.1, 5.7]
    result = every_item(np.log(background), high=math.log(90.9247), coverage=0.95, confidence=0.95)
    assert math.exp(result.bound_high) == pytest.approx(90.9247, abs=5e-4)
    assert result.p == pytest.approx(0.95, abs=1e-5)


def test_basis_values_of_cmh_17():
    # B-basis (90/95) 129.287 and A-basis (99/95) 120.336 of the STAT17 program, as printed in cmstatr's
    # tests; STAT17 uses an approximation good to about 0.02.
    for coverage, basis in ((0.90, 129.287), (0.99, 120.336)):
        result = every_item(CMH17_NORMAL, low=100.0, coverage=coverage)
        assert result.bound_low == pytest.approx(basis, abs=0.03)


def test_nested_basis_value_of_cmh_17():
    # CMH-17-1G, 8.3.11.2.2: three batches, B-basis 63.2 by Vangel's approximation. The generalised limit is
    # another method, on the safe side at three batches; both lie far below the pooled bound that treats
    # the twenty as independent.
    batch = np.repeat(["1", "2", "3"], [7, 7, 6])
    nested = every_item(CMH17_BATCHES, low=60, coverage=0.90, unit_ids=batch).bound_low
    pooled = every_item(CMH17_BATCHES, low=60, coverage=0.90).bound_low
    assert nested == pytest.approx(63.2, abs=4)
    assert pooled > 84


# --- independent computation ---------------------------------------------------------------------


def test_independent_items_agree_with_integration_over_the_sd():
    # P(mean - k s <= quantile) as an integral over the chi distribution of s, without a noncentral t.
    rng = np.random.default_rng(4)
    for n in (2, 3, 5, 9, 30):
        k, coverage = float(rng.uniform(1, 4)), float(rng.uniform(0.6, 0.99))
        z = stats.norm.ppf(coverage)
        chi = stats.chi(n - 1)

        def inner(s, k=k, z=z, n=n, chi=chi):
            return chi.pdf(s) * stats.norm.cdf(math.sqrt(n) * (k * s / math.sqrt(n - 1) - z))

        expected = integrate.quad(inner, 0, math.inf, epsabs=1e-12)[0]
        x = rng.normal(0, 1, n)
        limit = float(x.mean() - k * x.std(ddof=1))
        assert every_item(x, low=limit, coverage=coverage).p == pytest.approx(expected, abs=1e-9)


def test_spread_of_unbalanced_data():
    # Thomas and Hultquist 1978 (from memory): unweighted mean of unit means, harmonic number per unit; the
    # within-unit variance is that of a one-way analysis of variance.
    unit = np.array([2, 0, 0, 1, 2, 2, 1, 0, 2])
    x = np.array([5.0, 1.0, 2.0, 9.0, 6.0, 7.0, 8.0, 3.0, 4.0])
    s = spread_of(x, unit)
    parts = [x[unit == i] for i in range(3)]
    assert s.mean == pytest.approx(np.mean([p.mean() for p in parts]))
    assert s.sd_means == pytest.approx(np.std([p.mean() for p in parts], ddof=1))
    assert s.within == pytest.approx(sum(p.var() * p.size for p in parts) / 6)
    assert (s.units, s.within_dof) == (3, 6)
    assert s.extra == pytest.approx(1 - stats.hmean([3, 2, 4]) ** -1)


def test_nested_confidence_agrees_with_draws():
    # The generalised confidence limit by its own definition: 200 000 draws of the three pivots.
    rng = np.random.default_rng(5)
    unit = np.repeat(np.arange(4), [2, 3, 5, 3])
    x = 20 + rng.normal(0, 1.5, 4)[unit] + rng.normal(0, 1, unit.size)
    s = spread_of(x, unit)
    draws = 200_000
    u, v = rng.chisquare(3, draws) / 3, rng.chisquare(s.within_dof, draws) / s.within_dof
    z = stats.norm.ppf(0.9)
    low = s.mean - rng.standard_normal(draws) * s.sd_means / np.sqrt(4 * u)
    low -= z * np.sqrt(s.sd_means**2 / u + s.extra * s.within / v)
    for limit in (10.0, 14.0, 18.0):
        assert confidence_above(s, limit, 0.9) == pytest.approx(np.mean(low >= limit), abs=0.005)


def test_noncentral_t_agrees_with_integration():
    # E over the chi distribution of the normal distribution function; both branches, either side of a shift
    # of 50, and where the library's own series gives up.
    def reference(dof, shift, t):
        chi = stats.chi(dof)
        inner = lambda s: chi.pdf(s) * stats.norm.cdf(t * s / math.sqrt(dof) - shift)  # noqa: E731
        centre = shift / t * math.sqrt(dof) if t * shift > 0 else 1.0
        return integrate.quad(inner, 0, math.sqrt(dof) * 8 + 8, points=[centre], limit=400, epsabs=1e-12)[0]

    for dof in (1, 4, 30):
        for shift, t in ((-2.0, 1.0), (3.0, 4.0), (45.0, 40.0), (49.9, 55.0), (50.1, 55.0), (70.0, 90.0)):
            assert float(noncentral_t(dof, shift, t)) == pytest.approx(reference(dof, shift, t), abs=1e-8)
            assert float(noncentral_t(dof, -shift, -t)) == pytest.approx(
                1 - reference(dof, shift, t), abs=1e-8
            )
    assert noncentral_t(2, 200.0, [-1e4, 0.0, 1e9]).tolist() == [0.0, 0.0, pytest.approx(1.0)]
    assert noncentral_t(2, -200.0, [1e4, 0.0]).tolist() == [1.0, 1.0]


def test_unit_means_that_all_but_agree():
    # The unit means differ by 3e-5 only and the specimens by 100: slow or lost digits in a plain series.
    result = every_item([1, 1, 100, 100.0001, 1, 1], low=0.5, unit_ids=[0, 1] * 3)
    assert 0 < result.p < 0.95 and result.bound_low < 0


def test_one_specimen_a_unit_is_the_plain_case():
    x = [12.1, 11.8, 12.4, 12.0, 11.9, 12.2]
    plain, nested = every_item(x, low=10.9), every_item(x, low=10.9, unit_ids=list("abcdef"))
    assert (plain.p, plain.statement, plain.bound_low) == (nested.p, nested.statement, nested.bound_low)
    assert plain.flags == ("items taken as independent",) and nested.flags == ()


def test_nearly_one_specimen_a_unit_is_nearly_the_plain_case():
    # A second specimen that equals the first adds nothing: the quadrature must meet the noncentral t.
    x = np.array([12.1, 11.8, 12.4, 12.0, 11.9, 12.2])
    jitter = 1e-9 * np.tile([1, -1], 6)
    twice = every_item(np.repeat(x, 2) + jitter, low=10.9, unit_ids=np.repeat(np.arange(6), 2))
    assert twice.p == pytest.approx(every_item(x, low=10.9).p, abs=1e-6)


def test_lower_bound_is_where_the_confidence_is_reached():
    rng = np.random.default_rng(6)
    for counts in ([3, 3], [2, 4, 1], [5] * 6, [1] * 8):
        unit = np.repeat(np.arange(len(counts)), counts)
        s = spread_of(rng.normal(50, 2, unit.size) + rng.normal(0, 1, len(counts))[unit], unit)
        bound = lower_bound(s, 0.9, 0.95)
        assert confidence_above(s, bound, 0.9) == pytest.approx(0.95, abs=1e-8)


# --- risk by simulation --------------------------------------------------------------------------


def test_wrong_fails_of_few_units_stay_within_their_risk():
    # Two units alike but for a fifth of the variance: taken at the full error, the nested limit would fail
    # wrongly in about 8 % of studies, so a fail is said only from half the error on.
    rng = np.random.default_rng(12)
    unit = np.repeat([0, 1], 5)
    limit = -stats.norm.ppf(0.95) * math.sqrt(1.25)
    studies = [rng.normal(0, 1, 10) + 0.5 * rng.normal(0, 1, 2)[unit] for _ in range(600)]
    p = np.array([confidence_above(spread_of(x, unit), limit, 0.95) for x in studies])
    assert np.mean(p < 0.05) > 0.06
    assert np.mean(p < 0.025) <= 0.055
    near = np.flatnonzero((p > 0.01) & (p < 0.05))
    assert near.size > 10
    for i in near:
        said = every_item(studies[i], low=limit, unit_ids=unit, guard=1e6).statement
        assert (said == "fail") == (p[i] < 0.025)


def test_two_sided_factor_covers():
    rng = np.random.default_rng(7)
    k = tolerance_k(6, 0.9, 0.95).two_sided
    x = rng.standard_normal((20_000, 6))
    mean, sd = x.mean(axis=1), x.std(axis=1, ddof=1)
    held = stats.norm.cdf(mean + k * sd) - stats.norm.cdf(mean - k * sd)
    assert np.mean(held >= 0.9) == pytest.approx(0.95, abs=0.006)


@pytest.mark.parametrize(("counts", "between"), [([1] * 6, 0.0), ([4] * 4, 1.0), ([2, 5, 3, 6], 2.0)])
def test_wrong_pass_and_wrong_fail_are_rare(counts, between):
    # The truth: exactly 90 % of items at or above the limit. Fails by a single specimen are left out by a
    # guard band that none can exceed.
    rng = np.random.default_rng(8)
    unit = np.repeat(np.arange(len(counts)), counts)
    limit = -stats.norm.ppf(0.9) * math.sqrt(1 + between**2)
    runs = 200
    said = []
    for _ in range(runs):
        x = rng.normal(0, 1, unit.size) + between * rng.normal(0, 1, len(counts))[unit]
        said.append(every_item(x, low=limit, coverage=0.9, unit_ids=unit, guard=1e6).statement)
    bound = 0.05 + 3 * math.sqrt(0.05 * 0.95 / runs)
    assert said.count("pass") / runs <= bound
    assert said.count("fail") / runs <= bound
    if between != 1.0:
        assert said.count("pass") > 0


def test_treating_nested_specimens_as_independent_would_pass_too_often():
    rng = np.random.default_rng(9)
    unit = np.repeat(np.arange(3), 6)
    limit = -stats.norm.ppf(0.9) * math.sqrt(5)
    passes = {"nested": 0, "pooled": 0}
    for _ in range(120):
        x = rng.normal(0, 1, 18) + 2 * rng.normal(0, 1, 3)[unit]
        passes["nested"] += (
            every_item(x, low=limit, coverage=0.9, unit_ids=unit, guard=1e6).statement == "pass"
        )
        passes["pooled"] += every_item(x, low=limit, coverage=0.9, guard=1e6).statement == "pass"
    assert passes["nested"] <= 120 * 0.1
    assert passes["pooled"] >= 120 * 0.15


def test_two_limits_rarely_pass_wrongly():
    rng = np.random.default_rng(10)
    half = stats.norm.ppf(0.95)  # exactly 90 % within
    said = [
        every_item(rng.standard_normal(8), -half, half, coverage=0.9, guard=1e6).statement for _ in range(500)
    ]
    assert said.count("pass") <= 500 * 0.05
    assert said.count("fail") <= 500 * 0.08


def test_two_limits_halve_the_share_outside_and_the_error():
    x = [10.2, 9.8, 10.9, 10.4, 10.1, 10.6]
    side = every_item(x, low=7.0, coverage=0.95)  # 5 % outside one limit ...
    both = every_item(x, 7.0, 1000.0, coverage=0.90)  # ... is half of 10 % outside two
    assert both.p == pytest.approx(1 - 2 * (1 - side.p))
    assert both.bound_low == pytest.approx(every_item(x, low=7.0, coverage=0.95, confidence=0.975).bound_low)
    assert both.bound_high - np.mean(x) == pytest.approx(np.mean(x) - both.bound_low)


# --- statements ----------------------------------------------------------------------------------


def test_four_statements_in_turn():
    x = np.array([10.2, 9.8, 10.9, 10.4, 10.1, 10.6])
    words = [every_item(x, low=low).statement for low in (8.0, 9.6, 9.79, 10.9)]
    assert words == ["pass", "conditional_pass", "conditional_fail", "fail"]


def test_a_specimen_beyond_its_guard_band_fails():
    x = [12.0, 12.1, 11.9, 12.0, 12.2, 9.9]
    assert every_item(x, low=10.0).statement == "fail"
    assert every_item(x, low=10.0, guard=0.2).statement != "fail"
    each = every_item(x, low=10.0, guard=[0, 0, 0, 0, 0, 0.2])
    assert each.statement != "fail" and each.guard == 0.2
    assert "beyond the limit" in every_item(x, low=10.0).flags[-1]


def test_equal_readings_still_fail_where_they_lie_beyond():
    fails, unknown = every_item([5.0] * 6, low=10.0), every_item([15.0] * 6, low=10.0)
    assert (fails.statement, fails.p) == ("fail", None) and fails.reason
    assert (unknown.statement, unknown.p) == (None, None) and "no spread" in unknown.reason


def test_fail_by_the_quantile():
    rng = np.random.default_rng(11)
    x = rng.normal(10, 1, 60)
    result = every_item(x, low=9.9, guard=50)  # nearly half lie below, none by more than its guard band
    assert result.statement == "fail" and result.p < 1e-6
    assert every_item(x, 9.9, 40.0, guard=50).statement == "fail"


@pytest.mark.parametrize(
    ("kwargs", "reason"),
    [
        (dict(values=[1.0]), "one specimen cannot speak for every item"),
        (dict(values=[]), "one specimen cannot speak for every item"),
        (dict(values=[1.0, None, 2.0]), "a value is absent or not a finite number"),
        (dict(values=[1.0, math.nan]), "a value is absent or not a finite number"),
        (dict(values=[[1.0, 2.0]]), "a value is absent or not a finite number"),
        (dict(values=["1", "2"]), "a value is absent or not a finite number"),
        (dict(unit_ids=["a", "a", "a"]), "one unit only: it cannot speak for every item"),
        (dict(unit_ids=["a", "b"]), "the units do not match the values"),
        (dict(unit_ids=["a", None, "b"]), "the units do not match the values"),
        (dict(unit_ids=[0, -1, 1]), "the units do not match the values"),
        (dict(low=None), "no limit to compare with"),
        (dict(low=math.nan), "a limit is not a finite number"),
        (dict(high=0.5), "the lower limit is not below the upper limit"),
        (dict(coverage=95), "the share of items must lie between 0 and 1"),
        (dict(confidence=0.4), "the confidence must lie between 0.5 and 1"),
        (dict(guard=-1), "the guard band is not a number of at least zero for each specimen"),
        (dict(guard=[0, 0]), "the guard band is not a number of at least zero for each specimen"),
        (dict(guard=None), "the guard band is not a number of at least zero for each specimen"),
    ],
)
def test_every_item_refuses_with_a_reason(kwargs, reason):
    given_ = dict(values=[1.0, 1.2, 1.1], low=0.5, high=None) | kwargs
    values = given_.pop("values")
    result = every_item(values, given_.pop("low"), given_.pop("high"), **given_)
    assert (result.p, result.statement, result.reason) == (None, None, reason)


# --- properties ----------------------------------------------------------------------------------

readings = st.lists(st.floats(1, 100), min_size=4, max_size=12)


@properties
@given(readings, st.floats(0.5, 90), st.integers(2, 4), st.sampled_from([1e-3, 25.4]), st.randoms())
def test_units_order_and_mirror_change_nothing(x, low, units, factor, random):
    x = np.array(x)
    unit = np.arange(x.size) % units
    base = every_item(x, low, unit_ids=unit)
    order = list(range(x.size))
    random.shuffle(order)
    shuffled = every_item(x[order], low, unit_ids=unit[order])
    scaled = every_item(x * factor, low * factor, unit_ids=unit)
    mirrored = every_item(-x, None, -low, unit_ids=unit)
    for other in (shuffled, scaled, mirrored):
        if base.p is None or other.p is None:
            assert base.statement == other.statement
        elif np.ptp(x) > 1e-3:
            assert other.p == pytest.approx(base.p, rel=1e-5, abs=1e-7)
    if base.bound_low is not None and scaled.bound_low is not None and np.ptp(x) > 1e-3:
        assert scaled.bound_low == pytest.approx(base.bound_low * factor, rel=1e-6, abs=1e-4 * factor)
        assert mirrored.bound_high == pytest.approx(-base.bound_low, rel=1e-6, abs=1e-4)


@properties
@given(
    st.lists(st.one_of(st.none(), st.floats(), st.integers(-5, 5)), max_size=8),
    st.one_of(st.none(), st.floats()),
    st.one_of(st.none(), st.floats()),
    st.booleans(),
)
def test_never_raises_and_never_gives_nan(x, low, high, with_units):
    unit = [i // 2 for i in range(len(x))] if with_units else None
    result = every_item(x, low, high, unit_ids=unit)
    assert result.statement is not None or result.reason
    for value in (result.p, result.guard, result.risk, result.bound_low, result.bound_high):
        assert value is None or math.isfinite(value)
    assert result.p is None or 0 <= result.p <= 1

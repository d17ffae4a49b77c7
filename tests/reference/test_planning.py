"""Numbers of items against Cohen's examples, the NIST handbook, statsmodels and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.power import TTestIndPower, TTestPower

from comparisons.analysis.planning import (
    margin_of,
    n_against_limit,
    n_for_margin,
    n_for_margin_from_pilot,
    n_to_tell,
    n_to_tell_from_pilot,
    power_one_sample,
    power_two_samples,
    sd_upper,
)

properties = settings(deadline=None, derandomize=True, max_examples=60)


# --- published examples --------------------------------------------------------------------------


@pytest.mark.parametrize(("margin", "n"), [(0.25, 64), (0.5, 18), (0.75, 10), (1.0, 7)])
def test_n_for_a_half_width(margin, n):
    # EnvStats manual, ciNormN: n for a 95 % half-width of 0.25, 0.5, 0.75 and 1 SD.
    assert n_for_margin(1.0, margin).n == n


def test_power_of_cohen_example_2_1():
    # Cohen 1988, example 2.1 (R package pwr): d = 2/2.8, 30 in each group, two-sided 5 %: 0.7764888766.
    assert power_two_samples(30, 2 / 2.8) == pytest.approx(0.7764888766, abs=1e-9)


def test_n_of_cohen_example_2_10():
    # Cohen 1988, example 2.10 (R package pwr): d = 0.30, power 0.75, one-sided 5 %: n = 120.2232 -> 121.
    assert n_to_tell(0.30, 1.0, power=0.75, sided=1).n == 121
    assert power_two_samples(120, 0.3, sided=1) < 0.75 < power_two_samples(121, 0.3, sided=1)


def test_power_of_cohen_example_2_5():
    # Cohen 1988, example 2.5 (R package pwr): one sample, d = 0.2, n = 60, two-sided 10 %: 0.4555817641.
    assert power_one_sample(60, 0.2, 0.10, sided=2) == pytest.approx(0.4555817641, abs=1e-9)


def test_power_of_the_r_documentation():
    # R, help page of power.t.test: n = 20, delta 1, SD 1: 0.8689528 (the far tail adds 2e-7).
    assert power_two_samples(20, 1.0) == pytest.approx(0.8689528, abs=5e-7)


def test_n_against_a_limit_of_the_handbook():
    # NIST/SEMATECH e-Handbook, 7.2.2.2: a shift of one SD, one-sided 5 %, beta 10 %: 8.567 by the normal
    # distribution, 10.6 by the t, so 11.
    plan = n_against_limit(1.0, 1.0, power=0.90, alpha=0.05)
    assert plan.n == 11
    assert plan.achieved >= 0.90 > power_one_sample(10, 1.0)


def test_upper_limit_of_an_sd():
    # Boost.Math documentation, 95 % two-sided multipliers of an SD: n 2 31.9102, 3 6.2847, 5 2.8736,
    # 10 1.8256, 30 1.3443.
    for n, multiplier in ((2, 31.9102), (3, 6.2847), (5, 2.8736), (10, 1.8256), (30, 1.3443)):
        assert sd_upper(1.0, n - 1, 0.975) == pytest.approx(multiplier, abs=6e-5)


# --- an independent library ----------------------------------------------------------------------


def test_agreement_with_statsmodels():
    rng = np.random.default_rng(50)
    two, one = TTestIndPower(), TTestPower()
    for _ in range(60):
        # Kept away from powers near one, where statsmodels gives NaN.
        n, d = int(rng.integers(2, 30)), float(rng.uniform(0.1, 0.9))
        alpha = float(rng.uniform(0.005, 0.2))
        for sided, name in ((2, "two-sided"), (1, "larger")):
            expected = two.power(d, n, alpha, alternative=name)
            assert power_two_samples(n, d, alpha, sided=sided) == pytest.approx(expected, abs=1e-9)
            expected = one.power(d, n, alpha, alternative=name)
            assert power_one_sample(n, d, alpha, sided=sided) == pytest.approx(expected, abs=1e-9)


def test_n_agrees_with_statsmodels():
    for d, power, alpha in ((0.5, 0.8, 0.05), (1.0, 0.9, 0.01), (0.25, 0.8, 0.05), (1.7, 0.95, 0.05)):
        exact = TTestIndPower().solve_power(d, power=power, alpha=alpha)
        assert n_to_tell(d, 1.0, power=power, alpha=alpha).n == math.ceil(exact)
        exact = TTestPower().solve_power(d, power=power, alpha=alpha, alternative="larger")
        assert n_against_limit(d, 1.0, power=power, alpha=alpha).n == math.ceil(exact)


# --- simulation ----------------------------------------------------------------------------------


def test_planned_power_is_reached():
    rng = np.random.default_rng(51)
    plan = n_to_tell(8.0, 6.0, power=0.8)
    a, b = rng.normal(100, 6, (6000, plan.n)), rng.normal(108, 6, (6000, plan.n))
    told = stats.ttest_ind(a, b, axis=1).pvalue < 0.05
    assert told.mean() == pytest.approx(plan.achieved, abs=0.02)
    assert plan.achieved >= 0.8


def test_cautious_number_suffices_as_often_as_it_says():
    rng = np.random.default_rng(52)
    needed = n_to_tell(10.0, 10.0).n
    runs = 400
    cautious = likely = 0
    for _ in range(runs):
        plan = n_to_tell_from_pilot(rng.normal(100, 10, 5), 10.0, assurance=0.8)
        cautious += plan.n_cautious >= needed
        likely += plan.n >= needed
    assert cautious / runs == pytest.approx(0.8, abs=0.07)
    assert likely / runs < 0.6  # a pilot's own SD is too low more often than not


# --- plans ---------------------------------------------------------------------------------------


def test_the_least_number_is_the_least():
    for cv in (1, 5, 12, 40):
        for margin in (0.5, 2, 5, 20, 300):
            n = n_for_margin(cv, margin).n
            assert margin_of(n, cv) <= margin
            assert n == 2 or margin_of(n - 1, cv) > margin


def test_words():
    assert n_for_margin(10, 5).words == "18 items give a margin of 4.97 % at a CV of 10 %"
    pilot = [9.2, 10.4, 10.1, 10.9, 9.6]
    assert (
        "to be 80 % sure, as the SD comes from only 5 items, 19 items"
        in n_for_margin_from_pilot(pilot, 5).words
    )
    assert (
        n_to_tell(10, 10).words == "17 items of each product tell a difference of 1 SD with a power of 81 %"
    )


def test_pilot_uses_its_own_mean_and_sd():
    pilot = [9.2, 10.4, 10.1, 10.9, 9.6]
    cv = 100 * np.std(pilot, ddof=1) / np.mean(pilot)
    plan = n_for_margin_from_pilot(pilot, 5)
    assert plan.n == n_for_margin(cv, 5).n
    assert plan.assumed == pytest.approx(cv)
    upper = cv * math.sqrt(4 / stats.chi2.ppf(0.2, 4))
    assert plan.n_cautious == n_for_margin(upper, 5).n


@pytest.mark.parametrize(
    ("plan", "reason"),
    [
        (lambda: n_for_margin(0, 5), "no spread to plan with"),
        (lambda: n_for_margin(None, 5), "no spread to plan with"),
        (lambda: n_for_margin(10, 0), "the wanted margin must be above zero"),
        (lambda: n_for_margin(10, math.nan), "the wanted margin must be above zero"),
        (lambda: n_for_margin(10, 5, level=95), "the level must lie between 0 and 1"),
        (lambda: n_for_margin(10, 1e-4), "more than a million items: out of reach"),
        (lambda: n_to_tell(0, 1), "the difference to tell must not be zero"),
        (lambda: n_to_tell(1, 0), "no spread to plan with"),
        (lambda: n_to_tell(1, -1), "no spread to plan with"),
        (lambda: n_to_tell(1, 1, power=1), "power and significance must lie between 0 and 1"),
        (lambda: n_to_tell(1, 1, power=0.04), "the power must exceed the significance"),
        (lambda: n_to_tell(1, 1, sided=3), "a test has one side or two"),
        (lambda: n_to_tell(1e-5, 1), "more than a million items: out of reach"),
        (lambda: n_against_limit(0, 1), "the difference to tell must not be zero"),
        (lambda: n_for_margin_from_pilot([10.0], 5), "a pilot needs at least 2 independent items"),
        (
            lambda: n_for_margin_from_pilot([10.0, 10.0], 5),
            "the pilot values are all equal: no spread to plan with",
        ),
        (lambda: n_for_margin_from_pilot([10.0, None], 5), "a pilot value is absent or not a finite number"),
        (
            lambda: n_for_margin_from_pilot([-10.0, -11.0, -9.0], 5),
            "the pilot's mean is not clear of zero: a margin in percent has no meaning",
        ),
        (
            lambda: n_for_margin_from_pilot([0.5, -0.4, 0.3], 5),
            "the pilot's mean is not clear of zero: a margin in percent has no meaning",
        ),
        (
            lambda: n_to_tell_from_pilot([1.0, 2.0], 1, assurance=0.5),
            "the assurance must lie between 0.5 and 1",
        ),
        (lambda: n_to_tell_from_pilot([1.0, 2.0], 0), "the difference to tell must not be zero"),
    ],
)
def test_refusals(plan, reason):
    got = plan()
    assert (got.n, got.n_cautious, got.achieved, got.reason) == (None, None, None, reason)


def test_a_pilot_of_two_says_how_little_it_knows():
    plan = n_to_tell_from_pilot([10.0, 11.0], 0.5)
    assert plan.n_cautious > 10 * plan.n
    beyond = n_to_tell_from_pilot([10.0, 11.0], 0.003)
    assert beyond.n is not None and beyond.n_cautious is None
    assert beyond.words.endswith("more than a million items")


# --- properties ----------------------------------------------------------------------------------


@properties
@given(
    st.lists(st.floats(50, 150), min_size=3, max_size=10),
    st.floats(2, 30),
    st.sampled_from([1e-3, 25.4]),
    st.randoms(),
)
def test_units_and_order_change_nothing(pilot, margin, factor, random):
    pilot = np.array(pilot)
    if np.ptp(pilot) < 1:
        return
    order = list(range(pilot.size))
    random.shuffle(order)
    plans = [n_for_margin_from_pilot(x, margin) for x in (pilot, pilot * factor, pilot[order])]
    assert len({p.reason for p in plans}) == 1
    if plans[0].n is not None:
        assert max(p.n for p in plans) - min(p.n for p in plans) <= 1  # a rounding error may decide a tie
        assert plans[0].n_cautious >= plans[0].n
    tell = [n_to_tell_from_pilot(x, d) for x, d in ((pilot, 5.0), (pilot * factor, 5.0 * factor))]
    assert abs(tell[0].n - tell[1].n) <= 1


@properties
@given(st.floats(0.2, 4), st.floats(0.2, 0.99), st.floats(0.001, 0.15))
def test_more_power_needs_more_items(effect, power, alpha):
    n = n_to_tell(effect, 1.0, power=power, alpha=alpha).n
    assert n_to_tell(-effect, 1.0, power=power, alpha=alpha).n == n
    assert n_to_tell(effect, 1.0, power=power + 0.5 * (1 - power), alpha=alpha).n >= n
    assert n_to_tell(effect / 2, 1.0, power=power, alpha=alpha).n >= n


anything = st.one_of(st.none(), st.floats(), st.integers(-2, 3))


@properties
@given(anything, anything, st.lists(anything, max_size=5))
def test_plans_never_raise(a, b, pilot):
    for plan in (
        n_for_margin(a, b),
        n_to_tell(a, b),
        n_against_limit(a, b),
        n_for_margin_from_pilot(pilot, a),
        n_to_tell_from_pilot(pilot, b),
    ):
        assert (plan.n is None) == bool(plan.reason)
        assert plan.achieved is None or math.isfinite(plan.achieved)

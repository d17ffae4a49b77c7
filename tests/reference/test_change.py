"""Changes in percent against published ratio intervals, statsmodels and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.weightstats import DescrStatsW

from comparisons.analysis.change import fieller, fieller_g, paired, separate

properties = settings(deadline=None, derandomize=True, max_examples=120)


def _summary(x):
    x = np.asarray(x, dtype=float)
    return float(x.mean()), float(x.std(ddof=1) / math.sqrt(x.size)), x.size - 1


# --- published examples --------------------------------------------------------------------------


def test_fieller_of_dcstats():
    # DC-Stats manual, ratio of two means: 14 (SE 3) over 7 (SE 2), t = 1.812461 -> g 0.268164, limits
    # 1.051413 and 4.414296.
    assert fieller_g(7, 2, 1.812461) == pytest.approx(0.268164, abs=5e-7)
    low, high = fieller(14, 3, 7, 2, 1.812461)
    assert (low, high) == (pytest.approx(1.051413, abs=1e-6), pytest.approx(4.414296, abs=1e-6))


@pytest.mark.parametrize(
    ("level", "low", "high"), [(0.90, 1.54, 2.64), (0.95, 1.46, 2.83), (0.99, 1.27, 3.36)]
)
def test_fieller_of_quickcalcs(level, low, high):
    # GraphPad QuickCalcs help, confidence interval of a quotient: 14 (SD 3, n 6) over 7 (SD 2, n 6), 10
    # degrees of freedom.
    t = float(stats.t.ppf((1 + level) / 2, 10))
    got = fieller(14, 3 / math.sqrt(6), 7, 2 / math.sqrt(6), t)
    assert got == (pytest.approx(low, abs=0.005), pytest.approx(high, abs=0.005))


# Hauschke, Kieser and Hothorn 1999, Biom. J. 41:295 (serum ASAT; data of the R package mratios).
ASAT_CONTROL = [
    1.33, 1.78, 1.53, 1.95, 1.83, 1.47, 1.87, 1.55, 2.58, 2.17, 1.97, 1.62, 2.25, 3.53, 2.92, 1.78, 2.22,
    2.55, 2.75,
]  # fmt: skip
ASAT_TREATED = [1.53, 1.75, 2.12, 2.83, 2.58, 2.37, 2.92, 2.08, 3.01, 2.67, 2.06, 2.25, 3.08, 2.01, 1.58]


def test_fieller_of_mratios():
    # R mratios, pooled variance: two-sided 95 % 0.9348870551 to 1.3246109893; one-sided upper 1.286014831.
    a, b = np.array(ASAT_TREATED), np.array(ASAT_CONTROL)
    dof = a.size + b.size - 2
    pooled = math.sqrt((a.var(ddof=1) * (a.size - 1) + b.var(ddof=1) * (b.size - 1)) / dof)
    args = a.mean(), pooled / math.sqrt(a.size), b.mean(), pooled / math.sqrt(b.size)
    got = fieller(*args, stats.t.ppf(0.975, dof))
    assert got == (pytest.approx(0.9348870551, abs=1e-9), pytest.approx(1.3246109893, abs=1e-9))
    assert fieller(*args, stats.t.ppf(0.95, dof))[1] == pytest.approx(1.286014831, abs=1e-9)


def test_separate_on_the_asat_data():
    # Unequal variances and the logarithm shift the interval of mratios by little here.
    got = separate(*_summary(ASAT_TREATED), *_summary(ASAT_CONTROL))
    assert got.method.endswith("delta method on the logarithm")
    low, high = got.ci_pct
    assert (low, high) == (pytest.approx(-6.5, abs=1.5), pytest.approx(32.5, abs=1.5))
    assert got.flags == ("no change shown",)


def test_paired_against_a_published_paired_t():
    # Student 1908, Biometrika 6:1 (sleep data): paired t -4.0621 on 9 degrees of freedom, p 0.002833,
    # difference -1.58 with interval -2.4598858 to -0.7001142. Taken as logarithms, the change is their
    # exponential.
    d1 = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0, 2.0])
    d2 = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
    got = paired(np.exp(d1), np.exp(d2))
    logs = [math.log1p(x / 100) for x in (got.change_pct, *got.ci_pct)]
    assert logs == [pytest.approx(x, abs=5e-8) for x in (-1.58, -2.4598858, -0.7001142)]


# Dataplot reference manual, t test, sample of Bowker and Lieberman (fifteen pairs).
AFTER = [73, 43, 47, 53, 58, 47, 52, 38, 61, 56, 56, 34, 55, 65, 75]
BEFORE = [51, 41, 43, 41, 47, 32, 24, 43, 53, 52, 57, 44, 57, 40, 68]


def test_paired_is_the_t_interval_of_log_ratios():
    # Bland and Altman 1996, BMJ 312:1153: the antilog of a difference of mean logarithms is a ratio of
    # geometric means, limits and all.
    got = paired(AFTER, BEFORE)
    assert 1 + got.change_pct / 100 == pytest.approx(stats.gmean(AFTER) / stats.gmean(BEFORE))
    low, high = DescrStatsW(np.log(np.divide(AFTER, BEFORE))).tconfint_mean()
    assert got.ci_pct == (pytest.approx(100 * math.expm1(low)), pytest.approx(100 * math.expm1(high)))


# --- an independent library ----------------------------------------------------------------------


def test_paired_with_units_is_the_t_interval_of_unit_means():
    rng = np.random.default_rng(30)
    for units in (2, 3, 6):
        for per in (1, 2, 5):
            before = rng.uniform(5, 20, units * per)
            after = before * np.exp(rng.normal(-0.2, 0.1, units * per))
            unit = np.repeat(np.arange(units), per)
            means = [np.log(after / before)[unit == i].mean() for i in range(units)]
            low, high = DescrStatsW(means).tconfint_mean(alpha=0.1)
            got = paired(after, before, unit, level=0.9)
            assert got.ci_pct == (pytest.approx(100 * math.expm1(low)), pytest.approx(100 * math.expm1(high)))


def test_fieller_limits_are_where_the_t_test_turns():
    # A ratio rho is inside exactly where m - rho m0 is not shown to differ from zero.
    rng = np.random.default_rng(31)
    for _ in range(50):
        m, m0 = float(rng.normal(5, 3)), float(rng.uniform(3, 9))
        u, u0, t = float(rng.uniform(0.2, 2)), float(rng.uniform(0.1, 0.9)), 2.2
        for rho in fieller(m, u, m0, u0, t):
            assert abs(m - rho * m0) == pytest.approx(t * math.hypot(u, rho * u0), rel=1e-9)


def test_welch_degrees_of_freedom():
    # At ratio 1 the interval's edge must agree with Welch's t test of equal means (scipy).
    rng = np.random.default_rng(32)
    x, y = rng.normal(10, 3, 6), rng.normal(11, 2.5, 9)
    test = stats.ttest_ind(x, y, equal_var=False)
    m, u, dof = _summary(x)
    m0, u0, dof0 = _summary(y)
    shifted = m - (m - m0)  # means equal, so the ratio is 1 and the weights are those of Welch
    got = separate(shifted, u, dof, m0, u0, dof0)
    half = stats.t.ppf(0.975, test.df) * math.hypot(u / m0, u0 / m0)
    assert math.log1p(got.ci_pct[1] / 100) == pytest.approx(half, rel=1e-9)


def test_the_two_intervals_meet_where_the_baseline_is_well_known():
    delta = separate(80.0, 1.0, 9, 100.0, 0.5, 9)
    t = stats.t.ppf(0.975, 1 / ((1 / 1.16) ** 2 / 9 + (0.16 / 1.16) ** 2 / 9))
    exact = fieller(80.0, 1.0, 100.0, 0.5, t)
    assert delta.ci_pct == (
        pytest.approx(100 * (exact[0] - 1), abs=0.05),
        pytest.approx(100 * (exact[1] - 1), abs=0.05),
    )


# --- coverage by simulation ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n", "cv", "least", "most"), [(3, 0.08, 0.945, 0.985), (5, 0.15, 0.935, 0.975), (3, 0.4, 0.92, 1.0)]
)
def test_separate_covers(n, cv, least, most):
    rng = np.random.default_rng(33)
    held = made = 0
    for _ in range(2000):
        got = separate(*_summary(rng.normal(8, 8 * cv, n)), *_summary(rng.normal(10, 10 * cv, n)))
        if got.ci_pct is None:
            continue
        made += 1
        held += got.ci_pct[0] <= -20 <= got.ci_pct[1]
    assert least <= held / made <= most
    assert made == 2000 or cv == 0.4  # only a poorly known baseline is refused


def test_paired_covers_on_units_and_not_on_specimens():
    rng = np.random.default_rng(34)
    unit = np.repeat(np.arange(3), 5)
    held = {"units": 0, "specimens": 0}
    runs = 1500
    for _ in range(runs):
        ratio = np.exp(-0.1 + 0.05 * rng.standard_normal(3)[unit] + 0.05 * rng.standard_normal(15))
        before = rng.uniform(9, 11, 15)
        for name, ids in (("units", unit), ("specimens", None)):
            low, high = paired(before * ratio, before, ids).ci_pct
            held[name] += low <= 100 * math.expm1(-0.1) <= high
    assert held["units"] / runs == pytest.approx(0.95, abs=0.02)
    assert held["specimens"] / runs < 0.88


# --- what is refused, and how --------------------------------------------------------------------

GOOD = dict(m=8.0, u=0.2, dof=4, m0=10.0, u0=0.2, dof0=4)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (dict(m=None), "no result under the condition"),
        (dict(m=math.nan), "no result under the condition"),
        (dict(m0=None), "no baseline result"),
        (dict(m0=math.inf), "no baseline result"),
        (dict(m0=0), "the baseline is not above zero: a change in percent has no plain meaning"),
        (dict(m0=-10), "the baseline is not above zero: a change in percent has no plain meaning"),
        (dict(u0=None), "the baseline has no uncertainty: whether it is clear of zero is unknown"),
        (dict(dof0=0), "the baseline has no uncertainty: whether it is clear of zero is unknown"),
        (dict(u0=-1), "the baseline has no uncertainty: whether it is clear of zero is unknown"),
        (dict(u0=4.0), "the baseline's 95 % interval holds zero"),
        (dict(level=95), "the level must lie between 0 and 1"),
    ],
)
def test_separate_refuses(change, reason):
    got = separate(**(GOOD | change))
    assert (got.change_pct, got.ci_pct, got.reason) == (None, None, reason)


@pytest.mark.parametrize(
    "change", [dict(u=None), dict(dof=None), dict(dof=0), dict(u=0, u0=0), dict(u=math.nan)]
)
def test_separate_gives_the_change_alone_where_there_is_no_interval(change):
    got = separate(**(GOOD | change))
    assert got.change_pct == pytest.approx(-20)
    assert got.ci_pct is None and got.reason


def test_a_baseline_at_fiellers_bound():
    t = float(stats.t.ppf(0.975, 4))
    assert separate(8, 0.2, 4, 10, 10 / t * 1.0001, 4).change_pct is None
    near = separate(8, 0.2, 4, 10, 10 / t * 0.98, 4)
    assert near.method.endswith("Fieller's interval")


def test_method_turns_at_g_of_a_tenth():
    t = float(stats.t.ppf(0.975, 1000))
    edge = 10 * math.sqrt(0.1) / t
    assert "delta" in separate(8, 0.01, 1000, 10, edge * 0.99, 1000).method
    assert "Fieller" in separate(8, 0.01, 1000, 10, edge * 1.01, 1000).method


def test_a_result_that_may_be_zero_has_no_logarithm():
    got = separate(0.1, 0.3, 4, 10.0, 0.2, 4)
    assert "Fieller" in got.method and got.flags == ("the result under the condition may be zero",)
    assert got.ci_pct[0] < -100 < got.ci_pct[1]
    lost = separate(0.0, 0.0, 4, 10.0, 0.2, 4)
    assert lost.change_pct == -100 and lost.ci_pct is None


@pytest.mark.parametrize(
    ("values", "baseline", "units", "reason"),
    [
        ([1.0, 2.0], [1.0], None, "each specimen needs a value before and one after"),
        ([], [], None, "no specimen was measured before and after"),
        ([1.0, 0.0], [1.0, 1.0], None, "a value is zero or below: it has no logarithm"),
        ([1.0, 2.0], [-1.0, 1.0], None, "a value is zero or below: it has no logarithm"),
        ([1.0, None], [1.0, 1.0], None, "a value is absent or not a finite number"),
        ([1.0, math.nan], [1.0, 1.0], None, "a value is absent or not a finite number"),
        ([1.0, 2.0], [1.0, 1.0], ["a"], "the units do not match the values"),
        ([1.0, 2.0], [1.0, 1.0], ["a", None], "the units do not match the values"),
    ],
)
def test_paired_refuses(values, baseline, units, reason):
    got = paired(values, baseline, units)
    assert (got.change_pct, got.ci_pct, got.reason) == (None, None, reason)


def test_paired_flags():
    x, y = [9.0, 9.2, 8.7, 9.4], [10.0, 10.1, 9.9, 10.2]
    assert paired(x, y).flags == ("specimens, not units",)
    assert paired(x, y, ["a"] * 4).flags == ("one unit only",)
    assert paired(x, y, list("aabb")).flags == ("two units",)
    assert paired([9.0, 10.5], [10.0, 10.1], list("ab")).flags == ("two units", "no change shown")
    assert paired(x, y, list("abcd")).flags == ()
    assert paired(x, y, ["a"] * 4).ci_pct == paired(x, y).ci_pct


def test_paired_without_an_interval():
    one = paired([9.0], [10.0])
    assert one.change_pct == pytest.approx(-10) and one.ci_pct is None and "one specimen" in one.reason
    equal = paired([9.0, 18.0], [10.0, 20.0])
    assert equal.change_pct == pytest.approx(-10) and "no spread" in equal.reason


def test_the_two_kinds_are_labelled_apart():
    assert separate(**GOOD).method.startswith("separate specimens")
    assert paired([9.0, 9.1], [10.0, 10.2]).method.startswith("same specimens")


# --- properties ----------------------------------------------------------------------------------

positive = st.floats(0.5, 50)


@properties
@given(
    positive,
    positive,
    positive,
    positive,
    st.floats(1, 50),
    st.floats(1, 50),
    st.sampled_from([1e-3, 25.4, 4.448]),
)
def test_units_change_nothing_in_separate(m, u, m0, u0, dof, dof0, factor):
    one = separate(m, u, dof, m0, u0, dof0)
    other = separate(m * factor, u * factor, dof, m0 * factor, u0 * factor, dof0)
    assert (one.change_pct is None) == (other.change_pct is None) or abs(
        fieller_g(m0, u0, stats.t.ppf(0.975, dof0)) - 1
    ) < 1e-9
    if one.ci_pct and other.ci_pct and one.method == other.method:
        assert other.ci_pct == (
            pytest.approx(one.ci_pct[0], rel=1e-6, abs=1e-6),
            pytest.approx(one.ci_pct[1], rel=1e-6, abs=1e-6),
        )
        assert one.ci_pct[0] <= one.change_pct <= one.ci_pct[1]


@properties
@given(
    st.lists(st.tuples(positive, positive, st.integers(0, 2)), min_size=2, max_size=9),
    st.sampled_from([1e-3, 25.4]),
    st.randoms(),
)
def test_units_and_order_change_nothing_in_paired(rows, factor, random):
    def run(data, scale):
        after, before, unit = zip(*data, strict=True)
        return paired(np.array(after) * scale, np.array(before) * scale, unit)

    one, scaled = run(rows, 1), run(rows, factor)
    random.shuffle(rows)
    shuffled = run(rows, 1)
    for other in (scaled, shuffled):
        assert other.change_pct == pytest.approx(one.change_pct, rel=1e-9, abs=1e-9)
        if one.ci_pct and other.ci_pct:
            assert other.ci_pct == (
                pytest.approx(one.ci_pct[0], rel=1e-6, abs=1e-6),
                pytest.approx(one.ci_pct[1], rel=1e-6, abs=1e-6),
            )
    # Exchanging before and after turns the ratio over.
    back = paired([r[1] for r in rows], [r[0] for r in rows], [r[2] for r in rows])
    assert (1 + back.change_pct / 100) * (1 + one.change_pct / 100) == pytest.approx(1)


anything = st.one_of(st.none(), st.floats(), st.integers(-2, 2))


@properties
@given(anything, anything, anything, anything, anything, anything)
def test_separate_never_raises_and_never_gives_nan(m, u, dof, m0, u0, dof0):
    got = separate(m, u, dof, m0, u0, dof0)
    assert (got.ci_pct is None) == bool(got.reason)
    for x in (got.change_pct, *(got.ci_pct or ())):
        assert x is None or math.isfinite(x)


@properties
@given(st.lists(st.tuples(anything, anything), max_size=6))
def test_paired_never_raises_and_never_gives_nan(rows):
    got = paired([r[0] for r in rows], [r[1] for r in rows])
    assert (got.ci_pct is None) == bool(got.reason)
    for x in (got.change_pct, *(got.ci_pct or ())):
        assert x is None or math.isfinite(x)

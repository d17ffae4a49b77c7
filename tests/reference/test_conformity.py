"""Statements of conformity against JCGM 106, ILAC-G8, ASTM E29, and their own wrong-verdict risk."""

from __future__ import annotations

import doctest
import importlib
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from comparisons.analysis.conformity import (
    bounds_at_least,
    conformance_probability,
    gauge_adequacy,
    round_to,
    statement,
)

INF = math.inf
ALL = ("pass", "conditional_pass", "conditional_fail", "fail")
properties = settings(deadline=None, derandomize=True, max_examples=150)


@pytest.mark.parametrize(
    "module",
    ["checked", "conformity", "tolerance", "passfail", "change", "suspects", "planning", "robust"],
)
def test_examples_in_docstrings_hold(module):
    result = doctest.testmod(importlib.import_module(f"comparisons.analysis.{module}"))
    assert result.attempted > 0
    assert result.failed == 0


# --- published examples --------------------------------------------------------------------------


def test_jcgm_106_zener_diode():
    # JCGM 106:2012, example in 7.4: y = -5.47 V, u = 0.05 V, upper limit -5.40 V, p_c = 0.92 (from memory).
    assert conformance_probability(-5.47, 0.05, INF, high=-5.40) == pytest.approx(0.92, abs=0.005)


def test_jcgm_106_two_limits():
    # JCGM 106:2012, 7.5: y = 13.6, u = 1.8, limits 12.5 and 16.3, p_c = 0.66 (from memory).
    result = statement(13.6, 1.8, INF, 12.5, 16.3)
    assert result.p == pytest.approx(0.66, abs=0.005)
    assert result.statement == "conditional_pass"


@pytest.mark.parametrize(("c", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_jcgm_106_table_1(c, z):
    # JCGM 106:2012, Table 1: (y - limit)/u at which the conformance probability is p_c (from memory).
    result = statement(0.0, 2.0, INF, low=-10.0, confidence=c)
    assert result.guard / 2.0 == pytest.approx(z, abs=0.006)
    at = result.guard
    assert conformance_probability(at, 2.0, INF, low=0.0) == pytest.approx(c, abs=1e-12)


def test_jcgm_106_speed_limit():
    # JCGM 106:2012, 8.3.3: limit 100 km/h, u = 2 % of the reading; an exceeded limit is certain at 99.9 %
    # from about 107 km/h on (from memory; unrounded 106.59).
    def verdict(y):
        return statement(y, 0.02 * y, INF, high=100.0, confidence=0.999).statement

    assert verdict(106.5) == "conditional_fail"
    assert verdict(107.0) == "fail"


def test_jcgm_106_resistor_process():
    # JCGM 106:2012, 9.5.3: process N(1500, 0.12^2) ohm, limits 1499.80 and 1500.20, p_c about 0.90
    # (parameters read in a copy; risks R_C 0.01 and R_P 0.07 from memory).
    assert conformance_probability(1500, 0.12, INF, 1499.8, 1500.2) == pytest.approx(0.90, abs=0.005)
    rng = np.random.default_rng(10612)
    true = rng.normal(1500, 0.12, 15_000)
    measured = true + rng.normal(0, 0.04, true.size)
    accepted = np.array(
        [
            statement(y, 0.04, INF, 1499.8, 1500.2, rule="guard", U=0.02).statement == "pass"
            for y in measured.tolist()
        ]
    )
    good = np.abs(true - 1500) <= 0.2
    assert np.mean(accepted & ~good) == pytest.approx(0.01, abs=0.003)
    assert np.mean(~accepted & good) == pytest.approx(0.07, abs=0.006)


@pytest.mark.parametrize(
    ("in_tolerance", "false_accept_pct"),
    [
        (0.60, 4.83860326),
        (0.70, 3.92234109),
        (0.80, 2.85583037),
        (0.90, 1.59995312),
        (0.95, 0.87100925),
        (0.99, 0.19991684),
    ],
)
def test_global_false_accept_at_four_to_one(in_tolerance, false_accept_pct):
    # Draft table for NCSLI RP-19 (read in the tests of the Sandia uncertainty calculator): unconditional
    # probability of false accept in percent, SD of the test a quarter of the process's, simple
    # acceptance. The table itself is good to about 1e-6 (its limits were found numerically).
    limit = stats.norm.isf((1 - in_tolerance) / 2)
    u = 0.25
    shrink = 1 / (1 + u * u)  # the true value, once measured, is N(shrink y, shrink u^2)

    def missed(y):
        p = conformance_probability(shrink * y, math.sqrt(shrink) * u, INF, -limit, limit)
        return (1 - p) * stats.norm.pdf(y, scale=math.sqrt(1 + u * u))

    got = 200 * integrate.quad(missed, 0, limit, epsabs=1e-13)[0]
    assert got == pytest.approx(false_accept_pct, abs=2e-6)


@pytest.mark.parametrize(
    ("factor", "stated", "exact"),
    [(1.0, 0.025, 0.02275), (0.83, 0.05, 0.04846), (1.5, 0.0016, 0.00135), (3.0, 1e-6, 9.866e-10)],
)
def test_ilac_g8_guard_bands(factor, stated, exact):
    # ILAC-G8:09/2019, Table 1 (read in secondary copies): w as a multiple of U = 2u, and the bound on the
    # probability of false accept.
    w = factor * 2.0
    result = statement(0.0, 1.0, INF, low=-20.0, rule="guard", U=w)
    assert result.guard == w
    assert result.risk < stated
    assert result.risk == pytest.approx(exact, rel=1e-3)


def test_ilac_g8_simple_acceptance():
    # ILAC-G8:09/2019, Table 1: w = 0, specific risk up to 50 %.
    result = statement(10.0, 1.0, INF, low=10.0, rule="simple")
    assert (result.statement, result.guard, result.risk) == ("pass", 0.0, pytest.approx(0.5))


@pytest.mark.parametrize(
    ("y", "expected"),
    [(12.01, "pass"), (11.0, "conditional_pass"), (9.0, "conditional_fail"), (7.99, "fail")],
)
def test_ilac_g8_four_bands(y, expected):
    # ILAC-G8:09/2019, 4.2.3: the four statements change at the limit and U to either side of it.
    assert statement(y, 1.0, INF, low=10.0, rule="guard", U=2.0).statement == expected
    assert statement(-y, 1.0, INF, high=-10.0, rule="guard", U=2.0).statement == expected


# --- an independent library ----------------------------------------------------------------------


def test_one_limit_is_the_one_sided_t_test():
    rng = np.random.default_rng(1)
    for n in (2, 3, 5, 12, 40):
        for _ in range(10):
            x = rng.normal(50, 3, n)
            limit = float(rng.normal(50, 3))
            u = float(np.std(x, ddof=1) / math.sqrt(n))
            p = conformance_probability(float(x.mean()), u, n - 1, low=limit)
            test = stats.ttest_1samp(x, limit, alternative="greater")
            assert p == pytest.approx(1 - test.pvalue, abs=1e-12)


def test_probability_equals_the_t_distribution_of_scipy():
    rng = np.random.default_rng(2)
    for _ in range(200):
        y, u, dof = rng.normal(0, 5), float(rng.uniform(0.1, 4)), float(rng.uniform(1, 60))
        low, high = sorted(rng.normal(0, 6, 2).tolist())
        expected = stats.t.cdf(high, dof, y, u) - stats.t.cdf(low, dof, y, u)
        assert conformance_probability(y, u, dof, low, high) == pytest.approx(expected, abs=1e-12)


def test_small_probabilities_keep_their_digits():
    for low, high in ((10.0, 12.0), (-12.0, -10.0)):
        p = conformance_probability(0.0, 1.0, INF, low, high)
        assert p == pytest.approx(stats.norm.sf(10) - stats.norm.sf(12), rel=1e-9, abs=0)


# --- risk by simulation --------------------------------------------------------------------------


def test_wrong_pass_and_wrong_fail_stay_within_their_risk():
    rng = np.random.default_rng(3)
    runs = 4000
    x = rng.normal(10, 1, (runs, 4))  # the truth lies exactly on the limit
    means, us = x.mean(axis=1).tolist(), (x.std(axis=1, ddof=1) / 2).tolist()
    said = [statement(y, u, 3, low=10.0).statement for y, u in zip(means, us, strict=True)]
    for verdict in ("pass", "fail"):  # 5 % each; 4 standard errors of the simulation
        assert said.count(verdict) / runs == pytest.approx(0.05, abs=0.014)


def test_a_poor_measurement_alone_never_fails_two_limits():
    # Estimate outside, uncertainty far wider than the room between the limits: p is tiny, yet no fail.
    result = statement(16.5, 50.0, 8, 12.5, 16.3)
    assert result.p < 0.05
    assert result.statement == "conditional_fail"
    assert result.guard is None
    assert "too uncertain" in result.rule_text
    assert statement(30.0, 1.0, 8, 12.5, 16.3).statement == "fail"


def test_two_limits_pass_exactly_from_the_guard_band_on():
    for u in (0.2, 0.5, 0.7):
        w = statement(14.4, u, 6, 12.5, 16.3).guard
        assert statement(12.5 + w * (1 + 1e-9), u, 6, 12.5, 16.3).statement == "pass"
        assert statement(12.5 + w * (1 - 1e-9), u, 6, 12.5, 16.3).statement == "conditional_pass"
        assert statement(16.3 - w * (1 + 1e-9), u, 6, 12.5, 16.3).statement == "pass"


def test_guard_band_of_the_probability_rule_is_not_u():
    # p >= 0.95 is a guard band of 1.645 u, not U.
    result = statement(12.0, 0.5, INF, low=10.0)
    assert result.guard == pytest.approx(1.6449 * 0.5, abs=1e-4)
    assert "w = 1.645 u" in result.rule_text
    assert "at most 5 %" in result.rule_text
    assert result.risk == pytest.approx(0.05)


def test_type_b_approximation_is_said():
    assert "effective degrees of freedom" in statement(12.0, 0.5, 7.3, low=10.0).rule_text
    assert "normal distribution" in statement(12.0, 0.5, INF, low=10.0).rule_text


# --- refusals ------------------------------------------------------------------------------------

GOOD = dict(y=10.5, u=0.2, dof=4, low=10.0, high=None, confidence=0.95, rule="probability", U=0.4)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (dict(y=None), "no measured value"),
        (dict(y=math.nan), "no measured value"),
        (dict(y=INF), "no measured value"),
        (dict(y="10.5"), "no measured value"),
        (dict(u=None), "no standard uncertainty"),
        (dict(u=-0.1), "no standard uncertainty"),
        (dict(u=math.nan), "no standard uncertainty"),
        (dict(u=0), "the standard uncertainty is zero: no probability can be given"),
        (dict(dof=None), "no degrees of freedom: the uncertainty is not known well enough"),
        (dict(dof=0), "no degrees of freedom: the uncertainty is not known well enough"),
        (dict(dof=math.nan), "no degrees of freedom: the uncertainty is not known well enough"),
        (dict(low=None), "no limit to compare with"),
        (dict(low=math.nan), "a limit is not a finite number"),
        (dict(high=INF), "a limit is not a finite number"),
        (dict(high=10.0), "the lower limit is not below the upper limit"),
        (dict(confidence=0.5), "the confidence must lie between 0.5 and 1"),
        (dict(confidence=95), "the confidence must lie between 0.5 and 1"),
        (dict(rule="guard", U=None), "the guard-band rule needs the expanded uncertainty U"),
        (dict(rule="guard", U=0), "the guard-band rule needs the expanded uncertainty U"),
        (dict(rule="lenient"), "unknown decision rule 'lenient'"),
    ],
)
def test_statement_refuses_with_a_reason(change, reason):
    given_ = GOOD | change
    y, u, dof = given_.pop("y"), given_.pop("u"), given_.pop("dof")
    result = statement(y, u, dof, given_.pop("low"), given_.pop("high"), **given_)
    assert (result.p, result.statement, result.guard, result.reason) == (None, None, None, reason)


anything = st.one_of(st.none(), st.floats(), st.just("x"), st.integers(-3, 3))


@properties
@given(
    anything,
    anything,
    anything,
    anything,
    anything,
    anything,
    st.sampled_from(["simple", "guard", "probability"]),
)
def test_statement_never_raises_and_never_gives_nan(y, u, dof, low, high, U, rule):
    result = statement(y, u, dof, low, high, rule=rule, U=U)
    assert (result.statement is None) == bool(result.reason)
    if result.statement is None:
        assert result.p is None
    else:
        assert result.statement in ALL
        assert 0 <= result.p <= 1
        assert result.rule_text
        for number in (result.guard, result.risk):
            assert number is None or math.isfinite(number)


finite = st.floats(-1e3, 1e3)
positive = st.floats(1e-2, 1e2)


@properties
@given(
    finite, positive, st.floats(1, 80), finite, st.floats(0.1, 1e3), st.sampled_from([1e-3, 4.4482216, 25.4])
)
def test_units_and_mirror_change_nothing(y, u, dof, low, width, factor):
    high = low + width
    for rule in ("probability", "guard", "simple"):
        one = statement(y, u, dof, low, high, rule=rule, U=2 * u)
        other = statement(
            y * factor, u * factor, dof, low * factor, high * factor, rule=rule, U=2 * u * factor
        )
        mirror = statement(-y, u, dof, -high, -low, rule=rule, U=2 * u)
        assert mirror.p == pytest.approx(one.p, abs=1e-12)
        assert other.p == pytest.approx(one.p, rel=1e-6, abs=1e-9)
        edge = [abs(one.p - 0.95), abs(y - low) / u, abs(y - high) / u]
        edge += [abs(abs(y - x) - 2 * u) / u for x in (low, high)]
        edge += [abs(stats.t.cdf((x - y) / u, dof) - c) for x in (low, high) for c in (0.05, 0.95)]
        if min(edge) > 1e-6:  # away from where a rounding error decides
            assert mirror.statement == one.statement == other.statement
            assert mirror.rule_text.split("band")[0] == one.rule_text.split("band")[0]


@properties
@given(finite, positive, st.floats(1, 80), finite)
def test_a_better_value_never_gets_a_worse_statement(y, u, dof, low):
    ranks = [ALL.index(statement(y + step * u, u, dof, low=low).statement) for step in (0, 0.5, 1, 2, 4)]
    assert ranks == sorted(ranks, reverse=True)


# --- rounding, gauges, bounds --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "step", "expected"),
    [
        # ASTM E29, the rounding method: exactly half goes to the even digit (from memory).
        (2.44, 0.1, 2.4),
        (2.46, 0.1, 2.5),
        (2.45, 0.1, 2.4),
        (2.55, 0.1, 2.6),
        (2.4501, 0.1, 2.5),
        (0.125, 0.01, 0.12),
        (1.005, 0.01, 1.0),
        (1.015, 0.01, 1.02),
        (-2.5, 1, -2.0),
        (6025, 50, 6000.0),
        (6075, 50, 6100.0),
        (0.1 + 0.2, 0.2, 0.4),
        (25.4, 2.54, 25.4),
        (1e17, 0.01, 1e17),
        (0.004, 0.01, 0.0),
    ],
)
def test_rounding_method_of_astm_e29(value, step, expected):
    assert round_to(value, step) == expected


@pytest.mark.parametrize(
    ("value", "step"), [(None, 1), (math.nan, 1), (1, 0), (1, -1), (1, None), (INF, 1), (1, INF)]
)
def test_rounding_refuses(value, step):
    assert round_to(value, step) is None


@properties
@given(st.floats(-1e6, 1e6), st.sampled_from([0.001, 0.01, 0.5, 1, 2.54, 50]))
def test_rounding_lands_on_a_multiple_within_half_a_step(value, step):
    rounded = round_to(value, step)
    assert abs(rounded - value) <= step / 2 * (1 + 1e-9) + 1e-9
    assert rounded / step == pytest.approx(round(rounded / step), abs=1e-6)
    assert round_to(rounded, step) == rounded


def test_gauge_adequacy():
    # JCGM 106:2012, 7.6.3: C_m = T/(4 u_m) = T/(2U) (from memory); flagged < 4, inadequate < 1.
    assert gauge_adequacy(0.25, 9, 11).c_m == pytest.approx(4.0)
    assert gauge_adequacy(0.25, 9, 11).verdict == "adequate"
    assert gauge_adequacy(0.26, 9, 11).verdict == "flagged"
    assert gauge_adequacy(1.1, 9, 11).verdict == "inadequate"
    one = gauge_adequacy(0.5, low=10, y=12)
    assert (one.c_m, one.u_over_gap, one.u_over_y, one.verdict) == (None, 0.25, pytest.approx(0.5 / 12), None)
    on = gauge_adequacy(0.5, low=10, y=10)
    assert (on.u_over_gap, on.reason) == (None, "the value lies on the limit")


@pytest.mark.parametrize(
    "args",
    [(None, 1, 2), (0, 1, 2), (math.nan, 1, 2), (1, 2, 1), (1, math.nan, 2), (1,), (1, 3, None, None)],
)
def test_gauge_adequacy_refuses(args):
    result = gauge_adequacy(*args)
    assert result.verdict is None and result.c_m is None and result.reason


@pytest.mark.parametrize(
    ("n", "p", "verdict"),
    [(1, 0.5, "conditional_pass"), (4, 0.9375, "conditional_pass"), (5, 0.96875, "pass")],
)
def test_bounds_at_or_above_the_limit(n, p, verdict):
    # 1 - 0.5^n, closed form: the sign test for a median. A pass at 0.95 needs five items.
    result = bounds_at_least(n, n, confidence=0.95)
    assert (result.p, result.statement) == (p, verdict)
    assert result.p == pytest.approx(1 - stats.binomtest(n, n, 0.5, alternative="greater").pvalue)


def test_bounds_never_fail():
    for n in range(1, 8):
        for k in range(n + 1):
            assert bounds_at_least(k, n).statement in (None, "pass", "conditional_pass")
    assert "censored fit" in bounds_at_least(4, 5).reason


@pytest.mark.parametrize("args", [(0, 0), (3, 2), (-1, 2), (1.5, 2), (None, 2), (math.nan, 2), ("2", 2)])
def test_bounds_refuse(args):
    result = bounds_at_least(*args)
    assert result.p is None and result.statement is None and result.reason


def test_a_million_bounds_do_not_overflow():
    assert bounds_at_least(1_000_000, 1_000_000).p == 1.0

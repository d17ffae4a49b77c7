"""Suspect values against NIST, CMH-17, Rosner and a regression library; slips of unit by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from comparisons.analysis.suspects import esd, grubbs, grubbs_critical, unit_slip

properties = settings(deadline=None, derandomize=True, max_examples=120)

URANIUM = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
# Rosner 1983, Technometrics 25:165, as printed in NIST/SEMATECH e-Handbook 1.3.5.17.3.
ROSNER = [
    -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65,
    1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24,
    2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59,
    3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
]  # fmt: skip
# US EPA 2009 Unified Guidance, Example 12-4 (naphthalene, ppb).
NAPHTHALENE = [
    3.34, 5.39, 5.74, 6.88, 5.85, 5.59, 5.96, 1.47, 2.57, 5.39, 1.91, 1.74, 23.23, 1.82, 2.02, 6.12,
    6.05, 5.18, 4.43, 1.00, 8.64, 5.34, 5.53, 4.42, 35.45,
]  # fmt: skip


# --- Grubbs --------------------------------------------------------------------------------------


def test_grubbs_uranium_isotopes():
    # NIST/SEMATECH e-Handbook, 1.3.5.17.1: G = 2.4687 (printed truncated). Its limit 2.032 is one-sided at
    # 5 %; the two-sided one is 2.126 (from tables, e.g. CMH-17's 2.127).
    got = grubbs(URANIUM, alpha=0.05)
    assert got.g == pytest.approx(2.4687, abs=1e-4)
    assert got.critical == pytest.approx(2.1266, abs=1e-4)
    assert grubbs_critical(8, 0.10) == pytest.approx(2.032, abs=5e-4)
    assert (got.index, got.suspect) == (7, True)


@pytest.mark.parametrize(
    ("n", "limit"),
    [
        (3, 1.154),
        (4, 1.481),
        (5, 1.715),
        (6, 1.887),
        (7, 2.02),
        (10, 2.29),
        (20, 2.708),
        (50, 3.128),
        (100, 3.384),
        (200, 3.606),
    ],
)
def test_grubbs_limits_of_cmh_17(n, limit):
    # CMH-17-1G (2012), Table 8.5.7, maximum normed residual, two-sided 5 % (read in the tests of R cmstatr).
    assert grubbs_critical(n, 0.05) == pytest.approx(limit, abs=6e-4)


@pytest.mark.parametrize(
    ("values", "g", "suspect"),
    [
        # CMH-17-1G, 8.3.11.1.1, batches 2 and 3: 2.008 (limit 2.127) and 2.119 (limit 2.02).
        (
            [99.3207107, 115.86177, 82.6133082, 85.3690411, 115.801622, 44.3217741, 117.328077, 88.6782903],
            2.008,
            False,
        ),
        ([107.676986, 108.960241, 116.12264, 80.2334815, 106.14557, 104.667866, 104.234953], 2.119, True),
    ],
)
def test_grubbs_examples_of_cmh_17(values, g, suspect):
    got = grubbs(values, alpha=0.05)
    assert got.g == pytest.approx(g, abs=6e-4)
    assert got.suspect is suspect


def test_why_three_values_are_not_judged():
    # The greatest possible statistic is (n - 1)/sqrt(n): at n = 3 it is 1.1547, the 5 % limit 1.1543.
    assert grubbs_critical(3, 0.05) == pytest.approx(1.1543, abs=5e-5)
    got = grubbs([5.00, 5.01, 5.40], alpha=0.05)
    assert (got.suspect, got.g) == (None, None) and "too few" in got.reason


def test_grubbs_agrees_with_the_outlier_test_of_a_regression():
    # An intercept-only regression's greatest externally studentised residual with Bonferroni's correction
    # is the same test (statsmodels).
    rng = np.random.default_rng(40)
    verdicts = []
    for i in range(60):
        n = int(rng.integers(6, 30))
        x = rng.normal(100, 5, n)
        if i % 2:
            x[0] += rng.uniform(10, 40)
        got = grubbs(x, alpha=0.05)
        p = sm.OLS(x, np.ones(n)).fit().outlier_test(method="bonferroni")[:, 2]
        assert got.index == int(np.argmin(p)) or p.min() > 0.999
        assert got.suspect == (p.min() < 0.05)
        verdicts.append(got.suspect)
    assert 10 < sum(verdicts) < 50


def test_grubbs_false_alarms():
    rng = np.random.default_rng(41)
    runs = 6000
    alarms = sum(grubbs(x).suspect for x in rng.standard_normal((runs, 8)))
    assert alarms / runs == pytest.approx(0.01, abs=4 * math.sqrt(0.01 * 0.99 / runs))


def test_a_step_of_the_gauge_is_no_suspect():
    x = [5.0, 5.0, 5.0, 5.0, 5.0, 5.1]
    assert grubbs(x).suspect is True
    assert grubbs(x, resolution=0.1).suspect is False
    assert grubbs([*x[:-1], 5.3], resolution=0.1).suspect is True


@pytest.mark.parametrize(
    ("values", "alpha", "reason"),
    [
        ([1, 2, 3, 4, 5], 0.01, "too few to judge: fewer than 6 values"),
        ([], 0.01, "too few to judge: fewer than 6 values"),
        ([3.0] * 8, 0.01, "all values are equal"),
        ([1, 2, 3, 4, 5, math.nan], 0.01, "a value is absent or not a finite number"),
        ([1, 2, 3, 4, 5, None], 0.01, "a value is absent or not a finite number"),
        ([1, 2, 3, 4, 5, 6], 0, "the significance must lie between 0 and 1"),
    ],
)
def test_grubbs_declines(values, alpha, reason):
    got = grubbs(values, alpha)
    assert (got.suspect, got.g, got.index, got.reason) == (None, None, None, reason)


# --- generalised ESD -----------------------------------------------------------------------------


def test_esd_rosner():
    # Rosner 1983; NIST/SEMATECH e-Handbook, 1.3.5.17.3 (data read, answers from memory; printed truncated):
    # neither of the first two exceeds its limit, the third does, so there are three.
    got = esd(ROSNER, max_outliers=10)
    r = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
    limits = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]
    assert list(got.r) == [pytest.approx(x, abs=1.01e-3) for x in r]
    assert list(got.limits) == [pytest.approx(x, abs=1.01e-3) for x in limits]
    assert got.indices == (53, 52, 51)


def test_esd_naphthalene():
    # US EPA 2009 Unified Guidance, Example 12-4 (EnvStats manual): R 3.930957, 4.160223; limits 2.821681,
    # 2.801551; two outliers.
    got = esd(NAPHTHALENE, max_outliers=2)
    assert got.r == (pytest.approx(3.930957, abs=5e-7), pytest.approx(4.160223, abs=5e-7))
    assert got.limits == (pytest.approx(2.821681, abs=5e-7), pytest.approx(2.801551, abs=5e-7))
    assert got.indices == (24, 12)


def test_esd_first_step_is_grubbs():
    got, one = esd(ROSNER, max_outliers=1), grubbs(ROSNER, alpha=0.05)
    assert (got.r[0], got.limits[0]) == (pytest.approx(one.g), pytest.approx(one.critical))


def test_esd_false_alarms():
    rng = np.random.default_rng(42)
    runs = 1500
    alarms = sum(bool(esd(x, max_outliers=3).indices) for x in rng.standard_normal((runs, 30)))
    assert alarms / runs == pytest.approx(0.05, abs=0.022)


@pytest.mark.parametrize(
    ("values", "most", "alpha"),
    [
        (range(14), None, 0.05),
        ([2.0] * 20, None, 0.05),
        ([*range(19), math.inf], None, 0.05),
        (range(20), 0, 0.05),
        (range(20), 11, 0.05),
        (range(20), 1.5, 0.05),
        (range(20), None, 5),
    ],
)
def test_esd_declines(values, most, alpha):
    got = esd(list(values), most, alpha)
    assert got.indices is None and got.reason and got.r == ()


def test_esd_stops_where_only_equal_values_are_left():
    got = esd([1.0] * 18 + [5.0, 9.0], max_outliers=5)
    assert got.indices == (19, 18) and len(got.r) == 2


# --- slips of unit -------------------------------------------------------------------------------

SIBLINGS = [12.1, 12.4, 11.9, 12.2, 12.0]
LENGTH, FORCE, MASS, TIME, CELSIUS = (
    [(name, 1)] for name in ("length", "force", "mass", "time", "celsius")
)


@pytest.mark.parametrize(
    ("quantities", "value", "factor", "words"),
    [
        ((), 121.5, 10, "10 times its siblings; a decimal point"),
        ((), 1.22, 1 / 10, "1/10 of its siblings; a decimal point"),
        ((), 1215.0, 100, "100 times its siblings; a decimal point by two places"),
        ((), 12150.0, 1000, "1000 times its siblings; a prefix such as kilo or milli"),
        ((), 0.01215, 1 / 1000, "1/1000 of its siblings; a prefix such as kilo or milli"),
        # Factors: NIST SP 811:2008, appendix B (in 25.4 mm; lbf 4.448222 N; kgf 9.80665 N), as encoded by
        # the R package NISTunits.
        (LENGTH, 12.1 * 25.4, 25.4, "25.4 times its siblings; inch for millimetre"),
        (LENGTH, 12.1 / 25.4, 1 / 25.4, "1/25.4 of its siblings; millimetre for inch"),
        (FORCE, 12.1 * 4.448222, 4.4482216152605, "4.448 times its siblings; pound-force for newton"),
        (FORCE, 12.1 / 4.448222, 1 / 4.4482216152605, "1/4.448 of its siblings; newton for pound-force"),
        (MASS, 12.1 * 2.2046, 2.2046226218488, "2.205 times its siblings; kilogram for pound"),
        (TIME, 12.1 * 60, 60, "60 times its siblings; hour for minute"),
        # A width below the line, typed in millimetres where inches were meant, makes a force per width small.
        ([("length", -1)], 12.1 * 25.4, 25.4, "25.4 times its siblings; millimetre for inch"),
        ([("length", 2)], 12.1 * 25.4**2, 645.16, "645.2 times its siblings; inch for millimetre"),
    ],
)
def test_a_slip_is_named(quantities, value, factor, words):
    slip = unit_slip(value, SIBLINGS, quantities=quantities)
    assert slip.factor == pytest.approx(factor)
    assert slip.words == words
    assert slip.corrected == pytest.approx(value / factor)
    assert slip.ratio == pytest.approx(value / 12.1)


def test_kilogram_force_and_decimal_point_are_both_named():
    slip = unit_slip(12.1 * 9.80665, SIBLINGS, quantities=FORCE)
    assert slip.words == "9.807 times its siblings; kilogram-force for newton"
    assert slip.others == ("10 times its siblings; a decimal point",)


def test_inch_for_mil_is_named():
    slip = unit_slip(12100.0, SIBLINGS, quantities=LENGTH)
    assert slip.factor == 1000
    assert "1000 times its siblings; inch for mil" in slip.others


def test_no_slip_in_a_unit_that_the_quantity_does_not_have():
    # A kilogram-force for a newton is no slip in a length, nor an inch for a millimetre in a time.
    assert unit_slip(12.1 * 9.80665, SIBLINGS, quantities=LENGTH).words.endswith("; a decimal point")
    assert unit_slip(12.1 * 9.80665, SIBLINGS, quantities=LENGTH).others == ()
    assert unit_slip(12.1 * 4.448222, SIBLINGS, quantities=LENGTH) is None
    assert unit_slip(12.1 * 25.4, SIBLINGS, quantities=TIME) is None
    assert unit_slip(12.1 * 25.4, SIBLINGS) is None


@pytest.mark.parametrize(
    "value", [12.6, 9.0, 16.0, 18.2, 40.0, 7.0, 0.0, -121.0, None, math.nan, math.inf, "121"]
)
def test_no_slip(value):
    assert unit_slip(value, SIBLINGS) is None


def test_siblings_that_cannot_be_judged_by():
    assert unit_slip(121.0, [5.0, 40.0, 12.0, 90.0]) is None  # they differ among themselves
    assert unit_slip(121.0, [0.0, 0.0]) is None
    assert unit_slip(121.0, [12.1, None]) is None
    assert unit_slip(121.0, [12.1, -12.1, 12.0]) is None
    assert unit_slip(12.1 * 2.2046, [12.1]) is None  # a small factor needs more than one sibling
    assert unit_slip(121.0, [12.1]).factor == 10


def test_wide_siblings_need_a_large_factor():
    wide = [10.0, 12.0, 14.0, 9.0, 13.0]
    assert unit_slip(12.0 * 2.2046, wide) is None
    assert unit_slip(1200.0, wide).factor == 100


def test_plausible_range_without_siblings():
    slip = unit_slip(1200.0, [], plausible=(5.0, 15.0))
    assert slip.factor == 100 and slip.corrected == pytest.approx(12.0) and slip.ratio is None
    assert slip.words.startswith("above the plausible range; a decimal point by two places")
    assert unit_slip(12.0, [], plausible=(5.0, 15.0)) is None
    assert unit_slip(1200.0, []) is None
    assert unit_slip(1.2, [], plausible=(5.0, None)).factor == pytest.approx(0.1)
    assert unit_slip(1e9, [], plausible=(5.0, 15.0)) is None
    assert unit_slip(1200.0, [], plausible="wide") is None


@pytest.mark.parametrize(
    ("value", "words", "corrected"),
    [
        # NIST SP 811:2008, appendix B: t/degC = (t/degF - 32)/1.8; a kelvin scale is offset by 273.15.
        (73.4, "unlike its siblings; degrees Fahrenheit recorded as Celsius", 23.0),
        (296.15, "unlike its siblings; kelvin recorded as degrees Celsius", 23.0),
        (230.0, "unlike its siblings; a decimal point", 23.0),
    ],
)
def test_temperature_scales(value, words, corrected):
    slip = unit_slip(value, [22.8, 23.1, 23.0, 23.4], quantities=CELSIUS)
    assert slip.words == words
    assert slip.corrected == pytest.approx(corrected)
    assert slip.factor is None


def test_temperatures_that_are_no_slip():
    assert unit_slip(24.5, [22.8, 23.1, 23.0], quantities=CELSIUS) is None
    assert unit_slip(45.0, [22.8, 23.1, 23.0], quantities=CELSIUS) is None
    assert unit_slip(0.0, [-0.5, 0.5, 0.2], quantities=CELSIUS) is None
    assert unit_slip(158.0, [], plausible=(60, 80), quantities=CELSIUS).corrected == pytest.approx(70.0)
    assert unit_slip(75.0, [], plausible=(60, 80), quantities=CELSIUS) is None


def test_natural_spread_raises_no_slip():
    rng = np.random.default_rng(43)
    for cv in (0.02, 0.1, 0.2):
        found = 0
        for _ in range(400):
            x = np.exp(rng.normal(3, cv, 6))
            found += unit_slip(float(x[0]), x[1:], quantities=[*FORCE, *LENGTH]) is not None
        assert found <= 4


# --- properties ----------------------------------------------------------------------------------

values = st.lists(st.floats(-50, 50), min_size=6, max_size=25)


@properties
@given(values, st.sampled_from([1e-3, 25.4]), st.randoms())
def test_units_and_order_change_nothing(x, factor, random):
    x = np.array(x)
    order = list(range(x.size))
    random.shuffle(order)
    one, scaled, shuffled = grubbs(x), grubbs(x * factor), grubbs(x[order])
    if np.ptp(x) > 1e-3:
        assert scaled.g == pytest.approx(one.g, rel=1e-9) == pytest.approx(shuffled.g, rel=1e-9)
        assert one.g <= (x.size - 1) / math.sqrt(x.size) * (1 + 1e-12)  # the greatest possible
        if abs(one.g - one.critical) > 1e-9:
            assert one.suspect == scaled.suspect == shuffled.suspect
    if x.size >= 15 and np.ptp(x) > 1e-3:
        a, b = esd(x), esd(x * factor)
        assert a.r == tuple(pytest.approx(r, rel=1e-6) for r in b.r)


@properties
@given(st.floats(0.1, 1e4), st.lists(st.floats(9, 11), min_size=3, max_size=6), st.sampled_from([0.01, 3.0]))
def test_a_slip_is_the_same_in_any_unit(value, siblings, factor):
    one = unit_slip(value, siblings)
    other = unit_slip(value * factor, [s * factor for s in siblings])
    if one is not None and other is not None and not one.others:
        assert one.factor == other.factor


anything = st.one_of(st.none(), st.floats(), st.integers(-2, 2))


@properties
@given(
    anything,
    st.lists(anything, max_size=5),
    st.one_of(st.none(), st.tuples(anything, anything)),
    st.sampled_from([(), CELSIUS, LENGTH, FORCE, [("force", 1), ("length", -2)]]),
)
def test_a_slip_never_raises(value, siblings, plausible, quantities):
    slip = unit_slip(value, siblings, plausible, quantities=quantities)
    if slip is not None:
        assert math.isfinite(slip.corrected) and slip.words


@properties
@given(st.lists(anything, max_size=20))
def test_tests_never_raise(x):
    one, many = grubbs(x), esd(x)
    assert (one.suspect is None) == bool(one.reason)
    assert (many.indices is None) == bool(many.reason)
    assert all(math.isfinite(r) for r in many.r)

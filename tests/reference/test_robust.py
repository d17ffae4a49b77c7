"""Robust centre and spread against Venables and Ripley, the AMC, and statsmodels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.robust import norms, scale

from comparisons.analysis.robust import compare, huber_mean, mad, median

properties = settings(deadline=None, derandomize=True, max_examples=120)

# Copper in wholemeal flour, ppm: Analytical Methods Committee 1989, Analyst 114:1693; MASS data set "chem".
CHEM = [
    2.20, 2.20, 2.40, 2.40, 2.50, 2.70, 2.80, 2.90, 3.03, 3.03, 3.10, 3.37, 3.40, 3.40, 3.40, 3.50, 3.60,
    3.70, 3.70, 3.70, 3.70, 3.77, 5.28, 28.95,
]  # fmt: skip
# Analytical Methods Committee, Technical Brief No. 6 (2001), Robust statistics.
BRIEF = [4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9]


def test_chem():
    # Venables and Ripley 2002, section 5.5, and the manual of R MASS: huber(chem) gives mu 3.206724 and s
    # 0.526323; mean 4.2804, median 3.385.
    got = compare(CHEM)
    assert got.huber == pytest.approx(3.206724, abs=1e-6)
    assert got.mad_sd == pytest.approx(0.526323, abs=1e-6)
    assert got.mean == pytest.approx(4.2804, abs=5e-5)
    assert got.median == pytest.approx(3.385, abs=1e-9)
    assert got.agree is False and "above" in got.words


def test_amc_technical_brief_6():
    # AMC Technical Brief No. 6 (from memory): mean 5.8, SD 1.9; median 5.2, MAD 0.7; robust mean 5.36.
    got = compare(BRIEF)
    assert got.mean == pytest.approx(5.8, abs=0.05)
    assert got.sd == pytest.approx(1.9, abs=0.05)
    assert (median(BRIEF), mad(BRIEF)) == (5.2, pytest.approx(0.7))
    assert got.huber == pytest.approx(5.36, abs=0.006)


def test_agreement_with_statsmodels():
    rng = np.random.default_rng(60)
    for _ in range(60):
        n = int(rng.integers(3, 60))
        x = rng.standard_t(2, n) * float(rng.uniform(0.1, 20)) + float(rng.normal(0, 50))
        s = float(scale.mad(x))
        expected = norms.estimate_location(
            x, s, norms.HuberT(1.5), initial=float(np.median(x)), maxiter=2000, tol=1e-12
        )
        assert huber_mean(x) == pytest.approx(float(expected), abs=1e-7 * s)
        assert mad(x) * 1.4826022185056018 == pytest.approx(s)


def test_huber_mean_solves_its_equation():
    rng = np.random.default_rng(61)
    for n in (3, 7, 40):
        x = rng.standard_cauchy(n)
        s = 1.4826022185056018 * mad(x)
        residual = np.clip((x - huber_mean(x, 1.2)) / s, -1.2, 1.2).sum()
        assert residual == pytest.approx(0, abs=1e-9)


def test_far_values_barely_move_it():
    base = np.arange(1.0, 12.0)
    far = np.append(base[:-1], 1e6)
    assert huber_mean(far) - huber_mean(base) < 2
    assert compare(far).agree is False


def test_a_large_bend_gives_the_mean():
    assert huber_mean(BRIEF, k=1e6) == pytest.approx(np.mean(BRIEF))


def test_normal_values_seldom_disagree():
    rng = np.random.default_rng(62)
    rare = {
        n: np.mean([compare(x).agree is False for x in rng.standard_normal((800, n))]) for n in (6, 12, 40)
    }
    assert rare[40] < 0.02 and rare[12] < 0.06 and rare[6] < 0.11


def test_words():
    assert compare([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]).words == "the mean and the robust mean agree"
    assert compare([-x for x in CHEM]).words.endswith("below the robust mean: far values pull it")


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ([], "no values"),
        ([1.0, math.nan], "a value is absent or not a finite number"),
        ([1.0, None], "a value is absent or not a finite number"),
        ([5.0], "one value shows no spread"),
        ([5.0, 6.0], "two values have no robust centre"),
        ([5.0, 5.0, 5.0, 9.0], "more than half of the values are equal"),
        ([4.0, 5.0, 6.5], "too few to judge: fewer than 6 values"),
    ],
)
def test_what_cannot_be_judged(values, reason):
    got = compare(values)
    assert (got.agree, got.words, got.reason) == (None, "", reason)


@pytest.mark.parametrize("values", [[], [1.0, math.inf], [None], "12", [[1.0, 2.0]]])
def test_median_and_mad_of_nothing(values):
    assert median(values) is None and mad(values) is None and huber_mean(values) is None


@pytest.mark.parametrize("k", [0, -1, None, math.nan])
def test_bad_bend(k):
    assert huber_mean(BRIEF, k) is None


@properties
@given(
    st.lists(st.floats(-100, 100), min_size=3, max_size=20),
    st.sampled_from([1e-3, 25.4]),
    st.floats(-50, 50),
    st.randoms(),
)
def test_units_origin_and_order_change_nothing(x, factor, shift, random):
    x = np.array(x)
    if mad(x) < 1e-3:
        return
    order = list(range(x.size))
    random.shuffle(order)
    base = huber_mean(x)
    assert huber_mean(x[order]) == pytest.approx(base, abs=1e-9)
    assert huber_mean(x * factor) == pytest.approx(base * factor, abs=1e-7 * factor)
    assert huber_mean(x + shift) == pytest.approx(base + shift, abs=1e-7)
    assert huber_mean(-x) == pytest.approx(-base, abs=1e-7)
    assert x.min() <= base <= x.max()


@properties
@given(st.lists(st.one_of(st.none(), st.floats(), st.integers(-2, 2)), max_size=12))
def test_never_raises_and_never_gives_nan(x):
    got = compare(x)
    assert (got.agree is None) == bool(got.reason)
    for value in (got.mean, got.sd, got.median, got.mad_sd, got.huber):
        assert value is None or math.isfinite(value)

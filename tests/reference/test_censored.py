"""Censored normal means against published fits, scipy's censored fit and simulated coverage."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from comparisons.analysis.censored import CensoredFit, fit_normal

INF = float("inf")
properties = settings(deadline=None, derandomize=True, max_examples=100)

SULFATE = [
    1850, 1760, 1710, 1575, 1475, 1780, 1790, 1780, 1790, 1800, 1800, 1840, 1820, 1860, 1780, 1760, 1800,
    1900, 1770, 1790, 1780,
]  # fmt: skip


def sulfate():
    return fit_normal(SULFATE + [-INF] * 3, SULFATE + [1450] * 3)


def test_sulfate_below_the_detection_limit():
    # US EPA 1989, sulfate, 24 values of which 3 are below 1450 (data set EPA.89b.sulfate.df of the R
    # package EnvStats). Maximum likelihood 1723.995 and 153.645: computed independently, not printed.
    fit = sulfate()
    assert (fit.n_exact, fit.n_bounds, fit.dof) == (21, 3, 20)
    assert fit.mean == pytest.approx(1723.995, abs=5e-4)
    assert fit.sd == pytest.approx(153.645, abs=5e-4)


def test_sulfate_against_cohens_table():
    # US EPA 1989: Cohen's table method gives mean 1723.66 and SD 155.31 (from memory). The table is an
    # approximation that mixes an n - 1 variance with the likelihood, hence the tolerance.
    fit = sulfate()
    assert fit.mean == pytest.approx(1723.66, abs=0.5)
    assert fit.sd == pytest.approx(155.31, rel=0.012)


def test_guptas_mice():
    # Gupta 1952, Biometrika 39, 260-273: ten mice, the first seven died on days 41 44 46 54 55 58 60, log10
    # of the days; maximum likelihood 1.742 and 0.079 (from memory).
    y = np.log10([41, 44, 46, 54, 55, 58, 60])
    low = np.concatenate([y, np.full(3, y[-1])])
    fit = fit_normal(low, np.concatenate([y, np.full(3, INF)]))
    assert fit.mean == pytest.approx(1.742, abs=6e-4)
    assert fit.sd == pytest.approx(0.079, abs=6e-4)


def censor(rng, n, mean, sd):
    """Right, left and interval censored normal values."""
    x = rng.normal(mean, sd, n)
    low, high = x.copy(), x.copy()
    kind = rng.random(n)
    cut = mean + sd * rng.normal(0, 1.2, n)
    right, left, between = (kind < 0.2) & (x > cut), (kind > 0.8) & (x < cut), (kind > 0.4) & (kind < 0.6)
    low[right], high[right] = cut[right], INF
    low[left], high[left] = -INF, cut[left]
    width = sd * 10 ** rng.uniform(-2, 0.5, n)
    low[between], high[between] = (x - 0.3 * width)[between], (x + 0.7 * width)[between]
    return low, high


def log_likelihood(low, high, mean, sd):
    exact = low == high
    mass = stats.norm.cdf(high[~exact], mean, sd) - stats.norm.cdf(low[~exact], mean, sd)
    return stats.norm.logpdf(low[exact], mean, sd).sum() + np.log(mass).sum()


def simplex(function, start, args, disp):
    return optimize.fmin(function, start, args, xtol=1e-9, ftol=1e-11, maxiter=4000, maxfun=4000, disp=0)


@pytest.mark.parametrize("seed", range(12))
def test_agrees_with_scipys_censored_fit(seed):
    rng = np.random.default_rng(seed)
    low, high = censor(rng, int(rng.integers(8, 60)), rng.normal(0, 50), 10 ** rng.uniform(-2, 2))
    fit = fit_normal(low, high)
    exact = low == high
    left, right = np.isneginf(low), np.isposinf(high)
    between = ~exact & ~left & ~right
    data = stats.CensoredData(
        uncensored=low[exact],
        left=high[left],
        right=low[right],
        interval=np.column_stack([low, high])[between],
    )
    with np.errstate(all="ignore"):  # scipy's simplex strays to where probabilities vanish
        start = {"loc": np.median(low[exact]), "scale": np.ptp(low[exact])}
        mean, sd = stats.norm.fit(data, optimizer=simplex, **start)
    assert fit.mean == pytest.approx(mean, abs=1e-5 * sd)
    assert fit.sd == pytest.approx(sd, rel=1e-5)


@pytest.mark.parametrize("seed", range(8))
def test_u_is_from_the_observed_information(seed):
    rng = np.random.default_rng(100 + seed)
    low, high = censor(rng, 25, rng.normal(0, 5), 10 ** rng.uniform(-2, 2))
    fit = fit_normal(low, high)
    assert fit.n_bounds > 0
    step = 1e-3 * fit.sd

    def at(i, j):
        return log_likelihood(low, high, fit.mean + i * step, fit.sd + j * step)

    second = np.array([
        [at(1, 0) - 2 * at(0, 0) + at(-1, 0), (at(1, 1) - at(1, -1) - at(-1, 1) + at(-1, -1)) / 4],
        [0, at(0, 1) - 2 * at(0, 0) + at(0, -1)],
    ]) / step**2  # fmt: skip
    second[1, 0] = second[0, 1]
    assert fit.u == pytest.approx(np.sqrt(np.linalg.inv(-second)[0, 0]), rel=1e-3)
    half = stats.t.ppf(0.975, fit.n_exact - 1) * fit.u
    assert fit.ci == pytest.approx([fit.mean - half, fit.mean + half])


@pytest.mark.parametrize("seed", range(6))
def test_without_bounds_it_is_the_ordinary_interval(seed):
    x = np.random.default_rng(seed).normal(20, 3, 3 + seed)
    fit = fit_normal(x, x)
    expected = stats.t.interval(0.95, len(x) - 1, x.mean(), stats.sem(x))
    assert (fit.mean, fit.sd, fit.u) == pytest.approx((x.mean(), x.std(ddof=1), stats.sem(x)))
    assert fit.ci == pytest.approx(expected)


@pytest.mark.parametrize(("n", "cut"), [(5, 0.5), (8, 0.0), (12, 1.0)])
def test_the_interval_covers_the_mean(n, cut):
    rng = np.random.default_rng(n)
    covered = fitted = 0
    for x in rng.normal(size=(700, n)):
        fit = fit_normal(np.minimum(x, cut), np.where(x > cut, INF, x))
        if fit.ci:
            fitted += 1
            covered += fit.ci[0] <= 0 <= fit.ci[1]
    # True coverage 95.5 to 97.5 %; standard error of the simulation 0.7 %.
    assert fitted > 600
    assert 0.94 <= covered / fitted <= 0.99


def test_a_bound_inside_the_data_moves_the_mean_up_less_than_its_value_as_reading():
    x = [10.0, 11.0, 12.0, 13.0]
    plain = fit_normal([*x, 14.0], [*x, 14.0])
    bound = fit_normal([*x, 14.0], [*x, INF])
    none = fit_normal(x, x)
    assert none.mean < plain.mean < bound.mean


def test_a_bound_that_says_nothing_changes_nothing():
    x = np.array([10.0, 11.0, 12.5, 13.0])
    fit = fit_normal([*x, -1e6], [*x, INF])
    assert fit.mean == pytest.approx(x.mean(), rel=1e-9)
    assert fit.sd == pytest.approx(x.std(), rel=1e-6)


def test_narrow_intervals_are_as_good_as_exact_values():
    x = np.random.default_rng(3).normal(5, 1, 12)
    exact = fit_normal(np.append(x, 6.0), np.append(x, INF))
    for width in 10.0 ** -np.arange(4, 16):
        half = np.where(np.arange(12) < 6, 0.0, width / 2)
        fit = fit_normal(np.append(x - half, 6.0), np.append(x + half, INF))
        assert (fit.n_exact, fit.n_bounds) == (6, 7) or width < 1e-14
        assert fit.mean == pytest.approx(exact.mean, abs=1e-8)
        assert fit.sd == pytest.approx(exact.sd, abs=1e-8)


def test_the_fit_is_the_greatest_likelihood_by_quadrature_of_the_score():
    # The mean of the fitted normal, censored values replaced by their conditional expectation, is the
    # fitted mean (self-consistency of the likelihood equations; Dempster, Laird and Rubin 1977).
    low, high = np.array([1.0, 2.0, 2.5, 3.0, 2.2]), np.array([1.0, 2.0, 2.5, INF, 4.0])
    fit = fit_normal(low, high)
    law = stats.norm(fit.mean, fit.sd)

    def expected(a, b):
        mass = law.cdf(b) - law.cdf(a)
        return integrate.quad(lambda x: x * law.pdf(x), a, min(b, fit.mean + 12 * fit.sd))[0] / mass

    values = [a if a == b else expected(a, b) for a, b in zip(low, high, strict=True)]
    assert np.mean(values) == pytest.approx(fit.mean, abs=1e-7)


def test_intervals_far_out_in_either_tail():
    x = np.random.default_rng(6).normal(size=300)
    above = fit_normal(np.append(x, 13.0), np.append(x, 14.0))
    below = fit_normal(np.append(-x, -14.0), np.append(-x, -13.0))
    as_value = fit_normal(np.append(x, [13.5, -20]), np.append(x, [13.5, INF]))
    assert above.reason is None
    assert below.mean == pytest.approx(-above.mean, abs=1e-10)
    assert (above.mean, above.sd) == pytest.approx((as_value.mean, as_value.sd), rel=0.03)


finite = st.floats(-1e3, 1e3).map(lambda x: round(x, 3))
observations = st.lists(
    st.one_of(
        finite.map(lambda x: (x, x)),
        finite.map(lambda x: (x, INF)),
        finite.map(lambda x: (-INF, x)),
        st.tuples(finite, st.floats(0.001, 100)).map(lambda t: (t[0], t[0] + t[1])),
    ),
    min_size=1,
    max_size=14,
)


@properties
@given(observations)
def test_every_answer_is_finite_or_has_a_reason(rows):
    low, high = zip(*rows, strict=True)
    fit = fit_normal(low, high)
    numbers = (fit.mean, fit.sd, fit.u, fit.dof, fit.ci)
    assert fit.n_exact + fit.n_bounds == len(rows)
    if fit.reason:
        assert numbers == (None,) * 5
    else:
        assert np.isfinite([fit.mean, fit.sd, fit.u, *fit.ci]).all()
        assert fit.sd > 0 and fit.u > 0 and fit.ci[0] < fit.mean < fit.ci[1]


@properties
@given(observations, st.floats(0.01, 100), st.floats(-1e4, 1e4))
def test_scale_shift_and_mirror(rows, scale, shift):
    low, high = (np.array(v) for v in zip(*rows, strict=True))
    fit = fit_normal(low, high)
    if fit.reason or fit.sd < 1e-3:
        return
    other = fit_normal(low * scale + shift, high * scale + shift)
    turned = fit_normal(-high, -low)
    assert other.reason is None
    assert other.mean == pytest.approx(fit.mean * scale + shift, abs=1e-6 * scale * (fit.sd + 1))
    assert other.u == pytest.approx(fit.u * scale, rel=1e-4)
    assert turned.mean == pytest.approx(-fit.mean, abs=1e-7 * (1 + fit.sd))
    assert turned.u == pytest.approx(fit.u, rel=1e-5)


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        ([], [], "no values"),
        ([1, 2], [1], "differ in number"),
        ([1, "x"], [1, 2], "no number"),
        ([1, None], [1, 2], "no number"),
        ([1, float("nan")], [1, 2], "no number"),
        ([3, 1], [2, 1], "above its upper"),
        ([-INF, 1, 2], [INF, 1, 2], "neither side"),
        ([INF, 1, 2], [INF, 1, 2], "neither side"),
        ([5, 5, 5], [INF, INF, INF], "all values are bounds"),
        ([5, 6, 7], [INF, 6, INF], "one exact value"),
        ([5], [5], "one exact value"),
        ([5, 5], [5, 5], "all equal"),
        ([5, 5, 4], [5, 5, INF], "all equal"),
        ([1e308, -1e308, 0], [1e308, -1e308, INF], "too large"),
    ],
)
def test_refusals_have_a_reason(low, high, words):
    fit = fit_normal(low, high)
    assert words in fit.reason
    assert fit.mean is None and fit.ci is None


def test_equal_values_and_a_bound_beyond_them_do_have_a_fit():
    fit = fit_normal([5, 5, 6], [5, 5, INF])
    assert isinstance(fit, CensoredFit) and fit.reason is None
    assert 5 < fit.mean < 6.5


@pytest.mark.parametrize("level", [0, 0.5, 1, 95, None, "high"])
def test_a_level_out_of_range_is_refused(level):
    assert "level" in fit_normal([1, 2, 3], [1, 2, INF], level).reason

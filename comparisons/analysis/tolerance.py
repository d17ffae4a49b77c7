"""Claims on every item: does at least a stated share of a product's items meet its limits?

Independent items: exact one-sided normal tolerance bound by the noncentral t (ISO 16269-6:2014; Odeh and
Owen 1980; from memory). Specimens nested in units: the generalised confidence limit of Krishnamoorthy
and Mathew (2004; 2009, sections 5.3 and 6.3; from memory), which answers the question of Mee and Owen
(1983) and becomes the exact noncentral t where each unit gave one specimen.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from .checked import number, share


@dataclass(frozen=True)
class ToleranceFactor:
    """k of mean - k s (one_sided) and mean +- k s (two_sided) for n independent items."""

    one_sided: float | None
    two_sided: float | None
    reason: str = ""


def tolerance_k(n, coverage, confidence) -> ToleranceFactor:
    """How many standard deviations from the mean hold the stated share of items.

    n: number of independent items, >= 2. coverage: share of items, 0 to 1. confidence: 0 to 1.
    Returns dimensionless factors: one-sided exact by the noncentral t, two-sided exact by quadrature.
    Never raises: bad input, or a factor too large for a double, is None with a reason. Assumes normal
    items. Source: ISO 16269-6:2014; Natrella 1963, section 2-5; Odeh and Owen 1980 (from memory).

    >>> k = tolerance_k(10, 0.95, 0.95)
    >>> round(k.one_sided, 3), round(k.two_sided, 3)
    (2.911, 3.393)
    """
    count, cover, level = number(n), share(coverage), share(confidence)
    if count is None or count != int(count) or count < 2:
        return ToleranceFactor(None, None, "a tolerance bound needs at least 2 items")
    if cover is None or level is None:
        return ToleranceFactor(None, None, "coverage and confidence must lie between 0 and 1")
    one = float(special.nctdtrit(count - 1, special.ndtri(cover) * math.sqrt(count), level))
    one /= math.sqrt(count)
    two = _two_sided_k(int(count), cover, level)
    if not math.isfinite(one) or two is None:
        return ToleranceFactor(None, None, "the factor is too large to compute")
    return ToleranceFactor(one, two)


def _two_sided_k(n: int, coverage: float, confidence: float) -> float | None:
    """k with P(share within mean +- k s >= coverage) = confidence.

    Given the mean's own error z/sqrt(n), the half-width r(z) that holds the share solves
    Phi(z/sqrt(n) + r) - Phi(z/sqrt(n) - r) = coverage, and s must reach r/k: a chi-square tail.
    """
    from scipy.optimize import brentq

    nodes, weights = np.polynomial.legendre.leggauss(80)
    z = 4.75 * (nodes + 1)  # 0 to 9.5: beyond it the normal density is below 1e-19
    weights = weights * 4.75 * 2 * np.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    r = _half_width(z / math.sqrt(n), coverage)
    dof = n - 1

    def excess(log_k: float) -> float:
        chi2 = dof * (r / math.exp(log_k)) ** 2
        return float(np.sum(weights * special.gammaincc(dof / 2, chi2 / 2))) - confidence

    low, high = math.log(float(special.ndtri((1 + coverage) / 2))) - 3, 40.0
    if excess(low) > 0 or excess(high) < 0:
        return None
    return math.exp(brentq(excess, low, high, xtol=1e-13))


def _half_width(shift: np.ndarray, coverage: float) -> np.ndarray:
    """r with Phi(shift + r) - Phi(shift - r) = coverage, by bisection on the whole array."""
    low = np.zeros_like(shift)
    high = shift + float(special.ndtri((1 + coverage) / 2)) + 1
    for _ in range(60):
        r = (low + high) / 2
        short = special.ndtr(shift + r) - special.ndtr(shift - r) < coverage
        low, high = np.where(short, r, low), np.where(short, high, r)
    return (low + high) / 2


_HERMITE, _HERMITE_WEIGHTS = np.polynomial.hermite_e.hermegauss(40)
_HERMITE_WEIGHTS = _HERMITE_WEIGHTS / _HERMITE_WEIGHTS.sum()
FAR_SHIFT = 50.0  # from here on the library's series is slow, and beyond 10 000 loses digits


def noncentral_t(dof, shift, t) -> np.ndarray:
    """Distribution function of the noncentral t, 0 to 1; arguments broadcast, dimensionless.

    Far shifts go by P(T <= t) = E[P(chi-square > dof ((shift + Z)/t)^2)], Gauss and Hermite's rule in Z, as
    long as that is smooth on Z's scale. Where t and the shift lie so far apart that the library's series
    gives up, the answer is 0 or 1 to better than 1e-12.

    >>> float(noncentral_t(4, 200.0, -100.0)), round(float(noncentral_t(4, 1.0, 1.0)), 3)
    (0.0, 0.476)
    """
    arrays = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in (dof, shift, t)))
    shape = arrays[0].shape
    dof, shift, t = (np.atleast_1d(x) for x in arrays)
    p = np.greater(t, shift).astype(float)
    far = (np.abs(shift) > FAR_SHIFT) & (shift * shift >= 2 * dof)
    near = ~far
    series = special.nctdtr(dof[near], shift[near], t[near])
    p[near] = np.where(np.isnan(series), p[near], series)
    # A negative shift is the mirror of a positive one; on the other side of zero nothing is left.
    sign = np.sign(shift)
    p[far] = (sign[far] < 0).astype(float)
    reached = far & (t * sign > 0)
    if reached.any():
        nu, delta, at = dof[reached], np.abs(shift[reached]), np.abs(t[reached])
        least = np.minimum((delta[:, None] + _HERMITE) / np.maximum(at[:, None], 1e-200), 1e100)
        x = nu[:, None] / 2 * least**2
        upper = np.sum(special.gammaincc(nu[:, None] / 2, x) * _HERMITE_WEIGHTS, axis=1)
        p[reached] = np.where(sign[reached] > 0, upper, 1 - upper)
    return p.reshape(shape)


@dataclass(frozen=True)
class Spread:
    """What a tolerance bound needs of the data, in the unit of the values.

    mean: unweighted mean of unit means. sd_means: SD of unit means. units: their number.
    within: pooled within-unit variance, within_dof its degrees of freedom (0: one specimen a unit).
    extra: 1 - mean(1/r_i), the part of the within-unit variance that unit means leave out.
    """

    mean: float
    sd_means: float
    units: int
    within: float
    within_dof: int
    extra: float

    @property
    def sd_items(self) -> float:
        """Estimated SD of single items over units and within them."""
        return math.sqrt(self.sd_means**2 + self.extra * self.within)


def spread_of(values: np.ndarray, unit_index: np.ndarray) -> Spread:
    """Unit means and the two variances of nested data.

    values, unit_index: shape (n,), unit_index from 0 to units - 1, each present; at least 2 units.
    Source: Thomas and Hultquist 1978 (unweighted means, harmonic number per unit; from memory).

    >>> s = spread_of(np.array([1.0, 3.0, 5.0, 7.0]), np.array([0, 0, 1, 1]))
    >>> s.mean, round(s.sd_means, 4), s.within, s.within_dof, s.extra
    (4.0, 2.8284, 2.0, 2, 0.5)
    """
    counts = np.bincount(unit_index)
    centre = float(np.mean(values))
    means = np.bincount(unit_index, weights=values - centre) / counts
    residual = values - centre - means[unit_index]
    dof = len(values) - len(counts)
    within = math.fsum(residual**2) / dof if dof else 0.0
    return Spread(
        mean=centre + float(np.mean(means)),
        sd_means=float(np.std(means, ddof=1)),
        units=len(counts),
        within=within,
        within_dof=dof,
        extra=float(1 - np.mean(1 / counts)),
    )


def _law(spread: Spread, coverage: float) -> Callable[[float], float]:
    """Confidence as a function of (mean - limit)/sd_means.

    Nested: the probability that Z <= sqrt(m) (gap sqrt(U) - z sqrt(1 + ratio U/V)), with U and V
    chi-squares over their degrees of freedom m - 1 and d. Given F = U/V, which is independent of the sum of
    the two chi-squares, that is a noncentral t with m - 1 + d degrees of freedom: one integral over F is
    left. Without a within part it is a noncentral t itself.
    """
    m, d, z = spread.units, spread.within_dof, float(special.ndtri(coverage))
    ratio = spread.extra * spread.within / spread.sd_means**2
    root = math.sqrt(m)
    if d == 0 or ratio == 0:
        return lambda gap: float(noncentral_t(m - 1, root * z, root * gap))
    total = m - 1 + d
    f, weights = _f_nodes(m - 1, d, root * abs(z) * math.sqrt(1 + ratio))
    shift = root * z * np.sqrt(1 + ratio * f)
    scale = root * np.sqrt(total * f / ((m - 1) * f + d))

    def nested(gap: float) -> float:
        return float(np.sum(weights * noncentral_t(total, shift, gap * scale)))

    return nested


def _f_nodes(m1: int, d: int, shift: float) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights for the F distribution with m1 and d degrees of freedom.

    The trapezium rule on the logarithm of F: its density is smooth and falls off at both ends, where the
    rule converges faster than any power of the step (Trefethen and Weideman 2014, SIAM Review 56:385),
    once the step resolves both the density and the noncentral t under the integral.
    """
    a, b = m1 / 2, d / 2
    sd = math.sqrt(1 / a + 1 / b)
    # Both ends lie where the density has fallen to e^-30 of its peak.
    low, high = -max(8 * sd, 30 / a + 2), max(8 * sd, 30 / b + 2)
    width = math.sqrt(1 + shift * shift / (2 * (m1 + d))) / max(shift, 1.0)
    step = min(0.4, sd / 4, width)
    x = np.linspace(low, high, 1 + math.ceil((high - low) / step))
    log_density = a * x - (a + b) * np.logaddexp(math.log(m1) + x, math.log(d))
    weights = np.exp(log_density - log_density.max())
    return np.exp(x), weights / weights.sum()


def confidence_above(spread: Spread, limit: float, coverage: float) -> float:
    """Confidence that at least the share `coverage` of items lies at or above `limit`.

    spread: from spread_of, sd_means > 0. limit in the unit of the values. Returns 0 to 1. Source:
    Krishnamoorthy and Mathew 2004 (generalised confidence limit), here by quadrature
    instead of draws; one specimen a unit gives the noncentral t exactly. Where units differ
    little it stays on the safe side (wrong passes at 95 %: 1 to 5 % by simulation).

    >>> s = spread_of(np.array([10.2, 9.8, 10.9, 10.4, 10.1]), np.arange(5))
    >>> round(confidence_above(s, 8.5, 0.95), 3)
    0.956
    """
    p = _law(spread, coverage)((spread.mean - limit) / spread.sd_means)
    return min(1.0, max(0.0, p))


def lower_bound(spread: Spread, coverage: float, confidence: float) -> float | None:
    """Value that at least the share `coverage` of items exceeds, at `confidence`.

    Inverse of confidence_above in its limit; None where it lies too far out for a double.

    >>> s = spread_of(np.array([10.2, 9.8, 10.9, 10.4, 10.1]), np.arange(5))
    >>> round(lower_bound(s, 0.95, 0.95), 3)
    8.563
    """
    m = spread.units
    if spread.within_dof == 0:
        t = float(special.nctdtrit(m - 1, special.ndtri(coverage) * math.sqrt(m), confidence))
        bound = spread.mean - t / math.sqrt(m) * spread.sd_means
        return bound if math.isfinite(bound) else None
    from scipy.optimize import brentq

    law = _law(spread, coverage)

    def excess(k: float) -> float:
        return law(k) - confidence

    # The bound lies outside the estimated quantile at any confidence worth asking for: start there.
    low = float(special.ndtri(coverage)) * spread.sd_items / spread.sd_means
    high = 2 * max(low, 1.0)
    while excess(low) > 0 and low > -1e9:
        low -= 4 * max(abs(low), 1.0)
    while excess(high) < 0 and high < 1e9:
        low, high = high, 4 * high
    if excess(low) > 0 or excess(high) < 0:
        return None
    return spread.mean - brentq(excess, low, high, xtol=1e-10, rtol=1e-10) * spread.sd_means

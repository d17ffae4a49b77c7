"""A normal mean from values of which some are only bounds: "> 200 N", "< 0.5 mm"."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .checked import number

LEAST_EXACT = 2  # one exact value leaves no degree of freedom
LARGEST = 1e150  # squares of larger numbers overflow
NARROW = 1e-6  # an interval narrower than this share of the spread enters the likelihood as its middle


@dataclass(frozen=True)
class CensoredFit:
    """A fitted normal: mean, its u, sd and ci in the unit of the data; all None with a reason.

    sd is the likelihood's (divisor n) where there are bounds, the ordinary one (n - 1) where there are none.
    """

    mean: float | None
    sd: float | None
    u: float | None
    dof: int | None
    ci: list[float] | None
    n_exact: int
    n_bounds: int
    reason: str | None


def fit_normal(lower, upper, level: float = 0.95) -> CensoredFit:
    """Fit a normal distribution to exact values, bounds and intervals by maximum likelihood.

    Args:
        lower, upper: n values each, in one unit. Equal: an exact value. lower = -inf: at most upper;
            upper = inf: at least lower; otherwise somewhere between.
        level: of the mean's two-sided interval, between 0.5 and 1.

    Returns:
        `CensoredFit`. u from the observed information; ci = mean +- t u with (exact values - 1)
        degrees of freedom, which covers where Wald's normal quantile does not. Refused with a reason:
        fewer than two exact values, exact values that are all equal and inside every bound, an input
        that is no number, lower above upper, or open on both sides.

    Assumes a normal distribution and bounds that do not depend on the value.
    Sources: J. F. Lawless, Statistical Models and Methods for Lifetime Data (2003), section 5.3;
    J. W. Pratt (1981), JASA 76, 103-106 (the likelihood is concave in mean/sd and 1/sd) (from memory).

    >>> fit = fit_normal([10, 11, 12, 12], [10, 11, 12, float("inf")])
    >>> round(fit.mean, 3), fit.n_bounds, fit.dof
    (11.412, 1, 2)
    """
    try:
        low, high = np.asarray(lower, dtype=float).ravel(), np.asarray(upper, dtype=float).ravel()
    except (TypeError, ValueError):
        return _refuse("a bound is no number")
    if len(low) != len(high):
        return _refuse("lower and upper bounds differ in number")
    if not len(low):
        return _refuse("no values")
    if np.isnan(low).any() or np.isnan(high).any():
        return _refuse("a bound is no number")
    exact = low == high
    n_exact, n_bounds = int(exact.sum()), int((~exact).sum())

    def no(reason: str) -> CensoredFit:
        return _refuse(reason, n_exact, n_bounds)

    if (low > high).any():
        return no("a lower bound lies above its upper bound")
    if np.isinf(low[exact]).any() or (np.isinf(low) & np.isinf(high)).any():
        return no("a value is bounded on neither side")
    confidence = number(level)
    if confidence is None or not 0.5 < confidence < 1:
        return no("the confidence level must lie between 0.5 and 1")
    if n_exact == 0:
        return no("all values are bounds: no mean can be fitted")
    if n_exact < LEAST_EXACT:
        return no("only one exact value: no degrees of freedom for an interval")
    y = low[exact]
    finite = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
    largest = float(np.abs(finite).max())
    if largest > LARGEST:
        return no("the values are too large to be fitted")
    centre, spread, noise = float(y.mean()), float(np.ptp(finite)), 1e-12 * largest
    if np.ptp(y) <= noise:
        inside = (low[~exact] <= centre + noise) & (high[~exact] >= centre - noise)
        if n_bounds == 0 or inside.all():
            return no("the exact values are all equal: no spread to fit")
    y, a, b = (y - centre) / spread, (low[~exact] - centre) / spread, (high[~exact] - centre) / spread
    narrow = b - a < NARROW
    y, a, b = np.concatenate([y, (a[narrow] + b[narrow]) / 2]), a[~narrow], b[~narrow]
    if n_bounds == 0:
        sd = float(y.std(ddof=1))
        mean, u = float(y.mean()), sd / np.sqrt(n_exact)
    else:
        fitted = _maximise(y, a, b)
        if fitted is None:
            return no("the likelihood has no maximum that could be found")
        mean, sd, u = fitted
    from scipy.special import stdtrit

    mean, sd, u = centre + spread * mean, spread * sd, float(spread * u)
    half = float(stdtrit(n_exact - 1, (1 + confidence) / 2)) * u
    return CensoredFit(mean, sd, u, n_exact - 1, [mean - half, mean + half], n_exact, n_bounds, None)


def _refuse(reason: str, n_exact: int = 0, n_bounds: int = 0) -> CensoredFit:
    return CensoredFit(None, None, None, None, None, n_exact, n_bounds, reason)


def _maximise(y, a, b):
    """(mean, sd, u) at the maximum, by Newton's method in (mean/sd, 1/sd), where it is concave.

    The data come scaled to a spread of 1 around 0. None where the steps do not settle.
    """
    tau = 1 / max(float(np.std(np.concatenate([y, a[np.isfinite(a)], b[np.isfinite(b)]]))), 1e-9)
    theta = np.array([float(y.mean()) * tau, tau])
    value, gradient, hessian = _likelihood(theta, y, a, b)
    for _ in range(200):
        step = _newton(hessian, gradient)
        if step is None:
            return None
        size, new = 1.0, None
        while size > 1e-12:
            trial = theta + size * step
            new = _likelihood(trial, y, a, b) if trial[1] > 0 else (-np.inf,)
            if new[0] >= value - 1e-13 * abs(value):
                break
            size /= 2
        else:
            break
        moved = np.max(np.abs(size * step))
        theta, (value, gradient, hessian) = trial, new
        if moved <= 1e-12 * max(1.0, np.max(np.abs(theta))):
            break
    step = _newton(hessian, gradient)
    if step is None or np.max(np.abs(step)) > 1e-6 * max(1.0, np.max(np.abs(theta))):
        return None
    eta, tau = theta
    slope = np.array([1 / tau, -eta / tau**2])  # of mean = eta / tau
    variance = float(slope @ np.linalg.solve(-hessian, slope))
    return (float(eta / tau), float(1 / tau), float(np.sqrt(variance))) if variance > 0 else None


def _newton(hessian, gradient) -> np.ndarray | None:
    if not (np.isfinite(hessian).all() and np.isfinite(gradient).all()):
        return None
    try:
        return np.linalg.solve(-hessian, gradient)
    except np.linalg.LinAlgError:
        return None


def _likelihood(theta, y, a, b):
    """Log likelihood, gradient and Hessian in theta = (mean/sd, 1/sd)."""
    from scipy.special import log_ndtr

    eta, tau = theta
    z = tau * y - eta
    value = len(y) * np.log(tau) - 0.5 * z @ z
    gradient = np.array([z.sum(), len(y) / tau - z @ y])
    hessian = np.array([[-float(len(y)), y.sum()], [y.sum(), -len(y) / tau**2 - y @ y]])
    fa, fb = np.isfinite(a), np.isfinite(b)
    a0, b0 = np.where(fa, a, 0.0), np.where(fb, b, 0.0)
    # Mirror intervals in the upper tail, where differences of probabilities lose their digits.
    za, zb = np.where(fa, tau * a0 - eta, -np.inf), np.where(fb, tau * b0 - eta, np.inf)
    upper = za > 0
    lo, hi = np.where(upper, -zb, za), np.where(upper, -za, zb)
    log_hi, log_lo = log_ndtr(hi), log_ndtr(lo)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        log_p = log_hi + np.log(-np.expm1(log_lo - log_hi))
    if not np.isfinite(log_p).all():
        return -np.inf, np.full(2, np.nan), np.full((2, 2), np.nan)
    value += log_p.sum()
    za, zb = np.where(fa, za, 0.0), np.where(fb, zb, 0.0)
    ga = np.where(fa, np.exp(-0.5 * za**2 - 0.5 * np.log(2 * np.pi) - log_p), 0.0)
    gb = np.where(fb, np.exp(-0.5 * zb**2 - 0.5 * np.log(2 * np.pi) - log_p), 0.0)
    d_eta, d_tau = ga - gb, gb * b0 - ga * a0
    gradient += [d_eta.sum(), d_tau.sum()]
    hessian[0, 0] += np.sum(-zb * gb + za * ga - d_eta**2)
    hessian[0, 1] += np.sum(zb * gb * b0 - za * ga * a0 - d_eta * d_tau)
    hessian[1, 1] += np.sum(-zb * gb * b0**2 + za * ga * a0**2 - d_tau**2)
    hessian[1, 0] = hessian[0, 1]
    return value, gradient, hessian

"""A censored mean whose values come from several units: the spread between units kept in its uncertainty.

The mean is the likelihood's over all specimens (see `censored`); its standard uncertainty is the
cluster-robust one, from the units' own contributions to the score, and never below the likelihood's.
Sources: K.-Y. Liang and S. L. Zeger (1986), Biometrika 73, 13-22 (the sandwich over clusters);
J. F. Lawless, Statistical Models and Methods for Lifetime Data (2003), 5.3 (the likelihood); from memory.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .censored import CensoredFit, fit_normal


def _score(z: np.ndarray, side: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Scores and second derivatives of each value's log likelihood in (mean, sd), in units of the sd.

    z: standardised value or bound. side: 0 exact, 1 at least, -1 at most. Shapes (n, 2) and (n, 3),
    the latter mean-mean, mean-sd, sd-sd.
    """
    from scipy.special import log_ndtr

    first, second = np.empty((len(z), 2)), np.empty((len(z), 3))
    e = side == 0
    first[e] = np.stack([z[e], z[e] ** 2 - 1], axis=1)
    second[e] = np.stack([-np.ones(e.sum()), -2 * z[e], 1 - 3 * z[e] ** 2], axis=1)
    s = side[~e].astype(float)
    y = s * z[~e]  # an upper bound is a lower bound seen from the other side
    hazard = np.exp(-0.5 * y**2 - 0.5 * np.log(2 * np.pi) - log_ndtr(-y))
    slope = hazard * (hazard - y)
    first[~e] = np.stack([s * hazard, y * hazard], axis=1)
    second[~e] = np.stack([-slope, -s * (hazard + y * slope), -(2 * y * hazard + y * y * slope)], axis=1)
    return first, second


def fit_clustered(lower, upper, unit, level: float = 0.95) -> CensoredFit:
    """Fit a normal mean to exact values and bounds of several units.

    lower, upper: shape (n,), as in `censored.fit_normal`; open ends only, no closed intervals. unit:
    shape (n,), which unit each value came from, two or more. Returns `CensoredFit` with dof = the
    smaller of units - 1 and exact values - 1; refused for the reasons of `fit_normal`. With one value
    from each unit it is `fit_normal` itself.
    """
    from scipy.special import stdtrit

    fit = fit_normal(lower, upper, level)
    unit = np.asarray(unit)
    names, place = np.unique(unit, return_inverse=True)
    if fit.mean is None or len(names) == len(unit):
        return fit
    lower, upper = np.asarray(lower, dtype=float), np.asarray(upper, dtype=float)
    side = np.where(np.isinf(upper), 1, np.where(np.isinf(lower), -1, 0))
    z = (np.where(side == -1, upper, lower) - fit.mean) / fit.sd
    first, second = _score(z, side)
    curvature = second.sum(axis=0)
    information = -np.array([[curvature[0], curvature[1]], [curvature[1], curvature[2]]])
    m = len(names)
    by_unit = np.zeros((m, 2))
    np.add.at(by_unit, place, first)
    meat = m / (m - 1) * by_unit.T @ by_unit
    try:
        bread = np.linalg.inv(information)
    except np.linalg.LinAlgError:
        return replace(fit, u=None, dof=None, ci=None, reason="the likelihood is too flat for an uncertainty")
    robust = float((bread @ meat @ bread)[0, 0])
    u = max(fit.u, fit.sd * np.sqrt(robust)) if robust > 0 else fit.u
    dof = min(m - 1, fit.n_exact - 1)
    half = float(stdtrit(dof, (1 + level) / 2)) * u
    return replace(fit, u=float(u), dof=dof, ci=[fit.mean - half, fit.mean + half])

"""From a measured value to a score between 0 and 100, on fixed anchors.

Sources: G. Derringer and R. Suich (1980), "Simultaneous optimization of several response
variables", Journal of Quality Technology 12, 214-219 (desirability with an exponent).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .checked import number

FORMS = ("linear", "logarithmic", "desirability")


@dataclass(frozen=True)
class ValueFunction:
    """How a criterion's value is scored.

    better: more, less or target. floor: the value that scores 0, ceiling: the one that scores 100,
    for more and less; for target both score 0, below and above it, and all within +-band scores 100.
    All in the criterion's unit. form: linear, logarithmic (more and less only) or desirability;
    exponent: power to which the share of the way is raised.
    """

    better: str
    floor: float
    ceiling: float
    target: float | None = None
    band: float = 0.0
    form: str = "linear"
    exponent: float = 1.0

    def __call__(self, x) -> np.ndarray:
        """Scores of `x` (any shape), 0 to 100; NaN stays NaN.

        >>> ValueFunction("less", floor=20.0, ceiling=10.0)([25.0, 15.0, 10.0]).tolist()
        [0.0, 50.0, 100.0]
        """
        x = np.asarray(x, dtype=float)
        share = self._target_share(x) if self.better == "target" else self._share(x)
        share = np.clip(share, 0.0, 1.0)
        return 100.0 * (share if self.exponent == 1.0 else share**self.exponent)

    def _share(self, x: np.ndarray) -> np.ndarray:
        if self.form != "logarithmic":
            return (x - self.floor) / (self.ceiling - self.floor)
        positive = np.where(x > 0, x, np.nan)
        share = np.log(positive / self.floor) / np.log(self.ceiling / self.floor)
        # At or below zero lies beyond the smaller anchor, which is the floor or the ceiling.
        return np.where(x <= 0, 0.0 if self.floor < self.ceiling else 1.0, share)

    def _target_share(self, x: np.ndarray) -> np.ndarray:
        low, high = self.target - self.band, self.target + self.band
        below = (x - self.floor) / (low - self.floor)
        above = (self.ceiling - x) / (self.ceiling - high)
        return np.where(x < low, below, np.where(x > high, above, x * 0.0 + 1.0))

    def range_over(self, low: float, high: float) -> tuple[float, float]:
        """Least and greatest score of a value that lies between `low` and `high` (either may be infinite)."""
        ends = [float(self(v)) if np.isfinite(v) else self._at_infinity(v) for v in (low, high)]
        if self.better == "target" and low <= self.target + self.band and high >= self.target - self.band:
            ends.append(100.0)
        return min(ends), max(ends)

    def _at_infinity(self, v: float) -> float:
        if self.better == "target":
            return 0.0
        return 100.0 if (v > 0) == (self.ceiling > self.floor) else 0.0

    def clipped(self, x) -> np.ndarray:
        """Which of `x` lie at or beyond an anchor, where a further change of the value changes no score."""
        x = np.asarray(x, dtype=float)
        if self.better == "target":
            return (x < self.floor) | (x > self.ceiling)
        least, most = min(self.floor, self.ceiling), max(self.floor, self.ceiling)
        return (x < least) | (x > most)


def value_function(*, better, floor, ceiling, target=None, band=None, form="linear", exponent=1.0,
                   values=None) -> tuple[ValueFunction | None, str, list[str]]:  # fmt: skip
    """A value function from a criterion's anchors, or the reason why there can be none, and flags.

    values: the products' values, from which anchors are taken where none are given (flagged: a scale
    drawn from the results moves with them). A target with one anchor has it mirrored (flagged).
    """
    flags: list[str] = []
    if form not in FORMS:
        return None, f"unknown value function {form!r}", flags
    if better == "neither":
        return None, "informational: never scored", flags
    if better not in ("more", "less", "target"):
        return None, "no direction: more, less or target", flags
    if not (number(exponent) or 0.0) > 0:
        return None, "the exponent must be above zero", flags
    for name, anchor in (("floor", floor), ("ceiling", ceiling), ("target", target), ("band", band)):
        if anchor is not None and number(anchor) is None:
            return None, f"the {name} is no number to compute with", flags
    floor, ceiling, target, band = (number(x) for x in (floor, ceiling, target, band))
    found = np.asarray([] if values is None else values, dtype=float)
    found = found[np.isfinite(found)]
    if better == "target":
        return _target(floor, ceiling, target, band, form, exponent, found, flags)
    if floor is None or ceiling is None:
        if len(found) < 2 or found.min() == found.max():
            return None, "no anchors, and the results do not differ enough to take them from", flags
        worst, best = (found.min(), found.max()) if better == "more" else (found.max(), found.min())
        floor = float(worst) if floor is None else floor
        ceiling = float(best) if ceiling is None else ceiling
        flags.append("anchors_from_data")
    if not (np.isfinite(floor) and np.isfinite(ceiling)) or floor == ceiling:
        return None, "floor and ceiling must be two different numbers", flags
    if (floor < ceiling) != (better == "more"):
        return None, f"{better} is better, but the floor lies on the other side of the ceiling", flags
    if form == "logarithmic" and not (floor > 0 and ceiling > 0):
        return None, "a logarithmic value function needs anchors above zero", flags
    return ValueFunction(better, float(floor), float(ceiling), None, 0.0, form, float(exponent)), "", flags


def _target(floor, ceiling, target, band, form, exponent, found, flags):
    if target is None or not np.isfinite(target):
        return None, "no target is given", flags
    if form == "logarithmic":
        return None, "a target has no logarithmic value function", flags
    band = 0.0 if band is None else abs(float(band))
    if floor is None and ceiling is None:
        if not len(found):
            return None, "no anchors, and no results to take them from", flags
        reach = float(np.max(np.abs(found - target)))
        if not reach > band:
            reach = 2 * band if band > 0 else 1.0
        floor, ceiling = target - reach, target + reach
        flags.append("anchors_from_data")
    elif floor is None or ceiling is None:
        flags.append("anchor_mirrored")
        if floor is None:
            floor = 2 * target - ceiling
        else:
            ceiling = 2 * target - floor
    if not (np.isfinite(floor) and np.isfinite(ceiling)):
        return None, "floor and ceiling must be numbers", flags
    if not floor < target - band or not ceiling > target + band:
        return None, "floor and ceiling must lie outside the band around the target", flags
    floor, ceiling, target = float(floor), float(ceiling), float(target)
    return ValueFunction("target", floor, ceiling, target, band, form, float(exponent)), "", flags

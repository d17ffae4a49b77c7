"""Suspect values: flagged for a person to look at, never dropped.

A flag is a question about a record, not a verdict. Results are shown with and without the value.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from .checked import number, share, vector

GRUBBS_LEAST = 6  # below it the limit and the greatest possible statistic all but meet
ESD_LEAST = 15  # Rosner's limits are good from 25 on, fair from 15


@dataclass(frozen=True)
class Grubbs:
    """Grubbs' two-sided test for one far value.

    g: greatest |value - mean|/SD. critical: limit at alpha. index: position of that value in the input.
    suspect: whether g exceeds the limit; None where the test was declined. reason: why, else "".
    """

    g: float | None
    critical: float | None
    index: int | None
    suspect: bool | None
    n: int
    reason: str = ""


def grubbs_critical(n: int, alpha: float) -> float:
    """Two-sided limit of Grubbs' statistic for n >= 3 values at significance alpha.

    Source: Grubbs 1969, Technometrics 11:1; NIST/SEMATECH e-Handbook, 1.3.5.17.1.

    >>> round(grubbs_critical(8, 0.05), 4), round(grubbs_critical(3, 0.05), 4)
    (2.1266, 1.1543)
    """
    return _limit(n, alpha / (2 * n))


def _limit(n: int, tail: float) -> float:
    """Greatest standardised deviation whose t has the upper tail `tail`."""
    t = -float(special.stdtrit(n - 2, tail))
    if not math.isfinite(t):
        return (n - 1) / math.sqrt(n)
    return (n - 1) / math.sqrt(n) * t / math.hypot(math.sqrt(n - 2), t)


def _no_spread(x: np.ndarray) -> bool:
    return float(np.ptp(x)) <= 1e-13 * float(np.max(np.abs(x)))


def grubbs(values, alpha=0.01, *, resolution=None) -> Grubbs:
    """Whether one of the values lies too far out to be chance, on either side.

    values: shape (n,), one unit, normal apart from at most one. alpha: significance, 0 to 1. resolution:
    the gauge's step in the same unit; a value within one step of the others' median is no suspect, however
    equal the others read. Declined below 6 values: at 3 the 5 % limit 1.1543 meets the greatest possible
    1.1547. Never raises on data: bad input and values without spread are declined with a reason. Source:
    Grubbs 1969, Technometrics 11:1; NIST/SEMATECH e-Handbook, 1.3.5.17.1.

    >>> r = grubbs([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57], alpha=0.05)
    >>> round(r.g, 3), round(r.critical, 3), r.index, r.suspect
    (2.469, 2.127, 7, True)
    """
    data = vector(values)
    if data is None:
        return Grubbs(None, None, None, None, 0, "a value is absent or not a finite number")
    n = len(data)
    level = share(alpha)
    if level is None:
        return Grubbs(None, None, None, None, n, "the significance must lie between 0 and 1")
    if n < GRUBBS_LEAST:
        return Grubbs(None, None, None, None, n, f"too few to judge: fewer than {GRUBBS_LEAST} values")
    if _no_spread(data):
        return Grubbs(None, None, None, None, n, "all values are equal")
    g, index = _farthest(data)
    critical = grubbs_critical(n, level)
    far = g > critical
    step = number(resolution)
    if far and step is not None and step > 0:
        others = float(np.median(np.delete(data, index)))
        far = abs(float(data[index]) - others) > step * (1 + 1e-9)
    return Grubbs(g, critical, index, bool(far), n)


def _farthest(data: np.ndarray) -> tuple[float, int]:
    """Greatest standardised deviation and where it is; scaled first so that squares stay finite."""
    scaled = (data - data[0]) / float(np.max(np.abs(data - data[0])))
    away = np.abs(scaled - scaled.mean())
    index = int(np.argmax(away))
    return float(away[index] / scaled.std(ddof=1)), index


@dataclass(frozen=True)
class Esd:
    """Generalised extreme studentised deviates.

    indices: positions of the outlying values in the input, farthest first. r: the deviates R_1, R_2, ...;
    limits: their limits. reason: why the test was declined, else "".
    """

    indices: tuple[int, ...] | None
    r: tuple[float, ...]
    limits: tuple[float, ...]
    n: int
    reason: str = ""


def esd(values, max_outliers=None, alpha=0.05) -> Esd:
    """How many values lie too far out, where several may hide one another.

    values: shape (n,), one unit. max_outliers: greatest number looked for, 1 to n/2; by default a tenth
    of the values, at least one (common practice, no source). alpha: significance. The number found is the
    greatest i with R_i above its limit. Declined below 15 values. Never raises on data. Source: Rosner
    1983, Technometrics 25:165; NIST/SEMATECH e-Handbook, 1.3.5.17.3.

    >>> esd([*range(20), 400], max_outliers=2).indices
    (20,)
    """
    data = vector(values)
    if data is None:
        return Esd(None, (), (), 0, "a value is absent or not a finite number")
    n = len(data)
    level = share(alpha)
    if level is None:
        return Esd(None, (), (), n, "the significance must lie between 0 and 1")
    if n < ESD_LEAST:
        return Esd(None, (), (), n, f"too few to judge: fewer than {ESD_LEAST} values")
    most = max(1, n // 10) if max_outliers is None else number(max_outliers)
    if most is None or most != int(most) or not 1 <= most <= n // 2:
        return Esd(None, (), (), n, "the number looked for must lie between 1 and half the values")
    if _no_spread(data):
        return Esd(None, (), (), n, "all values are equal")
    left = np.arange(n)
    removed: list[int] = []
    r: list[float] = []
    limits: list[float] = []
    for i in range(int(most)):
        if _no_spread(data[left]):
            break
        deviate, at = _farthest(data[left])
        m = n - i
        removed.append(int(left[at]))
        r.append(deviate)
        limits.append(_limit(m, level / (2 * m)))
        left = np.delete(left, at)
    found = max((i + 1 for i in range(len(r)) if r[i] > limits[i]), default=0)
    return Esd(tuple(removed[:found]), tuple(r), tuple(limits), n)


@dataclass(frozen=True)
class Slip:
    """A value that a common slip of unit or decimal point would explain.

    factor: the value is this many times what was expected (None for a change of temperature scale).
    ratio: value/median of its siblings, None without them. corrected: the value without the slip, same
    unit as the value. words: for people. others: further slips that fit as well.
    """

    factor: float | None
    ratio: float | None
    corrected: float
    words: str
    others: tuple[str, ...] = ()


# A number meant in the second unit but recorded under the first comes out too large by the factor; of what
# quantity ("": of any). Factors: NIST SP 811:2008, appendix B, as the R package NISTunits encodes them.
_FACTORS: tuple[tuple[float, str, str, str], ...] = (
    (10.0, "a decimal point", "a decimal point", ""),
    (100.0, "a decimal point by two places", "a decimal point by two places", ""),
    (1000.0, "a prefix such as kilo or milli", "a prefix such as kilo or milli", ""),
    (1000.0, "inch for mil", "mil for inch", "length"),
    (25.4, "inch for millimetre", "millimetre for inch", "length"),
    (39.370078740157, "millimetre for mil", "mil for millimetre", "length"),
    (2.54, "inch for centimetre", "centimetre for inch", "length"),
    (12.0, "foot for inch", "inch for foot", "length"),
    (4.4482216152605, "pound-force for newton", "newton for pound-force", "force"),
    (9.80665, "kilogram-force for newton", "newton for kilogram-force", "force"),
    (101.97162129779, "newton for gram-force", "gram-force for newton", "force"),
    (2.2046226218488, "kilogram-force for pound-force", "pound-force for kilogram-force", "force"),
    (3.5969430896, "newton for ounce-force", "ounce-force for newton", "force"),
    (16.0, "pound-force for ounce-force", "ounce-force for pound-force", "force"),
    (2.2046226218488, "kilogram for pound", "pound for kilogram", "mass"),
    (16.0, "pound for ounce", "ounce for pound", "mass"),
    (28.349523125, "ounce for gram", "gram for ounce", "mass"),
    (6.8947572931684, "psi for kilopascal", "kilopascal for psi", "pressure"),
    (14.503773773022, "bar for psi", "psi for bar", "pressure"),
    (60.0, "minute for second", "second for minute", "time"),
    (60.0, "hour for minute", "minute for hour", "time"),
    (29.5735295625, "US fluid ounce for millilitre", "millilitre for US fluid ounce", "volume"),
)
_SMALL_FACTOR = 5.0  # such a factor is told from natural spread only with several siblings


def _looked_for(quantities) -> list[tuple[int, float, str, str]]:
    """(order, factor, words where too large, words where too small) of the slips that these quantities know.

    A quantity below the line turns the words round; a square (an area) has the factor squared.
    """
    powers = [("", 1), *quantities]
    found = []
    for order, (factor, over, under, quantity) in enumerate(_FACTORS):
        for name, power in powers:
            if name == quantity and power:
                words = (over, under) if power > 0 else (under, over)
                found.append((order, factor ** abs(power), *words))
    return found


def unit_slip(value, siblings, plausible=None, *, quantities=()) -> Slip | None:
    """Whether a slip of unit or decimal point explains why a value differs from its siblings.

    value: one reading. siblings: shape (m,), other readings of the same thing, without it, same unit; may
    be empty. plausible: (low, high) range of the property, either may be None. quantities: what the unit is
    made of, as in `study.Trial`; a kilogram-force for a newton is no slip in a length. ("celsius", 1): a
    scale of Fahrenheit or kelvin is looked for instead of factors.

    With siblings: value/median must match a factor, or its inverse, within three times the siblings' own
    spread (at least 6 %, at most a factor of 1.5), and lie five times that spread away from them. Without:
    the value must lie outside the plausible range and the factor bring it inside. Returns None where
    nothing fits, where siblings disagree among themselves, and for values that are absent, not finite, zero
    or of another sign. Source: common practice, none published; factors from NIST SP 811:2008, appendix B.

    >>> unit_slip(123.0, [12.1, 12.4, 12.2]).words
    '10 times its siblings; a decimal point'
    >>> unit_slip(0.49, [12.1, 12.4, 12.2], quantities=[("length", 1)]).words
    '1/25.4 of its siblings; millimetre for inch'
    >>> unit_slip(12.6, [12.1, 12.4, 12.2]) is None
    True
    """
    x, others = number(value), vector(siblings)
    if x is None or others is None:
        return None
    low, high = _range(plausible)
    if any(name == "celsius" for name, _ in quantities):
        return _scale_slip(x, others, low, high)
    if x == 0:
        return None
    slips = _looked_for(quantities)
    if len(others) == 0:
        return _range_slip(x, low, high, slips)
    centre = float(np.median(others))
    ratios = others / centre if centre else np.zeros(1)
    if centre == 0 or (ratios <= 0).any() or x / centre <= 0 or not math.isfinite(x / centre):
        return None
    ratio = x / centre
    spread = _log_spread(ratios)
    if spread > math.log(1.35) or abs(math.log(ratio)) < 5 * spread:
        return None  # the siblings differ too much among themselves, or the value is one of them
    reach = min(max(3 * spread, math.log(1.06)), math.log(1.5))
    inside = low is not None and high is not None and low <= centre <= high
    if inside and low <= x <= high and abs(math.log(ratio)) <= 6 * spread:
        return None
    fits = []
    for _, factor, over, under in slips:
        if factor < _SMALL_FACTOR and len(others) < 3:
            continue
        if math.log(factor) < 6 * spread:
            continue
        for power, words in ((1, over), (-1, under)):
            miss = abs(math.log(ratio) - power * math.log(factor))
            if miss <= reach:
                fits.append((miss, factor**power, _times(factor, power) + " its siblings; " + words))
    return _slip(x, ratio, fits)


def _times(factor: float, power: int) -> str:
    return f"{factor:.4g} times" if power == 1 else f"1/{factor:.4g} of"


def _slip(x: float, ratio: float | None, fits: list[tuple[float, float, str]]) -> Slip | None:
    if not fits:
        return None
    fits.sort()
    _, factor, words = fits[0]
    return Slip(factor, ratio, x / factor, words, tuple(f[2] for f in fits[1:]))


def _log_spread(ratios: np.ndarray) -> float:
    """Spread of the siblings on the log scale; one sibling shows none."""
    if len(ratios) < 2:
        return 0.0
    logs = np.log(ratios)
    if len(ratios) < 4:
        return float(np.std(logs, ddof=1))
    return 1.4826 * float(np.median(np.abs(logs - np.median(logs))))


def _range(plausible) -> tuple[float | None, float | None]:
    if plausible is None:
        return None, None
    try:
        low, high = plausible
    except (TypeError, ValueError):
        return None, None
    return number(low), number(high)


def _outside(x: float, low: float | None, high: float | None) -> bool:
    return (low is not None and x < low) or (high is not None and x > high)


def _range_slip(x: float, low: float | None, high: float | None, slips) -> Slip | None:
    """A slip told by the plausible range alone; the plainest that fits comes first."""
    if not _outside(x, low, high):
        return None
    fits = []
    for order, factor, over, under in slips:
        for power, words in ((1, over), (-1, under)):
            corrected = x / factor**power
            if not _outside(corrected, low, high):
                side = "above" if high is not None and x > high else "below"
                text = f"{side} the plausible range; {words} would explain it ({factor:.4g})"
                fits.append((float(order), factor**power, text))
    return _slip(x, None, fits)


def _scale_slip(x: float, others: np.ndarray, low: float | None, high: float | None) -> Slip | None:
    """A Celsius reading that was given in Fahrenheit or kelvin, or the reverse."""
    candidates = (
        ((x - 32) / 1.8, "degrees Fahrenheit recorded as Celsius"),
        (x - 273.15, "kelvin recorded as degrees Celsius"),
        (1.8 * x + 32, "a Fahrenheit reading converted twice"),
        (x / 10, "a decimal point"),
        (x * 10, "a decimal point"),
    )
    if len(others):
        centre = float(np.median(others))
        spread = 1.4826 * float(np.median(np.abs(others - centre)))
        reach = min(max(3 * spread, 2.0), 5.0)
        if abs(x - centre) <= max(3 * reach, 6 * spread):
            return None
        fits = [(abs(c - centre), c, w) for c, w in candidates if abs(c - centre) <= reach]
        where = "unlike its siblings"
    else:
        if not _outside(x, low, high):
            return None
        fits = [(float(i), c, w) for i, (c, w) in enumerate(candidates) if not _outside(c, low, high)]
        where = "outside the plausible range"
    if not fits:
        return None
    fits.sort()
    texts = [f"{where}; {w}" for _, _, w in fits]
    return Slip(None, None, fits[0][1], texts[0], tuple(texts[1:]))

"""What a gauge does to a reading: its known errors taken off, its unknown ones as half-widths.

Sources: JCGM 100:2008, 4.3 (Type B evaluation), 4.3.7 (rectangular distribution), F.2.2.1
(resolution), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .checked import number
from .study import Gauge, Study

ASSUMED_K = 2.0
LEAST_GAIN, MOST_GAIN = 1e-6, 1e6  # a factor outside these is a slip of the pen, not an error of a gauge
AMOUNTS = ("resolution", "accuracy_abs", "accuracy_pct", "full_scale", "U", "k", "offset", "gain")


@dataclass(frozen=True)
class GaugeErrors:
    """One array entry for each gauge of the study; amounts in the gauge's reading unit, gains relative.

    offset, gain: the errors found, already known: indication = gain x true value + offset.
    resolution: smallest step, NaN where unknown.
    accuracy_offset, accuracy_gain: half-widths of rectangular errors, 0 where none is stated.
    calibration: standard uncertainty U/k of the calibration, an offset; 0 where none is stated.
    instrument: index of the physical instrument, which several gauges (states, units) can share.
    stated: whether anything is known of the gauge's errors. flags: per gauge, what was assumed or missing.
    """

    offset: np.ndarray
    gain: np.ndarray
    resolution: np.ndarray
    accuracy_offset: np.ndarray
    accuracy_gain: np.ndarray
    calibration: np.ndarray
    instrument: np.ndarray
    stated: np.ndarray
    flags: tuple[tuple[str, ...], ...]

    def correct(self, value: np.ndarray, gauge: np.ndarray) -> np.ndarray:
        """Readings with the known offset and gain of their gauge taken off; gauge -1 changes nothing."""
        known = gauge >= 0
        if not known.any():
            return np.array(value, dtype=float)
        out = np.array(value, dtype=float)
        g = gauge[known]
        out[known] = (out[known] - self.offset[g]) / self.gain[g]
        return out


def _of(gauge: Gauge) -> tuple[float, ...]:
    flags = []
    given = {name: number(getattr(gauge, name)) for name in AMOUNTS}
    if any(given[name] is None and getattr(gauge, name) is not None for name in AMOUNTS):
        flags.append("gauge_amount_refused")
    offset = given["offset"] or 0.0
    gain = 1.0 if given["gain"] is None else given["gain"]
    if not LEAST_GAIN <= gain <= MOST_GAIN:
        flags.append("gain_refused")
        gain = 1.0
    accuracy_offset, accuracy_gain = abs(given["accuracy_abs"] or 0.0), 0.0
    if given["accuracy_pct"]:
        share = abs(given["accuracy_pct"]) / 100.0
        if gauge.accuracy_basis == "reading":
            accuracy_gain = share
        elif gauge.accuracy_basis == "full_scale" and given["full_scale"] is not None:
            accuracy_offset += share * abs(given["full_scale"])
        elif gauge.accuracy_basis == "full_scale":
            flags.append("full_scale_unknown")
        else:
            flags.append("accuracy_basis_unknown")
    calibration = 0.0
    if given["U"]:
        k = given["k"]
        if k is None or not k > 0:
            k = ASSUMED_K
            flags.append("k_assumed_2")
        calibration = abs(given["U"]) / k
    resolution = given["resolution"] if given["resolution"] and given["resolution"] > 0 else np.nan
    return offset, gain, resolution, accuracy_offset, accuracy_gain, calibration, tuple(flags)


def gauge_errors(study: Study) -> GaugeErrors:
    """The errors of every gauge of the study, in the study's order of gauges.

    An accuracy in percent without its basis, or of an unknown full scale, is left out and flagged:
    of reading and of full scale differ too much to be guessed. A calibration without its coverage
    factor is read with k = 2, flagged (common practice, no source). An amount that cannot be computed
    with, and a gain that no gauge has, are left out and flagged.
    """
    rows = [_of(g) for g in study.gauges]
    columns = list(zip(*rows, strict=True)) if rows else [()] * 7
    names = sorted({g.instrument for g in study.gauges})
    place = {name: i for i, name in enumerate(names)}
    offset, gain, resolution, accuracy_offset, accuracy_gain, calibration = (
        np.array(c, dtype=float) for c in columns[:6]
    )
    return GaugeErrors(
        offset=offset,
        gain=gain,
        resolution=resolution,
        accuracy_offset=accuracy_offset,
        accuracy_gain=accuracy_gain,
        calibration=calibration,
        instrument=np.array([place[g.instrument] for g in study.gauges], dtype=np.intp),
        stated=(accuracy_offset > 0) | (accuracy_gain > 0) | (calibration > 0),
        flags=tuple(columns[6]),
    )

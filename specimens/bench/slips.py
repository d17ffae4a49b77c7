"""Slips of the pen and of the gauge, in words. They are told, kept with the reading, and block nothing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from specimens import units
from specimens.models import Instrument, Property

from . import hooks

LEAST_SIBLINGS = 2  # a factor is looked for from this many siblings on
STEP_SLACK = Decimal("1e-9")


@dataclass(frozen=True)
class Slip:
    """One finding: `kind` for programs, `text` for people."""

    kind: str
    text: str


def of_gauge(instrument: Instrument | None, value: Decimal, unit: str, at: datetime) -> list[Slip]:
    """Out of the instrument's range, finer than its resolution, past its calibration date.

    `value` in `unit`; a blank unit is the instrument's own.
    """
    if instrument is None:
        return []
    found = []
    if instrument.due_on and at.date() > instrument.due_on:
        found.append(Slip("overdue", f"{instrument} was due for calibration on {instrument.due_on}"))
    own = instrument.unit or unit
    try:
        shown = units.convert(value, unit or own, own)
        typed_in_own = units.parse_unit(unit or own).symbol == units.parse_unit(own).symbol
    except units.UnitError:
        return found
    for limit, beyond, word in (
        (instrument.range_low, lambda low: shown < low, "below"),
        (instrument.range_high, lambda high: shown > high, "above"),
    ):
        if limit is not None and beyond(limit):
            found.append(
                Slip("gauge_range", f"{plain(shown)} {own} is {word} the range of {instrument} ({limit} {own})")
            )
    step = instrument.resolution
    if step and typed_in_own and abs(value / step - round(value / step)) > STEP_SLACK:
        found.append(Slip("resolution", f"{plain(value)} {own} is finer than {instrument} resolves ({step} {own})"))
    return found


def of_property(prop: Property, value: float | None, text: str = "") -> list[Slip]:
    """Outside the property's plausible range; `value` in the property's unit, `text` as shown."""
    if value is None:
        return []
    low, high = prop.plausible_low, prop.plausible_high
    if (low is not None and value < low) or (high is not None and value > high):
        ends = " to ".join(str(end) for end in (low, high) if end is not None)
        word = "" if low is not None and high is not None else "from " if low is not None else "up to "
        return [Slip("implausible", f"{text or f'{value:.4g}'} {prop.unit} is outside what is plausible for "
                                    f"{prop}: {word}{ends} {prop.unit}")]
    return []


def of_siblings(
    value: float | None, siblings: list[float], *, unit: str = "", plausible=None, resolution: float | None = None
) -> list[Slip]:
    """A factor such as 10 or 25.4 from the siblings, or a suspect value by Grubbs; all in one unit.

    siblings: the readings of the same product in the same trial that count, without this one.
    """
    if value is None:
        return []
    found = []
    if len(siblings) >= LEAST_SIBLINGS or plausible:
        slip = hooks.call("unit_slip", value, siblings, plausible, unit)
        if slip is not None:
            found.append(Slip("factor", slip.words))
    if not found:
        test = hooks.call("grubbs", [*siblings, value], resolution=resolution)
        if test is not None and test.suspect and test.index == len(siblings):
            found.append(
                Slip("suspect", f"far from its {len(siblings)} siblings (Grubbs, g = {test.g:.3g} over "
                                f"{test.critical:.3g} at 1 %)")
            )
    return found


def plain(number: Decimal) -> str:
    """A number for showing: no exponent, no more than six digits after the point."""
    text = format(number, "f")
    return text if len(text.partition(".")[2]) <= 6 else format(round(number, 6), "f")

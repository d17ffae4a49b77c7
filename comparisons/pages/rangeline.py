"""The range line: specimens, mean, interval and claim of one product, on an axis shared by a whole table.

Inline SVG by presentation attributes alone, so that it needs no script and no style sheet, prints, and
keeps the page's strict policy. Positions are in per mille of the width: lines lie in a stretched drawing
whose strokes do not scale, marks (claims, arrows) in small drawings of their own that do not stretch.
Every line is read out as words.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from html import escape

from .numbers import exact, write

BAR, TOP, FIRST_TICK = (
    15,
    7,
    25,
)  # heights in pixels: the bar's middle, the mean's upper end, the first row of ticks
PITCH = 6  # from one row of ticks to the next
MOST_ROWS = 4  # units drawn in rows of their own; more share one row


@dataclass(frozen=True)
class Axis:
    """What all lines of a table share: its ends in the table's unit, and the values that are labelled."""

    low: float
    high: float
    ticks: tuple[float, ...]
    places: int
    zero: bool = False  # whether zero is a line to be measured from

    def at(self, value: float) -> int:
        """Place of a value in per mille of the width; what lies beyond an end is put on it."""
        share = (value - self.low) / (self.high - self.low)
        return round(1000 * min(1.0, max(0.0, share)))

    def holds(self, value: float) -> bool:
        """Whether the value lies within the drawn ends."""
        return self.low <= value <= self.high


@dataclass(frozen=True)
class Claimed:
    """A maker's claim as drawn. sense: at_least, at_most, nominal or between; low or high where open: None."""

    sense: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    open: bool = False  # sources disagree: drawn broken


@dataclass(frozen=True)
class Line:
    """One row. seen: specimens as (value, bound -1 | 0 | 1), one list for each unit.

    mean, low, high: estimate and interval; None where there is none. at_least, at_most: all that bounds
    leave of the mean. words: what is read out.
    """

    words: str
    mean: float | None = None
    low: float | None = None
    high: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    seen: Sequence[Sequence[tuple[float, int]]] = ()
    claims: Sequence[Claimed] = field(default_factory=tuple)


def step_for(width: float, most: int = 5) -> float:
    """The least of 1, 2, 5, 10, ... (times a power of ten) that divides a width into at most `most` parts.

    >>> step_for(10.0), step_for(0.7), step_for(230.0)
    (2.0, 0.2, 50.0)
    """
    power = 10.0 ** math.floor(math.log10(width / most))
    return next(power * m for m in (1, 2, 5, 10) if width / (power * m) <= most * (1 + 1e-9))


def axis_for(
    values: Iterable[float | None],
    intervals: Iterable[tuple[float, float] | None] = (),
    *,
    least: float | None = None,
    most: float | None = None,
    zero: bool = False,
) -> Axis | None:
    """An axis that shows all `values`, and of the `intervals` as much as half that width on either side.

    With one or two degrees of freedom an interval is many times wider than anything that was seen; it
    must not shrink the rest to a dot. least, most: ends that the axis does not pass. None without values.
    """
    seen = [float(v) for v in values if v is not None and math.isfinite(v)]
    if zero:
        seen.append(0.0)
    if not seen:
        return None
    low, high = min(seen), max(seen)
    width = high - low or abs(high) * 0.1 or 1.0
    for pair in intervals:
        if pair is not None:
            low = min(low, max(pair[0], min(seen) - width / 2))
            high = max(high, min(pair[1], max(seen) + width / 2))
    width = high - low or width
    if 0 <= low < 0.25 * high:
        low = 0.0  # nearly there: an axis from zero also shows how large the differences are
    pad = 0.04 * width
    low, high = (low if low == 0 and not zero else low - pad), high + pad
    low = low if least is None else max(low, least)
    high = high if most is None else min(high, most)
    return fixed(low, high, zero=zero)


def fixed(low: float, high: float, *, zero: bool = False) -> Axis:
    """An axis with given ends."""
    step = step_for(high - low)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    places = max(0, -Decimal(repr(step)).normalize().adjusted())
    ticks = tuple(float(exact(repr(i * step)).quantize(Decimal(1).scaleb(-places))) for i in range(first, last + 1))
    return Axis(low, high, ticks, places, zero)


def draw_axis(axis: Axis, *, signed: bool = False) -> str:
    """The axis with its labels, for the head of the column."""
    parts = []
    for value in axis.ticks:
        at = axis.at(value)
        anchor = "start" if at < 30 else "end" if at > 970 else "middle"
        text = escape(write(value, axis.places, signed=signed))
        parts.append(f'<text x="{at / 10:g}%" y="11" text-anchor="{anchor}">{text}</text>')
    marks = "".join(f"M{axis.at(v)} 14v5" for v in axis.ticks)
    return (
        '<svg class="axis" width="100%" height="20" aria-hidden="true" fill="currentColor" font-size="11">'
        + "".join(parts)
        + _stretched(20, f'<path d="{marks}" stroke="currentColor" {_stroke(1)}/>')
        + "</svg>"
    )


def draw(axis: Axis, line: Line, rows: int = 1) -> str:
    """One range line. rows: how many rows of ticks the table's lines have room for, 1 to MOST_ROWS."""
    rows = max(1, min(rows, MOST_ROWS))
    height = FIRST_TICK + (8 if rows == 1 else PITCH * rows) + 1
    lines = [
        f'<path class="grid" d="{"".join(f"M{axis.at(v)} 0V{height}" for v in axis.ticks)}" '
        f'stroke-opacity=".16" {_stroke(1)}/>'
    ]
    if axis.zero and axis.holds(0):
        lines.append(f'<path d="M{axis.at(0)} 0V{height}" stroke-opacity=".6" {_stroke(1)}/>')
    marks: list[str] = []
    _interval(axis, line, lines, marks)
    _specimens(axis, line, rows, lines, marks)
    for claim in line.claims:
        _claim(axis, claim, height, marks)
    return (
        f'<svg class="range" width="100%" height="{height}" role="img" aria-label="{escape(line.words)}" '
        f'fill="none" stroke="currentColor">{_stretched(height, "".join(lines))}{"".join(marks)}</svg>'
    )


def rows_needed(seen: Iterable[Sequence]) -> int:
    """Rows of ticks for a table: one for each unit, or one for all where there are too many."""
    most = max((len(units) for units in seen), default=1)
    return most if 1 <= most <= MOST_ROWS else 1


def _stroke(width: float) -> str:
    return f'stroke-width="{width:g}" vector-effect="non-scaling-stroke"'


def _upright(at: int, top: int, bottom: int, width: float, more: str = "") -> str:
    """A line down the row: placed in percent of the width, it needs no stretching."""
    return f'<line x1="{at / 10:g}%" x2="{at / 10:g}%" y1="{top}" y2="{bottom}" stroke-width="{width:g}"{more}/>'


def _stretched(height: int, inner: str) -> str:
    return f'<svg viewBox="0 0 1000 {height}" preserveAspectRatio="none" width="100%" height="{height}">{inner}</svg>'


def _mark(at: float, inner: str, name: str = "") -> str:
    """A small drawing that keeps its shape, with its origin at `at` per mille of the width."""
    kind = f' class="{name}"' if name else ""
    return f'<svg x="{at / 10:g}%" overflow="visible"{kind}>{inner}</svg>'


def _interval(axis: Axis, line: Line, lines: list[str], marks: list[str]) -> None:
    if line.low is not None and line.high is not None:
        a, b = axis.at(line.low), axis.at(line.high)
        marks.append(
            f'<line class="likely" x1="{a / 10:g}%" x2="{max(b, a + 1) / 10:g}%" y1="{BAR}" y2="{BAR}" '
            'stroke-width="8" stroke-opacity=".32"/>'
        )
        # An interval that passes the end of the axis goes on: it is left open there.
        if line.low < axis.low:
            marks.append(_mark(a, f'<path d="M5 {BAR - 3}l-3 3l3 3M9 {BAR - 3}l-3 3l3 3"/>'))
        if line.high > axis.high:
            marks.append(_mark(b, f'<path d="M-5 {BAR - 3}l3 3l-3 3M-9 {BAR - 3}l3 3l-3 3"/>'))
    for bound, end, tip in ((line.at_least, 1000, -1), (line.at_most, 0, 1)):
        if bound is not None and line.mean is None:
            lines.append(f'<path d="M{axis.at(bound)} {BAR - 5}v10M{axis.at(bound)} {BAR}H{end}" {_stroke(1.5)}/>')
            marks.append(_mark(end, f'<path d="M{6 * tip} {BAR - 4}L0 {BAR}L{6 * tip} {BAR + 4}"/>'))
    if line.mean is not None:
        marks.append(_upright(axis.at(line.mean), TOP, 2 * BAR - TOP, 3, ' class="mean"'))


def _specimens(axis: Axis, line: Line, rows: int, lines: list[str], marks: list[str]) -> None:
    units = [unit for unit in line.seen if unit]
    if rows == 1 and len(units) > 1:
        units = [[one for unit in units for one in unit]]
    tall = 6 if rows == 1 else 5
    ticks = []
    for row, unit in enumerate(units):
        y = FIRST_TICK + PITCH * row
        for value, bound in sorted(unit):
            at = axis.at(value)
            if not axis.holds(value):
                bound = bound or (1 if value > axis.high else -1)
            if bound:
                marks.append(
                    _mark(
                        at,
                        f'<path d="M{-2 * bound} {y}l{4 * bound} {tall / 2:g}l{-4 * bound} {tall / 2:g}"/>',
                    )
                )
            else:
                ticks.append(f"M{at} {y}v{tall}")
    if ticks:
        lines.append(f'<path class="seen" d="{"".join(ticks)}" stroke-opacity=".8" {_stroke(1.25)}/>')


def _claim(axis: Axis, claim: Claimed, height: int, marks: list[str]) -> None:
    """A notch: a line down the row, with a flag at its head that points to the side that was promised."""
    broken = ' stroke-dasharray="3 3"' if claim.open else ""
    flags = {"at_least": (1,), "at_most": (-1,), "nominal": (), "between": ()}[claim.sense]
    ends = [(claim.low, 1), (claim.high, -1)] if claim.sense in ("nominal", "between") else []
    middle = claim.value if claim.sense != "between" else None
    for value, side in [(v, s) for v, s in ends if v is not None] + [(middle, s) for s in flags]:
        at = axis.at(value)
        head = f'<path d="M0 1h{7 * side}l{-2 * side} 3l{2 * side} 3H0z" fill="currentColor" stroke="none"/>'
        marks.append(_mark(at, head + f'<path d="M0 1V{height}" stroke-width="1.5"{broken}/>', "claim"))
    if claim.sense == "nominal" and middle is not None:
        at = axis.at(middle)
        head = '<path d="M-4 0L4 0L0 6z" fill="currentColor" stroke="none"/>'
        marks.append(_mark(at, head + f'<path d="M0 1V{height}" stroke-width="1.5"{broken}/>', "claim"))


def legend() -> list[dict]:
    """What each mark of a range line means, drawn alone."""
    axis = Axis(0.0, 1.0, (), 1)
    shown = (
        (Line("", seen=[[(0.2, 0), (0.45, 0), (0.55, 0), (0.7, 0)]]), "Small strokes: specimens, a row for each unit"),
        (Line("", mean=0.5), "Tall stroke: the mean"),
        (Line("", mean=0.5, low=0.15, high=0.85), "Bar: where the true value likely lies"),
        (Line("", claims=[Claimed("at_least", 0.3, 0.3)]), "Flag: the maker’s claim; it points to what was promised"),
        (Line("", claims=[Claimed("at_least", 0.3, 0.3, open=True)]), "Broken flag: the maker’s sources disagree"),
        (Line("", at_least=0.3), "Arrow: at least this much, how much more is not known"),
    )
    return [{"svg": _silent(draw(axis, line)), "text": text} for line, text in shown]


def _silent(svg: str) -> str:
    return svg.replace('role="img" aria-label=""', 'aria-hidden="true"', 1)

"""Every specimen as a dot: a lane for each unit of a product below the product's range line.

Drawn like the range line, in percent of the width and without script or style of its own. What tells units
apart is the lane, the name at its end and the shape; the colour, from a set that the colour-blind can tell
apart, comes from the page's style by the class `unit-1` to `unit-8`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from html import escape

from .numbers import write
from .rangeline import Axis, Line, draw

KINDS = 8  # colours and shapes; a ninth unit begins again, its lane and name tell it apart
LANE, TOP = 13, 25  # pixels: height of a lane, and where the first begins
NAME_LENGTH = 12
COUNTED, DOUBT, ASIDE, NEW = "counted", "in doubt", "set aside", "not evaluated yet"

_SHAPES = (
    "M-3.6 0a3.6 3.6 0 1 0 7.2 0a3.6 3.6 0 1 0-7.2 0", "M-3.2-3.2h6.4v6.4h-6.4z", "M0-4.4L4.2 3.2H-4.2z",
    "M0-4.6L4.6 0L0 4.6L-4.6 0z", "M0 4.4L4.2-3.2H-4.2z", "M-1.3-4h2.6v2.7h2.7v2.6h-2.7v2.7h-2.6v-2.7h-2.7v-2.6h2.7z",
    "M-4.4-1.6h8.8v3.2h-8.8z", "M-1.6-4.4h3.2v8.8h-3.2z",
)  # fmt: skip


@dataclass(frozen=True)
class Dot:
    """One specimen: its value, bound (-1 | 0 | 1), state, and what is told of it when it is pointed at.

    shift: per mille of the width by which a dot moves aside for others of the same value.
    """

    value: float
    bound: int = 0
    state: str = COUNTED
    told: str = ""
    shift: int = 0


@dataclass(frozen=True)
class Lane:
    """One unit: which of the unit kinds it is (from 1), its name, its dots."""

    kind: int
    name: str
    dots: Sequence[Dot]


def unit_kind(index: int) -> int:
    """The kind, 1 to KINDS, of a product's unit by its place among the product's units."""
    return index % KINDS + 1


def draw_dots(axis: Axis, line: Line, lanes: Sequence[Lane]) -> str:
    """A product's row: mean, interval and claims as in its range line, and below them its units' dots."""
    base = draw(axis, line)
    height = TOP + LANE * max(len(lanes), 1) + 4
    parts = []
    for i, lane in enumerate(lanes):
        middle = TOP + LANE * i + LANE // 2
        parts.append(f'<line class="lane" x1="0" x2="100%" y1="{middle}" y2="{middle}" stroke-opacity=".14"/>')
        parts.extend(_dot(axis, lane.kind, dot, middle) for dot in lane.dots)
        name = lane.name if len(lane.name) <= NAME_LENGTH else f"{lane.name[: NAME_LENGTH - 1]}…"
        parts.append(
            f'<svg x="100%" overflow="visible" class="unit-{lane.kind}"><path transform="translate(14 {middle})" '
            f'd="{_SHAPES[lane.kind - 1]}" fill="currentColor" stroke="none"/></svg>'
            f'<svg x="100%" overflow="visible"><text x="24" y="{middle + 4}" fill="currentColor" stroke="none">'
            f"{escape(name)}</text></svg>"
        )
    inner = base[base.index(">") + 1 : -len("</svg>")]
    return (
        f'<svg class="range dots" width="100%" height="{height}" role="img" aria-label="{escape(line.words)}" '
        f'fill="none" stroke="currentColor">{inner}{"".join(parts)}</svg>'
    )


def _dot(axis: Axis, kind: int, dot: Dot, middle: int) -> str:
    at = axis.at(dot.value) + dot.shift
    bound = dot.bound or (0 if axis.holds(dot.value) else 1 if dot.value > axis.high else -1)
    told = f"<title>{escape(dot.told)}</title>" if dot.told else ""
    if dot.state == ASIDE:
        mark = '<path d="M-3.5-3.5l7 7M3.5-3.5l-7 7" stroke-width="1.5"/>'
    elif dot.state == NEW:
        mark = f'<path d="{_SHAPES[kind - 1]}" stroke-width="1.4"/>'
    else:
        mark = f'<path d="{_SHAPES[kind - 1]}" fill="currentColor" fill-opacity=".78" stroke="none"/>'
    if bound:
        mark += f'<path d="M{6 * bound}-3.5l{4 * bound} 3.5l{-4 * bound} 3.5" stroke-width="1.5"/>'
    if dot.state == DOUBT:
        mark += '<circle class="ring" r="6.6" stroke-width="1.4"/>'
    name = "aside" if dot.state == ASIDE else f"unit-{kind}"
    return (
        f'<svg x="{at / 10:g}%" overflow="visible" class="{name}"><g transform="translate(0 {middle})">{told}{mark}'
        "</g></svg>"
    )


def side_by_side(dots: Sequence[Dot], step: int = 11) -> list[Dot]:
    """Dots of one value beside each other, for scales of few steps."""
    seen: dict[float, int] = {}
    moved = []
    for dot in dots:
        n = seen[dot.value] = seen.get(dot.value, 0) + 1
        moved.append(replace(dot, shift=(n // 2) * step * (1 if n % 2 else -1)))
    return moved


WIDE, HIGH = 720, 190


def draw_order(points: Sequence[tuple[float, Dot]], runs: Sequence[tuple[float, str]], unit: str) -> str:
    """Values against the order in which they were taken; a line where a run begins. "" with fewer than two.

    points: (order, dot); runs: (order of its first reading, name).
    """
    if len(points) < 2:
        return ""
    orders = [order for order, _ in points]
    trusted = [dot.value for _, dot in points if dot.state in (COUNTED, NEW)] or [dot.value for _, dot in points]
    low, high, first, last = min(trusted), max(trusted), min(orders), max(orders)
    up, across = (high - low) or 1.0, (last - first) or 1.0
    left, right, top, bottom = 64, 12, 16, 26

    def x(order: float) -> float:
        return round(left + (order - first) / across * (WIDE - left - right), 1)

    def y(value: float) -> float:
        share = min(1.06, max(-0.06, (value - low) / up))
        return round(HIGH - bottom - share * (HIGH - top - bottom), 1)

    parts = []
    for value in (low, high):
        parts.append(
            f'<path d="M{left - 6} {y(value)}H{WIDE - right}" stroke-opacity=".2"/><text x="{left - 10}" '
            f'y="{y(value) + 4}" text-anchor="end" fill="currentColor" stroke="none">{write(value, _places(up))}</text>'
        )
    for order, name in runs:
        at = x(order) - 3
        parts.append(
            f'<path d="M{at} {top - 6}V{HIGH - bottom}" stroke-dasharray="4 3"/><text x="{at + 4}" y="{top - 4}" '
            f'fill="currentColor" stroke="none">{escape(name)}</text>'
        )
    for order, anchor in ((first, "start"), (last, "end")):
        parts.append(
            f'<text x="{x(order)}" y="{HIGH - 6}" text-anchor="{anchor}" fill="currentColor" stroke="none">'
            f"{write(order)}</text>"
        )
    for order, dot in points:
        told = f"<title>{escape(dot.told)}</title>" if dot.told else ""
        if dot.state == ASIDE:
            mark = '<path d="M-3.5-3.5l7 7M3.5-3.5l-7 7" stroke-width="1.4"/>'
        else:
            fill = ' fill="currentColor" fill-opacity=".55"' if dot.state != NEW else ""
            mark = f'<circle r="3.2"{fill}/>' + ('<circle r="6.4"/>' if dot.state == DOUBT else "")
        parts.append(f'<g transform="translate({x(order)} {y(dot.value)})">{told}{mark}</g>')
    words = f"{len(points)} values against the order in which they were taken, {write(first)} to {write(last)}"
    return (
        f'<svg class="in-order" viewBox="0 0 {WIDE} {HIGH}" role="img" aria-label="{escape(words)}, in {escape(unit)}" '
        f'fill="none" stroke="currentColor">{"".join(parts)}</svg>'
    )


def _places(width: float) -> int:
    """Decimals that tell the ends of a span apart."""
    from .numbers import places_for

    return max(0, min(6, places_for(width, 2) or 0))

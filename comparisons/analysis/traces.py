"""Force-extension traces: read the text that a testing machine wrote, reduce it by a named rule.

Extension and force keep the units of the file; nothing here converts them.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, field

import numpy as np

MAX_BYTES = 5_000_000
MAX_ROWS = 500_000
SEPARATORS = ("\t", ";", ",")
NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+")
ROLES = {
    "force": ("force", "load", "kraft", "last"),
    "extension": ("extension", "displacement", "elongation", "stroke", "travel", "position", "weg"),
    "time": ("time", "zeit", "elapsed"),
}
ISO_6133_FEW, ISO_6133_MANY, ISO_6133_LINES = 5, 20, 9
DEFAULT_PROMINENCE = 0.02  # of the force range; own choice, no source
JITTER = 1e-3  # an axis may run back by this share of its range (encoder noise); own choice, no source


class TraceError(ValueError):
    """The text is no trace; the message says what was found, where, and what was expected."""


@dataclass(frozen=True)
class Trace:
    """One trace. force and, where the file has them, extension and time: arrays of one length.

    headings: the column headings taken, by role. skipped: lines before the numbers.
    """

    force: np.ndarray
    extension: np.ndarray | None = None
    time: np.ndarray | None = None
    headings: dict = field(default_factory=dict)
    skipped: int = 0

    def axis(self, name: str) -> np.ndarray | None:
        return {"extension": self.extension, "time": self.time}.get(name)


@dataclass(frozen=True)
class Reduction:
    """One number from a trace; value is None with a reason.

    window: [start, stop] on the axis that the value rests on. peaks: (place, force) of those taken.
    n: how many points or peaks. peak_range: greatest minus least of the peaks. parameters: as given.
    """

    rule: str
    value: float | None
    window: list[float] | None
    peaks: list[tuple[float, float]]
    n: int
    parameters: dict
    reason: str | None = None
    peak_range: float | None = None


def read_trace(text, force=None, extension=None, time=None, max_bytes: int = MAX_BYTES) -> Trace:
    """Read a trace from delimited text.

    Args:
        text: str, or bytes in UTF-8 (with or without byte-order mark), UTF-16 with a mark or Latin-1.
            Columns apart by tab, semicolon or comma; decimal point, or decimal comma where the
            columns are not parted by commas. Headings and lines of notes may stand before the numbers.
        force, extension, time: column by heading or by number from 1; left out, headings such as
            "Force (N)" decide, and without headings two columns are extension and force.
        max_bytes: greatest size.

    Returns:
        `Trace`.

    Raises:
        TraceError: too large, no numbers, a column that is not there or not certain, a cell that is
            no number (line and column are named), fewer than two points, time that runs backwards.

    >>> t = read_trace("Extension;Force\\n0,0;1,5\\n0,1;2,5\\n")
    >>> t.force.tolist(), t.extension.tolist()
    ([1.5, 2.5], [0.0, 0.1])
    """
    lines = _decoded(text, max_bytes).splitlines()
    separator = _separator(lines)
    rows = []
    for number, line in enumerate(lines, 1):
        cells = _cells(line, separator, number)
        if cells:
            rows.append((number, cells))
    first = next((k for k, (_, cells) in enumerate(rows) if _is_data(cells)), None)
    if first is None:
        raise TraceError("no row of numbers was found; expected columns of force and extension")
    data = rows[first:]
    if len(data) > MAX_ROWS:
        raise TraceError(f"{len(data)} rows of data; at most {MAX_ROWS} are read")
    if len(data) < 2:
        raise TraceError("only one point; a trace needs two or more")
    width = max(len(cells) for _, cells in data)
    heads = _headings([cells for _, cells in rows[:first]], width)
    if not heads and separator == "," and any(2 * len(cells) == width for _, cells in rows[:first]):
        raise TraceError(
            "commas stand both between the columns and in the numbers; save the trace with semicolons or "
            "with decimal points"
        )
    chosen = _choose({"force": force, "extension": extension, "time": time}, heads, width)
    columns = {role: _column(data, index, heads) for role, index in chosen.items()}
    if "time" in columns and (np.diff(columns["time"]) < 0).any():
        raise TraceError("time runs backwards in the time column")
    named = {role: heads[index] for role, index in chosen.items() if heads}
    return Trace(columns["force"], columns.get("extension"), columns.get("time"), named, data[0][0] - 1)


def find_peaks(trace: Trace, prominence: float | None = None, start=None, stop=None, axis="extension"):
    """Places (indices) of the force peaks of a trace.

    prominence: how far a peak must stand above the higher of the valleys beside it, in the force's
    unit; left out, 2 % of the trace's force range, so that noise makes no peaks (own choice, no source).
    start, stop: window on the axis. Returns an int array in the order of the trace.
    A peak at the very first or last point does not count. Source: scipy.signal.find_peaks.

    >>> t = Trace(np.array([0, 5, 1, 6, 0.0]), np.arange(5.0))
    >>> find_peaks(t).tolist()
    [1, 3]
    """
    from scipy.signal import find_peaks as scipy_peaks

    force = trace.force
    if prominence is None:
        prominence = DEFAULT_PROMINENCE * float(np.ptp(force))
    places, _ = scipy_peaks(force, prominence=max(prominence, np.finfo(float).tiny))
    if start is None and stop is None:
        return places
    return places[_inside(trace.axis(axis), start, stop)[places]]


def reduce_trace(trace: Trace, rule: str, **parameters) -> Reduction:
    """One number from a trace by a named rule.

    Rules and their parameters (start and stop are on `axis`, "extension" unless "time" is given):
        peak: greatest force; start, stop.
        mean_window: mean force over [start, stop], by the trapezoid rule so that uneven sampling
            does not weigh (FINAT FTM 1: the middle 50 mm of peel).
        median_peaks: median of the peaks; prominence, start, stop. `peak_range` is their range.
        iso_6133: one of iso_6133_a, _b, _c by the number of peaks; prominence, start, stop.
        iso_6133_a: median of all peaks (fewer than 5). iso_6133_b: of the peaks in the central 80 % of
            the length between the first and the last peak (5 to 20). iso_6133_c: of the peaks nearest
            to nine equally spaced lines over that central 80 % (more than 20). From memory of
            ISO 6133; methods D and E are not offered.
        slope: least-squares slope of force on the axis over [start, stop].
        break: where force has fallen by the share `drop` (0.5) of its greatest value, after that; of
            = "force" or "extension" or "time" at the last point before.

    Returns:
        `Reduction`; value None with a reason where the rule is unknown, a parameter is missing or
        unknown, the window holds too little of the trace, or there are no peaks.

    >>> t = Trace(np.array([0, 5, 1, 6, 0.0]), np.arange(5.0))
    >>> reduce_trace(t, "peak").value, reduce_trace(t, "median_peaks").value
    (6.0, 5.5)
    """
    known = {
        "peak": (_peak, ("axis", "start", "stop")),
        "mean_window": (_mean_window, ("axis", "start", "stop")),
        "median_peaks": (_median_peaks, ("axis", "start", "stop", "prominence")),
        "iso_6133": (_iso_6133, ("axis", "start", "stop", "prominence")),
        "iso_6133_a": (_iso_6133, ("axis", "start", "stop", "prominence")),
        "iso_6133_b": (_iso_6133, ("axis", "start", "stop", "prominence")),
        "iso_6133_c": (_iso_6133, ("axis", "start", "stop", "prominence")),
        "slope": (_slope, ("axis", "start", "stop")),
        "break": (_break, ("axis", "of", "drop", "start", "stop")),
    }
    if rule not in known:
        return _none(rule, parameters, f"no such rule; known are {', '.join(known)}")
    function, allowed = known[rule]
    extra = sorted(set(parameters) - set(allowed))
    if extra:
        return _none(rule, parameters, f"the rule has no parameter {', '.join(extra)}")
    problem = _bad_parameters(trace, parameters)
    if problem:
        return _none(rule, parameters, problem)
    return function(trace, rule, parameters)


def _none(rule, parameters, reason) -> Reduction:
    return Reduction(rule, None, None, [], 0, dict(parameters), reason)


def _bad_parameters(trace: Trace, parameters: dict) -> str | None:
    for name in ("start", "stop", "prominence", "drop"):
        v = parameters.get(name)
        if v is not None and not (isinstance(v, int | float) and not isinstance(v, bool) and np.isfinite(v)):
            return f"{name} must be a number"
    if parameters.get("prominence") is not None and parameters["prominence"] <= 0:
        return "prominence must be above 0"
    start, stop = parameters.get("start"), parameters.get("stop")
    if start is not None and stop is not None and not start < stop:
        return "the window's start must lie before its stop"
    axis = parameters.get("axis", "extension")
    if axis not in ("extension", "time"):
        return "axis is 'extension' or 'time'"
    force = np.asarray(trace.force)
    if force.ndim != 1 or len(force) < 2 or not np.isfinite(force).all():
        return "the trace needs two or more finite force values"
    for values in (trace.extension, trace.time):
        if values is not None and (len(values) != len(force) or not np.isfinite(values).all()):
            return "the columns of the trace do not fit together"
    return None


def _inside(x, start, stop):
    inside = np.ones(len(x), dtype=bool)
    if start is not None:
        inside &= x >= start
    if stop is not None:
        inside &= x <= stop
    return inside


def _axis(trace, parameters) -> tuple[np.ndarray | None, str | None]:
    """The axis, its jitter levelled so that it never runs back; or why it cannot carry a window."""
    name = parameters.get("axis", "extension")
    x = trace.axis(name)
    if x is None:
        return None, f"the trace has no {name} column"
    x = np.asarray(x, dtype=float)
    levelled = np.maximum.accumulate(x)
    if np.max(levelled - x) > JITTER * np.ptp(x):
        return None, f"the {name} runs backwards: cut the return stroke off first"
    return levelled, None


def _window_of(x, keep) -> list[float]:
    return [float(x[keep].min()), float(x[keep].max())]


def _peak(trace, rule, parameters):
    start, stop = parameters.get("start"), parameters.get("stop")
    x = trace.axis(parameters.get("axis", "extension"))
    if x is None and (start is not None or stop is not None or "axis" in parameters):
        return _none(rule, parameters, f"the trace has no {parameters.get('axis', 'extension')} column")
    keep = np.ones(len(trace.force), dtype=bool) if x is None else _inside(x, start, stop)
    if not keep.any():
        return _none(rule, parameters, "no point of the trace lies in the window")
    at = int(np.flatnonzero(keep)[np.argmax(trace.force[keep])])
    value = float(trace.force[at])
    window = None if x is None else _window_of(x, keep)
    peaks = [] if x is None else [(float(x[at]), value)]
    return Reduction(rule, value, window, peaks, int(keep.sum()), dict(parameters))


def _mean_window(trace, rule, parameters):
    x, problem = _axis(trace, parameters)
    start, stop = parameters.get("start"), parameters.get("stop")
    if problem is None and (start is None or stop is None):
        problem = "start and stop must be given"
    if problem is None and (start < x[0] or stop > x[-1]):
        problem = f"the trace runs from {x[0]:g} to {x[-1]:g} and does not fill the window"
    if problem:
        return _none(rule, parameters, problem)
    keep = (x > start) & (x < stop)
    ends = np.interp([start, stop], x, trace.force)
    xs = np.concatenate([[start], x[keep], [stop]])
    ys = np.concatenate([ends[:1], trace.force[keep], ends[1:]])
    value = float(np.trapezoid(ys, xs) / (stop - start))
    n = int(_inside(x, start, stop).sum())
    if n < 2:
        return _none(rule, parameters, "fewer than two points of the trace lie in the window")
    return Reduction(rule, value, [float(start), float(stop)], [], n, dict(parameters))


def _peaks_of(trace, parameters):
    x, problem = _axis(trace, parameters)
    if problem:
        return None, None, problem
    places = find_peaks(
        trace, parameters.get("prominence"), parameters.get("start"), parameters.get("stop"),
        parameters.get("axis", "extension"),
    )  # fmt: skip
    return x, places, None if len(places) else "no peak stands out in the window"


def _median_of(trace, rule, parameters, x, places):
    force = trace.force[places]
    peaks = [(float(a), float(f)) for a, f in zip(x[places], force, strict=True)]
    return Reduction(
        rule, float(np.median(force)), _window_of(x, places), peaks, len(places), dict(parameters),
        peak_range=float(np.ptp(force)),
    )  # fmt: skip


def _median_peaks(trace, rule, parameters):
    x, places, problem = _peaks_of(trace, parameters)
    if problem:
        return _none(rule, parameters, problem)
    return _median_of(trace, rule, parameters, x, places)


def _iso_6133(trace, rule, parameters):
    x, places, problem = _peaks_of(trace, parameters)
    if problem:
        return _none(rule, parameters, problem)
    n = len(places)
    fits = "iso_6133_a" if n < ISO_6133_FEW else "iso_6133_b" if n <= ISO_6133_MANY else "iso_6133_c"
    if rule not in ("iso_6133", fits):
        return _none(rule, parameters, f"the trace has {n} peaks, for which {fits} is meant")
    if fits != "iso_6133_a":
        at = x[places]
        first, last = at.min(), at.max()
        low, high = first + 0.1 * (last - first), last - 0.1 * (last - first)
        if fits == "iso_6133_b":
            chosen = places[(at >= low) & (at <= high)]
        else:
            lines = np.linspace(low, high, ISO_6133_LINES)
            chosen = places[np.unique(np.abs(at[:, None] - lines).argmin(axis=0))]
        if not len(chosen):
            return _none(rule, parameters, "no peak lies in the central 80 %")
        places = chosen
    return _median_of(trace, fits, parameters, x, places)


def _slope(trace, rule, parameters):
    x, problem = _axis(trace, parameters)
    if problem:
        return _none(rule, parameters, problem)
    keep = _inside(x, parameters.get("start"), parameters.get("stop"))
    n = int(keep.sum())
    if n < 2 or np.ptp(x[keep]) == 0:
        return _none(rule, parameters, "fewer than two different places of the trace lie in the window")
    dx = x[keep] - x[keep].mean()
    f = trace.force[keep]
    value = float(dx @ (f - f.mean()) / (dx @ dx))
    return Reduction(rule, value, _window_of(x, keep), [], n, dict(parameters))


def _break(trace, rule, parameters):
    drop, of = parameters.get("drop", 0.5), parameters.get("of", "extension")
    if not 0 < drop <= 1:
        return _none(rule, parameters, "drop must lie above 0 and up to 1")
    if of not in ("force", "extension", "time"):
        return _none(rule, parameters, "of is 'force', 'extension' or 'time'")
    values = trace.force if of == "force" else trace.axis(of)
    if values is None:
        return _none(rule, parameters, f"the trace has no {of} column")
    force = trace.force
    top = int(np.argmax(force))
    if force[top] <= 0:
        return _none(rule, parameters, "the force never rises above zero")
    fallen = np.flatnonzero(force[top:] <= (1 - drop) * force[top])
    if not len(fallen):
        return _none(rule, parameters, "the trace ends before the force has fallen: no break was recorded")
    at = top + int(fallen[0]) - 1
    x = trace.axis(parameters.get("axis", "extension"))
    place = None if x is None else [float(x[at]), float(x[at + 1])]
    return Reduction(rule, float(values[at]), place, [], 1, dict(parameters))


def _decoded(text, max_bytes: int) -> str:
    if isinstance(text, str):
        if len(text) > max_bytes or len(text.encode("utf-8", "replace")) > max_bytes:
            raise TraceError(f"the file is larger than {max_bytes} bytes")
        return text.lstrip("\ufeff")
    if not isinstance(text, bytes | bytearray):
        raise TraceError("expected the text of a trace")
    raw = bytes(text)
    if len(raw) > max_bytes:
        raise TraceError(f"the file is larger than {max_bytes} bytes")
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encodings = ("utf-16",)
    else:
        encodings = ("utf-8-sig", "latin-1")
    for encoding in encodings:
        try:
            decoded = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" not in decoded:
            return decoded
    raise TraceError("the file is no text: save the trace as CSV")


def _separator(lines: list[str]) -> str:
    """The separator by which most lines are rows of numbers; tab and semicolon go before comma."""
    best, most = ",", 0
    for separator in SEPARATORS:
        rows = (_cells(line, separator, number) for number, line in enumerate(lines[:2000], 1))
        count = sum(_is_data(cells) for cells in rows)
        if count > most:
            best, most = separator, count
    return best


def _cells(line: str, separator: str, number: int) -> list[str]:
    """The cells of a line, trimmed, empty ones at its end left out."""
    try:
        cells = [c.strip() for c in next(csv.reader([line], delimiter=separator), [])]
    except csv.Error as error:
        raise TraceError(f"line {number} could not be read: {error}") from None
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _is_data(cells) -> bool:
    filled = [c for c in cells if c]
    return len(filled) >= 2 and all(_parse(c) is not None for c in filled)


def _parse(cell: str) -> float | None:
    cell = cell.replace("\u2212", "-")
    if not NUMBER.fullmatch(cell):
        return None
    value = float(cell.replace(",", "."))
    return value if np.isfinite(value) else None


def _headings(before: list[list[str]], width: int) -> list[str]:
    """The last row of as many cells as the data that names a column; else the last such row."""
    fitting = [cells for cells in before if len(cells) == width and sum(map(bool, cells)) >= 2]
    named = [cells for cells in fitting if any(_role(c) for c in cells)]
    return (named or fitting or [[]])[-1]


def _role(heading: str) -> str | None:
    words = re.findall(r"[a-z]+", heading.lower())
    return next((role for role, names in ROLES.items() if any(w in names for w in words)), None)


def _choose(asked: dict, heads: list[str], width: int) -> dict[str, int]:
    chosen: dict[str, int] = {}
    for role, which in asked.items():
        if which is not None:
            chosen[role] = _asked_column(role, which, heads, width)
    for role in ("force", "extension", "time"):
        if role in chosen:
            continue
        found = [i for i, h in enumerate(heads) if _role(h) == role and i not in chosen.values()]
        if len(found) > 1:
            names = ", ".join(f"{heads[i]!r} (column {i + 1})" for i in found)
            raise TraceError(f"several columns could be the {role}: {names}; say which")
        if found:
            chosen[role] = found[0]
    if "force" not in chosen and not chosen and width == 2 and not any(_role(h) for h in heads):
        return {"extension": 0, "force": 1}
    if "force" not in chosen:
        named = ", ".join(repr(h) for h in heads) or f"{width} columns without headings"
        raise TraceError(f"no column is known to be the force ({named}); say which")
    if len(set(chosen.values())) < len(chosen):
        raise TraceError("one column was chosen twice")
    return chosen


def _asked_column(role, which, heads, width) -> int:
    if isinstance(which, int) and not isinstance(which, bool):
        if not 1 <= which <= width:
            raise TraceError(f"{role}: there is no column {which}; the trace has {width}")
        return which - 1
    found = [i for i, h in enumerate(heads) if h.casefold() == str(which).strip().casefold()]
    if len(found) != 1:
        named = ", ".join(repr(h) for h in heads) or "no headings"
        raise TraceError(f"{role}: {'no' if not found else 'more than one'} column {which!r} ({named})")
    return found[0]


def _column(data, index, heads) -> np.ndarray:
    out = np.empty(len(data))
    name = f" ({heads[index]})" if heads else ""
    point = comma = plain = 0
    thousands = True
    for k, (line, cells) in enumerate(data):
        cell = cells[index] if index < len(cells) else ""
        value = _parse(cell)
        if value is None:
            raise TraceError(f"line {line}, column {index + 1}{name}: {cell[:40]!r} is no number")
        out[k] = value
        if "," in cell:
            comma, thousands = comma or line, thousands and bool(THOUSANDS.fullmatch(cell))
        elif "." in cell:
            point = point or line
        else:
            plain = plain or line
    if point and comma:
        raise TraceError(
            f"column {index + 1}{name} has decimal points (line {point}) and decimal commas (line {comma})"
        )
    if comma and plain and thousands:
        raise TraceError(
            f"column {index + 1}{name}: the comma of line {comma} may part thousands or decimals; save the "
            "trace with decimal points and without thousands"
        )
    return out

"""The results document as plain JSON: ten significant digits, sorted keys, the same bytes each time."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable

import numpy as np

DIGITS = 10


def rounded(x: float | None) -> float | int | None:
    """`x` at ten significant digits; None where it is absent or not finite; -0.0 becomes 0.0.

    >>> rounded(1 / 3)
    0.3333333333
    >>> rounded(float("inf")) is None
    True
    """
    if x is None:
        return None
    x = float(x)
    if not math.isfinite(x):
        return None
    return float(f"{x:.{DIGITS}g}") + 0.0


# Powers of ten that a double holds exactly; up to here one division gives the nearest double of a decimal.
_EXACT = np.array([float(f"1e{i}") for i in range(23)])
_NEAR_HALF = 1e-4  # nearer to a half than this, the product with a power of ten may lie on its other side


def rounded_array(values: np.ndarray) -> np.ndarray:
    """`values` at ten significant digits, as `rounded` gives them, NaN and infinities kept.

    Digit by digit the same: the ten digits are a whole number that a double holds, and so is the power
    of ten, so that their quotient is the double nearest to the decimal. What lies too near a half to be
    sure, or outside 1e-12 to 1e31, goes through the text.

    >>> rounded_array(np.array([1 / 3, -2e-40, 0.0])).tolist()
    [0.3333333333, -2e-40, 0.0]
    """
    x = np.asarray(values, dtype=float)
    size = np.abs(x)
    known = (size > 1e-12) & (size < 1e31)
    safe = np.where(known, size, 1.0)
    power = DIGITS - 1 - np.floor(np.log10(safe)).astype(int)
    scale = _EXACT[np.abs(power)]
    digits = np.where(power >= 0, safe * scale, safe / scale)
    whole = np.rint(digits)
    exact = np.where(power >= 0, whole / scale, whole * scale)
    sure = known & (np.abs(np.abs(digits - whole) - 0.5) > _NEAR_HALF)
    out = np.where(sure, np.copysign(exact, x), x)
    for i in np.flatnonzero(~sure & np.isfinite(x) & (x != 0)).tolist():
        out.flat[i] = float(f"{x.flat[i]:.{DIGITS}g}")
    return out + 0.0


def rounded_column(values: Iterable[float | None]) -> list[float | None]:
    """Each of `values` by `rounded`, for columns too long to walk through `plain`."""
    x = np.array([math.nan if v is None else v for v in values] if isinstance(values, list) else values, float)
    finite = np.isfinite(x)
    column = rounded_array(x).tolist()
    if not finite.all():
        for i in np.flatnonzero(~finite).tolist():
            column[i] = None
    return column


class Ready(list):
    """Rows that are plain already, every number rounded: `plain` takes them as they are."""


def settled(rows: list[dict], *fields: str, pairs: tuple[str, ...] = ()) -> Ready:
    """`rows` with the numbers of these fields rounded in place, column by column.

    fields: hold a float or None; pairs: a list of two floats, or None. All else in the rows must be plain
    (text, whole numbers, truth values, None, and lists and dicts of these).
    """
    for name in fields:
        for row, x in zip(rows, rounded_column([row[name] for row in rows]), strict=True):
            row[name] = x
    for name in pairs:
        held = [row for row in rows if row[name] is not None]
        ends = rounded_column([x for row in held for x in row[name]])
        for row, low, high in zip(held, ends[::2], ends[1::2], strict=True):
            row[name] = [low, high]
    return Ready(rows)


def plain(value):
    """`value` in plain JSON types: floats rounded, NumPy scalars and arrays unwrapped, NaN as None.

    Dicts keep their keys (as text), lists and tuples become lists.
    TypeError for anything that JSON cannot say.
    """
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, Ready):
        return list(value)
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return rounded(value)
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return [plain(v) for v in value.tolist()]
    raise TypeError(f"{type(value).__name__} has no place in a results document")


def dumps(document: dict) -> bytes:
    """Canonical bytes of a document: UTF-8, keys sorted, no spaces; ValueError on NaN or infinity.

    >>> dumps({"b": 1, "a": [0.5, None]})
    b'{"a":[0.5,null],"b":1}'
    """
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode("utf-8")

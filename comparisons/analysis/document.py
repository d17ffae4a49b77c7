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


def rounded_column(values: Iterable[float]) -> list[float | None]:
    """Each of `values` by `rounded`, for columns too long to walk through `plain`."""
    return [
        float(f"{x:.{DIGITS}g}") + 0.0 if math.isfinite(x) else None
        for x in np.asarray(values, dtype=float).tolist()
    ]


def plain(value):
    """`value` in plain JSON types: floats rounded, NumPy scalars and arrays unwrapped, NaN as None.

    Dicts keep their keys (as text), lists and tuples become lists.
    TypeError for anything that JSON cannot say.
    """
    if value is None or isinstance(value, (bool, str)):
        return value
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

"""Numbers taken in: usable or refused.

The statistics modules refuse rather than guess, so each looks at its inputs first. A number that is
absent, not a number or infinite comes back as None, and the caller gives the reason.
"""

from __future__ import annotations

import numpy as np

# No measurement lies outside these, and inside them squares and ratios neither overflow nor vanish.
LARGEST, SMALLEST = 1e100, 1e-100


def number(x) -> float | None:
    """`x` as a float; None where it is absent, not numeric, NaN, infinite or beyond 1e100.

    Below 1e-100 it is taken for zero.

    >>> number("12"), number(None), number(float("nan")), number(1e-200), number(3)
    (None, None, None, 0.0, 3.0)
    """
    if x is None or isinstance(x, str | bytes | list | tuple | np.ndarray):
        return None
    try:
        value = float(x)
    except (TypeError, ValueError, OverflowError):
        return None
    if not abs(value) <= LARGEST:
        return None
    return value if abs(value) >= SMALLEST else 0.0


def vector(values) -> np.ndarray | None:
    """`values` as a one-dimensional array of floats, each as `number`; None where one is unusable.

    >>> vector([1, 2]), vector([1, float("inf")]), vector([[1, 2]])
    (array([1., 2.]), None, None)
    """
    try:
        array = np.asarray(values)
    except (TypeError, ValueError):
        return None
    if array.ndim != 1:
        return None
    if array.dtype.kind == "O":
        numbers = [number(v) for v in array]
        return None if any(v is None for v in numbers) else np.array(numbers, dtype=float)
    if array.dtype.kind not in "biuf":
        return None
    array = array.astype(float)
    if not (np.abs(array) <= LARGEST).all():
        return None
    array[np.abs(array) < SMALLEST] = 0.0
    return array


def degrees(dof) -> float | None:
    """Degrees of freedom that a t distribution can use: at least 1, infinity allowed.

    >>> degrees(4), degrees(float("inf")), degrees(0), degrees(None)
    (4.0, inf, None, None)
    """
    if dof is None or isinstance(dof, str | bytes | list | tuple | np.ndarray):
        return None
    try:
        value = float(dof)
    except (TypeError, ValueError, OverflowError):
        return None
    return value if value >= 1 else None


def share(x) -> float | None:
    """`x` as a number strictly between 0 and 1, else None: levels, powers, coverages.

    >>> share(0.95), share(1), share(95)
    (0.95, None, None)
    """
    value = number(x)
    return value if value is not None and 0 < value < 1 else None


def groups(labels, n: int) -> np.ndarray | None:
    """Labels of n rows numbered from 0 by first appearance; None where they cannot be used.

    A label that is absent (None, blank, NaN, or a negative index, which elsewhere stands for "not named")
    makes the whole unusable: rows without a name must not be taken for one group.

    >>> groups(["b", "a", "b"], 3), groups(["b", None], 2), groups([0, -1], 2), groups(["a"], 2)
    (array([0, 1, 0]), None, None, None)
    """
    if labels is None or isinstance(labels, str | bytes):
        return None
    try:
        rows = list(labels)
        order = {x: i for i, x in enumerate(dict.fromkeys(rows))}
        absent = any(x is None or x == "" or x != x for x in order)
    except (TypeError, ValueError):
        return None
    absent = absent or any(isinstance(x, int | float | np.number) and x < 0 for x in order)
    if absent or len(rows) != n:
        return None
    return np.array([order[x] for x in rows], dtype=int)

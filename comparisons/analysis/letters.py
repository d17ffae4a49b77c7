"""Compact letter display: products that share a letter were not shown to differ.

Source: H.-P. Piepho (2004), "An algorithm for a letter-based representation of all-pairwise
comparisons", Journal of Computational and Graphical Statistics 13(2), 456-466 (insert and absorb);
the cover for crowded patterns follows the clique-growing heuristic in J. Gramm, J. Guo,
F. Hueffner, R. Niedermeier, H.-P. Piepho and R. Schmid (2007), "Algorithms for compact letter
displays: comparison and evaluation", Computational Statistics and Data Analysis 52(2), 725-736.
Both named from memory.
"""

from __future__ import annotations

import re

import numpy as np

# Maximal groups of an arbitrary pattern can be exponentially many (3^(n/3)). Past this number the
# display is built by growing groups only where a pair is not yet covered: never more than one per pair.
COLUMN_LIMIT = 2000


def compact_letters(different) -> list[str]:
    """Give each item letters such that two items share one if and only if they do not differ.

    Args:
        different: square symmetric array of bool, shape (n, n); True where the pair was shown to
            differ. The diagonal is False. n may be 0.

    Returns:
        One label per item, in the order given. A label is a run of letters such as "ab"; after "z"
        come "a1" ... "z1", "a2" ..., so that `split_letters` takes every label apart in one way.
        Letters are handed out in the order of the items: the first item always has an "a".

    Raises:
        ValueError: the array is not square, holds something other than truth values, is not
            symmetric, or says that an item differs from itself.

    Any pattern is allowed, also a non-transitive one (A unlike C, B like both).

    Source: Piepho (2004), insert and absorb, one item's pairs at a time; redundant columns dropped.

    >>> compact_letters([[False, False, False], [False, False, True], [False, True, False]])
    ['ab', 'a', 'b']
    """
    matrix = _checked(different)
    n = len(matrix)
    if n == 0:
        return []
    alike = [int.from_bytes(row, "little") for row in np.packbits(~matrix, axis=1, bitorder="little")]
    columns = _insert_and_absorb(alike)
    if columns is None:
        columns = _grow_cover(alike)
    members = sorted(m.tolist() for m in _drop_redundant([_members(c, n) for c in columns], n))
    labels: list[list[str]] = [[] for _ in range(n)]
    for position, column in enumerate(members):
        letter = _letter(position)
        for item in column:
            labels[item].append(letter)
    return ["".join(parts) for parts in labels]


def split_letters(label: str) -> list[str]:
    """Take a label of `compact_letters` apart into its letters.

    >>> split_letters("abz1")
    ['a', 'b', 'z1']
    """
    return re.findall(r"[a-z][0-9]*", label)


def _checked(different) -> np.ndarray:
    matrix = np.asarray(different)
    if matrix.size == 0:
        return np.zeros((0, 0), dtype=bool)
    if matrix.ndim != 2 or matrix.shape[0] != matrix.shape[1]:
        raise ValueError(f"the pattern of differences must be square, not of shape {matrix.shape}")
    if matrix.dtype != bool:
        if matrix.dtype.kind not in "iuf" or not np.isin(matrix, (0, 1)).all():
            raise ValueError("the pattern of differences must hold truth values only")
        matrix = matrix.astype(bool)
    if not np.array_equal(matrix, matrix.T):
        raise ValueError("the pattern of differences is not symmetric")
    if matrix.diagonal().any():
        raise ValueError("an item cannot differ from itself")
    return matrix


def _members(mask: int, n: int) -> np.ndarray:
    raw = np.frombuffer(mask.to_bytes((n + 7) // 8, "little"), dtype=np.uint8)
    return np.flatnonzero(np.unpackbits(raw, count=n, bitorder="little"))


def _insert_and_absorb(alike: list[int]) -> list[int] | None:
    """All maximal groups of mutually like items as bit masks; None where there are too many."""
    columns: list[int] = [1]
    for item in range(1, len(alike)):
        bit = 1 << item
        kept, joined = [], set()
        for column in columns:
            shared = column & alike[item]
            joined.add(shared | bit)
            if shared != column:
                kept.append(column)
        columns = kept + _absorb(joined)
        if len(columns) > COLUMN_LIMIT:
            return None
    return columns


def _absorb(columns: set[int]) -> list[int]:
    """The columns that are no part of another."""
    kept: list[int] = []
    for column in sorted(columns, key=lambda c: (-c.bit_count(), c)):
        if not any(column & other == column for other in kept):
            kept.append(column)
    return kept


def _grow_cover(alike: list[int]) -> list[int]:
    """Groups of mutually like items that together hold every like pair and every item."""
    n = len(alike)
    open_pairs = [alike[i] >> (i + 1) << (i + 1) for i in range(n)]
    columns = []
    covered = 0
    for i in range(n):
        while open_pairs[i]:
            first = (open_pairs[i] & -open_pairs[i]).bit_length() - 1
            column = (1 << i) | (1 << first)
            candidates = alike[i] & alike[first] & ~column
            while candidates:
                # Prefer partners whose pair with i is still open: fewer letters in the end.
                pool = (candidates & open_pairs[i]) or candidates
                j = (pool & -pool).bit_length() - 1
                column |= 1 << j
                candidates &= alike[j] & ~column
            columns.append(column)
            covered |= column
            rest = column
            while rest:
                j = (rest & -rest).bit_length() - 1
                open_pairs[j] &= ~column
                rest &= rest - 1
    columns += [1 << i for i in range(n) if not covered >> i & 1]
    return columns


def _drop_redundant(columns: list[np.ndarray], n: int) -> list[np.ndarray]:
    """Leave out columns whose every pair also stands in another column (the smallest first)."""
    if len(columns) < 3:  # a redundant maximal group needs two others to cover it
        return columns
    counts = np.zeros((n, n), dtype=np.int32)
    for column in columns:
        counts[column[:, None], column] += 1
    kept = []
    for column in sorted(columns, key=lambda c: (len(c), c.tolist())):
        block = column[:, None], column
        if len(column) > 1 and counts[block].min() > 1:
            counts[block] -= 1
        else:
            kept.append(column)
    return kept


def _letter(position: int) -> str:
    round_, index = divmod(position, 26)
    return chr(ord("a") + index) + (str(round_) if round_ else "")

"""Seeded random orders in blocks, so that drift of gauge, room or person does not fall on one product.

An order is a sort by SHA-256 of seed and name: every order is equally likely, the same seed gives the
same one in every version of Python, and it does not matter in which order the specimens come in. What
else is to tell two orders apart, such as the trial, is put into the seed.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Piece:
    """A specimen to be placed: its own name, its product's and its unit's."""

    name: str
    product: str
    unit: str


def shuffled(names: Sequence[str], seed: int | str, *about: Hashable) -> list[str]:
    """The names in the random order of a seed; `about` tells one use of the seed from another.

    >>> shuffled(["a", "b", "c"], 1) == shuffled(["c", "a", "b"], 1)
    True
    """
    prefix = "\x1f".join(str(part) for part in (seed, *about))
    return sorted(names, key=lambda name: hashlib.sha256(f"{prefix}\x1f{name}".encode()).digest())


def by_unit(pieces: Sequence[Piece], seed: int | str) -> list[list[str]]:
    """Randomised complete blocks by unit: the k-th block holds the k-th unit of every product.

    Units of a product are dealt to the blocks in random order. Source: randomised complete block design,
    NIST/SEMATECH e-Handbook of Statistical Methods, 5.3.3.2.
    """
    blocks: dict[int, list[str]] = defaultdict(list)
    for product in sorted({piece.product for piece in pieces}):
        units = shuffled(sorted({p.unit for p in pieces if p.product == product}), seed, "units", product)
        for piece in pieces:
            if piece.product == product:
                blocks[units.index(piece.unit)].append(piece.name)
    return [shuffled(blocks[k], seed, "block", k) for k in sorted(blocks)]


def by_day(pieces: Sequence[Piece], seed: int | str, days: int) -> list[list[str]]:
    """Blocks by day: of each product, any two days hold numbers of specimens that differ by one at most.

    The days' totals differ by one at most, too; a product's specimens, and the units among them, are dealt
    to the days one after the other, in random order.
    """
    if days < 1:
        raise ValueError("at least one day is needed")
    blocks: list[list[str]] = [[] for _ in range(days)]
    turn = 0
    for product in shuffled(sorted({piece.product for piece in pieces}), seed, "products"):
        own = {piece.name: piece.unit for piece in pieces if piece.product == product}
        dealt = []
        for unit in shuffled(sorted(set(own.values())), seed, "units", product):
            dealt += shuffled([name for name in own if own[name] == unit], seed, "unit", unit)
        for name in dealt:
            blocks[turn % days].append(name)
            turn += 1
    return [shuffled(block, seed, "day", k) for k, block in enumerate(blocks)]


def in_one(pieces: Sequence[Piece], seed: int | str) -> list[list[str]]:
    """All in one block, in random order."""
    return [shuffled([piece.name for piece in pieces], seed, "all")]

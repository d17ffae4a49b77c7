"""Random orders: reproducible, in blocks, balanced, and truly random."""

from __future__ import annotations

import random
from collections import Counter
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from specimens.bench.ordering import Piece, by_day, by_unit, in_one, shuffled


def pieces(products=4, units=3, replicates=5) -> list[Piece]:
    return [
        Piece(f"p{p}-u{u}-s{s}", f"p{p}", f"p{p}-u{u}")
        for p in range(products) for u in range(units) for s in range(replicates)
    ]  # fmt: skip


def test_the_same_seed_gives_the_same_order_whatever_order_they_come_in():
    some = pieces()
    mixed = random.Random(1).sample(some, len(some))
    for order in (by_unit, in_one, lambda p, seed: by_day(p, seed, 4)):
        assert order(some, 5) == order(mixed, 5)
        assert order(some, 5) != order(some, 6)


def test_an_order_of_long_ago_stays_the_same():
    """Stored seeds must give the same order in years: SHA-256 of seed and name, sorted."""
    assert shuffled(list("abcdef"), 7) == ["d", "f", "b", "c", "a", "e"]


def test_every_order_is_equally_likely():
    """Chi-square over the 24 orders of four names; at 6000 seeds and 0.1 % a fair one fails once in a thousand."""
    found = Counter(tuple(shuffled(list("abcd"), seed)) for seed in range(6000))
    counts = [found[order] for order in permutations("abcd")]
    assert stats.chisquare(counts).pvalue > 0.001


@given(st.integers(0, 2**31))
def test_a_block_by_unit_holds_one_unit_of_every_product(seed):
    blocks = by_unit(pieces(), seed)
    assert [len(block) for block in blocks] == [20, 20, 20]
    for block in blocks:
        assert Counter(name.split("-")[0] for name in block) == {f"p{p}": 5 for p in range(4)}
        assert len({name.rsplit("-", 1)[0] for name in block}) == 4
    assert sorted(sum(blocks, [])) == sorted(p.name for p in pieces())


def test_units_are_dealt_to_blocks_by_chance():
    """Unit 0 of a product is not always in the first block, else drift between blocks would follow units."""
    first = Counter(
        next(name for name in by_unit(pieces(2, 3, 1), seed)[0] if name.startswith("p0")) for seed in range(600)
    )
    assert set(first) == {"p0-u0-s0", "p0-u1-s0", "p0-u2-s0"}
    assert stats.chisquare(list(first.values())).pvalue > 0.001


@given(st.integers(0, 2**31), st.integers(1, 9), st.integers(1, 5), st.integers(1, 4), st.integers(1, 6))
def test_days_hold_equal_shares_of_each_product(seed, days, products, units, replicates):
    some = pieces(products, units, replicates)
    blocks = by_day(some, seed, days)
    sizes = [len(block) for block in blocks]
    assert len(blocks) == days
    assert max(sizes) - min(sizes) <= 1
    for p in range(products):
        shares = [sum(name.startswith(f"p{p}-") for name in block) for block in blocks]
        assert max(shares) - min(shares) <= 1
    assert sorted(sum(blocks, [])) == sorted(p.name for p in some)


def test_drift_over_the_days_does_not_favour_a_product():
    """A gauge that drifts steadily biases the products' means by far less than the drift itself."""
    some = pieces(4, 3, 6)
    order = sum(by_day(some, 11, 6), [])
    drift = {name: at / len(order) for at, name in enumerate(order)}
    means = [
        sum(value for name, value in drift.items() if name.startswith(f"p{p}-")) / 18 for p in range(4)
    ]
    plain = [(p * 18 + 8.5) / 72 for p in range(4)]  # one product after the other
    assert max(means) - min(means) < 0.15 < max(plain) - min(plain)


def test_no_days_is_an_error():
    with pytest.raises(ValueError, match="at least one day"):
        by_day(pieces(), 1, 0)

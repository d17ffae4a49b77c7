"""Compact letter display against published displays, a brute-force oracle and its own definition."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from comparisons.analysis import letters as letters_module
from comparisons.analysis.letters import compact_letters, split_letters

properties = settings(deadline=None, derandomize=True, max_examples=150)


def pattern(n, pairs):
    different = np.zeros((n, n), dtype=bool)
    for i, j in pairs:
        different[i, j] = different[j, i] = True
    return different


def shares(labels):
    """Which pairs share a letter, by matrix product of items and letters."""
    sets = [set(split_letters(label)) for label in labels]
    every = {letter: column for column, letter in enumerate(sorted(set().union(*sets)))}
    table = np.zeros((len(labels), len(every)), dtype=np.float32)
    for row, letters in enumerate(sets):
        table[row, [every[letter] for letter in letters]] = 1
    return table @ table.T > 0


@st.composite
def patterns(draw, most=9):
    n = draw(st.integers(1, most))
    pairs = list(itertools.combinations(range(n), 2))
    return pattern(n, [p for p in pairs if draw(st.booleans())])


@pytest.mark.parametrize(
    ("n", "pairs", "groups"),
    [
        # Output of the R package multcompView (insert and absorb of Piepho 2004), three levels of which
        # only B and C differ: A ab, B a, C b. Letters may be permuted, so groups are compared.
        (3, [(1, 2)], [{0, 1}, {0, 2}]),
        # The same package, four levels, a-b, a-c and b-d differ: a "a", b "b", c "bc", d "ac".
        (4, [(0, 1), (0, 2), (1, 3)], [{0, 3}, {1, 2}, {2, 3}]),
        # Minitab help, paint hardness, Games-Howell: Blend 4 A, 1 AB, 3 AB, 2 B (items in this order).
        (4, [(0, 3)], [{0, 1, 2}, {1, 2, 3}]),
    ],
)
def test_published_displays(n, pairs, groups):
    labels = compact_letters(pattern(n, pairs))
    found = {}
    for item, label in enumerate(labels):
        for letter in split_letters(label):
            found.setdefault(letter, set()).add(item)
    assert sorted(map(sorted, found.values())) == sorted(map(sorted, groups))


def test_the_letters_of_the_paint_case_run_from_the_first_item():
    assert compact_letters(pattern(4, [(0, 3)])) == ["a", "ab", "ab", "b"]


@properties
@given(patterns())
def test_two_share_a_letter_exactly_where_they_do_not_differ(different):
    labels = compact_letters(different)
    assert np.array_equal(shares(labels), ~different)


@properties
@given(patterns(most=7))
def test_every_letter_is_a_maximal_group_found_by_enumeration(different):
    n = len(different)
    alike = [g for r in range(1, n + 1) for g in itertools.combinations(range(n), r)
             if not different[np.ix_(g, g)].any()]  # fmt: skip
    maximal = {g for g in alike if not any(set(g) < set(h) for h in alike)}
    found = {}
    for item, label in enumerate(compact_letters(different)):
        for letter in split_letters(label):
            found.setdefault(letter, []).append(item)
    groups = {tuple(g) for g in found.values()}
    assert groups <= maximal
    assert len(groups) == len(found)
    # No letter is there in vain: each holds an item or a pair that no other letter holds.
    for g in groups:
        rest = [h for h in groups if h != g]
        needed = [set(p) for p in itertools.combinations(g, 2)] or [set(g)]
        assert any(not any(p <= set(h) for h in rest) for p in needed)


@properties
@given(patterns())
def test_letters_are_handed_out_in_the_order_of_the_items(different):
    labels = [split_letters(label) for label in compact_letters(different)]
    assert labels[0][0] == "a"
    seen = [letter for label in labels for letter in label]
    first = list(dict.fromkeys(seen))
    assert all(label == sorted(label) for label in labels)
    # A letter first met at an earlier item never comes after one first met at a later item.
    assert first == sorted(first, key=lambda x: (int(x[1:] or 0), x[0]))


@properties
@given(patterns(), st.randoms(use_true_random=False))
def test_the_groups_do_not_depend_on_the_order(different, random):
    n = len(different)
    order = list(range(n))
    random.shuffle(order)

    def groups(labels, items):
        found = {}
        for item, label in zip(items, labels, strict=True):
            for letter in split_letters(label):
                found.setdefault(letter, set()).add(item)
        return found.values()

    turned = compact_letters(different[np.ix_(order, order)])
    together = {frozenset(p) for g in groups(turned, order) for p in itertools.combinations(sorted(g), 2)}
    assert together == {
        frozenset(p) for g in groups(compact_letters(different), range(n))
        for p in itertools.combinations(sorted(g), 2)
    }  # fmt: skip


def test_a_thousand_equal_items_share_one_letter():
    assert compact_letters(np.zeros((1000, 1000), dtype=bool)) == ["a"] * 1000


def test_a_thousand_different_items_have_a_letter_each():
    labels = compact_letters(~np.eye(1000, dtype=bool))
    assert len(set(labels)) == 1000
    assert [labels[i] for i in (0, 25, 26, 51, 52)] == ["a", "z", "a1", "z1", "a2"]


def test_labels_of_more_than_26_letters_come_apart_in_one_way():
    x = np.arange(120)
    different = np.abs(x[:, None] - x) > 40
    labels = compact_letters(different)
    assert max(len(split_letters(label)) for label in labels) == 41
    assert all("".join(split_letters(label)) == label for label in labels)
    assert np.array_equal(shares(labels), ~different)


@pytest.mark.parametrize(("n", "density"), [(40, 0.5), (200, 0.2), (200, 0.9), (600, 0.5)])
def test_crowded_patterns_without_order(n, density):
    upper = np.triu(np.random.default_rng(n).random((n, n)) < density, 1)
    different = upper | upper.T
    assert np.array_equal(shares(compact_letters(different)), ~different)


@properties
@given(patterns())
def test_the_cover_for_crowded_patterns_says_the_same(different):
    limit = letters_module.COLUMN_LIMIT
    letters_module.COLUMN_LIMIT = 0
    try:
        labels = compact_letters(different)
    finally:
        letters_module.COLUMN_LIMIT = limit
    assert np.array_equal(shares(labels), ~different)


def test_no_items_and_one_item():
    assert compact_letters([]) == []
    assert compact_letters([[False]]) == ["a"]
    assert compact_letters([[0, 1], [1, 0]]) == ["a", "b"]


@pytest.mark.parametrize(
    ("different", "words"),
    [
        ([[False, True]], "square"),
        ([[False, True], [False, False]], "symmetric"),
        ([[True]], "itself"),
        ([[0, 0.5], [0.5, 0]], "truth values"),
        ([[0, float("nan")], [float("nan"), 0]], "truth values"),
        ([["a"]], "truth values"),
    ],
)
def test_what_is_no_pattern_is_refused(different, words):
    with pytest.raises(ValueError, match=words):
        compact_letters(different)

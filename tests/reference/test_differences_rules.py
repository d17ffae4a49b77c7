"""Pairwise differences: when a pair is decided, what is refused, and laws that always hold."""

from __future__ import annotations

import doctest
import importlib
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from comparisons.analysis import exact_tests
from comparisons.analysis.differences import (
    compare_means,
    compare_shares,
    equivalent_within,
    hsu_best,
    welch_anova,
)

from .soundness import assert_sound, compare, summarise

properties = settings(deadline=None, derandomize=True, max_examples=100)


def test_games_howell_only_with_nine_items_each_and_six_products():
    rng = np.random.default_rng(0)
    three = [rng.normal(size=9) for _ in range(3)]
    assert compare(three, n_units=[9, 9, 9]).method == "Games-Howell"
    assert compare(three, n_units=[9, 8, 9]).method == "Welch t with Holm"
    assert compare(three, n_units=[9, None, 9]).method == "Welch t with Holm"
    assert compare(three).method == "Welch t with Holm"
    assert compare([rng.normal(size=9) for _ in range(7)], n_units=[9] * 7).method == "Welch t with Holm"


def test_a_product_without_degrees_of_freedom_has_no_test_and_no_letter():
    found = compare_means([10, 12, 12.1], [0.1, None, 0.1], [4, None, 4], ["A", "B", "C"])
    assert found.letters == {"A": "b", "B": None, "C": "a"}
    assert "degrees of freedom" in found.no_letter["B"]
    rows = {(r["a"], r["b"]): r for r in found.pairs}
    assert rows["A", "B"]["decided"] == rows["B", "C"]["decided"] == "too_few_to_tell"
    assert rows["A", "B"]["p"] is rows["A", "B"]["ci"] is None
    assert rows["A", "B"]["difference"] == -2
    assert "degrees of freedom" in rows["A", "B"]["reason"]
    assert rows["A", "C"]["decided"] == "different"
    # Holm counts only the pair that was tested.
    alone = compare_means([10, 12.1], [0.1, 0.1], [4, 4], ["A", "C"]).pairs[0]
    assert rows["A", "C"]["p"] == alone["p"]
    assert_sound(found)


def test_two_products_without_spread_are_compared_with_the_resolution():
    values = [[5.0, 5.0], [5.1, 5.1], [5.2, 5.2], [5.0, 5.6]]
    mean, u, dof = summarise(values)
    found = compare_means(mean, u, dof, "ABCD", values=values, resolution=0.1)
    rows = {r["a"] + r["b"]: r for r in found.pairs}
    assert rows["AB"]["decided"] == "no_difference_shown"  # one step apart may be the same value
    assert rows["AC"]["decided"] == "different"
    assert rows["AC"]["p"] is None and "resolution" in rows["AC"]["reason"]
    assert rows["AC"]["ci"] == pytest.approx([-0.3, -0.1])
    assert rows["AD"]["p"] is not None
    assert found.omnibus["p"] is None and "spread" in found.omnibus["reason"]
    assert_sound(found)
    # u floored at the resolution does not hide that all readings are equal.
    floored = np.maximum(u, 0.1 / np.sqrt(12))
    again = compare_means(mean, floored, dof, "ABCD", values=values, resolution=[0.1] * 4)
    assert again.pairs.between("A", "C")["p"] is None
    unknown = compare_means(mean, u, dof, "ABCD", values=values)
    assert unknown.pairs.between("A", "C")["decided"] == "too_few_to_tell"
    assert unknown.letters["A"] is unknown.letters["B"] is None
    assert_sound(unknown)


def test_one_product_without_spread_is_still_tested_by_t():
    row = compare([[5.0, 5.0, 5.0], [6.0, 6.2, 6.4]]).pairs[0]
    other = stats.ttest_1samp([6.0, 6.2, 6.4], 5.0)
    assert row["p"] == pytest.approx(other.pvalue)


def test_letters_run_from_the_highest_mean_down():
    found = compare_means([1, 30, 20, 10], [0.1] * 4, [9] * 4, "WXYZ")
    assert found.letters == {"X": "a", "Y": "b", "Z": "c", "W": "d"}


def test_too_few_to_tell_for_shares():
    found = compare_shares([3, 0], [3, 3], ["A", "B"])
    assert found.pairs[0]["decided"] == "too_few_to_tell"
    assert found.letters == {"A": None, "B": None}
    assert "too few" in found.no_letter["A"]
    # Four against four: 0.0286 can be reached alone, not among three pairs.
    assert compare_shares([4, 0], [4, 4], ["A", "B"]).pairs[0]["decided"] == "different"
    three = compare_shares([4, 0, 2], [4, 4, 4], "ABC")
    assert {r["decided"] for r in three.pairs} == {"too_few_to_tell"}
    assert_sound(three)


def test_a_small_sample_does_not_take_the_letters_of_the_others():
    found = compare_shares([1, 20, 2], [1, 20, 20], "ABC")
    assert found.letters["A"] is None
    assert (found.letters["B"], found.letters["C"]) == ("a", "b")
    assert_sound(found)


@pytest.mark.parametrize("n1", range(1, 9))
@pytest.mark.parametrize("n2", range(1, 9))
def test_smallest_fisher_p_by_enumeration(n1, n2):
    every = [(a, b) for a in range(n1 + 1) for b in range(n2 + 1)]
    a, b = (np.array(c) for c in zip(*every, strict=True))
    p = exact_tests.fisher_p(a, np.full(len(a), n1), b, np.full(len(a), n2))
    assert exact_tests.smallest_fisher_p([n1], [n2])[0] == pytest.approx(p.min())


@pytest.mark.parametrize(
    ("passed", "tested", "words"),
    [(3, 0, "no item"), (4, 3, "whole numbers"), (-1, 3, "whole numbers"), (1.5, 3, "whole numbers"),
     (None, 3, "whole numbers"), (2, None, "no item"), (2, float("inf"), "no item"), (2, 1e9, "more than")],
)  # fmt: skip
def test_impossible_counts_have_no_test(passed, tested, words):
    found = compare_shares([passed, 20, 3], [tested, 20, 20], "ABC")
    assert words in found.no_letter["A"]
    assert found.pairs[0]["p"] is None and found.pairs[0]["difference"] is None
    assert found.letters["B"] == "a"
    assert_sound(found)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"labels": ["A", "A", "B"]}, "one name"),
        ({"labels": ["A", "B"]}, "differ in number"),
        ({"mean": [1, 2]}, "differ in number"),
        ({"dof": None}, "differ in number"),
        ({"n_units": [9, 9]}, "differ in number"),
        ({"values": [[1], [2]]}, "values and labels"),
        ({"resolution": [0.1]}, "differ in number"),
        ({"level": 1.0}, "confidence level"),
        ({"level": 95}, "confidence level"),
        ({"level": None}, "confidence level"),
    ],
)
def test_a_comparison_that_cannot_be_made_says_why(change, words):
    given_ = {"mean": [1, 2, 3], "u": [1, 1, 1], "dof": [4, 4, 4], "labels": ["A", "B", "C"]}
    found = compare_means(**(given_ | change))
    assert words in found.reason
    assert len(found.pairs) == 0 and list(found.pairs) == []
    assert set(found.letters.values()) == {None}
    best = {k: v for k, v in change.items() if k in ("labels", "mean", "dof", "level")}
    if best:
        assert words in hsu_best(**(given_ | best)).reason


def test_one_product_or_none():
    assert "fewer than two" in compare_means([1], [1], [3], ["A"]).reason
    assert "fewer than two" in compare_shares([], [], []).reason
    assert "fewer than two" in hsu_best([], [], [], []).reason


def test_hsu_rules():
    clear = hsu_best([10, 20, 12], [0.5] * 3, [9] * 3, "ABC")
    assert [r["excluded"] for r in clear.rows] == [True, False, True]
    assert [r["shown_best"] for r in clear.rows] == [False, True, False]
    turned = hsu_best([10, 20, 12], [0.5] * 3, [9] * 3, "ABC", better="less")
    assert [r["excluded"] for r in turned.rows] == [False, True, True]
    assert "'more' or 'less'" in hsu_best([1, 2], [1, 1], [3, 3], "AB", better="target").reason
    untested = hsu_best([10, 20, 12], [0.5, 0.5, None], [9, 9, None], "ABC")
    assert untested.rows[2]["excluded"] is None and untested.rows[2]["reason"]
    assert untested.candidates() == ["B", "C"]
    assert not untested.rows[1]["shown_best"]
    flat = hsu_best([5.0, 5.3], [0, 0], [3, 3], "AB")
    assert flat.candidates() == ["A", "B"] and flat.rows[0]["ci"] is None and flat.rows[0]["reason"]
    assert hsu_best([5.0, 5.3], [0, 0], [3, 3], "AB", resolution=0.1).candidates() == ["B"]
    alone = hsu_best([1, 2], [1, None], [3, None], "AB").rows[0]
    assert alone["excluded"] is None and alone["reason"]


def test_hsu_of_two_products_is_a_one_sided_t_test():
    x, y = [10.0, 11, 12], [13.0, 13.5, 14.8]
    mean, u, dof = summarise([x, y])
    p = stats.ttest_ind(x, y, equal_var=False, alternative="less").pvalue
    for level in (1 - p - 1e-6, 1 - p + 1e-6):
        assert hsu_best(mean, u, dof, "AB", level=level).rows[0]["excluded"] == (p < 1 - level)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((0.1, 0.1, 5, None), "margin"),
        ((0.1, 0.1, 5, 0), "margin"),
        ((0.1, 0.1, 5, float("nan")), "margin"),
        ((None, 0.1, 5, 1), "difference"),
        ((0.1, None, 5, 1), "uncertainty"),
        ((0.1, -1, 5, 1), "uncertainty"),
        ((0.1, 0, 5, 1), "spread"),
        ((0.1, 0.1, None, 1), "degrees of freedom"),
        ((0.1, 0.1, 5, 1, 0.4), "level"),
    ],
)
def test_equivalence_needs_a_margin_and_a_spread(arguments, words):
    found = equivalent_within(*arguments)
    assert found.equivalent is None and found.p is None and words in found.reason


def test_as_good_as_needs_the_whole_simultaneous_interval_inside():
    found = compare_means([10, 10.1, 15], [0.1] * 3, [9] * 3, "ABC")
    low, high = found.pairs[0]["ci"]
    edge = max(-low, high)
    assert found.pairs.equivalent_within(edge * 1.001).tolist() == [True, False, False]
    assert not found.pairs.equivalent_within(edge * 0.999).any()
    assert not found.pairs.equivalent_within(float("nan")).any()
    assert not found.pairs.equivalent_within(None).any()


def test_between_turns_the_row():
    found = compare_means([1, 30, 20, 10], [0.1] * 4, [9] * 4, "WXYZ")
    for a, b in itertools.permutations("WXYZ", 2):
        row, other = found.pairs.between(a, b), found.pairs.between(b, a)
        assert (row["a"], row["b"]) == (a, b)
        assert row["difference"] == -other["difference"]
        assert row["ci"] == [-other["ci"][1], -other["ci"][0]]
    with pytest.raises(KeyError):
        found.pairs.between("W", "Q")


def test_a_thousand_products():
    rng = np.random.default_rng(0)
    k = 1000
    labels = [f"p{i}" for i in range(k)]
    found = compare_means(rng.normal(50, 5, k), rng.uniform(0.5, 2, k), rng.integers(1, 9, k), labels)
    assert len(found.pairs) == k * (k - 1) // 2
    assert len(found.pairs[:50]) == 50
    assert all(found.letters.values())
    n = rng.integers(3, 40, 300)
    shares = compare_shares(rng.binomial(n, 0.7), n, labels[:300])
    assert len(shares.pairs) == 300 * 299 // 2


# -- laws --------------------------------------------------------------------------------------------

products = st.lists(
    st.tuples(
        st.integers(-500, 500).map(lambda x: x / 10),
        st.integers(1, 80).map(lambda x: x / 20),
        st.one_of(st.none(), st.integers(1, 30)),
    ),
    min_size=2,
    max_size=8,
)


@properties
@given(products, st.integers(-3, 3).map(lambda x: 2.0**x), st.integers(-64, 64))
def test_scale_and_shift_change_no_decision(rows, scale, shift):
    mean, u, dof = (list(c) for c in zip(*rows, strict=True))
    labels = [f"p{i}" for i in range(len(rows))]
    one = compare_means(mean, u, dof, labels)
    two = compare_means([m * scale + shift for m in mean], [v * scale for v in u], dof, labels)
    assert_sound(one)
    assert np.allclose(two.pairs.difference, one.pairs.difference * scale, atol=1e-9)
    assert np.allclose(two.pairs.p, one.pairs.p, atol=1e-9, equal_nan=True)
    assert np.allclose(two.pairs.high, one.pairs.high * scale, atol=1e-7, equal_nan=True)


@properties
@given(products, st.randoms(use_true_random=False))
def test_the_order_of_products_does_not_matter(rows, random):
    labels = [f"p{i}" for i in range(len(rows))]
    order = list(range(len(rows)))
    random.shuffle(order)
    one = compare_means(*zip(*rows, strict=True), labels)
    two = compare_means(*zip(*[rows[i] for i in order], strict=True), [labels[i] for i in order])
    for a, b in itertools.combinations(labels, 2):
        r, s = one.pairs.between(a, b), two.pairs.between(a, b)
        assert r["decided"] == s["decided"]
        assert r["p"] == pytest.approx(s["p"])
        assert r["ci"] == pytest.approx(s["ci"])


wild = st.one_of(
    st.none(),
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([0.0, -0.0, 1e-300, 1e300, -1e308, 5e-324, 1.0, 1]),
)


@properties
@given(st.lists(st.tuples(wild, wild, wild, wild), min_size=2, max_size=6), wild)
def test_nothing_gets_out_that_is_no_number(rows, resolution):
    mean, u, dof, units = (list(c) for c in zip(*rows, strict=True))
    labels = [f"p{i}" for i in range(len(rows))]
    assert_sound(compare_means(mean, u, dof, labels, n_units=units, resolution=resolution))
    for value in welch_anova(mean, u, dof).values():
        assert value is None or isinstance(value, str) or np.isfinite(value)
    for row in hsu_best(mean, u, dof, labels, resolution=resolution).rows:
        assert row["ci"] is None or np.isfinite(row["ci"]).all()
        assert row["ci"] is not None or row["reason"]
    assert_sound(compare_shares(mean, u, labels))
    found = equivalent_within(mean[0], u[0], dof[0], units[0])
    assert found.ci is None or np.isfinite(found.ci).all()


@properties
@given(st.integers(1, 12).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.integers(1, 12))
def test_passing_once_more_never_lowers_the_difference_in_shares(first, m):
    k, n = first
    one = compare_shares([k, m // 2], [n, m], "AB").pairs[0]
    two = compare_shares([min(k + 1, n), m // 2], [n, m], "AB").pairs[0]
    assert two["difference"] >= one["difference"]


@pytest.mark.parametrize(
    "module",
    ["letters", "pairs", "differences", "best", "panels", "exact_tests", "ratings", "censored", "traces"],
)
def test_examples_in_the_documentation_hold(module):
    result = doctest.testmod(importlib.import_module(f"comparisons.analysis.{module}"))
    assert result.attempted > 0
    assert result.failed == 0

"""Ratings: when a panel decides, what is refused, and laws that always hold."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from comparisons.analysis.panels import compare_ratings
from comparisons.analysis.ratings import (
    agreement,
    friedman,
    kendall_w,
    krippendorff_alpha,
    rated_medians,
    rater_centred_means,
    resampled_means,
    skillings_mack,
)

from .soundness import assert_sound, one_rating_each

properties = settings(deadline=None, derandomize=True, max_examples=100)
NAN = float("nan")


@pytest.mark.parametrize(
    ("raters", "decided"), [(2, "too_few_to_tell"), (5, "too_few_to_tell"), (6, "different")]
)
def test_few_raters_cannot_decide(raters, decided):
    # The smallest two-sided p of m raters is 2^(1 - m): 0.0625 for five, 0.03125 for six.
    found = compare_ratings([[7, 1]] * raters, "AB")
    assert found.pairs[0]["decided"] == decided
    assert found.pairs[0]["p"] == 2.0 ** (1 - raters)
    assert (found.letters["A"] is None) == (decided == "too_few_to_tell")
    assert_sound(found)


def test_the_answer_for_two_products_does_not_change_with_the_others_ratings():
    rng = np.random.default_rng(0)
    table = np.column_stack([rng.integers(3, 8, 20), rng.integers(1, 6, 20), rng.integers(1, 8, 20)])
    other = table.copy()
    other[:, 2] = rng.integers(1, 8, 20)
    one, two = (compare_ratings(t, "ABC").pairs[0] for t in (table, other))
    assert one["difference"] == two["difference"] and one["ci"] == two["ci"]


def test_pairs_without_a_common_rater_are_not_tested():
    table = np.full((16, 3), np.nan)
    table[:8, 0], table[:8, 1] = 7, range(8)
    table[8:, 1], table[8:, 2] = 7, range(8)
    found = compare_ratings(table, "ABC")
    row = found.pairs.between("A", "C")
    assert row["decided"] == "too_few_to_tell" and row["reason"] == "no rater rated both"
    assert row["p"] is row["ci"] is row["difference"] is None
    assert found.letters["A"] is found.letters["C"] is None
    assert found.omnibus["test"] == "Skillings-Mack"
    assert_sound(found)


def test_dunn_only_where_no_rater_rated_two():
    table = one_rating_each([[1, 2, 3], [4, 5, 6]])
    assert compare_ratings(table, "AB").method.startswith("Dunn")
    table[0, 1] = 2
    assert compare_ratings(table, "AB").method.startswith("Exact Wilcoxon")


def test_smallest_p_that_dunn_can_reach_with_three_times_three_ratings():
    # By enumeration of all 1680 ways to give nine different ranks to three products.
    least = 1.0
    for first in itertools.combinations(range(1, 10), 3):
        rest = [r for r in range(1, 10) if r not in first]
        for second in itertools.combinations(rest, 3):
            gap = abs(sum(first) - sum(second)) / 3
            least = min(least, 2 * stats.norm.sf(gap / np.sqrt(9 * 10 / 12 * 2 / 3)))
    found = compare_ratings(one_rating_each([[7, 8, 9], [4, 5, 6], [1, 2, 3]]), "ABC")
    assert found.pairs.between("A", "C")["p"] == pytest.approx(3 * least)
    assert found.pairs.between("A", "C")["decided"] == "different"
    # One rating each can decide nothing, whatever it says.
    alone = compare_ratings(one_rating_each([[1], [4], [7]]), "ABC")
    assert {r["decided"] for r in alone.pairs} == {"too_few_to_tell"}
    assert_sound(alone)


def test_two_times_two_ratings_can_decide_nothing():
    # Mean ranks 1.5 and 3.5 at the most: z 1.549, p 0.12.
    found = compare_ratings(one_rating_each([[6, 7], [6, 7]]), "AB")
    assert found.pairs[0]["decided"] == "too_few_to_tell"
    assert_sound(found)


@pytest.mark.parametrize(("n", "depth"), [(6, 1), (8, 1), (9, 2), (10, 2), (12, 3), (15, 4), (20, 6)])
def test_the_interval_of_the_sign_test_is_the_tabled_order_statistic(n, depth):
    # Depths of the 95 % interval of a median in the usual tables of the sign test (from memory).
    d = np.random.default_rng(n).permutation(np.arange(n)) + 0.5
    row = compare_ratings(np.column_stack([d, np.zeros(n)]), "AB", test="sign").pairs[0]
    assert row["ci"] == [depth - 0.5, n - depth + 0.5]
    assert row["difference"] == n / 2


def test_all_ratings_equal():
    for table in (np.full((8, 3), 4.0), one_rating_each([[4, 4, 4]] * 3)):
        found = compare_ratings(table, "ABC")
        assert {r["decided"] for r in found.pairs} == {"no_difference_shown"}
        assert set(found.letters.values()) == {"a"}
        assert found.omnibus["p"] is None and found.omnibus["reason"]
        assert_sound(found)
    assert kendall_w(np.full((8, 3), 4.0)) == (None, None)
    assert krippendorff_alpha(np.full((8, 3), 4.0)) is None
    mean, u, _ = rater_centred_means(np.full((8, 3), 4.0))
    assert mean == [4.0] * 3 and u == [0.0] * 3


def test_a_product_that_nobody_rated():
    table = np.column_stack([np.full(8, 7.0), np.full(8, np.nan), np.arange(8)])
    found = compare_ratings(table, "ABC")
    assert found.no_letter == {"B": "no rating"}
    assert found.pairs[0]["reason"] == "B: no rating"
    assert rater_centred_means(table)[0][1] is None
    assert rated_medians(table, np.random.default_rng(0))[1].reason == "no rating"
    assert_sound(found)


@pytest.mark.parametrize(
    ("table", "labels", "words"),
    [
        ([[1, 2]], "ABC", "number of products"),
        ([], "AB", "no ratings"),
        ([[NAN, NAN]], "AB", "no ratings"),
        ([[1, float("inf")]], "AB", "infinite"),
        ([[1, 2], [1]], "AB", "no table"),
        ([["good", "bad"]], "AB", "no table"),
        (None, "AB", "no table"),
        (3, "AB", "no table"),
        ([[1, 2]], "AA", "one name"),
        ([[1]], "A", "fewer than two"),
    ],
)
def test_what_is_no_table_is_refused(table, labels, words):
    found = compare_ratings(table, list(labels))
    assert words in found.reason and len(found.pairs) == 0
    if "name" not in words and "fewer" not in words and "number" not in words:
        said = agreement(table)
        assert said.kendall_w is None and words in said.w_reason and words in said.alpha_reason
        assert words in friedman(table).reason and words in skillings_mack(table).reason
        assert resampled_means(table, np.random.default_rng(0)) == (None, found.reason)


def test_unknown_test_and_level():
    assert "no such test" in compare_ratings([[1, 2]], "AB", test="t").reason
    assert "confidence level" in compare_ratings([[1, 2]], "AB", level=2).reason
    assert krippendorff_alpha([[1, 2], [1, 2]], "cardinal") is None
    assert krippendorff_alpha([[-1, 2], [-1, 2]], "ratio") is None
    assert "level" in rated_medians([[1]] * 9, np.random.default_rng(0), level=1)[0].reason


# Krippendorff's four observers and twelve units; alpha 0.815 by rank.
OBSERVERS = [
    [1, 2, 3, 3, 2, 1, 4, 1, 2, NAN, NAN, NAN],
    [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, NAN, 3],
    [NAN, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, NAN],
    [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, NAN],
]


def test_agreement_in_words():
    assert agreement([[1, 2, 3]]).words == "one rater: an opinion"
    two = agreement([[1, 2, 3], [1, 2, 3]])
    assert two.opinion and two.words.startswith("two raters: an opinion")
    three = agreement([[1, 2, 3]] * 3)
    assert not three.opinion and three.words == "the raters agree" and three.alpha == 1.0
    against = agreement([[1, 5, 2], [5, 1, 4], [1, 5, 1]])
    assert against.alpha < 0 and against.words == "the raters disagree"
    assert agreement(OBSERVERS).words == "the raters agree"
    assert agreement(OBSERVERS).w_reason == "not every rater rated every product"
    assert (agreement(OBSERVERS).raters, agreement(OBSERVERS).products) == (4, 12)


def test_an_opinion_has_a_mean_and_no_uncertainty():
    for table in ([[1, 5]], [[1, 5], [2, 4]]):
        mean, u, dof = rater_centred_means(table)
        assert None not in mean and u == dof == [None, None]
    assert rater_centred_means([]) == ([], [], [])


def test_products_that_nothing_links_have_no_mean():
    table = np.full((8, 4), np.nan)
    table[:5, :2] = np.arange(10).reshape(5, 2)
    table[5:, 2:] = 1
    mean, _, _ = rater_centred_means(table)
    assert None not in mean[:2] and mean[2:] == [None, None]
    assert "linked" in resampled_means(np.vstack([table, table]), np.random.default_rng(0))[1]


def test_different_raters_give_plain_means():
    mean, u, dof = rater_centred_means(one_rating_each([[1, 2, 4], [3, 3, 5, 6], [7]]))
    assert mean == pytest.approx([7 / 3, 4.25, 7])
    assert u[:2] == pytest.approx([stats.sem([1, 2, 4]), stats.sem([3, 3, 5, 6])])
    assert (u[2], dof) == (None, [2, 3, None])


def test_resampling_needs_eight_raters():
    assert "fewer than 8" in resampled_means([[1, 2]] * 7, np.random.default_rng(0))[1]
    medians = rated_medians(np.tile([[1.0], [5]], (4, 2)), np.random.default_rng(0))
    assert medians[0].ci == [1.0, 5.0] and medians[0].median == 3.0 and medians[0].n == 8


@pytest.mark.parametrize("n", [9, 25])
def test_the_interval_of_a_median_covers(n):
    rng = np.random.default_rng(n)
    table = rng.normal(4, 1, (n, 1500))
    covered = [m.ci[0] <= 4 <= m.ci[1] for m in rated_medians(table, rng, draws=400)]
    # Percentile intervals of a median stay a little under their level (Hesterberg 2015 on small samples).
    assert 0.9 <= np.mean(covered) <= 0.98


def test_the_interval_of_a_median_is_widened():
    values = np.array([1.0, 2, 3, 4, 5, 6, 7, 8, 9, 10])
    drawn = np.median(values[np.random.default_rng(3).integers(0, 10, (500, 10))], axis=1)
    low, high = np.quantile(drawn, [0.025, 0.975])
    ci = rated_medians(values[:, None], np.random.default_rng(3), draws=500)[0].ci
    assert np.array(ci) - 5.5 == pytest.approx((np.array([low, high]) - 5.5) * np.sqrt(10 / 9))


def test_a_rater_of_one_product_adds_nothing():
    table = np.random.default_rng(1).integers(1, 8, (5, 3)).astype(float)
    more = np.vstack([table, [7, np.nan, np.nan]])
    assert rater_centred_means(more) == rater_centred_means(table)


def test_constants_added_by_raters_change_nothing_but_the_level():
    rng = np.random.default_rng(9)
    table = rng.integers(1, 8, (6, 4)).astype(float)
    shifted = table + rng.integers(-3, 4, (6, 1))
    one, two = rater_centred_means(table), rater_centred_means(shifted)
    assert np.diff(one[0]) == pytest.approx(np.diff(two[0]))
    assert one[1] == pytest.approx(two[1])


ratings = st.one_of(st.none(), st.integers(1, 7))
tables = st.tuples(st.integers(1, 9), st.integers(2, 5)).flatmap(
    lambda s: st.lists(st.lists(ratings, min_size=s[1], max_size=s[1]), min_size=s[0], max_size=s[0])
)


@properties
@given(tables)
def test_every_table_has_an_answer_without_nan(table):
    k = len(table[0])
    for test in ("wilcoxon", "sign"):
        found = compare_ratings(table, list(range(k)), test=test)
        if found.reason is None:
            assert_sound(found)
            assert all(not isinstance(v, float) or np.isfinite(v) for v in found.omnibus.values())
    said = agreement(table)
    assert (said.kendall_w is None) == (said.w_reason is not None)
    assert (said.alpha is None) == (said.alpha_reason is not None)
    assert said.kendall_w is None or 0 <= said.kendall_w <= 1
    assert said.alpha is None or said.alpha <= 1
    for values in rater_centred_means(table):
        assert len(values) == k and all(v is None or np.isfinite(v) for v in values)
    for median in rated_medians(table, np.random.default_rng(0), draws=50):
        assert (median.ci is None) == (median.reason is not None)
    drawn, reason = resampled_means(table, np.random.default_rng(0), 20)
    assert (drawn is None) == (reason is not None)
    assert drawn is None or np.isfinite(drawn).all()


@properties
@given(tables)
def test_a_mirrored_scale_mirrors_the_differences(table):
    mirrored = [[None if v is None else 8 - v for v in row] for row in table]
    labels = list(range(len(table[0])))
    one, two = compare_ratings(table, labels), compare_ratings(mirrored, labels)
    if one.reason is None:
        assert np.allclose(one.pairs.difference, -two.pairs.difference, equal_nan=True)
        assert np.allclose(one.pairs.p, two.pairs.p, equal_nan=True)
        assert np.array_equal(one.pairs.decided, two.pairs.decided)
    a, b = krippendorff_alpha(table), krippendorff_alpha(mirrored)
    assert a is b is None or a == pytest.approx(b)

"""Other weights: shares of the weight space, smallest shifts against a linear programme, what is left out."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.optimize import linprog

from comparisons.analysis.drawing import generator
from comparisons.analysis.ranking import mc_error
from comparisons.analysis.study import Criterion
from comparisons.analysis.value_functions import ValueFunction
from comparisons.analysis.weights import (
    KAPPA,
    add_weights,
    least_shift,
    leave_product_out,
    rank_sum_row,
    shift_to,
    shifts_to,
    smallest_shift_row,
    table_of,
    weight_sd,
    winner_shares,
)

from .score_cases import boarded, made, made_study, rows


def case(scores, weights=None, missing="renormalise", **more):
    """(study, estimates, board, table) of criteria whose values are their scores; rows: criteria."""
    lines = np.asarray(scores, dtype=float)
    estimates = [made(f"c{i}", line, trial=i, **more) for i, line in enumerate(lines)]
    study = made_study(estimates)
    named = None if weights is None else {f"c{i}": float(w) for i, w in enumerate(weights)}
    board = boarded(study, estimates, named, missing)
    return study, estimates, board, table_of(estimates, board)


def near(p):
    return pytest.approx(p, abs=4 * float(mc_error(p, 20_000)))


# Shares of the weight space


def test_share_of_two_criteria_against_the_closed_form():
    # A (.8, .3) against B (.5, .5): A is better from w1 = .4 on, so it wins .6 of uniform weights.
    *_, table = case([[80, 50], [30, 50]])
    assert winner_shares(table, np.ones(2), 1, 0) == pytest.approx([0.6, 0.4], abs=0.0139)  # four MC errors


def test_products_that_are_best_in_one_criterion_each_share_the_simplex():
    # Three unit vectors, uniform weights: one third each.
    *_, table = case(np.eye(3) * 100)
    assert winner_shares(table, np.ones(3), 1, 0) == near(1 / 3)


def test_a_dominated_product_wins_no_weights():
    # After the case in R package smaa, tests/nacw.R: acceptability zero.
    *_, table = case([[80, 50, 40], [30, 50, 40]])
    assert winner_shares(table, np.ones(2), 1, 0)[2] == 0


def test_equal_products_share_every_weighting():
    *_, table = case([[80, 80, 10], [30, 30, 90]])
    shares = winner_shares(table, np.ones(2), 1, 0)
    assert shares[0] == shares[1] and shares.sum() == pytest.approx(1)


def test_weights_wander_as_told():
    # Dirichlet with alpha = kappa w: the SD of a weight of 0.25 is 0.05 at kappa = 74.
    assert weight_sd(np.array([0.25]), 74.0) == pytest.approx(0.05)
    w = np.array([0.5, 0.25, 0.15, 0.1])
    drawn = np.random.default_rng(1).dirichlet(KAPPA * w, 200_000)
    assert drawn.std(axis=0) == pytest.approx(weight_sd(w), rel=0.01)


def test_share_around_stated_weights_against_the_beta_distribution():
    # Two criteria: w1 ~ Beta(kappa w, kappa (1 - w)); A wins above .4.
    from scipy.stats import beta

    *_, table = case([[80, 50], [30, 50]], [0.45, 0.55])
    exact = beta.sf(0.4, 74 * 0.45, 74 * 0.55)
    assert winner_shares(table, 74 * table.weights, 1, 0)[0] == near(exact)


def test_a_weight_of_zero_stays_zero():
    study, estimates, board, table = case([[80, 50], [30, 50], [0, 100]], [1, 1, 0])
    assert table.ids == ("c0", "c1")
    card, _ = rows(study, estimates, board)
    add_weights(card, study, estimates, board, 0)
    assert set(card["weight_sd"]) == {"c0", "c1"} and card["kappa"] == KAPPA
    assert card["winner_share_of_all_weights"]["p0"] == near(0.6)


@pytest.mark.parametrize(
    "published", [[0.6111, 0.2778, 0.1111], [0.5208, 0.2708, 0.1458, 0.0625]]
)
def test_rank_order_centroid_weights(published):
    # W. Edwards and F. H. Barron (1994), OBHDP 60, 306-325 (from memory): the centroid of all weights in
    # one order, so the mean of the simplex' draws put in order. Each unit vector scores its weight.
    n = len(published)
    drawn = generator(1, "weights", 0, 0).dirichlet(np.ones(n), 100_000)
    assert np.sort(drawn, axis=1)[:, ::-1].mean(axis=0) == pytest.approx(published, abs=2e-3)
    *_, board, table = case(np.eye(n) * 100, published)
    assert board.score / 100 == pytest.approx(published, abs=1e-4)
    assert table.totals(table.weights[None, :])[0] == pytest.approx(board.score)


# The smallest shift


def by_linprog(w, gain):
    """The same linear programme by HiGHS: least half-sum of |w' - w| with gain @ w' >= 0."""
    n = len(w)
    done = linprog(
        np.full(2 * n, 0.5), A_ub=-np.r_[gain, -gain][None, :], b_ub=[gain @ w],
        A_eq=np.r_[np.ones(n), -np.ones(n)][None, :], b_eq=[0.0],
        bounds=[(0, None)] * n + [(0, x) for x in w], method="highs",
    )  # fmt: skip
    return done.fun if done.status == 0 else None


weights_ = arrays(float, st.integers(2, 6), elements=st.floats(0.05, 1))


@given(weights_, st.data())
@settings(max_examples=60, deadline=None)
def test_least_shift_is_the_linear_programme_s_optimum(w, data):
    w = w / w.sum()
    gain = data.draw(arrays(float, len(w), elements=st.integers(-60, 60).map(float)))
    found, exact = least_shift(w, gain), by_linprog(w, gain)
    if exact is None:
        assert found is None
        return
    size, to = found
    assert size == pytest.approx(exact, abs=1e-7)
    assert to.sum() == pytest.approx(1) and (to >= -1e-12).all()
    assert np.abs(to - w).sum() / 2 == pytest.approx(size, abs=1e-9)
    assert gain @ to >= -1e-7


def test_least_shift_by_hand():
    # 60/40, the rival loses 10 in one and gains 10 in the other: level at 50/50, a shift of 0.1.
    study, estimates, board, table = case([[60, 50], [50, 60]], [0.6, 0.4])
    found = smallest_shift_row(study, table, board)
    assert found["shift"] == pytest.approx(0.1) and found["rival"] == "p1" and not found["approximate"]
    assert found["moves"] == [
        {"criterion": "c0", "from": pytest.approx(0.6), "to": pytest.approx(0.5)},
        {"criterion": "c1", "from": pytest.approx(0.4), "to": pytest.approx(0.5)},
    ]
    assert found["text"] == (
        "p1 draws level with p0 where 10.0 % of the weight moves "
        "from c0 (60.0 to 50.0 %) to c1 (40.0 to 50.0 %)"
    )


def test_no_weights_make_a_dominated_product_win():
    study, _, board, table = case([[60, 50], [50, 40]])
    found = smallest_shift_row(study, table, board)
    assert found["shift"] is None and found["reason"] == "no weights do it"


def test_gated_products_are_no_rivals():
    gate = np.array(["", "", "does not reach what is required"], dtype=object)
    estimates = [made("c0", [60, 40, 59.0]), made("c1", [50.0, 60, 51], trial=1)]
    estimates[0].gated[:] = gate
    study = made_study(estimates)
    board = boarded(study, estimates)
    found = smallest_shift_row(study, table_of(estimates, board), board)
    assert set(found["rivals"]) == {"p1"}


def test_what_both_miss_is_no_way_to_draw_level():
    study, _, board, table = case([[60, 50, 0], [np.nan, np.nan, 5], [50, 40, 0]])
    found = shift_to(table, 0, 1)
    assert found.size is None and not found.approximate


def test_missing_at_worst_is_a_constant_and_exact():
    study, _, board, table = case([[60, 50], [np.nan, 60]], [0.9, 0.1], "worst_case")
    assert board.leaders == [0]
    found = shift_to(table, 0, 1)
    # 60 (1 - x) = 50 (1 - x) + 60 x at x = 1/7.
    assert not found.approximate and found.size == pytest.approx(1 / 7 - 0.1)


def test_different_gaps_are_searched_and_labelled():
    # The leader has c0 alone, the rival both: 60 against 50 w + 90 (1 - w), level at w = .75.
    study, _, board, table = case([[60, 50], [np.nan, 90]], [0.9, 0.1])
    found = shift_to(table, 0, 1)
    assert found.approximate and found.size == pytest.approx(0.15, abs=1e-3)
    row = smallest_shift_row(study, table, board)
    assert row["approximate"] and "about" in row["text"]


@given(st.integers(0, 10_000))
@settings(max_examples=12, deadline=None)
def test_a_search_finds_no_more_than_trying_all_weights_does(seed):
    # Three criteria, each product missing another one: all weightings on a grid of 1 % as the reference.
    rng = np.random.default_rng(seed)
    scores = rng.uniform(20, 90, (3, 2))
    scores[0, 0] = scores[1, 1] = np.nan
    _, _, board, table = case(scores, rng.uniform(1, 3, 3))
    leader = board.leaders[0]
    found = shift_to(table, leader, 1 - leader)
    grid = np.array([(i, j, 100 - i - j) for i in range(101) for j in range(101 - i)]) / 100
    totals = table.totals(grid)
    level = np.isfinite(totals).all(axis=1) & (totals[:, 1 - leader] >= totals[:, leader])
    if not level.any():
        assert found.size is None or found.size > 0
        return
    tried = (np.abs(grid - table.weights).sum(axis=1) / 2)[level].min()
    assert found.approximate and found.size <= tried + 1e-6
    assert found.size >= tried - 0.02  # the grid's own step
    moved = table.totals(found.to[None, :])[0]
    assert moved[1 - leader] >= moved[leader] - 1e-6


def test_only_searches_that_could_matter_are_made():
    # p1 draws level at once; p2 would need far more, whatever a search might find.
    study, _, board, table = case([[60, 57, 10], [50, 52, np.nan], [50, 50, 12]])
    near, far = shifts_to(table, 0, [1, 2])
    # -3 x + 2 y = 0 from thirds: the least shift moves 1/15 from the first to the second.
    assert near.size == pytest.approx(1 / 15) and not near.approximate
    assert far.size is None and far.skipped
    assert smallest_shift_row(study, table, board)["rival"] == "p1"


@given(arrays(float, st.tuples(st.integers(2, 4), st.just(3)), elements=st.integers(0, 100).map(float)))
@settings(max_examples=40, deadline=None)
def test_a_strictly_dominated_complete_product_wins_under_no_weights(scores):
    better = np.minimum(scores[:, 1] + 1, 100)
    assume((better > scores[:, 1]).all())
    scores[:, 0] = better
    *_, table = case(scores)
    weights = np.vstack([np.random.default_rng(1).dirichlet(np.ones(len(scores)), 200), np.eye(len(scores))])
    totals = table.totals(weights)
    assert (totals[:, 0] > totals[:, 1]).all()
    assert shift_to(table, 0, 1).size is None
    assert winner_shares(table, np.ones(len(scores)), 1, 0)[1] == 0


# Left out in turn, and the rank sum


def test_on_fixed_anchors_leaving_a_product_out_changes_no_order():
    study, estimates, board, _ = case([[60, 50, 40], [50, 60, 10]], [0.6, 0.4])
    found = leave_product_out(study, estimates, board)
    assert found["p0"] == {"leaders": ["p1"], "order_changes": False}
    assert found["p2"] == {"leaders": ["p0"], "order_changes": False}


def test_on_anchors_from_the_results_it_can():
    # c0 spans 0 to 100 only because of p2: without it p0 and p1 are the ends of the scale.
    values = [[60.0, 50.0, 100.0], [40.0, 60.0, 0.0]]
    span = [ValueFunction("more", 50.0, 100.0), ValueFunction("more", 0.0, 60.0)]
    estimates = [
        made(f"c{i}", v, trial=i, function=f, flags=("anchors_from_data",))
        for i, (v, f) in enumerate(zip(values, span, strict=True))
    ]
    estimates = [replace(e, criterion=Criterion(e.criterion.id, "trial", e.criterion.ref)) for e in estimates]
    study = made_study(estimates)
    board = boarded(study, estimates, {"c0": 0.45, "c1": 0.55})
    assert board.rank.tolist() == [2, 1, 3]
    found = leave_product_out(study, estimates, board)
    # Without p2: p0 scores 100 and 0, p1 0 and 100.
    assert found["p2"] == {"leaders": ["p1"], "order_changes": False}
    board = boarded(study, estimates, {"c0": 0.6, "c1": 0.4})
    found = leave_product_out(study, estimates, board)
    assert board.leaders == [2] and found["p1"]["leaders"] == ["p2"]
    assert found["p2"]["leaders"] == ["p0"]


def test_where_the_rank_sum_disagrees_it_says_why():
    # p1 is better by a hair in two of three criteria, p0 by a landslide in the third.
    study, estimates, board, _ = case([[50, 51], [50, 51], [90, 10]])
    found = rank_sum_row(study, estimates, board)
    assert found["leaders"] == ["p1"] and not found["agrees"] and found["cause"] == "margins"
    assert found["why"].startswith("p1 is the better in 2 of 3 criteria, but p0 leads by 80.0 points in c2")


def test_where_the_weights_make_the_difference_the_cause_is_told():
    study, estimates, board, _ = case([[60, 50], [40, 60], [40, 60]], [10, 1, 1])
    found = rank_sum_row(study, estimates, board)
    assert found["leaders"] == ["p1"] and found["cause"] == "weights"
    assert "83 % of the weight" in found["why"]


def test_a_rank_sum_that_agrees_needs_no_reason():
    study, estimates, board, _ = case([[60, 50], [70, 60]])
    assert rank_sum_row(study, estimates, board) == {
        "leaders": ["p0"], "agrees": True, "why": None, "compared": ["p0", "p1"]
    }


def test_shares_and_shifts_of_the_same_study_are_the_same():
    _, _, board, table = case([[80, 50], [30, 50]])
    assert (winner_shares(table, np.ones(2), 1, 0) == winner_shares(table, np.ones(2), 1, 0)).all()
    assert (winner_shares(table, np.ones(2), 2, 0) != winner_shares(table, np.ones(2), 1, 0)).any()
    assert math.isclose(winner_shares(table, np.ones(2), 2, 0).sum(), 1)

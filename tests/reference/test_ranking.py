"""How sure ranks are: closed forms, published constants, and what must hold of any draws."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from comparisons.analysis import dumps, evaluate
from comparisons.analysis.document import plain
from comparisons.analysis.drawing import (
    Weighed,
    draw,
    plan_of,
)
from comparisons.analysis.gauges import gauge_errors
from comparisons.analysis.ranking import (
    MOST_PAIRED,
    _sorted_ranks,
    add_ranks,
    mc_error,
    on_grid,
    rank_interval,
    ranks_of,
    score_interval,
)
from comparisons.analysis.study import Criterion, Trial, Weighting

from .build import BREAK, FORCE, reading, row, study
from .score_cases import boarded, made, made_study, rows, sure

N = 20_000


def near(p, draws=N):
    """A probability within four Monte Carlo standard errors, as a test sees it."""
    return pytest.approx(p, abs=4 * float(mc_error(p, draws)))


# Closed forms


def test_two_normal_products_against_the_closed_form():
    # P(A beats B) = Phi(delta / sqrt(u1^2 + u2^2)): 10.0 +- 0.3 against 9.5 +- 0.4 gives Phi(1) = .841345.
    s = sure([made("x", [10.0, 9.5], [0.3, 0.4])])
    assert s.beats(0, 1) == near(0.841345)
    assert s.p_best(0) == pytest.approx(s.beats(0, 1))
    assert s.beats(0, 1) + s.beats(1, 0) == pytest.approx(1)


def test_three_products_of_equal_spread_share_every_rank():
    s = sure([made("x", [50.0, 50.0, 50.0], 5.0)])
    assert s.ranks.p_rank == near(1 / 3)


def test_three_equal_means_with_unequal_spread():
    # sd 2, 1, 1: P(best) .397584 .301208 .301208, by Sheppard's 1/4 + asin(rho)/(2 pi) with rho = .8 and
    # 1/sqrt(10); P(worst) is the same by symmetry.
    rho = [0.8, 1 / math.sqrt(10), 1 / math.sqrt(10)]
    exact = [0.25 + math.asin(r) / (2 * math.pi) for r in rho]
    assert exact == pytest.approx([0.397584, 0.301208, 0.301208], abs=1e-6)
    s = sure([made("x", [50.0, 50.0, 50.0], [4.0, 2.0, 2.0])], draws=100_000)
    for p in range(3):
        assert s.ranks.p_best[p] == near(exact[p], 100_000)
        assert s.ranks.p_rank[p, 2] == near(exact[p], 100_000)


@pytest.mark.parametrize(
    ("k", "lead", "p"),
    [(2, 2.3262, 0.95), (3, 2.7101, 0.95), (4, 2.9162, 0.95), (5, 3.0552, 0.95), (3, 2.2302, 0.9)],
)
def test_probability_of_correct_selection(k, lead, p):
    # R. E. Bechhofer (1954), Annals of Mathematical Statistics 25, 16-39, table I: delta sqrt(n)/sigma for
    # which the best of k, ahead of all others by delta, is selected with probability P* (from memory).
    s = sure([made("x", [50.0 + 2 * lead, *[50.0] * (k - 1)], 2.0)], draws=100_000)
    assert s.p_best(0) == near(p, 100_000)


def test_two_t_laws_against_the_behrens_fisher_integral():
    # P(A > B) of independent scaled t, by quadrature over one of them with scipy's density and distribution.
    d, u1, u2, dof1, dof2 = 3.0, 2.0, 1.5, 2, 4
    x = np.linspace(-400, 400, 400_001)
    exact = np.trapezoid(stats.t.pdf(x, dof1) * stats.t.cdf((d + u1 * x) / u2, dof2), x)
    s = sure([made("x", [50 + d, 50.0], [u1, u2], [dof1, dof2], floor=-1e6, ceiling=1e6)], draws=100_000)
    assert s.beats(0, 1) == near(exact, 100_000)


def test_weights_combine_independent_criteria():
    # Total 0.75 a + 0.25 b of two criteria on the same anchors: a normal of that variance.
    a, b = made("a", [52.0, 50.0], 2.0, trial=0), made("b", [49.0, 51.0], 3.0, trial=1)
    s = sure([a, b], {"a": 3.0, "b": 1.0})
    spread = math.sqrt(2 * (0.75 * 2) ** 2 + 2 * (0.25 * 3) ** 2)
    assert s.beats(0, 1) == near(stats.norm.cdf((0.75 * 2 - 0.25 * 2) / spread))


def test_score_interval_against_the_t_quantile():
    s = sure([made("x", [50.0, 50.0], 2.0, 5)], draws=100_000)
    half, found = stats.t.ppf(0.975, 5) * 2.0, s.ci[0]
    assert found.low == pytest.approx(50 - half, abs=4 * found.error[0])
    assert found.high == pytest.approx(50 + half, abs=4 * found.error[1])
    assert all(0 < e < 0.2 for e in found.error)


def test_score_interval_is_widened_to_hold_the_point():
    found = score_interval(np.linspace(10.0, 20.0, 1001), 25.0)
    assert found.low == pytest.approx(10.25) and found.high == 25.0
    assert score_interval(np.linspace(10.0, 20.0, 1001), 5.0).low == 5.0


def test_pass_share_is_drawn_by_jeffreys_beta():
    # k of n passed: Beta(k + 1/2, n - k + 1/2). 10 of 10 against 7 of 10, by quadrature.
    beta = {"law": "beta", "kind": "share", "k": np.array([10.0, 7.0]), "n": np.array([10, 10])}
    e = made("x", [1.0, 0.7], np.nan, np.nan, floor=0.0, ceiling=1.0, **beta)
    s = sure([e], draws=100_000)
    x = np.linspace(0, 1, 200_001)[1:-1]
    exact = np.trapezoid(stats.beta.pdf(x, 10.5, 0.5) * stats.beta.cdf(x, 7.5, 3.5), x)
    assert s.beats(0, 1) == pytest.approx(exact, abs=0.01)
    low, high = stats.beta.ppf([0.025, 0.975], 7.5, 3.5)
    assert s.ci[1].low == pytest.approx(100 * low, abs=4 * s.ci[1].error[0])
    assert s.ci[1].high == pytest.approx(100 * high, abs=4 * s.ci[1].error[1])
    assert s.ci[0].high == 100.0  # the point score, above every drawn one


# Ties, ranks and their errors


def test_identical_products_above_the_ceiling_share_the_first_place():
    s = sure([made("x", [150.0, 150.0, 150.0], 1.0)])
    assert s.ranks.p_best == pytest.approx([1 / 3] * 3, abs=1e-12)
    assert s.ranks.p_tie == pytest.approx([1.0] * 3)
    assert s.beats(0, 1) == 0.5


def test_ties_share_their_ranks_equally():
    scores = np.array([[5.0, 1.0], [5.0, 2.0], [5.0, 3.0], [0.0, 4.0]])
    r = ranks_of(scores)
    # First draw: three share ranks 1 to 3; second: the order is reversed.
    assert r.p_rank[0] == pytest.approx([1 / 6, 1 / 6, 1 / 6, 1 / 2])
    assert r.p_rank[3] == pytest.approx([1 / 2, 0, 0, 1 / 2])
    assert r.p_tie == pytest.approx([0.5, 0.5, 0.5, 0])
    assert r.beats[0].tolist()[1:] == [0.25, 0.25, 0.5]


@given(arrays(np.int8, st.tuples(st.integers(1, 9), st.integers(1, 40)), elements=st.integers(-1, 4)))
@settings(max_examples=60, deadline=None)
def test_ranks_against_counting_one_by_one(whole):
    scores = np.where(whole < 0, -np.inf, whole.astype(float))
    P, draws = scores.shape
    want, beats = np.zeros((P, P)), np.zeros((P, P))
    for d in range(draws):
        for p in range(P):
            for q in range(P):
                beats[p, q] += 1.0 if scores[p, d] > scores[q, d] else 0.5 * (scores[p, d] == scores[q, d])
            if np.isneginf(scores[p, d]):
                continue
            first = int((scores[:, d] > scores[p, d]).sum())
            m = int((scores[:, d] == scores[p, d]).sum())
            want[p, first : first + m] += 1 / m
    for found in (ranks_of(scores), _sorted_ranks(scores, 0)):
        assert found.p_rank == pytest.approx(want / draws, abs=1e-9)
        assert found.p_in == pytest.approx((~np.isneginf(scores)).mean(axis=1))
        assert found.beats[1:, 0] == pytest.approx(beats[1:, 0] / draws)
    off = ~np.eye(P, dtype=bool)
    assert ranks_of(scores).beats[off] == pytest.approx(beats[off] / draws)


def test_more_products_than_are_paired_still_get_ranks():
    P = MOST_PAIRED + 5
    e = made("x", np.linspace(30, 60, P), 2.0)
    study_ = made_study([e])
    board = boarded(study_, [e])
    card, _ = rows(study_, [e], board)
    s = sure([e], draws=2_000)
    add_ranks(card, study_, [e], s)
    last = card["products"][-1]
    assert last["rank"] == 1 and last["rank_interval"][0] == 1
    assert last["p_best"] == pytest.approx(s.p_best(P - 1))
    assert card["beats"] == {} and card["beats_reason"] and len(last["p_rank"]) == MOST_PAIRED
    assert s.beats(0, P - 1) < 0.001 and s.beats(0, 1) is None


def test_rank_interval_is_the_central_ninety_percent():
    assert rank_interval(np.array([0.04, 0.02, 0.9, 0.04])) == (2, 3)
    assert rank_interval(np.array([0.0, 0.5, 0.2, 0.0])) == (2, 3)  # shares of the draws that rank it
    assert rank_interval(np.zeros(3)) is None


def test_the_error_of_a_share_is_the_spread_of_repetitions():
    found = [sure([made("x", [51.0, 50.0], 1.0)], seed=seed, draws=2_000).beats(0, 1) for seed in range(60)]
    assert np.std(found, ddof=1) == pytest.approx(float(mc_error(np.mean(found), 2_000)), rel=0.3)
    assert 0 < mc_error(0.0, N) < 1e-4


# Missing results, must-haves, and laws that are not known


def test_without_uncertainty_every_draw_is_the_point_score():
    a = made("a", [80.0, 60.0, 40.0], trial=0)
    b = made("b", [np.nan, 30.0, 90.0], trial=1, score_low=[20, 0, 0])
    for missing in ("renormalise", "leave_out", "worst_case"):
        study_ = made_study([a, b])
        board = boarded(study_, [a, b], {"a": 2, "b": 1}, missing)
        plan = plan_of(study_, [a, b], gauge_errors(study_))
        scores = draw(plan, [Weighed.of([a, b], board)], 500).scores[0]
        assert scores[:, 0] * 100 == pytest.approx(board.score)
        assert (scores == scores[:, :1]).all()


def test_what_does_not_apply_is_never_put_at_its_worst():
    spared = np.array([True, False])
    a, b = made("a", [80.0, 60.0]), made("b", [np.nan, 90.0], trial=1, not_applicable=spared)
    s = sure([a, b], missing="worst_case")
    assert s.board.score == pytest.approx([80.0, 75.0])
    assert s.p_best(0) == 1.0


def test_a_must_have_is_held_to_in_each_draw():
    a = made("a", [80.0, 70.0], trial=0)
    gate = made("gate", [51.0, 90.0], 1.0, trial=1, must=True, limit=50.0)
    s = sure([a, gate], {"a": 1.0})
    # Product 0 is better whenever it meets the must-have: P = Phi(1).
    assert s.p_best(0) == near(stats.norm.cdf(1))
    assert s.p_best(1) == near(1 - stats.norm.cdf(1))
    assert s.p_meets[0] == near(stats.norm.cdf(1)) and s.p_meets[1] == 1.0
    assert s.ranks.p_rank[0].sum() == pytest.approx(s.p_meets[0])


def test_a_gated_product_competes_in_no_draw():
    a = made("a", [80.0, 70.0, 60.0], 5.0, trial=0)
    gate = made("gate", [49.0, 90.0, 90.0], 1.0, trial=1, must=True, limit=50.0)
    s = sure([a, gate], {"a": 1.0})
    assert s.ranked == [1, 2] and s.p_best(0) is None
    assert s.p_best(1) + s.p_best(2) == pytest.approx(1)


def test_one_specimen_without_a_spread_has_no_rank_probability():
    laws = np.array(["t", ""], dtype=object)
    s = sure([made("x", [60.0, 50.0], 1.0, law=laws)])
    assert s.p_best(1) is None and s.beats(0, 1) is None and s.p_best(0) is not None
    assert "one specimen" in s.unsure[1][0][1]


def test_an_opinion_gives_no_rank_probability():
    more = {"law": "", "kind": "rating", "product_flags": (("opinion",), ("opinion",))}
    e = made("taste", [4.0, 3.0], np.nan, np.nan, floor=1, ceiling=5, **more)
    study_ = made_study([e])
    card, _ = rows(study_, [e], boarded(study_, [e]))
    s = sure([e])
    add_ranks(card, study_, [e], s)
    assert card["draws"] is None and "opinion" in card["draws_reason"]
    for p in card["products"]:
        assert p["p_best"] is None and p["rank_interval"] is None and p["ci"] is None


def test_a_median_is_scored_but_not_drawn():
    median = made("m", [60.0, 50.0], np.nan, np.nan, law="", kind="median", measure="median")
    mean = made("x", [50.0, 55.0], 5.0, trial=1)
    s = sure([median, mean])
    assert s.not_drawn == (("m", "a median has no sampling law here"),)
    assert s.p_best(0) == near(stats.norm.cdf(5 / math.hypot(5, 5)))


# What must hold of any comparison


tables = arrays(
    float, st.tuples(st.integers(2, 4), st.integers(2, 5)),
    elements=st.floats(5, 95).map(lambda x: round(x, 3)),
)


def criteria_of(table, u=3.0):
    return [made(f"c{i}", line, u, 4, trial=i) for i, line in enumerate(table)]


@given(tables, st.integers(1, 9))
@settings(max_examples=20, deadline=None)
def test_a_product_that_loses_everywhere_changes_no_order(table, seed):
    # On fixed anchors, and in the draws only within their own error: its numbers shift nobody else's.
    loser = np.column_stack([table, np.zeros(len(table))])
    before = sure(criteria_of(table), draws=500, seed=seed)
    after = sure(criteria_of(loser), draws=500, seed=seed)
    assert after.board.score[:-1] == pytest.approx(before.board.score)
    assert after.board.rank[:-1].tolist() == before.board.rank.tolist()


@given(tables, st.floats(0.01, 1000))
@settings(max_examples=20, deadline=None)
def test_scaling_all_weights_changes_nothing(table, factor):
    weights = {f"c{i}": i + 1.0 for i in range(len(table))}
    one = sure(criteria_of(table), weights, draws=500)
    other = sure(criteria_of(table), {c: w * factor for c, w in weights.items()}, draws=500)
    assert other.board.score == pytest.approx(one.board.score)
    assert (other.ranks.p_rank == one.ranks.p_rank).all()


@given(tables)
@settings(max_examples=20, deadline=None)
def test_equal_products_have_the_same_probabilities(table):
    twice = np.column_stack([table, table[:, 0]])
    s = sure(criteria_of(twice), draws=4_000)
    k = twice.shape[1] - 1
    spread = 5 * math.sqrt(2) * mc_error(s.ranks.p_rank[0], 4_000)
    assert (np.abs(s.ranks.p_rank[0] - s.ranks.p_rank[k]) <= spread).all()
    assert s.beats(0, k) == pytest.approx(0.5, abs=5 * float(mc_error(0.5, 4_000)))


@given(tables)
@settings(max_examples=20, deadline=None)
def test_probabilities_add_up(table):
    s = sure(criteria_of(table), draws=500)
    assert s.ranks.p_rank.sum(axis=1) == pytest.approx(np.ones(table.shape[1]))
    assert s.ranks.p_rank.sum(axis=0) == pytest.approx(np.ones(table.shape[1]))


# Whole studies


def whole(**more):
    rng = np.random.default_rng(5)
    data = [
        reading(t, p, round(float(rng.normal(mean, 2)), 1), unit=f"{p}-{u}")
        for t in ("break", "tear") for p, mean in (("ash", 60), ("box", 55), ("elm", 40))
        for u in "abc" for _ in "12"
    ]  # fmt: skip
    criteria = (
        Criterion("strong", "trial", "break", floor=20.0, ceiling=80.0, anchors_before_data=True),
        Criterion("tough", "trial", "tear", floor=20.0, ceiling=80.0, anchors_before_data=True),
    )
    return study(
        data, [BREAK, Trial("tear", "force", reading_unit="N")], [FORCE], criteria=criteria,
        weightings=(Weighting("all", {"strong": 2.0, "tough": 1.0}), Weighting("tough", {"tough": 1.0})),
        **more,
    )  # fmt: skip


def test_a_document_holds_every_number_of_the_scorecard_and_is_the_same_twice():
    document = evaluate(whole())
    assert dumps(document) == dumps(evaluate(whole()))
    card = row(document, "scorecards", weighting="all")
    for p in card["products"]:
        assert p["ci"][0] <= p["score"] <= p["ci"][1]
        assert sum(p["p_rank"]) == pytest.approx(1) and p["p_best"] == p["p_rank"][0]
        assert len(p["p_rank_mc"]) == 3 and p["rank_interval"][0] <= p["rank"] <= p["rank_interval"][1]
    assert card["draws"] == N
    for a in ("ash", "box", "elm"):
        for b in set(card["beats"]) - {a}:
            assert card["beats"][a][b] + card["beats"][b][a] == pytest.approx(1)
    assert card["winner"]["products"] and card["winner"]["limits"]["clear_winner"] == 0.975
    assert sum(card["winner_share_of_weights"].values()) == pytest.approx(1)
    assert {r["weighting"] for r in document["next_tests"]} <= {"all", "tough"}
    assert plain(document) == document


def test_another_seed_moves_probabilities_within_their_error():
    one = row(evaluate(whole(seed=1)), "scorecards", weighting="all")
    two = row(evaluate(whole(seed=2)), "scorecards", weighting="all")
    for p, q in zip(one["products"], two["products"], strict=True):
        assert p["score"] == q["score"]
        assert p["p_best"] == pytest.approx(q["p_best"], abs=6 * (p["p_best_mc"] + q["p_best_mc"]))


def test_one_unit_products_do_not_look_the_surest():
    # Two units differ by 8 N, within a unit nothing does: the product of one unit borrows that spread.
    given_ = {"ash": {"a": 56.0, "b": 64.0}, "box": {"a": 61.0}, "elm": {"a": 48.0, "b": 56.0}}
    data = [
        reading("break", p, v + 0.01 * i, unit=f"{p}-{u}")
        for p, units in given_.items() for u, v in units.items() for i in range(5)
    ]  # fmt: skip
    criteria = (Criterion("strong", "trial", "break", floor=0.0, ceiling=100.0),)
    weightings = (Weighting("w", {"strong": 1.0}),)
    document = evaluate(study(data, [BREAK], [FORCE], criteria=criteria, weightings=weightings))
    one = {p["product"]: p for p in document["scorecards"][0]["products"]}
    wide = {name: p["ci"][1] - p["ci"][0] for name, p in one.items()}
    assert wide["box"] > 1.2 * 8.0
    assert one["box"]["p_best"] < 0.9 and one["ash"]["p_best"] > 0.05


def test_nothing_to_weigh_leaves_nulls_with_reasons():
    document = evaluate(
        study([reading("break", "ash", 5.0), reading("break", "box", 6.0)], [BREAK], [FORCE],
              criteria=(Criterion("strong", "trial", "break", floor=0.0, ceiling=10.0),),
              weightings=(Weighting("w", {"strong": 1.0}), Weighting("none", {"strong": 0.0})))
    )  # fmt: skip
    card = row(document, "scorecards", weighting="w")
    assert all(p["p_best"] is None and "one specimen" in p["draws_reason"] for p in card["products"])
    assert card["winner"]["word"] is None and card["draws"] is None and card["draws_reason"]
    empty = row(document, "scorecards", weighting="none")
    assert empty["winner"]["word"] is None and empty["beats"] == {}
    assert empty["smallest_shift"]["shift"] is None and document["next_tests"] == []


def test_grid_keeps_what_other_orders_of_addition_would_break():
    w = np.array([0.1, 0.2, 0.3, 0.4])
    sums = [float((w[list(order)]).sum()) for order in ([0, 1, 2, 3], [3, 2, 1, 0], [1, 3, 0, 2])]
    assert len(set(on_grid(np.array(sums)).tolist())) == 1


def test_a_property_may_lie_below_zero_where_nothing_says_otherwise():
    data = [
        reading("break", p, m + i, unit=f"{p}{i}")
        for p, m in (("ash", -1.0), ("box", 0.5)) for i in (-1, 0, 1)
    ]  # fmt: skip
    criteria = (Criterion("x", "trial", "break", floor=-10.0, ceiling=10.0),)
    weightings = (Weighting("w", {"x": 1.0}),)
    document = evaluate(study(data, [BREAK], [FORCE], criteria=criteria, weightings=weightings))
    (told,) = document["scorecards"][0]["drawn"]
    assert told["truncated"] == 0 and told["truncated_of"] == {}

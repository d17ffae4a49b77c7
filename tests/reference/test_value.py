"""Best value: the frontier, the best under a cap with its probability, and the budget pick."""

import math

import numpy as np
import pytest
from scipy import stats

from comparisons.analysis.ranking import mc_error
from comparisons.analysis.study import Decision
from comparisons.analysis.value import add_value

from .score_cases import boarded, made, made_study, rows, sure


def near(p):
    return pytest.approx(p, abs=4 * float(mc_error(p, 20_000)))


def value_of(scores, cost, u=1.0, cap=None, costs_scored=(), **more):
    e = made("x", scores, u, **more)
    study = made_study([e], decision=Decision(price_cap=cap))
    board = boarded(study, [e])
    cost = np.asarray(cost, dtype=float)
    _, row = rows(study, [e], board, cost, cap)
    add_value(row, study, sure([e], cost=cost, cap=cap), cost, list(costs_scored))
    return row


def test_frontier_holds_what_nothing_undercuts():
    row = value_of([60, 50, 40, 55], [3.0, 2.0, 1.0, 4.0])
    assert [f["product"] for f in row["frontier"]] == ["p2", "p1", "p0"]


def test_probability_of_the_best_under_a_cap():
    # Of p1 and p2 at or below the cap, p1 leads by one standard error of the difference; p0 is too dear.
    row = value_of([90.0, 50.0 + math.sqrt(2), 50.0], [9.0, 2.0, 1.0], cap=3.0)
    assert row["best_under_cap"] == ["p1"] and row["p"] == near(stats.norm.cdf(1))
    assert row["p_under_cap"]["p1"] + row["p_under_cap"]["p2"] == pytest.approx(1)
    assert "p0" not in row["p_under_cap"]
    assert row["budget_pick"] == {
        "product": "p1", "rule": "cap", "p": row["p"],
        "reason": "the greatest score among products at or below the price cap",
    }  # fmt: skip


def test_nothing_under_the_cap():
    row = value_of([60, 50], [3.0, 2.0], cap=1.0)
    assert row["best_under_cap"] == [] and row["p"] is None
    assert row["budget_pick"]["product"] is None and "cap" in row["budget_pick"]["reason"]


def test_products_that_tie_under_the_cap_are_no_single_pick():
    row = value_of([90, 50, 50], [9.0, 2.0, 2.0], cap=3.0)
    assert row["budget_pick"]["product"] is None and "score alike" in row["budget_pick"]["reason"]


def test_without_a_cap_the_cheapest_that_is_not_shown_worse():
    # p1 lies 1.4 standard errors of the difference behind the leader, p2 far.
    row = value_of([52.0, 50.0, 20.0], [4.0, 3.0, 1.0])
    pick = row["budget_pick"]
    assert (pick["product"], pick["rule"]) == ("p1", "not_shown_worse")
    assert pick["reason"] == "costs 25 % less than p0 and is not shown to be worse at 95 %"
    assert pick["p"] == near(stats.norm.cdf(-2 / math.sqrt(2)))


def test_a_leader_that_nothing_cheaper_comes_near_is_the_pick():
    row = value_of([90.0, 50.0], [4.0, 3.0])
    assert (row["budget_pick"]["product"], row["budget_pick"]["rule"]) == ("p0", "leader")


@pytest.mark.parametrize(
    ("scores", "cost", "reason"),
    [
        ([60, 50], [np.nan, np.nan], "no product has both a score and a price"),
        ([60, 50], [np.nan, 1.0], "the price of the leader, p0, is not known"),
        ([60, 60], [1.0, 2.0], "no single leader to set cheaper products against"),
    ],
)
def test_no_pick_has_a_reason(scores, cost, reason):
    pick = value_of(scores, cost)["budget_pick"]
    assert pick["product"] is None and pick["reason"] == reason


def test_a_cost_that_is_scored_too_is_told():
    assert value_of([60, 50], [2.0, 1.0], costs_scored=["price"])["cost_in_score"] == ["price"]


def test_nothing_is_said_of_a_product_whose_spread_is_not_known():
    row = value_of([60, 50], [2.0, 1.0], cap=3.0, law=np.array(["", "t"], dtype=object))
    assert row["best_under_cap"] == ["p0"] and row["p"] is None

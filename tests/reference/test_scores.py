"""Value functions, missing results, must-haves, ranks and costs: published values and hand cases."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from comparisons.analysis import evaluate
from comparisons.analysis.scores import ranks, weighted
from comparisons.analysis.study import Claim, Criterion, Decision, Property, Purchase, Trial, Weighting
from comparisons.analysis.value_functions import ValueFunction, value_function

from .build import FORCE, reading, readings_of, row, study

SAFE = Property("safe", "pass_fail", "", "more")
MARK = Property("mark", "certification", "", "neither")
LIFE = Property("life", "quantity", "h", "more")


def test_desirability_against_the_published_vignette():
    # M. Kuhn, CRAN package desirability, vignette: dMax(80, 97) at 81.09 and dTarget(55, 57.5, 60) at 59.85.
    assert float(ValueFunction("more", 80, 97)(81.09)) / 100 == pytest.approx(0.06411765, abs=5e-9)
    assert float(ValueFunction("target", 55, 60, target=57.5)(59.85)) / 100 == pytest.approx(0.06, abs=1e-12)


def test_desirability_of_the_tire_tread():
    # Derringer and Suich (1980): d of 129.5, 1300, 465.7, 68.0 are .189, 1, .656, .932 (answers from memory).
    d = [
        float(ValueFunction("more", 120, 170)(129.43)),
        float(ValueFunction("more", 1000, 1300)(1300.08)),
        float(ValueFunction("target", 400, 600, target=500)(465.74)),
        float(ValueFunction("target", 60, 75, target=67.5)(68.0)),
    ]
    assert [round(x / 100, 3) for x in d] == pytest.approx([0.189, 1.0, 0.657, 0.933], abs=1e-3)
    assert math.prod(x / 100 for x in d) ** 0.25 == pytest.approx(0.583, abs=1e-3)


def test_exponent_bends_the_way_between_the_anchors():
    assert float(ValueFunction("more", 0, 10, exponent=2)(5)) == pytest.approx(25)
    assert float(ValueFunction("less", 10, 0, exponent=0.5)(7.5)) == pytest.approx(50)


def test_logarithmic_halves_the_way_at_the_geometric_mean():
    f = ValueFunction("more", 1, 100, form="logarithmic")
    assert f([1, 10, 100, 0, -5, 1000]).tolist() == pytest.approx([0, 50, 100, 0, 0, 100])
    g = ValueFunction("less", 100, 1, form="logarithmic")
    assert g([100, 10, 0.5, 0]).tolist() == pytest.approx([0, 50, 100, 100])


def test_a_change_scores_by_its_distance_from_no_change():
    # Changes of +4 and -12 % with a band of 5: full, and partial by distance, not by sign.
    f = ValueFunction("target", -25, 25, target=0, band=5)
    assert f([4, -5, 5, -12, 12, -25, 30]).tolist() == pytest.approx([100, 100, 100, 65, 65, 0, 0])


@given(
    x=st.floats(-1e6, 1e6), y=st.floats(-1e6, 1e6), floor=st.floats(-1e3, 1e3), width=st.floats(0.1, 1e3),
    exponent=st.floats(0.2, 5),
)  # fmt: skip
def test_scores_stay_on_the_scale_and_follow_the_direction(x, y, floor, width, exponent):
    more = ValueFunction("more", floor, floor + width, exponent=exponent)
    less = ValueFunction("less", floor + width, floor, exponent=exponent)
    a, b = more([x, y])
    assert 0 <= a <= 100
    assert a <= b if x <= y else b <= a
    c, d = less([x, y])
    assert c >= d if x <= y else d >= c


@given(
    low=st.floats(-50, 50), gap=st.floats(0, 50), better=st.sampled_from(["more", "less", "target"]),
    share=st.floats(0, 1),
)  # fmt: skip
def test_the_range_over_an_interval_holds_every_score_in_it(low, gap, better, share):
    f = ValueFunction(better, *((30, 10) if better == "less" else (10, 30)), target=20.0, band=2.0)
    least, most = f.range_over(low, low + gap)
    assert least - 1e-9 <= float(f(low + share * gap)) <= most + 1e-9


def test_an_open_interval_reaches_the_anchor_on_its_open_side():
    f = ValueFunction("more", 0, 10)
    assert f.range_over(7, math.inf) == (pytest.approx(70), 100)
    assert f.range_over(12, math.inf) == (100, 100)
    assert ValueFunction("less", 10, 0).range_over(7, math.inf) == (0, pytest.approx(30))
    assert ValueFunction("target", 0, 20, target=10, band=1).range_over(15, math.inf) == (
        0,
        pytest.approx(500 / 9),
    )


@pytest.mark.parametrize(
    "arguments, reason",
    [
        ({"better": "neither", "floor": 0, "ceiling": 1}, "informational"),
        ({"better": "more", "floor": 1, "ceiling": 1}, "two different numbers"),
        ({"better": "more", "floor": 2, "ceiling": 1}, "on the other side"),
        ({"better": "less", "floor": 1, "ceiling": 2}, "on the other side"),
        ({"better": "target", "floor": 1, "ceiling": 2}, "no target"),
        ({"better": "target", "floor": 1, "ceiling": 2, "target": 1.5, "band": 1}, "outside the band"),
        (
            {"better": "target", "floor": 1, "ceiling": 2, "target": 1.5, "form": "logarithmic"},
            "no logarithmic",
        ),
        ({"better": "more", "floor": 0, "ceiling": 1, "form": "logarithmic"}, "above zero"),
        ({"better": "more", "floor": 0, "ceiling": 1, "form": "star"}, "unknown value function"),
        ({"better": "more", "floor": 0, "ceiling": 1, "exponent": 0}, "exponent"),
        ({"better": "more", "floor": None, "ceiling": None, "values": [3.0]}, "do not differ enough"),
        ({"better": "more", "floor": None, "ceiling": None, "values": [3.0, 3.0]}, "do not differ enough"),
        ({"better": "upward", "floor": 0, "ceiling": 1}, "no direction"),
    ],
)
def test_anchors_that_cannot_score_are_refused_with_the_reason(arguments, reason):
    function, why, _ = value_function(**arguments)
    assert function is None and reason in why


def test_anchors_taken_from_the_results_are_flagged():
    function, _, flags = value_function(better="less", floor=None, ceiling=None, values=[3.0, 1.0, 2.0])
    assert (function.floor, function.ceiling, flags) == (3.0, 1.0, ["anchors_from_data"])
    function, _, flags = value_function(better="target", floor=5, ceiling=None, target=10, band=1)
    assert (function.ceiling, flags) == (15, ["anchor_mirrored"])


def test_equal_scores_share_the_better_rank():
    assert ranks(np.array([3.0, 7.0, 7.0, 1.0]), np.ones(4, bool)).tolist() == [3, 1, 1, 4]
    assert ranks(np.array([3.0, np.nan, 7.0]), np.array([True, True, False])).tolist() == [1, 0, 0]
    assert ranks(np.array([0.1 + 0.2, 0.3]), np.ones(2, bool)).tolist() == [1, 1]


def test_a_missing_score_is_never_a_zero():
    assert weighted(np.array([[80.0, np.nan], [40.0, 40.0]]), np.array([3.0, 1.0])).tolist() == [70.0, 40.0]
    assert np.isnan(weighted(np.array([[np.nan]]), np.array([1.0]))[0])


def case(scores, *, missing="renormalise", weights=None, absences=None, must=(), **more):
    """A study whose criteria score as given: scores[product][criterion], 0 to 100 or None for missing."""
    names = sorted({c for own in scores.values() for c in own})
    rows = [
        reading(c, p, x) for p, own in scores.items() for c, x in own.items() if x is not None
    ]  # fmt: skip
    trials = [
        Trial(c, f"of-{c}", absences={p: r for (p, k), r in (absences or {}).items() if k == c})
        for c in names
    ]
    properties = [Property(f"of-{c}", "quantity", "point", "more") for c in names]
    criteria = tuple(
        Criterion(c, "trial", c, floor=0.0, ceiling=100.0, anchors_before_data=True, must=c in must)
        for c in names
    )
    weighting = Weighting("w", weights or dict.fromkeys(names, 1.0), missing=missing)
    return study(rows, trials, properties, tuple(scores), criteria=criteria, weightings=(weighting,), **more)


def card(scores, **more):
    document = evaluate(case(scores, **more))
    board = row(document, "scorecards", weighting="w")
    return board, {r["product"]: r for r in board["products"]}


FULL = {"a": {"x": 80, "y": 40}, "b": {"x": 60, "y": 70}}


def test_weighted_mean_by_hand():
    board, found = card(FULL, weights={"x": 3, "y": 1})
    assert (found["a"]["score"], found["b"]["score"]) == (70.0, 62.5)
    assert (found["a"]["rank"], found["b"]["rank"]) == (1, 2)
    assert board["weights"] == {"x": 0.75, "y": 0.25}
    assert board["leaders"] == ["a"] and board["stands_with_missing"] is True


def test_renormalise_uses_a_products_own_weights():
    board, found = card({"a": {"x": 80, "y": None}, "b": {"x": 60, "y": 70}})
    assert found["a"]["score"] == 80.0
    assert (found["a"]["score_low"], found["a"]["score_high"]) == (40.0, 90.0)
    assert found["a"]["missing"] == [
        {"criterion": "y", "reason": "not measured yet", "low": 0.0, "high": 100.0, "not_applicable": False}
    ]
    assert board["leaders"] == ["a"] and board["stands_with_missing"] is False


def test_leave_out_drops_the_criterion_for_all():
    board, found = card({"a": {"x": 80, "y": None}, "b": {"x": 60, "y": 90}}, missing="leave_out")
    assert (found["a"]["score"], found["b"]["score"]) == (80.0, 60.0)
    assert board["dropped"] == [{"criterion": "y", "reason": "a product has no result"}]
    assert board["weights"] == {"x": 1.0}


def test_leave_out_is_not_driven_by_a_product_that_was_never_tested():
    scores = FULL | {"c": {"x": None, "y": None}}
    board, found = card(scores, missing="leave_out")
    assert board["dropped"] == [] and found["c"]["score"] is None and found["c"]["rank"] is None


def test_worst_case_counts_the_least_possible_and_says_so():
    _, found = card({"a": {"x": 80, "y": None}, "b": {"x": 60, "y": 70}}, missing="worst_case")
    assert found["a"]["score"] == 40.0 and found["a"]["flags"] == ["missing_at_worst", "of_units_tested"]


@pytest.mark.parametrize("rule", ["renormalise", "leave_out", "worst_case"])
def test_what_does_not_apply_always_renormalises(rule):
    scores = {"a": {"x": 80, "y": None}, "b": {"x": 60, "y": 70}}
    board, found = card(scores, missing=rule, absences={("a", "y"): "not_applicable"})
    assert found["a"]["score"] == 80.0 == found["a"]["score_low"] == found["a"]["score_high"]
    assert found["a"]["missing"][0]["not_applicable"] is True
    assert board["dropped"] == []


def test_award_needs_the_mixed_case_not_only_all_best_and_all_worst():
    # Statistics of missing results: 72/65 with all at best, 42/35 with all at worst, but 42/65 mixed.
    scores = {"a": {"x": 60, "y": None}, "b": {"x": 50, "y": None}}
    board, found = card(scores, weights={"x": 0.7, "y": 0.3})
    assert (found["a"]["score_low"], found["a"]["score_high"]) == (42.0, 72.0)
    assert (found["b"]["score_low"], found["b"]["score_high"]) == (35.0, 65.0)
    assert board["leaders"] == ["a"] and board["stands_with_missing"] is False


def test_nothing_measured_gives_no_score_and_no_rank():
    board, found = card({"a": {"x": None}, "b": {"x": None}})
    assert found["a"]["score"] is None and found["a"]["score_low"] is None
    assert board["leaders"] == [] and board["reason"] == "no product has a result"
    assert board["stands_with_missing"] is None


def test_one_product_leads_alone_and_nothing_breaks():
    board, found = card({"a": {"x": 50}})
    assert found["a"]["rank"] == 1 and board["rank_sum"] == {"a": 1.0}
    assert board["leave_one_out"] == {"x": []}


def test_rank_sum_has_mid_ranks_and_no_free_rank_for_the_missing():
    scores = {"a": {"x": 90, "y": 50}, "b": {"x": 50, "y": 50}, "c": {"x": 50, "y": None}}
    board, _ = card(scores)
    assert board["rank_sum"] == {"a": 2.5, "b": 3.5, "c": None}


def test_each_criterion_is_left_out_in_turn():
    board, _ = card({"a": {"x": 90, "y": 10}, "b": {"x": 20, "y": 60}})
    assert board["leaders"] == ["a"]
    assert board["leave_one_out"] == {"x": ["b"], "y": ["a"]}


def test_a_zero_weight_counts_for_nothing_even_where_it_is_missing():
    board, found = card({"a": {"x": 80, "y": None}, "b": {"x": 60, "y": 70}}, weights={"x": 1, "y": 0})
    assert found["a"]["score"] == 80.0 == found["a"]["score_low"] and found["a"]["missing"] == []
    assert board["stands_with_missing"] is True


def test_informational_property_is_never_scored():
    rows = readings_of("t", "a", [1.0, 2.0])
    case_ = study(
        rows, [Trial("t", "p")], [Property("p", "quantity", "N", "neither")],
        criteria=(Criterion("c", "trial", "t", floor=0.0, ceiling=1.0),),
        weightings=(Weighting("w", {"c": 1}),),
    )  # fmt: skip
    document = evaluate(case_)
    assert row(document, "criteria", criterion="c")["reason"] == "informational: never scored"
    assert row(document, "scorecards", weighting="w")["dropped"] == [
        {"criterion": "c", "reason": "informational: never scored"}
    ]


def test_a_bound_beyond_the_ceiling_settles_the_score_and_one_below_narrows_it():
    rows = [
        reading("t", "a", 120.0, bound=">"),
        reading("t", "b", 70.0, bound=">"),
        *readings_of("t", "c", [50.0]),
    ]
    criteria = (Criterion("c", "trial", "t", floor=0.0, ceiling=100.0),)
    document = evaluate(
        study(rows, [Trial("t", "life")], [LIFE], criteria=criteria, weightings=(Weighting("w", {"c": 1}),))
    )
    values = {v["product"]: v for v in row(document, "criteria", criterion="c")["values"]}
    assert (values["a"]["value"], values["a"]["score"], values["a"]["flags"]) == (
        None,
        100.0,
        ["settled_by_a_bound"],
    )
    assert (values["b"]["score"], values["b"]["score_low"], values["b"]["score_high"]) == (None, 70.0, 100.0)


def gated(must, rows, trials, properties, claims=(), **more):
    document = evaluate(study(
        rows, trials, properties, claims=tuple(claims), criteria=(must, *more.pop("criteria", ())),
        weightings=(Weighting("w", more.pop("weights", {must.id: 1})),), **more,
    ))  # fmt: skip
    board = row(document, "scorecards", weighting="w")
    return {r["product"]: [g["reason"] for g in r["gated"]] for r in board["products"]}, board


def test_a_must_have_gates_and_never_hides_in_the_mean():
    force = Criterion("force", "trial", "t", floor=10.0, ceiling=100.0, must=True)
    rows = readings_of("t", "a", [9.0]) + readings_of("t", "b", [50.0])
    reasons, board = gated(force, rows, [Trial("t", "force")], [FORCE], products=("a", "b", "c"))
    assert reasons == {"a": ["does not reach what is required"], "b": [], "c": ["not measured yet"]}
    found = {r["product"]: r for r in board["products"]}
    assert found["a"]["rank"] is None and found["a"]["score"] == 0.0 and found["a"]["rank_of_all"] == 2
    assert board["leaders"] == ["b"]


def test_the_best_score_without_the_required_mark_wins_nothing():
    must = Criterion("mark", "certification", "mark", must=True)
    force = Criterion("force", "trial", "t", floor=0.0, ceiling=100.0)
    states = {"a": "claimed", "b": "verified", "c": "not_found", "d": None}
    claims = [Claim(f"c-{p}", p, "mark", "yes", certification_state=s) for p, s in states.items() if s]
    rows = [reading("t", p, x) for p, x in zip(states, (99.0, 50.0, 70.0, 80.0), strict=True)]
    reasons, board = gated(
        must, rows, [Trial("t", "force")], [FORCE, MARK], claims, criteria=(force,), weights={"force": 1},
        purchases=tuple(Purchase(f"p-{p}", p, "bought", 1.0) for p in states),
        decision=Decision(price_cap=2.0),
    )  # fmt: skip
    assert reasons == {
        "a": ["claimed, not verified yet"], "b": [], "c": ["claimed, but could not be verified"],
        "d": ["not looked for yet"],
    }  # fmt: skip
    assert board["leaders"] == ["b"]


def test_a_pass_fail_must_have_asks_for_all_unless_told():
    safe = Criterion("safe", "trial", "t", must=True)
    rows = readings_of("t", "a", [1.0, 1.0, 0.0, 1.0]) + readings_of("t", "b", [1.0] * 4)
    assert gated(safe, rows, [Trial("t", "safe")], [SAFE])[0] == {
        "a": ["does not reach what is required"], "b": [],
    }  # fmt: skip
    most = Criterion("safe", "trial", "t", must=True, floor=0.7)
    reasons, board = gated(most, rows, [Trial("t", "safe")], [SAFE])
    assert reasons == {"a": [], "b": []}
    assert board["leaders"] == ["b"]


def test_a_bound_can_meet_a_must_have():
    life = Criterion("life", "trial", "t", floor=100.0, ceiling=500.0, must=True)
    rows = [reading("t", "a", 120.0, bound=">"), reading("t", "b", 80.0, bound=">")]
    reasons, _ = gated(life, rows, [Trial("t", "life")], [LIFE])
    assert reasons == {"a": [], "b": ["all values are bounds: no mean can be fitted"]}


def test_less_is_better_gates_from_above():
    stretch = Property("stretch", "quantity", "percent", "less")
    must = Criterion("stretch", "trial", "t", floor=10.0, ceiling=0.0, must=True)
    rows = readings_of("t", "a", [12.0]) + readings_of("t", "b", [8.0])
    reasons, _ = gated(must, rows, [Trial("t", "stretch")], [stretch])
    assert reasons == {"a": ["does not reach what is required"], "b": []}


def test_what_does_not_apply_is_not_gated():
    must = Criterion("force", "trial", "t", floor=10.0, ceiling=20.0, must=True)
    trial = Trial("t", "force", absences={"b": "not_applicable"})
    reasons, _ = gated(must, readings_of("t", "a", [15.0]), [trial], [FORCE], products=("a", "b"))
    assert reasons == {"a": [], "b": []}


@pytest.mark.parametrize("measure, value", [("mean", 4.0), ("median", 3.0), ("min", 1.0), ("max", 9.0)])
def test_measures_of_a_quantity(measure, value):
    criterion = Criterion("c", "trial", "t", measure=measure, floor=0.0, ceiling=10.0)
    rows = readings_of("t", "a", [1.0, 3.0, 3.0, 9.0])
    document = evaluate(study(rows, [Trial("t", "force")], [FORCE], criteria=(criterion,)))
    assert row(document, "criteria", criterion="c")["values"][0]["value"] == value


@pytest.mark.parametrize(
    "criterion, reason",
    [
        (Criterion("c", "trial", "nowhere"), "no trial nowhere"),
        (Criterion("c", "trial", "t", measure="pass_share"), "a pass share needs a pass/fail trial"),
        (
            Criterion("c", "trial", "t", measure="mode", floor=0.0, ceiling=1.0),
            "mode cannot be taken of a quantity trial",
        ),
        (Criterion("c", "cost", "per_kilo"), "unknown cost per_kilo (typical)"),
    ],
)
def test_a_criterion_that_makes_no_sense_is_not_scored(criterion, reason):
    document = evaluate(
        study(readings_of("t", "a", [1.0]), [Trial("t", "force")], [FORCE], criteria=(criterion,))
    )
    assert row(document, "criteria", criterion="c")["reason"] == reason


def costs(*purchases, rows=(), trials=(), properties=(), **more):
    document = evaluate(
        study(list(rows), list(trials), list(properties), ("a",), purchases=purchases, **more)
    )
    return row(document, "costs", product="a")


def test_cost_per_item_has_pack_and_shipping_in():
    found = costs(
        Purchase("p1", "a", "bought", price=20.0, shipping=4.0, packs=2, items_per_pack=3, content=10.0),
        Purchase("p2", "a", "bought", price=9.0, content=20.0),
        Purchase("p3", "a", "bought", price=5.0, content=10.0),
        content_unit="m",
    )
    assert (found["per_item"], found["per_item_lowest"], found["n"]) == (5.0, 4.0, 3)
    assert (found["per_content"], found["per_content_lowest"]) == (0.45, 0.4)


@pytest.mark.parametrize(
    "purchases, reason",
    [
        ((), "no purchase is recorded"),
        (
            (Purchase("p", "a", "supplied", price=3.0), Purchase("q", "a", "lent")),
            "not bought, only supplied or lent",
        ),
        ((Purchase("p", "a", "bought"),), "no price that can be used"),
        ((Purchase("p", "a", "bought", price=3.0, packs=0.0),), "no price that can be used"),
    ],
)
def test_no_cost_without_a_bought_price(purchases, reason):
    found = costs(*purchases)
    assert found["per_item"] is None and found["reason"] == reason


def test_supplied_items_never_lower_the_price():
    found = costs(Purchase("p", "a", "bought", price=8.0), Purchase("q", "a", "supplied", price=0.0))
    assert (found["per_item"], found["per_item_lowest"]) == (8.0, 8.0)


def test_cost_per_usable_amount_needs_the_amount_measured():
    usable = Property("usable", "quantity", "m", "more")
    found = costs(
        Purchase("p", "a", "bought", price=9.0, content=20.0), content_unit="m",
        rows=readings_of("t", "a", [17.0, 19.0]), trials=[Trial("t", "usable")], properties=[usable],
    )  # fmt: skip
    assert found["per_usable"] == 0.5 and found["per_content"] == 0.45
    assert costs(Purchase("p", "a", "bought", price=9.0))["reasons"]["per_usable"] == "no content is given"


def value(scores, prices, cap=None, **more):
    purchases = tuple(Purchase(f"p-{p}", p, "bought", price=x) for p, x in prices.items() if x is not None)
    document = evaluate(case(scores, purchases=purchases, decision=Decision(price_cap=cap), **more))
    return row(document, "value", weighting="w")


def test_the_frontier_holds_what_nothing_beats_at_its_price():
    scores = {p: {"x": s} for p, s in {"a": 90, "b": 70, "c": 60, "d": 70, "e": 20}.items()}
    found = value(scores, {"a": 10.0, "b": 5.0, "c": 6.0, "d": 5.0, "e": None}, cap=6.0)
    assert [(r["product"], r["cost"]) for r in found["frontier"]] == [("b", 5.0), ("d", 5.0), ("a", 10.0)]
    assert found["best_under_cap"] == ["b", "d"] and found["unpriced"] == ["e"]


def test_no_product_under_the_cap_is_said():
    found = value({"a": {"x": 50}}, {"a": 10.0}, cap=1.0)
    assert found["best_under_cap"] == [] and "under the cap" in found["reason"]
    assert value({"a": {"x": 50}}, {"a": 10.0})["best_under_cap"] is None


def test_gated_products_are_no_bargain():
    found = value(
        {"a": {"x": 50, "y": 0}, "b": {"x": 40, "y": 5}}, {"a": 1.0, "b": 9.0}, cap=10.0, must=("y",)
    )
    assert found["best_under_cap"] == ["a"]  # a floor of 0 holds nothing back
    scores = {"a": {"x": 50, "y": -1}, "b": {"x": 40, "y": 5}}
    found = value(scores, {"a": 1.0, "b": 9.0}, cap=10.0, must=("y",))
    assert [r["product"] for r in found["frontier"]] == ["b"] and found["best_under_cap"] == ["b"]

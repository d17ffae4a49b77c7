"""Awards: each bound to a rule; refused, or published as not supported, where the numbers carry it not."""

import numpy as np
import pytest

from comparisons.analysis import evaluate
from comparisons.analysis.awards import editors, rule_of, why_refused
from comparisons.analysis.study import Award, Criterion, Decision, Property, Purchase, Trial, Weighting

from .build import BREAK, FORCE, reading, study

TEAR = Trial("tear", "force", reading_unit="N")
STRONG = Criterion("strong", "trial", "break", floor=0.0, ceiling=100.0)
TOUGH = Criterion("tough", "trial", "tear", floor=0.0, ceiling=100.0)


def case(means, *, awards=(), weightings=None, criteria=(STRONG, TOUGH), spread=1.0, units="abcde", **more):
    """Awards of a study: product -> (mean of break, mean of tear or None)."""
    rng = np.random.default_rng(8)
    data = [
        reading(trial, p, round(float(rng.normal(mean, spread)), 2), unit=f"{p}-{u}")
        for p, both in means.items() for trial, mean in zip(("break", "tear"), both, strict=True)
        if mean is not None for u in units for _ in "12"
    ]  # fmt: skip
    more["weightings"] = weightings or (Weighting("w", {"strong": 1.0, "tough": 1.0}),)
    return evaluate(study(data, [BREAK, TEAR], [FORCE], criteria=criteria, awards=tuple(awards), **more))


def one(document, code, by="editor", weighting=None):
    found = [
        r for r in document["awards"]
        if r["award"] == code and r["by"] == by and (weighting is None or r["weighting"] == weighting)
    ]  # fmt: skip
    assert len(found) == 1
    return found[0]


CLEAR = {"ash": (80, 80), "box": (50, 50), "elm": (40, 40)}
CLOSE = {"ash": (60.2, 60), "box": (60, 60.1), "elm": (20, 20)}


@pytest.mark.parametrize(
    ("code", "rule"),
    [
        ("best", ("best", None)), ("best-outdoors", ("best", None)), ("best-value", ("best_value", None)),
        ("value", ("best_value", None)), ("budget-pick", ("best_value", None)),
        ("grip", ("criterion", "grip")), ("best-in-grip", ("criterion", "grip")),
        ("bold-choice", ("none", None)), ("valued", ("none", None)),
    ],
)  # fmt: skip
def test_the_code_binds_an_award_to_its_rule(code, rule):
    assert rule_of(code, ["grip"]) == rule


def test_a_winner_that_the_numbers_carry_is_supported():
    document = case(CLEAR, awards=[Award("best", "ash", "w")])
    row = one(document, "best")
    assert row["supported"] and row["word"] == "clear winner" and row["why"] is None and not row["refused"]
    assert row["p"] > 0.999
    numbers = one(document, "best", "numbers")
    assert numbers["product"] == "ash" and numbers["supported"]


def test_another_product_than_the_leader_is_not():
    row = one(case(CLEAR, awards=[Award("best", "box", "w")]), "best")
    assert not row["supported"] and row["refused"] and "ash leads" in row["why"]


def test_a_shared_lead_supports_no_single_best():
    document = case(CLOSE, awards=[Award("best", "ash", "w", reason="we like the pack")])
    row = one(document, "best")
    assert not row["supported"] and "shared lead" in row["why"]
    assert row["reason"] == "we like the pack" and not row["refused"]
    assert one(document, "best", "numbers")["product"] is None


def test_without_a_reason_an_unsupported_award_is_refused():
    named = [Award("best", "ash", "w"), Award("tidy", "elm", reason="the neatest label")]
    document = case(CLOSE, awards=named)
    assert [a for a, _ in why_refused(document["awards"])] == ["best"]
    assert [r["award"] for r in editors(document["awards"])] == ["tidy"]


def test_an_award_bound_to_no_rule_is_the_editors_own():
    row = one(case(CLEAR, awards=[Award("tidy", "elm", reason="the neatest label")]), "tidy")
    assert row["rule"] == "none" and not row["supported"] and row["reason"] == "the neatest label"
    assert row["why"] == "no rule supports it: it is the editor's own choice"


def test_an_award_for_one_criterion_rests_on_that_criterion():
    means = {"ash": (80, 20), "box": (30, 90)}
    document = case(means, awards=[Award("tough", "box"), Award("best-in-strong", "box")])
    assert one(document, "tough")["supported"] and one(document, "tough")["criterion"] == "tough"
    row = one(document, "best-in-strong")
    assert not row["supported"] and "ash leads" in row["why"]


def test_an_award_without_a_weighting_must_hold_in_all():
    means = {"ash": (80, 20), "box": (30, 90)}
    two = (Weighting("pull", {"strong": 1.0}), Weighting("rip", {"tough": 1.0}))
    document = case(means, awards=[Award("best", "ash"), Award("best-pull", "ash", "pull")], weightings=two)
    row = one(document, "best")
    assert not row["supported"] and row["why"].startswith("rip: box leads")
    assert one(document, "best-pull")["supported"]


def test_mixed_missing_cases_are_no_award():
    # p: 60 and 50 known of "strong"; what "tough" would have shown could turn it over.
    weightings = (Weighting("w", {"strong": 0.7, "tough": 0.3}),)
    means = {"ash": (60, None), "box": (50, None), "elm": (10, 10)}
    document = case(means, awards=[Award("best", "ash", "w")], weightings=weightings)
    row = one(document, "best")
    assert not row["supported"] and "box could have the greater score" in row["why"]
    card = document["scorecards"][0]
    assert card["winner"]["word"] == "no award" and card["winner"]["could_win"] == ["box"]


def test_a_missing_result_at_its_worst_carries_no_award():
    weightings = (Weighting("w", {"strong": 0.9, "tough": 0.1}, missing="worst_case"),)
    means = {"ash": (90, None), "box": (20, 20)}
    document = case(means, awards=[Award("best", "ash", "w")], weightings=weightings)
    assert one(document, "best")["why"] == (
        "a missing result stands at its least possible score, which carries no award"
    )
    assert not one(document, "best", "numbers")["supported"]


def test_a_product_that_misses_a_must_have_carries_none():
    must = Criterion("strong", "trial", "break", floor=60.0, ceiling=100.0, must=True)
    document = case({"ash": (50, 90), "box": (80, 20), "elm": (90, 10)}, criteria=(must, TOUGH),
                    weightings=(Weighting("w", {"tough": 1.0}),),
                    awards=[Award("best", "ash", "w"), Award("tough", "ash")])  # fmt: skip
    for code in ("best", "tough"):
        row = one(document, code)
        assert not row["supported"] and "must-have strong is not met" in row["why"]


def test_units_tested_are_told_with_the_award():
    document = case({"ash": (80, 80), "box": (20, 20)}, awards=[Award("best", "ash", "w")], units="a")
    row = one(document, "best")
    assert row["supported"] and row["word"] == "ahead" and row["among_units_tested"]


def bought(**price):
    return tuple(Purchase(f"b-{p}", p, "bought", price=x) for p, x in price.items())


def test_best_value_rests_on_the_budget_pick():
    awards = [Award("best-value", "box", "w"), Award("value", "ash", "w")]
    prices = bought(ash=9, box=2, elm=1)
    document = case(CLEAR, awards=awards, purchases=prices, decision=Decision(price_cap=5.0))
    row = one(document, "best-value")
    assert row["supported"] and row["p"] > 0.999
    other = one(document, "value")
    assert not other["supported"] and other["why"] == "the budget pick is box"
    assert one(document, "best-value", "numbers")["product"] == "box"


def test_best_value_asks_for_the_same_probability_as_ahead():
    document = case(CLOSE, awards=[Award("best-value", "ash", "w")], purchases=bought(ash=2, box=2, elm=1),
                    decision=Decision(price_cap=5.0))  # fmt: skip
    rows = [r for r in document["awards"] if r["rule"] == "best_value"]
    assert not any(r["supported"] for r in rows)
    assert any("0.8 is asked for" in r["why"] for r in rows)


def test_without_a_cap_missing_results_keep_the_pick_open():
    weightings = (Weighting("w", {"strong": 0.99, "tough": 0.01}),)
    means = {"ash": (60, 60), "box": (59.8, None), "elm": (10, 10)}
    document = case(means, purchases=bought(ash=9, box=2, elm=1), weightings=weightings,
                    awards=[Award("best-value", "box", "w")])  # fmt: skip
    row = one(document, "best-value")
    assert not row["supported"] and row["why"] == "results of box are missing, which could turn it over"


def test_every_weighting_gets_what_the_numbers_say():
    two = (Weighting("pull", {"strong": 1.0}), Weighting("rip", {"tough": 1.0}))
    document = case({"ash": (80, 20), "box": (30, 90)}, weightings=two)
    assert one(document, "best", "numbers", "pull")["product"] == "ash"
    assert one(document, "best", "numbers", "rip")["product"] == "box"
    assert all(r["why"] for r in document["awards"] if not r["supported"])


def test_unknown_names_are_told():
    named = [Award("best", "nobody", "w", reason="x"), Award("best-a", "ash", "gone")]
    document = case(CLEAR, awards=named)
    assert one(document, "best")["why"] == "no such product"
    assert one(document, "best-a")["why"] == "no such weighting"


def test_an_opinion_carries_no_award():
    taste = Property("taste", "rating", "", "more", scale_low=1, scale_high=5)
    data = [reading("sip", p, v, rater="r1") for p, v in (("ash", 5), ("box", 2))]
    document = evaluate(study(
        data, [Trial("sip", "taste")], [taste], criteria=(Criterion("taste", "trial", "sip"),),
        weightings=(Weighting("w", {"taste": 1.0}),), awards=(Award("taste", "ash"), Award("best", "ash")),
    ))  # fmt: skip
    for code in ("taste", "best"):
        assert not one(document, code)["supported"] and "opinion" in one(document, code)["why"]

"""Claims on products of which some specimens gave only a bound, and the way of comparing in the rule."""

from __future__ import annotations

import pytest

from comparisons.analysis import evaluate
from comparisons.analysis.conformity import round_to
from comparisons.analysis.study import Claim, Decision, Gauge

from .build import BREAK, FORCE, one_trial, reading, row, study


def judged(values, *claims, decision=None, gauge=None):
    """Rows of claims on product a, whose values are (bound, value), one unit each."""
    rows = [reading("break", "a", x, unit=f"u{i}", bound=b, gauge=gauge) for i, (b, x) in enumerate(values)]
    made = tuple(
        Claim(f"c{i}", "a", "force", unit="N", trial="break", printed_step=1.0, **c) for i, c in enumerate(claims)
    )
    return evaluate(study(rows, [BREAK], [FORCE], claims=made, decision=decision or Decision()))["claims"]


def test_an_item_that_surely_misses_fails_a_claim_on_every_item():
    every = {"sense": "at_least", "scope": "every", "value": 100.0}
    values = [("=", 120.0), ("=", 80.0), (">", 200.0), ("=", 130.0)]
    (found,) = judged(values, every)
    assert found["statement"] == "fail" and found["p_conform"] is None and found["reason"]
    # Its guard band (JCGM 106:2012, section 8): a gauge that may err by 15 N leaves 80 N undecided.
    (found,) = judged(values, every, gauge=Gauge("g", "N", accuracy_abs=30.0))
    assert found["statement"] is None and "only bounds" in found["reason"]
    # A bound above the limit never fails; one below it does.
    (found,) = judged([("=", 120.0), ("=", 110.0), (">", 99.0)], every)
    assert found["statement"] is None
    (found,) = judged([("=", 120.0), ("=", 110.0), ("<", 90.0)], every)
    assert found["statement"] == "fail"


def test_a_bound_beyond_the_missed_limit_saves_nothing():
    between = {"sense": "between", "low": 10.0, "high": 20.0}
    values = [("=", 30.0), ("=", 30.4), ("=", 30.2), ("=", 30.1), (">", 30.3)]
    (found,) = judged(values, between)
    assert found["measured"] > 30 and found["statement"] == "fail"


def test_a_bound_on_the_right_side_of_the_missed_limit_never_fails():
    at_least = {"sense": "at_least", "value": 20.0}
    (found,) = judged([("=", 10.0), ("=", 10.2), ("=", 10.1), ("=", 10.3), (">", 25.0)], at_least)
    assert found["statement"] in ("conditional_fail", "conditional_pass")


@pytest.mark.parametrize(("rounding", "words"), [
    ("absolute", "compared as computed (absolute method)"),
    ("rounding", "rounded to a multiple of 1 first (rounding method)"),
])  # fmt: skip
def test_the_rule_says_how_a_value_is_compared(rounding, words):
    # ASTM E29: the two methods give different statements at 9.6 against a limit of 10.
    claims = (
        Claim("c", "a", "force", "at_least", trial="break", value=10.0, printed_step=1.0, unit="N"),
        Claim("e", "a", "force", "at_least", trial="break", value=10.0, printed_step=1.0, unit="N", scope="every"),
    )
    case = one_trial({"a": {"u1": [9.55], "u2": [9.6], "u3": [9.65], "u4": [12.2]}}, claims=claims,
                     decision=Decision(rule="simple", rounding=rounding))  # fmt: skip
    for found in evaluate(case)["claims"]:
        assert found["rule_text"].endswith(words)


def test_the_statement_changes_with_the_way_of_comparing():
    claim = Claim("c", "a", "force", "at_least", trial="break", value=10.0, printed_step=1.0, unit="N")
    values = {"a": {"u1": [9.55], "u2": [9.6], "u3": [9.65]}}
    said = [
        row(evaluate(one_trial(values, claims=(claim,), decision=Decision(rule="simple", rounding=way))),
            "claims", claim="c")["statement"]
        for way in ("absolute", "rounding")
    ]  # fmt: skip
    assert said == ["fail", "pass"]


def test_a_half_stays_a_half_through_a_conversion():
    # ASTM E29: 75.5 goes to the even 76 in millimetres, and must in inches, where neither number is exact.
    assert round_to(75.5, 1.0) == 76.0
    assert round_to(75.5 / 25.4, 1.0 / 25.4) * 25.4 == pytest.approx(76.0, rel=1e-12)
    assert round_to(74.5 / 25.4, 1.0 / 25.4) * 25.4 == pytest.approx(74.0, rel=1e-12)

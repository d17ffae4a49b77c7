"""Claims: which trial answers, which sources disagree, and the statement; published and hand cases."""

import numpy as np
import pytest
from scipy import stats

from comparisons.analysis import evaluate
from comparisons.analysis.claims import Limits, agree, answering_trial, deviation_of, limits_of
from comparisons.analysis.study import Claim, Decision, Gauge, Property, Trial

from .build import BREAK, FORCE, one_trial, reading, readings_of, row, study

SAFE = Property("safe", "pass_fail", "", "more")
MARK = Property("mark", "certification", "", "neither")
UNITS = {"u1": [61.0], "u2": [63.0], "u3": [62.0], "u4": [64.0]}


def claim(sense="at_least", value=60.0, code="c1", **more):
    return Claim(code, "a", "force", sense, value=value, **more)


def judge(*claims, given=UNITS, decision=None, **more):
    """The claim rows of product a, by code."""
    document = evaluate(one_trial({"a": given}, claims=claims, decision=decision or Decision(), **more))
    return {r["claim"]: r for r in document["claims"]}


def test_p_is_students_t_of_the_distance_to_the_limit():
    found = judge(claim())["c1"]
    u = np.std([61, 63, 62, 64], ddof=1) / 2
    assert found["p_conform"] == pytest.approx(stats.t.cdf((62.5 - 60) / u, 3), rel=1e-9)
    assert (found["statement"], found["deviation"]) == ("pass", 2.5)
    assert found["deviation_pct"] == pytest.approx(100 * 2.5 / 60)
    assert found["U"] == pytest.approx(3.182446 * u, rel=1e-6)


@pytest.mark.parametrize(
    "value, statement",
    [(60.0, "pass"), (62.0, "conditional_pass"), (63.0, "conditional_fail"), (65.0, "fail")],
)
def test_four_way_statement(value, statement):
    assert judge(claim(value=value))["c1"]["statement"] == statement
    mirrored = {k: [-x for x in v] for k, v in UNITS.items()}
    assert judge(claim("at_most", -value), given=mirrored)["c1"]["statement"] == statement


def test_guard_band_of_u_makes_a_near_miss_conditional_in_either_unit():
    # Claimed at least 17 lbf/in, measured 16.5, U = 0.8 lbf/in; 1 lbf/in = 0.175127 N/mm (NIST SP 811).
    for factor in (1.0, 0.1751268):
        values = {f"u{i}": [factor * x] for i, x in enumerate([15.93, 16.50, 17.07])}
        decision = Decision(rule="guard")
        found = judge(claim(value=17.0 * factor), given=values, decision=decision)["c1"]
        assert found["statement"] == "conditional_fail"
        assert found["deviation"] == pytest.approx(-0.5 * factor)


def test_simple_rule_has_no_middle():
    assert judge(claim(value=62.4), decision=Decision(rule="simple"))["c1"]["statement"] == "pass"
    assert judge(claim(value=62.6), decision=Decision(rule="simple"))["c1"]["statement"] == "fail"


def test_absolute_and_rounding_method():
    # ASTM E29: at a limit of 17 printed to the unit, 16.96 fails by the absolute method, meets by rounding.
    values = {"u1": [16.955], "u2": [16.96], "u3": [16.965]}
    given = claim(value=17.0, printed_step=1.0)
    rules = {
        rounding: judge(given, given=values, decision=Decision(rule="simple", rounding=rounding))["c1"]
        for rounding in ("absolute", "rounding")
    }
    assert rules["absolute"]["statement"] == "fail"
    assert rules["rounding"]["statement"] == "pass" and "rounded_before_judging" in rules["rounding"]["flags"]
    assert rules["rounding"]["measured"] == pytest.approx(16.96)


def test_the_gauge_widens_the_statement():
    assert judge(claim())["c1"]["statement"] == "pass"
    wide = judge(claim(), gauge=Gauge("g", "N", U=8.0, k=2.0))["c1"]
    assert wide["statement"] == "conditional_pass"
    assert wide["gauge"]["u_over_gap"] > 1


def test_gauge_adequacy_of_two_limits():
    found = judge(claim("between", None, low=55.0, high=75.0))["c1"]
    assert found["gauge"]["c_m"] == pytest.approx(20 / (2 * found["U"]))


def test_one_specimen_gives_the_deviation_and_no_statement():
    found = judge(claim(), given={"u1": [70.0]})["c1"]
    assert (found["deviation"], found["p_conform"], found["statement"]) == (10.0, None, None)
    assert "one specimen" in found["reason"]


def test_no_spread_gives_no_statement():
    found = judge(claim(), given={"u1": [70.0], "u2": [70.0]})["c1"]
    assert found["statement"] is None and "resolution is not known" in found["reason"]


def test_units_tested_are_all_that_a_one_unit_statement_speaks_of():
    found = judge(claim(), given={"u1": [62.0, 62.1, 61.9]})["c1"]
    assert found["statement"] == "pass" and "of_units_tested" in found["flags"]


@pytest.mark.parametrize(
    "given, pct, low, high",
    [
        (claim("nominal", 50.0, tolerance_minus=2.0, tolerance_plus=3.0), None, 48.0, 53.0),
        (claim("nominal", 50.0, tolerance_minus=2.0), 10.0, 48.0, None),
        (claim("nominal", 50.0), 10.0, 45.0, 55.0),
        (claim("nominal", 50.0), None, None, None),
        (claim("at_most", 50.0), 10.0, None, 50.0),
        (claim("at_least", None, low=50.0), 10.0, 50.0, None),
        (claim("between", None, low=40.0, high=50.0), 10.0, 40.0, 50.0),
    ],
)
def test_limits_of_a_claim(given, pct, low, high):
    found = limits_of(given, pct)
    assert (found.low, found.high, found.reason) == (low, high, "")


def test_a_claim_without_its_number_is_not_judged():
    for broken in (claim(value=None), claim("between", None, low=1.0), claim("nominal", None)):
        found = judge(broken)["c1"]
        assert found["statement"] is None and "the claim" in found["reason"]


def test_nominal_without_tolerance_is_a_signed_deviation_alone():
    found = judge(claim("nominal", 60.0))["c1"]
    assert (found["deviation"], found["statement"]) == (2.5, None)
    assert found["reason"] == "a nominal value without a tolerance: the deviation alone"


def test_two_limits_fail_only_where_one_side_is_sure():
    wide = {f"u{i}": [x] for i, x in enumerate([40.0, 60.0, 80.0])}
    found = judge(claim("between", None, low=59.5, high=60.5), given=wide)["c1"]
    assert found["p_conform"] < 0.05 and found["statement"] == "conditional_pass"


def test_deviation_from_two_limits_is_from_the_one_that_is_missed():
    limits = Limits(10.0, 20.0, None, None)
    assert deviation_of(8.0, limits) == (-2.0, -20.0)
    assert deviation_of(25.0, limits) == (5.0, 25.0)
    assert deviation_of(15.0, limits) == (0.0, 0.0)
    assert deviation_of(5.0, Limits(0.0, None, 0.0, None)) == (5.0, None)


TRIALS = [
    Trial("dry", "force"),
    Trial("hot", "force", condition="heat", baseline="dry"),
    Trial("hot2", "force", condition="heat"),
]


@pytest.mark.parametrize(
    "given, trial, reason",
    [
        ({}, 0, ""),
        ({"condition": "heat"}, None, "several trials could answer this claim"),
        ({"condition": "heat", "of": "change"}, 1, ""),
        ({"condition": "heat", "trial": "hot2"}, 2, ""),
        ({"condition": "wet"}, None, "not tested"),
        ({"trial": "cold"}, None, "no trial cold"),
    ],
)
def test_the_trial_that_answers(given, trial, reason):
    assert answering_trial(study([], TRIALS, [FORCE], ("a",)), claim(**given)) == (trial, reason)


def test_a_trial_of_another_property_answers_nothing():
    case = study([], [Trial("t", "safe")], [FORCE, SAFE], ("a",))
    assert answering_trial(case, claim(trial="t")) == (None, "trial t measures another property")


def test_sources_that_disagree_are_held_back_and_previewed():
    # Label 80, listing 105: nothing is said until an editor chooses with a reason.
    label, listing = claim(value=60.0, source="package"), claim(value=66.0, code="c2", source="listing")
    found = judge(label, listing)
    for code, would in (("c1", "pass"), ("c2", "fail")):
        assert (found[code]["statement"], found[code]["p_conform"], found[code]["deviation"]) == (
            None,
            None,
            None,
        )
        assert found[code]["reason"] == "sources disagree" == found[code]["conflict"]
        assert found[code]["if_governed"]["statement"] == would
        assert found[code]["measured"] == 62.5


def test_the_source_that_governs_with_a_reason_is_judged():
    label = claim(value=60.0, governs=True, governs_reason="printed on what was bought")
    found = judge(label, claim(value=66.0, code="c2"))
    assert found["c1"]["statement"] == "pass" and found["c1"]["conflict"] is None
    assert found["c2"]["statement"] is None and found["c2"]["reason"] == "c1 governs"


@pytest.mark.parametrize("reasons", [("", None), ("one", "two")])
def test_governing_needs_one_row_and_a_reason(reasons):
    rows = [
        claim(value=x, code=f"c{i}", governs=r is not None, governs_reason=r or "")
        for i, (x, r) in enumerate(zip((60.0, 66.0), reasons, strict=True))
    ]
    assert {r["reason"] for r in judge(*rows).values()} == {"sources disagree"}


def test_other_conditions_and_scopes_are_other_claims():
    found = judge(
        claim(), claim(value=66.0, code="c2", scope="every"), claim(value=70.0, code="c3", condition="x")
    )
    assert [found[c]["conflict"] for c in ("c1", "c2", "c3")] == [None, None, None]


@pytest.mark.parametrize(
    "a, b, same",
    [
        # 0.18 mm and 7 mil (0.1778 mm): the same as printed; 0.0178 mm (a tenfold slip) is not.
        (Limits(None, None, 0.18, 0.01), Limits(None, None, 0.1778, 0.0254), True),
        (Limits(None, None, 0.0178, 0.0001), Limits(None, None, 0.1778, 0.0254), False),
        (Limits(80, None, 80, 1), Limits(105, None, 105, 1), False),
        (Limits(80, None, 80, 1), Limits(81, None, 81, 1), True),
        (Limits(80, None, 80, None), Limits(80.1, None, 80.1, None), False),
        (Limits(80, None, 80, 1), Limits(None, 120, 120, 1), True),
        (Limits(120, None, 120, 1), Limits(None, 80, 80, 1), False),
        (Limits(None, None, 80, 1), Limits(75, 85, None, 1), True),
        (Limits(None, None, 90, 1), Limits(75, 85, None, 1), False),
        (Limits(75, 85, 80, 1), Limits(75, None, 75, 1), True),
        (Limits(75, 85, 80, 1), Limits(80, None, 80, 1), False),
    ],
)
def test_sources_agree_within_their_printed_precision(a, b, same):
    assert agree(a, b) is same and agree(b, a) is same


def test_every_item_judges_a_tolerance_bound():
    # ISO 16269-6: k(95/95) = 4.203 at n = 5. Values 10 +- spread: mean 10, sd sqrt(2.5)/10.
    values = {f"u{i}": [x] for i, x in enumerate([9.8, 9.9, 10.0, 10.1, 10.2])}
    bound = 10 - 4.203 * np.std([9.8, 9.9, 10.0, 10.1, 10.2], ddof=1)
    found = judge(claim(value=bound - 0.01, scope="every"), given=values)["c1"]
    assert found["statement"] == "pass" and found["bound_low"] == pytest.approx(bound, abs=2e-4)
    assert (
        judge(claim(value=bound + 0.01, scope="every"), given=values)["c1"]["statement"] == "conditional_pass"
    )
    assert judge(claim(value=9.85, scope="every"), given=values)["c1"]["statement"] == "fail"


def test_a_specimen_beyond_the_limit_by_less_than_its_guard_band_does_not_fail_every_item():
    values = {f"u{i}": [x] for i, x in enumerate([9.8, 9.9, 10.0, 10.1, 10.2])}
    coarse = Gauge("g", "N", U=0.4, k=2.0)
    found = judge(claim(value=9.85, scope="every"), given=values, gauge=coarse)["c1"]
    assert found["statement"] == "conditional_fail"


@pytest.mark.parametrize(
    "given, reason",
    [
        ({"u1": [9.0, 10.0, 11.0]}, "one unit only"),
        ([9.0, 10.0, 11.0], "the units are not known"),
    ],
)
def test_one_unit_cannot_speak_for_every_item(given, reason):
    found = judge(claim(value=5.0, scope="every"), given=given)["c1"]
    assert found["statement"] is None and reason in found["reason"]


def bounded(values, claims, **more):
    rows = [
        reading("break", "a", v, bound=b, unit=f"u{i}") for i, (v, b) in enumerate(values)
    ]  # fmt: skip
    document = evaluate(study(rows, [BREAK], [FORCE], claims=tuple(claims), **more))
    return {r["claim"]: r for r in document["claims"]}


@pytest.mark.parametrize("n, p, statement", [(5, 1 - 0.5**5, "pass"), (4, 1 - 0.5**4, "conditional_pass")])
def test_items_that_outlasted_the_fixture_settle_the_median(n, p, statement):
    found = bounded([(222.0, ">")] * n, [claim(value=200.0)])["c1"]
    assert (found["p_conform"], found["statement"]) == (pytest.approx(p), statement)
    assert found["judged_on"] == "bounds" and found["measured"] is None
    assert (found["measured_low"], found["measured_high"]) == (222.0, None)


def test_bounds_below_the_limit_decide_nothing():
    found = bounded([(222.0, ">")] * 5, [claim(value=300.0)])["c1"]
    assert found["statement"] is None and "all values are bounds" in found["reason"]


def test_a_bound_above_the_limit_never_fails():
    values = [(50.0, "="), (51.0, "="), (52.0, "="), (51.5, "="), (90.0, ">")]
    found = bounded(
        values, [claim(value=89.0), claim(value=95.0, code="c2", condition=None, scope="typical")][:1]
    )["c1"]
    assert found["statement"] == "conditional_fail" and "bounds_never_fail" in found["flags"]


def passes(k, n, scope="typical", units=True, **more):
    rows = [
        reading("t", "a", float(i < k), unit=f"u{i}" if units else None) for i in range(n)
    ]  # fmt: skip
    yes = Claim("c1", "a", "safe", "yes", scope=scope)
    document = evaluate(study(rows, [Trial("t", "safe")], [SAFE], claims=(yes,), **more))
    return row(document, "claims", claim="c1")


def test_a_claim_of_yes_is_judged_by_its_pass_share():
    three = passes(3, 3)
    assert three["p_conform"] == pytest.approx(1 - 0.5**3) and three["statement"] == "conditional_pass"
    assert passes(5, 5)["statement"] == "pass"
    assert passes(0, 5)["statement"] == "fail"
    assert passes(1, 3)["statement"] == "conditional_fail"
    assert passes(8, 10)["p_conform"] == pytest.approx(1 - stats.binom.sf(7, 10, 0.5))


def test_every_item_asks_for_the_stated_share():
    assert passes(5, 5, "every")["p_conform"] == pytest.approx(1 - 0.95**5)
    # 0.95^59 < 0.05: 59 of 59 are the fewest that show 95 % at 95 % (closed form).
    assert passes(59, 59, "every")["statement"] == "pass"
    assert passes(58, 58, "every")["statement"] == "conditional_pass"


def test_specimens_of_unknown_units_are_said_to_be_specimens():
    assert "specimens_not_units" in passes(5, 5, units=False)["flags"]
    assert "specimens_not_units" not in passes(5, 5)["flags"]


def test_numbers_and_yes_need_their_own_kind_of_trial():
    numeric = Claim("c1", "a", "safe", "at_least", value=0.5)
    case = study([reading("t", "a", 1.0)], [Trial("t", "safe")], [SAFE], claims=(numeric,))
    assert (
        row(evaluate(case), "claims", claim="c1")["reason"] == "a pass/fail trial answers only a claim of yes"
    )
    assert judge(claim("yes", None))["c1"]["reason"] == "a claim of yes needs a pass/fail trial"


@pytest.mark.parametrize(
    "state, reason",
    [
        ("verified", None),
        ("not_found", "claimed, but could not be verified"),
        ("claimed", "claimed, not verified yet"),
        (None, "claimed, not verified yet"),
        ("not_claimed", "not claimed"),
        ("not_looked_for", "not looked for yet"),
    ],
)
def test_certifications_have_a_state_and_no_statement(state, reason):
    given = Claim(
        "c1", "a", "mark", "yes", certification_state=state, reference="F 12", checked_on="2025-03-01"
    )
    case = study([reading("break", "a", 1.0)], [BREAK], [FORCE, MARK], claims=(given,))
    found = row(evaluate(case), "claims", claim="c1")
    assert (found["kind"], found["state"], found["reason"]) == ("certification", state or "claimed", reason)
    assert (found["statement"], found["reference"], found["checked_on"]) == (None, "F 12", "2025-03-01")


def change(hot, dry, *claims, paired=False, **more):
    rows = []
    for trial, given in (("dry", dry), ("hot", hot)):
        for i, x in enumerate(given):
            rows.append(reading(trial, "a", x, unit=f"u{i}", specimen=f"s{i}" if paired else f"{trial}{i}"))
    trials = [Trial("dry", "force"), Trial("hot", "force", condition="heat", baseline="dry", paired=paired)]
    document = evaluate(study(rows, trials, [FORCE], claims=claims, **more))
    return row(document, "changes", product="a"), {r["claim"]: r for r in document["claims"]}


def keeps(value, sense="at_least", code="c1", **more):
    return claim(sense, value, code=code, condition="heat", of="change", **more)


def test_a_change_from_noisy_baselines_is_no_change_shown():
    # 2.0 to 1.8 with 10 % of spread each, five units each: -10 +- 13 points or so.
    def spread(m):
        return list(
            m * (1 + 0.1 * np.array([-1.2, -0.6, 0.0, 0.6, 1.2]) / np.std([-1.2, -0.6, 0, 0.6, 1.2], ddof=1))
        )

    found, _ = change(spread(1.8), spread(2.0))
    low, high = found["ci_pct"]
    assert found["change_pct"] == pytest.approx(-10.0)
    assert low < -20 and 3 < high < 6
    assert "no change shown" in found["flags"]


def test_claim_on_a_change_is_judged_on_the_law_of_its_interval():
    _, found = change(
        [9.0, 9.1, 8.9, 9.0], [10.0, 10.1, 9.9, 10.0], keeps(-20.0), keeps(-9.0, code="c2", scope="typical")
    )
    hot, dry = np.array([9.0, 9.1, 8.9, 9.0]), np.array([10.0, 10.1, 9.9, 10.0])
    a, b = (x.std(ddof=1) / 2 / x.mean() for x in (hot, dry))
    dof = (a**2 + b**2) ** 2 / (a**4 / 3 + b**4 / 3)
    z = (np.log(0.9) - np.log(0.8)) / np.hypot(a, b)
    assert found["c1"]["conflict"] == "sources disagree"
    assert found["c1"]["if_governed"]["p_conform"] == pytest.approx(stats.t.cdf(z, dof), rel=1e-6)
    assert found["c2"]["if_governed"]["statement"] == "conditional_fail"


def test_the_statement_on_a_change_agrees_with_its_interval():
    ci = change([9.0, 9.4, 8.6, 9.0], [10.0, 10.1, 9.9, 10.0])[0]["ci_pct"]
    decision = Decision(confidence=0.975)  # one-sided, as the interval's own tail
    inside, outside = ci[0] - 0.01, ci[0] + 0.01
    _, found = change([9.0, 9.4, 8.6, 9.0], [10.0, 10.1, 9.9, 10.0], keeps(inside), decision=decision)
    assert found["c1"]["statement"] == "pass"
    _, found = change([9.0, 9.4, 8.6, 9.0], [10.0, 10.1, 9.9, 10.0], keeps(outside), decision=decision)
    assert found["c1"]["statement"] == "conditional_pass"


def test_a_change_of_the_same_specimens_uses_its_log_ratios():
    dry, hot = [10.0, 20.0, 40.0], [9.0, 18.2, 35.8]
    found, claims = change(hot, dry, keeps(-20.0), paired=True)
    logs = np.log(np.array(hot) / dry)
    assert found["paired"] and found["change_pct"] == pytest.approx(100 * np.expm1(logs.mean()))
    z = (logs.mean() - np.log(0.8)) / (logs.std(ddof=1) / np.sqrt(3))
    assert claims["c1"]["p_conform"] == pytest.approx(stats.t.cdf(z, 2), rel=1e-6)


def test_a_baseline_near_zero_is_refused_or_judged_by_fieller():
    found, claims = change([1.0, 2.0, 3.0], [-1.0, 0.5, 1.0], keeps(-20.0))
    assert found["change_pct"] is None and "holds zero" in found["reason"]
    assert claims["c1"]["statement"] is None and "holds zero" in claims["c1"]["reason"]
    found, claims = change([10.0, 12.0, 14.0, 12.0], [6.0, 10.0, 14.0, 10.0], keeps(-50.0))
    assert "Fieller" in found["method"]
    assert "baseline_poorly_known" in claims["c1"]["flags"] and claims["c1"]["p_conform"] > 0.9


def test_a_change_needs_a_baseline_measured():
    rows = readings_of("hot", "a", [1.0, 2.0])
    trials = [Trial("dry", "force"), Trial("hot", "force", condition="heat", baseline="dry")]
    document = evaluate(study(rows, trials, [FORCE], claims=(keeps(-5.0),)))
    assert row(document, "changes", product="a")["reason"] == "no baseline: not measured yet"
    assert row(document, "claims", claim="c1")["reason"] == "no baseline: not measured yet"


@pytest.mark.parametrize(
    "trials, properties, reason",
    [
        ([Trial("hot", "force", baseline="dry")], [FORCE], "no trial dry"),
        (
            [Trial("hot", "force", baseline="dry"), Trial("dry", "other")],
            [FORCE, Property("other", "quantity", "N", "more")],
            "the baseline measures another property",
        ),
    ],
)
def test_a_baseline_that_cannot_serve_is_refused(trials, properties, reason):
    document = evaluate(study(readings_of("hot", "a", [1.0, 2.0]), trials, properties))
    assert row(document, "changes", product="a")["reason"] == reason


def test_bounds_give_no_paired_change():
    rows = [reading("dry", "a", 10.0, specimen="s"), reading("hot", "a", 9.0, specimen="s", bound=">")]
    trials = [Trial("dry", "force"), Trial("hot", "force", condition="heat", baseline="dry", paired=True)]
    found = row(evaluate(study(rows, trials, [FORCE])), "changes", product="a")
    assert found["change_pct"] is None and "only a bound" in found["reason"]


def test_rows_are_sorted_by_claim_code():
    codes = ["c9", "c10", "a1"]
    document = evaluate(one_trial({"a": UNITS}, claims=tuple(claim(value=60.0, code=c) for c in codes)))
    assert [r["claim"] for r in document["claims"]] == sorted(codes)

"""From readings to specimen values: what counts, what is averaged, divided, pooled, and why not."""

import pytest

from comparisons.analysis import evaluate
from comparisons.analysis.study import Gauge, Property, Run, Trial

from .build import BREAK, FORCE, one_trial, reading, readings_of, row, study

WIDTH = Property("width", "quantity", "mm", "neither")
LINE = Property("line", "quantity", "N/mm", "more")
SAFE = Property("safe", "pass_fail", "", "more")
FEEL = Property("feel", "rating", "step", "more", scale_low=1, scale_high=5)


def specimens(document, **where):
    return [r for r in document["specimens"] if all(r[k] == v for k, v in where.items())]


def test_without_a_specimen_code_each_reading_is_a_specimen():
    document = evaluate(one_trial({"a": [1.0, 1.0, 1.0]}))
    assert [r["readings"] for r in document["specimens"]] == [["r0001"], ["r0002"], ["r0003"]]
    assert row(document, "summaries", product="a")["n"] == 3


def test_readings_of_one_specimen_are_averaged_and_flagged():
    rows = readings_of("break", "a", [10.0, 12.0], specimen="s1") + [
        reading("break", "a", 20.0, specimen="s2")
    ]
    document = evaluate(study(rows, [BREAK], [FORCE]))
    first, second = document["specimens"]
    assert (first["value"], first["flags"], first["readings"]) == (11.0, ["averaged"], ["r0001", "r0002"])
    assert (second["value"], second["flags"]) == (20.0, [])
    assert row(document, "summaries", product="a")["n"] == 2


def test_a_specimen_of_two_raters_is_still_one_specimen():
    rows = [reading("break", "a", x, specimen="s1", rater=r) for x, r in ((10.0, "ann"), (12.0, "bob"))]
    found = specimens(evaluate(study(rows, [BREAK], [FORCE])))
    assert len(found) == 1 and "several_raters" in found[0]["flags"] and found[0]["rater"] is None


def test_each_rater_has_a_rating_of_a_specimen():
    rows = [reading("t", "a", x, specimen="s1", rater=r) for x, r in ((3.0, "ann"), (4.0, "bob"))]
    document = evaluate(study(rows, [Trial("t", "feel")], [FEEL]))
    assert [(r["rater"], r["value"]) for r in document["specimens"]] == [("ann", 3.0), ("bob", 4.0)]


def test_a_specimen_passes_where_all_its_readings_pass():
    rows = readings_of("t", "a", [1.0, 1.0, 0.0], specimen="s1")
    document = evaluate(study(rows, [Trial("t", "safe")], [SAFE]))
    assert specimens(document)[0]["value"] == 0.0


@pytest.mark.parametrize(
    "prop, value, why",
    [
        (FORCE, float("nan"), "no number"),
        (FORCE, float("inf"), "no number"),
        (SAFE, 2.0, "neither pass nor fail"),
        (FEEL, 6.0, "off the scale 1 to 5"),
        (FEEL, 0.0, "off the scale 1 to 5"),
    ],
)
def test_a_value_that_means_nothing_is_shown_and_not_counted(prop, value, why):
    document = evaluate(study([reading("t", "a", value)], [Trial("t", prop.code)], [prop]))
    (found,) = document["specimens"]
    assert (found["counted"], found["why_not"]) == (False, why)


def test_replaced_voided_and_invalid_readings_stay_in_sight():
    rows = [
        reading("break", "a", 1.0, live=False),
        reading("break", "a", 2.0, live=False, why_not="voided: slipped in the jaw"),
        reading("break", "a", 3.0, why_not="jaw break"),
        reading("break", "a", 4.0),
    ]
    document = evaluate(study(rows, [BREAK], [FORCE]))
    assert [(r["value"], r["counted"], r["why_not"]) for r in document["specimens"]] == [
        (1.0, False, "replaced or voided"),
        (2.0, False, "voided: slipped in the jaw"),
        (3.0, False, "jaw break"),
        (4.0, True, None),
    ]


def test_an_average_with_a_bound_is_a_bound():
    rows = [reading("break", "a", 50.0, specimen="s", bound=">"), reading("break", "a", 40.0, specimen="s")]
    (found,) = specimens(evaluate(study(rows, [BREAK], [FORCE])))
    assert (found["value"], found["bound"], found["counted"]) == (45.0, ">", True)


def test_bounds_of_both_kinds_settle_nothing():
    rows = [reading("break", "a", 50.0, specimen="s", bound=b) for b in "<>"]
    (found,) = specimens(evaluate(study(rows, [BREAK], [FORCE])))
    assert (found["counted"], found["why_not"]) == (False, "bounds of both kinds on one specimen")


def pulls(widths, condition=None, width_conditions=(None,)):
    """Pull readings of specimens s0, s1, ... and their widths; a width of None was not read."""
    rows = [reading("pull", "a", 100.0, specimen=f"s{i}") for i in range(len(widths))]
    trials = [Trial("pull", "line", condition=condition, divide_by=("width",))]
    for n, width_condition in enumerate(width_conditions):
        trials.append(Trial(f"width{n}", "width", condition=width_condition))
        for i, own in enumerate(widths):
            for w in own:
                rows.append(reading(f"width{n}", "a", w + 10 * n, specimen=f"s{i}"))
    return study(rows, trials, [LINE, WIDTH])


def test_a_force_is_divided_by_its_own_specimens_mean_width():
    document = evaluate(pulls([[19.0, 21.0], [25.0]]))
    assert [r["value"] for r in specimens(document, trial="pull")] == [5.0, 4.0]
    assert specimens(document, trial="pull")[0]["unit_of_measure"] == "N/mm"


def test_a_specimen_without_its_width_is_uncounted_with_the_reason():
    document = evaluate(pulls([[20.0], []]))
    found = specimens(document, trial="pull")
    assert [(r["value"], r["counted"], r["why_not"]) for r in found] == [
        (5.0, True, None),
        (None, False, "no width of this specimen"),
    ]
    assert row(document, "summaries", trial="pull")["n"] == 1


@pytest.mark.parametrize("width", [0.0, -2.0])
def test_a_width_that_is_not_above_zero_divides_nothing(width):
    (found,) = specimens(evaluate(pulls([[width]])), trial="pull")
    assert found["why_not"] == "width of this specimen is not above zero" and found["value"] is None


def test_a_reading_without_specimen_code_has_no_width_of_its_own():
    rows = [reading("pull", "a", 100.0), reading("width", "a", 20.0, specimen="s1")]
    trials = [Trial("pull", "line", divide_by=("width",)), Trial("width", "width")]
    document = evaluate(study(rows, trials, [LINE, WIDTH]))
    (found,) = specimens(document, trial="pull")
    assert found["why_not"] == "no specimen code, so no dimension of its own"


def test_the_width_of_the_same_condition_is_taken_else_the_one_as_received():
    aged = evaluate(pulls([[20.0]], condition="aged", width_conditions=(None, "aged")))
    assert specimens(aged, trial="pull")[0]["value"] == pytest.approx(100 / 30)
    other = evaluate(pulls([[20.0]], condition="wet", width_conditions=(None, "aged")))
    assert specimens(other, trial="pull")[0]["value"] == 5.0


def test_two_trials_of_one_width_leave_the_divisor_open():
    document = evaluate(pulls([[20.0]], width_conditions=(None, None)))
    assert specimens(document, trial="pull")[0]["why_not"] == "several trials measure width"
    assert any("cannot be divided by width" in n["text"] for n in document["notes"])


def test_area_is_two_dimensions_and_the_factor_converts():
    thick = Property("thick", "quantity", "mm", "neither")
    stress = Property("stress", "quantity", "kPa", "more")
    rows = [
        reading("pull", "a", 100.0, specimen="s"), reading("width", "a", 20.0, specimen="s"),
        reading("thick", "a", 0.5, specimen="s"),
    ]  # fmt: skip
    trials = [
        Trial("pull", "stress", divide_by=("width", "thick"), result_factor=1000.0),
        Trial("width", "width"), Trial("thick", "thick"),
    ]  # fmt: skip
    document = evaluate(study(rows, trials, [stress, WIDTH, thick]))
    assert specimens(document, trial="pull")[0]["value"] == pytest.approx(1000 * 100 / (20 * 0.5))


def runs(*, reason="", anchor=None, repeated=("b", "c"), first=("a", "b", "c")):
    rows = [reading("break", p, 10.0 + i, run="one") for i, p in enumerate(first)]
    rows += [reading("break", p, 20.0 + i, run="two") for i, p in enumerate(repeated)]
    trial = Trial("break", "force", runs=(Run("one"), Run("two", reason, anchor)))
    return evaluate(study(rows, [trial], [FORCE], products=("a", "b", "c")))


def counts(document):
    return {r["product"]: r["n"] for r in document["summaries"]}


def test_runs_are_not_pooled_without_reason_or_anchor():
    document = runs()
    assert counts(document) == {"a": 1, "b": 1, "c": 1}
    assert [r["why_not"] for r in document["specimens"] if not r["counted"]] == [
        "run not pooled with the judged one (one)"
    ] * 2
    assert any("run two is not pooled" in n["text"] for n in document["notes"])


def test_a_later_run_of_as_many_products_is_judged_instead():
    document = runs(repeated=("a", "b", "c"))
    assert {r["run"] for r in document["specimens"] if r["counted"]} == {"two"}


def test_products_measured_only_before_the_rig_changed_have_no_result():
    document = runs(first=("a",), repeated=("b", "c"))
    assert counts(document) == {"a": 0, "b": 1, "c": 1}
    assert "run not pooled" in row(document, "summaries", product="a")["reason"]


def test_a_stated_reason_pools_runs():
    assert counts(runs(reason="same jig, second day")) == {"a": 1, "b": 2, "c": 2}


def test_an_anchor_pools_runs_only_where_it_was_measured_in_both():
    assert counts(runs(anchor="b")) == {"a": 1, "b": 2, "c": 2}
    document = runs(anchor="a")
    assert counts(document) == {"a": 1, "b": 1, "c": 1}
    assert any("names a as its anchor" in n["text"] for n in document["notes"])


def test_an_excluded_product_keeps_its_readings_in_sight():
    trial = Trial("break", "force", absences={"a": "excluded"})
    document = evaluate(study([reading("break", "a", 1.0)], [trial], [FORCE]))
    assert "set down as excluded" in specimens(document)[0]["why_not"]
    assert row(document, "summaries", product="a")["absence"] == "excluded"


def test_readings_outside_the_gauges_range_and_overdue_are_flagged_through():
    gauge = Gauge("g", "N", range_low=0.0, range_high=50.0)
    rows = [reading("break", "a", 60.0, gauge=gauge, overdue=True), reading("break", "a", 40.0, gauge=gauge)]
    document = evaluate(study(rows, [BREAK], [FORCE]))
    assert specimens(document)[0]["flags"] == ["gauge_overdue", "outside_gauge_range"]
    assert {"gauge_overdue", "outside_gauge_range"} <= set(row(document, "summaries", product="a")["flags"])
    assert any("past its due date" in n["text"] for n in document["notes"])


def test_suspect_values_are_flagged_and_stay_counted():
    document = evaluate(one_trial({"a": [12.1, 12.4, 12.2, 123.0], "b": [12.0, 12.3, 12.2, 12.1]}))
    found = row(document, "suspects", test="slip")
    assert (found["value"], found["factor"]) == (123.0, 10.0)
    assert found["corrected"] == pytest.approx(12.3)
    assert found["mean_with"] == pytest.approx(39.925) and found["mean_without"] == pytest.approx(36.7 / 3)
    assert row(document, "summaries", product="a")["n"] == 4
    assert [r["value"] for r in document["specimens"] if "suspect" in r["flags"]] == [123.0]


def test_a_single_slip_is_held_against_the_other_products():
    document = evaluate(one_trial({"a": [1.23], "b": [12.0, 12.3], "c": [12.2, 12.4], "d": [12.5, 12.1]}))
    assert row(document, "suspects", product="a")["test"] == "slip"


def test_a_value_outside_the_plausible_range_is_suspect():
    prop = Property("force", "quantity", "N", "more", plausible_low=1.0, plausible_high=20.0)
    document = evaluate(one_trial({"a": [12.0, 13.0, 30.0]}, prop=prop))
    assert (
        row(document, "suspects", test="plausible_range")["text"] == "outside the plausible range 1 to 20 N"
    )


def test_a_far_value_is_looked_for_from_six_on():
    # NIST/SEMATECH e-Handbook 1.3.5.17.1, uranium isotopes: G = 2.4687.
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    document = evaluate(one_trial({"a": {"u1": values}}))
    found = row(document, "suspects", test="grubbs")
    assert found["statistic"] == pytest.approx(2.4687, abs=1e-4) and found["level"] == "within_unit"
    few = evaluate(one_trial({"a": {"u1": values[-5:]}}))
    assert [r for r in few["suspects"] if r["test"] == "grubbs"] == []


def test_a_far_unit_is_looked_for_among_unit_means():
    units = {f"u{i}": [x, x + 0.2] for i, x in enumerate([10.0, 10.1, 9.9, 10.2, 10.0, 10.1, 9.8, 14.0])}
    found = row(evaluate(one_trial({"a": units})), "suspects", level="unit_means")
    assert found["unit"] == "a-u7" and len(found["readings"]) == 2

"""Products beside each other: what the rows of differences, pass shares and ratings carry; laws."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from comparisons.analysis import evaluate
from comparisons.analysis.study import Gauge, Property, Trial

from .build import FORCE, one_trial, reading, row, study

SAFE = Property("safe", "pass_fail", "", "more")
FEEL = Property("feel", "rating", "step", "more", scale_low=1, scale_high=9)


def passes(units, known=True):
    """units: unit code -> outcomes of product a."""
    rows = [
        reading("t", "a", float(x), unit=f"{u}" if known else None) for u, own in units.items() for x in own
    ]
    document = evaluate(study(rows, [Trial("t", "safe")], [SAFE]))
    return row(document, "pass_fail", product="a")


def test_units_that_speak_with_one_voice_are_counted_as_units():
    found = passes({"u1": [1, 1, 1], "u2": [1, 1, 1], "u3": [1, 1, 1]})
    assert (found["passed"], found["n"], found["share"]) == (9, 9, 1.0)
    assert (found["counted_on"], found["k"], found["n_items"]) == ("units", 3, 3)
    # 3 of 3: two-sided exact lower limit 0.025^(1/3) (closed form), in words 36.8 % one-sided.
    assert found["clopper_pearson"] == [pytest.approx(0.025 ** (1 / 3)), 1.0]
    assert "at least 36.8 %" in found["words"]
    assert "specimens_not_units" not in found["flags"]


def test_specimens_are_counted_where_units_cannot_be_and_it_is_said():
    disagreeing = passes({"u1": [1, 0], "u2": [1, 1]})
    assert (disagreeing["counted_on"], disagreeing["k"], disagreeing["n_items"]) == ("specimens", 3, 4)
    assert {"specimens_not_units", "units_disagree_within"} <= set(disagreeing["flags"])
    for found in (passes({"u1": [1, 1, 1]}), passes({"u1": [1], "u2": [1]}, known=False)):
        assert found["counted_on"] == "specimens" and "specimens_not_units" in found["flags"]


def test_pass_shares_are_compared_and_too_few_are_said_to_be_too_few():
    rows = [reading("t", p, x, unit=f"{p}{i}") for p, x in (("a", 1.0), ("b", 0.0)) for i in range(3)]
    found = row(evaluate(study(rows, [Trial("t", "safe")], [SAFE])), "differences", trial="t")
    assert found["pairs"][0]["decided"] == "too_few_to_tell"
    assert found["letters"] == {"a": None, "b": None} and set(found["no_letter"]) == {"a", "b"}


def test_agreement_of_raters_against_siegel_and_castellan():
    # Siegel and Castellan 1988: 3 raters, 8 items, W = .656 (the R package irr gives .6560846561).
    table = [[5, 6, 7, 1, 2, 4, 3, 8], [1, 7, 6, 2, 3, 5, 4, 8], [4, 5, 1, 3, 2, 7, 6, 8]]
    rows = [
        reading("t", f"p{j}", float(x), rater=f"r{i}", specimen=f"s{j}")
        for i, own in enumerate(table)
        for j, x in enumerate(own)
    ]
    document = evaluate(study(rows, [Trial("t", "feel")], [FEEL]))
    found = row(document, "ratings", trial="t")
    assert found["kendall_w"] == pytest.approx(0.6560846561, abs=1e-9)
    assert found["p"] == pytest.approx(0.0552779, abs=1e-6)
    assert found["medians"]["p0"] == 4 and found["raters"] == 3
    assert row(document, "summaries", product="p0")["mean"] == pytest.approx(10 / 3)


def test_a_rater_of_several_specimens_has_one_say_about_a_product():
    rows = [reading("t", "a", x, rater="r1", specimen=f"s{i}") for i, x in enumerate([1.0, 1.0, 1.0, 1.0])]
    rows += [
        reading("t", "a", 5.0, rater="r2", specimen="s0"),
        reading("t", "a", 6.0, rater="r3", specimen="s0"),
    ]
    found = row(evaluate(study(rows, [Trial("t", "feel")], [FEEL])), "summaries", product="a")
    assert found["n"] == 6 and found["median"] == 1.0
    assert found["mean"] == pytest.approx(4.0)


def test_a_product_of_one_specimen_gets_no_letter():
    values = {"a": [10.0, 10.1, 10.2], "b": [20.0, 20.1, 20.2], "c": [15.0]}
    found = row(evaluate(one_trial(values)), "differences", trial="break")
    assert found["letters"]["c"] is None and found["letters"]["a"] != found["letters"]["b"]
    assert found["flags"] == ["of_units_tested"]


def test_products_without_spread_are_compared_with_the_resolution():
    units = {
        "a": {"u1": [10.0], "u2": [10.0]},
        "b": {"u1": [10.5], "u2": [10.5]},
        "c": {"u1": [14.0], "u2": [14.0]},
    }
    found = row(
        evaluate(one_trial(units, gauge=Gauge("g", "N", resolution=1.0))), "differences", trial="break"
    )
    pairs = {(p["a"], p["b"]): p for p in found["pairs"]}
    assert pairs["a", "b"]["decided"] == "no_difference_shown" and pairs["a", "b"]["p"] is None
    assert pairs["a", "c"]["decided"] == "different"


def test_a_trial_of_one_product_compares_nothing():
    assert evaluate(one_trial({"a": [1.0, 2.0]}))["differences"] == []


def test_too_few_values_for_a_search_of_far_ones_is_said():
    few = evaluate(one_trial({"a": {"u1": [1.0, 2.0, 3.0]}}))
    assert any("far values were not looked for" in n["text"] for n in few["notes"])
    enough = evaluate(one_trial({"a": {"u1": [1.0, 2.0, 3.0, 1.5, 2.5, 2.2]}}))
    assert not any("far values" in n["text"] for n in enough["notes"])


NUMBERS = st.floats(1.0, 100.0).map(lambda x: round(x, 2))
DATA = st.lists(st.lists(NUMBERS, min_size=1, max_size=4), min_size=2, max_size=5)


def one(groups):
    document = evaluate(one_trial({"a": {f"u{i}": own for i, own in enumerate(groups)}}, prop=FORCE))
    return row(document, "summaries", product="a")


def same(a, b):
    return a is b is None or math.isclose(a, b, rel_tol=1e-8, abs_tol=1e-6)


@settings(max_examples=40, deadline=None)
@given(groups=DATA, factor=st.floats(0.01, 100.0))
def test_a_change_of_unit_scales_every_number(groups, factor):
    plain, scaled = one(groups), one([[x * factor for x in own] for own in groups])
    for key in ("mean", "sd", "median", "min", "max", "u", "U", "between_sd", "within_sd"):
        expected = None if plain[key] is None else plain[key] * factor
        # A between-variance that is zero but for rounding may fall on either side of zero.
        slack = 1e-5 * factor if key == "between_sd" else 1e-6 * factor
        assert expected is scaled[key] is None or math.isclose(
            expected, scaled[key], rel_tol=1e-6, abs_tol=slack
        )


@settings(max_examples=40, deadline=None)
@given(groups=DATA, shift=st.integers(-1000, 1000))
def test_a_shift_moves_the_mean_and_leaves_the_spread(groups, shift):
    plain, moved = one(groups), one([[x + shift for x in own] for own in groups])
    assert same(plain["mean"] + shift, moved["mean"])
    for key in ("sd", "u", "within_sd"):
        assert same(plain[key], moved[key])


@settings(max_examples=40, deadline=None)
@given(groups=DATA)
def test_the_mirror_image_swaps_least_and_greatest(groups):
    plain, mirrored = one(groups), one([[-x for x in own] for own in groups])
    assert (mirrored["min"], mirrored["max"]) == (-plain["max"], -plain["min"])
    assert same(plain["mean"], -mirrored["mean"]) and same(plain["u"], mirrored["u"])


@settings(max_examples=40, deadline=None)
@given(groups=DATA)
def test_mean_is_the_mean_of_unit_means(groups):
    assert same(one(groups)["mean"], float(np.mean([np.mean(own) for own in groups])))

"""Numbers that no bench would read: an absent result with its reason, never a crash, a warning or a NaN."""

from __future__ import annotations

import itertools
import json
import math
import warnings
from dataclasses import replace

import pytest

from comparisons.analysis import dumps, evaluate
from comparisons.analysis.study import (
    Claim,
    Criterion,
    Decision,
    Gauge,
    Property,
    Purchase,
    Trial,
    Weighting,
)

from .build import BREAK, FORCE, one_trial, reading, row, study

NAN, INF = math.nan, math.inf
SETS = {
    "none": [], "one": [5.0], "two": [5.0, 5.1], "equal": [5.0] * 6, "zero": [0.0] * 6, "nan": [NAN, 5.0, 5.1],
    "all nan": [NAN, NAN], "infinite": [INF, 5.0, -INF, 5.2], "huge": [1e308, 1.1e308, 9e307],
    "huge signs": [1e308, -1e308, 1e308], "tiny": [1e-308, 1.1e-308, 9e-309], "subnormal": [5e-324, 1e-323],
    "both": [1e308, 1e-308, 5.0], "below zero": [-5.0, -5.1, -5.2], "large": [1e99, 2e99, 3e99],
    "small": [1e-99, 2e-99, 3e-99],
}  # fmt: skip
ODD = (None, 0.0, 1e308, -1e308, 1e-308, NAN, INF, -INF, 5.0)


def sound(case) -> dict:
    """The document of a study, evaluated with every warning an error, twice, to the same bytes."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        document = evaluate(case)
        text = dumps(document)
        assert dumps(evaluate(case)) == text
    json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} in the document"))
    for key, field in (("summaries", "mean"), ("changes", "change_pct"), ("pass_fail", "share")):
        for found in document[key]:
            assert found[field] is not None or found["reason"], (key, found)
    for found in document["claims"]:
        assert found["statement"] is not None or found["reason"], found
    return document


def claims_of(*products):
    kinds = [
        {"sense": "at_least", "value": 5.0}, {"sense": "at_most", "value": 5.0},
        {"sense": "between", "low": 4.0, "high": 6.0}, {"sense": "nominal", "value": 5.0},
        {"sense": "nominal", "value": 5.0, "tolerance_minus": 1.0, "tolerance_plus": 1.0},
        {"sense": "at_least", "value": 5.0, "scope": "every"}, {"sense": "yes"},
    ]  # fmt: skip
    return tuple(
        Claim(f"c{i}-{p}", p, "force", unit="N", trial="break", printed_step=1.0, **k)
        for p in products for i, k in enumerate(kinds)
    )  # fmt: skip


def criteria_of():
    return tuple(
        Criterion(m, "trial", "break", measure=m, floor=0.0, ceiling=10.0) for m in ("mean", "median", "min", "max")
    )


def units_of(values, count):
    return {f"u{j}": values[j::count] for j in range(count)} if count else values


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize("units", [0, 1, 3])
@pytest.mark.parametrize("gauge", [None, Gauge("g", "N", resolution=0.1, accuracy_abs=0.2, U=0.1, k=2.0)])
def test_any_readings(name, units, gauge):
    for other in ("two", "huge", "tiny"):
        case = one_trial(
            {"a": units_of(SETS[name], units), "b": units_of(SETS[other], units)}, gauge=gauge,
            claims=claims_of("a", "b"), criteria=criteria_of(),
            weightings=(Weighting("w", {"mean": 1.0, "min": 2.0}),),
        )  # fmt: skip
        sound(case)


def test_a_number_too_large_is_told_and_does_not_count():
    document = sound(one_trial({"a": [1e308, 5.0, 5.2], "b": [1e101, -1e101]}))
    huge = next(r for r in document["specimens"] if r["readings"] == ["r0001"])
    assert (huge["value"], huge["counted"], huge["why_not"]) == (None, False, "too large to compute with")
    assert row(document, "summaries", product="a")["n"] == 2
    assert row(document, "summaries", product="b")["reason"] == "no reading counts: too large to compute with"


@pytest.mark.parametrize(
    "field", ["resolution", "accuracy_abs", "accuracy_pct", "full_scale", "U", "k", "offset", "gain"]
)
@pytest.mark.parametrize("amount", [1e308, -1e308, 1e-308, NAN, INF, -1.0, 0.0, 1e99])
def test_any_gauge(field, amount):
    gauge = replace(
        Gauge("g", "N", resolution=0.1, accuracy_abs=0.1, accuracy_pct=1.0, accuracy_basis="full_scale",
              full_scale=50.0, U=0.1, k=2.0, offset=0.1, gain=1.01),
        **{field: amount},
    )  # fmt: skip
    values = {"a": {"u1": [5.0, 5.1], "u2": [5.2, 5.3]}, "b": {"u1": [6.0, 6.0], "u2": [6.0]}}
    found = row(sound(one_trial(values, gauge=gauge, claims=claims_of("a", "b"))), "summaries", product="a")
    assert found["mean"] is not None
    if not math.isfinite(amount) or abs(amount) == 1e308:
        assert {"gauge_amount_refused", "gain_refused"} & set(found["flags"])


@pytest.mark.parametrize(("floor", "ceiling"), list(itertools.product(ODD, ODD)))
def test_any_anchors(floor, ceiling):
    case = one_trial({"a": [5.0, 5.1, 5.2], "b": [6.0, 6.1, 6.3]})
    kinds = [
        ("more", "linear", 1.0),
        ("less", "logarithmic", 1.0),
        ("more", "desirability", 1e300),
        ("target", "linear", 1.0),
    ]
    criteria = tuple(
        Criterion(f"c{i}", "trial", "break", better=b, floor=floor, ceiling=ceiling, target=5.5, band=ceiling,
                  value_function=f, exponent=e, must=True)
        for i, (b, f, e) in enumerate(kinds)
    )  # fmt: skip
    sound(replace(case, criteria=criteria, weightings=(Weighting("w", {c.id: 1.0 for c in criteria}),)))


@pytest.mark.parametrize(("first", "second"), list(itertools.product([x for x in ODD if x is not None], repeat=2)))
def test_any_weights(first, second):
    case = replace(
        one_trial({"a": [5.0, 5.1, 5.2], "b": [6.0, 6.1, 6.3]}), criteria=criteria_of(),
        weightings=tuple(
            Weighting(rule, {"mean": first, "median": second}, missing=rule)
            for rule in ("renormalise", "leave_out", "worst_case")
        ),
    )  # fmt: skip
    for card in sound(case)["scorecards"]:
        for product in card["products"]:
            assert product["score"] is not None or product["reason"]


@pytest.mark.parametrize("price", ODD)
def test_any_price(price):
    bought = [Purchase("p", "a", "bought", price=price, packs=x, items_per_pack=x, content=x, shipping=price)
              for x in (1.0, 1e-308, 1e308, 0.0, NAN)]  # fmt: skip
    for purchase in bought:
        case = replace(
            one_trial({"a": [5.0], "b": [6.0]}), purchases=(purchase, Purchase("q", "b", "bought", price=1.0)),
            content_unit="m", criteria=(Criterion("d", "cost", "per_item"), Criterion("e", "cost", "per_content")),
            weightings=(Weighting("w", {"d": 1.0, "e": 1.0}),), decision=Decision(price_cap=price),
        )  # fmt: skip
        for found in sound(case)["costs"]:
            assert found["per_item"] is not None or found["reason"]


@pytest.mark.parametrize(("value", "other"), list(itertools.product(ODD, ODD)))
def test_any_claim(value, other):
    claims = tuple(
        Claim(f"c{i}", "a", "force", sense, trial="break", value=value, low=value, high=other, tolerance_minus=other,
              tolerance_plus=other, printed_step=other, scope=scope)
        for i, (sense, scope) in enumerate(
            itertools.product(("at_least", "at_most", "nominal", "between", "yes"), ("typical", "every"))
        )
    )  # fmt: skip
    values = {"a": {"u1": [5.0, 5.1], "u2": [5.2, 5.3]}}
    for decision in (Decision(), Decision(rule="guard", rounding="rounding"), Decision(confidence=0.5)):
        sound(one_trial(values, claims=claims, decision=decision))


def changes(before, after, paired, units):
    rows = []
    for name, values in (("base", before), ("now", after)):
        rows += [
            reading(name, p, x, unit=f"{p}{i % units}", specimen=f"{p}{i}" if paired else f"{p}{name}{i}")
            for p in "ab" for i, x in enumerate(values)
        ]  # fmt: skip
    limits = [("at_least", -10.0), ("at_most", -100.0), ("between", -20.0), ("at_least", -200.0)]
    claims = tuple(
        Claim(f"c{i}", "a", "force", s, of="change", value=v, low=v, high=5.0, trial="now")
        for i, (s, v) in enumerate(limits)
    )
    trials = [Trial("base", "force"), Trial("now", "force", condition="hot", baseline="base", paired=paired)]
    return study(rows, trials, [FORCE], products="ab", claims=claims)


@pytest.mark.parametrize("paired", [False, True])
@pytest.mark.parametrize("units", [1, 2])
def test_any_baseline(paired, units):
    sets = [*SETS.values(), [1.0, -1.0, 1.0, -1.0], [5.0, 5.1, 5.2, 5.3], [1.0, 100.0, 1e4, 1e6]]
    for before, after in itertools.product(sets, repeat=2):
        sound(changes(before, after, paired, units))


def test_dimensions_beyond_numbers():
    for widths in ([1e308] * 3, [1e-308] * 3, [0.0] * 3, [-1.0] * 3, [1e99] * 3, [1e-99] * 3):
        rows = [reading("f", "a", 10.0 + i, specimen=f"s{i}", unit=f"u{i}") for i in range(3)]
        rows += [reading("w", "a", x, specimen=f"s{i}", unit=f"u{i}") for i, x in enumerate(widths)]
        properties = [Property("fw", "quantity", "N/mm", "more"), Property("width", "quantity", "mm", "neither")]
        for by in (("width",), ("width", "width")):
            sound(study(rows, [Trial("f", "fw", divide_by=by), Trial("w", "width")], properties))


def test_ratings_off_the_scale_and_raters_who_share_no_product():
    scale = Property("feel", "rating", "step", "more", scale_low=1.0, scale_high=5.0)
    criteria = (Criterion("c", "trial", "feel", must=True, floor=2.0),)
    weights = (Weighting("w", {"c": 1.0}),)
    off = [reading("feel", p, 99.0, rater=f"r{i}") for i in range(3) for p in "ab"]
    apart = [reading("feel", "abcd"[i % 4], float(1 + i % 5), rater=f"r{i}") for i in range(12)]
    for rows in (off, apart):
        document = sound(
            study(rows, [Trial("feel", "feel")], [scale], products="abcd", criteria=criteria, weightings=weights)
        )
    assert row(document, "differences", trial="feel")["method"] == "Dunn with Holm"


def test_all_bounds_and_a_thousand_products():
    rows = [reading("break", p, 5.0, bound=b) for p in "ab" for b in (">", ">", "<")]
    document = sound(study(rows, [BREAK], [FORCE], claims=claims_of("a")))
    assert "bounds" in row(document, "summaries", product="a")["reason"]
    many = one_trial({f"p{i:04d}": [100.0 + i % 7, 101.0 + i % 5, 99.0] for i in range(1000)})
    found = row(sound(many), "differences", trial="break")
    assert found["method"] is None and found["reason"].startswith("more than")


def test_nothing_at_all():
    document = sound(study([], [], [], products=()))
    assert document["summaries"] == [] and document["scorecards"] == []
    case = study([], [BREAK], [FORCE], products=("a", "b"), criteria=criteria_of(), claims=claims_of("a", "zz"),
                 weightings=(Weighting("w", {"mean": 1.0}), Weighting("none", {})))  # fmt: skip
    assert all(r["reason"] for r in sound(case)["scorecards"])

"""The document as a whole: plain, finite, the same whatever the order of the rows, and complete."""

import json
import math
import subprocess
import sys
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

import comparisons.analysis
from comparisons.analysis import ENGINE, SCHEMA, dumps, evaluate
from comparisons.analysis.document import plain, rounded, rounded_column, settled
from comparisons.analysis.scores import MISSING_RULES
from comparisons.analysis.study import (
    Claim,
    Criterion,
    Decision,
    Gauge,
    Property,
    Purchase,
    Readings,
    Study,
    Trial,
    Weighting,
)
from comparisons.folder.read import read_study
from comparisons.load import study_from_tables

from .build import BREAK, FORCE, one_trial, reading, row, study

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"

KEYS = {
    "schema", "comparison", "engine", "seed", "inputs_digest", "specimens", "suspects", "budgets",
    "summaries", "claims", "changes", "differences", "pass_fail", "ratings", "costs", "scorecards",
    "value", "notes",
}  # fmt: skip


def mixed(seed=7, products=4) -> Study:
    """A study with every kind of trial, claim, cost and criterion, and gaps in most of them."""
    rng = np.random.default_rng(seed)
    names = [f"p{i}" for i in range(products)]
    cell = Gauge("cell", "N", resolution=0.1, accuracy_pct=1.0, accuracy_basis="reading", U=0.2, k=2.0)
    spare = Gauge("spare", "N", resolution=0.5, accuracy_abs=0.5, offset=0.2, gain=1.01)
    caliper = Gauge("caliper", "mm", accuracy_abs=0.02)
    rows = []
    for n, p in enumerate(names):
        for u in range(1 if n == 1 else 3):
            for k in range(2):
                s, unit = f"{p}-{u}-{k}", f"{p}-{u}"
                at = {"unit": unit, "specimen": s, "day": f"2025-01-{1 + k:02d}"}
                rows.append(reading("break", p, round(60 + 3 * n + rng.normal(), 1), gauge=cell, **at))
                rows.append(reading("hot", p, round(50 + 3 * n + rng.normal(), 1), gauge=cell, **at))
                rows.append(reading("pull", p, round(60 + rng.normal(), 1), gauge=spare, **at))
                rows.append(reading("width", p, round(20 + 0.1 * rng.normal(), 2), gauge=caliper, **at))
                rows.append(reading("life", p, 100.0, bound=">" if k else "=", **at))
                rows.append(reading("safe", p, float(rng.random() < 0.7), **at))
                for rater in ("ann", "bob", "cy"):
                    rows.append(reading("feel", p, float(rng.integers(1, 6)), rater=rater, **at))
    rows.append(reading("break", "p0", 999.0, live=False, why_not="voided: typed twice"))
    properties = [
        Property("force", "quantity", "N", "more", tolerance_pct=5.0, plausible_high=200.0),
        Property("line", "quantity", "N/mm", "more"), Property("width", "quantity", "mm", "neither"),
        Property("hours", "quantity", "h", "more"), Property("holds", "pass_fail", "", "more"),
        Property("feel", "rating", "step", "more", scale_low=1, scale_high=5),
        Property("mark", "certification", "", "neither"),
    ]  # fmt: skip
    trials = [
        Trial("break", "force", absences={names[-1]: "lost"} if products > 6 else {}),
        Trial("hot", "force", condition="heat", baseline="break", paired=True),
        Trial("pull", "line", divide_by=("width",)), Trial("width", "width"), Trial("life", "hours"),
        Trial("safe", "holds"), Trial("feel", "feel"),
    ]  # fmt: skip
    criteria = (
        Criterion("strength", "trial", "break", floor=30.0, ceiling=90.0),
        Criterion("heat", "trial", "hot", floor=-50.0, ceiling=50.0, band=5.0),
        Criterion("life", "trial", "life", floor=50.0, ceiling=200.0), Criterion("price", "cost", "per_item"),
        Criterion("safe", "trial", "safe", must=True, floor=0.2), Criterion("feel", "trial", "feel"),
    )  # fmt: skip
    weights = {c.id: 1.0 + i for i, c in enumerate(criteria)}
    claims = (
        Claim("c1", "p0", "force", "at_least", value=58.0, printed_step=1.0),
        Claim("c2", "p1", "force", "nominal", value=60.0), Claim("c3", "p1", "force", "nominal", value=70.0),
        Claim("c4", "p0", "force", "at_least", of="change", value=-20.0, condition="heat"),
        Claim("c5", "p0", "holds", "yes"), Claim("c6", "p0", "mark", "yes", certification_state="verified"),
        Claim("c7", "p0", "force", "at_least", value=40.0, scope="every"),
    )  # fmt: skip
    return study(
        rows, trials, properties, names, claims=claims, criteria=criteria, content_unit="m",
        weightings=tuple(Weighting(m, weights, missing=m) for m in MISSING_RULES),
        purchases=tuple(
            Purchase(f"b{i}", p, "bought", 5.0 + i, content=10.0) for i, p in enumerate(names[1:])
        ),
        decision=Decision(price_cap=7.0),
    )  # fmt: skip


def shuffled(case: Study, rng: np.random.Generator) -> Study:
    """The same study with the rows of every table in another order."""

    def mixed_up(table):
        order = rng.permutation(len(table))
        place = np.empty(len(table) + 1, dtype=np.int32)
        place[order] = np.arange(len(table))
        place[-1] = -1
        return tuple(table[i] for i in order), order, place

    tables = {
        name: mixed_up(getattr(case, name)) for name in ("products", "trials", "units", "specimens", "raters")
    }
    tables["gauges"] = mixed_up(case.gauges)
    rows = rng.permutation(len(case.readings))
    columns = {f.name: getattr(case.readings, f.name)[rows] for f in fields(Readings)}
    names = {"product": "products", "trial": "trials", "unit": "units", "specimen": "specimens",
             "rater": "raters", "gauge": "gauges"}  # fmt: skip
    for column, table in names.items():
        columns[column] = tables[table][2][columns[column]]
    more = {
        name: mixed_up(getattr(case, name))[0] for name in ("claims", "purchases", "criteria", "weightings")
    }
    more["weightings"] = tuple(
        replace(w, weights=dict(reversed(list(w.weights.items())))) for w in more["weightings"]
    )
    return replace(
        case, readings=Readings(**columns),
        unit_product=tables["products"][2][case.unit_product][tables["units"][1]],
        specimen_unit=tables["units"][2][case.specimen_unit][tables["specimens"][1]],
        properties=dict(reversed(list(case.properties.items()))),
        **{name: table[0] for name, table in tables.items()}, **more,
    )  # fmt: skip


def walk(value, path=""):
    yield path, value
    if isinstance(value, dict):
        for k, v in value.items():
            yield from walk(v, f"{path}.{k}")
    elif isinstance(value, list):
        for i, v in enumerate(value):
            yield from walk(v, f"{path}[{i}]")


def assert_plain(document):
    """Only JSON types, finite numbers, at most ten significant digits; survives a round trip."""
    for path, value in walk(document):
        assert type(value) in (dict, list, str, int, float, bool, type(None)), (path, type(value))
        if isinstance(value, float):
            assert math.isfinite(value), path
            assert value == float(f"{value:.10g}"), path
    assert json.loads(dumps(document)) == document


def test_the_document_has_every_part_and_only_plain_types():
    document = evaluate(mixed())
    assert KEYS <= set(document)
    assert (document["schema"], document["engine"]) == (SCHEMA, ENGINE)
    assert all(document[k] for k in KEYS - {"seed", "inputs_digest", "suspects"})
    assert_plain(document)


def test_the_same_study_gives_the_same_bytes():
    assert dumps(evaluate(mixed())) == dumps(evaluate(mixed()))


@pytest.mark.parametrize("seed", range(5))
def test_the_order_of_rows_does_not_reach_the_bytes(seed):
    case = mixed()
    other = shuffled(case, np.random.default_rng(seed))
    assert other.products != case.products or other.trials != case.trials
    assert dumps(evaluate(other)) == dumps(evaluate(case))


def test_every_null_result_has_a_reason_or_a_flag():
    document = evaluate(mixed())
    for found in document["summaries"]:
        assert found["mean"] is not None or found["reason"]
        assert found["u"] is not None or found["reason"] or found["flags"]
    for found in document["claims"]:
        assert found["statement"] or found["reason"] or found["kind"] == "certification"
    for found in document["changes"]:
        assert found["change_pct"] is not None or found["reason"]
    for board in document["scorecards"]:
        for found in board["products"]:
            assert found["score"] is not None or found["reason"]


def test_rows_come_sorted_by_code():
    document = evaluate(mixed())
    for key in ("summaries", "changes", "pass_fail"):
        codes = [(r["trial"], r["product"]) for r in document[key]]
        assert codes == sorted(codes)
    assert [r["weighting"] for r in document["scorecards"]] == ["leave_out", "renormalise", "worst_case"]
    assert [r["product"] for r in document["costs"]] == sorted(r["product"] for r in document["costs"])


def test_an_empty_study_is_an_empty_document():
    document = evaluate(study([], [], [], ()))
    assert_plain(document)
    assert document["summaries"] == [] and document["specimens"] == []
    planned = evaluate(study([], [BREAK], [FORCE], ("a", "b"), weightings=(Weighting("w", {}),)))
    assert [r["reason"] for r in planned["summaries"]] == ["not measured yet"] * 2
    assert planned["scorecards"][0]["leaders"] == []
    assert_plain(planned)


HUGE, TINY = 1e300, 1e-300


@pytest.mark.parametrize(
    "given",
    [
        {"a": []}, {"a": [1.0]}, {"a": [1.0, 1.0]}, {"a": [0.0, 0.0], "b": [0.0]},
        {"a": [math.nan, math.inf, -math.inf]}, {"a": [1.0, math.nan], "b": [2.0, math.inf]},
        {"a": [-5.0, -4.0], "b": [3.0, 3.0]}, {"a": [HUGE, 2 * HUGE], "b": [HUGE]},
        {"a": [TINY, 3 * TINY], "b": [TINY]}, {"a": {"u1": [1.0], "u2": [1.0]}, "b": {"u1": [1.0]}},
        {"a": {"u1": [1.0], "u2": [1.0 + 1e-15]}, "b": {"u1": [2.0], "u2": [2.0]}},
        {"a": [1e16, 1e16 + 2], "b": [1e16 + 4, 1e16]},
    ],
)  # fmt: skip
@pytest.mark.parametrize(
    "gauge", [None, Gauge("g", "N", resolution=1.0, accuracy_pct=1.0, accuracy_basis="reading")]
)
def test_bad_numbers_never_reach_the_document(given, gauge):
    claims = (
        Claim("c1", "a", "force", "at_least", value=0.0),
        Claim("c2", "a", "force", "nominal", value=0.0, scope="every"),
        Claim("c3", "a", "force", "between", low=-1.0, high=1.0, scope="every"),
        Claim("c4", "nobody", "force", "at_least", value=1.0),
    )  # fmt: skip
    criteria = (
        Criterion("c", "trial", "break"),
        Criterion("m", "trial", "break", measure="median", must=True),
    )
    case = one_trial(
        given,
        gauge=gauge,
        claims=claims,
        criteria=criteria,
        weightings=(Weighting("w", {"c": 1.0, "m": 0.0}),),
    )
    with np.errstate(over="ignore"):
        assert_plain(evaluate(case))


def test_all_bounds_ratings_off_the_scale_and_no_passes():
    rows = [reading("break", p, 100.0, bound=b) for p, b in (("a", ">"), ("a", ">"), ("b", "<"), ("b", "<"))]
    rows += [reading("feel", p, 9.0, rater="ann") for p in "ab"]
    rows += [reading("safe", p, 0.0) for p in "ab"]
    properties = [
        FORCE, Property("feel", "rating", "step", "more", scale_low=1, scale_high=5),
        Property("safe", "pass_fail", "", "more"),
    ]  # fmt: skip
    trials = [BREAK, Trial("feel", "feel"), Trial("safe", "safe")]
    criteria = (Criterion("f", "trial", "feel"), Criterion("b", "trial", "break", floor=0.0, ceiling=90.0),
                Criterion("s", "trial", "safe"))  # fmt: skip
    document = evaluate(study(
        rows, trials, properties, criteria=criteria, weightings=(Weighting("w", {"f": 1, "b": 1, "s": 1}),)
    ))  # fmt: skip
    assert_plain(document)
    assert document["ratings"] == []
    board = row(document, "scorecards", weighting="w")["products"]
    assert [p["criteria"]["b"] for p in board] == [100.0, None]
    assert [p["criteria"]["s"] for p in board] == [0.0, 0.0]


def test_a_thousand_products_are_summarised_and_not_paired():
    rng = np.random.default_rng(3)
    values = {f"p{i:04d}": {"u1": [x], "u2": [y]} for i, (x, y) in enumerate(rng.normal(50, 2, (1000, 2)))}
    criteria = (Criterion("c", "trial", "break", floor=40.0, ceiling=60.0),)
    document = evaluate(one_trial(values, criteria=criteria, weightings=(Weighting("w", {"c": 1.0}),)))
    assert len(document["summaries"]) == 1000
    assert "more than 60 products" in document["differences"][0]["reason"]
    assert sorted(p["rank"] for p in document["scorecards"][0]["products"])[0] == 1


@pytest.mark.parametrize(
    "given, expected",
    [
        (1 / 3, 0.3333333333),
        (-0.0, 0.0),
        (math.nan, None),
        (-math.inf, None),
        (None, None),
        (123456789012.0, 123456789000.0),
    ],
)
def test_rounding_to_ten_digits(given, expected):
    found = rounded(given)
    assert found == expected and str(found) == str(expected)


def test_plain_unwraps_numpy_and_refuses_the_rest():
    given = {"a": np.float64(0.5), "b": np.int32(3), "c": np.bool_(True), "d": np.array([1.0, np.nan])}
    assert plain(given) == {"a": 0.5, "b": 3, "c": True, "d": [1.0, None]}
    assert plain((1, None, True, "x")) == [1, None, True, "x"]
    with pytest.raises(TypeError):
        plain({"a": object()})


def test_dumps_is_canonical_and_refuses_what_json_cannot_say():
    assert dumps({"b": "é", "a": [1.0, 2]}) == '{"a":[1.0,2],"b":"é"}'.encode()
    with pytest.raises(ValueError):
        dumps({"a": math.nan})


def test_importing_the_package_costs_nothing():
    """Neither NumPy nor SciPy nor Django comes with the name alone; SciPy's statistics not with the work."""
    root = Path(comparisons.analysis.__file__).parents[2]
    code = (
        "import sys, comparisons.analysis as a; "
        "assert not {'numpy', 'scipy', 'django'} & set(sys.modules); a.evaluate; "
        "assert not {'scipy.stats', 'django', 'pandas'} & set(sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_columns_are_rounded_digit_by_digit_as_single_numbers_are():
    rng = np.random.default_rng(8)
    whole = rng.integers(10**9, 10**10, 20_000)
    x = np.concatenate([
        rng.normal(size=20_000) * 10.0 ** rng.integers(-35, 35, 20_000),
        np.round(rng.uniform(0, 1000, 20_000), 9), whole / 8.0,
        (2 * whole + 1) / 2 * 10.0 ** rng.integers(-20, 10, 20_000),  # halves of the last digit
        *(np.nextafter(10.0 ** np.arange(-40, 40), to) for to in (0.0, 1.0, np.inf)),
        [0.0, -0.0, np.nan, np.inf, -np.inf, 5e-324, 1.7e308, 1e-12, 1e31, 9.9999999995, -9.99999999949],
    ])  # fmt: skip
    assert repr(rounded_column(x)) == repr([rounded(v) for v in x.tolist()])
    assert rounded_column([1 / 3, None]) == [0.3333333333, None]


def test_settled_rows_are_plain():
    rows = [{"x": 1 / 3, "ci": [1 / 3, 2 / 3], "n": 3}, {"x": None, "ci": None, "n": 0}]
    made = settled(rows, "x", pairs=("ci",))
    assert plain({"rows": made}) == {"rows": plain(list(made))}
    assert made[0] == {"x": 0.3333333333, "ci": [0.3333333333, 0.6666666667], "n": 3}


def test_nothing_in_a_document_is_left_unrounded():
    document = evaluate(study_from_tables(read_study(DEMO)))
    assert dumps(document) == dumps(plain(document))
    assert {type(x) for x in leaves(document)} <= {str, int, float, bool, type(None)}


def leaves(value):
    if isinstance(value, dict):
        for x in value.values():
            yield from leaves(x)
    elif isinstance(value, list):
        for x in value:
            yield from leaves(x)
    else:
        yield value

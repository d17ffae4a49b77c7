"""What the demo says, against the true values that it was made from and against plain recomputation."""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from comparisons import analysis
from comparisons.folder.read import read_study
from comparisons.load import study_from_tables

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"


@pytest.fixture(scope="module")
def document():
    return analysis.evaluate(study_from_tables(read_study(DEMO)))


def claims(document):
    return {row["claim"]: row for row in document["claims"]}


def test_all_four_statements_are_made_and_where_they_were_meant(document):
    statement = {code: row["statement"] for code, row in claims(document).items()}
    assert {c: statement[c] for c in ("c01", "c02", "c05", "c06", "c09", "c11", "c13", "c22")} == {
        "c01": "pass", "c02": "pass", "c05": "pass", "c06": "conditional_pass", "c09": "fail", "c11": "pass",
        "c13": "conditional_fail", "c22": "fail",
    }


def test_the_statement_follows_from_the_probability_that_stands_beside_it(document):
    """JCGM 106:2012, 7; statistics of one limit: pass from c, fail from 1 - c, conditional between."""
    judged = [
        row for row in document["claims"]
        if row["statement"] and row["p_conform"] is not None and row["sense"] in {"at_least", "at_most", "yes"}
        and row["judged_on"] in {"mean", "share"}
    ]
    assert len(judged) > 15
    for row in judged:
        c, p = row["confidence"], row["p_conform"]
        told = row["statement"]
        assert (told == "pass") == (p >= c), row["claim"]
        assert (told == "fail") == (p <= 1 - c), row["claim"]


def test_sources_that_disagree_get_no_statement_until_one_governs(document):
    found = claims(document)
    for code in ("c07", "c08"):
        assert found[code]["statement"] is None
        assert found[code]["reason"] == "sources disagree"
        assert found[code]["if_governed"]["statement"]
    assert found["c10"]["statement"] is None
    assert found["c11"]["governs"]


def test_the_lost_decimal_point_is_named_and_nothing_is_dropped(document):
    slips = [row for row in document["suspects"] if row["test"] == "slip"]
    assert [(s["trial"], s["product"], s["factor"]) for s in slips] == [("width", "ombrastle", 10.0)]
    assert slips[0]["mean_with"] > slips[0]["mean_without"]
    row = next(s for s in document["summaries"] if (s["trial"], s["product"]) == ("width", "ombrastle"))
    assert row["mean"] == pytest.approx(slips[0]["mean_with"])


def test_a_product_that_is_not_verified_leads_no_ranking(document):
    for card in document["scorecards"]:
        by_code = {row["product"]: row for row in card["products"]}
        assert by_code["miskefelt"]["rank_of_all"] == 1
        assert by_code["miskefelt"]["rank"] is None
        assert by_code["miskefelt"]["gated"][0]["criterion"] == "register"
        assert "miskefelt" not in card["leaders"]


def test_strength_recomputed_from_the_files_alone(document):
    """Unit means, their mean, and Student's interval with units - 1 degrees of freedom, by NumPy from the CSV.

    Products with readings that are bounds are left out: their mean is a censored fit.
    """
    with (DEMO / "readings.csv").open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["trial"] == "loop-dry"]
    with (DEMO / "failure_modes.csv").open(newline="") as file:
        uncounted = {row["mode"] for row in csv.DictReader(file) if row["counts"] == "no"}
    with (DEMO / "calibrations.csv").open(newline="") as file:
        assert all(float(row["offset"] or 0) == 0 and float(row["gain"] or 1) == 1 for row in csv.DictReader(file)
                   if row["instrument"].startswith("stand"))
    factor = {"N": 1.0, "": 1.0, "lbf": 4.4482216152605, "kgf": 9.80665}  # NIST SP 811:2008, appendix B
    replaced = {row["replaces"] for row in rows if row["replaces"]}
    bounded = {row["product"] for row in rows if row["bound"] in {"<", ">"}}
    by_unit: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        counts = row["reading"] not in replaced and not row["void_reason"] and row["failure_mode"] not in uncounted
        if counts and row["product"] not in bounded:
            by_unit[row["product"]][row["unit"]].append(float(row["value"]) * factor[row["unit_of_measure"]])
    summaries = {s["product"]: s for s in document["summaries"] if s["trial"] == "loop-dry"}
    checked = 0
    for product, units in by_unit.items():
        means = np.array([np.mean(values) for values in units.values()])
        assert summaries[product]["mean"] == pytest.approx(means.mean(), rel=1e-9)
        assert summaries[product]["n"] == sum(map(len, units.values()))
        if len(means) > 1:
            half = stats.t.ppf(0.975, len(means) - 1) * means.std(ddof=1) / math.sqrt(len(means))
            assert summaries[product]["ci"] == pytest.approx([means.mean() - half, means.mean() + half], rel=1e-8)
            checked += 1
    assert checked >= 8


def test_the_truth_lies_in_most_intervals(document):
    """The seeded true means of the demo: about 95 of 100 intervals should hold theirs."""
    from fixtures.make_demo import TRUE

    strength = {product: true["strength"] for product, true in TRUE["products"].items()}
    rows = [s for s in document["summaries"] if s["trial"] == "loop-dry" and s["ci"]]
    held = [s["ci"][0] <= strength[s["product"]] <= s["ci"][1] for s in rows if s["product"] in strength]
    assert len(held) >= 9
    assert sum(held) >= len(held) - 2

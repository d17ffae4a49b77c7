"""What stands beside the means on a page: robust figures, the gauge's share, medians, agreement, plans."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path

import pytest
from django.template.loader import render_to_string

from comparisons.analysis import dumps, evaluate
from comparisons.folder.read import read_study
from comparisons.load import study_from_tables
from comparisons.page import build_page
from comparisons.pages import figures
from comparisons.pages.names import Names
from comparisons.pages.numbers import GAP, MINUS
from comparisons.pages.planning import plans
from tests.public.small_study import small_study, table

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"


def results(tables) -> dict:
    return json.loads(dumps(evaluate(study_from_tables(tables))))


@pytest.fixture(scope="module")
def demo():
    tables = read_study(DEMO)
    document = results(tables)
    return tables, document, build_page(tables, document, charts=False, drafting=True)


def number(text: str) -> float:
    return float(text.replace(MINUS, "-").replace("\u202f", "").removesuffix("%").strip())


def near(text: str, value: float | None) -> bool:
    """Whether a printed number is that value rounded to its own digits; a dash stands for none."""
    if value is None:
        return text == "–"
    places = len(text.removesuffix("%").strip().partition(".")[2])
    return number(text) == pytest.approx(value, abs=0.5 * 10.0**-places * 1.0001)


def rows_of(page: dict, kind: str):
    for trial in page["trials"]:
        for row in trial["rows"]:
            if trial["kind"] == kind and not row["absent"]:
                yield trial, row, dict(zip(trial["heads"], row["figures"], strict=True))


def test_robust_figures_and_the_gauges_share_are_the_documents_own(demo):
    _, document, page = demo
    own = {(row["trial"], row["product"]): row for row in document["summaries"]}
    told, absent = 0, 0
    for trial, row, said in rows_of(page, "quantity"):
        summary = own[trial["trial"], row["code"]]
        for head, key in (
            ("median", "median"), ("MAD as SD", "mad_sd"), ("robust mean (Huber)", "huber"), ("least", "min"),
            ("greatest", "max"), ("the gauge’s share of the mean (k = 2)", "gauge_pct"), ("n", "n"),
        ):  # fmt: skip
            assert near(said[head], summary[key]), (trial["trial"], row["code"], head)
        told += summary["huber"] is not None
        absent += summary["huber"] is None
        assert (summary["robust"] or figures.BOUNDS) in said["remarks"]
        assert trial["unit"]
    assert told > 50 and absent > 5


def test_where_far_values_pull_the_mean_all_three_centres_are_told_with_unit_and_n(demo):
    _, document, page = demo
    flagged = {(r["trial"], r["product"]): r for r in document["summaries"] if "far_values_pull_the_mean" in r["flags"]}
    assert flagged
    names = {p["code"]: p["name"] for p in page["products"]}
    for trial in page["trials"]:
        here = {p: r for (t, p), r in flagged.items() if t == trial["trial"]}
        assert len(trial.get("far") or []) == len(here)
        for text, (product, summary) in zip(trial.get("far") or [], here.items(), strict=True):
            mean, huber, median = re.search(
                rf"it is (\S+){GAP}\S+; the robust mean \(Huber\) is (\S+){GAP}\S+, the median (\S+){GAP}", text
            ).groups()
            assert names[product] in text and f"{GAP}{trial['unit']}" in text
            assert near(mean, summary["mean"]) and near(huber, summary["huber"]) and near(median, summary["median"])
            assert mean != huber and f"({summary['n']} specimens, {summary['units']} units)" in text
        for row in trial["rows"]:
            assert ("far values pull the mean" in row["notes"]) == (row["code"] in here)


def test_the_team_is_shown_far_values_once_and_not_again_where_a_value_is_in_doubt(demo):
    _, _, page = demo
    assert sum("far values pull it (6 specimens)" in text for text in page["to_look_at"]) == 1
    assert not any("325.8 standard errors" in text for text in page["to_look_at"])


@pytest.mark.parametrize(("accuracy", "coarse"), [("60", True), ("0.1", False)])
def test_a_gauge_that_swamps_its_readings_is_told_in_words(accuracy, coarse):
    tables = small_study(more=False)
    tables["instruments"] = table("instruments", [
        {"instrument": "gauge", "name": "Gauge, 200 N", "unit": "N", "range_low": "1", "range_high": "200",
         "resolution": "0.1", "accuracy_abs": accuracy},
    ])  # fmt: skip
    document = results(tables)
    shares = [row["gauge_pct"] for row in document["summaries"]]
    page = build_page(tables, document, charts=False, drafting=True)
    trial = page["trials"][0]
    assert any("the gauge alone may come to" in text for text in page["to_look_at"]) is coarse
    if not coarse:
        assert trial["coarse"] == "" and not any("coarse" in text for text in trial["notes_all"])
        return
    found = re.search(rf"come to (\d+){GAP}% to (\d+){GAP}% of the mean \(k = 2\)", trial["coarse"])
    assert near(found.group(1), min(shares)) and near(found.group(2), max(shares))
    assert "Ullvane String 00 and Ullvane String 01" in trial["coarse"]
    assert "the gauge is too coarse for this" in trial["notes_all"]


def test_ratings_have_their_figures_with_medians_and_the_reason_for_no_interval(demo):
    _, document, page = demo
    panel = next(row for row in document["ratings"] if row["trial"] == "comfort")
    own = {row["product"]: row for row in document["summaries"] if row["trial"] == "comfort"}
    seen = 0
    for trial, row, said in rows_of(page, "rating"):
        code = row["code"]
        assert near(said["median"], panel["medians"][code]) and near(said["mean"], panel["means"][code])
        assert near(said["U"], own[code]["U"]) and said["n"] == str(panel["n"][code])
        assert row["n"] == f"{panel['n'][code]} ratings, 3 raters" and row["median"] == said["median"]
        assert said["median’s interval (95\u00a0%)"] == "–" and panel["medians_reason"][code] in said["remarks"]
        assert trial["medians"] == "No interval for the medians: fewer than 8 raters."
        seen += 1
    assert seen == len(panel["medians"])


def panel_row(**changed) -> dict:
    return {
        "trial": "feel", "raters": 9, "products": 2, "kendall_w": 0.9, "p": 0.0027, "alpha": 0.71,
        "words": "the raters agree in the main", "medians": {"p00": 4.0, "p01": 2.5},
        "medians_ci": {"p00": [3.0, 4.5], "p01": None}, "medians_reason": {"p01": "fewer than 8 raters"},
        "w_reason": None, "alpha_reason": None,
    } | changed  # fmt: skip


def test_a_median_with_an_interval_shows_it_and_the_other_is_named_with_its_reason():
    names = Names(small_study())
    assert figures.median_words(panel_row(), "p00") == "4.0, likely 3.0 to 4.5"
    assert figures.median_words(panel_row(), "p01") == "2.5"
    assert (
        figures.medians(names, panel_row())
        == "No interval for the median of Ullvane String 01 (lent by its maker): fewer than 8 raters."
    )
    both = panel_row(medians_reason=dict.fromkeys(("p00", "p01"), "fewer than 8 raters"))
    assert figures.medians(names, both) == "No interval for the medians: fewer than 8 raters."


@pytest.mark.parametrize(("changed", "said"), [
    ({}, "9 raters, 2 products: the raters agree in the main (Krippendorff’s alpha 0.71; Kendall’s W 0.90, p 0.003). "
         "Alpha is 1 where all agree, and 0 where they agree no more than by chance."),
    ({"kendall_w": None, "p": None, "w_reason": "not every rater rated every product"},
     "9 raters, 2 products: the raters agree in the main (Krippendorff’s alpha 0.71; Kendall’s W not told: not every "
     "rater rated every product). Alpha is 1 where all agree, and 0 where they agree no more than by chance."),
    ({"raters": 1, "kendall_w": None, "alpha": None, "words": "one rater: an opinion",
      "w_reason": "agreement needs two raters and two products"}, "1 rater, 2 products: an opinion."),
    ({"kendall_w": None, "alpha": None, "words": "agreement not told: all ratings are equal: agreement beyond chance "
      "cannot be told"},
     "9 raters, 2 products: agreement not told: all ratings are equal: agreement beyond chance cannot be told."),
])  # fmt: skip
def test_agreement_is_told_in_words_with_both_counts(changed, said):
    assert figures.agreement(panel_row(**changed)) == said


def test_plans_are_the_documents_own_and_only_the_teams(demo):
    tables, document, page = demo
    assert "plans" not in build_page(tables, document, charts=False)
    own = {row["trial"]: row for row in document["plans"]}
    shown = {row["code"]: row for row in page["plans"]["rows"]}
    assert set(shown) == set(own) and len(own) > 5
    for code, plan in own.items():
        row = shown[code]
        assert near(row["spread"], plan["cv_pct"]) and near(row["spread_sure"], plan["cv_cautious_pct"])
        for shorter, key in (("margin", "units_for_margin"), ("tell", "units_to_tell")):
            assert row[shorter] == str(plan[key]) and row[f"{shorter}_sure"] == str(plan[f"{key}_cautious"])
        assert row["rests_on"] == f"{plan['products']} products, {plan['dof']} degrees of freedom"
        units = [r["units"] for r in document["summaries"] if r["trial"] == code and (r["units"] or 0) >= 2]
        assert row["here"] == f"{min(units)} units" and min(units) == max(units)
        assert row["enough"].startswith("enough" if min(units) >= plan["units_to_tell"] else "too few")
    assert shown["width"]["doubt"] == "holds values in doubt of Ombrastle O4 300"
    assert page["plans"]["margin"] == f"Units for a margin of 5{GAP}%"


def test_a_trial_that_was_enough_only_by_its_likely_spread_says_so(demo):
    tables, document, _ = demo
    changed = copy.deepcopy(document)
    plan = next(row for row in changed["plans"] if row["trial"] == "strap")
    plan |= {"units_to_tell": 3, "units_to_tell_cautious": None, "units_for_margin_cautious": None}
    row = next(row for row in plans(Names(tables), changed)["rows"] if row["code"] == "strap")
    assert row["enough"] == f"enough for a difference of 10{GAP}%, if units differ no more than these did"
    assert row["tell_sure"] == row["margin_sure"] == "more than a million"


def test_a_trial_without_a_plan_gives_its_reason():
    tables = small_study(units=1)
    page = build_page(tables, results(tables), charts=False, drafting=True)
    row = page["plans"]["rows"][0]
    assert row["reason"] == "No product with two units or more shows how units differ."
    assert not row["tell"] and not row["enough"]
    assert row["reason"] in render_to_string("desk/_plans.html", {"page": page})


def test_a_document_without_any_of_it_still_makes_a_page(demo):
    tables, document, _ = demo
    older = copy.deepcopy(document)
    older.pop("plans")
    for row in older["summaries"]:
        for key in ("mad_sd", "huber", "robust", "u_gauge", "gauge_pct"):
            row.pop(key)
        row["flags"] = [flag for flag in row["flags"] if flag not in (figures.FAR, figures.COARSE)]
    for row in older["ratings"]:
        del row["medians_ci"], row["medians_reason"]
    page = build_page(tables, older, charts=False, drafting=True)
    assert page["plans"] == {} and render_to_string("desk/_plans.html", {"page": page}).strip() == ""
    assert all(not trial.get("far") for trial in page["trials"])

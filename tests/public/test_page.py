"""The page document: what it says of a results document, and that it adds nothing."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from comparisons.analysis import dumps, evaluate
from comparisons.folder.read import read_study
from comparisons.load import study_from_tables
from comparisons.page import build_page
from comparisons.pages.article import article_html, first_heading
from comparisons.pages.charts import ALLOWED, figure
from comparisons.pages.measured import Findings
from comparisons.pages.names import Names
from comparisons.pages.numbers import GAP, MINUS
from comparisons.pages.promises import claims as claims_of
from comparisons.pages.sureness import lead_words
from tests.public.small_study import small_study, table

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"


def results(tables) -> dict:
    return json.loads(dumps(evaluate(study_from_tables(tables))))


@pytest.fixture(scope="module")
def demo():
    tables = read_study(DEMO)
    document = results(tables)
    return tables, document, build_page(tables, document)


def number(text: str) -> float:
    return float(text.replace(MINUS, "-").replace("\u202f", "").replace("\u2009", "").lstrip("≥≤+"))


def test_it_is_plain_json_and_the_same_each_time(demo):
    tables, document, page = demo
    text = json.dumps(page, allow_nan=False, sort_keys=True)
    assert json.loads(text) == page
    assert json.dumps(build_page(tables, document), allow_nan=False, sort_keys=True) == text


def test_every_measured_number_is_the_documents_own(demo):
    _, document, page = demo
    means = {(row["trial"], row["product"]): row for row in document["summaries"]}
    shares = {(row["trial"], row["product"]): row for row in document["pass_fail"]}
    seen = 0
    for trial in page["trials"]:
        for row in trial["rows"]:
            if row["absent"]:
                continue
            if trial["kind"] == "pass_fail":
                own = shares[trial["trial"], row["code"]]
                assert row["value"]["text"] == f"{own['passed']} of {own['n']}"
                continue
            own = means[trial["trial"], row["code"]]
            shown = row["value"]["text"]
            places = len(shown.partition(".")[2])
            assert number(shown) == pytest.approx(own["mean"], abs=0.5 * 10.0**-places * 1.0001)
            low, high = (number(t) for t in re.fullmatch(r"likely (.+) to (.+)", row["likely"]).groups())
            if trial["kind"] == "quantity":
                assert low == pytest.approx(own["mean"] - own["U"], abs=0.5 * 10.0**-places * 1.0001)
                assert high == pytest.approx(own["mean"] + own["U"], abs=0.5 * 10.0**-places * 1.0001)
                assert row["n"].startswith(f"{own['n']} specimen")
            seen += 1
    assert seen > 100


def test_every_trial_and_every_product_is_there(demo):
    tables, _, page = demo
    assert {t["trial"] for t in page["trials"]} == set(tables["trials"]["trial"])
    for trial in page["trials"]:
        assert {row["code"] for row in trial["rows"]} == set(tables["products"]["product"])


def test_every_claim_has_its_statement_in_readers_words(demo):
    _, document, page = demo
    told = {row["code"]: row for table in page["claims"] for row in table["rows"]}
    judged = [row for row in document["claims"] if row["kind"] == "claim"]
    assert set(told) == {row["claim"] for row in judged}
    said = {
        "pass": "holds", "conditional_pass": "holds, but too close to be sure",
        "conditional_fail": "misses, but too close to be sure", "fail": "misses",
    }  # fmt: skip
    for row in judged:
        if row["statement"]:
            assert told[row["claim"]]["statement"] == said[row["statement"]]
        else:
            assert told[row["claim"]]["statement"].startswith("no statement: ")


def test_sources_that_disagree_are_told_with_both_claims_and_no_verdict(demo):
    _, _, page = demo
    rows = [row for table in page["claims"] for row in table["rows"] if "sources disagree" in row["statement"]]
    assert {row["claimed"] for row in rows} == {f"at least 222{GAP}N", f"at least 245{GAP}N"}
    assert all(not row["chance"] and not row["deviation"] for row in rows)


def test_claims_are_told_in_the_unit_that_was_printed(demo):
    _, _, page = demo
    texts = {row["claimed"] for table in page["claims"] for row in table["rows"]}
    assert {f"at least 50{GAP}lbf", f"at least 22.7{GAP}kgf", f"4.8{GAP}mm, plus 0.1 and minus 0.3{GAP}mm"} <= texts
    assert {f"change of at least {MINUS}10{GAP}%", f"1.2 to 1.4{GAP}mm", f"at least 180{GAP}N, every item"} <= texts


def test_a_certification_that_was_not_found_says_no_more_than_that(demo):
    _, _, page = demo
    states = {row["name"]: row["state"] for table in page["certifications"] for row in table["rows"]}
    assert states["Miskefelt Firm 29"] == "claimed; could not verify on 24 February 2026"
    assert states["Brellund BT 300"] == "verified in the issuer’s directory on 24 February 2026"
    held = {row["name"]: row["reasons"] for row in page["gated"]}
    assert held["Miskefelt Firm 29"] == ["Listed in the Tie Register: claimed; could not verify on 24 February 2026."]
    assert "counterfeit" not in json.dumps(page)


def test_ranks_scores_and_chances_are_the_documents_own(demo):
    _, document, page = demo
    for ranking, card in zip(page["rankings"], document["scorecards"], strict=True):
        ranked = sorted((r for r in card["products"] if r["rank"]), key=lambda r: r["rank"])
        assert [r["code"] for r in ranking["rows"]] == [r["product"] for r in ranked]
        for row, own in zip(ranking["rows"], ranked, strict=True):
            assert number(row["score"]["text"]) == pytest.approx(own["score"], abs=0.0501)
            low, high = (number(t) for t in re.fullmatch(r"likely (.+) to (.+)", row["likely"]).groups())
            assert (low, high) == (pytest.approx(own["ci"][0], abs=0.0501), pytest.approx(own["ci"][1], abs=0.0501))
            if own["p_best"] >= 0.01:
                assert row["p_best"] == f"{round(own['p_best'] * 100)}{GAP}%"


def test_gated_products_are_in_no_ranking(demo):
    _, _, page = demo
    held = {row["code"] for row in page["gated"]}
    assert held
    assert not held & {row["code"] for ranking in page["rankings"] for row in ranking["rows"]}


def test_range_lines_hold_the_specimens_and_read_out_the_claim(demo):
    _, document, page = demo
    trial = next(t for t in page["trials"] if t["trial"] == "loop-dry")
    row = next(r for r in trial["rows"] if r["code"] == "skarnfold")
    counted = [
        s for s in document["specimens"] if (s["trial"], s["product"], s["counted"]) == ("loop-dry", "skarnfold", True)
    ]
    assert len(re.findall(r"M\d+ \d+v5", row["svg"])) == len(counted)
    assert re.search(
        r'aria-label="Skarnfold Bulk 300: 169\.8\xa0N, likely [0-9.]+ to [0-9.]+; '
        r'claimed at least 222\xa0N; 15 specimens, 3 units"',
        row["svg"],
    )


def test_one_unit_says_so(demo):
    _, _, page = demo
    trial = next(t for t in page["trials"] if t["trial"] == "loop-dry")
    assert next(r for r in trial["rows"] if r["code"] == "kvernstow")["n"] == "6 specimens, 1 unit"


def test_a_product_that_is_missing_is_told_with_its_reason(demo):
    _, _, page = demo
    trial = next(t for t in page["trials"] if t["trial"] == "mass-wet")
    assert next(r for r in trial["rows"] if r["code"] == "kvernstow")["absent"] == "lost"
    assert {"Kvernstow K-280", "Yulbrake Broad 76"} == {row["product"] for row in page["absences"]}


def test_a_change_whose_range_holds_zero_shows_no_change(demo):
    _, document, page = demo
    for change in page["changes"]:
        own = {r["product"]: r for r in document["changes"] if r["trial"] == change["trial"]}
        for row in change["rows"]:
            if not row["absent"]:
                low, high = own[row["code"]]["ci_pct"]
                assert (row["shown"] == "no change shown") == (low <= 0 <= high)
    assert any(row["shown"] for change in page["changes"] for row in change["rows"])


def test_hazards_come_with_every_hazardous_method_and_defer_to_local_codes(demo):
    _, _, page = demo
    hazardous = [m for m in page["methods"] if m["hazard"]]
    assert {m["title"] for m in hazardous} >= {"Goes out within 30 s after a small flame"}
    assert all("local" in m["hazard"] and m["cautions"] for m in hazardous)


def test_methods_name_a_standard_only_with_follows_or_departs(demo):
    tables, _, page = demo
    standards = {r["title"]: r["standard"] for r in tables["methods"].rows()}
    for method in page["methods"]:
        if standards[method["title"]]:
            assert re.match(r"(Follows|Departs from) ", method["relation"])
        else:
            assert method["relation"] == "Our own method."


def test_what_was_supplied_is_told(demo):
    _, _, page = demo
    supplied = [row for row in page["purchases"] if not row["bought"]]
    assert [(row["product"], row["obtained"]) for row in supplied] == [
        ("Dorvenna Basic 48 (partly supplied by its maker)", "supplied by its maker")
    ]
    assert all(not row["price"] for row in supplied)


def test_values_in_doubt_are_shown_with_and_without(demo):
    _, _, page = demo
    doubt = page["set_aside"]["doubts"]
    assert [d["product"] for d in doubt] == ["Ombrastle O4 300"]
    assert doubt[0]["value"] == f"48.4{GAP}mm"
    assert (doubt[0]["with"], doubt[0]["without"]) == (f"9.69{GAP}mm", f"4.85{GAP}mm")


def test_unpublished_answers_stay_out(demo):
    _, _, page = demo
    assert [row["name"] for row in page["answers"]] == ["Skarnfold Bulk 300"]
    assert "Please wait with the page" not in json.dumps(page)


def test_it_stands_without_anything_that_a_study_may_lack():
    tables = small_study(more=False)
    page = build_page(tables, results(tables))
    assert page["rankings"] == page["claims"] == page["methods"] == page["changes"] == []
    assert page["answer"]["lead"] == "There is no ranking."
    assert page["article"] == ""
    assert page["trials"][0]["rows"][0]["value"]["text"]


def test_it_stands_without_any_reading():
    tables = small_study()
    bare = tables.replace({"readings": table("readings", []), "specimens": table("specimens", [])})
    page = build_page(bare, results(bare))
    assert page["answer"]["lead"] == "No winner can be named."
    assert all(row["absent"] == "not measured yet" for t in page["trials"] for row in t["rows"])
    assert {row["reason"] for row in page["absences"]} == {"not measured yet"}


def test_point_scores_alone_name_no_winner(demo):
    tables, document, _ = demo
    card = {k: v for k, v in document["scorecards"][0].items() if k not in ("winner", "beats", "draws")}
    drawn = ("p_best", "ci", "rank_interval", "p_rank")
    card["products"] = [{k: v for k, v in row.items() if k not in drawn} for row in card["products"]]
    page = build_page(tables, document | {"scorecards": [card]})
    assert "highest point score" in page["answer"]["lead"]
    assert "has not been computed yet" in page["answer"]["sure"]
    assert not page["rankings"][0]["drawn"]
    assert not any(row["p_best"] or row["places"] or row["likely"] for row in page["rankings"][0]["rows"])


@pytest.mark.parametrize(
    ("word", "lead"),
    [
        ("clear winner", "Brellund BT 300 is the clear winner."),
        ("ahead", "Brellund BT 300 is ahead."),
        ("shared lead", "Brellund BT 300 and Vantorrel V 300 share the lead."),
        ("no award", "No winner can be named."),
    ],
)
def test_the_words_for_a_winner_are_the_documents_own(demo, word, lead):
    tables, document, _ = demo
    card = document["scorecards"][1]
    products = ["brellund", "vantorrel"] if word == "shared lead" else [] if word == "no award" else ["brellund"]
    card = card | {"winner": card["winner"] | {"word": word, "products": products}}
    in_order = sorted((r for r in card["products"] if r["rank"]), key=lambda r: r["rank"])
    said, sure = lead_words(Names(tables), card, in_order)
    assert said == lead
    assert re.search(r"\d+\xa0%", sure)


def test_charts_draw_the_numbers_of_the_document_and_only_what_the_bundle_knows(demo):
    _, document, page = demo
    assert page["charts"]
    for chart in page["charts"].values():
        assert {trace["type"] for trace in chart["data"]} <= ALLOWED
    card = document["scorecards"][0]
    ranked = sorted((r for r in card["products"] if r["rank"]), key=lambda r: r["rank"])
    trace = page["charts"]["ranking-general"]["data"][0]
    assert trace["x"] == [r["score"] for r in ranked]
    assert trace["error_x"]["array"] == pytest.approx([r["ci"][1] - r["score"] for r in ranked])
    claims = {r["claim"]: r for r in document["claims"]}
    name = next(n for n in page["charts"] if n.startswith("claims-loop-strength-loop-dry"))
    order = [row["code"] for t in page["claims"] if t["anchor"] == name for row in t["rows"]]
    measured, claimed = page["charts"][name]["data"]
    assert measured["x"] == [claims[c]["measured"] for c in order]
    assert claimed["x"] == [claims[c]["claimed"] for c in order]


def test_a_chart_of_another_trace_type_is_refused():
    from comparisons.pages import charts

    with pytest.raises(ValueError, match="not among those"):
        charts.plain_figure([{"type": "heatmap", "z": [[1]]}], {}, "x")


def test_a_draft_names_its_charts_and_makes_them_one_by_one(demo):
    tables, document, page = demo
    draft = build_page(tables, document, charts=False, drafting=True)
    assert draft["charts"] == dict.fromkeys(page["charts"])
    assert figure(draft, "ranking-general") == page["charts"]["ranking-general"]
    with pytest.raises(KeyError):
        figure(draft, "nothing")
    assert draft["budgets"] and "budgets" not in page


def test_only_a_draft_previews_a_claim_if_its_source_governed(demo):
    tables, document, page = demo
    findings = Findings(Names(tables), document)
    drafted = [r for t in claims_of(findings, drafting=True) for r in t["rows"] if r["preview"]]
    assert {r["name"] for r in drafted} >= {"Pellikost PK 48"}
    assert not any("preview" in r for t in page["claims"] for r in t["rows"])


def test_an_article_is_text_and_never_script():
    html = article_html(
        "# Title\n\nSafe *text* at 100 degC, <script>alert(1)</script> [a](javascript:alert(1)) [b](https://example.org)\n\n"
        "## Part\n\n<img src=x onerror=alert(1)>\n"
    )
    assert "<script" not in html and "<img" not in html and "javascript:" not in html.replace("[a](javascript:", "")
    assert "<em>text</em>" in html and "100 °C" in html
    assert "<h3>Part</h3>" in html and "Title" not in html
    assert first_heading("# Title\n\nText") == "Title"

"""A reader's own weights on the server, and what the page document says of how sure a ranking is."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st

from comparisons.analysis.scores import stands_with_missing
from comparisons.folder.read import read_study
from comparisons.page import build_page
from comparisons.pages.anchors import anchors
from comparisons.pages.awarded import awarded
from comparisons.pages.bargain import bargain
from comparisons.pages.charts import ALLOWED
from comparisons.pages.glossary import glossary
from comparisons.pages.names import Names
from comparisons.pages.numbers import GAP
from comparisons.pages.places import MOST_PLACES, places
from comparisons.pages.ranking_charts import TALLEST, _positions, value_figure
from comparisons.pages.robustness import robustness
from comparisons.pages.weighing import RULES, board, own, query, read, weighing
from tests.public.small_study import small_study, table
from tests.public.staging import publish, published
from tests.public.test_page import DEMO, results


@pytest.fixture(scope="module")
def demo():
    tables = read_study(DEMO)
    document = results(tables)
    return Names(tables), document, build_page(tables, document)


def test_the_stated_weights_give_the_documents_scores_places_and_gates(demo):
    _, document, page = demo
    data = page["weighing"]["data"]
    codes = [product["code"] for product in data["products"]]
    for start, card in zip(data["weightings"], document["scorecards"], strict=False):
        found = board(data["table"], start["weights"], start["missing"])
        rows = {row["product"]: row for row in card["products"]}
        for p, code in enumerate(codes):
            # Scores of criteria are stored with ten significant digits.
            assert found.score[p] == pytest.approx(rows[code]["score"], abs=1e-7)
            assert min(found.low[p], found.score[p]) == pytest.approx(rows[code]["score_low"], abs=1e-7)
            assert max(found.high[p], found.score[p]) == pytest.approx(rows[code]["score_high"], abs=1e-7)
            assert (found.rank[p] or None) == rows[code]["rank"]
            assert (found.rank_of_all[p] or None) == rows[code]["rank_of_all"]
            assert bool(found.gated[p]) == bool(rows[code]["gated"])
        assert [codes[p] for p in found.leaders] == card["leaders"]
        assert stands_with_missing(found) == card["stands_with_missing"]


def test_what_is_shown_first_is_the_first_weighting(demo):
    _, _, page = demo
    start, ranking = page["weighing"]["start"], page["rankings"][0]
    assert [(row["place"], row["name"], row["score"]) for row in start["rows"]] == [
        (row["place"], row["name"], row["score"]["text"]) for row in ranking["rows"]
    ]
    assert start["lead"] == (
        "Vantorrel V 300 has the highest score with these weights, 69.4 of 100; Brellund BT 300 follows with 68.6."
    )
    assert {field["id"]: field["share"] for field in start["fields"]}["strength"] == f"30{GAP}%"
    # Whoever misses a must-have has no place, and is told apart.
    held = [text for text in start["remarks"] if text.startswith("No recommendation")]
    assert all(row["name"] in held[0] for row in page["gated"])
    assert not {row["name"] for row in page["gated"]} & {row["name"] for row in start["rows"]}


def test_probabilities_are_said_to_be_of_the_stated_weights(demo):
    _, document, page = demo
    halves = [(r["ci"][1] - r["ci"][0]) / 2 for r in document["scorecards"][0]["products"] if r["rank"]]
    low, high = re.search(r"about ([\d.]+) to ([\d.]+) points", page["weighing"]["sure"]).groups()
    assert (float(low), float(high)) == (pytest.approx(min(halves), abs=0.051), pytest.approx(max(halves), abs=0.051))


def test_missing_results_go_by_the_rule_that_is_asked_for(demo):
    _, _, page = demo
    data = page["weighing"]["data"]
    weights = [40.0 if c["id"] == "cold" else 30.0 if c["id"] == "strength" else 0.0 for c in data["criteria"]]
    shown = {rule: own(data, weights, rule) for rule in RULES}
    scores = {rule: {r["name"]: r["score"] for r in shown[rule]["rows"]}["Kvernstow K-280"] for rule in RULES}
    assert scores["renormalise"] == scores["leave_out"] == "51.1"  # strength alone
    assert scores["worst_case"] == "21.9"  # 30 of 70 parts of it
    left = "Left out for all, because a product has no result: Loop strength in the cold."
    assert left in shown["leave_out"]["remarks"] and left not in shown["worst_case"]["remarks"]
    row = next(r for r in shown["renormalise"]["rows"] if r["name"] == "Kvernstow K-280")
    assert row["open"] == "21.9 to 79.0 by what is missing"


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(0, 10_000).map(lambda n: n / 100), min_size=8, max_size=8).filter(any),
    st.sampled_from(sorted(RULES)),
)
def test_an_address_gives_back_its_weights_and_scaling_changes_nothing(demo, weights, rule):
    data = demo[2]["weighing"]["data"]
    text = query([c["id"] for c in data["criteria"]], weights, rule)
    assert read(data, text) == (weights, rule, "")
    whole, half = own(data, weights, rule), own(data, [w / 2 for w in weights], rule)
    assert (whole["rows"], whole["lead"], whole["remarks"]) == (half["rows"], half["lead"], half["remarks"])


def test_criteria_that_cannot_be_scored_or_are_only_required_are_told_and_not_weighed(demo):
    names, document, page = demo
    ids = {c["id"] for c in page["weighing"]["data"]["criteria"]}
    assert "register" not in ids and page["weighing"]["required"] == ["Listed in the Tie Register"]
    rows = [
        row | ({"reason": "no anchors"} if row["criterion"] == "bundle" else {}) for row in document["criteria"]
    ]
    made = weighing(names, document | {"criteria": rows})
    assert "bundle" not in {c["id"] for c in made["data"]["criteria"]}
    assert made["unscored"] == ["Largest bundle cannot be weighed: no anchors."]
    shares = made["data"]["weightings"][0]["weights"]
    assert sum(shares) == pytest.approx(100) and shares[0] == pytest.approx(30 / 0.95)
    assert weighing(names, document | {"criteria": [r | {"reason": "no anchors"} for r in rows]}) is None


def test_it_stands_without_weights_readings_or_criteria():
    tables = small_study()
    bare = tables.replace({"readings": table("readings", []), "specimens": table("specimens", [])})
    page = build_page(bare, results(bare))
    assert json.loads(json.dumps(page, allow_nan=False)) == page
    assert page["weighing"]["start"]["rows"] == []
    assert page["weighing"]["start"]["lead"] == "No product that may be recommended has a score with these weights."
    assert page["glossary"] == [] and all(r["place_shares"] is None for r in page["rankings"])
    nothing = small_study(more=False)
    page = build_page(nothing, results(nothing))
    assert page["weighing"] is None and page["awards"] == page["anchors"] == page["glossary"] == []


# What the page document says of how sure a ranking is


def test_places_are_the_documents_shares(demo):
    names, document, _ = demo
    for card in document["scorecards"]:
        told = places(names, card)
        by_code = {row["product"]: row for row in card["products"]}
        assert len(told["rows"]) == sum(1 for row in card["products"] if row["p_rank"])
        for row, bar in zip(told["rows"], told["chart"]["rows"], strict=True):
            assert bar["shares"] == by_code[row["code"]]["p_rank"]
            assert sum(bar["shares"]) == pytest.approx(1)
            for text, share in zip(row["cells"], bar["shares"], strict=True):
                assert text == (f"<{GAP}1" if share < 0.01 else f">{GAP}99" if share > 0.99 else f"{100 * share:.0f}")
        assert f"{card['draws'] // 1000}\u202f000 draws" in told["notes"][0]
        assert "0.35 points" in told["notes"][0]  # sqrt(0.25 / 20,000), the greatest error of a share


def test_many_places_share_the_last_column(demo):
    names, document, _ = demo
    n = 20
    share = np.linspace(1, 2, n) / np.linspace(1, 2, n).sum()
    card = document["scorecards"][0] | {"products": [
        {"product": f"q{i}", "rank": i + 1, "score": 50.0 - i, "p_rank": share.tolist(), "p_rank_mc": [0.001] * n}
        for i in range(n)
    ]}  # fmt: skip
    told = places(names, card)
    assert told["heads"][-1] == "12th or later" and len(told["heads"]) == MOST_PLACES
    assert told["chart"]["rows"][0]["shares"][-1] == pytest.approx(share[MOST_PLACES - 1 :].sum())


def test_limits_that_the_draws_met_are_told(demo):
    names, document, _ = demo
    card = document["scorecards"][0]
    first = card["drawn"][0] | {"criterion": "bundle", "clips": True}
    rows = [r | {"p_tie_first": 0.04, "p_meets": 0.9} if r["product"] == "vantorrel" else r for r in card["products"]]
    held = [{"criterion": "heat", "reason": "a median has no sampling law"}]
    card = card | {"drawn": [first], "products": rows, "not_drawn": held}
    told = " ".join(places(names, card)["notes"])
    assert f"More than 5{GAP}% of draws of “Largest bundle” lie beyond what scores 0 or 100" in told
    assert "“Change of strength after heat” is held at its value: a median has no sampling law." in told
    assert f"First together with others: Vantorrel V 300 in 4{GAP}% of draws." in told
    assert f"is missed by Vantorrel V 300 in 10{GAP}% of draws" in told


def test_other_weights_are_the_documents_own(demo):
    names, document, _ = demo
    for card in document["scorecards"]:
        told = robustness(names, card)
        shift = card["smallest_shift"]
        by_name = {row["name"]: row for row in told["products"]}
        assert by_name[names.product(shift["leader"])]["shift"] == "leads"
        assert by_name[names.product(shift["rival"])]["shift"] == f"{100 * shift['shift']:.1f}{GAP}%"
        for code, p in card["winner_share_of_weights"].items():
            if 0.01 <= p <= 0.99:
                assert by_name[names.product(code)]["near"] == f"{round(100 * p)}{GAP}%"
        for code, leaders in card["leave_one_out"].items():
            row = next(r for r in told["criteria"] if r["name"] == names.criterion(code))
            assert row["changes"] == (set(leaders) != set(card["leaders"]))
            assert float(row["sd"].partition(GAP)[0]) == pytest.approx(100 * card["weight_sd"][code], abs=0.051)
    assert any("sum of places names another" in note for note in robustness(names, document["scorecards"][0])["notes"])


def test_a_rival_that_no_weights_help_or_that_was_not_searched_says_so(demo):
    names, document, _ = demo
    card = document["scorecards"][0]
    rivals = card["smallest_shift"]["rivals"] | {"yulbrake": None, "kvernstow": None}
    shift = card["smallest_shift"] | {"rivals": rivals, "rivals_skipped": ["kvernstow"], "approximate": True}
    told = robustness(names, card | {"smallest_shift": shift})
    found = {row["name"]: row["shift"] for row in told["products"]}
    assert found["Yulbrake Broad 76"] == "no weights do it" and found["Kvernstow K-280"] == "more than the least"
    assert any("a smaller one may exist" in note for note in told["notes"])


def test_the_words_carry_the_limits_that_were_applied(demo):
    names, document, _ = demo
    told = {row["term"]: row["text"] for row in glossary(names, document)}
    limits = document["scorecards"][0]["winner"]["limits"]
    assert limits["clear_winner"] == 0.975 and f"at least 97.5{GAP}%" in told["Clear winner"]
    assert limits["ahead"] == 0.8 and f"at least 80{GAP}%" in told["Ahead"]
    assert "20\u202f000 draws" in told["Chance of being first"] and "0.35 points" in told["Chance of being first"]
    assert f"middle 90{GAP}%" in told["Likely place"] and "need not come true together" in told["Likely place"]
    assert f"25{GAP}% by a standard deviation of 5.0{GAP}%" in told["Weights a little off ours"]


def test_value_tells_the_frontier_the_cap_and_no_pick_that_no_award_supports(demo):
    names, document, _ = demo
    card, value = document["scorecards"][0], document["value"][0]
    told = bargain(names, document, card)
    prices = {r["product"]: r["per_item"] for r in document["costs"]}
    ranked = [r["product"] for r in card["products"] if r["rank"]]
    assert [p["cost"] for p in told["chart"]["points"]] == sorted(prices[code] for code in ranked)
    frontier = {names.product(point["product"]) for point in value["frontier"]}
    assert {r["name"] for r in told["rows"] if r["frontier"]} == frontier
    assert told["text"] == (
        f"Under 0.12{GAP}EUR an item, Vantorrel V 300 has the highest score; "
        f"the chance that it is the best there is 64{GAP}%."
    )
    assert value["budget_pick"]["product"] == "vantorrel"
    assert told["pick"].startswith("No budget pick is named: the chance of being the best under the cap is 64")
    assert "Price counts in this score already, by “Price of one tie”" in told["notes"][0]
    supported = [row | {"supported": True} for row in document["awards"]]
    told = bargain(names, document | {"awards": supported}, card)
    assert told["pick"].startswith("Budget pick: Vantorrel V 300, the greatest score among products at or below")


def test_awards_carry_their_rule_and_the_editors_reason(demo):
    names, document, _ = demo
    editors = {
        "award": "kind-to-hands", "name": "Kind to hands", "product": "vantorrel", "weighting": None, "rule": "none",
        "criterion": None, "by": "editor", "supported": False, "word": None, "among_units_tested": False, "p": None,
        "why": "no rule supports it: it is the editor's own choice", "reason": "Nobody bled.", "refused": False,
    }  # fmt: skip
    refused = editors | {"award": "x", "name": "Refused", "reason": None, "refused": True}
    best = editors | {"rule": "criterion", "criterion": "comfort", "supported": True, "p": 0.93}
    best |= {"why": None, "reason": None}
    more = document | {"awards": [*document["awards"], editors, refused, best]}
    told = awarded(names, more)
    assert [(r["product"], r["state"]) for r in told[:4]] == [("", "not given")] * 4
    assert told[1]["why"] == f"The chance of being the best under the cap is 64{GAP}%, and 80{GAP}% is asked for."
    assert told[4]["state"] == "not supported by the numbers" and told[4]["reason"] == "The editor: Nobody bled."
    assert told[5]["rule"] == f"First in “Comfort of the cut edge” alone, with a chance of at least 80{GAP}%."
    assert told[5]["state"] == "supported" and told[5]["chance"] == f"93{GAP}%"
    assert "Refused" not in {r["name"] for r in told}
    assert "Refused" in {r["name"] for r in awarded(names, more, drafting=True)}


def test_anchors_say_when_they_were_set_and_what_was_changed(demo):
    names, document, page = demo
    assert page["anchors"][0].startswith("Set on 27 February 2026, before the first reading: “Loop strength”, ")
    assert page["anchors"][-1] == "No later change of an anchor or a weight is recorded."
    flagged = {"bundle": ["anchors_from_data"], "cold": ["anchors_not_before_data"]}
    rows = [row | {"flags": flagged.get(row["criterion"], [])} for row in document["criteria"]]
    change = {
        "at": "2026-03-20T10:00:00Z", "by": "editor-a", "what": "floor of insertion", "from": "45", "to": "60",
        "why": "A typing slip.",
    }  # fmt: skip
    tables = read_study(DEMO)
    told = anchors(Names(tables.replace({"deviations": table("deviations", [change])})), {"criteria": rows})
    assert "Not shown to be set before the first reading: “Loop strength in the cold”." in told
    assert "Taken from the results, so that the scale moves with them: “Largest bundle”." in told
    assert told[-1] == "Changed on 20 March 2026 by editor-a: Floor of insertion, from 45 to 60. A typing slip."


def test_figures_draw_the_tables_numbers(demo):
    _, document, page = demo
    for card in document["scorecards"]:
        bars = page["charts"][f"places-{card['weighting']}"]["data"]
        assert [trace["type"] for trace in bars] == ["bar"]
        shares = [p for row in page["rankings"][0]["place_shares"]["chart"]["rows"] for p in row["shares"]]
        if card is document["scorecards"][0]:
            assert bars[0]["y"] == pytest.approx([TALLEST * p for p in shares])
        value = page["charts"][f"value-{card['weighting']}"]["data"]
        assert {trace["type"] for trace in value} <= ALLOWED
        drawn = {(x, y) for trace in value[1:] for x, y in zip(trace["x"], trace["y"], strict=True)}
        prices = {r["product"]: r["per_item"] for r in document["costs"]}
        assert drawn == {(prices[r["product"]], r["score"]) for r in card["products"] if r["rank"]}


def test_labels_stay_inside_and_off_each_other():
    places = [(1.0, 10.0), (2.0, 90.0), (3.45, 50.0), (1.0, 13.0), (1.02, 16.0)]
    points = [
        {"product": f"Maker {i}", "cost": x, "score": y, "low": None, "high": None, "frontier": False}
        for i, (x, y) in enumerate(places)
    ]
    chosen = _positions(points, points, [0.5, 3.5], [0.0, 100.0])
    assert "left" in chosen[2]  # near the right edge
    assert chosen[1] == "middle right"  # alone
    # Three marks eleven pixels above each other: a line of text is taller, so that the middle one changes sides.
    assert "right" in chosen[0] and "left" in chosen[3] and "right" in chosen[4]
    figure = value_figure("any", {"currency": "EUR", "cap": None, "points": points})
    assert "shapes" not in figure["layout"]


# The page of its own


@pytest.fixture
def edition(cast):
    return published(cast)


WEIGHTS = "/c/strings/editions/1/weights/"


@pytest.mark.django_db
def test_the_page_of_own_weights_needs_no_script_no_session_and_two_queries(client, edition):
    with CaptureQueriesContext(connection) as caught:
        response = client.get(f"{WEIGHTS}?w.strength=10&w.knot=90")
    html = response.content.decode()
    assert response.status_code == 200 and len(caught) <= 2
    assert not response.cookies and "Cookie" not in response.get("Vary", "")
    assert '<meta name="robots" content="noindex">' in html
    data = json.loads(bytes(edition.page))["weighing"]["data"]
    shown = own(data, *read(data, "w.strength=10&w.knot=90"))
    assert shown["lead"] in html and shown["lead"] != json.loads(bytes(edition.page))["weighing"]["start"]["lead"]
    assert all(f"<span>{row['name']}</span>" in html for row in shown["rows"])
    again = client.get(f"{WEIGHTS}?w.strength=10&w.knot=90", headers={"if-none-match": response["ETag"]})
    assert again.status_code == 304
    assert client.get(f"{WEIGHTS}?w.strength=11&w.knot=89")["ETag"] != response["ETag"]


@pytest.mark.django_db
@pytest.mark.parametrize("text", [
    "w.strength=-1", "w.strength=1e999", "w.strength=heavy", "w.strength=NaN", "w.nonsense=5", "w.strength=0",
    "w.strength=", "w.strength=5&w.strength=6", "&".join(f"w.x{i}={i}" for i in range(10_000)),
    "w.strength=5&missing=<script>", "w.%00=1", "w.strength=%F0%28%8C%28", "w.<script>alert(1)</script>=5",
])  # fmt: skip
def test_bad_weights_fall_back_with_one_plain_line(client, edition, text):
    response = client.get(f"{WEIGHTS}?{text}")
    html = response.content.decode()
    assert response.status_code == 200
    (line,) = re.findall(r'data-part="line">([^<]+)</p>', html)
    told = r"The address holds weights that cannot be used: [^.]+\. These are the weights of “All round”\."
    assert re.fullmatch(told, line)
    assert json.loads(bytes(edition.page))["weighing"]["start"]["lead"] in html
    assert "<script>alert" not in html and "&lt;script" not in html


@pytest.mark.django_db
def test_own_weights_belong_to_their_edition(client, cast):
    first = published(cast)
    assert client.get("/c/strings/editions/2/weights/").status_code == 404
    assert client.get("/c/nothing/editions/1/weights/").status_code == 404
    assert client.post(WEIGHTS).status_code == 405
    assert "A newer edition exists" not in client.get(WEIGHTS).content.decode()
    first.comparison.title = "Strings again"
    first.comparison.save(update_fields=["title"])
    publish(first.comparison, cast)
    cache.clear()
    assert "A newer edition exists" in client.get(WEIGHTS).content.decode()


@pytest.mark.django_db
def test_the_comparison_holds_the_form_the_tables_and_no_inline_script(client, edition):
    html = client.get("/c/strings/").content.decode()
    assert f'action="{WEIGHTS}#weights"' in html
    parts = [
        "How likely each place is", "With other weights, and with things left out", "What the words mean",
        "Awards, and what each rests on", "The anchors: what scores 0",
    ]  # fmt: skip
    for text in parts:
        assert text in html, text
    assert "Where to test next" not in html
    for script in re.findall(r"<script\b[^>]*>", html):
        assert "src=" in script or re.search(r"type=\"application/(ld\+)?json\"", script)
    assert " style=" not in html and " onclick" not in html


@pytest.mark.django_db
def test_the_desk_weighs_its_draft(client, edition, cast):
    client.force_login(cast["planner"])
    html = client.get("/desk/strings/scorecard/?w.knot=100").content.decode()
    assert "Where to test next" in html
    assert re.search(r'id="s-knot">100\s%', html)
    assert client.get("/desk/strings/scorecard/?w.knot=heavy").status_code == 200

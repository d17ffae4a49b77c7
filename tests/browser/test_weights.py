"""A reader's own weights in the browser: the server's numbers, the keyboard, the address, a frame's time."""

from __future__ import annotations

import json
import mimetypes
import re
from pathlib import Path

import numpy as np
import pytest

from comparisons.analysis.scores import MISSING_RULES, board_of, stands_with_missing
from comparisons.analysis.study import Weighting
from comparisons.pages.numbers import write
from comparisons.pages.weighing import BAD as BAD_LINE
from comparisons.pages.weighing import query, read, written
from tests.browser.conftest import DESKTOP, PHONE, TABLET
from tests.reference.score_cases import made, made_study

SCRIPTS = Path(__file__).resolve().parents[2] / "templates" / "assets" / "js"
PAGE = "/c/cable-ties/"
ALONE = "/c/cable-ties/editions/1/weights/"


@pytest.fixture
def modules(chromium):
    """A blank page that can import the page's own script modules; nothing else is served, nothing is stored."""
    context = chromium.new_context()

    def serve(route):
        path = SCRIPTS / route.request.url.rpartition("/")[2]
        if path.is_file():
            route.fulfill(body=path.read_bytes(), content_type=mimetypes.guess_type(path.name)[0])
        else:
            route.fulfill(body="<!doctype html><title>blank</title>", content_type="text/html")

    context.route("**/*", serve)
    page = context.new_page()
    page.goto("http://scripts.test/")
    yield page
    context.close()


def a_case(rng: np.random.Generator) -> tuple[list, dict, dict]:
    """Estimates of some criteria, weights, and the same estimates as the table that a page holds.

    With missing results, bounds that narrow them, what does not apply, must-haves that are missed, weights
    of zero, and scores so coarse that products tie.
    """
    P, C = int(rng.integers(1, 9)), int(rng.integers(1, 7))
    coarse, lacking = rng.random() < 0.5, rng.choice([0.0, 0.2, 0.6, 1.0], p=[0.3, 0.4, 0.2, 0.1])
    estimates = []
    for c in range(C):
        value = rng.integers(0, 5, P) * 25.0 if coarse else rng.uniform(-10, 110, P)
        value = np.where(rng.random(P) < lacking, np.nan, value)
        low = np.where(rng.random(P) < 0.5, 0.0, rng.uniform(0, 50, P))
        high = np.where(rng.random(P) < 0.5, 100.0, low + rng.uniform(0, 50, P))
        apart = np.isnan(value) & (rng.random(P) < 0.3)
        must = rng.random() < 0.25
        estimates.append(
            made(f"c{c}", value, score_low=low, score_high=high, not_applicable=apart, must=must, limit=20.0)
        )
    some = rng.choice([1.0, 2.0, 37.5, 1e-3], C) if coarse else rng.uniform(0, 100, C)
    weights = np.where(rng.random(C) < 0.25, 0.0, some)
    table = {
        "score": [[None if np.isnan(x) else float(x) for x in e.score] for e in estimates],
        "missing": [
            [c, int(p), float(e.score_low[p]), float(e.score_high[p]), bool(e.not_applicable[p])]
            for c, e in enumerate(estimates) for p in np.flatnonzero(np.isnan(e.score))
        ],
        "gated": [any(e.gated[p] for e in estimates) for p in range(P)],
    }  # fmt: skip
    return estimates, {f"c{c}": float(w) for c, w in enumerate(weights)}, table


def test_the_browser_weighs_as_the_server_does(modules):
    rng = np.random.default_rng(20260404)
    cases, expected = [], []
    for _ in range(400):
        estimates, weights, table = a_case(rng)
        study = made_study(estimates)
        for rule in MISSING_RULES:
            cases.append({"table": table, "weights": list(weights.values()), "rule": rule})
            expected.append(board_of(study, estimates, Weighting("w", weights, missing=rule)))
    found = modules.evaluate(
        """async (cases) => {
          const { tableOf, weigh } = await import("/scores.js");
          const plain = (x) => Array.from(x, (v) => Number.isNaN(v) ? null : v);
          return cases.map(({ table, weights, rule }) => {
            const out = weigh(tableOf(table), weights, rule);
            return { ...out, score: plain(out.score), low: plain(out.low), high: plain(out.high),
              rank: plain(out.rank), rankOfAll: plain(out.rankOfAll) };
          });
        }""",
        cases,
    )
    seen = {"tie": 0, "gated": 0, "missing": 0, "dropped": 0, "turns": 0, "nobody": 0, "zero": 0}
    for case, own, board in zip(cases, found, expected, strict=True):
        for name in ("score", "low", "high"):
            theirs = np.array([np.nan if x is None else x for x in own[name]])
            np.testing.assert_allclose(theirs, getattr(board, name), rtol=0, atol=1e-9, err_msg=str((name, case)))
        assert own["rank"] == board.rank.tolist(), case
        assert own["rankOfAll"] == board.rank_of_all.tolist(), case
        assert own["leaders"] == board.leaders, case
        assert own["stands"] == stands_with_missing(board), case
        assert own["dropped"] == [c for c, _ in board.dropped], case
        seen["tie"] += len(board.leaders) > 1
        seen["gated"] += any(board.gated)
        seen["missing"] += bool(case["table"]["missing"])
        seen["dropped"] += bool(board.dropped)
        seen["turns"] += own["stands"] is False
        seen["nobody"] += not board.leaders
        seen["zero"] += 0.0 in case["weights"]
    assert min(seen.values()) > 40, seen  # each kind of case did occur


def test_the_browser_prints_numbers_as_the_server_does(modules):
    rng = np.random.default_rng(7)
    numbers = [*rng.uniform(0, 100, 300).tolist(), *np.round(rng.uniform(0, 100, 300), 2).tolist()]
    numbers += [0.0, 100.0, 0.25, 62.45, 62.35, 99.95, 1e-7, 12.5, 0.5]
    found = modules.evaluate(
        """async (numbers) => {
          const { rounded } = await import("/scores.js");
          const { written } = await import("/address.js");
          return numbers.map((x) => [rounded(x, 1), rounded(x, 0), written(x)]);
        }""",
        numbers,
    )
    assert found == [[write(x, 1), write(x, 0), written(x)] for x in numbers]


BAD = {
    "negative": "w.a=-5&w.b=1", "huge": "w.a=1e308&w.b=1", "above": "w.a=101", "no number": "w.a=heavy",
    "blank": "w.a=", "not finite": "w.a=NaN&w.b=Infinity", "unknown": "w.c=5", "twice": "w.a=5&w.a=6",
    "a rule": "w.a=5&missing=guess", "zero": "w.a=0&w.b=0", "exponent": "w.a=1e1", "spaces": "w.a=+5",
    "ten thousand": "&".join(f"w.x{i}={i}" for i in range(10_000)), "markup": "w.<b>=5", "half": "w.a=5&w.%ff=1",
    "decimal comma": "w.a=2,5", "digits": "w.a=0.12345678901234",
}  # fmt: skip
GOOD = {
    "two": "w.a=30&w.b=70&missing=leave_out", "one": "w.a=12.5", "other parts": "w.b=1&from=a-letter",
    "escaped": "w%2Ea=5&missing=worst%5Fcase", "tiny": "w.a=0.000000000001&w.b=0",
}  # fmt: skip
NONE = {"nothing": "", "others only": "from=a-letter&missing=leave_out", "a bare w": "w=5"}


def test_the_browser_reads_an_address_as_the_server_does(modules):
    data = {
        "criteria": [{"id": "a", "name": "First"}, {"id": "b", "name": "Second"}],
        "weightings": [{"name": "Ours", "weights": [60.0, 40.0], "missing": "renormalise"}],
    }
    found = modules.evaluate(
        """async ({ texts, criteria }) => {
          const { read } = await import("/address.js");
          return texts.map((text) => {
            const out = read(text, criteria, "renormalise");
            return out && { ...out, weights: out.weights && Array.from(out.weights) };
          });
        }""",
        {"texts": [*BAD.values(), *GOOD.values(), *NONE.values()], "criteria": data["criteria"]},
    )
    for text, own in zip([*BAD.values(), *GOOD.values(), *NONE.values()], found, strict=True):
        weights, missing, line = read(data, text)
        if text in BAD.values():
            assert "weights" not in own or own["weights"] is None
            assert line == BAD_LINE.format(reason=own["reason"], name="Ours")
            assert (weights, missing) == ([60.0, 40.0], "renormalise")
        elif text in GOOD.values():
            assert (own["weights"], own["missing"], "") == (weights, missing, line)
        else:
            assert own is None and line == "" and weights == [60.0, 40.0]


def frozen(comparison) -> dict:
    return json.loads(bytes(comparison.editions.get().page))["weighing"]


def ready(page):
    page.wait_for_selector('[data-weighing][data-ready="yes"]')
    return page


def shown(page) -> dict:
    """What the page says of the weights that are set."""
    part = page.locator("#weights")
    return {
        "lead": part.locator('[data-part="lead"]').inner_text(),
        "rows": [" ".join(text.split()) for text in part.locator("tbody tr:visible").all_inner_texts()],
        "remarks": part.locator('[data-part="remarks"] li').all_inner_texts(),
        "shares": part.locator(".share").all_inner_texts(),
    }


def test_the_same_page_with_and_without_script(visit, demo):
    data = frozen(demo)["data"]
    ids = [criterion["id"] for criterion in data["criteria"]]
    rng = np.random.default_rng(3)
    asked = [start["query"] for start in data["weightings"]]
    asked += [
        query(ids, np.round(rng.uniform(0, 100, len(ids)), 2).tolist(), rule) for rule in MISSING_RULES * 3
    ]
    asked += ["w.strength=-1", "w.cold=40&w.strength=30&missing=leave_out"]
    with visit(DESKTOP, script=False) as without, visit(DESKTOP) as scripted:
        for text in asked:
            plain = shown(without.open(f"{ALONE}?{text}"))
            assert shown(ready(scripted.open(f"{ALONE}?{text}"))) == plain
            scripted.page.goto("about:blank")
            assert shown(ready(scripted.open(f"{PAGE}#weights?{text}"))) == plain
        scripted.clean()
        without.clean()


def test_stated_weights_give_the_scores_of_the_edition(visit, demo):
    results = json.loads(bytes(demo.editions.get().results))
    with visit(DESKTOP) as window:
        page = ready(window.open(PAGE))
        for start in frozen(demo)["data"]["weightings"][:2]:
            page.get_by_role("link", name=start["name"], exact=True).click()
            page.wait_for_function(
                "q => document.querySelector('[data-weighing]').weighing.query() === q", arg=start["query"]
            )
            card = next(c for c in results["scorecards"] if c["weighting"] == start["id"])
            own = page.evaluate(
                """async () => {
                  const w = document.querySelector("[data-weighing]").weighing;
                  const script = document.querySelector('script[src*="weighing"]').src;
                  const { weigh } = await import(script.replace(/weighing[^/]*$/, "scores.js"));
                  const out = weigh(w.table, w.weights, w.missing);
                  return w.products.map((p, i) => [p.code, out.score[i], out.rank[i], out.rankOfAll[i]]);
                }"""
            )
            for code, score, rank, of_all in own:
                row = next(r for r in card["products"] if r["product"] == code)
                # The stored scores of criteria have ten significant digits.
                assert score == pytest.approx(row["score"], abs=1e-7)
                assert (rank or None, of_all or None) == (row["rank"], row["rank_of_all"])
        window.clean()


def test_sliders_and_numbers_by_keyboard(visit, demo):
    with visit(DESKTOP) as window:
        page = ready(window.open(PAGE))
        before = shown(page)
        slider = page.get_by_role("slider", name="Price of one tie")
        slider.focus()
        for _ in range(3):
            page.keyboard.press("ArrowRight")
        number = page.get_by_role("spinbutton", name="Price of one tie")
        assert number.input_value() == "23"
        assert slider.get_attribute("aria-valuetext") == "23, 22\xa0% of the weight"
        assert shown(page) != before
        page.keyboard.press("End")
        assert number.input_value() == "100"
        page.keyboard.press("Home")
        assert number.input_value() == "0"
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.id") == "w-cost"
        page.keyboard.press("ControlOrMeta+a")
        page.keyboard.type("37.5")
        assert slider.input_value() == "38"
        assert page.locator("#s-cost").inner_text() == "32\xa0%"
        page.keyboard.press("ControlOrMeta+a")
        page.keyboard.type("375")
        assert number.get_attribute("aria-invalid") == "true"
        told = page.locator('[data-part="line"]').inner_text()
        assert told == "“Price of one tie” has no number from 0 to 100: the weight before it counts."
        page.keyboard.press("Tab")
        assert number.input_value() == "37" and number.get_attribute("aria-invalid") is None
        assert not page.locator('[data-part="line"]').is_visible()
        window.clean()


def test_a_moved_slider_is_in_the_address_and_another_reader_sees_the_same(visit, demo):
    with visit(PHONE) as one:
        page = ready(one.open(PAGE))
        assert "#" not in page.url
        page.get_by_role("slider", name="Loop strength in the cold").fill("60")
        page.get_by_label("Where a result is missing").select_option("worst_case")
        page.wait_for_function("() => location.hash.includes('w.cold=60') && location.hash.includes('worst_case')")
        address, own = page.url, shown(page)
        assert page.locator('[data-part="said"]').inner_text() == own["lead"]  # read out once the hand rests
        alone = page.locator('[data-part="link"]').get_attribute("href")
        one.clean()
    with visit(DESKTOP) as other:
        other.page.goto(address)
        assert shown(ready(other.page))["lead"] == own["lead"]
        assert other.page.get_by_role("spinbutton", name="Loop strength in the cold").input_value() == "60"
        other.page.wait_for_function(
            "() => document.querySelector('#weights').getBoundingClientRect().top < innerHeight"
        )
        other.clean()
    with visit(PHONE, script=False) as third:
        assert shown(third.open(alone)) == own


def test_weights_that_cannot_be_used_are_told_in_one_line(visit, demo):
    told = r"The address holds weights that cannot be used: [^.]+\. These are the weights of “General use”\."
    with visit(DESKTOP) as window:
        page = ready(window.open(PAGE))
        ours, line = shown(page), page.locator('[data-part="line"]')
        for name, bad in BAD.items():
            page.evaluate("() => { location.hash = 'weights?w.cold=100' }")
            page.wait_for_function("() => document.querySelector('#w-cold').value === '100'")
            assert not line.is_visible()
            text = bad.replace("w.a", "w.strength").replace("w.b", "w.heat")
            page.evaluate("text => { location.hash = `weights?${text}` }", text)
            line.wait_for()
            assert re.fullmatch(told, line.inner_text()), name
            assert shown(page) == ours, name
        window.accessible()
        window.clean()


def test_the_section_and_its_own_page_fit_and_are_accessible(visit, demo):
    for size in (PHONE, TABLET, DESKTOP):
        for dark in (False, True):
            with visit(size, dark=dark) as window:
                page = ready(window.open(f"{ALONE}?w.cold=40&w.strength=30"))
                window.fits()
                window.accessible()
                small = page.evaluate(
                    """() => [...document.querySelectorAll("#weights form :is(input, select, .starts a)")]
                      .filter((e) => e.getClientRects().length)
                      .filter((e) => e.getBoundingClientRect().height < 48).map((e) => e.id)"""
                )
                assert small == []
                page = ready(window.open(PAGE))
                page.evaluate("document.querySelectorAll('#ranking details').forEach(d => { d.open = true })")
                window.fits()
                window.clean()


def test_heads_and_names_of_the_matrix_stay_in_sight_on_a_phone(visit, demo):
    with visit(PHONE) as window:
        page = window.open(PAGE)
        page.get_by_text("How likely each is to beat each other").first.click()
        frame = page.locator('[aria-label^="How likely each product is to beat each other"]').first
        assert frame.evaluate("e => e.scrollWidth > e.clientWidth")
        frame.focus()
        page.keyboard.press("ArrowRight")
        frame.evaluate("e => { e.scrollLeft = e.scrollWidth }")
        left = frame.bounding_box()["x"]
        assert abs(frame.locator("tbody th").first.bounding_box()["x"] - left) < 2
        assert "beats" in frame.locator("thead th").nth(1).text_content()
        window.fits()


def traces(page, name: str) -> list[dict]:
    """What Plotly drew of one chart."""
    return page.locator(f'figure[data-chart$="/{name}.json"] .plot').evaluate(
        "plot => plot._fullData.map(t => ({type: t.type, x: Array.from(t.x), y: Array.from(t.y)}))"
    )


def test_charts_of_places_and_prices_draw_the_documents_numbers(visit, demo):
    results = json.loads(bytes(demo.editions.get().results))
    card = next(c for c in results["scorecards"] if c["weighting"] == "general")
    with visit(PHONE) as window:
        page = window.open(PAGE)
        page.get_by_text("How likely each place is").first.click()
        for name in ("places-general", "value-general"):
            figure = page.locator(f'figure[data-chart$="/{name}.json"]')
            figure.scroll_into_view_if_needed()
            page.wait_for_function(
                "n => document.querySelector(`figure[data-chart$='/${n}.json']`).dataset.drawn === 'yes'", arg=name
            )
        (bars,) = traces(page, "places-general")
        assert bars["type"] == "bar"
        drawn = sorted((r for r in card["products"] if r["p_rank"]), key=lambda r: r["rank"])
        shares = [p for row in drawn for p in row["p_rank"]]
        assert np.array(bars["y"]) / max(bars["y"]) == pytest.approx(np.array(shares) / max(shares))
        value = traces(page, "value-general")
        assert {trace["type"] for trace in value} == {"scatter"}
        marks = {(x, y) for trace in value[1:] for x, y in zip(trace["x"], trace["y"], strict=True)}
        prices = {r["product"]: r["per_item"] for r in results["costs"]}
        assert marks == {(prices[r["product"]], r["score"]) for r in card["products"] if r["rank"]}
        window.fits()
        window.clean()


def test_the_desk_weighs_its_draft_the_same_way(visit, demo):
    with visit(TABLET) as window, visit(TABLET, script=False) as plain:
        for one in (window, plain):
            one.sign_in("planner")
        text = "w.cold=50&w.cost=50&missing=worst_case"
        page = ready(window.open(f"/desk/cable-ties/scorecard/?{text}"))
        assert shown(page) == shown(plain.open(f"/desk/cable-ties/scorecard/?{text}"))
        assert page.get_by_role("heading", name="Where to test next").is_visible()
        window.fits()
        window.accessible()
        window.clean()

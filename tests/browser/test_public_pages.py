"""Public pages in a browser: on a phone, a tablet and a desktop, light and dark, with and without script."""

from __future__ import annotations

import json
import re

import pytest

from tests.browser.conftest import DESKTOP, PHONE, TABLET

PAGES = ["/", "/c/cable-ties/", "/c/cable-ties/editions/1/", "/sign-in/"]


def unfold(page) -> None:
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")


def test_pages_fit_and_are_silent_at_every_size_folded_and_unfolded(visit, demo):
    for size in (PHONE, TABLET, DESKTOP):
        with visit(size) as window:
            for path in PAGES:
                page = window.open(path)
                window.fits()
                unfold(page)
                window.fits()
            window.clean()


LINES_OFF_THEIR_AXIS = """() => [...document.querySelectorAll("table.ranges")].flatMap((table) => {
  const place = (drawing) => { const box = drawing.getBoundingClientRect(); return [box.left, box.width]; };
  const axis = table.querySelector("svg.axis");
  if (!axis) return [];
  const [left, width] = place(axis);
  return [...table.querySelectorAll("svg.range")].filter((line) => {
    const [x, w] = place(line);
    return w < 60 || Math.abs(x - left) > 1 || Math.abs(w - width) > 1;
  }).map((line) => line.getAttribute("aria-label"));
})"""


def test_every_range_line_lies_under_the_axis_of_its_table(visit, demo):
    for size in (PHONE, TABLET, DESKTOP):
        with visit(size) as window:
            for path in ("/", "/c/cable-ties/"):
                page = window.open(path)
                unfold(page)
                assert page.locator("svg.range").count()
                assert page.evaluate(LINES_OFF_THEIR_AXIS) == []


@pytest.mark.parametrize(("size", "dark"), [(PHONE, False), (DESKTOP, True)])
def test_pages_are_accessible(visit, demo, size, dark):
    with visit(size, dark=dark) as window:
        for path in ("/", "/c/cable-ties/", "/sign-in/"):
            page = window.open(path)
            unfold(page)
            window.accessible()
        window.clean()


def test_the_answer_is_on_the_first_screen_of_a_phone(visit, demo):
    with visit(PHONE) as window:
        page = window.open("/c/cable-ties/")
        box = page.locator(".headline").bounding_box()
        assert box["y"] + box["height"] < PHONE[1]


def test_without_script_the_answer_the_tables_and_the_range_lines_are_there(visit, demo):
    frozen = json.loads(bytes(demo.editions.get().page))
    with visit(PHONE, script=False) as window:
        page = window.open("/c/cable-ties/")
        assert page.locator(".headline").inner_text() == frozen["answer"]["lead"]
        assert page.locator("#ranking-general table.rankings tbody tr").count() == len(frozen["rankings"][0]["rows"])
        line = page.locator("#trial-loop-dry .range").first
        assert line.bounding_box()["width"] > 250
        assert line.get_attribute("aria-label")
        assert page.locator("figure.chart:visible").count() == 0
        page.get_by_text("How to read a range line").click()
        assert page.get_by_text("Tall stroke: the mean").is_visible()
        window.clean()


def drawn(page, name: str):
    """What Plotly really drew of one chart: the type and the values of each trace."""
    figure = page.locator(f'figure[data-chart$="/{name}.json"]')
    figure.scroll_into_view_if_needed()
    page.wait_for_function(
        "name => document.querySelector(`figure[data-chart$='/${name}.json']`).dataset.drawn === 'yes'", arg=name
    )
    return figure.locator(".plot").evaluate(
        "plot => plot._fullData.map(t => ({type: t.type, x: Array.from(t.x), visible: t.visible}))"
    )


def test_charts_draw_the_numbers_of_their_tables(visit, demo):
    results = json.loads(bytes(demo.editions.get().results))
    for size in (PHONE, DESKTOP):
        with visit(size) as window:
            page = window.open("/c/cable-ties/")
            assert page.evaluate("typeof window.Plotly") == "undefined"  # nothing is loaded before it is near
            (trace,) = drawn(page, "ranking-general")
            assert trace["type"] == "scatter" and trace["visible"] is True
            cells = page.locator("#ranking-general table.rankings td.value .figure")
            shown = [float(text) for text in cells.all_inner_texts()]
            assert [round(x, 1) for x in trace["x"]] == shown
            card = next(c for c in results["scorecards"] if c["weighting"] == "general")
            assert sorted(trace["x"]) == sorted(r["score"] for r in card["products"] if r["rank"])
            measured, claimed = drawn(page, "claims-loop-strength-loop-dry-value")
            table = page.locator("#claims-loop-strength-loop-dry-value tbody tr")
            assert len(measured["x"]) == len(claimed["x"]) == table.count()
            for x, text in zip(measured["x"], table.locator("td.value .figure").all_inner_texts(), strict=True):
                places = len(text.partition(".")[2])
                assert abs(x - float(text)) <= 0.5 * 10**-places * 1.0001
            plot = page.locator('figure[data-chart$="/ranking-general.json"] .plot')
            assert re.search(r"table above", plot.get_attribute("aria-label"))
            assert plot.locator(".main-svg").first.bounding_box()["width"] > size[0] * 0.6
            window.fits()
            if size == DESKTOP:
                window.accessible()
            window.clean()


def test_a_chart_that_cannot_be_loaded_leaves_its_table(visit, demo):
    with visit(DESKTOP) as window:
        window.page.route("**/charts/*.json", lambda route: route.fulfill(status=500))
        page = window.open("/c/cable-ties/")
        figure = page.locator('figure[data-chart$="/ranking-general.json"]')
        figure.scroll_into_view_if_needed()
        figure.wait_for(state="hidden")
        assert page.locator("#ranking-general table.rankings tbody tr").first.is_visible()


def test_a_link_into_a_folded_part_opens_it(visit, demo):
    with visit(DESKTOP) as window:
        page = window.open("/c/cable-ties/#trial-width")
        assert page.locator("#trial-width table.ranges").is_visible()


def test_it_prints_as_a_report(visit, demo):
    with visit(DESKTOP) as window:
        page = window.open("/c/cable-ties/")
        page.emulate_media(media="print")
        assert not page.locator(".contents").is_visible()
        assert not page.locator("figure.chart").first.is_visible()
        assert page.locator("#trial-loop-dry .range").first.is_visible()
        assert page.pdf()[:4] == b"%PDF"
        window.clean()


@pytest.mark.parametrize("path", PAGES[:2])
def test_everything_is_reached_by_keyboard_and_the_focus_is_seen(visit, demo, path):
    with visit(DESKTOP) as window:
        page = window.open(path)
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
        assert page.evaluate("document.activeElement.getBoundingClientRect().top") >= 0
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "content"
        page.keyboard.press("Tab")
        style = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert style == "solid"

"""Product, method, data and editions pages, side by side, search and the frame in a browser."""

from __future__ import annotations

from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread

import pytest
from django.core.cache import cache

from tests.browser.conftest import DESKTOP, PHONE, TABLET
from tests.public.frozen import demo as tables
from tests.public.frozen import freeze

BASE = "/c/cable-ties/"
SIDE = f"{BASE}side-by-side/?p=brellund&p=skarnfold&p=yulbrake"
PAGES = [
    "/", "/search/?q=loop+tensile", "/kinds/cable-tie/", f"{BASE}products/dorvenna/", f"{BASE}products/yulbrake/", SIDE,
    f"{BASE}side-by-side/", f"{BASE}methods/loop-pull/", f"{BASE}data/", f"{BASE}editions/", f"{BASE}embed/",
]  # fmt: skip
UNFOLD = "document.querySelectorAll('details').forEach(d => { d.open = true })"


@pytest.fixture
def ties(transactional_db):
    cache.clear()
    freeze(tables(), withdrawn="Two products were mixed up.")

    def edit(page):
        page["trials"][0]["rows"][0]["value"]["text"] = "77.7"

    return freeze(tables(), edit=edit, correction="A value was wrong.", correction_why="A slip.", corrects_since=1)


@pytest.mark.parametrize(("size", "dark"), [(PHONE, False), (TABLET, False), (DESKTOP, True)])
def test_pages_fit_and_are_silent_and_accessible(visit, ties, size, dark):
    with visit(size, dark=dark) as window:
        for path in PAGES:
            page = window.open(path)
            window.fits()
            page.evaluate(UNFOLD)
            window.fits()
            if size != TABLET:
                window.accessible()
        window.clean()


def test_data_for_machines_passes_the_policy_and_is_not_run(visit, ties):
    with visit(DESKTOP) as window:
        for path in (BASE, f"{BASE}products/brellund/", f"{BASE}data/"):
            page = window.open(path)
            block = page.locator('script[type="application/ld+json"]')
            assert block.count() == 1
            assert page.evaluate(
                "JSON.parse(document.querySelector('script[type=\"application/ld+json\"]').textContent)['@context']"
            ) == "https://schema.org"
        window.clean()


def test_products_are_chosen_and_shown_side_by_side_without_script(visit, ties):
    with visit(PHONE, script=False) as window:
        page = window.open(f"{BASE}side-by-side/")
        page.get_by_role("checkbox", name="Brellund BT 300").check()
        page.get_by_role("checkbox", name="Skarnfold Bulk 300").check()
        page.get_by_role("button", name="Show side by side").click()
        assert page.url.endswith("side-by-side/?p=brellund&p=skarnfold")
        assert "Brellund BT 300" in page.locator("h1").inner_text()
        assert page.locator("#differ dt").count() > 3
        first = page.locator("#results .range").first
        assert first.bounding_box()["width"] > 250 and first.get_attribute("aria-label")
        assert page.get_by_role("checkbox", name="Skarnfold Bulk 300").is_checked()


def test_search_works_without_script_and_by_keyboard(visit, ties):
    with visit(DESKTOP, script=False) as window:
        page = window.open("/")
        page.get_by_label("Products, makers, properties").focus()
        page.keyboard.type("brellund")
        page.keyboard.press("Enter")
        page.wait_for_url("**/search/?q=brellund")
        page.get_by_role("link", name="Brellund BT 300").click()
        page.wait_for_url(f"**{BASE}products/brellund/")
        assert page.locator("h1").inner_text() == "Brellund BT 300"


def test_range_lines_lie_under_their_axes(visit, ties):
    off = """() => [...document.querySelectorAll(".one-line .drawn")].filter((cell) => {
      const [a, b] = [...cell.querySelectorAll("svg.axis, svg.range")].map((s) => s.getBoundingClientRect());
      return !a || !b || Math.abs(a.left - b.left) > 1 || Math.abs(a.width - b.width) > 1 || b.width < 60;
    }).length"""
    for size in (PHONE, DESKTOP):
        with visit(size) as window:
            page = window.open(f"{BASE}products/dorvenna/")
            assert page.locator(".one-line .drawn").count() > 10
            assert page.evaluate(off) == 0


def test_buttons_boxes_and_links_are_large_enough_to_touch(visit, ties):
    with visit(PHONE) as window:
        page = window.open(f"{BASE}side-by-side/")
        # WCAG 2.2, 2.5.8: at least 24 by 24 pixels; a box's label counts, it can be touched as well
        for selector in ("#choose button", ".choices label", ".beside a"):
            for box in page.locator(selector).all():
                found = box.bounding_box()
                assert found["height"] >= 24 and found["width"] >= 24, selector


@pytest.fixture
def holder(live_server):
    """Another site with the ranking in a frame: its origin. A real server, as the browser tells networks apart."""
    body = f'<iframe src="{live_server.url}{BASE}embed/" width="700" height="600"></iframe>'.encode()

    class Page(BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Page)
    Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    server.server_close()


def test_the_ranking_is_shown_in_a_frame_of_the_sites_that_are_set_alone(visit, ties, holder, settings):
    with visit(DESKTOP) as window:
        window.page.goto(holder)
        window.page.wait_for_load_state("networkidle")
        assert any("frame-ancestors" in text for text in window.wrong), window.wrong
        assert not window.page.frames[1].locator("table").count()
    settings.EMBED_ORIGINS = [holder]
    with visit(DESKTOP) as window:
        window.page.goto(holder)
        window.page.wait_for_load_state("networkidle")
        assert window.page.frames[1].locator("tbody tr").count() > 3


def test_the_editions_page_tells_what_changed(visit, ties):
    with visit(PHONE, script=False) as window:
        page = window.open(f"{BASE}editions/")
        assert page.get_by_text("77.7").is_visible()
        assert page.get_by_text("Two products were mixed up.").is_visible()
        assert page.get_by_text("A value was wrong.").first.is_visible()

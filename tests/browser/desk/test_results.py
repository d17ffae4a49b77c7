"""Trials, claims, changes, search and the record in a browser."""

from __future__ import annotations

import pytest

from comparisons.folder.importer import import_study
from comparisons.services import evaluation
from comparisons.services.record import record
from specimens.models import Reading
from tests.browser.conftest import DEMO, DESKTOP, PHONE, TABLET

TRIALS = ("loop-dry", "comfort", "flame", "insertion")


@pytest.fixture
def demo(cast):
    """The demo comparison as an evaluated draft."""
    comparison = import_study(DEMO)
    evaluation.run_evaluation(comparison)
    record(cast["editor"], "noted", comparison=comparison)
    return comparison


@pytest.mark.parametrize(("size", "dark"), [(PHONE, False), (TABLET, True), (DESKTOP, False)])
def test_pages_of_results_fit_are_accessible_and_silent(visit, demo, size, dark):
    with visit(size, dark=dark) as window:
        window.sign_in("editor")
        for path in (*(f"results/{trial}/" for trial in TRIALS), "judged/", "changes/"):
            window.open(f"/desk/cable-ties/{path}")
            window.fits()
            window.accessible()
        window.clean()


def values(page) -> list[float]:
    """The values shown, in order; a bound by its number."""
    return [float(text.lstrip("> ")) for text in page.locator("#specimens tbody td:nth-of-type(3)").all_inner_texts()]


def test_sorting_and_filtering_by_keyboard_keep_their_place(visit, demo):
    with visit(DESKTOP) as window:
        window.sign_in("editor")
        page = window.open("/desk/cable-ties/results/loop-dry/")
        page.evaluate("window.here = 1")
        page.locator("a[data-sort=value]").focus()
        page.keyboard.press("Enter")
        page.locator("th[aria-sort=ascending] a[data-sort=value]").wait_for()
        assert page.evaluate("document.activeElement.dataset.sort") == "value"  # the keyboard goes on from there
        up = values(page)
        page.keyboard.press("Enter")
        page.locator("th[aria-sort=descending] a[data-sort=value]").wait_for()
        assert up == sorted(up) and values(page)[0] > up[-1]
        page.get_by_label("Product", exact=True).select_option(label="Pellikost PK 48")
        page.locator(".dot-plot tbody tr").nth(1).wait_for(state="detached")
        assert page.locator(".dot-plot tbody tr").count() == 1
        assert page.evaluate("document.activeElement.id") == "by-product"
        page.get_by_label("Counted").select_option("set aside")
        page.locator("#specimens tbody tr").nth(1).wait_for(state="detached")
        assert page.get_by_text("set aside: void").count() == 1
        assert "state=set+aside" in page.evaluate("location.search")
        assert page.evaluate("window.here") == 1  # the page was never left
        page.reload()  # the address says what is shown
        assert page.locator("#specimens tbody tr").count() == 1
        window.accessible()
        window.clean()


def test_filters_and_sorting_work_without_script(visit, demo):
    with visit(PHONE, script=False) as window:
        window.sign_in("editor")
        page = window.open("/desk/cable-ties/judged/")
        page.get_by_label("Statement", exact=True).select_option("fail")
        page.get_by_role("button", name="Show").click()
        told = page.locator(".judged .words").all_inner_texts()
        assert told and set(told) == {"Misses"}
        page.get_by_role("link", name="Deviation").click()
        assert "statement=fail" in page.url and "sort=deviation" in page.url
        window.fits()
        window.clean()


def test_dots_can_be_explored(visit, demo):
    with visit(DESKTOP) as window:
        window.sign_in("bench-member")
        page = window.open("/desk/cable-ties/results/loop-dry/")
        assert page.locator("script[src*=plotly]").count() == 0  # loaded once it is asked for
        page.get_by_text("Explore the dots").click()
        page.locator("figure[data-drawn=yes]").wait_for()
        drawn = page.evaluate(
            "document.querySelector('figure .plot').data.filter(t => t.name != 'mean').flatMap(t => t.x).length"
        )
        assert drawn == page.evaluate("document.querySelectorAll('.dot-plot g').length")
        colours = page.evaluate("document.querySelector('figure .plot').data.map(t => t.marker.color)")
        assert all(colour.startswith("#") for colour in colours)
        window.accessible()
        window.clean()


def test_from_the_desk_to_a_specimen_in_three_clicks(visit, demo):
    with visit(TABLET) as window:
        window.sign_in("planner")
        page = window.page
        page.get_by_role("link", name="Cable ties of 4.8 mm", exact=False).first.click()
        page.get_by_role("navigation", name="Parts of this comparison").get_by_role("link", name="Results").click()
        page.get_by_role("table").first.get_by_role("link", name="Strap width").click()
        assert page.get_by_role("heading", name="In doubt").is_visible()
        page.get_by_role("searchbox").fill("ombrastle-u2-s3")
        page.keyboard.press("Enter")
        page.get_by_role("link", name="ombrastle-u2-s3").click()
        assert page.locator("#specimens tbody tr").count() > 0
        window.clean()


def test_the_bench_is_live_on_the_desk(visit, demo):
    """Progress keeps itself up to date while it is in sight, without loading the page anew."""
    with visit(DESKTOP) as window:
        window.sign_in("planner")
        page = window.open("/desk/cable-ties/bench/")
        page.evaluate("window.here = 1")
        reading = Reading.objects.filter(trial__code="width").first()
        reading.pk = None
        reading.code, reading.operator = "later-1", "somebody new"
        reading.save(force_insert=True)
        page.get_by_role("rowheader", name="somebody new").wait_for(timeout=15_000)
        assert page.evaluate("window.here") == 1
        window.clean()


def test_the_record_is_read_filtered_and_exported(visit, demo):
    with visit(DESKTOP) as window:
        window.sign_in("editor")
        page = window.open("/desk/cable-ties/record/")
        page.get_by_label("Person").select_option("editor")
        page.get_by_role("button", name="Show").click()
        assert set(page.locator(".record tbody td:nth-of-type(2)").all_inner_texts()) == {"editor"}
        with page.expect_download() as waiting:
            page.get_by_role("link", name="Export as CSV").click()
        lines = waiting.value.path().read_text().splitlines()
        assert lines[0].startswith("at,who,what") and len(lines) > 1
        window.clean()

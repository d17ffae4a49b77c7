"""The claims' grid in a browser: cell by cell, in place with a script and on pages of its own without."""

from __future__ import annotations

import pytest

from specimens.models import Claim
from tests.browser.conftest import DESKTOP, PHONE, TABLET
from tests.public.small_study import import_small

GRID = "/desk/strings/claims/"


@pytest.fixture
def small(cast):
    return import_small()


def cell(page, product: str, prop: str):
    return page.locator(f"#cell-{product}-{prop}")


def test_a_claim_is_written_down_in_place_by_keyboard_alone(visit, small):
    with visit(DESKTOP) as window:
        window.sign_in("planner")
        page = window.open(GRID)
        cell(page, "p00", "knot").get_by_role("link").focus()
        page.keyboard.press("ArrowDown")
        assert page.evaluate("document.activeElement.closest('td').id") == "cell-p01-knot"
        page.keyboard.press("ArrowUp")
        page.keyboard.press("Enter")
        dialog = page.get_by_role("dialog")
        dialog.get_by_label("It claims").wait_for()
        window.accessible()
        # an amount that this sense does not have is out of sight
        assert dialog.get_by_label("Value").is_visible() and not dialog.get_by_label("From").is_visible()
        dialog.get_by_label("It claims").select_option("between")
        assert dialog.get_by_label("From").is_visible() and not dialog.get_by_label("Value").is_visible()
        dialog.get_by_label("It claims").select_option("at_least")
        dialog.get_by_label("Value").fill("4,5")
        dialog.get_by_label("Value").press("Enter")
        dialog.get_by_text("write a point for decimals").wait_for()
        assert dialog.get_by_label("Value").input_value() == "4,5"
        dialog.get_by_label("Value").fill("4.5")
        dialog.get_by_role("button", name="Write it down", exact=True).click()
        page.get_by_role("status").wait_for()
        assert not dialog.is_visible()
        assert "at least 4.5" in cell(page, "p00", "knot").inner_text()
        assert page.evaluate("document.activeElement.closest('td').id") == "cell-p00-knot"
        page.keyboard.press("Enter")
        page.get_by_role("dialog").get_by_label("Value").wait_for()
        page.keyboard.press("Escape")
        assert not page.get_by_role("dialog").is_visible()
        # the refused value was answered with 422, which a browser's console tells
        window.wrong = [line for line in window.wrong if "422" not in line]
        window.clean()
    assert Claim.objects.get(code="p00-knot").value.text == "4.5"


def test_an_editor_settles_which_source_counts(visit, small):
    with visit(TABLET) as window:
        window.sign_in("editor")
        page = window.open(GRID)
        cell(page, "p00", "force").get_by_role("link", name="another source").click()
        dialog = page.get_by_role("dialog")
        dialog.get_by_text("Another source").click()
        dialog.get_by_label("Value").fill("75")
        dialog.get_by_label("Source").fill("listing")
        dialog.get_by_role("button", name="Write it down", exact=True).click()
        cell(page, "p00", "force").get_by_role("link", name="Which source counts?").click()
        dialog.get_by_label("package: at least").check()
        window.accessible()
        dialog.get_by_label("Why this source counts").fill("It came with the unit.")
        dialog.get_by_role("button", name="Let it count").click()
        dialog.get_by_text("It counts because: It came with the unit.").wait_for()
        window.clean()
    assert Claim.objects.get(governs=True).code == "p00-min"


def test_everything_works_without_script(visit, small):
    with visit(PHONE, script=False) as window:
        window.sign_in("planner")
        page = window.open(GRID)
        cell(page, "p01", "knot").get_by_role("link").click()
        page.get_by_label("Value").fill("3")
        page.get_by_role("button", name="Write it down", exact=True).click()
        assert page.url.endswith("#cell-p01-knot")
        assert "at least 3" in cell(page, "p01", "knot").inner_text()
        page.get_by_role("link", name="Paste claims from a spreadsheet").click()
        page.get_by_label("Rows").fill("p00\tknot\tat least\tmany\np00\tknot\tat most\t4\n")
        page.get_by_role("button", name="Look at the rows").click()
        assert page.get_by_role("heading", name="1 of 2 rows have a cell to mend").is_visible()
        window.fits()
        page.get_by_role("button", name="Store the other row, leave this one out").click()
        assert page.get_by_text("1 claim stored. 1 row was left out.").is_visible()
        window.clean()


@pytest.mark.parametrize(("size", "dark"), [(PHONE, True), (DESKTOP, False)])
def test_pages_fit_are_accessible_and_silent(visit, small, size, dark):
    with visit(size, dark=dark) as window:
        window.sign_in("editor")
        for path in ("", "at/p00/force/", "at/p00/knot/", "one/p00-min/", "all/force/", "all/lit/", "paste/"):
            if path == "all/lit/":
                path = "all/goes-out/"
            window.open(GRID + path)
            window.fits()
            window.accessible()
        window.clean()

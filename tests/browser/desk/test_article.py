"""The article's page in a browser: picking, tying, previewing, two at once, and a crash that loses nothing."""

from __future__ import annotations

import re

import pytest

from comparisons.folder.importer import import_study
from comparisons.models import Comparison
from comparisons.services import evaluation, writing
from tests.browser.conftest import DEMO, DESKTOP, PHONE, TABLET
from tests.browser.test_public_pages import unfold

PAGE = "/desk/cable-ties/article/"


@pytest.fixture
def drafted(cast):
    """The demo as a draft with its results."""
    comparison = import_study(DEMO)
    evaluation.run_evaluation(comparison)
    return comparison


@pytest.mark.parametrize(("size", "dark"), [(PHONE, False), (TABLET, True), (DESKTOP, False)])
def test_the_page_fits_is_accessible_and_silent(visit, drafted, size, dark):
    with visit(size, dark=dark) as window:
        window.sign_in("planner")
        page = window.open(PAGE)
        unfold(page)
        window.fits()
        window.accessible()
        window.clean()


def test_a_value_and_a_tie_go_in_at_the_cursor_and_the_preview_follows(visit, drafted):
    with visit(DESKTOP) as window:
        window.sign_in("planner")
        page = window.open(PAGE)
        field = page.get_by_label("The article, in Markdown")
        field.fill("It held .\n\nThe broad one is stronger.")
        field.evaluate("field => field.setSelectionRange(8, 8)")
        page.locator("summary", has_text="Insert a value").click()
        picker = page.locator("[data-picker=value]")
        assert picker.get_by_label("Trial").is_hidden()
        picker.get_by_label("What").select_option("summaries/mean")
        picker.get_by_label("Trial").select_option("loop-dry")
        assert picker.get_by_label("Claim").is_hidden()
        assert picker.locator("option[value=flame]").is_disabled()  # it counts what passes
        picker.get_by_label("Product").select_option("brellund")
        picker.locator(".comes-to", has_text="251.6").wait_for()
        picker.get_by_role("button", name="Insert this value").click()
        page.locator(".prose p", has_text=re.compile(r"^It held 251\.6\sN\.$")).wait_for()
        assert field.input_value().startswith("It held [251.6 N](value:summaries/loop-dry/brellund/mean).")

        start = field.input_value().index("The broad one")
        field.evaluate("(field, from) => field.setSelectionRange(from, from + 26)", start)
        page.locator("summary", has_text="Tie a sentence").click()
        tie = page.locator("[data-picker=tie]")
        tie.get_by_label("What the sentence says").select_option("difference/better")
        tie.get_by_label("Trial").select_option("loop-dry")
        tie.get_by_label("Product").select_option("brellund")
        tie.get_by_label("Against").select_option("vantorrel")
        tie.locator(".comes-to.not", has_text="No difference is shown").wait_for()
        with page.expect_response(lambda answer: "article/pick" in answer.url) as told:
            tie.get_by_role("button", name="Insert this tie").click()
        assert told.value.json().keys() == {"why"}
        assert "holds:" not in field.input_value()  # what is not carried does not go in
        tie.get_by_label("Product").select_option("yulbrake")
        tie.locator(".comes-to:not(.not)", has_text="The broad one is stronger").wait_for()
        tie.get_by_role("button", name="Insert this tie").click()
        page.locator(".prose a.tied", has_text="The broad one is stronger").wait_for()
        tied = "[The broad one is stronger.](holds:difference/loop-dry/yulbrake/vantorrel/better)"
        assert tied in field.input_value()
        window.accessible()
        page.get_by_role("button", name="Save", exact=True).click()
        page.get_by_text("Saved.").wait_for()
        assert "value:summaries/loop-dry/brellund/mean" in Comparison.objects.get().article
        window.clean()


def test_a_line_that_stops_is_found_with_one_click(visit, drafted):
    with visit(DESKTOP) as window:
        window.sign_in("planner")
        page = window.open(PAGE)
        field = page.get_by_label("The article, in Markdown")
        field.fill("First.\n\n[It wins](holds:lead/general/vantorrel/clear).")
        page.get_by_role("button", name="Check and show").click()
        page.get_by_text("1 point stops approval and publication").wait_for()
        page.get_by_role("button", name="Line 3").click()
        marked = field.evaluate("f => f.value.slice(f.selectionStart, f.selectionEnd)")
        assert marked == "[It wins](holds:lead/general/vantorrel/clear)."
        page.goto("about:blank")
        page = window.open(f"{PAGE}#line-3")  # as the check page leads here
        assert field.evaluate("f => f.value.slice(0, f.selectionEnd).split('\\n').length") == 3
        window.accessible()
        window.clean()


def test_a_crash_loses_nothing_and_saving_forgets_what_was_kept(visit, drafted):
    with visit(DESKTOP) as window:
        window.sign_in("planner")
        page = window.open(PAGE)
        assert page.get_by_text("kept in this browser alone").is_visible()
        page.get_by_label("The article, in Markdown").fill("Typed, and never sent.")
        page.goto("about:blank")
        page = window.open(PAGE)
        notice = page.locator("[data-kept-notice]")
        assert notice.is_visible()
        window.accessible()
        notice.get_by_role("button", name="Put it into the field").click()
        assert page.get_by_label("The article, in Markdown").input_value() == "Typed, and never sent."
        page.get_by_role("button", name="Save", exact=True).click()
        page.get_by_text("Saved.").wait_for()
        assert Comparison.objects.get().article == "Typed, and never sent."
        assert notice.is_hidden()
        assert page.evaluate("localStorage.length") == 0
        window.clean()


def test_two_at_once_and_the_second_saves_what_both_wrote(visit, drafted, cast):
    with visit(TABLET) as window:
        window.sign_in("planner")
        page = window.open(PAGE)
        writing.save_article(drafted, actor=cast["editor"], text="The other’s text.", seen=writing.seen_of(drafted))
        field = page.get_by_label("The article, in Markdown")
        field.fill("Mine.")
        with page.expect_response(lambda answer: answer.status == 409):
            page.get_by_role("button", name="Save", exact=True).click()
        page.get_by_role("heading", name="editor saved another text").wait_for()
        assert field.input_value() == "Mine."
        window.accessible()
        window.fits()
        field.fill("The other’s text. Mine.")
        page.get_by_role("button", name="Save mine over it").click()
        page.get_by_text("Saved.").wait_for()
        assert Comparison.objects.get().article == "The other’s text. Mine."
        window.wrong = [text for text in window.wrong if "409" not in text]  # Chromium tells of the status itself
        window.clean()


def test_everything_works_without_script(visit, drafted, tmp_path):
    from PIL import Image

    Image.new("RGB", (60, 40), "grey").save(tmp_path / "rig.png")
    with visit(PHONE, script=False) as window:
        window.sign_in("planner")
        page = window.open(PAGE)
        page.get_by_label("The article, in Markdown").fill("It held")
        page.locator("summary", has_text="Insert a value").click()
        picker = page.locator("[data-picker=value]")
        picker.get_by_label("What").select_option("summaries/mean")
        picker.get_by_label("Trial").select_option("loop-dry")
        picker.get_by_label("Product").select_option("brellund")
        picker.get_by_role("button", name="Insert this value").click()
        assert page.get_by_label("The article, in Markdown").input_value().startswith("It held [251.6")
        page.locator("summary", has_text="Insert a picture").click()
        page.get_by_label("Photo").set_input_files(tmp_path / "rig.png")
        page.get_by_label("What it belongs to").select_option(label="loop-dry")
        page.get_by_label("Alternative text").fill("The rig from the side.")
        page.get_by_role("button", name="Store and insert this photo").click()
        assert "![The rig from the side.](files/photos/" in page.get_by_label("The article, in Markdown").input_value()
        assert page.locator(".prose figure img").get_attribute("src").startswith("/desk/cable-ties/files/photos/")
        page.get_by_role("button", name="Save", exact=True).click()
        assert page.get_by_text("Saved.").is_visible()
        window.clean()


@pytest.mark.parametrize("size", [PHONE, DESKTOP])
def test_readers_follow_a_sentence_to_its_table(visit, demo, size):
    with visit(size) as window:
        page = window.open("/c/cable-ties/")
        tie = page.locator(".prose a.tied").first
        target = tie.get_attribute("href")
        tie.click()
        assert page.url.endswith(target)
        assert page.locator(target).is_visible()
        picture = page.locator(".prose figure.picture img")
        picture.scroll_into_view_if_needed()
        assert picture.evaluate("async image => { await image.decode(); return image.naturalWidth; }") > 0
        window.accessible()
        window.fits()
        window.clean()

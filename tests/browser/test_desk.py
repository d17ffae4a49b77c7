"""The desk in a browser: two people take a draft to an edition by clicking."""

from __future__ import annotations

import json

import pytest

from comparisons import jobs
from comparisons.models import Edition
from comparisons.services.record import record
from specimens.models import Purchase
from tests.browser.conftest import DESKTOP, PHONE, TABLET
from tests.browser.test_public_pages import drawn, unfold

PAGES = ("", "results/", "scorecard/", "bench/", "record/")


@pytest.mark.parametrize(("size", "dark"), [(PHONE, False), (DESKTOP, True)])
def test_desk_pages_fit_are_accessible_and_silent(visit, demo, size, dark):
    with visit(size, dark=dark) as window:
        window.sign_in("editor")
        own = (f"/desk/cable-ties/{page}" for page in PAGES)
        for path in ("/desk/", *own, "/desk/search/?q=loop", "/desk/record/"):
            unfold(window.open(path))
            window.fits()
            window.accessible()
        window.clean()


def test_two_people_take_a_change_to_an_edition(visit, strings, cast):
    Purchase.objects.filter(code="p00-shop").update(price="9.00")
    record(cast["bench-member"], "changed a purchase", comparison=strings, changes_draft=True)
    with visit(DESKTOP) as first, visit(TABLET) as second:
        first.sign_in("planner")
        page = first.page
        page.get_by_role("link", name="Evaluate again").click()
        assert page.get_by_text("Stale.").is_visible()
        page.get_by_role("button", name="Evaluate").click()
        page.get_by_role("heading", name="Waiting to be evaluated").wait_for()
        first.accessible()
        jobs.drain()
        # The waiting page looks by itself and shows the results.
        page.get_by_role("heading", name="Evaluated").wait_for()
        page.get_by_role("link", name="Look at what is open, then ask for approval").click()
        page.get_by_label("A note to the editor").fill("A price was wrong.")
        page.get_by_role("button", name="Ask for approval").click()
        page.get_by_role("heading", name="Waits for approval").wait_for()
        assert page.get_by_role("button", name="Approve and publish").count() == 0

        second.sign_in("editor")
        other = second.page
        other.get_by_role("link", name="Decide").click()
        other.get_by_text("A price was wrong.").wait_for()
        second.accessible()
        other.get_by_role("button", name="Return with this reason").click()
        assert other.get_by_role("alert").inner_text() == "Say why you return it, so that it can be put right."
        other.get_by_role("button", name="Approve and publish").click()
        other.get_by_role("heading", name="Approved, being published").wait_for()
        jobs.drain()
        other.get_by_role("heading", name="Published as edition 2").wait_for()
        other.get_by_role("link", name="Published edition").click()
        assert "Edition 2" in other.locator(".opening .kicker").inner_text()
        first.clean()
        second.clean()
    assert Edition.objects.count() == 2


def test_every_step_works_without_script(visit, strings, cast):
    record(cast["bench-member"], "changed something", comparison=strings, changes_draft=True)
    strings.article = "Without script."
    strings.save(update_fields=["article"])
    with visit(PHONE, script=False) as window:
        window.sign_in("planner")
        page = window.page
        page.get_by_role("link", name="Evaluate again").click()
        page.get_by_role("button", name="Evaluate").click()
        jobs.drain()
        page.get_by_role("link", name="Look again").click()
        page.get_by_role("link", name="Look at what is open, then ask for approval").click()
        page.get_by_role("button", name="Ask for approval").click()
        assert page.get_by_role("heading", name="Waits for approval").is_visible()
        page.get_by_role("button", name="Sign out").click()
        window.sign_in("second-editor")
        page.get_by_role("link", name="Decide").click()
        page.get_by_role("button", name="Approve and publish").click()
        jobs.drain()
        page.get_by_role("link", name="Look again").click()
        assert page.get_by_role("heading", name="Published as edition 2").is_visible()
        window.clean()


def test_charts_of_a_draft_draw_its_numbers(visit, demo):
    document = json.loads(demo.standing.evaluation.document)
    with visit(DESKTOP) as window:
        window.sign_in("bench-member")
        page = window.open("/desk/cable-ties/results/")
        (trace,) = drawn(page, "ranking-outdoors")
        card = next(c for c in document["scorecards"] if c["weighting"] == "outdoors")
        assert sorted(trace["x"]) == sorted(r["score"] for r in card["products"] if r["rank"])
        window.clean()

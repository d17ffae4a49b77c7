"""The plan in a browser: from nothing to a frozen plan by clicking, next year, and how the pages look."""

from __future__ import annotations

import pytest

from comparisons.models import Comparison
from comparisons.services import starting
from tests.browser.conftest import DESKTOP, PHONE, TABLET

SIZES = [PHONE, TABLET, DESKTOP]


def fill(page, **values):
    for label, value in values.items():
        page.get_by_label(label.replace("_", " "), exact=False).first.fill(value)


def save(page):
    page.get_by_role("button", name="Save", exact=True).click()


def test_from_an_empty_database_to_a_frozen_plan_by_clicking(cast, visit):
    with visit(DESKTOP) as window:
        window.sign_in("planner")
        page = window.page
        page.get_by_role("link", name="New comparison").click()
        page.get_by_role("link", name="Cable ties").click()
        window.accessible()
        page.get_by_label("Title").fill("Cable ties")
        page.get_by_label("Loop tensile strength, aged").uncheck()
        page.get_by_role("button", name="Start").click()
        page.wait_for_url("**/desk/cable-ties/plan/")
        window.accessible()
        window.fits()
        # what is missing leads to where it is set
        page.get_by_role("link", name="Loop tensile strength: what scores 0 and what scores 100 are not set.").click()
        page.locator("#criteria").get_by_role("link", name="Loop tensile strength").click()
        page.get_by_label("Scores 0").fill("50")
        page.get_by_label("Scores 100").fill("300")
        window.accessible()
        save(page)
        page.wait_for_url("**/plan/#criteria")
        page.locator("#criteria").get_by_role("link", name="Price").click()
        page.get_by_label("Scores 0").fill("1")
        page.get_by_label("Scores 100").fill("0.05")
        save(page)
        page.locator("#decision").get_by_role("link", name="Change").click()
        page.get_by_label("Tie rule").fill("They share the place.")
        save(page)
        page.get_by_role("button", name="Freeze the plan now").click()
        page.get_by_text("The plan is frozen. Later changes need a reason").wait_for()
        assert Comparison.objects.get().plan_frozen_at
        # a change after that asks for its reason, and keeps what was typed
        page.locator("#criteria").get_by_role("link", name="Price").click()
        page.get_by_label("Scores 0").fill("2")
        save(page)
        page.get_by_text("The plan is frozen: write why you change it").wait_for()
        assert page.get_by_label("Scores 0").input_value() == "2"
        page.get_by_label("Why you change it").fill("Shops are dearer than we thought.")
        save(page)
        page.locator("#deviations").get_by_text("Shops are dearer than we thought.").wait_for()
        window.accessible()
        window.wrong = [text for text in window.wrong if "422" not in text]  # the refusal is told as a status, too
        window.clean()


@pytest.fixture
def torches(cast):
    made = starting.start(cast["planner"], title="Torches", question="Which?", currency="EUR", template="led-torch",
                          trials=["to-10", "to-50"])  # fmt: skip
    return made


@pytest.mark.parametrize("size", SIZES, ids=["phone", "tablet", "desktop"])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_pages_fit_are_accessible_and_quiet(cast, visit, demo, size, dark):
    """All pages of the plan at each size, on the demo."""
    prop = demo.parts.get().programme.properties.first()
    trial = demo.parts.get().programme.trials.filter(revision__isnull=False).first()
    addresses = [
        "/desk/new/", "/desk/new/?kind=wood-glue", "/desk/new/?plain", f"/desk/new/?from={demo.slug}",
        f"/desk/{demo.slug}/plan/", f"/desk/{demo.slug}/plan/effort/", f"/desk/{demo.slug}/plan/effort/prices/",
        f"/desk/{demo.slug}/plan/library/", f"/desk/{demo.slug}/plan/trials/{trial.pk}/",
        f"/desk/{demo.slug}/plan/trials/{trial.pk}/absences/", f"/desk/{demo.slug}/plan/trials/{trial.pk}/method/",
        f"/desk/{demo.slug}/plan/properties/{prop.pk}/", f"/desk/{demo.slug}/plan/methods/add/",
        f"/desk/{demo.slug}/plan/criteria/add/", f"/desk/{demo.slug}/plan/weightings/add/",
        f"/desk/{demo.slug}/plan/text/scope/", "/desk/methods/", f"/desk/methods/{trial.revision.method_id}/",
        f"/desk/methods/revision/{trial.revision_id}/",
    ]  # fmt: skip
    with visit(size, dark=dark) as window:
        window.sign_in("planner")
        for address in addresses:
            window.open(address)
            window.fits()
            window.accessible()
        window.clean()


def test_the_calendar_is_drawn_and_its_table_stays_without_script(visit, torches):
    with visit(DESKTOP) as window:
        window.sign_in("planner")
        page = window.open("/desk/torches/plan/effort/")
        page.locator("#calendar").scroll_into_view_if_needed()
        page.locator('figure[data-drawn="yes"]').wait_for()
        assert page.locator(".plot .bars .point").count() == 2
        window.clean()
    with visit(DESKTOP, script=False) as window:
        window.sign_in("planner")
        page = window.open("/desk/torches/plan/effort/")
        assert page.locator("#calendar tbody tr").count() == 2
        assert not page.locator("figure[data-chart]").is_visible()


def test_next_year_by_clicking(visit, demo):
    with visit(DESKTOP) as window:
        window.sign_in("planner")
        page = window.page
        page.get_by_role("link", name="New comparison").click()
        page.get_by_label("Comparison", exact=True).select_option(demo.slug)
        page.get_by_role("button", name="Go on").click()
        page.locator("select[name^=product-]").first.select_option("results")
        page.get_by_label("Title").fill("Cable ties, second year")
        page.get_by_label("Why old and new results").fill("Same stand and gauge.")
        page.get_by_role("button", name="Start").click()
        page.wait_for_url("**/desk/cable-ties-second-year/plan/")
        page.get_by_role("heading", name="Taken over").wait_for()
        window.accessible()
        window.clean()

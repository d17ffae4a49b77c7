"""From an open list to a corrected second edition, a maker's answer, and a gauge found wrong: by clicking only."""

from __future__ import annotations

import re
from datetime import date

import pytest
from playwright.sync_api import expect

from comparisons import jobs
from comparisons.models import Edition
from comparisons.services import evaluation, instruments, makers
from comparisons.services.record import record
from specimens.models import Instrument
from tests.browser.conftest import DESKTOP, PHONE, TABLET
from tests.public.small_study import import_small

pytestmark = pytest.mark.django_db(transaction=True)


def look(window, path: str):
    """Open a page, and hold it against what every page has to be."""
    page = window.open(path)
    window.fits()
    window.accessible()
    return page


def test_reasons_are_written_approval_asked_and_given(cast, visit):
    comparison = import_small()
    evaluation.run_evaluation(comparison)
    with visit(DESKTOP) as window:
        window.sign_in("planner")
        page = look(window, "/desk/strings/check/")
        expect(page.get_by_role("heading", name="7 points are open")).to_be_visible()
        page.get_by_label("One reason for all of these").fill("It is a small example.")
        page.get_by_label(re.compile("Reason for: No calibration of Gauge")).fill("A demo has no certificates.")
        page.get_by_label(re.compile("Reason for: Knots")).fill("The scale of knots is the panel’s own.")
        page.get_by_role("button", name="Save the reasons").first.click()
        expect(page.get_by_text("7 reasons stored.")).to_be_visible()
        jobs.drain()
        page.get_by_role("link", name="Look again").click()
        expect(page.get_by_role("heading", name="Nothing is open")).to_be_visible()
        window.accessible()
        page.get_by_label("A note to the editor").fill("Please read the plan.")
        page.get_by_role("button", name="Ask for approval").click()
        expect(page.get_by_text("An editor is asked to approve this state.")).to_be_visible()
        window.clean()
    with visit(DESKTOP) as window:
        window.sign_in("editor")
        page = look(window, "/desk/strings/")
        page.get_by_role("link", name="What stayed open").click()
        expect(page.get_by_text("A demo has no certificates.")).to_be_visible()
        page.get_by_role("link", name="Approve it, or return it").click()
        page.get_by_role("button", name="Approve and publish").click()
        jobs.drain()
        page = look(window, "/c/strings/")
        expect(page.get_by_text("It is a small example.").first).to_be_visible()
        window.clean()


def test_a_correction_by_clicks(strings, cast, visit):
    strings.article = "# Strings\n\nWe pulled most of them."
    strings.save()
    record(cast["planner"], "wrote the article", comparison=strings, changes_draft=True)
    evaluation.run_evaluation(strings)
    with visit(TABLET) as window:
        window.sign_in("planner")
        page = look(window, "/desk/strings/check/")
        page.get_by_text("This corrects an earlier edition").click()
        page.get_by_label("What was wrong").fill("Not all strings were pulled.")
        page.get_by_label("Why it was wrong").fill("One had no knot.")
        page.get_by_role("button", name="Ask for approval").click()
        expect(page.get_by_role("alert")).to_contain_text("since which edition")  # and nothing typed is lost
        expect(page.get_by_label("What was wrong")).to_have_value("Not all strings were pulled.")
        page.get_by_label("Since which edition").select_option("1")
        page.get_by_role("button", name="Ask for approval").click()
        expect(page.get_by_text("An editor is asked")).to_be_visible()
    with visit(DESKTOP) as window:
        window.sign_in("editor")
        page = look(window, "/desk/strings/")
        expect(page.get_by_text("Not all strings were pulled.")).to_be_visible()
        page.get_by_role("button", name="Approve and publish").click()
        jobs.drain()
        assert Edition.objects.count() == 2
        page = look(window, "/desk/strings/editions/")
        page.get_by_role("link", name="What changed since edition 1").click()
        window.fits()
        window.accessible()
        expect(page.locator("ins").first).to_contain_text("most")
        page = look(window, "/desk/strings/editions/")
        page.locator("summary", has_text="Withdraw edition 1").click()
        page.locator("#reason-1").fill("It said too much.")
        page.get_by_role("button", name="Withdraw edition 1").click()
        expect(page.get_by_text("It said too much.")).to_be_visible()
        page = look(window, "/c/strings/editions/1/")
        expect(page.get_by_text("It said too much.")).to_be_visible()
        expect(page.get_by_text("Not all strings were pulled.").first).to_be_visible()
        window.clean()


def test_a_maker_reads_and_answers_on_a_phone_without_a_script(strings, cast, visit):
    with visit(DESKTOP) as window:
        window.sign_in("editor")
        page = look(window, "/desk/strings/makers/")
        page.get_by_label("To whom it is given").fill("The office")
        page.get_by_role("button", name="Make a link").click()
        window.accessible()
        address = page.locator(".secret").inner_text()
    token = address.rstrip("/").rpartition("/")[2]
    with visit(PHONE, script=False) as window:
        page = window.open(f"/m/{token}/")
        page.get_by_label("Plain text, at most 5000 characters").fill("The string is fine <b>as it is</b>.")
        page.get_by_role("button", name="Send the answer").click()
        expect(page.get_by_text("Your answer is kept.")).to_be_visible()
        expect(page.get_by_text("The string is fine <b>as it is</b>.")).to_be_visible()
    for size, dark in ((PHONE, False), (TABLET, True)):
        with visit(size, dark=dark) as window:
            look(window, f"/m/{token}/")
            window.clean()
    with visit(DESKTOP) as window:
        window.sign_in("editor")
        page = look(window, "/desk/strings/makers/")
        page.locator(".answer-row", has_text="The string is fine").get_by_role("button", name="Publish it").click()
        expect(page.get_by_text("It is published beside the product with the next edition.")).to_be_visible()
        page.get_by_role("button", name="Take it back").click()
        expect(page.get_by_text("The link is taken back")).to_be_visible()
        window.clean()
    assert strings.programmes.get().products.filter(answers__published=True, answers__text__contains="fine").exists()


def test_a_gauge_found_wrong_is_corrected_and_decided(strings, cast, visit):
    gauge = Instrument.objects.get()
    with visit(DESKTOP) as window:
        window.sign_in("editor")
        page = look(window, "/desk/instruments/")
        page.get_by_role("link", name="Gauge, 200 N").click()
        window.accessible()
        page.get_by_role("link", name="Found wrong").click()
        window.accessible()
        page.get_by_label("Wrong since").fill("2026-01-01")
        page.get_by_label("What it showed for a true 1").fill("1.06")
        page.get_by_label("What was found, and how").fill("A dead weight of 50 N read 53 N.")
        page.get_by_role("button", name="Record it").click()
        expect(page.get_by_role("heading", name="Not decided: drafts are held")).to_be_visible()
        window.fits()
        window.accessible()
        page.get_by_text("Correct these readings by a factor").click()
        expect(page.get_by_label("Factor", exact=True)).to_have_value("0.943396")
        page.get_by_label("Why this factor").fill("53 N for 50 N.")
        page.get_by_role("button", name="Correct the readings").click()
        page.get_by_label("What was decided").fill("Corrected by the dead weight.")
        page.get_by_role("button", name="Decide").click()
        expect(page.get_by_role("heading", name="Decided")).to_be_visible()
        window.accessible()
        page = look(window, "/c/strings/")
        expect(page.get_by_text("was found wrong on")).to_be_visible()
        window.clean()
    assert gauge.corrections.count() == 1


@pytest.mark.parametrize("size", [PHONE, TABLET])
@pytest.mark.parametrize("dark", [False, True])
def test_pages_fit_and_can_be_read(strings, cast, visit, size, dark):
    gauge = Instrument.objects.get()
    since = date(2026, 1, 1)
    fault = instruments.record_fault(cast["planner"], gauge, since=since, what="6 % too much.", factor="1.06")
    makers.make_link(strings, strings.programmes.get().products.first(), actor=cast["planner"], note="x" * 200)
    with visit(size, dark=dark) as window:
        window.sign_in("editor")
        for path in (
            "/desk/strings/check/", "/desk/strings/makers/", "/desk/strings/makers/seen/p00/",
            "/desk/strings/editions/", "/desk/strings/editions/1/against/draft/", "/desk/instruments/",
            f"/desk/instruments/{gauge.pk}/",
            f"/desk/instruments/{gauge.pk}/wrong/", f"/desk/instruments/faults/{fault.pk}/", "/desk/instruments/add/",
        ):  # fmt: skip
            look(window, path)
        window.clean()

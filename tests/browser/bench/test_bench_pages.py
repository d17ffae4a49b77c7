"""The bench's pages that the server draws: no barrier, targets for gloves, countdowns, live progress, curves."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.utils import timezone

from specimens.bench import entries
from specimens.models import Attachment, Exposure, Specimen
from tests.bench.staging import make_stage
from tests.bench.test_traces import curve
from tests.browser.conftest import DESKTOP, PASSWORD, PHONE, TABLET

# Links within a sentence are not held to a size (WCAG 2.2, 2.5.8, exception "inline"); on these pages even
# they are 48 px, but for the skip link, which is for keyboards.
SMALL = """() => [...document.querySelectorAll("a, button, summary, select, input:not([type=hidden]), textarea")]
  .filter((one) => one.checkVisibility() && !one.matches(".skip, label input"))
  .map((one) => [one.outerHTML.slice(0, 120), one.getBoundingClientRect()])
  .filter(([, box]) => box.width && (box.height < 48 || box.width < 48))
  .map(([html, box]) => `${html}: ${box.width} x ${box.height}`)"""
LABELS = """() => [...document.querySelectorAll("label.tick")].filter((one) => one.checkVisibility())
  .map((one) => one.getBoundingClientRect()).filter((box) => box.height < 48).length"""


@pytest.fixture
def bench(transactional_db, client):
    """A programme in full swing: planned, measured, conditioned, with a trace and a pair to look at."""
    stage = make_stage()
    for user in stage.people.values():
        user.set_password(PASSWORD)
        user.save()
    places = stage.plan("force", per_specimen="150", per_specimen_unit="mm")
    stage.plan("edge", raters=["bea", "ben"])
    aged = stage.plan("aged")
    sent = [stage.entry("force", place.specimen, f"{40 + i}") for i, place in enumerate(places[:5])]
    entries.submit(stage.people["bench"], "tablet-1", [*sent, stage.entry("force", places[6].specimen, "no number")])
    entries.submit(stage.people["other"], "tablet-2", [stage.entry("force", places[0].specimen, "60")])
    now = timezone.now()
    for place, began, ended in ((aged[0], 100, None), (aged[1], 10, None), (aged[2], 100, 26)):
        Exposure.objects.create(
            specimen=place.specimen, condition=stage.trials["aged"].condition, chamber=f"oven {began}-{ended}",
            started_at=now - timedelta(hours=began), ended_at=now - timedelta(hours=ended) if ended else None,
        )  # fmt: skip
    from django.core.files.uploadedfile import SimpleUploadedFile

    client.force_login(stage.people["bench"], backend="django.contrib.auth.backends.ModelBackend")
    page = f"/bench/traces/{stage.programme.slug}/force/"
    body = {"specimen": places[7].specimen.blind_code, "file": SimpleUploadedFile("c.csv", curve())}
    client.post(page, body)
    return stage


def pages(stage) -> list[str]:
    slug = stage.programme.slug
    trace = Attachment.objects.get(kind="trace").pk
    return [
        "/bench/", f"/bench/plan/{slug}/force/", f"/bench/plan/{slug}/edge/", f"/bench/plan/{slug}/peel/",
        f"/bench/plan/{slug}/force/labels/", f"/bench/plan/{slug}/force/sheet/", f"/bench/cut/{slug}/",
        "/bench/conditioning/", "/bench/conditioning/past/", f"/bench/progress/{slug}/", f"/bench/traces/{slug}/force/",
        f"/bench/traces/{slug}/force/{trace}/?rule=mean_window&start=40&stop=60",
    ]  # fmt: skip


def signed_in(window, name):
    """Who works at the bench alone lands there, a planner at the desk."""
    page = window.open("/sign-in/")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url("**/bench/" if name == "bea" else "**/desk/")
    return window


@pytest.mark.parametrize(
    ("size", "dark"), [(TABLET, False), (TABLET, True), (PHONE, False), (DESKTOP, False)],
    ids=["tablet", "dark tablet", "phone", "desktop"],
)  # fmt: skip
def test_no_page_has_a_barrier_or_a_small_target(visit, bench, size, dark):
    with visit(size, dark=dark) as window:
        signed_in(window, "pat")
        for path in pages(bench):
            page = window.open(path)
            for summary in page.locator("summary").all():
                summary.click()
            window.accessible()
            if "/labels/" not in path or size == TABLET:  # a sheet of labels has the width of paper
                window.fits()
            assert page.evaluate(SMALL) == [], path
            assert page.evaluate(LABELS) == 0, path
        window.clean()


def test_pages_work_without_script(visit, bench):
    with visit(TABLET, script=False) as window:
        signed_in(window, "pat")
        for path in pages(bench):
            window.open(path)
        page = window.open(f"/bench/plan/{bench.programme.slug}/holds/")
        page.get_by_label("Specimens of each unit").fill("1")
        page.get_by_role("button", name="Work out").click()
        assert page.get_by_role("button", name="Make 6 specimens").is_visible()
        assert not Specimen.objects.filter(places__trial=bench.trials["holds"]).exists()
        page.get_by_role("button", name="Make 6 specimens").click()
        page.get_by_text("Planned: 6 specimens").wait_for()
        assert Specimen.objects.filter(places__trial=bench.trials["holds"]).count() == 6


def test_a_countdown_survives_a_reload_a_wrong_clock_and_a_sleep(visit, bench):
    with visit(TABLET) as window:
        page = window.page
        page.clock.install()
        signed_in(window, "bea")
        page = window.open("/bench/conditioning/")
        due = page.locator("tr.running [data-due]")
        assert re.fullmatch(r"in 2 d 1[34] h", due.inner_text())
        page.clock.fast_forward("05:00:00")  # the tablet slept for five hours
        page.wait_for_function("document.querySelector('tr.running [data-due]').textContent.match(/in 2 d [89] h/)")
        page.clock.set_system_time(timezone.now() + timedelta(days=40))  # and woke with a wrong clock
        page = window.open("/bench/conditioning/")
        assert re.fullmatch(r"in 2 d 1[34] h", page.locator("tr.running [data-due]").inner_text())
        assert re.fullmatch(r"1 d [34] h ago", page.locator("tr.overdue [data-due]").inner_text())
        window.clean()


def test_progress_is_live_without_a_reload(visit, bench):
    with visit(DESKTOP) as window:
        signed_in(window, "pat")
        page = window.open(f"/bench/progress/{bench.programme.slug}/")
        page.evaluate("window.still = true")
        left = bench.bench("force").trial.places.exclude(specimen__readings__isnull=False).first()
        entries.submit(bench.people["other"], "tablet-2", [bench.entry("force", left.specimen, "47.25")])
        page.get_by_role("cell", name="47.25 N").wait_for(timeout=15_000)
        assert page.evaluate("window.still"), "the page was not loaded anew"
        window.clean()


def test_the_curve_is_drawn_by_plotly_only_where_a_trace_is_shown(visit, bench):
    with visit(TABLET) as window:
        asked = []
        window.page.on("request", lambda request: asked.append(request.url))
        signed_in(window, "bea")
        for path in pages(bench)[:-1]:
            window.open(path)
        assert not [url for url in asked if "plotly" in url]
        page = window.open(pages(bench)[-1])
        page.locator("figure.chart[data-drawn] svg").first.wait_for()
        assert [url for url in asked if "plotly" in url]
        window.accessible()
        window.clean()


def test_a_trace_is_adjusted_with_its_reason_by_tapping(visit, bench):
    with visit(TABLET) as window:
        signed_in(window, "bea")
        page = window.open(pages(bench)[-1])
        page.get_by_role("button", name="Store 30").click()
        page.get_by_text("Stored as b-").wait_for()
        page.locator("a.trial").first.click()
        page.get_by_label("Window from").fill("45")
        page.get_by_role("button", name="Show what this takes").click()
        page.get_by_text("This differs from it: say why below.").wait_for()
        page.get_by_label("Why this differs").fill("a knot at 42 mm")
        page.get_by_role("button", name="Store 30").click()
        page.get_by_text("Stored as b-").wait_for()
        window.clean()

"""Times that are typed at the bench are those of the clock on the wall, in summer and in winter."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from specimens.models import Exposure
from tests.bench.staging import make_stage
from tests.browser.conftest import PASSWORD, TABLET, Visit


@pytest.mark.parametrize(
    ("typed", "zone", "meant"),
    [
        ("2026-07-01T12:00", "Europe/Vienna", "2026-07-01T10:00"),  # summer time, two hours ahead
        ("2026-01-15T12:00", "Europe/Vienna", "2026-01-15T11:00"),
        ("2026-07-01T12:00", "America/St_Johns", "2026-07-01T14:30"),  # two and a half behind
    ],
)  # fmt: skip
def test_a_time_is_taken_in_the_zone_of_who_types_it(chromium, transactional_db, live_server, typed, zone, meant):
    """The zones' rules are those of the tz database, as the browser knows them."""
    stage = make_stage()
    stage.people["bench"].set_password(PASSWORD)
    stage.people["bench"].save()
    Exposure.objects.create(
        specimen=stage.plan("aged")[0].specimen, condition=stage.trials["aged"].condition,
        started_at=datetime(2026, 1, 1, tzinfo=UTC), ended_at=datetime(2026, 8, 1, 9, 5, tzinfo=UTC), chamber="oven-1",
    )  # fmt: skip
    context = chromium.new_context(viewport={"width": TABLET[0], "height": TABLET[1]}, timezone_id=zone)
    try:
        window = Visit(context.new_page(), live_server.url)
        window.sign_in("bea")
        page = window.open("/bench/conditioning/past/")
        shown = page.locator("time[data-local]").nth(1)
        assert shown.text_content() == ("1 Aug 11:05" if zone == "Europe/Vienna" else "1 Aug 06:35")
        assert shown.get_attribute("title").endswith("UTC")
        page.get_by_text("Put the times right").click()
        page.get_by_label("Really in, by your clock").fill(typed)
        page.get_by_label("Why it is changed").fill("the day was mistyped")
        page.get_by_role("button", name="Put right").click()
        page.get_by_text("are put right").wait_for()
        window.clean()
    finally:
        context.close()
    assert Exposure.objects.get().started_at == datetime.fromisoformat(meant).replace(tzinfo=UTC)


def test_without_script_times_are_in_utc_and_say_so(visit, transactional_db):
    stage = make_stage()
    stage.people["bench"].set_password(PASSWORD)
    stage.people["bench"].save()
    stage.plan("aged")
    with visit(TABLET, script=False) as window:
        window.sign_in("bea")
        page = window.open("/bench/conditioning/")
        assert page.get_by_label("When, in UTC").count() == 1

"""Exposures that were entered wrongly: put right with a reason, and what was there before stays on the record."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from django.test import Client

from comparisons.models import Deviation, Event
from comparisons.services.record import last_draft_event
from specimens.bench import board, corrections
from specimens.bench.errors import Refused
from specimens.models import Exposure, Stay
from tests.bench.test_conditioning import NOON, drop, log_of, oven, put_in, take_out  # noqa: F401

LATER = NOON + timedelta(hours=8)


@pytest.fixture
def out(stage, oven):  # noqa: F811
    """A batch that was in for 80 h by what was typed, where 72 h were planned."""
    condition, specimens = oven
    made = put_in(stage, condition, specimens, chamber="oven-1")
    take_out(stage, made, 80)
    return list(Exposure.objects.select_related("specimen", "condition").order_by("pk"))


def right(stage, rows, reason="the start was typed for the day before", **times):
    wanted = corrections.Correction(stage.programme, rows, reason, "bea", **times)
    return corrections.correct(wanted, actor=stage.people["bench"])


def at(moment: datetime) -> tuple[datetime, str]:
    return moment, moment.isoformat()


def test_a_wrong_start_is_put_right_and_the_first_one_stays_on_the_record(stage, out):
    text = right(stage, out, started=at(LATER))
    assert "4 specimens are put right" in text and "Departure" not in text
    assert {(row.started_at, row.ended_at) for row in Exposure.objects.all()} == {(LATER, NOON + timedelta(hours=80))}
    assert {stay.departure for stay in Stay.objects.all()} == {""}, "72 h planned and done"
    event = Event.objects.get(verb="corrected an exposure")
    assert [one["started_at"] for one in event.before] == [NOON.isoformat()] * 4
    assert [one["started_at"] for one in event.after] == [LATER.isoformat()] * 4
    assert {one["departure"] for one in event.before} == {"72 h planned, 80 h done"}
    assert (event.why, event.actor, event.code) == (
        "the start was typed for the day before", stage.people["bench"], "oven",
    )  # fmt: skip


def test_readers_see_the_departure_and_that_it_was_put_right(stage, out):
    right(stage, out, started=at(LATER))
    first, second = Deviation.objects.order_by("pk")
    assert (first.before, first.after) == ("72 h", "80 h done")
    assert (second.before, second.after) == ("72 h planned, 80 h done", "as planned")
    assert "put right for 4 specimens" in second.what


def test_a_correction_makes_results_stale(stage, out):
    before = last_draft_event(Deviation.objects.first().comparison)
    right(stage, out[:1], ended=at(NOON + timedelta(hours=90)))
    assert last_draft_event(Deviation.objects.first().comparison) > before
    assert sorted(stay.departure for stay in Stay.objects.all()) == [
        *["72 h planned, 80 h done"] * 3, "72 h planned, 90 h done",
    ]  # fmt: skip


def test_what_did_not_go_in_after_all_is_taken_back(stage, out):
    text = right(stage, out[:2], reason="another batch was scanned", never=True)
    assert "2 specimens did not go in" in text
    assert Exposure.objects.count() == 2 and Stay.objects.count() == 2
    event = Event.objects.get(verb="took an exposure back")
    assert (len(event.before), event.after, event.changes_draft) == (2, None, True)
    assert event.before[0]["chamber"] == "oven-1"
    assert Deviation.objects.order_by("-pk").first().after == "did not go in"
    waiting = {code for group in board.to_start() for code, _ in group.specimens}
    assert {row.specimen.blind_code for row in out[:2]} <= waiting, "they can go in now"


def test_the_range_of_the_chambers_log_is_taken_anew(stage, out):
    """The oven was at 20 degrees for eight hours before they really went in."""
    # a quarter of an hour a row
    data = log_of(82, NOON, value=lambda i: 20 if i < 32 else 70, form="%d.%m.%Y %H:%M")
    drop(stage, out, data)
    assert str(Exposure.objects.first().actual_low) == "20.00"
    right(stage, out, started=at(LATER))
    row = Exposure.objects.select_related("stay").first()
    assert (str(row.actual_low), str(row.actual_high), row.stay.departure) == ("70.00", "70.00", "")


def test_a_log_with_a_clock_of_its_own_is_read_as_it_was(stage, out):
    drop(stage, out, log_of(82, NOON + timedelta(hours=2), value=lambda i: 20 if i < 32 else 70), hours_ahead=2.0)
    right(stage, out, started=at(LATER))
    assert str(Exposure.objects.first().actual_low) == "70.00"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"reason": " "}, "Say why"), ({}, "Type the right start"),
        ({"started": at(NOON + timedelta(hours=81))}, "before its start"),
        ({"ended": at(datetime(2199, 1, 1, tzinfo=UTC))}, "in the future"),
        ({"ended": at(NOON - timedelta(hours=1))}, "before its start"),
    ],
)  # fmt: skip
def test_what_makes_no_sense_changes_nothing(stage, out, change, says):
    with pytest.raises(Refused, match=says):
        right(stage, out, **change)
    assert {row.started_at for row in Exposure.objects.all()} == {NOON}
    assert not Event.objects.filter(verb="corrected an exposure").exists()


def test_the_end_of_what_is_still_inside_is_no_correction(stage, oven):  # noqa: F811
    condition, specimens = oven
    made = put_in(stage, condition, specimens)
    with pytest.raises(Refused, match="still inside"):
        right(stage, made, ended=at(NOON + timedelta(hours=1)))
    right(stage, made, started=at(LATER))
    assert {(row.started_at, row.ended_at) for row in Exposure.objects.all()} == {(LATER, None)}


def test_nothing_is_in_two_chambers_at_a_time(stage, out):
    later = NOON + timedelta(hours=100)
    again = put_in(stage, out[0].condition, [out[0].specimen], at=later)
    with pytest.raises(Refused, match="in another exposure at that time"):
        right(stage, again, started=at(NOON + timedelta(hours=40)))
    with pytest.raises(Refused, match="in another exposure at that time"):
        right(stage, out[:1], ended=at(later + timedelta(hours=1)))
    right(stage, out[1:], ended=at(later + timedelta(hours=1)))


def test_it_is_done_on_a_page_in_the_zone_that_its_script_names(stage, out):
    client = Client()
    client.force_login(stage.people["bench"], backend="django.contrib.auth.backends.ModelBackend")
    page = client.get("/bench/conditioning/past/")
    assert [len(batch.exposures) for batch in page.context["batches"]] == [4]
    assert "Put the times right" in page.content.decode()
    body = {
        "exposure": [row.pk for row in out], "started": "2026-03-10T22:00", "started_zone": "+02:00", "ended": "",
        "reason": "mistyped", "back": "past",
    }  # fmt: skip
    page = client.post("/bench/conditioning/correct/", body, follow=True)
    assert "put right" in str(next(iter(page.context["messages"])))
    assert {row.started_at for row in Exposure.objects.all()} == {LATER}
    page = client.post("/bench/conditioning/correct/", body | {"started_zone": "+99"}, follow=True)
    assert "is no time" in str(next(iter(page.context["messages"])))


def test_batches_that_are_over_are_told_page_by_page(stage, oven, monkeypatch):  # noqa: F811
    monkeypatch.setattr(board, "MOST_PAST", 2)
    condition, specimens = oven
    for i, specimen in enumerate(specimens):
        made = put_in(stage, condition, [specimen], at=NOON - timedelta(hours=i))
        take_out(stage, made, 72 - i)
    seen, until = [], None
    for _ in range(2):
        batches, until = board.over(until)
        seen += [batch.codes for batch in batches]
    assert until is None
    assert seen == [[specimen.blind_code] for specimen in specimens]

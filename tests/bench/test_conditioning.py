"""Conditioning: batches in and out, departures that record themselves, chamber logs, the board."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from django.utils import timezone

from comparisons.models import Comparison, ComparisonProgramme, Deviation, Event
from specimens.bench import board, chamber_logs, exposures
from specimens.bench.errors import Refused
from specimens.fields import Number
from specimens.models import ChamberLog, Exposure, Stay

NOON = datetime(2026, 3, 10, 12, tzinfo=UTC)


@pytest.fixture
def oven(stage):
    """The condition, and four planned specimens."""
    places = stage.plan("aged")
    frozen = Comparison.objects.create(
        slug="frozen", title="Clamps", question="Which?", currency="EUR", plan_frozen_at=NOON
    )
    ComparisonProgramme.objects.create(comparison=frozen, programme=stage.programme)
    return stage.trials["aged"].condition, [place.specimen for place in places[:4]]


def put_in(stage, condition, specimens, at=NOON, confirmed=True, **more):
    batch = exposures.Start(
        stage.programme, condition, specimens, at, at.isoformat(), "bea", confirmed=confirmed, **more
    )
    return exposures.start(batch, actor=stage.people["bench"])


def take_out(stage, made, hours, **more):
    at = NOON + timedelta(hours=hours)
    return exposures.end(
        exposures.End(stage.programme, made, at, at.isoformat(), "ben", **more), actor=stage.people["other"]
    )


def test_a_batch_goes_in_and_comes_out_with_who_when_and_where(stage, oven):
    condition, specimens = oven
    made = put_in(stage, condition, specimens, chamber="oven-1", set_point=Number("70"), set_point_unit="degC")
    assert take_out(stage, made, 72) == []
    row = Exposure.objects.first()
    assert (row.started_at, row.ended_at, row.chamber) == (NOON, NOON + timedelta(hours=72), "oven-1")
    assert (row.stay.started_by, row.stay.ended_by, row.stay.departure) == ("bea", "ben", "")
    assert not Deviation.objects.exists()
    started = Event.objects.get(verb="started an exposure")
    assert started.after["cautions_confirmed"], "that the cautions were confirmed is on the record"
    assert len(started.after["specimens"]) == 4


def test_the_departure_from_plan_records_itself(stage, oven):
    """72 h planned, 80 h done."""
    condition, specimens = oven
    told = take_out(stage, put_in(stage, condition, specimens), 80, reason="the key was lost")
    assert told == ["72 h planned, 80 h done"]
    assert {stay.departure for stay in Stay.objects.all()} == {"72 h planned, 80 h done"}
    deviation = Deviation.objects.get()  # one for the four of them
    assert (deviation.before, deviation.after, deviation.why) == ("72 h", "80 h done", "the key was lost")
    assert deviation.what.startswith("condition oven, 4 specimens: ")
    assert all(one.code in deviation.what for one in specimens)
    assert (deviation.by, deviation.at) == ("ben", NOON + timedelta(hours=80))


@pytest.mark.parametrize(("hours", "departs"), [(72, False), (73, False), (71, False), (73.5, True), (70.5, True)])
def test_what_is_as_planned_within_two_percent_is_no_departure(stage, oven, hours, departs):
    condition, specimens = oven
    assert bool(take_out(stage, put_in(stage, condition, specimens), hours)) == departs


def test_a_set_point_and_a_range_that_miss_the_planned_temperature_are_departures(stage, oven):
    condition, specimens = oven
    made = put_in(stage, condition, specimens, set_point=Number("160"), set_point_unit="degF")
    told = take_out(stage, made, 72, low=Number("70.5"), high=Number("72"), unit="degC")
    assert told == ["70 °C planned, set to 160 °F; 70 °C planned, 70.5 to 72 °C logged"]


def test_a_set_point_in_another_unit_that_means_the_same_is_none(stage, oven):
    """158 degF are 70 degC exactly."""
    condition, specimens = oven
    made = put_in(stage, condition, specimens, set_point=Number("158"), set_point_unit="degF")
    assert take_out(stage, made, 72, low=Number("157"), high=Number("159.5"), unit="degF") == []
    row = Exposure.objects.first()
    assert (str(row.actual_low), str(row.actual_high), row.actual_unit) == ("157", "159.5", "degF")


def test_cautions_come_before_hot_work(stage, oven):
    condition, specimens = oven
    with pytest.raises(Refused, match="Read the cautions"):
        put_in(stage, condition, specimens, confirmed=False)
    assert not Exposure.objects.exists()


def test_what_makes_no_sense_is_refused_whole(stage, oven):
    condition, specimens = oven
    made = put_in(stage, condition, specimens[:2])
    with pytest.raises(Refused, match="In another exposure still"):
        put_in(stage, condition, specimens[1:], at=NOON + timedelta(hours=1))
    with pytest.raises(Refused, match="lies before the start"):
        take_out(stage, made, -1)
    with pytest.raises(Refused, match="future"):
        put_in(stage, condition, specimens[2:], at=timezone.now() + timedelta(hours=1))
    with pytest.raises(Refused, match="exchange them"):
        take_out(stage, made, 72, low=Number("80"), high=Number("70"), unit="degC")
    with pytest.raises(Refused, match="Choose the specimens"):
        put_in(stage, condition, [])
    assert Exposure.objects.count() == 2
    take_out(stage, made, 72)
    with pytest.raises(Refused, match="Out already"):
        take_out(stage, made, 75)
    assert {row.ended_at for row in Exposure.objects.all()} == {NOON + timedelta(hours=72)}


def test_tablets_start_and_end_exposures_too(stage, send, oven):
    condition, specimens = oven
    labels = [one.blind_code for one in specimens]
    start = stage.other("exposure_start", "aged", specimens=labels, chamber="oven-2", confirmed=True)
    start["made_at"] = (timezone.now() - timedelta(hours=80)).isoformat()
    assert send(start, start)[0]["status"] == "stored"
    end = stage.other("exposure_end", "aged", specimens=labels, actual_low="69", actual_high="71", reason="late")
    (answer,) = send(end)
    assert answer["departures"] == ["72 h planned, 80 h done"]
    assert send(start, end)[1]["status"] == "already"
    assert Exposure.objects.filter(ended_at__isnull=False, actual_low="69").count() == 4
    without = stage.other("exposure_start", "aged", specimens=labels, chamber="oven-2")
    assert "cautions" in send(without)[0]["text"]


# --- the board


def states(now):
    return [(batch.state, batch.due_at) for batch in board.batches(now)]


def test_the_board_says_what_is_due_now_next_and_overdue(stage, oven):
    condition, specimens = oven
    made = put_in(stage, condition, specimens)
    due = NOON + timedelta(hours=72)
    assert states(NOON + timedelta(hours=1)) == [("running", due)]
    assert states(due - timedelta(minutes=10)) == [("due", due)]
    assert states(due + timedelta(minutes=30)) == [("due", due)], "within what counts as planned"
    assert states(due + timedelta(hours=3)) == [("overdue", due)]
    take_out(stage, made, 72)
    assert states(due + timedelta(hours=1)) == [("recovering", due + timedelta(hours=24))]
    assert states(due + timedelta(hours=30)) == [("ready", due + timedelta(hours=48))]
    assert states(due + timedelta(hours=50)) == [("late", due + timedelta(hours=48))]


def test_what_is_measured_asks_for_nothing(stage, send, oven):
    condition, specimens = oven
    made = put_in(stage, condition, specimens[:1])
    take_out(stage, made, 72)
    send(stage.entry("aged", specimens[0]))
    (batch,) = board.batches(NOON + timedelta(hours=73))
    assert (batch.state, batch.due_at, batch.waiting) == ("done", None, 0)
    assert board.batches(NOON + timedelta(days=30)) == [], "and leaves the board in time"


def test_the_most_urgent_comes_first(stage, oven):
    condition, specimens = oven
    put_in(stage, condition, specimens[:1], at=NOON + timedelta(hours=20), chamber="b")
    put_in(stage, condition, specimens[1:2], at=NOON, chamber="a")
    put_in(stage, condition, specimens[2:3], at=NOON + timedelta(hours=10), chamber="c")
    found = board.batches(NOON + timedelta(hours=76))
    assert [(batch.chamber, batch.state) for batch in found] == [("a", "overdue"), ("c", "running"), ("b", "running")]


def test_what_has_not_gone_in_waits_with_its_cautions(stage, oven):
    condition, specimens = oven
    put_in(stage, condition, specimens)
    (group,) = board.to_start()
    assert len(group.specimens) == 12 - 4
    assert group.cautions == [stage.revision.cautions]
    assert group.planned == "72 h at 70 degC in air, fan oven, recovery 24 h"


# --- a chamber's own log


ISO = "%Y-%m-%d %H:%M:%S"


def log_of(hours, start=NOON, heading="Time;Temperature (°C)\n", form=ISO, mark=",", value=None) -> bytes:
    """A row each quarter of an hour, by default from 69 to 71."""
    rows = []
    for i in range(hours * 4 + 1):
        number = value(i) if value else 70 + (i % 9 - 4) / 4
        shown = f"{number:.2f}".replace(".", mark)
        rows.append(f"{(start + timedelta(minutes=15 * i)).strftime(form)};{shown}")
    return (heading + "\n".join(rows) + "\n").encode()


def drop(stage, made, data, **more):
    return chamber_logs.drop_in(
        stage.programme, made, data, name="oven.csv", **{"unit": "", "hours_ahead": 0.0, **more},
        actor=stage.people["bench"],
    )  # fmt: skip


def test_a_log_gives_the_range_that_the_specimens_really_saw(stage, oven):
    condition, specimens = oven
    made = put_in(stage, condition, specimens)
    take_out(stage, made, 72)
    # hotter before they went in and after they came out
    data = log_of(80, NOON - timedelta(hours=2), value=lambda i: 90 if i < 8 or i > 296 else 70 + (i % 9 - 4) / 4)
    text = drop(stage, list(Exposure.objects.select_related("condition", "specimen")), data)
    assert "69.00 to 71.00" in text
    row = Exposure.objects.select_related("stay__log").first()
    assert (str(row.actual_low), str(row.actual_high), row.actual_unit) == ("69.00", "71.00", "°C")
    assert (row.stay.log.rows, row.stay.departure) == (321, "")
    with ChamberLog.objects.get().content.open("rb") as kept:
        assert kept.read() == data, "the log is kept as it came"


def test_a_log_that_misses_the_planned_temperature_is_a_departure(stage, oven):
    condition, specimens = oven
    made = put_in(stage, condition, specimens)
    take_out(stage, made, 72)
    rows = list(Exposure.objects.select_related("condition", "specimen"))
    text = drop(stage, rows, log_of(72, value=lambda i: 62 + i % 3))
    assert "Departure from plan noted: 70 °C planned, 62.00 to 64.00 °C logged." in text
    assert Deviation.objects.get().after == "62.00 to 64.00 °C logged"
    drop(stage, rows, log_of(72, value=lambda i: 62 + i % 3))
    assert Deviation.objects.count() == 1, "the same again is no second one"


@pytest.mark.parametrize(
    ("data", "more"),
    [
        (b"\xef\xbb\xbf" + log_of(73), {}),
        (log_of(73, heading="date;temp\n"), {"unit": "degC"}),
        (log_of(73, form="%d.%m.%Y %H:%M"), {}),
        (log_of(73, heading="").replace(b";", b"\t"), {"unit": "degC"}),
        (log_of(73, mark=".").replace(b";", b","), {"unit": "degC"}),
        (log_of(73, start=NOON + timedelta(hours=2)), {"hours_ahead": 2.0}),
        (log_of(73, form="%Y-%m-%dT%H:%M:%S+00:00"), {}),
        (log_of(73, form="%Y/%m/%d %H:%M").decode().encode("utf-16"), {}),
        (log_of(73, heading='Oven "7;x\nTime;Temperature (°C)\n'), {}),
        (log_of(73, heading="note\n" * 600 + "Time;Temperature (°C)\n"), {}),
    ],
    ids=[
        "marked", "unit asked", "dots", "tabs", "commas", "clock ahead", "iso", "utf-16", "open quotation",
        "a long head",
    ],
)
def test_logs_as_chambers_write_them(stage, oven, data, more):
    condition, specimens = oven
    made = put_in(stage, condition, specimens)
    take_out(stage, made, 72)
    text = drop(stage, list(Exposure.objects.select_related("condition", "specimen")), data, **more)
    assert "69.00 to 71.00" in text


@pytest.mark.parametrize(
    ("data", "more", "says"),
    [
        (b"", {}, "no rows of a time and a value"),
        (b"Time;Temperature\n2026-03-10 12:00;70\n", {}, "two at least"),
        (bytes(range(256)) * 40, {}, "no text"),
        (b"x" * 5_000_001, {}, "at most 5 MB"),
        (log_of(73, heading="Time;Reading\n"), {}, "in which unit"),
        (log_of(73, heading="Time;Reading\n"), {"unit": "N"}, "expected degC"),
        (log_of(73, heading="Time;Reading\n"), {"unit": "parsnip"}, "expected degC"),
        (log_of(10, start=NOON - timedelta(days=9)), {}, "Is its clock right"),
        (b"t;a;b\n2026-03-10 12:00;70;71\n2026-03-10 12:15;70;71\n", {"unit": "degC"}, "no one column"),
        (b"t;temp\n2026-03-10 12:00;70\n2026-03-10 12:15;hot\n", {"unit": "degC"}, "Line 3 of the log: found “hot”"),
        (b"t;temp\n2026-03-10 12:00;70\n2026-03-10 12:15;1e400\n", {"unit": "degC"}, "Line 3 of the log"),
        (b"t;temp\n2026-03-10 12:00;70\n2026-03-10 12:15;" + b"7" * 9_000, {"unit": "degC"}, "Line 3 of the log"),
        (b"t;temp\n2026-03-10 12:00;" + b"7" * 200_000, {"unit": "degC"}, "out of all proportion"),
    ],
)
def test_logs_that_are_none_are_refused_in_one_line(stage, oven, data, more, says):
    condition, specimens = oven
    put_in(stage, condition, specimens)
    with pytest.raises(Refused) as refusal:
        drop(stage, list(Exposure.objects.select_related("condition")), data, **more)
    assert says in str(refusal.value)
    assert "\n" not in str(refusal.value) and len(str(refusal.value)) < 300
    assert not ChamberLog.objects.exists()


def test_a_chamber_without_a_temperature_has_a_unit_of_its_own(stage, oven):
    """A climate of 93 % relative humidity has no temperature to go by: no unit is guessed for it."""
    condition, _ = oven
    condition.temperature, condition.temperature_unit = None, ""
    assert exposures.set_point({"set_point": "93", "set_point_unit": "percent"}, condition) == (Number("93"), "percent")
    low, high, unit = exposures.actual({"actual_low": "91", "actual_high": "95", "actual_unit": "%"}, condition)
    assert (low, high, unit) == (Number("91"), Number("95"), "%")
    for typed, says in (("", "in which unit"), ("parsnip", "expected one such as degC or percent")):
        with pytest.raises(Refused, match=says):
            exposures.set_point({"set_point": "93", "set_point_unit": typed}, condition)
    condition.temperature_unit = "degC"
    with pytest.raises(Refused, match="does not fit"):
        exposures.set_point({"set_point": "93", "set_point_unit": "percent"}, condition)

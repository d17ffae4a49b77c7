"""The calendar of what is due: well formed by RFC 5545, and for its owner alone."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from urllib.parse import urlsplit

import pytest
from django.utils import timezone

from specimens.bench import calendar as calendars
from specimens.models import Exposure

DATE_TIME = re.compile(r"[0-9]{8}T[0-9]{6}Z")  # RFC 5545, 3.3.5, form 2: UTC
DURATION = re.compile(r"[+-]?P(?:[0-9]+W|(?:[0-9]+D)?(?:T(?:[0-9]+H)?(?:[0-9]+M)?(?:[0-9]+S)?)?)")  # 3.3.6
NAME = re.compile(r"[A-Za-z0-9-]+")  # 3.1: iana-token or x-name


def unfolded(data: bytes) -> list[str]:
    """Content lines, after the rules of 3.1: CRLF, no line above 75 octets, folds begin with a space or tab."""
    assert data.endswith(b"\r\n")
    physical = data[:-2].split(b"\r\n")
    assert not any(b"\n" in line or b"\r" in line for line in physical)
    assert max(map(len, physical)) <= 75
    lines: list[bytes] = []
    for line in physical:
        if line[:1] in (b" ", b"\t"):
            lines[-1] += line[1:]
        else:
            lines.append(line)
    return [line.decode() for line in lines]  # 3.1.4: UTF-8, also where a fold cut between characters


def parsed(data: bytes) -> dict:
    """Components as (name, properties, inner components), checked for nesting and form."""
    root = ("", {}, [])
    stack = [root]
    for line in unfolded(data):
        name, _, value = line.partition(":")
        name, *parameters = name.split(";")
        assert NAME.fullmatch(name) and all("=" in parameter for parameter in parameters), line
        if name == "BEGIN":
            stack.append((value, {}, []))
            stack[-2][2].append(stack[-1])
        elif name == "END":
            assert stack.pop()[0] == value
        else:
            stack[-1][1].setdefault(name, []).append(value)
    assert len(stack) == 1
    return root[2]


def text(value: str) -> str:
    """A TEXT value (3.3.11): backslash, semicolon and comma are escaped, and nothing else is."""
    bare = re.sub(r"\\[\\;,nN]", "", value)
    assert not re.search(r"[\\;,\n]", bare), value
    return re.sub(r"\\([\\;,])", r"\1", value).replace("\\n", "\n")


@pytest.fixture
def exposed(stage):
    """A batch inside, one that recovers, both with names that need escaping and folding."""
    places = stage.plan("aged")
    condition = stage.trials["aged"].condition
    condition.name = "72 h; 70 °C, in the big oven " + "ö" * 60 + "\\ end"
    condition.save()
    now = timezone.now().replace(microsecond=0)
    for place, began, ended in ((places[0], 10, None), (places[1], 10, None), (places[2], 80, 8)):
        Exposure.objects.create(
            specimen=place.specimen, condition=condition, chamber="oven, left", started_at=now - timedelta(hours=began),
            ended_at=now - timedelta(hours=ended) if ended else None,
        )  # fmt: skip
    return stage, now


def test_it_is_well_formed_by_rfc_5545(exposed):
    _, now = exposed
    ((name, calendar, events),) = parsed(calendars.build(now))
    assert name == "VCALENDAR"
    assert calendar["VERSION"] == ["2.0"] and len(calendar["PRODID"]) == 1  # 3.6: both once
    assert len(events) == 2
    for kind, event, alarms in events:
        assert kind == "VEVENT"
        for once in ("UID", "DTSTAMP", "DTSTART", "SUMMARY"):  # 3.6.1
            assert len(event[once]) == 1, once
        assert all(DATE_TIME.fullmatch(event[at][0]) for at in ("DTSTAMP", "DTSTART", "DTEND"))
        assert event["DTEND"][0] > event["DTSTART"][0]
        assert "DURATION" not in event  # 3.6.1: not beside DTEND
        ((kind, alarm, _),) = alarms
        assert kind == "VALARM" and alarm["ACTION"] == ["DISPLAY"]  # 3.6.6: with these two
        assert text(alarm["DESCRIPTION"][0]) and DURATION.fullmatch(alarm["TRIGGER"][0])
        assert text(event["LOCATION"][0]) == "oven, left"
        assert "72 h; 70 °C, in the big oven" in text(event["SUMMARY"][0])
        assert text(event["SUMMARY"][0]).endswith("\\ end")
    assert len({event["UID"][0] for _, event, _ in events}) == 2  # 3.8.4.7: globally unique
    assert all("@localhost" in event["UID"][0] for _, event, _ in events)


def test_events_are_when_something_is_due(exposed):
    _, now = exposed
    ((_, _, events),) = parsed(calendars.build(now))
    due = {datetime.strptime(e["DTSTART"][0], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC) for _, e, _ in events}
    assert due == {now + timedelta(hours=62), now + timedelta(hours=16)}


def test_an_event_keeps_its_identity_from_one_fetch_to_the_next(exposed):
    _, now = exposed
    first, later = (
        {event["UID"][0] for _, event, _ in parsed(calendars.build(at))[0][2]} for at in (now, now + timedelta(hours=1))
    )
    assert first == later


def test_an_empty_calendar_is_well_formed(stage):
    ((_, calendar, events),) = parsed(calendars.build())
    assert events == [] and calendar["METHOD"] == ["PUBLISH"]


def address(user) -> str:
    return f"/bench/conditioning.ics?key={calendars.key_for(user)}"


def test_a_calendar_program_needs_no_session_but_the_key(exposed, client):
    stage, _ = exposed
    answer = client.get(address(stage.people["bench"]))
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    assert "private" in answer["Cache-Control"]
    assert len(parsed(answer.content)[0][2]) == 2


def test_a_key_that_is_forged_or_no_longer_holds_opens_nothing(exposed, client):
    stage, _ = exposed
    user = stage.people["bench"]
    good = address(user)
    forged = good[:-1] + ("A" if good[-1] != "A" else "B")
    bare = "/bench/conditioning.ics"
    for bad in (bare, f"{bare}?key=", forged, address(stage.people["stranger"])):
        assert client.get(bad).status_code == 404
    user.set_password("another long enough word")
    user.save()
    assert client.get(good).status_code == 404, "a new password ends the old key"
    again = address(user)
    assert client.get(again).status_code == 200
    user.is_active = False
    user.save()
    assert client.get(again).status_code == 404


def test_the_page_shows_everybody_their_own_address(exposed, client):
    stage, _ = exposed
    client.force_login(stage.people["bench"], backend="django.contrib.auth.backends.ModelBackend")
    shown = client.get("/bench/conditioning/").context["calendar"]
    assert shown.startswith("http://localhost:8000/bench/conditioning.ics?key=")
    client.logout()
    parts = urlsplit(shown)
    assert client.get(f"{parts.path}?{parts.query}").status_code == 200

"""The conditioning board as a calendar to subscribe to (iCalendar, RFC 5545), behind a signed address."""

from __future__ import annotations

import hashlib
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from django.conf import settings
from django.contrib.auth import get_user_model
from django.core import signing
from django.utils import timezone

from specimens import roles

from . import board

SALT = "evenhand.bench.calendar"
LASTS = timedelta(minutes=15)
WORDS = {
    "running": "Take out", "due": "Take out", "overdue": "Take out (overdue)", "recovering": "Ready to measure",
    "ready": "Measure before its window ends", "late": "Measure (late)",
}  # fmt: skip


def key_for(user) -> str:
    """A person's key: it holds until their password changes or the account is switched off."""
    return signing.dumps([user.pk, _mark(user)], salt=SALT, compress=False)


def _mark(user) -> str:
    return hashlib.sha256(user.get_session_auth_hash().encode()).hexdigest()[:16]


def user_of(key: str):
    """The person of a key; None where it is not ours, no longer holds, or the person may not look."""
    try:
        pk, mark = signing.loads(key, salt=SALT)
    except (signing.BadSignature, ValueError, TypeError):
        return None
    user = get_user_model().objects.filter(pk=pk, is_active=True).first()
    if user is None or mark != _mark(user) or not roles.may_look(user):
        return None
    return user


def build(now: datetime | None = None) -> bytes:
    """What is due at the bench as an iCalendar object. Three queries."""
    from icalendar import Alarm, Calendar, Event

    now = now or timezone.now()
    host = urlsplit(settings.PUBLIC_URL).hostname
    calendar = Calendar()
    calendar.add("prodid", "-//Evenhand//bench//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("name", "Evenhand bench")
    calendar.add("x-wr-calname", "Evenhand bench")
    calendar.add("refresh-interval", timedelta(minutes=15), parameters={"value": "DURATION"})
    for batch in board.batches(now):
        if batch.due_at is None or batch.state not in WORDS:
            continue
        event = Event()
        event.add("uid", f"exposure-{batch.key}-{'in' if batch.ended_at is None else 'out'}@{host}")
        event.add("dtstamp", now.replace(microsecond=0))
        event.add("dtstart", batch.due_at.replace(microsecond=0))
        event.add("dtend", (batch.due_at + LASTS).replace(microsecond=0))
        count = len(batch.exposures)
        event.add("summary", f"{WORDS[batch.state]}: {count} specimens, {batch.condition}")
        event.add("description", f"{batch.programme}: {', '.join(batch.codes)}. {batch.due_text}.")
        if batch.chamber:
            event.add("location", batch.chamber)
        event.add("url", f"{settings.PUBLIC_URL}/bench/conditioning/")
        event.add("transp", "TRANSPARENT")
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", f"{WORDS[batch.state]}: {batch.condition}")
        alarm.add("trigger", timedelta(minutes=-10))
        event.add_component(alarm)
        calendar.add_component(event)
    return calendar.to_ical()

"""Conditioning: the board, batches in and out, a chamber's log, and the calendar."""

from __future__ import annotations

from datetime import timedelta

from django.conf import settings
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from specimens import roles
from specimens.bench import board as boards
from specimens.bench import calendar as calendars
from specimens.bench import chamber_logs, corrections, exposures, finding
from specimens.bench.errors import Refused
from specimens.bench.typed import local_number, moment, words
from specimens.models import Condition, Exposure, Programme

from .access import at_most, attempt, enterers, members, posted_file, reads_comma


@members
@require_safe
def board(request):
    """What is due now, next and overdue, and the forms that start and end exposures."""
    now = timezone.now()
    batches = boards.batches(now)
    address = f"{reverse('bench-calendar')}?key={calendars.key_for(request.user)}"
    return render(request, "bench/conditioning.html", {
        "now": now, "batches": batches, "inside": [batch for batch in batches if batch.ended_at is None],
        "outside": [batch for batch in batches if batch.ended_at is not None], "to_start": boards.to_start(),
        "may_enter": roles.may_enter(request.user), "calendar": f"{settings.PUBLIC_URL}{address}",
        "planned": boards.planned_text,
    })  # fmt: skip


@members
@require_safe
def past(request):
    """Batches that are over, the latest first: to look up, and to put right."""
    before = request.GET.get("before", "")
    try:
        until = moment(before, "time")[0] if before else None
    except Refused:
        until = None
    batches, more = boards.over(until)
    return render(request, "bench/past.html", {
        "batches": batches, "more": more, "may_enter": roles.may_enter(request.user),
    })  # fmt: skip


def _typed_time(form, name: str) -> str:
    """A time from a form, with the zone that the page's script put beside it; without script it is in UTC."""
    text, zone = form.get(name, "").strip(), form.get(f"{name}_zone", "").strip()
    return f"{text}{zone}" if text and zone else text


def _content(form, comma: bool, *numbers: str) -> dict:
    """A form's fields as an entry has them: numbers with a point."""
    content = {name: value for name, value in form.items()}
    for name in numbers:
        if form.get(name, "").strip():
            content[name] = local_number(form[name], name.replace("_", " "), comma)
    return content


@enterers
@require_POST
def start(request):
    """Put a batch of specimens in."""

    def do():
        content = _content(request.POST, reads_comma(request), "set_point")
        key = request.POST.get("condition", "")
        condition = Condition.objects.select_related("programme").filter(
            pk=int(key) if key.isdecimal() and len(key) < 19 else 0
        ).first()
        if condition is None:
            raise Refused("Choose the condition.")
        scanned = request.POST.get("scanned", "").replace(",", " ").split()
        listed = [*request.POST.getlist("specimen"), *scanned]
        specimens = {one.pk: one for one in (finding.specimen(condition.programme, text) for text in listed)}
        at, text = exposures.moment_typed(_typed_time(request.POST, "at"), "start")
        point, point_unit = exposures.set_point(content, condition)
        made = exposures.start(exposures.Start(
            condition.programme, condition, list(specimens.values()), at, text, request.user.get_username(),
            chamber=words(content.get("chamber"), "chamber", 200), set_point=point, set_point_unit=point_unit,
            confirmed=request.POST.get("confirmed") == "yes",
        ), actor=request.user)  # fmt: skip
        return f"{len(made)} specimens went in: {condition}."

    return attempt(request, do, "bench-conditioning")


def _exposures(form) -> tuple[Programme, list[Exposure]]:
    keys = [int(key) for key in form.getlist("exposure") if key.isdecimal() and len(key) < 19]
    rows = list(
        Exposure.objects.filter(pk__in=keys[: exposures.MOST_AT_ONCE])
        .select_related("condition__programme", "specimen", "stay")
    )  # fmt: skip
    if not rows:
        raise Refused("Choose the specimens.")
    if len({row.condition_id for row in rows}) > 1:
        raise Refused("Choose specimens of one condition at a time.")
    return rows[0].condition.programme, rows


@enterers
@require_POST
def end(request):
    """Take a batch out."""

    def do():
        programme, rows = _exposures(request.POST)
        content = _content(request.POST, reads_comma(request), "actual_low", "actual_high")
        at, text = exposures.moment_typed(_typed_time(request.POST, "at"), "end")
        low, high, own = exposures.actual(content, rows[0].condition)
        told = exposures.end(exposures.End(
            programme, rows, at, text, request.user.get_username(), low, high, own,
            words(content.get("reason"), "reason"),
        ), actor=request.user)  # fmt: skip
        said = f" Departure from plan noted: {'; '.join(told)}." if told else ""
        return f"{len(rows)} specimens came out.{said}"

    return attempt(request, do, "bench-conditioning")


@enterers
@require_POST
def correct(request):
    """Put the times of a batch right, or take it back where it did not go in after all."""

    def do():
        programme, rows = _exposures(request.POST)
        times = {}
        for name, what in (("started", "start"), ("ended", "end")):
            typed = _typed_time(request.POST, name)
            times[name] = moment(typed, what) if typed else None
        return corrections.correct(corrections.Correction(
            programme, rows, request.POST.get("reason", ""), request.user.get_username(), **times,
            never=request.POST.get("never") == "yes",
        ), actor=request.user)  # fmt: skip

    page = "bench-conditioning-past" if request.POST.get("back") == "past" else "bench-conditioning"
    return attempt(request, do, page)


@enterers
@require_POST
@at_most(
    chamber_logs.MOST_BYTES, lambda size: f"The log has {size / 1e6:,.0f} MB: at most 5 MB are read."
)
def log(request):
    """Drop in what the chamber wrote down itself."""

    def do():
        programme, rows = _exposures(request.POST)
        name, data = posted_file(request)
        text = request.POST.get("hours_ahead", "").strip()
        hours = float(local_number(text, "hours ahead of UTC", reads_comma(request))) if text else 0.0
        if not -14 <= hours <= 14:
            raise Refused("A clock is from 14 hours behind UTC to 14 ahead.")
        return chamber_logs.drop_in(
            programme, rows, data, name=name, unit=words(request.POST.get("unit"), "unit", 40), hours_ahead=hours,
            actor=request.user,
        )  # fmt: skip

    return attempt(request, do, "bench-conditioning")


@require_safe
def calendar(request):
    """The board for a calendar program, which has no session: the address is signed."""
    if calendars.user_of(request.GET.get("key", "")) is None:
        raise Http404("no such calendar")
    answer = HttpResponse(calendars.build(), content_type="text/calendar; charset=utf-8")
    answer["Content-Disposition"] = 'inline; filename="bench.ics"'
    answer["Cache-Control"] = f"private, max-age={int(timedelta(minutes=5).total_seconds())}"
    return answer

"""The record: who did what, when, before and after. It is read and exported here, and changed nowhere."""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import islice
from urllib.parse import urlencode

from django.core.cache import cache
from django.db.models import Max, Q, QuerySet
from django.http import StreamingHttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_safe

from comparisons.models import ComparisonProgramme, Event

from .desk import members_only, place_of

PAGE = 50
LONGEST = 400  # characters of one value on the page; the export holds all of it
KEPT_S = 3600
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
CHUNK = 2000


@dataclass(frozen=True)
class Asked:
    """What the address asks for. wrong: a line on what could not be read."""

    person: str = ""
    thing: str = ""
    code: str = ""
    since: str = ""
    until: str = ""
    before: int | None = None
    wrong: str = ""

    @classmethod
    def of(cls, request) -> Asked:
        found = {key: request.GET.get(key, "").replace("\x00", "")[:200].strip() for key in
                 ("person", "thing", "code", "since", "until")}  # fmt: skip
        wrong = [found[key] for key in ("since", "until") if found[key] and _day(found[key]) is None]
        text = request.GET.get("before", "")
        before = int(text) if text.isascii() and text.isdecimal() and len(text) < 19 else None
        told = f"“{wrong[0]}” is no date: write it as 2026-03-09." if wrong else ""
        return cls(**found, before=before, wrong=told)

    def narrowed(self, events: QuerySet) -> QuerySet:
        if self.person:
            events = events.filter(actor_name=self.person)
        if self.thing:
            events = events.filter(thing=self.thing)
        if self.code.endswith("*"):
            events = events.filter(code__startswith=self.code[:-1])
        elif self.code:
            events = events.filter(code=self.code)
        if day := _day(self.since):
            events = events.filter(at__gte=datetime(day.year, day.month, day.day, tzinfo=UTC))
        if (day := _day(self.until)) and day < date.max:
            events = events.filter(at__lt=datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(days=1))
        if self.before is not None:
            events = events.filter(id__lt=self.before)
        return events

    def query(self, **changes) -> str:
        kept = {key: getattr(self, key) for key in ("person", "thing", "code", "since", "until")} | changes
        query = urlencode({key: value for key, value in kept.items() if value})
        return f"?{query}" if query else ""

    @property
    def chosen(self) -> bool:
        return any((self.person, self.thing, self.code, self.since, self.until))


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if len(text) == 10 else None
    except ValueError:
        return None


def _of_comparison(pk: int) -> list[QuerySet]:
    """The events of a comparison, and those of its programmes: apart, since each has an index of its own."""
    programmes = list(ComparisonProgramme.objects.filter(comparison=pk).values_list("programme", flat=True))
    # what names both is among the first; an event of another comparison of the programme belongs to that
    return [
        Event.objects.filter(comparison=pk), Event.objects.filter(comparison__isnull=True, programme__in=programmes)
    ]  # fmt: skip


def _of_none() -> list[QuerySet]:
    """The events of what no comparison judges: instruments, methods, accounts, programmes in waiting."""
    judged = ComparisonProgramme.objects.values("programme")
    return [
        Event.objects.filter(comparison__isnull=True).filter(Q(programme__isnull=True) | ~Q(programme__in=judged))
    ]  # fmt: skip


def _last(found: list[QuerySet]) -> int:
    return max((events.aggregate(last=Max("id"))["last"] or 0 for events in found), default=0)


def _choices(key: str, found: list[QuerySet], last: int) -> dict[str, list[str]]:
    """Who and what the record names, kept until it names a later event."""
    kept = cache.get(f"record:{key}:{last}")
    if kept is None:
        kept = {
            name: sorted({
                value for events in found
                for value in events.order_by().values_list(column, flat=True).distinct() if value
            })
            for name, column in (("people", "actor_name"), ("things", "thing"))
        }  # fmt: skip
        cache.set(f"record:{key}:{last}", kept, KEPT_S)
    return kept


def _shown(value) -> str:
    if value is None:
        return "nothing"
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True)
    return text if len(text) <= LONGEST else f"{text[:LONGEST]}… ({len(text)} characters)"


def differences(before, after) -> list[dict]:
    """Before and after, side by side, name by name; what stayed the same is left out where both name it."""
    if not isinstance(before, dict) and not isinstance(after, dict):
        if before is None and after is None:
            return []
        return [{"name": "", "before": _shown(before), "after": _shown(after)}]
    old = before if isinstance(before, dict) else {} if before is None else {"": before}
    new = after if isinstance(after, dict) else {} if after is None else {"": after}
    return [
        {
            "name": name.replace("_", " "),
            "before": _shown(old[name]) if name in old else "", "after": _shown(new[name]) if name in new else "",
        }
        for name in dict.fromkeys([*old, *new])
        if name not in old or name not in new or old[name] != new[name]
    ]  # fmt: skip


def _page(request, template: str, key: str, found: list[QuerySet], more: dict):
    """The page of a record. Its latest part, which most look at, is kept until the record names a later event."""
    asked = Asked.of(request)
    last = _last(found)
    plain = not asked.chosen and asked.before is None and not asked.wrong
    part = cache.get(f"record-part:{key}:{last}") if plain else None
    if part is None:
        part = render_to_string("desk/_record_rows.html", more | {
            "at": request.path, **_choices(key, found, last), **_rows(request.path, asked, found),
            "export": f"{more['export']}{asked.query()}",
        })  # fmt: skip
        if plain:
            cache.set(f"record-part:{key}:{last}", part, KEPT_S)
    return render(request, template, more | {"part": mark_safe(part)})


def _rows(path: str, asked: Asked, found: list[QuerySet]) -> dict:
    rows = []
    for events in found:
        rows += asked.narrowed(events).select_related("programme").order_by("-id")[: PAGE + 1]
    rows.sort(key=lambda event: -event.id)
    older = rows[PAGE - 1].id if len(rows) > PAGE else None
    told = [
        {
            "event": event, "changes": differences(event.before, event.after),
            "where": "" if event.comparison_id else str(event.programme or ""),
            "same": asked.query(thing=event.thing, code=event.code, person="", since="", until=""),
        }
        for event in rows[:PAGE]
    ]  # fmt: skip
    return {
        "rows": told, "asked": asked, "older": asked.query(before=str(older)) if older else "",
        "newest": asked.query() or path if asked.before is not None else "",
    }  # fmt: skip


@members_only
@require_safe
def record(request, slug: str):
    """What was done to one comparison and its programmes, the latest first."""
    place = place_of(request.user, slug)
    return _page(request, "desk/record.html", str(place.pk), _of_comparison(place.pk), {
        "place": place, "export": reverse("desk-record-csv", args=[slug]),
    })  # fmt: skip


@members_only
@require_safe
def team_record(request):
    """What was done to things that belong to no comparison."""
    return _page(request, "desk/record_team.html", "team", _of_none(), {"export": reverse("desk-team-record-csv")})


COLUMNS = ("at", "who", "what", "thing", "code", "before", "after", "why", "programme")


def _cell(value) -> str:
    """A cell that no spreadsheet takes for a formula: what begins like one gets an apostrophe before it.

    Source: OWASP, "CSV Injection".
    """
    if value is None:
        return ""
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True)
    return f"'{text}" if text.startswith(FORMULA) else text


class _Line:
    """What the writer of lines writes to: it hands each line back."""

    def write(self, line: str) -> str:
        return line


def _lines(found: list[QuerySet], asked: Asked):
    writer = csv.writer(_Line())
    yield writer.writerow(COLUMNS)
    for events in found:
        rows = asked.narrowed(events).order_by("id").values_list(
            "at", "actor_name", "verb", "thing", "code", "before", "after", "why", "programme__slug"
        ).iterator(chunk_size=CHUNK)  # fmt: skip
        while lines := [
            writer.writerow([at.isoformat(timespec="seconds"), *map(_cell, rest)]) for at, *rest in islice(rows, CHUNK)
        ]:
            yield "".join(lines)


def _export(request, found: list[QuerySet], name: str):
    response = StreamingHttpResponse(_lines(found, Asked.of(request)), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}-record.csv"'
    response["X-Content-Type-Options"] = "nosniff"
    return response


@members_only
@require_safe
def record_csv(request, slug: str):
    """The same as the page, all of it, for a spreadsheet: written while it is read."""
    return _export(request, _of_comparison(place_of(request.user, slug).pk), slug)


@members_only
@require_safe
def team_record_csv(request):
    return _export(request, _of_none(), "team")

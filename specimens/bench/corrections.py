"""Exposures that were entered wrongly, put right with a reason; the record keeps what was there before."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from specimens.fields import Number
from specimens.models import Exposure, Programme, Stay

from . import chamber_logs, exposures, finding, hooks
from .entries import note
from .errors import Refused
from .pack import label
from .typed import words

AS_PLANNED = "as planned"
TO_COME = timedelta(minutes=5)  # what a clock may be ahead


@dataclass
class Correction:
    """What was wrong with a batch: its times (as moment and text; None stays as it is), or that it went in at all."""

    programme: Programme
    exposures: list[Exposure]
    reason: str
    by: str
    started: tuple[datetime, str] | None = None
    ended: tuple[datetime, str] | None = None
    never: bool = False


def correct(wanted: Correction, *, actor) -> str:
    """Put a batch right, in one transaction; one line on what became of it. Raises Refused and changes nothing.

    The departures from plan, and the range that a chamber's log gives, are worked out anew. A departure
    that is another one now is a dated deviation of its own; the earlier one stays in sight.
    """
    wanted.reason = words(wanted.reason, "reason")
    if not wanted.reason:
        raise Refused("Say why the times are changed: what was there before stays on the record with your reason.")
    if not wanted.never and wanted.started is None and wanted.ended is None:
        raise Refused("Type the right start or the right end.")
    with transaction.atomic():
        finding.lock(wanted.programme)
        rows = list(
            Exposure.objects.filter(pk__in=[one.pk for one in wanted.exposures])
            .select_related("specimen", "condition", "stay__log").order_by("pk")
        )  # fmt: skip
        if len(rows) != len(wanted.exposures):
            raise Refused("Some of these exposures are no longer there: load the page again.")
        before = [_told(row) for row in rows]
        earlier = {row.pk: _departure(row) for row in rows}
        if wanted.never:
            _take_back(rows)
            after, said = None, f"{len(rows)} specimens did not go in after all: {rows[0].condition}."
        else:
            _retime(wanted, rows)
            after, said = [_told(row) for row in rows], f"The times of {len(rows)} specimens are put right."
        note(
            actor, "took an exposure back" if wanted.never else "corrected an exposure", programme=wanted.programme,
            thing="condition", code=rows[0].condition.code, before=before, after=after, why=wanted.reason,
        )  # fmt: skip
        now = {row.pk: "" if wanted.never else _departure(row) for row in rows}
        for old, new in dict.fromkeys((earlier[row.pk], now[row.pk]) for row in rows):
            if old != new:
                _deviate(wanted, [row for row in rows if (earlier[row.pk], now[row.pk]) == (old, new)], old, new)
    departures = [text for text in dict.fromkeys(now.values()) if text]
    return f"{said} Departure from plan: {'; '.join(departures)}." if departures else said


def _retime(wanted: Correction, rows: list[Exposure]) -> None:
    latest = timezone.now() + TO_COME
    for at, what in ((wanted.started, "start"), (wanted.ended, "end")):
        if at is not None and at[0] > latest:
            raise Refused(f"The {what} lies in the future: found {at[1]}.")
    for row in rows:
        if wanted.started is not None:
            row.started_at, row.started_at_text = wanted.started
        if wanted.ended is not None:
            if row.ended_at is None:
                raise Refused(f"{label(row.specimen)} is still inside: take it out first.")
            row.ended_at, row.ended_at_text = wanted.ended
        if row.started_at and row.ended_at and row.ended_at < row.started_at:
            raise Refused(f"The end of {label(row.specimen)} would lie before its start.")
    _refuse_overlaps(rows)
    logs: dict[int, chamber_logs.Log] = {}
    for row in rows:
        stay = _stay(row)
        fields = ["started_at", "started_at_text", "ended_at", "ended_at_text"]
        if stay is not None and stay.log is not None and row.started_at:
            if stay.log_id not in logs:
                logs[stay.log_id] = chamber_logs.reread(stay.log)
            inside = logs[stay.log_id].during(row.started_at, row.ended_at)
            if not inside:
                raise Refused(
                    f"The chamber's log {stay.log.name or stay.log.sha256[:12]} has nothing from the time that you"
                    f" typed for {label(row.specimen)}: is it right?"
                )
            row.actual_low, row.actual_high = Number(min(inside)), Number(max(inside))
            fields += ["actual_low", "actual_high"]
        row.save(update_fields=fields)
        if row.ended_at is not None or stay is not None:
            exposures.tell_departure(row)


def _refuse_overlaps(rows: list[Exposure]) -> None:
    """A specimen is in one chamber at a time."""
    others = Exposure.objects.filter(specimen__in=[row.specimen_id for row in rows], started_at__isnull=False)
    others = others.exclude(pk__in=[row.pk for row in rows])
    for row in rows:
        own = others.filter(specimen=row.specimen_id)
        same = own.filter(condition=row.condition_id, started_at_text=row.started_at_text)
        inside = Q(ended_at__isnull=True) | Q(ended_at__gt=row.started_at) if row.started_at else Q()
        if row.ended_at is not None:
            inside &= Q(started_at__lt=row.ended_at)
        if row.started_at and (same.exists() or own.filter(inside).exists()):
            raise Refused(f"{label(row.specimen)} was in another exposure at that time.")


def _take_back(rows: list[Exposure]) -> None:
    """The rows go, and stay on the record with all that they said."""
    Stay.objects.filter(exposure__in=rows).delete()
    Exposure.objects.filter(pk__in=[row.pk for row in rows]).delete()


def _stay(row: Exposure) -> Stay | None:
    return getattr(row, "stay", None)


def _departure(row: Exposure) -> str:
    stay = _stay(row)
    return stay.departure if stay is not None else ""


def _told(row: Exposure) -> dict:
    """An exposure for the record."""
    stay = _stay(row)
    said = {
        "specimen": row.specimen.code, "chamber": row.chamber, "started_at": _text(row.started_at, row.started_at_text),
        "ended_at": _text(row.ended_at, row.ended_at_text), "departure": _departure(row),
        "actual": f"{row.actual_low} to {row.actual_high} {row.actual_unit}" if row.actual_low is not None else "",
    }  # fmt: skip
    if stay is not None:
        said |= {
            "set_point": f"{stay.set_point} {stay.set_point_unit}" if stay.set_point is not None else "",
            "started_by": stay.started_by, "ended_by": stay.ended_by, "log": stay.log.sha256 if stay.log else "",
        }  # fmt: skip
    return said


def _text(at: datetime | None, text: str) -> str:
    return text or (at.isoformat(timespec="seconds") if at else "")


def _deviate(wanted: Correction, rows: list[Exposure], old: str, new: str) -> None:
    names = ", ".join(row.specimen.code for row in rows)
    what = f"condition {rows[0].condition.code}, put right for {len(rows)} specimens: {names}"
    after = "did not go in" if wanted.never else new or AS_PLANNED
    hooks.call(
        "deviate", wanted.programme, at=timezone.now(), by=wanted.by,
        what=what if len(what) <= 300 else f"{what[:298]} …", before=old or AS_PLANNED, after=after, why=wanted.reason,
    )  # fmt: skip

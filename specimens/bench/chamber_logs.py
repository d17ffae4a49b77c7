"""A chamber's own log: what it really did while the specimens were in it."""

from __future__ import annotations

import csv
import hashlib
import re
import uuid
from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from operator import itemgetter

from django.core.files.base import ContentFile
from django.db import transaction

from specimens.fields import MAX_TYPED, Number
from specimens.models import ChamberLog, Condition, Exposure, Programme, Stay

from . import exposures, finding
from .context import fits
from .entries import note
from .errors import Refused
from .typed import NUMBER, shown, words
from .windows import clock

MOST_BYTES = 5_000_000
MOST_ROWS = 500_000
LONGEST_LINE = 10_000
SAMPLE = 500  # lines
LARGEST = 12  # digits before the point: no chamber shows more
SEPARATORS = ("\t", ";", ",")
TIMES = ("time", "date", "datetime", "timestamp", "zeit", "datum")
VALUES = ("temperature", "temp", "humidity", "rh", "actual", "process", "value", "pv")
_ISO = re.compile(
    r"\d{4}[-/]\d{1,2}[-/]\d{1,2}(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?)?(?:\s?(?:Z|[+-]\d{2}:?\d{2}))?"
)
_DOTS = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})[ T]+(\d{1,2}):(\d{2})(?::(\d{2}))?")
_PLAIN = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(?::\d{2})?")
_CLOCK = re.compile(r"\d{1,2}:\d{2}(?::\d{2})?")
_UNIT = re.compile(r"[(\[]\s*([^)\]]+?)\s*[)\]]")


@dataclass
class Log:
    """Rows of a chamber's log in the order of time: (moment, value); `unit` as its heading says, or ""."""

    rows: list[tuple[datetime, Decimal]]
    unit: str

    def during(self, began: datetime, ended: datetime | None) -> list[Decimal]:
        """The values from `began` to `ended`, both included; to the end of the log where it has not ended."""
        first = bisect_left(self.rows, began, key=itemgetter(0))
        last = len(self.rows) if ended is None else bisect_right(self.rows, ended, key=itemgetter(0))
        return [value for _, value in self.rows[first:last]]


def read(data: bytes, *, hours_ahead: float = 0.0) -> Log:
    """Read a log in delimited text: one column of times, one of values. Raises Refused with one line.

    hours_ahead: how far the chamber's clock is ahead of UTC, for times that name no zone.
    """
    if len(data) > MOST_BYTES:
        raise Refused(f"The log has {len(data) / 1e6:.0f} MB: at most {MOST_BYTES // 10**6} MB are read.")
    lines = _text(data).splitlines()
    if any(len(line) > LONGEST_LINE for line in lines):
        raise Refused("A line of the log is out of all proportion: expected a time and a value on each line.")
    if len(lines) > MOST_ROWS:
        raise Refused(f"The log has {len(lines):,} lines: at most {MOST_ROWS:,} are read.")
    zone = timezone(timedelta(hours=hours_ahead)) if hours_ahead else UTC
    # which separator it is shows in the first lines, as a rule
    sample = lines[:SAMPLE] if any(_timed(lines[:SAMPLE], one, zone) for one in SEPARATORS) else lines
    separator = max(SEPARATORS, key=lambda one: len(_timed(sample, one, zone)))
    best = _timed(lines, separator, zone)
    before = [_cells(line, separator) for line in lines[: best[0][0] - 1]] if best else []
    before = [row for row in before if len(row) == len(best[0][1])]
    head = [cell.strip() for cell in before[-1]] if before else []
    if len(best) < 2:
        raise Refused(
            "Found no rows of a time and a value in the log; expected lines such as 2026-03-31 14:05:00;70.2"
            " (two at least)."
        )
    at, unit = _value_column(best, head)
    rows = []
    for number, row, moment in best:
        cell = row[at].strip() if at < len(row) else ""
        text = _plain(cell)
        if not NUMBER.fullmatch(text) or len(text) > MAX_TYPED or abs(Decimal(text).adjusted()) > LARGEST:
            raise Refused(f"Line {number} of the log: found {shown(cell)}, expected a number.")
        rows.append((moment, Decimal(text)))
    return Log(sorted(rows), unit)


def _cells(line: str, separator: str) -> list[str]:
    """The cells of one line: a quotation mark that is never closed must not swallow the rest of the log."""
    return next(csv.reader([line], delimiter=separator), []) if '"' in line else line.split(separator)


def _timed(lines: list[str], separator: str, zone) -> list[tuple[int, list[str], datetime]]:
    """The lines that begin with a moment: (number, cells, moment)."""
    found = []
    for number, line in enumerate(lines, 1):
        row = _cells(line, separator)
        moment = _moment(row, zone) if len(row) > 1 else None
        if moment is not None:
            found.append((number, row, moment))
    return found


def _plain(cell: str) -> str:
    return cell.strip().replace("\u2212", "-").replace(",", ".")


def _text(data: bytes) -> str:
    encodings = ("utf-16",) if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "latin-1")
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" not in text:
            return text
    raise Refused("The log is no text: save it as CSV.")


def _moment(row: list[str], zone) -> datetime | None:
    """The moment of a row: in its first cell, or date and clock in its first two."""
    if not row:
        return None
    text = row[0].strip()
    if len(row) > 1 and _CLOCK.fullmatch(row[1].strip()):
        text = f"{text} {row[1].strip()}"
    try:
        if dots := _DOTS.fullmatch(text):
            day, month, year, hour, minute, second = dots.groups()
            return datetime(
                int(year), int(month), int(day), int(hour), int(minute), int(second or 0), tzinfo=zone
            ).astimezone(UTC)
        if not _ISO.fullmatch(text):
            return None
        if _PLAIN.fullmatch(text):
            return datetime.fromisoformat(text).replace(tzinfo=zone).astimezone(UTC)
        date, _, clock_ = text.replace("/", "-").replace("T", " ").replace(",", ".").partition(" ")
        year, month, day = (int(part) for part in date.split("-"))
        hour, rest = (clock_.split(":", 1) + ["00"])[:2] if clock_ else ("0", "00")
        found = datetime.fromisoformat(f"{year:04}-{month:02}-{day:02}T{int(hour):02}:{rest}".replace(" ", ""))
        return (found if found.tzinfo else found.replace(tzinfo=zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def _value_column(rows: list[tuple[int, list[str], datetime]], head: list[str]) -> tuple[int, str]:
    """Which column holds the values, and the unit that its heading names."""
    first = rows[0][1]
    start = 2 if len(first) > 2 and _CLOCK.fullmatch(first[1].strip()) else 1
    numeric = [i for i in range(start, len(first)) if NUMBER.fullmatch(_plain(first[i]))]
    named = [i for i in numeric if i < len(head) and any(w in re.findall(r"[a-z]+", head[i].lower()) for w in VALUES)]
    chosen = named or numeric
    if len(chosen) != 1:
        names = ", ".join(head[i] for i in chosen if i < len(head)) or f"{len(chosen)} columns"
        raise Refused(f"The log has no one column of values ({names}): leave the time and one value in it.")
    heading = head[chosen[0]] if chosen[0] < len(head) else ""
    unit = _UNIT.search(heading)
    return chosen[0], unit[1] if unit else ""


def drop_in(
    programme: Programme, exposed: list[Exposure], data: bytes, *, name: str, unit: str, hours_ahead: float, actor
) -> str:
    """Take a log for a batch of exposures: keep it, and write down what the chamber really did. One line.

    Each exposure gets the least and the greatest value of its own time; its departure is told anew.
    Raises Refused.
    """
    if not exposed:
        raise Refused("Choose the exposures that the log belongs to.")
    log = read(data, hours_ahead=hours_ahead)
    condition: Condition = exposed[0].condition
    own = log.unit if log.unit and _known(log.unit) else unit.strip()
    if not own:
        raise Refused("Say in which unit the log's values are: its heading does not name one.")
    expected = condition.temperature_unit
    if expected and not fits(own, expected):
        raise Refused(f"The log is in {own}, expected {expected} as the condition {condition} has it.")
    if not _known(own):
        raise Refused(f"Found the unit {shown(own)}, expected one such as degC or percent.")
    ranges = {}
    for row in exposed:
        inside = log.during(row.started_at, row.ended_at) if row.started_at else []
        if not inside:
            began = clock(row.started_at) if row.started_at else "which has no start"
            raise Refused(
                f"The log runs from {clock(log.rows[0][0])} to {clock(log.rows[-1][0])}, and has nothing from the"
                f" time of the exposure, {began}{f' to {clock(row.ended_at)}' if row.ended_at else ''}."
                " Is its clock right?"
            )
        ranges[row.pk] = min(inside), max(inside)
    low, high = min(low for low, _ in ranges.values()), max(high for _, high in ranges.values())
    with transaction.atomic():
        finding.lock(programme)
        kept = ChamberLog(
            programme=programme, condition=condition, chamber=exposed[0].chamber, name=words(name, "name", 200),
            sha256=hashlib.sha256(data).hexdigest(), unit=own, low=Number(low), high=Number(high), rows=len(log.rows),
            first_at=log.rows[0][0], last_at=log.rows[-1][0], user=actor,
        )  # fmt: skip
        kept.content.save(f"{uuid.uuid4().hex}.csv", ContentFile(data), save=False)
        kept.save(force_insert=True)
        told: dict[str, list[Exposure]] = {}
        for row in exposed:
            stay, _ = Stay.objects.get_or_create(exposure=row)
            before = stay.departure
            row.actual_low, row.actual_high = (Number(end) for end in ranges[row.pk])
            row.actual_unit = own
            row.save(update_fields=["actual_low", "actual_high", "actual_unit"])
            stay.log = kept
            stay.save(update_fields=["log"])
            row.stay = stay
            now = exposures.tell_departure(row)
            if now and now != before:
                told.setdefault(now, []).append(row)
        for departure, group in told.items():
            exposures.deviate(
                programme, condition, departure, group, at=kept.received_at, by=actor.get_username(),
                reason=f"the chamber's log {kept.name or kept.sha256[:12]}",
            )  # fmt: skip
        note(
            actor, "read a chamber's log", programme=programme, thing="condition", code=condition.code,
            after={"specimens": [row.specimen.code for row in exposed], "low": str(low), "high": str(high),
                   "unit": own, "sha256": kept.sha256},
        )  # fmt: skip
    departure = f" Departure from plan noted: {'; '.join(told)}." if told else ""
    return f"The chamber really went from {low} to {high} {own} ({len(log.rows):,} rows).{departure}"


def reread(kept: ChamberLog) -> Log:
    """A log that was dropped in, once more. Raises Refused where it can no longer be read.

    How far the chamber's clock is ahead is told from the first moment, which was kept in UTC.
    """
    with kept.content.open("rb") as stream:
        log = read(stream.read(MOST_BYTES + 1))
    ahead = log.rows[0][0] - kept.first_at
    return Log([(at - ahead, value) for at, value in log.rows], log.unit) if ahead else log


def _known(unit: str) -> bool:
    return fits(unit, unit)

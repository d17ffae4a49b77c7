"""Instruments of the team: their calibrations, and what follows when one is found wrong later.

A fault is kept with its days. While it is open, drafts that rest on it are held (`readiness`), and editions
carry a notice until an editor lifts it. Readings are corrected by a stated factor, programme by programme, in
a row of their own that can be undone; what was typed is never touched (`comparisons.load_readings`).
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from django.db import models, transaction
from django.utils import timezone

from comparisons.models import Comparison, EditionNotice
from specimens import units
from specimens.fields import Number
from specimens.models import (
    Calibration,
    Instrument,
    InstrumentFault,
    Programme,
    ProgrammeInstrument,
    Reading,
    ReadingCorrection,
)

from . import editing
from .affected import editions_that_rest_on
from .errors import NotReady, Stale
from .faults import in_days, readings_of
from .products import as_code, free_code
from .record import lock_programme, record
from .roles import require_editor, require_preparer
from .wording import said

EARLIEST = date(1900, 1, 1)


# -- instruments and calibrations ------------------------------------------------------------------------


def programmes_of(instrument: Instrument) -> list[Programme]:
    """The programmes that know an instrument or have readings by it, by their key: whose results may rest on it."""
    known = Programme.objects.filter(
        models.Q(instruments__instrument=instrument)
        | models.Q(pk__in=Reading.objects.filter(instrument=instrument).order_by().values("programme").distinct())
    )
    return list(known.distinct().order_by("pk"))


def save(
    actor, row: Instrument | Calibration, values: dict, *, seen: str, thing: str, why: str = "", comparison=None,
    programme=None,
):  # fmt: skip
    """Change an instrument or one of its calibrations: every draft that rests on it is stale by that.

    Called like `editing.save`; comparison and programme do not count, since an instrument is the team's.
    """
    _check(row, values)
    with transaction.atomic():
        first, *others = _locked(_instrument_of(row)) or [None]
        before = editing.state(type(row).objects.get(pk=row.pk), values)
        kept = editing.save(actor, row, values, seen=seen, programme=first, thing=thing, why=why)
        after = editing.state(kept, values)
        moved = sorted(name for name in after if after[name] != before[name])
        for other in others if moved else []:
            record(
                actor, "changed", programme=other, thing=thing, code=str(kept)[:200], why=why, changes_draft=True,
                before={name: before[name] for name in moved}, after={name: after[name] for name in moved},
            )  # fmt: skip
        return kept


def create(actor, row: Instrument | Calibration, *, thing: str, why: str = "", comparison=None, programme=None):
    """Store a new instrument or calibration. A calibration makes every draft stale that rests on its instrument."""
    _check(row, {})
    with transaction.atomic():
        first, *others = (_locked(row.instrument) if isinstance(row, Calibration) else []) or [None]
        kept = editing.create(actor, row, programme=first, thing=thing, why=why)
        for other in others:
            record(actor, "added", programme=other, thing=thing, code=str(kept)[:200], why=why, changes_draft=True)
        return kept


def _instrument_of(row: Instrument | Calibration) -> Instrument:
    return row.instrument if isinstance(row, Calibration) else row


def _locked(instrument: Instrument) -> list[Programme]:
    found = programmes_of(instrument)
    for programme in found:
        lock_programme(programme)
    return found


def _check(row: Instrument | Calibration, values: dict) -> None:
    """editing.Invalid where a calibration lies ahead, or a unit is none."""
    calibrated = values.get("calibrated_on", row.calibrated_on)
    errors = {}
    if calibrated and calibrated > timezone.localdate():
        errors["calibrated_on"] = [f"Found {calibrated}, which lies ahead."]
    unit = values.get("unit", row.unit) if isinstance(row, Instrument) else ""
    if unit:
        try:
            units.parse_unit(unit)
        except units.UnitError as error:
            errors["unit"] = [f"{str(error)[:1].upper()}{str(error)[1:]}."]
    if errors:
        raise editing.Invalid(errors)


def add_to_programme(actor, instrument: Instrument, programme: Programme) -> ProgrammeInstrument:
    """Let a programme's bench choose an instrument. NotReady where it knows it already."""
    require_preparer(actor, "add an instrument to a programme")
    with transaction.atomic():
        lock_programme(programme)
        if programme.instruments.filter(instrument=instrument).exists():
            raise NotReady(f"“{programme}” has this instrument already.")
        code = free_code(
            as_code(str(instrument), "instrument"), set(programme.instruments.values_list("code", flat=True))
        )
        row = ProgrammeInstrument(programme=programme, instrument=instrument, code=code)
        return editing.create(actor, row, programme=programme, thing="instrument")


# -- faults ----------------------------------------------------------------------------------------------


def record_fault(
    actor, instrument: Instrument, *, since: date | None, until: date | None = None, what: str, factor: str = ""
) -> InstrumentFault:
    """Write down that an instrument was found wrong: since when, by how much. Editions resting on it get a notice.

    factor: what it showed for a true 1, such as 1.06 where it showed 6 % too much; "" where that is not known.
    editing.Invalid, by field, where that cannot be.
    """
    require_preparer(actor, "record that an instrument was found wrong")
    errors: dict[str, list[str]] = {}
    today = timezone.localdate()
    if since is None:
        errors["since"] = ["Found no day, expected the first day on which it may have been wrong."]
    elif since > today:
        errors["since"] = [f"Found {since}, which lies ahead."]
    elif since < EARLIEST:
        errors["since"] = [f"Found {since}, expected a day from {EARLIEST} on."]
    if until is not None and until > today:
        errors["until"] = [f"Found {until}, which lies ahead. Leave it blank where it is still wrong."]
    elif since is not None and until is not None and until < since:
        errors["until"] = [f"Found {until}, which lies before the first day, {since}."]
    number = None
    try:
        what = said(what, "description", needed="Say in a sentence what was found, and how.")
    except NotReady as refusal:
        errors["what"] = [str(refusal)]
    if str(factor).strip():
        try:
            number = _factor(factor)
        except NotReady as refusal:
            errors["factor"] = [str(refusal)]
    if errors:
        raise editing.Invalid(errors)
    with transaction.atomic():
        programmes = _locked(instrument)
        fault = InstrumentFault.objects.create(
            instrument=instrument, since=since, until=until, what=what, factor=number, recorded_by=actor
        )
        touched = set(readings_of(fault).order_by().values_list("programme_id", flat=True).distinct())
        after = {"instrument": str(instrument), "since": since.isoformat(),
                 "until": until.isoformat() if until else None, "factor": str(number) if number else None}  # fmt: skip
        for programme in [p for p in programmes if p.pk in touched] or [None]:
            record(
                actor, "found an instrument wrong", programme=programme, thing="instrument fault", code=str(fault.pk),
                after=after, why=what,
            )  # fmt: skip
        for edition in editions_that_rest_on(fault):
            text = (
                f"{instrument.name}, with which some of these readings were taken, was found wrong on "
                f"{_day(today)} for the time from {_day(since)}{f' to {_day(until)}' if until else ''}. "
                "Results that rest on it are being looked at."
            )
            notice = EditionNotice.objects.create(edition=edition, fault=fault, text=text, put_by=actor)
            record(
                actor, "put a notice", comparison=edition.comparison, thing="edition", code=str(edition.number),
                after={"text": text, "notice": notice.pk},
            )  # fmt: skip
    return fault


def _day(day: date) -> str:
    from comparisons.pages.words import day as words

    return words(day.isoformat())


def _factor(text) -> Number:
    """A factor as typed. NotReady where it is no number above 0, is 1, or is beyond a thousand either way."""
    text = str(text).strip()
    try:
        number = Number(text)
    except ValueError as error:
        raise NotReady(f"{str(error)[:1].upper()}{str(error)[1:]}.") from None
    if number <= 0:
        raise NotReady(f"Found {text}, expected a number above 0, such as 1.06.")
    if number == 1:
        raise NotReady("Found 1, which changes nothing.")
    if not Decimal("0.001") <= number <= 1000:
        raise NotReady(f"Found {text}, expected a factor between 0.001 and 1000.")
    return number


def close_fault(actor, fault: InstrumentFault, *, decision: str) -> InstrumentFault:
    """Say what was decided on a fault: drafts are held no longer. Notices stay until each is lifted."""
    require_editor(actor, "decide on an instrument that was found wrong")
    decision = said(decision, "decision", needed="Say what was decided, and why.")
    with transaction.atomic():
        programmes = _locked(fault.instrument)
        fault = InstrumentFault.objects.select_for_update().get(pk=fault.pk)
        if fault.closed_at is not None:
            raise Stale(f"This was decided already: {fault.decision}")
        fault.closed_at, fault.closed_by, fault.decision = timezone.now(), actor, decision
        fault.save(update_fields=["closed_at", "closed_by", "decision"])
        touched = set(readings_of(fault).order_by().values_list("programme_id", flat=True).distinct())
        for programme in [p for p in programmes if p.pk in touched] or [None]:
            record(
                actor, "decided on a fault", programme=programme, thing="instrument fault", code=str(fault.pk),
                before={"open": True}, after={"open": False, "decision": decision}, why=decision,
            )  # fmt: skip
    return fault


def lift_notice(actor, notice: EditionNotice, *, reason: str) -> EditionNotice:
    """Take a notice off an edition, with the reason. The notice and the reason are kept."""
    require_editor(actor, "lift a notice")
    reason = said(reason, "reason", needed="Say why readers no longer need the notice.")
    with transaction.atomic():
        notice = EditionNotice.objects.select_for_update(of=("self",)).select_related("edition__comparison").defer(
            "edition__package", "edition__results", "edition__page"
        ).get(pk=notice.pk)  # fmt: skip
        if notice.lifted_at is not None:
            raise Stale("This notice was lifted already.")
        notice.lifted_at, notice.lifted_by, notice.lifted_reason = timezone.now(), actor, reason
        notice.save(update_fields=["lifted_at", "lifted_by", "lifted_reason"])
        record(
            actor, "lifted a notice", comparison=notice.edition.comparison, thing="edition",
            code=str(notice.edition.number), before={"text": notice.text, "notice": notice.pk}, why=reason,
        )  # fmt: skip
    return notice


# -- correcting readings ---------------------------------------------------------------------------------


def suggested_factor(fault: InstrumentFault) -> str:
    """By what its readings are to be multiplied, from what the gauge showed for a true 1; "" where unknown.

    >>> suggested_factor(InstrumentFault(factor=Number("1.06")))
    '0.943396'
    """
    return f"{1 / fault.factor:.6g}" if fault.factor else ""


def correct_readings(
    actor, fault: InstrumentFault, programme: Programme, *, factor: str, reason: str, until: date | None = None
) -> ReadingCorrection:
    """Multiply the programme's readings of the fault's days by a factor when they are evaluated; undone at any time.

    until: the last day; by default the fault's own, or today. editing.Invalid, by field, where that cannot be:
    no factor, readings on a scale of temperature (whose zero is not nothing), days that are corrected already.
    """
    require_editor(actor, "correct readings")
    errors: dict[str, list[str]] = {}
    number = None
    try:
        number = _factor(factor)
    except NotReady as refusal:
        errors["factor"] = [str(refusal)]
    try:
        reason = said(reason, "reason", needed="Write why this factor: readers see it beside the results.")
    except NotReady as refusal:
        errors["reason"] = [str(refusal)]
    today = timezone.localdate()
    until = until or fault.until or today
    if until < fault.since or until > today or (fault.until and until > fault.until):
        last = fault.until or today
        errors["until"] = [f"Found {until}, expected a day from {fault.since} to {last}."]
    if errors:
        raise editing.Invalid(errors)
    with transaction.atomic():
        lock_programme(programme)
        mine = Reading.objects.filter(
            in_days(fault.since, until), programme=programme, instrument=fault.instrument, taken_at__isnull=False,
            trial__property__kind="quantity",
        )  # fmt: skip
        if not mine.exists():
            raise NotReady(f"“{programme}” has no dated reading of a quantity by this instrument in these days.")
        scales = _on_a_scale(mine)
        if scales:
            raise editing.Invalid({"factor": [
                f"Found readings in {', '.join(scales)}: a temperature's zero is a point on a scale, so that a factor "
                "would be wrong. Void and repeat them, or enter the offset with the calibration."
            ]})  # fmt: skip
        other = ReadingCorrection.objects.filter(
            programme=programme, instrument=fault.instrument, undone_at__isnull=True, since__lte=until,
            until__gte=fault.since,
        ).first()  # fmt: skip
        if other is not None:
            raise NotReady(
                f"These readings are corrected already, from {other.since} to {other.until} by {other.factor} "
                f"({other.code}): undo that first."
            )
        taken = set(ReadingCorrection.objects.filter(programme=programme).values_list("code", flat=True))
        row = ReadingCorrection.objects.create(
            programme=programme, code=free_code("correction", taken), instrument=fault.instrument, fault=fault,
            since=fault.since, until=until, factor=number, reason=reason, made_by=actor,
        )  # fmt: skip
        record(
            actor, "corrected readings", programme=programme, thing="correction", code=row.code,
            after={"instrument": str(fault.instrument), "since": str(row.since), "until": str(row.until),
                   "factor": str(number), "readings": mine.count()}, why=reason, changes_draft=True,
        )  # fmt: skip
    return row


def _on_a_scale(readings) -> list[str]:
    """The units with an offset (degC, degF) that these readings were typed in or are judged in."""
    found = set()
    rows = readings.order_by().values_list("unit_of_measure", "trial__reading_unit", "trial__property__unit").distinct()
    for typed, of_trial, of_property in rows:
        for unit in {typed, of_trial or of_property} - {""}:
            try:
                if units.parse_unit(unit).has_offset:
                    found.add(unit)
            except units.UnitError:
                continue
    return sorted(found)


def undo_correction(actor, row: ReadingCorrection, *, reason: str) -> ReadingCorrection:
    """Take a correction back: the readings count as typed again. The row and both reasons are kept."""
    require_editor(actor, "undo a correction")
    reason = said(reason, "reason", needed="Say why the readings should count as typed again.")
    with transaction.atomic():
        lock_programme(row.programme)
        row = ReadingCorrection.objects.select_for_update(of=("self",)).select_related("programme").get(pk=row.pk)
        if row.undone_at is not None:
            raise Stale("This correction was undone already.")
        row.undone_at, row.undone_by, row.undone_reason = timezone.now(), actor, reason
        row.undone_at_text = row.undone_at.isoformat(timespec="seconds")
        row.save(update_fields=["undone_at", "undone_at_text", "undone_by", "undone_reason"])
        record(
            actor, "undid a correction", programme=row.programme, thing="correction", code=row.code,
            before={"factor": str(row.factor), "since": str(row.since), "until": str(row.until)}, why=reason,
            changes_draft=True,
        )  # fmt: skip
    return row


def comparisons_of(programmes) -> list[Comparison]:
    """The comparisons that judge these programmes."""
    return list(Comparison.objects.filter(parts__programme__in=programmes).distinct().order_by("title"))

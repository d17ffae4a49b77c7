"""The team's instruments, their calibrations, and what follows when one is found wrong later."""

from __future__ import annotations

import csv
from datetime import date

from django import forms
from django.contrib import messages
from django.db.models import Count, OuterRef, Q, Subquery
from django.db.models.functions import Coalesce
from django.http import StreamingHttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from comparisons.models import EditionNotice
from comparisons.services import affected, editing
from comparisons.services import instruments as service
from comparisons.services.errors import Refused
from comparisons.services.roles import can_prepare, is_editor
from specimens.models import Calibration, Instrument, InstrumentFault, Programme, Reading, ReadingCorrection

from .desk import members_only
from .editing import DeskForm, edit

SOON_DAYS = 30


class InstrumentForm(DeskForm):
    class Meta:
        model = Instrument
        fields = (
            "name", "serial", "unit", "range_low", "range_high", "resolution", "accuracy_pct", "accuracy_basis",
            "accuracy_abs", "calibrated_on", "due_on",
        )  # fmt: skip
        labels = {
            "serial": "Serial number", "unit": "Unit of its numbers", "range_low": "Range from",
            "range_high": "Range to",
            "resolution": "Resolution", "accuracy_pct": "Accuracy in percent", "accuracy_basis": "Percent of what",
            "accuracy_abs": "Accuracy, give or take", "calibrated_on": "Last calibrated on", "due_on": "Next due on",
        }  # fmt: skip
        help_texts = {
            "unit": "Such as N, mm, lbf, degC. Range, resolution and accuracy are in it.",
            "resolution": "The smallest step that it shows.",
            "accuracy_abs": "In its unit; it adds to the percentage where both are stated.",
        }  # fmt: skip


class CalibrationForm(DeskForm):
    class Meta:
        model = Calibration
        fields = ("calibrated_on", "due_on", "U", "k", "offset", "gain", "certificate")
        labels = {
            "calibrated_on": "Calibrated on", "due_on": "Next due on", "U": "Expanded uncertainty U",
            "k": "Coverage factor k", "offset": "Offset found", "gain": "Gain found", "certificate": "Certificate",
        }  # fmt: skip
        help_texts = {
            "U": "In the instrument’s unit, as the certificate states it.",
            "offset": "What it shows for a true 0; results take it off.",
            "gain": "What it shows for a true 1, besides the offset, such as 1.002; results take it off.",
            "certificate": "Number or name of the certificate.",
        }  # fmt: skip


@members_only
@require_safe
def instruments(request):
    """Every instrument with its range, its calibration and whether it is due, and what was found wrong."""
    today = timezone.localdate()
    readings = (
        Reading.objects.filter(instrument=OuterRef("pk")).order_by().values("instrument").annotate(n=Count("pk"))
        .values("n")
    )  # fmt: skip
    rows = list(Instrument.objects.annotate(
        n_readings=Coalesce(Subquery(readings), 0), n_programmes=Count("programmes", distinct=True),
        n_open=Count("faults", filter=Q(faults__closed_at__isnull=True), distinct=True),
    ).order_by("name", "serial"))  # fmt: skip
    for row in rows:
        row.overdue = bool(row.due_on and row.due_on < today)
        row.soon = bool(row.due_on and not row.overdue and (row.due_on - today).days <= SOON_DAYS)
        row.range = _range(row)
        row.accuracy = _accuracy(row)
    faults = InstrumentFault.objects.select_related("instrument", "recorded_by").order_by("closed_at", "-recorded_at")
    return render(request, "desk/instruments.html", {
        "instruments": rows, "faults": list(faults), "prepares": can_prepare(request.user),
    })  # fmt: skip


def _range(row: Instrument) -> str:
    ends = [str(end) for end in (row.range_low, row.range_high) if end is not None]
    return f"{' to '.join(ends) if len(ends) == 2 else ''.join(f'up to {end}' for end in ends)} {row.unit}".strip()


def _accuracy(row: Instrument) -> str:
    parts = []
    if row.accuracy_pct is not None:
        parts.append(f"±{row.accuracy_pct} % {row.get_accuracy_basis_display()}".strip())
    if row.accuracy_abs is not None:
        parts.append(f"±{row.accuracy_abs} {row.unit}".strip())
    return ", ".join(parts)


def _edit(request, row, form_class, *, thing: str, title: str, back: str, done: str, then=None):
    return edit(
        request, form_class=form_class, row=row, place=None, thing=thing, title=title, back=back, done=done,
        save=service.save, create=service.create, then=then, template="desk/instruments_form.html",
    )  # fmt: skip


@members_only
@require_http_methods(["GET", "HEAD", "POST"])
def add(request):
    """A new instrument."""
    return _edit(
        request, Instrument(), InstrumentForm, thing="instrument", title="New instrument",
        back=reverse("desk-instruments"), done="The instrument is added.",
        then=lambda row, form: reverse("desk-instrument", args=[row.pk]),
    )  # fmt: skip


@members_only
@require_http_methods(["GET", "HEAD", "POST"])
def change(request, pk: int):
    """An instrument's own data. Results of every draft that rests on it are worked out anew."""
    row = get_object_or_404(Instrument, pk=pk)
    return _edit(
        request, row, InstrumentForm, thing="instrument", title=str(row), back=reverse("desk-instrument", args=[pk]),
        done="Saved. Drafts that rest on it have to be evaluated again.",
    )  # fmt: skip


@members_only
@require_http_methods(["GET", "HEAD", "POST"])
def calibration(request, pk: int, row: int | None = None):
    """A calibration of an instrument, new or stored."""
    instrument = get_object_or_404(Instrument, pk=pk)
    stored = Calibration(instrument=instrument) if row is None else get_object_or_404(
        Calibration.objects.select_related("instrument"), pk=row, instrument=instrument
    )
    return _edit(
        request, stored, CalibrationForm, thing="calibration",
        title=f"{'New calibration' if row is None else 'Calibration'} of {instrument}",
        back=reverse("desk-instrument", args=[pk]),
        done="Saved. Drafts that rest on it have to be evaluated again.",
    )  # fmt: skip


@members_only
@require_safe
def instrument(request, pk: int):
    """One instrument: its calibrations, where it is used, what was found wrong with it."""
    return _instrument(request, pk)


def _instrument(request, pk: int, *, fault: str = "", status: int = 200):
    row = get_object_or_404(Instrument, pk=pk)
    row.range, row.accuracy = _range(row), _accuracy(row)
    row.overdue = bool(row.due_on and row.due_on < timezone.localdate())
    counts = dict(
        Reading.objects.filter(instrument=row).order_by().values_list("programme").annotate(n=Count("pk"))
    )
    known = {p.programme_id: p.code for p in row.programmes.all()}
    programmes = list(Programme.objects.order_by("name", "slug"))
    return render(request, "desk/instrument.html", {
        "instrument": row, "calibrations": list(row.calibrations.order_by("-calibrated_on")),
        "used": [(p, known.get(p.pk, ""), counts.get(p.pk, 0)) for p in programmes if p.pk in known or p.pk in counts],
        "others": [p for p in programmes if p.pk not in known],
        "faults": list(row.faults.select_related("recorded_by")), "judges": is_editor(request.user),
        "corrections": list(row.corrections.filter(fault__isnull=True).select_related("programme", "undone_by")),
        "prepares": can_prepare(request.user), "fault": fault,
    }, status=status)  # fmt: skip


@members_only
@require_POST
def use(request, pk: int):
    """Let a programme's bench choose the instrument."""
    row = get_object_or_404(Instrument, pk=pk)
    asked = request.POST.get("programme", "")
    programme = get_object_or_404(Programme, pk=int(asked) if asked.isdecimal() and len(asked) < 19 else 0)
    try:
        service.add_to_programme(request.user, row, programme)
    except Refused as refusal:
        return _instrument(request, pk, fault=str(refusal), status=422)
    messages.success(request, f"The bench of “{programme}” can choose it now.")
    return redirect("desk-instrument", pk=pk)


# -- found wrong -----------------------------------------------------------------------------------------


class FaultForm(forms.Form):
    """What was found. The service checks days and factor; here only that days are days."""

    since = forms.DateField(
        label="Wrong since", widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
        help_text="The first day on which it may have been wrong, such as the day after the last check that was good.",
        error_messages={"required": "Found no day, expected the first day on which it may have been wrong."},
    )  # fmt: skip
    until = forms.DateField(
        label="Until", required=False, widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
        help_text="The last day. Blank: it is wrong to this day.",
    )  # fmt: skip
    factor = forms.CharField(
        label="What it showed for a true 1", required=False, max_length=64,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
        help_text="1.06 where it showed 6 % too much, 0.98 where it showed 2 % too little. Blank: not known.",
    )  # fmt: skip
    what = forms.CharField(
        label="What was found, and how", max_length=20_000, widget=forms.Textarea(attrs={"rows": 3, "maxlength": 2000}),
        error_messages={"required": "Say in a sentence what was found, and how."},
    )  # fmt: skip


@members_only
@require_http_methods(["GET", "HEAD", "POST"])
def wrong(request, pk: int):
    """Record that an instrument was found wrong."""
    row = get_object_or_404(Instrument, pk=pk)
    form = FaultForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            made = service.record_fault(
                request.user, row, since=form.cleaned_data["since"], until=form.cleaned_data["until"],
                what=form.cleaned_data["what"], factor=form.cleaned_data["factor"],
            )  # fmt: skip
        except editing.Invalid as invalid:
            for name, lines in invalid.errors.items():
                for line in lines:
                    form.add_error(name or None, line)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(
                request, "Recorded. Drafts that rest on it are held, and published editions carry a notice."
            )
            return redirect("desk-fault", pk=made.pk)
    return render(request, "desk/fault_form.html", {
        "instrument": row, "form": form, "prepares": can_prepare(request.user),
    }, status=422 if request.method == "POST" else 200)  # fmt: skip


@members_only
@require_safe
def fault(request, pk: int):
    """All that rests on a gauge found wrong, comparison by comparison, and what can be done about it."""
    return _fault(request, pk)


def _fault(request, pk: int, *, refused: str = "", at: str = "", typed=None, status: int = 200):
    row = get_object_or_404(
        InstrumentFault.objects.select_related("instrument", "recorded_by", "closed_by"), pk=pk
    )
    found = affected.resting_on(row)
    unjudged = _unjudged(row, found)
    for one in found:  # what a refusal comes back to
        for part in one.programmes:
            part["at"] = f"correct-{part['programme'].pk}"
            for correction in part["corrections"]:
                correction.at = f"undo-{correction.pk}"
        for edition in one.editions:
            for notice in edition.told:
                notice.at = f"lift-{notice.pk}"
    return render(request, "desk/fault.html", {
        "fault": row, "resting": found, "unjudged": unjudged, "judges": is_editor(request.user), "refused": refused,
        "refused_at": at, "typed": typed or {}, "suggested": service.suggested_factor(row),
        "last_day": row.until or timezone.localdate(), "readings": sum(one.readings for one in found),
    }, status=status)  # fmt: skip


def _unjudged(row: InstrumentFault, found) -> list[tuple[Programme, int]]:
    """Programmes with such readings that no comparison judges."""
    judged = {part["programme"].pk for one in found for part in one.programmes}
    counts = dict(
        affected.readings_of(row).exclude(programme__in=judged).order_by().values_list("programme")
        .annotate(n=Count("pk"))
    )  # fmt: skip
    return [(programme, counts[programme.pk]) for programme in Programme.objects.filter(pk__in=counts)]


class _Echo:
    def write(self, value):
        return value


@members_only
@require_safe
def fault_readings(request, pk: int):
    """Every reading that a fault may have made wrong, as a table to take away."""
    row = get_object_or_404(InstrumentFault.objects.select_related("instrument"), pk=pk)
    writer = csv.writer(_Echo())
    lines = (writer.writerow([_inert(cell) for cell in cells]) for cells in affected.reading_rows(row))
    response = StreamingHttpResponse(lines, content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="readings-of-fault-{pk}.csv"'
    return response


def _inert(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula; a number with its sign stays one."""
    text = str(cell)
    if text[:1] in "=@\t" or text[:1] in "+-" and not text[1:2].isdigit():
        return f"'{text}"
    return text


def _do(request, pk: int, at: str, do, done: str):
    """Call a service and go back to the fault; where it is refused, with what was typed."""
    try:
        do()
    except Refused as refusal:
        return _fault(request, pk, refused=str(refusal), at=at, typed=request.POST, status=422)
    messages.success(request, done)
    return redirect("desk-fault", pk=pk)


@members_only
@require_POST
def close(request, pk: int):
    """Say what was decided; drafts are held no longer."""
    row = get_object_or_404(InstrumentFault, pk=pk)
    return _do(
        request, pk, "close",
        lambda: service.close_fault(request.user, row, decision=request.POST.get("decision", "")),
        "Decided. Drafts are held no longer; notices stay until you lift them.",
    )  # fmt: skip


@members_only
@require_POST
def correct(request, pk: int):
    """Correct one programme's readings by a factor."""
    row = get_object_or_404(InstrumentFault.objects.select_related("instrument"), pk=pk)
    asked = request.POST.get("programme", "")
    programme = get_object_or_404(Programme, pk=int(asked) if asked.isdecimal() and len(asked) < 19 else 0)

    def do():
        service.correct_readings(
            request.user, row, programme, factor=request.POST.get("factor", ""),
            reason=request.POST.get("reason", ""), until=_day(request.POST.get("until", "")),
        )  # fmt: skip

    return _do(request, pk, f"correct-{programme.pk}", do, "The readings are corrected from now on, and stay as typed.")


def _day(text: str) -> date | None:
    if not text.strip():
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise editing.Invalid({"until": [f"Found “{text[:20]}”, expected a day such as 2026-03-31."]}) from None


@members_only
@require_POST
def undo(request, pk: int):
    """Take a correction back."""
    row = get_object_or_404(ReadingCorrection.objects.select_related("programme"), pk=pk)
    if row.fault_id is None:  # it came with a study, and no fault is written down for it here
        try:
            service.undo_correction(request.user, row, reason=request.POST.get("reason", ""))
        except Refused as refusal:
            return _instrument(request, row.instrument_id, fault=str(refusal), status=422)
        messages.success(request, "Undone: the readings count as they were typed.")
        return redirect("desk-instrument", pk=row.instrument_id)
    return _do(
        request, row.fault_id, f"undo-{pk}",
        lambda: service.undo_correction(request.user, row, reason=request.POST.get("reason", "")),
        "Undone: the readings count as they were typed.",
    )  # fmt: skip


@members_only
@require_POST
def lift(request, pk: int):
    """Lift a notice from an edition, and go back to where one was."""
    notice = get_object_or_404(EditionNotice.objects.select_related("edition__comparison").defer(
        "edition__package", "edition__results", "edition__page"), pk=pk)  # fmt: skip
    reason = request.POST.get("reason", "")
    if notice.fault_id and request.POST.get("from") == "fault":
        return _do(
            request, notice.fault_id, f"lift-{pk}",
            lambda: service.lift_notice(request.user, notice, reason=reason), "The notice is lifted.",
        )  # fmt: skip
    slug = notice.edition.comparison.slug
    try:
        service.lift_notice(request.user, notice, reason=reason)
    except Refused as refusal:
        from .editions import _page

        return _page(request, slug, fault=str(refusal), at=notice.edition.number, typed=reason, status=422)
    messages.success(request, "The notice is lifted.")
    return redirect("desk-editions", slug=slug)

"""Traces: upload a gauge's curve, see what the rule took, adjust it with a reason, make it a reading."""

from __future__ import annotations

import uuid
from urllib.parse import urlencode

from django.contrib import messages
from django.http import Http404, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from specimens.bench import entries, finding, traces
from specimens.bench.context import offered
from specimens.bench.errors import Refused
from specimens.bench.pack import label
from specimens.bench.typed import local_text, words
from specimens.models import Attachment, BenchPlace, Reading

from .access import at_most, enterers, members, posted_file, reads_comma, trial_or_404

TABLET = "the traces page"
ONCE_MORE = "its trace was reduced once more"
KEPT = ("rule", "start", "stop", "prominence", "drop", "axis", "of", "column_force", "column_extension", "column_time")


@enterers
@require_http_methods(["GET", "HEAD", "POST"])
@at_most(traces.MOST_BYTES, traces.too_large)
def upload(request, programme: str, code: str):
    """The traces of a trial, and the form that takes one more."""
    bench = trial_or_404(programme, code)
    if bench.property.kind != "quantity":
        raise Http404("only quantities have traces")
    where = {"programme": programme, "code": code}
    if request.method == "POST":
        try:
            specimen = finding.specimen(bench.programme, request.POST.get("specimen"))
            name, data = posted_file(request)
            asked = traces.wish(request.POST, reads_comma(request))
            made = traces.keep(bench, specimen, data, name=name, columns=asked.columns, actor=request.user)
        except Refused as refusal:
            messages.error(request, str(refusal))
            return redirect("bench-traces", **where)
        columns = {f"column_{role}": value for role, value in asked.columns.items()}
        page = reverse("bench-trace", kwargs={**where, "key": made.pk})
        return redirect(f"{page}?{urlencode(columns)}" if columns else page)
    planned = BenchPlace.objects.filter(trial=bench.trial, rater="").select_related("specimen").order_by("position")
    found = Attachment.objects.filter(kind="trace", specimen__isnull=False, path__startswith=f"files/traces/{code}/")
    return render(request, "bench/traces.html", {
        "bench": bench, "roles": traces.ROLES, "own": traces.own_rule(bench.trial), "rules": traces.RULES,
        "codes": [label(place.specimen) for place in planned],
        "traces": [
            {"key": one.pk, "specimen": label(one.specimen), "name": one.caption}
            for one in found.filter(programme=bench.programme).select_related("specimen").order_by("-pk")[:200]
        ],
    })  # fmt: skip


def _attachment(bench, key: int) -> Attachment:
    found = Attachment.objects.filter(
        pk=key, kind="trace", programme=bench.programme, specimen__isnull=False
    ).select_related("specimen").first()
    if found is None:
        raise Http404("no such trace")
    return found


def _looked_at(request, bench, attachment):
    """The trace, what is asked of it, and its reduction (None with a problem in words)."""
    form = request.POST if request.method == "POST" else request.GET
    own = traces.own_rule(bench.trial)
    asked = traces.wish(form, reads_comma(request), own)
    trace = traces.read(traces.content(attachment), asked.columns)
    return trace, asked, traces.reduce(trace, asked), own


@enterers
@require_http_methods(["GET", "HEAD", "POST"])
def curve(request, programme: str, code: str, key: int):
    """A trace's curve with what the rule takes; a POST makes the value a reading."""
    bench = trial_or_404(programme, code)
    attachment = _attachment(bench, key)
    try:
        trace, asked, reduction, own = _looked_at(request, bench, attachment)
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect("bench-traces", programme=programme, code=code)
    if request.method == "POST":
        return _store(request, bench, attachment, asked, reduction)
    unit = traces.force_unit(trace, bench.unit)
    query = urlencode({name: request.GET[name] for name in KEPT if request.GET.get(name)})
    chart = reverse("bench-trace-chart", kwargs={"programme": programme, "code": code, "key": key})
    return render(request, "bench/trace.html", {
        "bench": bench, "specimen": label(attachment.specimen), "attachment": attachment, "asked": asked, "own": own,
        "reduction": reduction, "rules": traces.RULES, "rule_name": traces.RULES[asked.rule],
        "value": None if reduction.value is None else traces.value_text(reduction.value),
        "range": None if reduction.peak_range is None else traces.value_text(reduction.peak_range),
        "unit": unit, "units": [row["text"] for row in offered(bench.unit)],
        "sketch": traces.sketch(trace, asked, reduction), "typed": {
            name: local_text(value, reads_comma(request)) if isinstance(value, float) else value
            for name, value in asked.parameters.items()
        },
        "chart": f"{chart}?{query}", "entry": uuid.uuid4(), "differs": own is not None and not asked.same(own),
        "earlier": _earlier(bench, attachment), "modes": bench.modes.values(),
        "instruments": bench.instruments.items(), "points": len(trace.force), "skipped": trace.skipped,
        "columns": trace.headings, "now": timezone.now().isoformat(timespec="seconds"),
    })  # fmt: skip


def _earlier(bench, attachment) -> list[Reading]:
    """The readings of this specimen that count by now, those that rest on this very trace first."""
    found = Reading.objects.filter(
        trial=bench.trial, specimen=attachment.specimen, replaced_by__isnull=True, void__isnull=True
    )
    return sorted(found.order_by("pk"), key=lambda reading: reading.trace != attachment.path)


def _store(request, bench, attachment, asked, reduction):
    """The reduced value as a reading, through the same door as a tablet's."""
    where = {"programme": bench.programme.slug, "code": bench.trial.code}
    if reduction.value is None:
        messages.error(request, f"The rule gives no value: {reduction.reason}.")
        return redirect("bench-trace", key=attachment.pk, **where)
    form = request.POST
    entry = {
        "id": form.get("entry", ""), "kind": "reading", "trial": bench.key, "specimen": label(attachment.specimen),
        "value": traces.value_text(reduction.value), "unit": form.get("unit", ""), "bound": form.get("bound", ""),
        "instrument": form.get("instrument", ""), "failure_mode": form.get("failure_mode", ""),
        "note": form.get("note", ""), "decision": form.get("decision", ""), "made_at": form.get("made_at", ""),
        "replaces": form.get("replaces", ""),
        "replace_reason": form.get("replace_reason", "").strip() or asked.reason or ONCE_MORE,
        "reduction": {
            "trace": attachment.pk, "rule": asked.rule, "parameters": asked.parameters, "columns": asked.columns,
            "reason": asked.reason,
        },
    }  # fmt: skip
    answer = entries.submit(request.user, TABLET, [entry])["answers"][0]
    if answer["status"] in ("stored", "already"):
        messages.success(request, f"Stored as {answer.get('reading')}. {answer['text']}".strip())
        return redirect("bench-traces", **where)
    messages.error(request, answer["text"])
    query = urlencode({name: form[name] for name in (*KEPT, "reason") if form.get(name)})
    page = reverse("bench-trace", kwargs={**where, "key": attachment.pk})
    return redirect(f"{page}?{query}")


@members
@require_safe
def chart(request, programme: str, code: str, key: int):
    """The curve as a figure for Plotly."""
    bench = trial_or_404(programme, code)
    attachment = _attachment(bench, key)
    try:
        trace, asked, reduction, _ = _looked_at(request, bench, attachment)
    except Refused as refusal:
        return JsonResponse({"error": str(refusal)}, status=400)
    title = f"Trace of {words(label(attachment.specimen), 'specimen')}"
    figure = traces.figure(trace, asked, reduction, title, traces.force_unit(trace, bench.unit))
    return JsonResponse(figure)

"""Traces: the gauge's own curve of a specimen, reduced to one value by a named rule that is kept with it."""

from __future__ import annotations

import hashlib
import re
import uuid
from dataclasses import dataclass, field
from decimal import Decimal

from django.core.files.base import ContentFile
from django.db import transaction

from specimens.models import Attachment, Specimen, TraceReduction, Trial

from . import context, finding, hooks
from .entries import note
from .errors import Refused
from .pack import label
from .typed import local_number, words

MOST_BYTES = 5_000_000
MOST_DRAWN = 2000  # points in a chart
RULES = {
    "peak": "greatest force",
    "mean_window": "mean force over a window",
    "median_peaks": "median of the peaks",
    "iso_6133": "median of peaks, as in ISO 6133",
    "slope": "slope over a window",
    "break": "at the break",
}
PARAMETERS = {
    "peak": ("start", "stop"), "mean_window": ("start", "stop"), "median_peaks": ("prominence", "start", "stop"),
    "iso_6133": ("prominence", "start", "stop"), "slope": ("start", "stop"), "break": ("drop",),
}  # fmt: skip
CHOICES = {"axis": ("extension", "time"), "of": ("extension", "force", "time")}
ROLES = ("force", "extension", "time")
_UNIT = re.compile(r"[(\[]\s*([^)\]]+?)\s*[)\]]|,\s*(\S+)\s*$|\bin\s+(\S+)\s*$")


@dataclass
class Wish:
    """How a trace is to be reduced: rule, its parameters, which columns, and why that departs from the trial's own."""

    rule: str = "peak"
    parameters: dict = field(default_factory=dict)
    columns: dict = field(default_factory=dict)
    reason: str = ""

    def same(self, other: Wish) -> bool:
        return (self.rule, self.parameters) == (other.rule, other.parameters)


def wish(form, comma: bool, own: Wish | None = None) -> Wish:
    """A wish from a form; where it says nothing, the trial's own rule. Raises Refused."""
    base = own or Wish()
    columns = {}
    for role in ROLES:
        if named := words(form.get(f"column_{role}"), f"column of {role}", 100):
            columns[role] = int(named) if named.isdecimal() and len(named) < 4 else named
    if not form.get("rule"):
        return Wish(base.rule, dict(base.parameters), columns)
    rule = form["rule"]
    if rule not in RULES:
        raise Refused("Choose one of the rules.")
    parameters: dict = {}
    for name in PARAMETERS[rule]:
        if form.get(name, "").strip():
            parameters[name] = float(local_number(form[name], name, comma))
    if form.get("axis") == "time":
        parameters["axis"] = "time"
    if rule == "break" and form.get("of") in CHOICES["of"]:
        parameters["of"] = form["of"]
    return Wish(rule, parameters, columns, words(form.get("reason"), "reason"))


def read(data: bytes, columns: dict):
    """The trace of a file. Raises Refused with one line: too large, binary, one row, no known column."""
    if len(data) > MOST_BYTES:
        raise Refused(too_large(len(data)))
    try:
        return hooks.call("read_trace", data, **columns)
    except ValueError as error:
        raise Refused(f"The trace cannot be read: {error}.") from None


def too_large(size: int) -> str:
    return (
        f"The trace has {size / 1e6:,.0f} MB: at most {MOST_BYTES // 10**6} MB are read. Save it with fewer points"
        " or fewer columns."
    )


def keep(bench: context.Bench, specimen: Specimen, data: bytes, *, name: str, columns: dict, actor) -> Attachment:
    """Keep a trace with its specimen, once it can be read. The same file again gives the same row. Raises Refused."""
    read(data, columns)
    digest = hashlib.sha256(data).hexdigest()
    known = Attachment.objects.filter(specimen=specimen, kind="trace", sha256=digest).first()
    if known is not None:
        return known
    made = Attachment(
        programme=bench.programme, kind="trace", sha256=digest, about="specimen", specimen=specimen,
        path=f"files/traces/{bench.trial.code}/{specimen.code}-{digest[:8]}.csv",
        caption=words(name, "name", 200),
    )  # fmt: skip
    made.content.save(f"{uuid.uuid4().hex}.csv", ContentFile(data), save=False)
    with transaction.atomic():
        finding.lock(bench.programme)
        made.save(force_insert=True)
        note(
            actor, "added a trace", programme=bench.programme, thing="file", code=made.path,
            after={"specimen": label(specimen), "sha256": digest},
        )  # fmt: skip
    return made


def own_rule(trial: Trial) -> Wish | None:
    """The trial's own rule: that of its first reduction that gave no reason to differ. One query."""
    first = TraceReduction.objects.filter(trial=trial, reason="").order_by("pk").first()
    return Wish(first.rule, first.parameters, first.columns) if first else None


def content(attachment: Attachment) -> bytes:
    with attachment.content.open("rb") as stream:
        return stream.read(MOST_BYTES + 1)


def reduce(trace, asked: Wish):
    """The reduction of a trace: an object with `value`, or None with `reason`."""
    return hooks.call("reduce_trace", trace, asked.rule, **asked.parameters)


def value_text(value: float) -> str:
    """A reduced value as it becomes a reading: six significant digits, a plain decimal."""
    return format(Decimal(f"{value:.6g}"), "f")


def force_unit(trace, target: str) -> str:
    """The unit that the force column's heading names, where it fits; else the trial's own."""
    found = _UNIT.search(trace.headings.get("force", ""))
    named = next((part for part in found.groups() if part), "") if found else ""
    return named if named and context.fits(named, target) else target


def in_words(asked: Wish, reduction) -> str:
    """A reduction as the record keeps it."""
    parameters = ", ".join(f"{name} {value}" for name, value in sorted(asked.parameters.items()))
    text = f"Reduced by {reduction.rule} ({RULES[asked.rule]}{f'; {parameters}' if parameters else ''})"
    if reduction.window:
        low, high = reduction.window
        text += f", from {low:.4g} to {high:.4g}"
    text += f", {reduction.n} {'peaks' if reduction.peaks and asked.rule != 'peak' else 'points'}."
    return f"{text} Differs from the trial's own rule: {asked.reason}" if asked.reason else text


def check_wish(asked: Wish, own: Wish | None) -> None:
    """A rule that differs from the trial's own needs its reason. Raises Refused."""
    if own is not None and not asked.same(own) and not asked.reason:
        raise Refused(
            "This differs from how the trial's other traces were reduced: say why, or take the trial's own rule."
        )


def prepared(bench: context.Bench, specimen, sent: object, value: str) -> tuple[str, Wish, object]:
    """The trace behind a reading entry: its path, how it is reduced, the reduction. Raises Refused.

    sent: {"trace": key of the attachment, "rule", "parameters", "columns", "reason"}. The value is worked
    out here again, and has to be the entry's own.
    """
    if not isinstance(sent, dict):
        raise Refused("Found no trace, expected its key and its rule.")
    key = sent.get("trace")
    attachment = Attachment.objects.filter(
        pk=key if isinstance(key, int) and not isinstance(key, bool) else None, specimen_id=specimen.pk, kind="trace"
    ).first()
    if attachment is None:
        raise Refused(f"There is no such trace of the specimen {label(specimen)}: upload it again.")
    parameters, columns = sent.get("parameters") or {}, sent.get("columns") or {}
    if sent.get("rule") not in RULES or not isinstance(parameters, dict) or not isinstance(columns, dict):
        raise Refused("Choose one of the rules.")
    asked = Wish(sent["rule"], parameters, columns, words(sent.get("reason"), "reason"))
    check_wish(asked, own_rule(bench.trial))
    reduction = reduce(read(content(attachment), columns), asked)
    if reduction.value is None:
        raise Refused(f"The rule gives no value: {reduction.reason}.")
    if value != value_text(reduction.value):
        raise Refused(f"The rule gives {value_text(reduction.value)}, but {value} came: open the curve again.")
    return attachment.path, asked, reduction


# --- the curve


def thinned(x: list[float], y: list[float]) -> tuple[list[float], list[float]]:
    """The curve with at most `MOST_DRAWN` points: of each stretch its least and its greatest, so peaks remain."""
    if len(x) <= MOST_DRAWN:
        return x, y
    stretch = -(-len(x) // (MOST_DRAWN // 2))
    kept = []
    for start in range(0, len(x), stretch):
        part = range(start, min(start + stretch, len(x)))
        kept += sorted({min(part, key=y.__getitem__), max(part, key=y.__getitem__)})
    return [x[i] for i in kept], [y[i] for i in kept]


def axis_of(trace, asked: Wish) -> tuple[list[float], str]:
    """The axis of a curve and its name: what the rule uses, else whatever the file has, else the row number."""
    wanted = asked.parameters.get("axis", "extension")
    for name in dict.fromkeys((wanted, "extension", "time")):
        values = trace.axis(name)
        if values is not None:
            return [float(v) for v in values], trace.headings.get(name, name)
    return [float(i) for i in range(len(trace.force))], "row"


def figure(trace, asked: Wish, reduction, title: str, unit: str) -> dict:
    """The curve with what the rule took, for Plotly: plain JSON, its colours named by the page's inks."""
    x, name = axis_of(trace, asked)
    force = [float(v) for v in trace.force]
    shown_x, shown_y = thinned(x, force)
    font = {"family": "Arial, sans-serif", "size": 13, "color": "ink:ink"}
    axis = {"gridcolor": "ink:rule", "linecolor": "ink:strong-rule", "zerolinecolor": "ink:rule", "tickfont": font}
    layout = {
        "margin": {"l": 60, "r": 12, "t": 8, "b": 48}, "height": 380, "showlegend": False, "font": font,
        "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)", "hovermode": "closest",
        "xaxis": axis | {"title": {"text": name}}, "yaxis": axis | {"title": {"text": f"force, {unit}"}},
    }  # fmt: skip
    data = [{
        "type": "scatter", "mode": "lines", "x": shown_x, "y": shown_y, "line": {"color": "ink:ink", "width": 1.2},
        "hovertemplate": "%{x:.4g}: %{y:.4g}<extra></extra>", "name": "force",
    }]  # fmt: skip
    if reduction is not None and reduction.window:
        low, high = reduction.window
        layout["shapes"] = [{
            "type": "rect", "xref": "x", "yref": "paper", "x0": low, "x1": high, "y0": 0, "y1": 1, "layer": "below",
            "fillcolor": "ink:shade", "line": {"color": "ink:accent", "width": 1},
        }]  # fmt: skip
    if reduction is not None and reduction.peaks:
        data.append({
            "type": "scatter", "mode": "markers", "x": [p[0] for p in reduction.peaks],
            "y": [p[1] for p in reduction.peaks], "name": "peaks taken",
            "marker": {"symbol": "diamond-open", "size": 9, "color": "ink:accent", "line": {"width": 2}},
            "hovertemplate": "peak %{x:.4g}: %{y:.4g}<extra></extra>",
        })  # fmt: skip
    if reduction is not None and reduction.value is not None and asked.rule not in ("slope", "break"):
        ends = reduction.window or [min(x), max(x)]
        data.append({
            "type": "scatter", "mode": "lines", "x": ends, "y": [reduction.value] * 2, "name": "value",
            "line": {"color": "ink:accent", "width": 2, "dash": "dash"},
            "hovertemplate": "value %{y:.6g}<extra></extra>",
        })  # fmt: skip
    return {"title": title, "data": data, "layout": layout}


def sketch(trace, asked: Wish, reduction, width: int = 640, height: int = 220) -> dict:
    """The curve as an SVG's coordinates, for the page without script: points, window, peaks, ends of the axes."""
    x, name = axis_of(trace, asked)
    force = [float(v) for v in trace.force]
    shown_x, shown_y = thinned(x, force)
    left, right, low, high = min(x), max(x), min(0.0, *force), max(force)
    across, up = (right - left) or 1.0, (high - low) or 1.0

    def place(px: float, py: float) -> tuple[float, float]:
        return round((px - left) / across * width, 1), round((1 - (py - low) / up) * height, 1)

    window = None
    if reduction is not None and reduction.window:
        start, stop = (max(left, min(right, end)) for end in reduction.window)
        window = {"x": place(start, 0)[0], "width": round((stop - start) / across * width, 1)}
    return {
        "width": width, "height": height, "axis": name, "left": f"{left:.4g}", "right": f"{right:.4g}",
        "low": f"{low:.4g}", "high": f"{high:.4g}", "window": window,
        "points": " ".join(f"{px},{py}" for px, py in map(place, shown_x, shown_y)),
        "peaks": [place(px, py) for px, py in (reduction.peaks if reduction is not None else [])],
    }  # fmt: skip

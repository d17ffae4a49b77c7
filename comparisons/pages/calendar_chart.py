"""The calendar of a programme as horizontal bars for Plotly: the soak, the rest, and the days at the bench."""

from __future__ import annotations

from datetime import timedelta

from .charts import ACCENT, INK, REST, ROW, SOFT, layout_of, plain_figure

DAY_MS = 24 * 3600 * 1000


def calendar_figure(appointments) -> dict:
    """One row for each trial, in the table's order; the trace's name says which part of the work a bar is."""
    layout = layout_of([one.name for one in appointments], "")
    layout["xaxis"] = {**layout["xaxis"], "type": "date", "title": {"text": ""}, "tickformat": "%-d %b\n%Y"}
    layout["barmode"] = "overlay"
    layout["showlegend"] = True
    layout["legend"] = {"orientation": "h", "x": 0, "y": 1, "yanchor": "bottom"}
    layout["height"] = max(layout.get("height", 0), REST + 30 + ROW * len(appointments))
    parts = (
        ("in the condition", "soak_start", "soak_end", SOFT, 0), ("rest", "soak_end", "ready", "ink:rule", 0),
        ("at the bench", "bench_start", "bench_end", ACCENT, 1),
    )  # fmt: skip
    traces = []
    for name, begin, end, ink, whole_days in parts:
        rows = []
        for i, one in enumerate(appointments):
            first, last = getattr(one.slot, begin), getattr(one.slot, end)
            days = (last - first).days + whole_days
            if days > 0:
                rows.append((i, first, days, last if whole_days else first + timedelta(days=days)))
        if rows:
            traces.append({
                "type": "bar", "orientation": "h", "name": name, "y": [-i for i, *_ in rows],
                "base": [first.isoformat() for _, first, _, _ in rows], "x": [days * DAY_MS for _, _, days, _ in rows],
                "width": 0.3, "offset": -0.32, "marker": {"color": ink, "line": {"color": INK, "width": 1}},
                "text": [f"{first:%-d %b} to {last:%-d %b %Y}" for _, first, _, last in rows],
                "textposition": "none", "hovertemplate": f"{name}: %{{text}}<extra></extra>",
            })  # fmt: skip
    return plain_figure(traces, layout, "Calendar of the programme")

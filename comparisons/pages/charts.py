"""Figures for Plotly, made on the server as plain JSON; each draws the numbers of the table beside it.

They are an enhancement: every number and word is in its table. Trace types are held to what the vendored
bundle can draw, since it draws an unknown type as something else without an error. Colours are the
colour-blind-safe set of Okabe and Ito (2008), from memory; nothing is told by colour alone.
"""

from __future__ import annotations

import json

ALLOWED = frozenset({"scatter", "bar"})
INK, ACCENT, QUIET = "#1b1a17", "#0072b2", "#8a8578"
ROW, HEAD = 34, 90  # heights in pixels of a row and of what surrounds the rows


def figures(page: dict) -> dict[str, dict]:
    """All figures of a page by name: one for each ranking, one for each table of claims with numbers."""
    made = {}
    for ranking in page["rankings"]:
        rows = [row for row in ranking["chart"] if row["score"] is not None]
        if len(rows) > 1:
            made[ranking["anchor"]] = ranking_figure(ranking["name"], rows)
    for table in page["claims"]:
        if table["chart"]:
            made[table["anchor"]] = claims_figure(table["title"], table["unit"], table["chart"])
    return made


def ranking_figure(name: str, rows: list[dict]) -> dict:
    """Scores with their intervals, the best on top; rows: product, score, low, high (None: no interval)."""
    from plotly import graph_objects as go

    rows = rows[::-1]
    known = all(row["low"] is not None for row in rows)
    error = {}
    if known:
        error["error_x"] = {
            "type": "data", "symmetric": False, "array": [row["high"] - row["score"] for row in rows],
            "arrayminus": [row["score"] - row["low"] for row in rows], "thickness": 2, "width": 5, "color": QUIET,
        }  # fmt: skip
    trace = go.Scatter(
        x=[row["score"] for row in rows], y=[row["product"] for row in rows], mode="markers", name="score",
        marker={"symbol": "line-ns-open", "size": 16, "line": {"width": 3}, "color": ACCENT},
        hovertemplate="%{y}: %{x:.1f} of 100<extra></extra>", **error,
    )  # fmt: skip
    layout = _layout(len(rows), f"score, 0 to 100{', with what is likely' if known else ''}")
    layout["xaxis"]["range"] = [0, 100]
    return _plain([trace], layout, f"Scores, {name}")


def claims_figure(title: str, unit: str, rows: list[dict]) -> dict:
    """Measured against claimed; rows: product, measured, claimed, low, high, text, statement."""
    from plotly import graph_objects as go

    labels = [f"{row['product']}<br>{row['text']}" for row in rows[::-1]]
    rows = rows[::-1]
    measured = go.Scatter(
        x=[row["measured"] for row in rows], y=labels, mode="markers+text", name="measured",
        text=["measured" if i == len(rows) - 1 else "" for i in range(len(rows))], textposition="top center",
        marker={"symbol": "line-ns-open", "size": 16, "line": {"width": 3}, "color": ACCENT},
        error_x={
            "type": "data", "symmetric": False, "thickness": 2, "width": 5, "color": QUIET,
            "array": [_length(row["high"], row["measured"]) for row in rows],
            "arrayminus": [_length(row["measured"], row["low"]) for row in rows],
        },
        customdata=[row["statement"] for row in rows],
        hovertemplate=f"%{{y}}<br>measured %{{x}} {unit}: %{{customdata}}<extra></extra>",
    )  # fmt: skip
    claimed = go.Scatter(
        x=[row["claimed"] for row in rows], y=labels, mode="markers+text", name="claimed",
        text=["claimed" if i == len(rows) - 1 else "" for i in range(len(rows))], textposition="bottom center",
        marker={"symbol": "diamond-open", "size": 11, "line": {"width": 2}, "color": INK},
        hovertemplate=f"%{{y}}<br>claimed %{{x}} {unit}<extra></extra>",
    )  # fmt: skip
    return _plain(
        [measured, claimed],
        _layout(len(rows), f"{title}{f', {unit}' if unit else ''}", 44),
        f"{title}: claimed and measured",
    )


def _length(a: float | None, b: float | None) -> float:
    return 0.0 if a is None or b is None else a - b


def _layout(rows: int, axis: str, row_height: int = ROW) -> dict:
    """What all figures share. Colours of ink and paper are the page's own: its script puts them in."""
    return {
        "height": HEAD + row_height * rows,
        "margin": {"l": 8, "r": 16, "t": 16, "b": 52},
        "showlegend": False,
        "xaxis": {
            "title": {"text": axis, "standoff": 10},
            "automargin": True,
            "zeroline": False,
            "fixedrange": False,
        },
        "yaxis": {"automargin": True, "ticks": "", "fixedrange": True, "showgrid": False},
        "hovermode": "closest",
        "dragmode": False,
        "separators": ".\u202f",
    }


def _plain(traces: list, layout: dict, title: str) -> dict:
    """A figure as plain JSON with its title for those who do not see it. ValueError for another trace type."""
    from plotly import graph_objects as go

    figure = go.Figure(data=traces, layout=go.Layout(template="none", **layout))
    made = json.loads(figure.to_json())
    for trace in made["data"]:
        if trace["type"] not in ALLOWED:
            raise ValueError(f"trace type {trace['type']!r} is not among those that the page can draw")
    return {"title": title, "data": made["data"], "layout": made["layout"]}

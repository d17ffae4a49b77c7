"""Figures for Plotly, made on the server as plain JSON; each draws the numbers of the table beside it.

They are an enhancement: every number and word is in its table. Trace types are held to what the vendored
bundle can draw, since it draws an unknown type as something else without an error. Colours are named by
the page's inks ("ink:accent"), which its script fills in, light or dark. What tells one mark from
another is its shape and a word beside it, never colour alone.
"""

from __future__ import annotations

import json
from html import escape

ALLOWED = frozenset({"scatter", "bar"})
INK, SOFT, RULE, ACCENT = "ink:ink", "ink:soft", "ink:rule", "ink:accent"
SANS = '"Segoe UI", "Helvetica Neue", "Liberation Sans", Arial, sans-serif'
WORTH_A_CHART = 4  # claims in a table; fewer are seen at a glance in the table itself
ROW, REST = 46, 76  # heights in pixels: of a row, and of what surrounds the rows


def chart_names(page: dict) -> list[str]:
    """The names of a page's figures: up to three for each ranking, one for each longer table of claims."""
    names = [ranking["anchor"] for ranking in page["rankings"] if len(ranking["chart"]) > 1]
    for ranking in page["rankings"]:
        for key, kind in (("place_shares", "places"), ("bargain", "value")):
            if len((ranking.get(key) or {}).get("rows") or []) > 1:
                names.append(f"{kind}-{ranking['id']}")
    return names + [table["anchor"] for table in page["claims"] if len(table["chart"]) >= WORTH_A_CHART]


def figures(page: dict) -> dict[str, dict]:
    """All figures of a page by name."""
    return {name: figure(page, name) for name in chart_names(page)}


def figure(page: dict, name: str) -> dict:
    """One figure of a page; KeyError where it has none of that name."""
    if name not in chart_names(page):
        raise KeyError(name)
    from .ranking_charts import places_figure, value_figure

    for ranking in page["rankings"]:
        if ranking["anchor"] == name:
            return ranking_figure(ranking["name"], ranking["chart"])
        if name == f"places-{ranking['id']}":
            return places_figure(ranking["name"], ranking["place_shares"]["chart"])
        if name == f"value-{ranking['id']}":
            return value_figure(ranking["name"], ranking["bargain"]["chart"])
    table = next(table for table in page["claims"] if table["anchor"] == name)
    return claims_figure(table["title"], table["unit"], table["chart"])


def ranking_figure(name: str, rows: list[dict]) -> dict:
    """Scores with their intervals, the best on top; rows: product, score, low, high (None: no interval)."""
    known = all(row["low"] is not None for row in rows)
    axis = "score, 0 to 100" + (" (bar: likely range)" if known else "")
    layout = layout_of([row["product"] for row in rows], axis)
    layout["xaxis"]["range"] = [0, 100]
    trace = _marks(rows, "score", "score", "line-ns-open", ACCENT, "%{text}: %{x:.1f} of 100")
    if known:
        trace["error_x"] = _interval(rows, "score")
    return plain_figure([trace], layout, f"Scores, {name}")


def claims_figure(title: str, unit: str, rows: list[dict]) -> dict:
    """Measured against claimed; rows: product, measured, claimed, low, high, text, statement."""
    mark = f" {unit}" if unit else ""
    labels = [f"{row['product']}, claimed {row['text']}" for row in rows]
    measured = _marks(rows, "measured", "measured", "line-ns-open", INK, f"measured %{{x}}{mark}: %{{text}}")
    measured["text"] = [row["statement"] for row in rows]
    if any(row["low"] is not None for row in rows):
        measured["error_x"] = _interval(rows, "measured")
    claimed = _marks(rows, "claimed", "claimed", "diamond-open", ACCENT, f"claimed %{{x}}{mark}")
    layout = layout_of(labels, f"{unit or title} (stroke: measured, with its likely range; diamond: claimed)")
    return plain_figure([measured, claimed], layout, f"{title}: claimed and measured")


def _marks(rows: list[dict], key: str, name: str, symbol: str, ink: str, hover: str) -> dict:
    return {
        "type": "scatter",
        "mode": "markers",
        "name": name,
        "x": [row[key] for row in rows],
        "y": [-i for i in range(len(rows))],
        "text": [row["product"] for row in rows],
        "cliponaxis": False,
        "marker": {
            "symbol": symbol,
            "size": 15 if symbol.startswith("line") else 10,
            "color": ink,
            "line": {"width": 3 if symbol.startswith("line") else 2, "color": ink},
        },
        "hovertemplate": f"{hover}<extra></extra>",
    }


def _interval(rows: list[dict], key: str) -> dict:
    return {
        "type": "data",
        "symmetric": False,
        "array": [0.0 if row["high"] is None else row["high"] - row[key] for row in rows],
        "arrayminus": [0.0 if row["low"] is None else row[key] - row["low"] for row in rows],
        "thickness": 3,
        "width": 0,
        "color": SOFT,
    }


def layout_of(labels: list[str], axis: str) -> dict:
    """What all figures share: each row's name stands above its own line, so that no column is lost to it."""
    return {
        "height": REST + ROW * len(labels),
        "margin": {"l": 4, "r": 12, "t": 8, "b": 52},
        "showlegend": False,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": SANS, "size": 12, "color": INK},
        "xaxis": {
            "title": {"text": axis, "standoff": 8, "font": {"size": 12, "color": SOFT}},
            "zeroline": False,
            "gridcolor": RULE,
            "linecolor": INK,
            "tickcolor": INK,
            "ticks": "outside",
            "fixedrange": True,
        },
        "yaxis": {
            "range": [0.5 - len(labels), 0.75],
            "tickvals": [-i for i in range(len(labels))],
            "showticklabels": False,
            "gridcolor": RULE,
            "zeroline": False,
            "fixedrange": True,
        },
        "annotations": [
            {
                "x": 0, "xref": "paper", "xanchor": "left", "y": -i, "yref": "y", "yanchor": "bottom", "yshift": 7,
                "text": label, "showarrow": False, "align": "left",
                "bgcolor": "ink:paper", "borderpad": 1, "font": {"size": 12, "color": INK},
            }
            for i, label in enumerate(labels)
        ],
        "hovermode": "closest",
        "hoverlabel": {"bgcolor": "ink:paper", "bordercolor": INK, "font": {"color": INK, "family": SANS}},
        "dragmode": False,
    }  # fmt: skip


def plain_figure(traces: list[dict], layout: dict, title: str) -> dict:
    """A figure as plain JSON with its title. ValueError for a trace type that the page cannot draw.

    The figure is put together by Plotly's own package, which refuses what it does not know. It does not
    know our names for inks, so they are put back in afterwards.
    """
    from plotly import graph_objects as go

    for trace in traces:
        if trace["type"] not in ALLOWED:
            raise ValueError(f"trace type {trace['type']!r} is not among those that the page can draw")
    inks: dict[str, str] = {}
    spelled = {"data": _spelled(traces, inks), "layout": _spelled(layout, inks)}
    figure = go.Figure(data=spelled["data"], layout=go.Layout(template="none", **spelled["layout"]))
    made = json.loads(figure.to_json())
    return {"title": title} | _named({"data": made["data"], "layout": made["layout"]}, inks)


def _spelled(value, inks: dict[str, str]):
    """The figure with each named ink as a colour of its own that Plotly accepts; `inks` tells them apart.

    Plotly reads some HTML in texts, links too: a name that looks like it is escaped, and shown as it is.
    """
    if isinstance(value, dict):
        ours = "hovertemplate"  # written here, with marks that Plotly is meant to read
        return {key: inner if key == ours else _spelled(inner, inks) for key, inner in value.items()}
    if isinstance(value, list):
        return [_spelled(inner, inks) for inner in value]
    if isinstance(value, str) and value.startswith("ink:"):
        known = {name: spelled for spelled, name in inks.items()}
        spelled = known.get(value) or f"#0000{len(inks) + 1:02x}"
        inks[spelled] = value
        return spelled
    return escape(value, quote=False) if isinstance(value, str) else value


def _named(value, inks: dict[str, str]):
    if isinstance(value, dict):
        return {key: _named(inner, inks) for key, inner in value.items()}
    if isinstance(value, list):
        return [_named(inner, inks) for inner in value]
    return inks.get(value, value) if isinstance(value, str) else value

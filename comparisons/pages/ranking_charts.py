"""Figures of a ranking: how likely each place is, and score against price."""

from __future__ import annotations

from .charts import ACCENT, INK, REST, RULE, SANS, SOFT, layout_of, plain_figure
from .numbers import GAP, percent

PLACE_ROW = 80  # height of a product's row in pixels
TALLEST = 0.4  # of its row, for a share of one
TOLD = 0.05  # shares from which a bar carries its number
VALUE_HEIGHT = 460
CHARACTER, LINE = 6.4, 15.0  # pixels that a label's text takes
NARROW = (300.0, 360.0)  # a phone's plot in pixels, for which labels are placed
LABELLED = 14  # products whose labels still find room; of more, only the frontier's are written


def places_figure(name: str, chart: dict) -> dict:
    """Bars by place, one row of them for each product. chart: heads of the places, rows with product and shares."""
    rows, heads = chart["rows"], chart["heads"]
    bars = [(k + 1, -i, p) for i, row in enumerate(rows) for k, p in enumerate(row["shares"])]
    trace = {
        "type": "bar",
        "x": [x for x, _, _ in bars],
        "y": [TALLEST * p for _, _, p in bars],
        "base": [base for _, base, _ in bars],
        "width": 0.7,
        "marker": {"color": [ACCENT if x == 1 else SOFT for x, _, _ in bars]},
        "text": [percent(p) if p >= TOLD else "" for _, _, p in bars],
        "textposition": "outside",
        "textangle": 0,
        "constraintext": "none",
        "cliponaxis": False,
        "textfont": {"size": 11, "color": INK},
        "customdata": [
            f"{row['product']}, {head}: {_share(p)}"
            for row in rows for head, p in zip(heads, row["shares"], strict=True)
        ],
        "hovertemplate": "%{customdata}<extra></extra>",
    }  # fmt: skip
    layout = layout_of([row["product"] for row in rows], "place (height of a bar: share of draws)")
    layout["height"] = REST + PLACE_ROW * len(rows)
    layout["xaxis"] |= {
        "range": [0.5, len(heads) + 0.5],
        "tickvals": list(range(1, len(heads) + 1)),
        "ticktext": [head.replace(" or later", "+") for head in heads],
        "showgrid": False,
    }
    layout["yaxis"]["range"] = [0.95 - len(rows), 0.9]
    for note in layout["annotations"]:
        note["yshift"] = round(0.6 * PLACE_ROW)
    first = f", the first {len(rows)}" if chart["left_out"] else ""
    return plain_figure([trace], layout, f"Chance of each place, {name}{first}")


def _share(p: float) -> str:
    return f"under 1{GAP}%" if p < 0.01 else f"over 99{GAP}%" if p > 0.99 else percent(p)


def value_figure(name: str, chart: dict) -> dict:
    """Score against price, with the frontier as a stair. chart: currency, cap, points."""
    points = chart["points"]
    frontier = [p for p in points if p["frontier"]]
    costs = [p["cost"] for p in points]
    reached = [v for p in points for v in (p["low"], p["high"], p["score"]) if v is not None]
    stair = {
        "type": "scatter", "mode": "lines", "name": "frontier", "hoverinfo": "skip",
        "x": [p["cost"] for p in frontier] + [max(costs)],
        "y": [p["score"] for p in frontier] + [frontier[-1]["score"] if frontier else None],
        "line": {"shape": "hv", "color": ACCENT, "width": 1.5},
    }  # fmt: skip
    x, y = _span(costs, 0.08), _span(reached, 0.1)
    told = points if len(points) <= LABELLED else frontier
    labels = dict(zip((p["product"] for p in told), _positions(told, points, x, y), strict=True))
    marks = [
        _points([p for p in points if p["frontier"] == on], labels, chart["currency"], symbol, ink)
        for on, symbol, ink in ((False, "square-open", INK), (True, "diamond", ACCENT))
    ]
    layout = layout_of([], f"price of one, {chart['currency']}")
    layout |= {"height": VALUE_HEIGHT, "margin": {"l": 44, "r": 12, "t": 8, "b": 52}, "annotations": []}
    layout["xaxis"] |= {"range": x, "rangemode": "tozero"}
    layout["yaxis"] = {
        "range": y, "gridcolor": RULE, "zeroline": False, "fixedrange": True, "tickcolor": INK, "linecolor": INK,
        "title": {"text": "score, of 100", "standoff": 6, "font": {"size": 12, "color": SOFT}},
    }  # fmt: skip
    if chart["cap"] is not None and x[0] <= chart["cap"] <= x[1]:
        layout["shapes"] = [{
            "type": "line", "x0": chart["cap"], "x1": chart["cap"], "yref": "paper", "y0": 0, "y1": 1,
            "line": {"color": SOFT, "width": 1, "dash": "dash"},
        }]  # fmt: skip
        layout["annotations"] = [{
            "x": chart["cap"], "yref": "paper", "y": 0.0, "xanchor": "left", "yanchor": "bottom", "text": "price cap",
            "showarrow": False, "font": {"size": 11, "color": SOFT, "family": SANS},
        }]  # fmt: skip
    return plain_figure([stair, *(m for m in marks if m["x"])], layout, f"Score against price, {name}")


def _points(points: list[dict], labels: dict[str, str], currency: str, symbol: str, ink: str) -> dict:
    trace = {
        "type": "scatter",
        "mode": "markers+text",
        "name": "on the frontier" if symbol == "diamond" else "others",
        "x": [p["cost"] for p in points],
        "y": [p["score"] for p in points],
        "text": [p["product"] if p["product"] in labels else "" for p in points],
        "textposition": [labels.get(p["product"], "top center") for p in points],
        "textfont": {"size": 12, "color": INK, "family": SANS},
        "cliponaxis": False,
        "customdata": [p["product"] for p in points],
        "marker": {"symbol": symbol, "size": 9, "color": ink, "line": {"width": 2, "color": ink}},
        "hovertemplate": f"%{{customdata}}: %{{y:.1f}} of 100 for %{{x}} {currency}<extra></extra>",
    }
    if any(p["low"] is not None for p in points):
        trace["error_y"] = {
            "type": "data", "symmetric": False, "thickness": 1, "width": 0, "color": SOFT,
            "array": [0.0 if p["high"] is None else p["high"] - p["score"] for p in points],
            "arrayminus": [0.0 if p["low"] is None else p["score"] - p["low"] for p in points],
        }  # fmt: skip
    return trace


def _span(values: list[float], share: float) -> list[float]:
    low, high = min(values), max(values)
    pad = share * (high - low or abs(high) or 1.0)
    return [low - pad, high + pad]


def _positions(told: list[dict], points: list[dict], x: list[float], y: list[float]) -> list[str]:
    """Where each label stands, so that on a narrow screen it covers no other label or mark, if it can."""
    wide, tall = NARROW

    def at(point: dict) -> tuple[float, float]:
        return wide * (point["cost"] - x[0]) / (x[1] - x[0]), tall * (point["score"] - y[0]) / (y[1] - y[0])

    taken = [(cx - 6, cy - 6, cx + 6, cy + 6) for cx, cy in map(at, points)]
    for point in points:  # the strokes of likely ranges
        if point["low"] is not None:
            (cx, low), (_, high) = (at({**point, "score": point[end]}) for end in ("low", "high"))
            taken.append((cx - 1, low, cx + 1, high))
    stairs = [at(point) for point in points if point["frontier"]]
    for (ax, ay), (bx, by) in zip(stairs, [*stairs[1:], (wide, stairs[-1][1])] if stairs else [], strict=True):
        taken += [(ax, ay - 2, bx, ay + 2), (bx - 2, min(ay, by), bx + 2, max(ay, by))]
    chosen = []
    for point in told:
        cx, cy = at(point)
        width = CHARACTER * len(point["product"])
        best = None
        for place, dx, dy in (
            ("middle right", 8, -LINE / 2), ("middle left", -8 - width, -LINE / 2), ("top right", 4, 5),
            ("bottom right", 4, -5 - LINE), ("top left", -4 - width, 5), ("bottom left", -4 - width, -5 - LINE),
            ("top center", -width / 2, 7), ("bottom center", -width / 2, -7 - LINE),
        ):  # fmt: skip
            box = (cx + dx, cy + dy, cx + dx + width, cy + dy + LINE)
            covered = sum(_overlap(box, other) for other in taken)
            outside = max(0.0, -box[0]) + max(0.0, box[2] - wide) + max(0.0, -box[1]) + max(0.0, box[3] - tall)
            cost = covered + 40 * outside
            if best is None or cost < best[0] - 1e-9:
                best = (cost, place, box)
        chosen.append(best[1])
        taken.append(best[2])
    return chosen


def _overlap(a: tuple, b: tuple) -> float:
    return max(0.0, min(a[2], b[2]) - max(a[0], b[0])) * max(0.0, min(a[3], b[3]) - max(a[1], b[1]))

"""One trial as the desk shows it: every specimen with who, when and which gauge, and what is in doubt."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass, field

from . import words
from .dots import ASIDE, COUNTED, DOUBT, NEW, Dot, Lane, draw_dots, side_by_side, unit_kind
from .measured import drawn_claim
from .numbers import digits_of, symbol, with_unit, write
from .rangeline import Axis, Line, axis_for, draw_axis, fixed

_SIGN = {"<": -1, ">": 1}
FEW = 6  # names in a sentence; more are counted


@dataclass(frozen=True)
class Taken:
    """One reading as it stands in the database, with the names of the page it goes to."""

    code: str
    product: str
    unit: str
    specimen: str
    blind_code: str
    typed: str
    value: float | None
    bound: str
    who: str
    at: str
    gauge: str
    run: str
    order: float | None
    void: str = ""
    replaced: str = ""
    mode: str = ""
    note: str = ""


@dataclass(frozen=True)
class About:
    """The trial: names, unit and decimals of its property; scale where it is rated."""

    key: str
    title: str
    unit: str
    kind: str
    better: str
    decimals: int | None
    scale: tuple[float | None, float | None] = (None, None)
    products: dict[str, str] = field(default_factory=dict)  # code -> name


def rows_of(about: About, found: dict, taken: list[Taken]) -> list[dict]:
    """A row for each specimen's value and for each reading that does not count.

    found: the results document's rows of this trial. taken: its readings as they are now; those that the
    document does not know are told as not evaluated yet.
    """
    by_code = {one.code: one for one in taken}
    places = _places(about, found)
    rows, known = [], set()
    for row in found.get("specimens") or []:
        own = [by_code[code] for code in row["readings"] if code in by_code]
        known.update(row["readings"])
        state = (DOUBT if "suspect" in row["flags"] else COUNTED) if row["counted"] else ASIDE
        why = "" if row["counted"] else _why(row["why_not"] or "", own)
        changed = [one for one in own if one.void or one.replaced]
        if row["counted"] and changed and len(changed) == len(own):
            state, why = ASIDE, _why("", changed)  # since the evaluation
        rows.append(_row(about, row["product"], row["unit"], row["specimen"], row["value"], row["bound"], own, places,
                         state, why, row["flags"], row.get("rater")))  # fmt: skip
    for one in taken:
        if one.code not in known:
            state = ASIDE if one.void or one.replaced else NEW
            value = one.value if not found.get("divided") else None
            rows.append(_row(about, one.product, one.unit, one.specimen, value, one.bound or "=", [one], places, state,
                             _why("", [one]), [], None))  # fmt: skip
    return rows


def _row(about, product, unit, specimen, value, bound, own, places, state, why, flags, rater) -> dict:
    first = own[0] if own else None
    text = "" if value is None else write(value, places)
    if about.kind == "pass_fail" and value is not None:
        text = "pass" if value else "fail"
    return {
        "product": about.products.get(product, product), "product_code": product, "unit": unit or "",
        "specimen": specimen or "", "blind_code": first.blind_code if first else "", "value": value,
        "text": f"{bound} {text}" if bound in _SIGN and text else text, "bound": _SIGN.get(bound, 0),
        "typed": ", ".join(dict.fromkeys(one.typed for one in own)), "state": state, "why": why,
        "who": ", ".join(dict.fromkeys(one.who for one in own if one.who)) or rater or "",
        "at": first.at if first else "", "gauge": ", ".join(dict.fromkeys(one.gauge for one in own if one.gauge)),
        "run": first.run if first else "", "order": first.order if first else None,
        "readings": ", ".join(one.code for one in own), "mode": first.mode if first else "",
        "note": "; ".join(dict.fromkeys(one.note for one in own if one.note)),
        "flags": words.flags(flags, {"suspect"}),
    }  # fmt: skip


def _why(text: str, own: list[Taken]) -> str:
    """Why a reading is set aside: by whom and with what words, where a person did it."""
    said = [one.void or one.replaced for one in own if one.void or one.replaced]
    if said:
        return "; ".join(dict.fromkeys(said))
    if mode := re.match(r"failure mode (\S+) does not count", text):
        name = next((one.mode for one in own if one.mode), mode.group(1))
        return f"ended otherwise ({name}): does not count"
    return text


def _places(about: About, found: dict) -> int | None:
    if about.decimals is not None or about.kind != "quantity":
        return about.decimals if about.kind == "quantity" else None
    spreads = [row["sd"] for row in found.get("summaries") or [] if row.get("sd")]
    if not spreads:
        return None
    return max(0, min(digits_of(None, sorted(spreads)[len(spreads) // 2]), 6))


def axis_of(about: About, found: dict, rows: list[dict]) -> Axis | None:
    """The axis of all rows: it holds what is counted, the means and the claims; what lies beyond is an arrow."""
    if about.kind == "pass_fail":
        return fixed(-0.1, 1.1)
    low, high = about.scale
    if about.kind == "rating" and low is not None and high is not None:
        pad = (high - low) * 0.04
        return fixed(low - pad, high + pad)
    seen = [row["value"] for row in rows if row["value"] is not None and row["state"] in (COUNTED, NEW)]
    seen = seen or [row["value"] for row in rows if row["value"] is not None]
    marks = [mark for row in found.get("claims") or [] if (mark := drawn_claim(row))]
    claimed = [v for mark in marks for v in (mark.value, mark.low, mark.high) if v is not None]
    summaries = found.get("summaries") or []
    means = [row["mean"] for row in summaries if row["mean"] is not None]
    intervals = [(r["mean"] - r["U"], r["mean"] + r["U"]) for r in summaries if r["mean"] is not None and r["U"]]
    values = seen + claimed + means
    return axis_for(values, intervals, least=0.0 if values and min(values) >= 0 else None)


def units_of(rows: list[dict]) -> dict[str, dict[str, int]]:
    """product -> unit -> its kind (colour and shape), by the order of the units' codes."""
    units: dict[str, set[str]] = defaultdict(set)
    for row in rows:
        units[row["product_code"]].add(row["unit"])
    return {code: {unit: unit_kind(i) for i, unit in enumerate(sorted(own))} for code, own in units.items()}


def unit_name(product: str, unit: str) -> str:
    """A unit's code without its product's, which stands beside it."""
    return unit.removeprefix(product).lstrip("-_.") or unit or "unit unknown"


def dot_of(row: dict, about: About) -> Dot:
    told = [row["specimen"] or row["readings"], with_unit(row["text"], about.unit), row["who"], row["at"], row["state"]]
    told += [row["why"]] if row["why"] else []
    return Dot(row["value"], row["bound"], row["state"], ", ".join(part for part in told if part))


def drawn_rows(about: About, found: dict, rows: list[dict], table: list[dict], axis: Axis | None,
               kinds: dict[str, dict[str, int]]) -> list[dict]:  # fmt: skip
    """The dot plot: a row for each product of `table` (the page document's), drawn from `rows`."""
    of_product: dict[str, list[dict]] = defaultdict(list)
    for row in rows:
        if row["value"] is not None:
            of_product[row["product_code"]].append(row)
    summaries = {row["product"]: row for row in found.get("summaries") or []}
    shares = {row["product"]: row for row in found.get("pass_fail") or []}
    claims = defaultdict(list)
    for row in found.get("claims") or []:
        if mark := drawn_claim(row):
            claims[row["product"]].append(mark)
    made = []
    for told in table:
        code = told["code"]
        own = of_product.get(code, [])
        lanes: dict[str, list[Dot]] = defaultdict(list)
        for row in own:
            lanes[row["unit"]].append(dot_of(row, about))
        mean, low, high = _estimate(summaries.get(code), shares.get(code))
        said = ", ".join(part for part in (
            f"{told['name']}: {with_unit((told.get('value') or {}).get('text', ''), about.unit)}".rstrip(": "),
            told.get("likely", ""), f"{len(own)} dots",
        ) if part)  # fmt: skip
        line = Line(said, mean=mean, low=low, high=high, claims=claims.get(code, []))
        drawn = [
            Lane(kinds.get(code, {}).get(unit, 1), unit_name(code, unit),
                 lanes[unit] if about.kind == "quantity" else side_by_side(lanes[unit])) for unit in sorted(lanes)
        ]
        made.append(told | {"svg": draw_dots(axis, line, drawn) if axis and (own or mean is not None) else ""})
    return made


def _estimate(summary: dict | None, share: dict | None):
    if share and share.get("n"):
        low, high = share["clopper_pearson"] or (None, None)
        return share["share"], low, high
    if summary and summary["mean"] is not None:
        spread = summary["U"]
        ends = (None, None) if spread is None else (summary["mean"] - spread, summary["mean"] + spread)
        return summary["mean"], *ends
    return None, None, None


def axis_drawn(axis: Axis | None, kind: str) -> str:
    """The axis for the head of the column; of pass and fail it is told in words instead."""
    return draw_axis(axis) if axis and kind != "pass_fail" else ""


def letters_in_words(found: dict, names: dict[str, str]) -> dict[str, str]:
    """What the letters of each product mean: from which it differs, and from which it was not told apart."""
    difference = (found.get("differences") or [{}])[0]
    apart, alike, few = defaultdict(list), defaultdict(list), defaultdict(list)
    for pair in difference.get("pairs") or []:
        kept = {"different": apart, "no_difference_shown": alike}.get(pair["decided"], few)
        for one, other in ((pair["a"], pair["b"]), (pair["b"], pair["a"])):
            kept[one].append(names.get(other, other))
    said = {}
    for code in {*apart, *alike, *few}:
        parts = []
        if apart[code]:
            parts.append(f"differs from {_some(apart[code])}")
        if alike[code]:
            parts.append(f"not shown to differ from {_some(alike[code])}")
        if few[code]:
            parts.append(f"too few to tell from {_some(few[code])}")
        said[code] = words.sentence("; ".join(parts))
    return said


def _some(names: list[str]) -> str:
    names = sorted(names)
    return words.listed(names) if len(names) <= FEW else f"{len(names)} others"


def suspects(about: About, found: dict) -> list[dict]:
    """Values in doubt, each with every reason and the product's mean with and without it."""
    made: dict[tuple, dict] = {}
    for row in found.get("suspects") or []:
        key = (row["product"], tuple(row["readings"]))
        unit = row.get("unit_of_measure")
        places = len(write(row["value"]).partition(".")[2]) + 1
        entry = made.setdefault(key, {
            "product": about.products.get(row["product"], row["product"]), "product_code": row["product"],
            "specimen": row["specimen"] or row["unit"] or "", "readings": ", ".join(row["readings"]),
            "value": with_unit(write(row["value"]), unit), "reasons": [],
            "with": with_unit(write(row["mean_with"], places), unit),
            "without": with_unit(write(row["mean_without"], places), unit), "corrected": "",
        })  # fmt: skip
        entry["reasons"].append(words.sentence(words.typeset(row["text"])))
        if row.get("corrected") is not None:
            entry["corrected"] = with_unit(write(row["corrected"]), unit)
    return list(made.values())


def figure(sheet: dict) -> dict:
    """The sheet's dots for exploring, as a Plotly figure: product by product, a colour and shape for each unit."""
    from .charts import INK, SOFT, layout_of, plain_figure

    shown = [row for row in sheet["table"] if not row.get("absent")]
    at = {row["code"]: -i for i, row in enumerate(shown)}
    symbols = ("circle", "square", "triangle-up", "diamond", "triangle-down", "cross", "line-ew-open", "line-ns-open")
    traces = []
    for kind in range(1, len(symbols) + 1):
        own = [
            row for row in sheet["rows"] if row["value"] is not None and row["product_code"] in at
            and sheet["kinds"].get(row["product_code"], {}).get(row["unit"]) == kind
        ]  # fmt: skip
        if own:
            traces.append({
                "type": "scatter", "mode": "markers", "name": f"unit {kind}", "x": [row["value"] for row in own],
                "y": [at[row["product_code"]] - 0.09 - 0.045 * kind for row in own],
                "text": [f"{row['product']}, {dot_of(row, sheet['about']).told}" for row in own],
                "marker": {
                    "symbol": [symbols[kind - 1] if row["state"] != ASIDE else "x-thin-open" for row in own], "size": 8,
                    "color": f"ink:unit-{kind}", "line": {"width": 1.5, "color": f"ink:unit-{kind}"},
                },
                "cliponaxis": False, "hovertemplate": "%{text}<extra></extra>",
            })  # fmt: skip
    means = [row for row in sheet["means"] if row["code"] in at]
    if means:
        traces.append({
            "type": "scatter", "mode": "markers", "name": "mean", "x": [row["mean"] for row in means],
            "y": [at[row["code"]] for row in means], "text": [f"{row['name']}, mean" for row in means],
            "error_x": {
                "type": "data", "array": [row["spread"] or 0.0 for row in means], "thickness": 3, "width": 0,
                "color": SOFT,
            },
            "marker": {"symbol": "line-ns-open", "size": 14, "color": INK, "line": {"width": 3, "color": INK}},
            "cliponaxis": False, "hovertemplate": "%{text}: %{x}<extra></extra>",
        })  # fmt: skip
    about = sheet["about"]
    layout = layout_of([row["name"] for row in shown], f"{symbol(about.unit) or about.title} (stroke: mean, bar: U)")
    layout["xaxis"]["fixedrange"] = False
    return plain_figure(traces, layout, f"{about.title}: every specimen")

"""A reader's own weights: the scores that a page weighs anew, and what it says of the outcome.

The browser does the same sum with `templates/assets/js/scores.js` and says the same sentences with
`templates/assets/js/weighing.js`; here is the way without a script. Scores alone are weighed: how sure
an order is was drawn for the stated weightings, and nothing here pretends to know it for others.
"""

from __future__ import annotations

import math
import re
from types import SimpleNamespace
from urllib.parse import parse_qsl

from . import words
from .names import Names
from .numbers import GAP, ordinal, write
from .rangeline import Axis, Line, draw, draw_axis
from .scoring import cards, criteria

MOST = 100.0  # a weight lies between 0 and this; only its share counts
LONGEST = 8_000  # characters of an address that are read
EQUAL = "equal"
PREFIX = "w."
_NUMBER = re.compile(r"[0-9]{1,3}(\.[0-9]{1,12})?")
RULES = {
    "renormalise": "scale the product’s other weights up",
    "leave_out": "leave the criterion out for all",
    "worst_case": "count the worst possible result",
}
AXIS = Axis(0.0, 100.0, (0.0, 50.0, 100.0), 0)  # few labels: the column is narrow
SILENT = ('role="img" aria-label=""', 'aria-hidden="true"')  # the number stands beside the line
BAD = "The address holds weights that cannot be used: {reason}. These are the weights of “{name}”."


def weighing(names: Names, document: dict) -> dict | None:
    """What a page needs to weigh scores anew; None where no criterion can be scored.

    data: what the script needs too. In it criteria: those that can be scored, but for must-haves that no
    weighting weighs: what does not meet them has no place anyway; table: their scores (criteria in rows,
    products in columns; None missing), the least and the greatest score of each missing one, and which products
    miss a must-have; weightings: the comparison's own, in percent of what can be scored, and all criteria alike.
    start: what the page shows before anybody touches it (`own`).
    """
    found = document.get("criteria") or []
    order = {code: i for i, code in enumerate(names.criteria)}
    found = sorted(found, key=lambda row: order.get(row["criterion"], len(order)))
    weighed = {code for part in names.weightings.values() for code, w in part.get("weights", {}).items() if w > 0}
    told = {row["criterion"]: text for row, text in zip(found, criteria(names, document), strict=True)}
    used = [r for r in found if not r["reason"] and (r["criterion"] in weighed or not r["must"])]
    products = [value["product"] for value in used[0]["values"]] if used else []
    if not products:
        return None
    starts = _starts(names, [r["criterion"] for r in used])
    made = {
        "data": {
            "criteria": [_criterion(names, r, told[r["criterion"]]) for r in used],
            "products": [_product(names, document, code) for code in products],
            "weightings": starts,
            "table": _table(found, used, products),
            "limit": _limit(starts),
            "places_of": [names.weighting(card["weighting"]) for card in _compared(names, document)],
        },
        "rules": [{"id": code, "text": text} for code, text in RULES.items()],
        "unscored": [
            words.sentence(f"{names.criterion(r['criterion'])} cannot be weighed: {names.said(r['reason'])}")
            for r in found if r["criterion"] in weighed and r["reason"]
        ],
        "required": [names.criterion(r["criterion"]) for r in found if r["must"]],
        "sure": _sure(names, document),
        "axis": draw_axis(AXIS),
        "blank": draw(AXIS, Line("", mean=0.0, low=0.0, high=0.0)).replace(*SILENT, 1),
    }  # fmt: skip
    made["start"] = own(made["data"], starts[0]["weights"], starts[0]["missing"])
    return made


def _criterion(names: Names, row: dict, told: dict) -> dict:
    code, source = row["criterion"], told["source"][:1].upper() + told["source"][1:]
    if told["target"]:
        anchors = f"100 at {told['target']}; 0 at {told['floor']} and {told['ceiling']}"
    elif told["floor"] and told["ceiling"]:
        anchors = f"{told['floor']} scores 0, {told['ceiling']} scores 100"
    else:
        anchors = ""
    about = f"{source}: {anchors}" if anchors else source
    if all(value["score"] is None for value in row["values"]):
        about += "; no product has a result"
    return {"id": code, "name": names.criterion(code), "about": about}


def _compared(names: Names, document: dict) -> list[dict]:
    """The weightings whose places stand beside a reader's own: all where few, else the first."""
    found = cards(names, document)
    return found if len(found) <= 3 else found[:1]


def _product(names: Names, document: dict, code: str) -> dict:
    rows = [next(r for r in card["products"] if r["product"] == code) for card in _compared(names, document)]
    return {
        "code": code, "name": names.product(code), "variant": names.variant(code),
        "places": [ordinal(row["rank"]) if row.get("rank") else "–" for row in rows],
    }  # fmt: skip


def _starts(names: Names, used: list[str]) -> list[dict]:
    """Weights to start from: those of each weighting that weighs what can be scored, then all alike."""
    made = []
    for code, part in names.weightings.items():
        stated = [float(part.get("weights", {}).get(c) or 0) for c in used]
        if sum(stated) > 0:
            made.append((code, names.weighting(code), part.get("missing", "renormalise"), stated))
    # All alike means those that some weighting weighs; what none weighs stays out until a reader asks for it.
    some = [any(stated[i] > 0 for *_, stated in made) or not made for i in range(len(used))]
    missing = made[0][2] if made else "renormalise"
    made.append((EQUAL, "All criteria alike", missing, [float(x) for x in some]))
    return [
        {"id": code, "name": name, "missing": rule, "weights": _percent(stated),
         "query": query(used, _percent(stated), rule)}
        for code, name, rule, stated in made
    ]  # fmt: skip


def _percent(weights: list[float]) -> list[float]:
    total = math.fsum(weights)
    return [round(100.0 * w / total, 10) for w in weights]


def _limit(starts: list[dict]) -> int:
    """Where the sliders end: with many criteria each weight is small, and fine steps are needed."""
    most = max(max(start["weights"]) for start in starts)
    return next(limit for limit in (20, 50, 100) if most <= limit / 2 or limit == 100)


def _table(found: list[dict], used: list[dict], products: list[str]) -> dict:
    held = {v["product"] for row in found for v in row["values"] if v["gated"]}
    return {
        "score": [[v["score"] for v in row["values"]] for row in used],
        "missing": [
            [c, p, v["score_low"], v["score_high"], bool(v["not_applicable"])]
            for c, row in enumerate(used) for p, v in enumerate(row["values"]) if v["score"] is None
        ],
        "gated": [code in held for code in products],
    }  # fmt: skip


def _sure(names: Names, document: dict) -> str:
    """How far the ranges of the stated weighting reach: what a lead with other weights has to be held against."""
    for card in cards(names, document):
        halves = [(r["ci"][1] - r["ci"][0]) / 2 for r in card["products"] if r.get("rank") and r.get("ci")]
        if halves:
            low, high = write(min(halves), 1), write(max(halves), 1)
            reach = f"{low} points" if low == high else f"{low} to {high} points"
            name = names.weighting(card["weighting"])
            return (
                f"For “{name}” the likely ranges reach about {reach} to either side: a lead smaller than that "
                "settles little."
            )
    return ""


def written(weight: float) -> str:
    """A weight as an address and a field hold it: no exponent, no trailing noughts.

    >>> written(30.0), written(14.2857142857), written(1e-12)
    ('30', '14.2857142857', '0')
    """
    return f"{weight:.10f}".rstrip("0").rstrip(".")


def query(ids: list[str], weights: list[float], missing: str) -> str:
    """The weights as the query of an address; ids need no escape."""
    parts = [f"{PREFIX}{code}={written(w)}" for code, w in zip(ids, weights, strict=True) if w > 0]
    return "&".join([*parts, f"missing={missing}"])


def read(data: dict, text: str) -> tuple[list[float], str, str]:
    """(weights, rule for missing results, one plain line) from the query of an address.

    Where it holds no weights, or any that cannot be used, those of the first weighting count; the line then
    says why, and is empty otherwise. What an address says is never repeated.
    """
    start = data["weightings"][0]
    weights, missing, reason = _read(data, text)
    if weights is None:
        line = BAD.format(reason=reason, name=start["name"]) if reason else ""
        return start["weights"], start["missing"], line
    return weights, missing, ""


def _read(data: dict, text: str) -> tuple[list[float] | None, str, str]:
    if len(text) > LONGEST:
        return None, "", "it is too long"
    pairs = parse_qsl(text, keep_blank_values=True)
    given = [(key.removeprefix(PREFIX), value) for key, value in pairs if key.startswith(PREFIX)]
    if not given:
        return None, "", ""
    names = {criterion["id"]: criterion["name"] for criterion in data["criteria"]}
    if any(key not in names for key, _ in given):
        return None, "", "it names a criterion that is not weighed here"
    if len({key for key, _ in given}) < len(given):
        return None, "", "it names a criterion twice"
    for key, value in given:
        if not _NUMBER.fullmatch(value) or float(value) > MOST:
            return None, "", f"“{names[key]}” has no number from 0 to 100"
    rule = next((value for key, value in pairs if key == "missing"), data["weightings"][0]["missing"])
    if rule not in RULES:
        return None, "", "it names no rule for missing results that is known here"
    found = {key: float(value) for key, value in given}
    weights = [found.get(code, 0.0) for code in names]
    if not sum(weights) > 0:
        return None, "", "all of them are zero"
    return weights, rule, ""


def board(table: dict, weights: list[float], missing: str):
    """The scores' own board (`analysis.scores.board_of`) of a table with these weights."""
    import numpy as np

    from comparisons.analysis.scores import board_of
    from comparisons.analysis.study import Weighting

    score = np.array(table["score"], dtype=float)
    low, high, apart = score.copy(), score.copy(), np.zeros(score.shape, dtype=bool)
    for c, p, least, most, not_applicable in table["missing"]:
        low[c, p], high[c, p], apart[c, p] = least, most, not_applicable
    met = [""] * score.shape[1]
    held = ["held" if gated else "" for gated in table["gated"]]
    estimates = [
        SimpleNamespace(
            criterion=SimpleNamespace(id=str(c)), function=True, score=score[c], score_low=low[c],
            score_high=high[c], not_applicable=apart[c], gated=met if c else held,
        )
        for c in range(len(score))
    ]  # fmt: skip
    study = SimpleNamespace(products=range(score.shape[1]))
    return board_of(study, estimates, Weighting("own", {str(c): w for c, w in enumerate(weights)}, missing=missing))


def own(data: dict, weights: list[float], missing: str, line: str = "") -> dict:
    """What a page shows for some weights: fields with shares, places and scores, and sentences on the rest."""
    from comparisons.analysis.scores import stands_with_missing

    found = board(data["table"], weights, missing)
    ids = [criterion["id"] for criterion in data["criteria"]]
    total = math.fsum(weights)
    products = data["products"]
    order = [p for p in range(len(products)) if found.rank[p]]
    order.sort(key=lambda p: (found.rank[p], -found.score[p], p))
    return {
        "line": line,
        "missing": missing,
        "query": query(ids, weights, missing),
        "fields": [
            {**criterion, "value": written(w), "slider": int(min(w, data["limit"]) + 0.5), "share": share(w, total)}
            for criterion, w in zip(data["criteria"], weights, strict=True)
        ],
        "lead": lead(data, found, order, stands_with_missing(found)),
        "rows": [_row(data, found, p) for p in order],
        "remarks": remarks(data, found),
    }


def share(weight: float, total: float) -> str:
    """The share of all weight that one criterion carries, in whole percent."""
    percent = 100.0 * weight / total if total > 0 else 0.0
    if 0 < percent < 1:
        return f"under 1{GAP}%"
    return f"{write(percent, 0)}{GAP}%"


def _range(found, p: int) -> tuple[float, float]:
    """Least and greatest score of a product with what it misses; a renormalised one may lie outside its bounds."""
    score = float(found.score[p])
    return min(float(found.low[p]), score), max(float(found.high[p]), score)


def _row(data: dict, found, p: int) -> dict:
    product = data["products"][p]
    low, high = _range(found, p)
    open_ = high - low > 1e-9
    line = Line("", mean=float(found.score[p]), low=low if open_ else None, high=high if open_ else None)
    svg = draw(AXIS, line).replace(*SILENT, 1)
    return {
        "name": product["name"],
        "variant": product["variant"],
        "places": [
            {"head": head, "text": text} for head, text in zip(data["places_of"], product["places"], strict=True)
        ],
        "place": ordinal(int(found.rank[p])),
        "score": write(float(found.score[p]), 1),
        "open": f"{write(low, 1)} to {write(high, 1)} by what is missing" if open_ else "",
        "svg": svg,
    }


def lead(data: dict, found, order: list[int], stands: bool | None) -> str:
    """Who has the highest score with some weights, and who follows."""
    if not order:
        return "No product that may be recommended has a score with these weights."
    first = [p for p in order if found.rank[p] == 1]
    names = [data["products"][p]["name"] for p in first]
    top = write(float(found.score[first[0]]), 1)
    verb = "has" if len(first) == 1 else "share"
    said = f"{words.listed(names)} {verb} the highest score with these weights, {top} of 100"
    if len(order) > len(first):
        after = order[len(first)]
        said += f"; {data['products'][after]['name']} follows with {write(float(found.score[after]), 1)}"
    return f"{said}." + (" What is missing could change who leads." if stands is False else "")


def remarks(data: dict, found) -> list[str]:
    """What the table of places leaves out: criteria, products that are held back, and those without a score."""
    said = []
    left = [data["criteria"][c]["name"] for c, _ in found.dropped]
    if left:
        said.append(f"Left out for all, because a product has no result: {words.listed(left)}.")
    names = [product["name"] for product in data["products"]]
    held = [
        f"{name} ({write(float(found.score[p]), 1)}, {ordinal(int(found.rank_of_all[p]))} by score alone)"
        for p, name in enumerate(names) if found.gated[p] and found.rank_of_all[p]
    ]  # fmt: skip
    if held:
        said.append(f"No recommendation, whatever the weights: {words.listed(held)}.")
    bare = [name for p, name in enumerate(names) if not found.rank_of_all[p]]
    if bare:
        said.append(f"No score with these weights: {words.listed(bare)}.")
    return said

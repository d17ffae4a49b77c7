"""The answer, the rankings, and the products that carry no recommendation."""

from __future__ import annotations

from . import words
from .names import Names
from .numbers import aligned, chance, digits_of, likely, money, ordinal, percent, write
from .rangeline import Line, draw, draw_axis, fixed
from .scoring import beats, cards, score_table
from .sureness import firmness, lead_words

RULES = {"best": "Best", "best_value": "Best value"}


def rankings(names: Names, document: dict) -> list[dict]:
    """One ranking for each weighting, in the order of the comparison."""
    prices = {row["product"]: row.get("per_item") for row in document.get("costs") or []}
    return [_ranking(names, card, prices, document) for card in cards(names, document)]


def answer(names: Names, document: dict, made: list[dict]) -> dict:
    """What a reader sees first: the first weighting's leader with how sure it is, then the others."""
    if not made:
        return {
            "name": "",
            "lead": "There is no ranking.",
            "sure": "No criteria are weighed in this comparison: it measures, and does not rank.",
            "others": [],
            "awards": awards(names, document),
        }
    first, *others = made
    return {
        "name": first["name"],
        "lead": first["lead"],
        "sure": first["sure"],
        "others": [{key: other[key] for key in ("name", "lead", "sure", "anchor")} for other in others],
        "awards": awards(names, document),
    }


def awards(names: Names, document: dict) -> list[dict]:
    """What the numbers support, and what the editor named; where the numbers do not carry that, why not.

    Before the results document holds awards, those of the study folder are told as the editor's.
    """
    rows = document.get("awards")
    if rows is None:
        rows = [{**row, "by": "editor", "supported": None} for row in names.tables["awards"].rows()]
    made = []
    for row in rows:
        by_editor = row.get("by") == "editor"
        if not row.get("product") or row.get("refused") or not (by_editor or row.get("supported")):
            continue
        name = row.get("name") or RULES.get(row.get("rule") or "", "") or row["award"].replace("-", " ")
        notes = []
        if row.get("among_units_tested"):
            notes.append("among the units tested")
        if row.get("supported") is False and row.get("why"):
            notes.append(f"the editor’s own choice; the numbers alone do not name it: {names.said(row['why'])}")
        if by_editor and row.get("reason"):
            notes.append(words.typeset(row["reason"]))
        made.append({
            "name": name[:1].upper() + name[1:],
            "product": names.product(row["product"]),
            "weighting": names.weighting(row.get("weighting")) if row.get("weighting") else "",
            "reason": " ".join(words.sentence(note) for note in notes),
        })  # fmt: skip
    return made


def _ranking(names: Names, card: dict, prices: dict, document: dict) -> dict:
    code = card["weighting"]
    drawn = any(row.get("p_best") is not None for row in card["products"])
    in_order = sorted(
        (row for row in card["products"] if row.get("rank")),
        key=lambda row: (row["rank"], -(row["score"] or 0), row["product"]),
    )
    axis = fixed(0.0, 100.0)
    places = score_places(card)
    lead, sure = lead_words(names, card, in_order, places)
    return {
        "id": code,
        "anchor": f"ranking-{code}",
        "name": names.weighting(code),
        "lead": lead,
        "sure": sure,
        "drawn": drawn,
        "method": _method(card) if drawn else "",
        "axis": draw_axis(axis),
        "rows": [_row(names, row, axis, places, prices, drawn) for row in in_order],
        "unranked": [
            {"name": names.product(row["product"]), "reason": names.said(row.get("reason") or "no score")}
            for row in card["products"]
            if not row.get("rank") and not row.get("gated")
        ],
        "counts": _counts(names, card),
        "missing_rule": words.MISSING.get(card.get("missing_rule"), ""),
        "dropped": [
            words.sentence(f"{names.criterion(d['criterion'])} is left out: {names.said(d['reason'])}")
            for d in card.get("dropped") or []
        ],
        "firmness": firmness(names, card, in_order),
        "table": score_table(names, card, document),
        "beats": beats(names, card),
        "chart": [
            {
                "product": names.product(row["product"]),
                "score": row["score"],
                "low": (row.get("ci") or [None, None])[0],
                "high": (row.get("ci") or [None, None])[1],
            }
            for row in in_order
        ],
    }


def _method(card: dict) -> str:
    """How sure is worked out, in one sentence."""
    draws, level = card.get("draws"), card.get("rank_level")
    if not draws:
        return ""
    places = f"; a likely place holds {percent(level)} of draws for each product alone" if level else ""
    return (
        f"How sure: {write(draws, 0)} draws of everything that is uncertain, each ranked anew; what is shared by all "
        f"that one gauge measured is drawn once{places}."
    )


def _counts(names: Names, card: dict) -> str:
    """What counts how much, the weightiest first."""
    weights = sorted(card.get("weights", {}).items(), key=lambda item: (-item[1], names.criterion(item[0])))
    return words.sentence(words.listed([f"{names.criterion(c)} {percent(share)}" for c, share in weights]))


def score_places(card: dict) -> int:
    """One number of decimals for all scores of a table, by their narrowest interval; at most one."""
    halves = [(row["ci"][1] - row["ci"][0]) / 2 for row in card["products"] if row.get("ci")]
    narrow = min((half for half in halves if half > 0), default=None)
    return max(0, min(1, digits_of(1, narrow, 1)))


def _row(names: Names, row: dict, axis, places: int, prices: dict, drawn: bool) -> dict:
    score, ci = row["score"], row.get("ci")
    text = write(score, places)
    said = likely(*ci, places) if ci else ""
    missing = [m for m in row.get("missing") or [] if not m.get("not_applicable")]
    if missing and not ci and row.get("score_low") is not None:
        said = f"{write(row['score_low'], places)} to {write(row['score_high'], places)} by what is missing"
    low, high = ci or (None, None)
    told = ", ".join(part for part in (f"{names.product(row['product'])}: {text} of 100", said) if part)
    notes = [_missing(names, m) for m in row.get("missing") or []]
    if drawn and row.get("p_best") is None and row.get("draws_reason"):
        notes.append(f"not drawn: {names.said(row['draws_reason'])}")
    return {
        "code": row["product"],
        "name": names.product(row["product"]),
        "variant": names.variant(row["product"]),
        "place": ordinal(row["rank"]),
        "score": aligned(text),
        "likely": said,
        "svg": draw(axis, Line(told, mean=score, low=low, high=high)),
        "p_best": chance(row.get("p_best")) if drawn else "",
        "places": interval_of_places(row.get("rank_interval")),
        "price": money(prices.get(row["product"]), names.currency),
        "notes": notes + words.flags(row.get("flags") or []),
    }


def interval_of_places(interval) -> str:
    if not interval:
        return ""
    low, high = interval
    return ordinal(low) if low == high else f"{ordinal(low)} to {ordinal(high)}"


def _missing(names: Names, missing: dict) -> str:
    name = names.criterion(missing["criterion"])
    return f"no result for {name[:1].lower() + name[1:]}: {names.said(missing['reason'])}"


def gated(names: Names, document: dict) -> list[dict]:
    """The products that miss a must-have, each with every reason and, for a certification, its date."""
    found: dict[str, dict[str, str]] = {}
    told = cards(names, document)
    for card in told:
        for row in card["products"]:
            for gate in row.get("gated") or []:
                found.setdefault(row["product"], {})[gate["criterion"]] = gate.get("reason") or ""
    first = {row["product"]: row for row in told[0]["products"]} if told else {}
    rows = []
    for code, gates in sorted(found.items(), key=lambda item: names.product(item[0])):
        own = first.get(code, {})
        rows.append({
            "code": code,
            "name": names.product(code),
            "variant": names.variant(code),
            "reasons": [_gate(names, document, code, *gate) for gate in gates.items()],
            "score": write(own.get("score"), 1),
            "place": ordinal(own["rank_of_all"]) if own.get("rank_of_all") else "",
        })  # fmt: skip
    return rows


def _gate(names: Names, document: dict, product: str, criterion: str, reason: str) -> str:
    certification = names.criteria.get(criterion, {}).get("certification")
    name = names.criterion(criterion)
    if certification:
        states = [
            words.certification(c.get("state"), c.get("reference"), c.get("checked_on"))
            for c in document.get("claims") or []
            if (c.get("kind"), c["product"], c["property"]) == ("certification", product, certification)
        ]
        return words.sentence(f"{name}: {'; '.join(states) or reason or 'not looked for'}")
    return words.sentence(f"{name}: {names.said(reason) or 'does not reach what is required'}")

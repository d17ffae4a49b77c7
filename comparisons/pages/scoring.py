"""How criteria are scored, every score criterion by criterion, and where to test next."""

from __future__ import annotations

from . import words
from .names import Names
from .numbers import chance, money, percent, with_unit, write

FORMS = {"logarithmic": "by its logarithm", "desirability": "by desirability"}
SHORT = 6  # further tests that are listed, the most helpful first
MEASURES = {"change": "change of ", "median": "median of ", "min": "least of ", "max": "greatest of "}
COSTS = {"per_item": "price per item", "per_content": "price per content", "per_usable": "price per usable amount"}


def cards(names: Names, document: dict) -> list[dict]:
    """The scorecards in the comparison's own order of weightings."""
    order = {code: i for i, code in enumerate(names.weightings)}
    found = document.get("scorecards") or []
    return sorted(found, key=lambda card: (order.get(card["weighting"], len(order)), card["weighting"]))


def criteria(names: Names, document: dict) -> list[dict]:
    """How each criterion is scored: what scores nothing and what scores full, and when that was fixed."""
    order = {code: i for i, code in enumerate(names.criteria)}
    found = sorted(document.get("criteria") or [], key=lambda row: order.get(row["criterion"], len(order)))
    return [_criterion(names, document, row) for row in found]


def _criterion(names: Names, document: dict, row: dict) -> dict:
    part = names.criteria.get(row["criterion"], {})
    certified = row["kind"] == "certification"
    target = ""
    if row.get("target") is not None and row.get("better") == "target":
        band = _amount(names, row, row.get("band") or 0)
        target = f"{_amount(names, row, row['target'])}, give or take {band}"
    return {
        "name": names.criterion(row["criterion"]),
        "source": _source(names, row, part),
        "better": words.BETTER.get(row.get("better") or "", ""),
        "floor": "" if certified else _amount(names, row, row.get("floor")),
        "ceiling": "" if certified else _amount(names, row, row.get("ceiling")),
        "target": target,
        "form": FORMS.get(row.get("value_function"), "in proportion"),
        "must": bool(row.get("must")),
        "set_at": words.day(row.get("anchors_set_at")),
        "notes": words.flags(row.get("flags") or []) + ([names.said(row["reason"])] if row.get("reason") else []),
        "weights": [percent(card.get("weights", {}).get(row["criterion"])) or "–" for card in cards(names, document)],
    }


def _amount(names: Names, row: dict, value) -> str:
    if value is None:
        return ""
    if row["kind"] == "share":
        return percent(value)
    if row["kind"] == "cost":
        return f"{write(value)}\u00a0{names.currency}"
    return with_unit(write(value), row.get("unit") or "")


def _source(names: Names, row: dict, part: dict) -> str:
    if part.get("cost"):
        return f"{part.get('measure') or 'typical'} {COSTS.get(part['cost'], part['cost'])}"
    if part.get("certification"):
        return names.property(part["certification"])
    trial = names.trial(part.get("trial") or row.get("ref") or "")
    return f"{MEASURES.get(part.get('measure') or row['kind'], '')}{trial}"


def score_table(names: Names, card: dict, document: dict) -> dict:
    """Every score of one weighting: products in rows (gated ones too), its criteria in columns."""
    weights = card.get("weights", {})
    columns = [code for code in names.criteria if code in weights]
    values = {
        row["criterion"]: {value["product"]: value for value in row["values"]} for row in document.get("criteria") or []
    }
    units = {row["criterion"]: row for row in document.get("criteria") or []}
    in_order = sorted(card["products"], key=lambda row: (row.get("rank_of_all") or 1_000, row["product"]))
    return {
        "columns": [{"name": names.criterion(code), "weight": percent(weights[code])} for code in columns],
        "rows": [
            {
                "name": names.product(row["product"]),
                "place": str(row["rank"]) if row.get("rank") else "–",
                "score": write(row["score"], 1) or "–",
                "held": bool(row.get("gated")),
                "cells": [
                    _cell(names, row["criteria"].get(code), values.get(code, {}).get(row["product"]), units.get(code))
                    for code in columns
                ],
            }
            for row in in_order
        ],
    }


def _cell(names: Names, score, value: dict | None, row: dict | None) -> dict:
    """One score and what it was made from; a missing one with its reason."""
    if score is None:
        reason = (value or {}).get("missing") or "no result"
        return {"score": "–", "under": "does not apply" if (value or {}).get("not_applicable") else names.said(reason)}
    made_from = ""
    if value and row and value.get("value") is not None:
        made_from = _made_from(row, value["value"], names.currency)
    return {"score": write(score, 0), "under": made_from}


def _made_from(row: dict, value: float, currency: str) -> str:
    if row["kind"] in ("share", "certification"):
        return percent(value)
    if row["kind"] == "cost":
        return money(value, currency)
    text = write(value, 1 if abs(value) >= 10 else 2)
    return f"rated {text}" if row["kind"] == "rating" else with_unit(text, row.get("unit"))


def beats(names: Names, card: dict) -> dict | None:
    """How likely each product is to score higher than each other; None where nothing was drawn."""
    table = card.get("beats")
    if not table:
        return None
    ranked = {row["product"]: row.get("rank") or 1_000 for row in card["products"]}
    order = sorted(table, key=lambda code: (ranked.get(code, 1_000), code))
    return {
        "columns": [names.product(code) for code in order],
        "rows": [
            {
                "name": names.product(a),
                "cells": ["" if a == b else chance(table[a].get(b)) or "–" for b in order],
            }
            for a in order
        ],
    }


def next_tests(names: Names, document: dict) -> list[dict]:
    """Where further specimens would help most, for each weighting; what shows no gain is left out."""
    made = []
    for card in cards(names, document):
        told = card.get("next")
        if not told:
            continue
        rows = [
            row for row in document.get("next_tests") or []
            if row["weighting"] == card["weighting"] and row.get("gain_shown")
        ]  # fmt: skip
        made.append({
            "name": names.weighting(card["weighting"]),
            "now": percent(told.get("p_wrong_now"), 1),
            "enough": bool(told.get("enough")),
            "text": "" if rows else words.sentence(names.said(told.get("text") or "")),
            "not_offered": [
                words.sentence(f"not offered for {names.trial(row['trial'])}: {row['reason']}")
                for row in told.get("not_offered") or []
            ],
            "rows": [
                {
                    "trial": names.trial(row["trial"]), "product": names.product(row["product"]),
                    "specimens": str(row["specimens"]),
                    "kind": _kind(row), "after": percent(row["p_wrong_after"], 1),
                }
                for row in rows[:SHORT]
            ],
        })  # fmt: skip
    return made


def _kind(row: dict) -> str:
    if row["kind"] == "new_unit":
        return f"from {row['units']} new {'unit' if row['units'] == 1 else 'units'}"
    return "from the units in hand" if row["kind"] == "same_units" else "further specimens"

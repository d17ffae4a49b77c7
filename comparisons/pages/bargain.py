"""Score against price: the frontier, the best under the price cap and how sure that is, the budget pick."""

from __future__ import annotations

from . import words
from .names import Names
from .numbers import GAP, chance, likely, money, write
from .robustness import why


def bargain(names: Names, document: dict, card: dict) -> dict | None:
    """Every ranked product with its price and score; None where the results document tells no value.

    rows: cheapest first, frontier marked in words; chart: the same as numbers.
    """
    value = next((v for v in document.get("value") or [] if v["weighting"] == card["weighting"]), None)
    if value is None:
        return None
    prices = {row["product"]: row.get("per_item") for row in document.get("costs") or []}
    frontier = {point["product"] for point in value.get("frontier") or []}
    found = [(prices.get(row["product"]), row) for row in card["products"] if row.get("rank")]
    priced = sorted((pair for pair in found if pair[0] is not None), key=lambda pair: (pair[0], -pair[1]["score"]))
    under = value.get("p_under_cap") or {}
    return {
        "rows": [
            {
                "name": names.product(row["product"]),
                "price": money(price, names.currency),
                "score": write(row["score"], 1),
                "likely": likely(*row["ci"], 1) if row.get("ci") else "",
                "frontier": row["product"] in frontier,
                "best": chance(under.get(row["product"])),
            }
            for price, row in priced
        ],
        "cap": f"{write(value['cap'])}{GAP}{names.currency}" if value.get("cap") is not None else "",
        "capped": bool(under),
        "text": _under_cap(names, value),
        "pick": _pick(names, value, document),
        "notes": _notes(names, value),
        "chart": {
            "currency": names.currency,
            "cap": value.get("cap"),
            "points": [
                {
                    "product": names.product(row["product"]), "cost": price, "score": row["score"],
                    "low": row["ci"][0] if row.get("ci") else None, "high": row["ci"][1] if row.get("ci") else None,
                    "frontier": row["product"] in frontier,
                }
                for price, row in priced
            ],
        },
    }  # fmt: skip


def _under_cap(names: Names, value: dict) -> str:
    """Who has the highest score under the price cap, and how sure it is; or why nobody has."""
    cap, under = value.get("cap"), value.get("best_under_cap") or []
    if cap is None or not under:
        return words.sentence(why(names, value.get("reason") or ""))
    verb = "has" if len(under) == 1 else "have"
    who = words.listed([names.product(code) for code in under])
    text = f"Under {write(cap)}{GAP}{names.currency} an item, {who} {verb} the highest score"
    p = value.get("p")
    return f"{text}; the chance that it is the best there is {chance(p)}." if p is not None else f"{text}."


def _pick(names: Names, value: dict, document: dict) -> str:
    """The budget pick in one sentence, with its reason and its chance; or why none is named.

    A pick that no award supports is none: that it scores most under the cap is told by the table.
    """
    pick = value.get("budget_pick")
    if not pick:
        return ""
    award = next(
        (
            row for row in document.get("awards") or []
            if (row["weighting"], row["rule"], row["by"]) == (value["weighting"], "best_value", "numbers")
        ),
        None,
    )  # fmt: skip
    if not pick.get("product") or (award and not award["supported"]):
        reason = (award or {}).get("why") or pick.get("reason") or "none stands out"
        return words.sentence(f"no budget pick is named: {why(names, reason)}")
    of = {"cap": "the best under the cap", "leader": "truly first", "not_shown_worse": "better than the leader"}
    chances = ""
    if pick.get("p") is not None:
        chances = f"; the chance that it is {of.get(pick.get('rule') or '', 'the right one')} is {chance(pick['p'])}"
    return words.sentence(f"Budget pick: {names.product(pick['product'])}, {why(names, pick['reason'] or '')}{chances}")


def _notes(names: Names, value: dict) -> list[str]:
    said = []
    counted = [f"“{names.criterion(code)}”" for code in value.get("cost_in_score") or []]
    if counted:
        by = words.listed(counted)
        said.append(f"Price counts in this score already, by {by}: a cheap product gains on both axes.")
    unpriced = [names.product(code) for code in value.get("unpriced") or []]
    if unpriced:
        said.append(f"Without a price: {words.listed(unpriced)}.")
    return said

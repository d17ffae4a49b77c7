"""What the winner hangs on, as tables: other weights, criteria and products left out, another way to count."""

from __future__ import annotations

import re

from . import words
from .names import Names
from .numbers import GAP, chance, percent, write

_ASKED = re.compile(r"\b(0\.\d+), and (0\.\d+) is asked for")


def robustness(names: Names, card: dict) -> dict | None:
    """Tables and sentences on one weighting; None where other weights were not tried.

    products: for each ranked product the shares of weightings that it wins, the least shift of weight that
    puts it level with the leader, and its plain sum of places. criteria: each with its weight, how far it
    was let wander, and who leads without it.
    """
    near = card.get("winner_share_of_weights")
    if near is None:
        return None
    ranked = [row for row in card["products"] if row.get("rank")]
    ranked.sort(key=lambda row: (row["rank"], -(row["score"] or 0), row["product"]))
    whole = card.get("winner_share_of_all_weights") or {}
    return {
        "products": [
            {
                "name": names.product(row["product"]),
                "near": chance(near.get(row["product"])),
                "whole": chance(whole.get(row["product"])),
                "shift": _shift(card, row["product"]),
                "places": _sum(card, row["product"]),
            }
            for row in ranked
        ],
        "criteria": [_criterion(names, card, code) for code in names.criteria if code in card.get("weights", {})],
        "notes": _notes(names, card),
    }  # fmt: skip


def _sum(card: dict, product: str) -> str:
    found = (card.get("rank_sum") or {}).get(product)
    return "–" if found is None else write(found, 0 if float(found).is_integer() else 1)


def _shift(card: dict, product: str) -> str:
    """How much weight has to move until a product is level with the leader."""
    shift = card.get("smallest_shift") or {}
    if product in (card.get("leaders") or []):
        return "leads"
    if product in (shift.get("rivals_skipped") or []):
        return "more than the least"
    rivals = shift.get("rivals") or {}
    if product not in rivals:
        return "–"
    return "no weights do it" if rivals[product] is None else percent(rivals[product], 1)


def _criterion(names: Names, card: dict, code: str) -> dict:
    leaders = card.get("leaders") or []
    without = (card.get("leave_one_out") or {}).get(code)
    if without is None:
        told = "–"
    elif not without:
        told = "nobody"
    else:
        told = "no change" if set(without) == set(leaders) else words.listed([names.product(p) for p in without])
    sd = (card.get("weight_sd") or {}).get(code)
    return {
        "name": names.criterion(code),
        "weight": percent(card["weights"][code]),
        "sd": "" if sd is None else f"{write(100 * sd, 1)}{GAP}%",
        "without": told,
        "changes": told not in ("no change", "–"),
    }


def _notes(names: Names, card: dict) -> list[str]:
    said = [
        f"“Near ours” and “any” are shares of {write(card['weightings_tried'], 0)} weightings each, by point score. "
        "Near ours, each weight wanders about its own value by the standard deviation in the next table. Over any "
        "weights at all the share depends on how criteria are split: two for one thing count it twice."
    ]
    if (card.get("smallest_shift") or {}).get("approximate"):
        said.append(
            "Where two products lack different results, the least shift is searched for: a smaller one may exist."
        )
    out = card.get("leave_product_out") or {}
    leaders = set(card.get("leaders") or [])
    told = {
        names.product(p): [names.product(q) for q in row["leaders"]]
        for p, row in out.items() if set(row["leaders"]) != leaders - {p} or not leaders - {p}
    }  # fmt: skip
    changed = [p for p, row in out.items() if row["order_changes"]]
    if changed:
        said.append(f"The others change their order without {words.listed([names.product(p) for p in changed], 'or')}.")
    elif len(out) > 1:
        said.append("Without any one product, the order of the others stays.")
    heirs = [f"without {p}, {words.listed(who)}" for p, who in told.items() if who]
    if heirs:
        said.append(words.sentence(f"who leads then: {'; '.join(heirs)}"))
    return said + _places(names, card)


def _places(names: Names, card: dict) -> list[str]:
    """Where the plain sum of places names another leader, and why."""
    row = card.get("rank_sum_leaders") or {}
    if row.get("agrees") is not False or not row.get("why"):
        return []
    return [words.sentence(f"why the sum of places names another: {why(names, row['why'])}")]


def _asked(found: re.Match) -> str:
    limit = write(round(100 * float(found[2]), 6))
    return f"{chance(float(found[1]))}, and {limit}{GAP}% is asked for"


def why(names: Names, text: str) -> str:
    """A reason of the evaluation in readers' words: codes as names, shares in percent."""
    text = names.said(text)
    for code in sorted(names.criteria, key=len, reverse=True):
        for lead in ("points in ", "must-have "):
            text = text.replace(f"{lead}{code},", f"{lead}“{names.criterion(code)}”,")
            text = text.replace(f"{lead}{code} ", f"{lead}“{names.criterion(code)}” ")
    text = _ASKED.sub(_asked, text)
    text = text.replace("P(best under the cap)", "the chance of being the best under the cap")
    return text.replace("P(best)", "the chance of being first")

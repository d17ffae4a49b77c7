"""Awards: which the numbers support and by what rule, which they do not, and the editor's own words."""

from __future__ import annotations

from . import words
from .names import Names
from .numbers import chance
from .robustness import why

NAMES = {"best": "Best", "best_value": "Best value"}


def awarded(names: Names, document: dict, *, drafting: bool = False) -> list[dict]:
    """Every award of the results document with the rule that it is bound to, and whether that supports it.

    drafting: with those that are refused, which no reader sees. product is empty where nobody gets it.
    """
    limits = next((card["winner"]["limits"] for card in document.get("scorecards") or [] if card.get("winner")), {})
    cap = any(row.get("cap") is not None for row in document.get("value") or [])
    rows = []
    for row in document.get("awards") or []:
        if row.get("refused") and not drafting:
            continue
        name = row.get("name") or NAMES.get(row.get("rule") or "") or row["award"].replace("-", " ")
        named = names.product(row["product"]) if row.get("product") else ""
        rows.append({
            "name": name[:1].upper() + name[1:],
            "weighting": names.weighting(row["weighting"]) if row.get("weighting") else "",
            "product": named,
            "by": "the editor" if row.get("by") == "editor" else "the numbers",
            "rule": words.sentence(_rule(names, row, limits, cap)),
            "state": _state(row),
            "chance": chance(row.get("p")),
            "why": words.sentence(why(names, row.get("why") or "")),
            "reason": words.sentence(_reason(names, row)),
        })  # fmt: skip
    return rows


def _rule(names: Names, row: dict, limits: dict, cap: bool) -> str:
    ahead = chance(limits.get("ahead"))
    rule = row.get("rule")
    if rule == "best":
        return f"ranked first, with a chance of at least {ahead} to be so, whatever is missing"
    if rule == "best_value" and cap:
        return f"the highest score at or under the price cap, with a chance of at least {ahead}, whatever is missing"
    if rule == "best_value":
        return "the cheapest that is not shown to be worse than the leader"
    if rule == "criterion":
        return f"first in “{names.criterion(row.get('criterion') or '')}” alone, with a chance of at least {ahead}"
    return "no rule: the editor’s own choice"


def _state(row: dict) -> str:
    if row.get("refused"):
        return "refused: the numbers do not support it, and no reason is given"
    if row.get("supported"):
        return "supported" + (", among the units tested" if row.get("among_units_tested") else "")
    return "not given" if not row.get("product") else "not supported by the numbers"


def _reason(names: Names, row: dict) -> str:
    reason = row.get("reason") or ""
    return f"the editor: {words.typeset(reason)}" if row.get("by") == "editor" and reason else why(names, reason)

"""What a trial can tell apart with the units it had, and how many units the next one would need."""

from __future__ import annotations

from collections import defaultdict

from . import words
from .measured import trial_order
from .names import Names
from .numbers import GAP, counted, significant, write

BEYOND = "more than a million"


def plans(names: Names, document: dict) -> dict:
    """The `plans` of a results document as a table: one row for each trial of a quantity; {} without any."""
    found = document.get("plans") or []
    if not found:
        return {}
    tested: dict[str, list[int]] = defaultdict(list)
    for row in document.get("summaries") or []:
        # The spread comes from products with two units or more and no bounds; so does what was tested of each.
        if row["kind"] == "quantity" and (row.get("units") or 0) >= 2 and not row["n_bounds"]:
            tested[row["trial"]].append(row["units"])
    doubts: dict[str, set[str]] = defaultdict(set)
    for row in document.get("suspects") or []:
        doubts[row["trial"]].add(names.product(row["product"]))
    first, order = found[0], trial_order(names)
    sure = _percent(100 * first["assurance"])
    return {
        "margin": f"Units for a margin of {_percent(first['margin_pct'])}",
        "tell": f"Units of each to tell a difference of {_percent(first['difference_pct'])}",
        "told": (
            "From how units of one product differed in this study, in percent of their mean. The number in front is "
            f"the likely one; “to be sure” is enough with {sure} certainty, for a spread that was seen in few units "
            f"may have come out low by chance. A margin is half the 95{GAP}% interval of a mean. A difference is told "
            f"where two products, looked at alone, are found to differ at 95{GAP}% confidence in "
            f"{_percent(100 * first['power'])} of such trials; a table of all pairs "
            "needs more. All hold for as many specimens of each unit as here. "
            "What the gauge adds comes on top."
        ),
        "rows": [
            _row(names, row, tested[row["trial"]], sorted(doubts[row["trial"]]))
            for row in sorted(found, key=lambda row: order.index(row["trial"]))
        ],
    }


def _row(names: Names, row: dict, tested: list[int], doubts: list[str]) -> dict:
    made = {
        "code": row["trial"], "trial": names.trial(row["trial"]), "reason": words.sentence(row["reason"]),
        "here": _span(tested), "rests_on": "", "spread": "", "spread_sure": "", "margin": "", "margin_sure": "",
        "tell": "", "tell_sure": "", "enough": "",
        "doubt": f"holds values in doubt of {words.listed(doubts)}" if doubts else "",
    }  # fmt: skip
    if row["reason"]:
        return made
    return made | {
        "rests_on": f"{counted(row['products'], 'product')}, {counted(row['dof'], 'degree')} of freedom",
        "spread": _percent(row["cv_pct"]), "spread_sure": _percent(row["cv_cautious_pct"]),
        "margin": _units(row["units_for_margin"]), "margin_sure": _units(row["units_for_margin_cautious"]),
        "tell": _units(row["units_to_tell"]), "tell_sure": _units(row["units_to_tell_cautious"]),
        "enough": _enough(row, tested),
    }  # fmt: skip


def _enough(row: dict, tested: list[int]) -> str:
    """Whether the units tested here tell the wanted difference apart; of several numbers of units, the least counts."""
    if not tested:
        return ""
    least, wanted = min(tested), _percent(row["difference_pct"])
    likely, sure = row["units_to_tell"], row["units_to_tell_cautious"]
    if sure is not None and least >= sure:
        return f"enough for a difference of {wanted}"
    if likely is not None and least >= likely:
        return f"enough for a difference of {wanted}, if units differ no more than these did"
    return f"too few for a difference of {wanted}"


def _span(tested: list[int]) -> str:
    if not tested:
        return ""
    least, most = min(tested), max(tested)
    return counted(most, "unit") if least == most else f"{least} to {counted(most, 'unit')}"


def _units(n: int | None) -> str:
    return BEYOND if n is None else write(n)


def _percent(amount: float | None) -> str:
    """An amount in percent: as given where whole, else with two digits.

    >>> _percent(5.0), _percent(27.3516764), _percent(0.6348490746)
    ('5\xa0%', '27\xa0%', '0.63\xa0%')
    """
    if amount is None:
        return "–"
    return f"{write(amount, 0 if amount == int(amount) else max(0, significant(amount, 2)))}{GAP}%"

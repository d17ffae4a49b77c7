"""Best value: how sure the best under a price cap is, and the budget pick with its reason.

Scores and costs are not traded off against each other by any rate of our own: a product is picked
because it is the best at a price, or because nothing dearer is shown to be better.
"""

from __future__ import annotations

import numpy as np

from .ranking import Sureness, mc_error
from .study import Study
from .words import candidates_for_best, listed


def add_value(row: dict, study: Study, s: Sureness, cost: np.ndarray, cost_criteria: list[str]) -> None:
    """Complete one `value` row (as `scores.value_row` made it) with probabilities and the budget pick.

    cost: price of one item, one a product, NaN unknown. cost_criteria: criteria of this weighting that
    score a cost already, told since the cost then counts on both sides.

    p: probability that the best under the cap is the best of those at or below the cap, over the draws; of
    several that tie, of each. None where there is no cap or nothing can be said.
    """
    names = study.products
    said = {p: x for p, x in s.under_cap.items() if not s.unsure[p]}
    row["p_under_cap"] = {names[p]: x for p, x in said.items()}
    row["p_under_cap_mc"] = {names[p]: float(mc_error(x, s.ranks.draws)) for p, x in said.items()}
    best = row["best_under_cap"] or []
    row["p"] = row["p_under_cap"].get(best[0]) if best else None
    row["p_mc"] = row["p_under_cap_mc"].get(best[0]) if best else None
    row["cost_in_score"] = cost_criteria
    row["budget_pick"] = _pick(row, study, s, cost)


def _pick(row: dict, study: Study, s: Sureness, cost: np.ndarray) -> dict:
    """The budget pick: the best under the cap; without a cap the cheapest not shown worse than the leader."""
    names, none = study.products, {"product": None, "rule": None, "p": None, "reason": None}
    if row["reason"] and not row["frontier"]:
        return none | {"reason": row["reason"]}
    if row["cap"] is not None:
        return _under_cap(row, none)
    leaders = s.board.leaders
    if len(leaders) != 1:
        return none | {"reason": "no single leader to set cheaper products against"}
    lead = leaders[0]
    if np.isnan(cost[lead]):
        return none | {"reason": f"the price of the leader, {names[lead]}, is not known"}
    if s.unsure[lead]:
        return none | {"reason": f"nothing shows how sure the score of {names[lead]} is"}
    level = study.decision.confidence
    close = {names[p] for p in candidates_for_best(s, lead, level) if not s.unsure[p]}
    on = [f for f in row["frontier"] if f["product"] in close]
    if not on:
        return none | {"reason": "no product on the frontier comes near the leader"}
    pick = on[0]
    if pick["product"] == names[lead]:
        reason = f"{names[lead]} leads, and nothing cheaper escapes being shown worse at {100 * level:g} %"
        return none | {"product": names[lead], "rule": "leader", "p": s.p_best(lead), "reason": reason}
    p = names.index(pick["product"])
    reason = (
        f"costs {100 * (1 - cost[p] / cost[lead]):.0f} % less than {names[lead]} and is not shown "
        f"to be worse at {100 * level:g} %"
    )
    return none | {"product": names[p], "rule": "not_shown_worse", "p": s.beats(p, lead), "reason": reason}


def _under_cap(row: dict, none: dict) -> dict:
    best = row["best_under_cap"] or []
    if len(best) > 1:
        return none | {"rule": "cap", "reason": f"{listed(best)} score alike under the cap"}
    if not best:
        return none | {"rule": "cap", "reason": row["reason"] or "nothing lies under the cap"}
    return none | {
        "product": best[0], "rule": "cap", "p": row["p"],
        "reason": "the greatest score among products at or below the price cap",
    }  # fmt: skip

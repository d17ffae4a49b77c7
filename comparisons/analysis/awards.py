"""Awards, each bound to the rule that supports it.

The rule follows from the award's code: `best` (also `best-...`), `best-value` (also `value`,
`budget-pick`), or the id of a criterion (also `best-in-ID`) for the first place in it alone. Any other
code is bound to no rule: it is the editor's own, published as not supported by a rule, with the
editor's reason. What the numbers do not support stays unsupported, whatever the reason says.
"""

from __future__ import annotations

import numpy as np

from .drawing import Plan
from .estimates import CriterionEstimates
from .ranking import Sureness, sureness_of
from .scores import SAME, Board, board_of
from .study import Award, Study, Weighting
from .words import AHEAD, IS_AHEAD, Winner, listed, reaches, winner_of

VALUE_CODES = ("best-value", "value", "budget-pick")


def rule_of(code: str, criteria: list[str]) -> tuple[str, str | None]:
    """The rule that an award's code binds it to, and the criterion where it is one.

    >>> rule_of("best-value", []), rule_of("best-in-grip", ["grip"]), rule_of("bold-colours", [])
    (('best_value', None), ('criterion', 'grip'), ('none', None))
    """
    if code in criteria:
        return "criterion", code
    if code.startswith("best-in-") and code.removeprefix("best-in-") in criteria:
        return "criterion", code.removeprefix("best-in-")
    if any(code == v or code.startswith(f"{v}-") for v in VALUE_CODES):
        return "best_value", None
    if code == "best" or code.startswith("best-"):
        return "best", None
    return "none", None


def _row(award: str, name: str, product: str | None, weighting: str | None, rule: str, by: str) -> dict:
    return {
        "award": award, "name": name, "product": product, "weighting": weighting, "rule": rule,
        "criterion": None, "by": by, "supported": False, "word": None, "among_units_tested": False, "p": None,
        "why": None, "reason": None, "refused": False,
    }  # fmt: skip


def best(w: Winner, product: str | None) -> tuple[bool, str | None]:
    """Whether `product` may be named best: the word is its own; else why not."""
    if w.awarded:
        if product in w.products:
            return True, None
        return False, f"{w.products[0]} leads: {w.text}"
    return False, w.text


def _never_awarded(study: Study, board: Board, card: dict, product: str) -> str | None:
    """Why the product can carry no award at all: a must-have not met, no score, or a least possible score."""
    p = study.products.index(product)
    if board.gated[p]:
        return "; ".join(f"must-have {c} is not met: {why}" for c, why in board.gated[p])
    if board.rank[p] == 0:
        return "it has no score"
    row = next(r for r in card["products"] if r["product"] == product)
    if "missing_at_worst" in row["flags"]:
        return "a missing result stands at its least possible score, which carries no award"
    return None


def award_rows(study: Study, plan: Plan, estimates: list[CriterionEstimates], found: list[Sureness],
               cards: list[dict], values: list[dict]) -> list[dict]:  # fmt: skip
    """The `awards` rows: what the numbers support for each weighting, then the editor's, by code.

    found, cards, values: sureness, `scorecards` and `value` rows of each weighting. An editor's award
    without a weighting must hold in every one. One that is not supported is refused unless the
    editor's reason is given; then both reasons are printed.
    """
    winners = [winner_of(study, s, card) for s, card in zip(found, cards, strict=True)]
    at = {s.board.weighting.id: i for i, s in enumerate(found)}
    rows = []
    for i, s in enumerate(found):
        rows += _by_numbers(study, s, cards[i], values[i], winners[i])
    singles: dict[str, tuple[Sureness, Winner]] = {}
    for award in study.awards:
        ids = [c.id for c in study.criteria]
        rule, criterion = rule_of(award.code, ids)
        row = _row(award.code, award.name, award.product, award.weighting, rule, "editor")
        row["criterion"], row["reason"] = criterion, award.reason or None
        if award.product not in study.products:
            row["why"] = "no such product"
        elif award.weighting is not None and award.weighting not in at:
            row["why"] = "no such weighting"
        elif rule == "none":
            row["why"] = "no rule supports it: it is the editor's own choice"
        elif rule == "criterion":
            if criterion not in singles:
                singles[criterion] = _alone(study, plan, estimates, criterion)
            _in_criterion(study, row, award, *singles[criterion], found, at)
        else:
            chosen = [at[award.weighting]] if award.weighting else list(range(len(found)))
            _in_weightings(study, row, award, chosen, found, cards, values, winners)
        row["refused"] = not row["supported"] and not award.reason
        rows.append(row)
    return rows


def _by_numbers(study: Study, s: Sureness, card: dict, value: dict, w: Winner) -> list[dict]:
    weighting = s.board.weighting.id
    first = _row("best", "", w.products[0] if w.awarded else None, weighting, "best", "numbers")
    if w.awarded:
        why = _never_awarded(study, s.board, card, w.products[0])
        first |= {"supported": why is None, "why": why, "product": w.products[0] if why is None else None}
    else:
        first["why"] = w.text
    first |= {"word": w.word, "p": w.p_best, "among_units_tested": w.tested_units_only}
    pick = value["budget_pick"]
    second = _row("best-value", "", pick["product"], weighting, "best_value", "numbers")
    why = pick["reason"] if pick["product"] is None else _value_stands(study, s, card, value, pick["product"])
    second |= {
        "supported": why is None, "why": why, "p": pick["p"],
        "product": pick["product"] if why is None else None,
        "reason": pick["reason"] if why is None else None,
        "among_units_tested": pick["product"] is not None and _tested_only(card, pick["product"]),
    }  # fmt: skip
    return [first, second]


def _tested_only(card: dict, product: str) -> bool:
    return any(r["product"] == product and "of_units_tested" in r["flags"] for r in card["products"])


def _value_stands(study: Study, s: Sureness, card: dict, value: dict, product: str) -> str | None:
    """Why the budget pick is not supported, None where it is.

    Under a cap: it must be ahead of the others there as "ahead" asks, and stay so however missing results
    would have come out. Without one: what it and the leader miss must not bear on how close they are.
    """
    why = _never_awarded(study, s.board, card, product)
    p, board = study.products.index(product), s.board
    if why is not None or s.unsure[p]:
        return why or "; ".join(f"{c}: {r}" for c, r in s.unsure[p])
    if value["budget_pick"]["rule"] == "cap":
        could = [study.products[q] for q in s.under_cap if q != p and not board.high[q] < board.low[p] - SAME]
        if could:
            return f"with what is missing at its least for {product}, {listed(could)} could score more"
        if not reaches(s.under_cap[p], AHEAD, s.ranks.draws):
            return f"P(best under the cap) is {s.under_cap[p]:.3f}, and {AHEAD:g} is asked for"
        return None
    open_ = [study.products[q] for q in sorted({p, *board.leaders}) if board.high[q] - board.low[q] > SAME]
    return f"results of {listed(open_)} are missing, which could turn it over" if open_ else None


def _in_weightings(study: Study, row: dict, award: Award, chosen, found, cards, values, winners) -> None:
    problems, shares, words = [], [], []
    for i in chosen:
        s, card, value = found[i], cards[i], values[i]
        where = f"{s.board.weighting.id}: " if len(chosen) > 1 else ""
        why = _never_awarded(study, s.board, card, award.product)
        if why is None and row["rule"] == "best":
            ok, why = best(winners[i], award.product)
            shares.append(s.p_best(study.products.index(award.product)))
            words.append(winners[i])
        elif why is None:
            pick = value["budget_pick"]
            if pick["product"] != award.product:
                why = f"the budget pick is {pick['product']}" if pick["product"] else pick["reason"]
            else:
                why = _value_stands(study, s, card, value, award.product)
            shares.append(pick["p"] if pick["product"] == award.product else None)
        if why is not None:
            problems.append(where + why)
        row["among_units_tested"] |= _tested_only(card, award.product)
    row["supported"] = not problems and bool(chosen)
    row["why"] = "; ".join(problems) or (None if chosen else "there is no weighting")
    known = [x for x in shares if x is not None]
    row["p"] = min(known) if known and len(known) == len(chosen) else None
    if words and row["supported"]:
        row["word"] = IS_AHEAD if any(w.word == IS_AHEAD for w in words) else words[0].word


def _alone(study: Study, plan: Plan, estimates, criterion: str) -> tuple[Sureness, Winner]:
    """How sure the first place in one criterion is, with the whole weight on it."""
    board = board_of(study, estimates, Weighting(criterion, {criterion: 1.0}))
    s = sureness_of(plan, estimates, [board])[0]
    e = next(e for e in estimates if e.criterion.id == criterion)
    flags = [["of_units_tested"] if e.of_units_tested[p] else [] for p in range(len(study.products))]
    card = {
        "products": [{"product": n, "flags": f} for n, f in zip(study.products, flags, strict=True)],
        "reason": e.reason or "no product has a result",
    }  # fmt: skip
    return s, winner_of(study, s, card)


def _in_criterion(study: Study, row: dict, award: Award, s: Sureness, w: Winner, found, at) -> None:
    p = study.products.index(award.product)
    row["p"] = s.p_best(p)
    ok, why = best(w, award.product)
    if s.board.gated[p]:
        ok, why = False, "; ".join(f"must-have {c} is not met: {r}" for c, r in s.board.gated[p])
    if not ok and np.isnan(s.board.score[p]):
        why = "it has no result in that criterion"
    row |= {"supported": ok, "why": why, "word": w.word if ok else None}
    row["among_units_tested"] = ok and w.tested_units_only


def why_refused(rows: list[dict]) -> list[tuple[str, str]]:
    """(award, why) of each editor's award that the numbers do not support and no reason is given for."""
    return [(r["award"], r["why"]) for r in rows if r["refused"]]


def editors(rows: list[dict]) -> list[dict]:
    """The editor's awards that may be published: supported ones, and others with the editor's reason."""
    return [r for r in rows if r["by"] == "editor" and not r["refused"]]


__all__ = ["award_rows", "best", "editors", "rule_of", "why_refused"]

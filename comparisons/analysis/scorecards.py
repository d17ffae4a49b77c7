"""Scorecards that say how sure they are: point scores completed by draws, weights, value, awards, tests."""

from __future__ import annotations

import numpy as np

from .awards import award_rows
from .drawing import OPINION, plan_of, unsure
from .estimates import CriterionEstimates
from .next_tests import next_rows
from .ranking import Sureness, add_ranks, sureness_of
from .scores import Board, board_of
from .study import Study, Weighting
from .summary import Summaries
from .value import add_value
from .weights import add_weights
from .words import winner_of, winner_row


def complete(s: Summaries, estimates: list[CriterionEstimates], boards: list[Board], price: np.ndarray,
             cards: list[dict], values: list[dict]) -> tuple[list[dict], list[dict]]:  # fmt: skip
    """Complete the `scorecards` and `value` rows in place; returns the `awards` and `next_tests` rows.

    boards, cards, values: one a weighting, in the study's order, as `scores` made them. price: of one
    item, one a product, NaN unknown.
    """
    study = s.study
    plan = plan_of(study, estimates, s.errors)
    measured = [_without_opinions(study, estimates, b) for b in boards]
    extra = [b for b in measured if b is not None]
    found = sureness_of(plan, estimates, boards + extra, cost=price, cap=study.decision.price_cap)
    found, besides = found[: len(boards)], iter(found[len(boards) :])
    tests: list[dict] = []
    for key, (board, one, card, value) in enumerate(zip(boards, found, cards, values, strict=True)):
        add_ranks(card, study, estimates, one)
        card["winner"] = winner_row(study, winner_of(study, one, card))
        add_weights(card, study, estimates, board, key)
        other = None if measured[key] is None else next(besides)
        card["without_opinions"] = None if other is None else _measured_row(study, other, board)
        paid = [estimates[i].criterion.id for i in board.criteria if estimates[i].kind == "cost"]
        add_value(value, study, one, price, paid)
        rows, card["next"] = next_rows(s, plan, estimates, one)
        tests += rows
    return award_rows(study, plan, estimates, found, cards, values), tests


def _without_opinions(study: Study, estimates: list[CriterionEstimates], board: Board) -> Board | None:
    """The board without the criteria that are one or two raters' opinion; None where it has none."""
    ranked = np.flatnonzero(board.rank > 0)
    opinions = {
        estimates[i].criterion.id for i in board.criteria
        if any(unsure(estimates[i], int(p)) == OPINION for p in ranked)
    }  # fmt: skip
    kept = {c: w for c, w in board.weighting.weights.items() if c not in opinions}
    if not opinions or not any(w > 0 for w in kept.values()):
        return None
    w = board.weighting
    return board_of(study, estimates, Weighting(w.id, kept, w.name, w.missing))


def _measured_row(study: Study, s: Sureness, board: Board) -> dict:
    """What the draws say of the weighting with opinions left out and the other weights rescaled."""
    kept = set(s.board.weighting.weights)
    rows = [{"product": p, "flags": []} for p in study.products]
    w = winner_of(study, s, {"products": rows, "reason": "nothing is left to score"})
    return {
        "left_out": sorted(c for c, x in board.weighting.weights.items() if x > 0 and c not in kept),
        "word": w.word, "products": list(w.products), "text": w.text,
        "p_best": {study.products[p]: x for p in s.ranked if (x := s.p_best(p)) is not None},
        "leaders": [study.products[p] for p in s.board.leaders],
    }  # fmt: skip

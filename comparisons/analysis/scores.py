"""Weighted scores by point estimate: who leads, what is missing, and whether it could matter.

How sure a rank is needs draws and is worked out elsewhere, from the same estimates.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .checked import number
from .study import Study, Weighting

if TYPE_CHECKING:  # a page that weighs stored scores needs no estimates, nor what they load
    from .estimates import CriterionEstimates

MISSING_RULES = ("renormalise", "leave_out", "worst_case")
SAME = 1e-9  # scores are printed at ten significant digits: closer than this is equal


@dataclass(frozen=True)
class Board:
    """The scores of one weighting over all products, in the study's order.

    criteria: indices of the scored criteria with a weight above zero (those that are dropped for all
    by the rule `leave_out` taken away); weights: theirs. dropped: indices left out, with reasons.
    score, low, high: 0 to 100, NaN where none can be given; low and high put missing values at the
    least and at the greatest score that they can have.
    gated: for each product the (criterion id, reason) of every must-have that it does not meet.
    rank: among products that are not gated and have a score, 0 where none; rank_of_all: gated ones too.
    """

    weighting: Weighting
    criteria: tuple[int, ...]
    weights: np.ndarray
    dropped: tuple[tuple[int, str], ...]
    score: np.ndarray
    low: np.ndarray
    high: np.ndarray
    gated: tuple[tuple[tuple[str, str], ...], ...]
    rank: np.ndarray
    rank_of_all: np.ndarray

    @property
    def leaders(self) -> list[int]:
        """Products at rank one, in order."""
        return np.flatnonzero(self.rank == 1).tolist()


def ranks(score: np.ndarray, eligible: np.ndarray) -> np.ndarray:
    """Rank of each eligible score, the greatest first; equal scores share the better rank; 0 for the rest.

    >>> ranks(np.array([5.0, 9.0, 9.0, 1.0]), np.array([True, True, True, False])).tolist()
    [3, 1, 1, 0]
    """
    out = np.zeros(len(score), dtype=np.int64)
    who = np.flatnonzero(eligible & ~np.isnan(score))
    if not len(who):
        return out
    order = who[np.argsort(-score[who], kind="stable")]
    ordered = score[order]
    first = np.zeros(len(order), dtype=np.int64)
    for i in range(1, len(order)):
        same = ordered[i - 1] - ordered[i] <= SAME * max(1.0, abs(ordered[i]))
        first[i] = first[i - 1] if same else i
    out[order] = first + 1
    return out


def weighted(score: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Weighted mean of each product's scores over the criteria that it has.

    score: shape (criteria, products), NaN missing; weights: shape (criteria,). Returns shape
    (products,), NaN where a product has none: nothing is ever counted as zero.
    """
    present = ~np.isnan(score)
    # Plain sums: a matrix product may run on several threads and add in another order.
    total = np.sum(weights[:, None] * present, axis=0)
    summed = np.sum(weights[:, None] * np.where(present, score, 0.0), axis=0)
    return np.divide(summed, total, out=np.full(score.shape[1], np.nan), where=total > 0)


def board_of(study: Study, estimates: list[CriterionEstimates], weighting: Weighting) -> Board:
    """The scores of one weighting, by its rule for missing values.

    `renormalise`: a product's own weights rescaled. `leave_out`: a criterion that any product misses
    is dropped for all (products that miss everything do not count for that). `worst_case`: the least
    possible score. What does not apply to a product always renormalises.
    """
    products = len(study.products)
    used, dropped = [], []
    for i, e in enumerate(estimates):
        weight = weighting.weights.get(e.criterion.id, 0.0)
        if number(weight) is None:
            dropped.append((i, "its weight is no number to compute with"))
        elif not number(weight) > 0:
            continue
        elif e.function is None:
            dropped.append((i, e.reason))
        else:
            used.append(i)
    shape = (len(used), products)

    def stack(name: str) -> np.ndarray:
        return np.array([getattr(estimates[i], name) for i in used], dtype=float).reshape(shape)

    score, low, high = stack("score"), stack("score_low"), stack("score_high")
    not_applicable = stack("not_applicable").astype(bool)
    weights = np.array([float(weighting.weights[estimates[i].criterion.id]) for i in used])
    low[not_applicable] = high[not_applicable] = np.nan
    compared = ~np.isnan(score).all(axis=0) if used else np.zeros(products, dtype=bool)
    least, most = weighted(low, weights), weighted(high, weights)
    least[~compared] = most[~compared] = np.nan
    kept = np.arange(len(used))
    if weighting.missing == "leave_out":
        lacking = (np.isnan(score) & ~not_applicable)[:, compared].any(axis=1)
        dropped += [(used[j], "a product has no result") for j in np.flatnonzero(lacking)]
        kept = kept[~lacking]
        total = weighted(score[kept], weights[kept]) if len(kept) else np.full(products, np.nan)
    elif weighting.missing == "worst_case":
        total = weighted(low, weights)
        total[~compared] = np.nan
    else:
        total = weighted(score, weights)
    gated = tuple(
        tuple((e.criterion.id, str(e.gated[p])) for e in estimates if e.gated[p]) for p in range(products)
    )
    open_ = np.array([not g for g in gated], dtype=bool)
    return Board(
        weighting=weighting, criteria=tuple(used[j] for j in kept), weights=weights[kept],
        dropped=tuple(sorted(dropped)), score=total, low=least, high=most, gated=gated,
        rank=ranks(total, open_), rank_of_all=ranks(total, np.ones(products, dtype=bool)),
    )  # fmt: skip


def stands_with_missing(board: Board) -> bool | None:
    """Whether the leader stays ahead however its and its rivals' missing values would have come out.

    The leader at its least must beat every rival at its greatest: that all-best and all-worst name the
    same winner is not enough. None without a single leader.
    """
    leaders = board.leaders
    if len(leaders) != 1:
        return None
    lead = leaders[0]
    rivals = (board.rank > 0) & (np.arange(len(board.rank)) != lead)
    return bool((board.high[rivals] < board.low[lead] - SAME).all())


def rank_sum(estimates: list[CriterionEstimates], board: Board) -> np.ndarray:
    """Sum of each product's ranks over the board's criteria, mid-ranks for equal scores.

    Descriptive only: ranks carry no degree, and criteria are no random sample. NaN for a product that
    misses any of them, and where there are none: an absent rank must not count as a good one.
    """
    products = len(board.score)
    if not board.criteria:
        return np.full(products, np.nan)
    scores = np.array([estimates[i].score for i in board.criteria])
    whole = ~np.isnan(scores).any(axis=0)
    out = np.full(products, np.nan)
    total = np.zeros(int(whole.sum()))
    for row in np.round(scores[:, whole], 9):
        _, place, count = np.unique(-row, return_inverse=True, return_counts=True)
        before = np.cumsum(count) - count
        total += (before + (count + 1) / 2)[place]
    out[whole] = total
    return out


def leave_one_out(study: Study, estimates: list[CriterionEstimates], board: Board) -> dict[str, list[str]]:
    """The leaders when each scored criterion in turn is left out, by criterion."""
    out = {}
    for i in board.criteria:
        name = estimates[i].criterion.id
        weights = {k: v for k, v in board.weighting.weights.items() if k != name}
        if not any(weights.get(estimates[j].criterion.id, 0) > 0 for j in board.criteria if j != i):
            out[name] = []
            continue
        changed = Weighting(board.weighting.id, weights, board.weighting.name, board.weighting.missing)
        out[name] = [study.products[p] for p in board_of(study, estimates, changed).leaders]
    return out


def scorecard_row(study: Study, estimates: list[CriterionEstimates], board: Board) -> dict:
    """The `scorecards` row of one weighting, as far as point estimates go."""
    sums = rank_sum(estimates, board)
    weighed = [i for i, e in enumerate(estimates) if board.weighting.weights.get(e.criterion.id, 0.0) > 0]
    scored = [i for i in weighed if estimates[i].function is not None]
    total = float(board.weights.sum())
    return {
        "weighting": board.weighting.id,
        "missing_rule": board.weighting.missing,
        "weights": {
            estimates[i].criterion.id: w / total for i, w in zip(board.criteria, board.weights, strict=True)
        },
        "dropped": [{"criterion": estimates[i].criterion.id, "reason": why} for i, why in board.dropped],
        "products": [_product_row(study, estimates, board, scored, p) for p in range(len(study.products))],
        "leaders": [study.products[p] for p in board.leaders],
        "stands_with_missing": stands_with_missing(board),
        "rank_sum": {study.products[p]: x for p, x in enumerate(sums)},
        "leave_one_out": leave_one_out(study, estimates, board),
        "reason": None if board.leaders else _no_leader(board),
    }


def _no_leader(board: Board) -> str:
    if not board.criteria:
        return "no criterion with a weight can be scored"
    if not np.isnan(board.score).all():
        return "no product meets every must-have"
    return "no product has a result"


def _product_row(study: Study, estimates, board: Board, scored: list[int], p: int) -> dict:
    def cell(x: float) -> float | None:
        return None if np.isnan(x) else float(x)

    missing, flags, applies = [], set(), []
    for i in scored:
        e = estimates[i]
        if np.isnan(e.score[p]):
            missing.append({
                "criterion": e.criterion.id, "reason": e.missing[p], "low": float(e.score_low[p]),
                "high": float(e.score_high[p]), "not_applicable": bool(e.not_applicable[p]),
            })  # fmt: skip
            if not e.not_applicable[p]:
                applies.append(i)
        if e.of_units_tested[p]:
            flags.add("of_units_tested")
    if applies and board.weighting.missing == "worst_case":
        flags.add("missing_at_worst")
    score = cell(board.score[p])
    return {
        "product": study.products[p],
        "score": score,
        # A renormalised score leaves out what a bound knows, and may lie outside: the range holds it.
        "score_low": cell(np.fmin(board.low[p], board.score[p])),
        "score_high": cell(np.fmax(board.high[p], board.score[p])),
        "rank": int(board.rank[p]) or None,
        "rank_of_all": int(board.rank_of_all[p]) or None,
        "gated": [{"criterion": c, "reason": why} for c, why in board.gated[p]],
        "criteria": {estimates[i].criterion.id: cell(estimates[i].score[p]) for i in scored},
        "missing": missing,
        "reason": None if score is not None else "no result in any criterion that counts",
        "flags": sorted(flags),
    }


def criterion_rows(study: Study, estimates: list[CriterionEstimates]) -> list[dict]:
    """The `criteria` rows of the document: how each is scored, and what it found for every product."""
    rows = []
    for e in estimates:
        f, c = e.function, e.criterion
        rows.append({
            "criterion": c.id, "kind": e.kind, "ref": c.ref, "unit": e.unit, "must": c.must,
            "better": f.better if f else c.better, "floor": f.floor if f else c.floor,
            "ceiling": f.ceiling if f else c.ceiling, "target": f.target if f else c.target,
            "band": f.band if f else c.band, "value_function": c.value_function, "exponent": c.exponent,
            "anchors_set_at": c.anchors_set_at, "reason": e.reason or None, "flags": list(e.flags),
            "values": [
                {
                    "product": product,
                    "value": e.value[p], "score": e.score[p], "score_low": e.score_low[p],
                    "score_high": e.score_high[p], "n": int(e.n[p]), "missing": e.missing[p] or None,
                    "not_applicable": bool(e.not_applicable[p]), "gated": e.gated[p] or None,
                    "flags": list(e.product_flags[p]),
                }
                for p, product in enumerate(study.products)
            ],
        })  # fmt: skip
    return rows


def value_row(study: Study, board: Board, cost: np.ndarray, cap: float | None) -> dict:
    """The `value` row of one weighting: score against the typical cost of one item.

    cost: one a product, NaN unknown. frontier: products that no other beats in score without costing
    more, nor undercuts without scoring less; gated products are no rivals. best_under_cap: the
    greatest score at or below `cap`, several where they tie, None without a cap.
    """
    usable = np.flatnonzero((board.rank > 0) & ~np.isnan(cost))
    order = sorted(usable.tolist(), key=lambda p: (cost[p], -board.score[p]))
    frontier, best, at = [], -np.inf, -np.inf
    for p in order:
        gap = SAME * max(1.0, abs(float(board.score[p])))
        if board.score[p] > best + gap or (cost[p] == at and abs(board.score[p] - best) <= gap):
            best, at = max(best, float(board.score[p])), float(cost[p])
            frontier.append({"product": study.products[p], "cost": cost[p], "score": board.score[p]})
    under, reason = None, None
    if cap is not None:
        within = [p for p in usable.tolist() if cost[p] <= cap]
        top = ranks(board.score, np.isin(np.arange(len(cost)), within))
        under = [study.products[p] for p in np.flatnonzero(top == 1)]
        if not under:
            reason = "no product with a score and a price lies under the cap"
    if not len(usable):
        reason = "no product has both a score and a price"
    return {
        "weighting": board.weighting.id, "frontier": frontier, "cap": cap,
        "best_under_cap": under, "currency": study.currency, "cost": "per_item",
        "unpriced": [study.products[p] for p in np.flatnonzero((board.rank > 0) & np.isnan(cost))],
        "reason": reason,
    }  # fmt: skip

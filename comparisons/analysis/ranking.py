"""How sure each rank is: shares of draws in which a product comes first, second, ..., and beats another.

Sources: R. Lahdelma and P. Salminen (2001), "SMAA-2: stochastic multicriteria acceptability analysis",
Operations Research 49, 444-454 (rank acceptability, pairwise winning); JCGM 101:2008, 7.2 and 7.7
(Monte Carlo, probabilistically symmetric coverage intervals); from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .drawing import DRAWS, SCORE_BYTES, Drawn, Plan, Weighed, draw, not_drawn, unsure
from .estimates import CriterionEstimates
from .scores import Board
from .study import Study

LEVEL = 0.95  # of a score's interval
RANK_LEVEL = 0.90  # of a rank's interval
CLIPPED = 0.05  # anchors beyond which more than this share of draws lies are flagged
MOST_PAIRED = 60  # with more products, neither every pair nor every rank is told
SORTED_CELLS = 500_000
GRID = 2.0**30  # drawn scores of 0 to 1 that agree on this grid are equal
GRID_OFFSET = 0.3137  # keeps plain fractions off the edges of the grid


@dataclass(frozen=True)
class Ranks:
    """Ranks of products over draws.

    p_rank: shape (products, ranks); m products that tie get 1/m of each of their ranks. p_best: its
    first column. p_tie: share of draws in which a product is first together with others. p_in: share
    of draws in which it is ranked at all. beats[a, b]: share in which a is better than b, half of
    ties counted; NaN on the diagonal. draws: how many.
    """

    p_rank: np.ndarray
    p_tie: np.ndarray
    p_in: np.ndarray
    beats: np.ndarray
    draws: int

    @property
    def p_best(self) -> np.ndarray:
        return self.p_rank[:, 0]


def mc_error(p, draws: int):
    """Standard error of a share `p` found in `draws` draws; never zero: a share of 0 is not known exactly.

    Binomial, with one success and one failure added (common practice, no source).

    >>> round(float(mc_error(0.5, 20_000)), 5), round(float(mc_error(0.0, 20_000)), 5)
    (0.00354, 5e-05)
    """
    n = draws + 2.0
    q = (np.asarray(p, dtype=float) * draws + 1.0) / n
    return np.sqrt(q * (1.0 - q) / n)


def on_grid(scores: np.ndarray, out: np.ndarray | None = None) -> np.ndarray:
    """Scores of 0 to 1 on a grid of about 1e-9, so that sums made in another order still tie."""
    out = np.multiply(scores, GRID, out=out)
    out += GRID_OFFSET
    return np.rint(out, out=out)


def ranks_of(scores: np.ndarray, against: int | None = None) -> Ranks:
    """Ranks over draws of scores, the greatest first.

    scores: shape (products, draws); -inf where a product is out of a draw. Equal is what is exactly
    equal: bring scores `on_grid` first. With more than `MOST_PAIRED` products only pairs with the
    product `against` (a row of scores) are counted, the rest of `beats` is NaN.

    >>> r = ranks_of(np.array([[3.0, 1.0], [2.0, 1.0]]))
    >>> r.p_rank.tolist(), r.p_tie.tolist(), r.beats[0, 1].item()
    ([[0.75, 0.25], [0.25, 0.75]], [0.5, 0.5], 0.75)
    """
    P, draws = scores.shape
    if P > MOST_PAIRED:
        return _sorted_ranks(scores, against)
    better = np.zeros((P, draws), dtype=np.int16)
    ties: dict[int, np.ndarray] = {}
    wins = np.full((P, P), np.nan)
    for a in range(P):
        for b in range(a + 1, P):
            more, less = scores[a] > scores[b], scores[a] < scores[b]
            n_more, n_less = np.count_nonzero(more), np.count_nonzero(less)
            equal = draws - n_more - n_less
            wins[a, b], wins[b, a] = n_more + equal / 2, n_less + equal / 2
            better[b] += more
            better[a] += less
            if equal:
                same = ~(more | less)
                for p in (a, b):
                    ties.setdefault(p, np.zeros(draws, dtype=np.int16))
                    ties[p] += same
    p_rank, p_tie, p_in = np.zeros((P, P)), np.zeros(P), np.ones(P)
    for p in range(P):
        first, out = better[p], np.isneginf(scores[p])
        inside = None
        if out.any():
            inside = ~out
            p_in[p] = np.count_nonzero(inside) / draws
            first = first[inside]
        if p not in ties:
            p_rank[p] = np.bincount(first, minlength=P)[:P] / draws
            continue
        tied = ties[p] if inside is None else ties[p][inside]
        p_tie[p] = np.count_nonzero((first == 0) & (tied > 0)) / draws
        counts = np.bincount(first.astype(np.int64) * P + tied, minlength=P * P).reshape(P, P)
        for at, others in zip(*np.nonzero(counts), strict=True):
            p_rank[p, at : at + others + 1] += counts[at, others] / (others + 1)
        p_rank[p] /= draws
    return Ranks(p_rank, p_tie, p_in, wins / draws, draws)


def _sorted_ranks(scores: np.ndarray, against: int | None) -> Ranks:
    """The same for many products: each draw sorted, in parts that bound the memory."""
    P, draws = scores.shape
    # What m products that tie from rank r on share is written as a step up at r and down at r + m.
    steps, p_tie, p_in = np.zeros(P * (P + 1)), np.zeros(P), np.zeros(P)
    wins = np.full((P, P), np.nan)
    if against is not None:
        wins[against] = wins[:, against] = 0.0
    size = max(1, SORTED_CELLS // P)
    for start in range(0, draws, size):
        part = scores[:, start : start + size].T
        order = np.argsort(-part, axis=1, kind="stable")
        ordered = np.take_along_axis(part, order, axis=1)
        flat, values = order.ravel(), ordered.ravel()
        new = np.ones(len(values), dtype=bool)
        new[1:] = values[1:] != values[:-1]
        new[::P] = True
        starts = np.flatnonzero(new)
        sizes = np.diff(np.append(starts, len(values)))
        first, count = np.repeat(starts % P, sizes), np.repeat(sizes, sizes)
        inside = ~np.isneginf(values)
        who, first, count = flat[inside], first[inside], count[inside]
        steps += np.bincount(who * (P + 1) + first, 1.0 / count, P * (P + 1))
        steps -= np.bincount(who * (P + 1) + first + count, 1.0 / count, P * (P + 1))
        p_in += np.bincount(who, minlength=P)
        p_tie += np.bincount(who[(first == 0) & (count > 1)], minlength=P)
        if against is not None:
            other = part[:, against, None]
            won = (part > other).sum(axis=0) + (part == other).sum(axis=0) / 2
            wins[:, against] += won
            wins[against] += len(part) - won
    if against is not None:
        wins[against, against] = np.nan
    p_rank = np.cumsum(steps.reshape(P, P + 1), axis=1)[:, :P] / draws
    p_rank[np.abs(p_rank) < 1e-9 / draws] = 0.0
    return Ranks(np.round(p_rank, 12), p_tie / draws, p_in / draws, wins / draws, draws)


def rank_interval(p_rank: np.ndarray, level: float = RANK_LEVEL) -> tuple[int, int] | None:
    """The ranks between which a product lies in `level` of the draws that rank it; its own, not joint.

    None where it is never ranked.

    >>> rank_interval(np.array([0.04, 0.90, 0.06]))
    (2, 3)
    """
    total = p_rank.sum()
    if not total > 0:
        return None
    reached = np.cumsum(p_rank) / total
    tail = (1 - level) / 2
    low = int(np.argmax(reached >= tail - 1e-12))
    high = int(np.argmax(reached >= 1 - tail - 1e-12))
    return low + 1, high + 1


@dataclass(frozen=True)
class ScoreInterval:
    """low, high: percentiles widened to hold the point score; error: standard errors of the percentiles."""

    low: float
    high: float
    error: tuple[float, float]


def score_interval(ordered: np.ndarray, point: float, level: float = LEVEL) -> ScoreInterval:
    """Interval of one product's score from its drawn scores in ascending order, all 0 to 100.

    The percentiles' own errors are half the distance between order statistics one binomial standard
    error away on either side (distribution-free; David and Nagaraja, Order Statistics, 2003, 7.1; from
    memory).
    """
    n = len(ordered)
    ends, errors = [], []
    for q in ((1 - level) / 2, (1 + level) / 2):
        at = q * (n - 1)
        i = int(at)
        j = min(i + 1, n - 1)
        ends.append(float(ordered[i] + (at - i) * (ordered[j] - ordered[i])))
        step = np.sqrt(n * q * (1 - q))
        low, high = max(0, int(np.floor(at - step))), min(n - 1, int(np.ceil(at + step)))
        errors.append(float(ordered[high] - ordered[low]) / 2)
    return ScoreInterval(min(ends[0], point), max(ends[1], point), (errors[0], errors[1]))


@dataclass(frozen=True)
class Sureness:
    """How sure the ranks of one board are, in the study's order of products.

    ranks: over `ranked`, the indices of products that compete. under_cap: probability of being the best
    of those at or below the price cap, by product index. ci: score intervals, None without a score.
    unsure: (criterion id, reason) for each product whose own uncertainty is not known: nothing is said
    of its ranks. not_drawn: (criterion id, reason) of what is held at its point for every product. drawn: the
    draws' remarks on criteria (their scores are not kept). p_meets: shares of draws in which a product
    meets every must-have that is drawn; None where none is.
    """

    board: Board
    ranked: list[int]
    ranks: Ranks
    under_cap: dict[int, float]
    ci: list[ScoreInterval | None]
    unsure: tuple[tuple[tuple[str, str], ...], ...]
    not_drawn: tuple[tuple[str, str], ...]
    drawn: Drawn
    p_meets: np.ndarray | None

    def p_best(self, p: int) -> float | None:
        """P(best) of product `p`; None where it does not compete or nothing can be said of it."""
        if p not in self.ranked or self.unsure[p]:
            return None
        return float(self.ranks.p_best[self.ranked.index(p)])

    def beats(self, a: int, b: int) -> float | None:
        """P(a beats b); None where nothing can be said of one of them, or the pair was not counted."""
        if self.p_best(a) is None or self.p_best(b) is None or a == b:
            return None
        p = float(self.ranks.beats[self.ranked.index(a), self.ranked.index(b)])
        return None if np.isnan(p) else p


def sureness_of(plan: Plan, estimates: list[CriterionEstimates], boards: list[Board], *,
                cost: np.ndarray | None = None, cap: float | None = None,
                draws: int = DRAWS) -> list[Sureness]:  # fmt: skip
    """How sure the ranks of each board are, from `draws` draws that all boards share.

    cost: price of each product, NaN unknown; cap: greatest price that counts, for P(best under the cap).
    Boards are drawn in groups that keep the memory bounded; the draws are the same in each group.
    """
    out: list[Sureness] = []
    size = max(1, SCORE_BYTES // max(1, plan.products * draws * 8))
    for start in range(0, len(boards), size):
        group = boards[start : start + size]
        drawn = draw(plan, [Weighed.of(estimates, b) for b in group], draws)
        for board, scores in zip(group, drawn.scores, strict=True):
            out.append(_of_board(estimates, board, drawn, scores, cost, cap))
    return out


def _of_board(estimates, board: Board, drawn: Drawn, scores: np.ndarray, cost, cap) -> Sureness:
    ranked = np.flatnonzero(board.rank > 0).tolist()
    leader = ranked.index(board.leaders[0]) if board.leaders else None
    ci: list[ScoreInterval | None] = []
    for p, point in enumerate(board.score):
        ci.append(None if np.isnan(point) else score_interval(np.sort(scores[p]) * 100.0, float(point)))
    played = scores if len(ranked) == len(scores) else scores[ranked]
    on_grid(played, out=played)
    if drawn.meets is not None and ranked:
        played[~drawn.meets[ranked]] = -np.inf
    under: dict[int, float] = {}
    if cap is not None and cost is not None:
        within = [j for j, p in enumerate(ranked) if cost[p] <= cap]
        if within:
            best = ranks_of(played[within]).p_best
            under = {ranked[j]: float(x) for j, x in zip(within, best, strict=True)}
    counts = [estimates[i] for i in board.criteria]
    skipped = {e.criterion.id: why for e in counts if (why := not_drawn(e))}
    unsures = tuple(
        tuple(
            (e.criterion.id, why) for e in counts
            if e.criterion.id not in skipped and (why := unsure(e, p))
        )
        for p in range(len(board.score))
    )  # fmt: skip
    return Sureness(
        board, ranked, ranks_of(played, leader), under, ci, unsures, tuple(skipped.items()),
        replace(drawn, scores=[], meets=None), None if drawn.meets is None else drawn.meets.mean(axis=1),
    )  # fmt: skip


def add_ranks(row: dict, study: Study, estimates: list[CriterionEstimates], s: Sureness) -> None:
    """Put what the draws say into one `scorecards` row: its products, `beats`, and what was drawn."""
    names, n = study.products, s.ranks.draws
    sayable = [p for p in s.ranked if not s.unsure[p]]
    row["draws"] = n if sayable else None
    row["draws_reason"] = None if sayable else _nothing_drawn(s)
    row["level"], row["rank_level"] = LEVEL, RANK_LEVEL
    row["rank_intervals_joint"] = False
    for p, product in enumerate(row["products"]):
        _product(product, p, s)
    told = sayable if len(s.ranked) <= MOST_PAIRED else []
    row["beats"] = {names[a]: {names[b]: s.beats(a, b) for b in told if b != a} for a in told}
    row["beats_reason"] = None if told or not sayable else f"more than {MOST_PAIRED} products: no pairs"
    row["beats_mc"] = {
        a: {b: None if x is None else float(mc_error(x, n)) for b, x in line.items()}
        for a, line in row["beats"].items()
    }
    row["not_drawn"] = [{"criterion": c, "reason": why} for c, why in s.not_drawn]
    row["drawn"] = [
        _criterion(names, estimates[i], s.drawn, i) for i in s.board.criteria
        if any(x != "" for x in estimates[i].law)
    ]  # fmt: skip
    row["gates_drawn"] = [estimates[i].criterion.id for i in s.drawn.gates]
    row["flags"] = sorted(
        {*row.get("flags", []), *(f"anchors_clip:{c['criterion']}" for c in row["drawn"] if c["clips"])}
    )


def _nothing_drawn(s: Sureness) -> str:
    if not s.ranked:
        return "no product is ranked"
    reasons = sorted({f"{c}: {why}" for p in s.ranked for c, why in s.unsure[p]})
    return "; ".join(reasons)


def _product(row: dict, p: int, s: Sureness) -> None:
    unsure_of, n = s.unsure[p], s.ranks.draws
    row["unsure"] = [{"criterion": c, "reason": why} for c, why in unsure_of]
    interval = None if unsure_of else s.ci[p]
    row["ci"] = [interval.low, interval.high] if interval else None
    row["ci_mc"] = list(interval.error) if interval else None
    row["p_meets"] = None if s.p_meets is None else float(s.p_meets[p])
    said = p in s.ranked and not unsure_of
    j = s.ranked.index(p) if said else -1
    p_rank = s.ranks.p_rank[j] if said else None
    row["p_rank"] = p_rank[:MOST_PAIRED].tolist() if said else None
    row["p_rank_mc"] = mc_error(p_rank[:MOST_PAIRED], n).tolist() if said else None
    row["rank_interval"] = list(rank_interval(p_rank) or ()) or None if said else None
    row["p_best"] = float(p_rank[0]) if said else None
    row["p_best_mc"] = float(mc_error(p_rank[0], n)) if said else None
    row["p_tie_first"] = float(s.ranks.p_tie[j]) if said else None
    row["p_tie_first_mc"] = float(mc_error(s.ranks.p_tie[j], n)) if said else None
    row["draws_reason"] = None
    if not said:
        row["draws_reason"] = "; ".join(f"{c}: {why}" for c, why in unsure_of) or "not ranked"


def _criterion(names, e: CriterionEstimates, drawn: Drawn, i: int) -> dict:
    """What the draws of one criterion met with: anchors and physical limits, in shares of draws."""
    rows = np.array([law not in ("", "fixed") for law in e.law])
    below, above, cut = drawn.low[i][rows], drawn.high[i][rows], drawn.cut[i][rows]
    clipped = drawn.low[i] + drawn.high[i]
    share = float(np.mean(below + above)) if len(below) else 0.0
    return {
        "criterion": e.criterion.id,
        "laws": sorted({str(law) for law in e.law if law != ""}),
        "below_floor": float(np.mean(below)) if len(below) else 0.0,
        "above_ceiling": float(np.mean(above)) if len(above) else 0.0,
        "truncated": float(np.mean(cut)) if len(cut) else 0.0,
        "clips": share > CLIPPED,
        "clipped": {names[p]: float(clipped[p]) for p in np.flatnonzero(rows & (clipped > CLIPPED))},
        "truncated_of": {names[p]: float(drawn.cut[i][p]) for p in np.flatnonzero(rows & (drawn.cut[i] > 0))},
    }  # fmt: skip

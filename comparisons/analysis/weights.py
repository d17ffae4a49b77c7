"""How far the winner hangs on the weights: other weights, the smallest shift, things left out in turn.

All on the point scores: what the draws say of them is another question. Sources: R. Lahdelma and
P. Salminen (2001), "SMAA-2", Operations Research 49, 444-454 (shares of the weight space); F. H. Barron
and C. P. Schmidt (1988), "Sensitivity analysis of additive multiattribute value models", Operations
Research 36, 122-127 (least change of weights by linear programming); from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .drawing import generator
from .estimates import CriterionEstimates
from .ranking import MOST_PAIRED, mc_error, on_grid
from .scores import Board, board_of, rank_sum, ranks
from .study import Study
from .value_functions import value_function
from .words import listed

KAPPA = 74.0  # how firmly weights are held: a weight of 0.25 wanders by +-0.05 (standard deviation)
WEIGHTINGS = 20_000
BLOCK = 2_500
LEAST_PRESENT = 1e-6  # a product must keep this share of the weight in what it has, for a score to exist
SEARCH_LEVELS = 33  # score levels tried where the bound is not reached
VALLEYS = 2  # the deepest of them that are gone into, each in so many steps
SEARCH_STEPS = 12
BISECTIONS = 40
CLOSE = 1e-7  # a shift so near the bound from below is the least one
SHOWN = 5e-7  # moves of weight smaller than this are rounding


@dataclass(frozen=True)
class Table:
    """The scores of one board, ready for other weights.

    weights: shape (criteria,), summing to one. score: shape (criteria, products), 0 to 100, 0 where
    absent; there: whether a score (or the least possible one, by the rule `worst_case`) counts.
    ids: criteria. eligible: indices of ranked products.
    """

    ids: tuple[str, ...]
    weights: np.ndarray
    score: np.ndarray
    there: np.ndarray
    eligible: tuple[int, ...]

    def totals(self, weights: np.ndarray) -> np.ndarray:
        """Totals of the eligible products, 0 to 100, -inf where none: shape (rows of weights, eligible)."""
        who = list(self.eligible)
        summed = np.einsum("nc,cp->np", weights, self.score[:, who])
        share = np.einsum("nc,cp->np", weights, self.there[:, who].astype(float))
        return np.divide(summed, share, out=np.full(summed.shape, -np.inf), where=share > 0)


def table_of(estimates: list[CriterionEstimates], board: Board) -> Table:
    """The board's scores as a table; missing ones at their least where the weighting says so."""
    shape = (len(board.criteria), len(board.score))

    def stack(name: str) -> np.ndarray:
        return np.array([getattr(estimates[i], name) for i in board.criteria]).reshape(shape)

    score, there = stack("score").astype(float), ~np.isnan(stack("score").astype(float))
    if board.weighting.missing == "worst_case":
        worst = ~there & ~stack("not_applicable").astype(bool)
        score, there = np.where(worst, stack("score_low"), score), there | worst
    total = board.weights.sum()
    return Table(
        tuple(estimates[i].criterion.id for i in board.criteria),
        board.weights / total if total > 0 else board.weights, np.where(there, score, 0.0), there,
        tuple(np.flatnonzero(board.rank > 0).tolist()),
    )  # fmt: skip


def weight_sd(weights: np.ndarray, kappa: float = KAPPA) -> np.ndarray:
    """Standard deviation of each weight of a Dirichlet with alpha = kappa w: sqrt(w (1 - w)/(kappa + 1)).

    >>> round(float(weight_sd(np.array([0.25]))[0]), 4)
    0.05
    """
    return np.sqrt(weights * (1.0 - weights) / (kappa + 1.0))


def winner_shares(table: Table, alpha: np.ndarray, seed: int, key: int, n: int = WEIGHTINGS) -> np.ndarray:
    """Share of `n` weightings that each eligible product wins, ties shared equally.

    alpha: parameters of the Dirichlet distribution, one a criterion; a weight of zero stays zero and is
    no criterion of the table. seed, key: of the stream. The shares sum to one.
    """
    wins = np.zeros(len(table.eligible))
    if not len(wins) or not len(alpha):
        return wins
    for index, start in enumerate(range(0, n, BLOCK)):
        size = min(BLOCK, n - start)
        weights = generator(seed, "weights", key, index).dirichlet(alpha, size)
        totals = on_grid(table.totals(weights) / 100.0)
        first = totals == totals.max(axis=1, keepdims=True)
        wins += (first / first.sum(axis=1, keepdims=True)).sum(axis=0)
    return wins / n


@dataclass(frozen=True)
class Shift:
    """The least shift of weight with which `rival` draws level with the leader.

    size: half the sum of all changes of weight, 0 to 1; None where no weights do it, or none was
    searched for. to: the weights then, in the table's order. approximate: found by a search, so that a
    smaller one may exist. skipped: not searched for, since another rival needs less for sure.
    """

    rival: int
    size: float | None
    to: np.ndarray | None
    approximate: bool
    skipped: bool = False


def least_shift(weights: np.ndarray, gain: np.ndarray) -> tuple[float, np.ndarray] | None:
    """Least half-sum of |w' - w| over the simplex with gain @ w' >= 0; None where no weights do it.

    weights: w, summing to one; gain: what the rival has over the leader, one a criterion, in points.
    This linear program has one constraint besides the simplex, so that its optimum is reached by moving
    weight to the criterion where the rival gains most, from where it loses most first (the continuous
    knapsack's argument): exact, and without a solver's tolerance.

    >>> size, w = least_shift(np.array([0.6, 0.4]), np.array([-10.0, 10.0]))
    >>> round(size, 6), w.round(6).tolist()
    (0.1, [0.5, 0.5])
    """
    gap = -float(gain @ weights)
    if gap <= 0:
        return 0.0, weights.copy()
    to = int(np.argmax(gain))
    if gain[to] < 0:
        return None
    moved, out = 0.0, weights.copy()
    for i in np.argsort(gain, kind="stable"):
        each = float(gain[to] - gain[i])
        if i == to or not each > 0 or not out[i] > 0:
            continue
        take = min(float(out[i]), gap / each)
        out[i] -= take
        moved += take
        gap -= take * each
        if gap <= 1e-12 * each:
            break
    out[to] += moved
    return moved, out


def shift_to(table: Table, leader: int, rival: int) -> Shift:
    """The least shift of weight with which `rival` draws level with `leader` (indices of products).

    Exact where both have the same criteria or what is missing is a constant. Otherwise totals are
    ratios in the weights, and the least shift is searched for over the level at which they meet.
    """
    have_l, have_r = table.there[:, leader], table.there[:, rival]
    if (have_l == have_r).all():
        # What both miss tells them apart no more: weight moved there is no way to draw level.
        gain = np.where(have_l, table.score[:, rival] - table.score[:, leader], 0.0)
        if have_l.any() and gain[have_l].max() < 0:
            return Shift(rival, None, None, False)
        found = least_shift(table.weights, gain)
        return Shift(rival, *(found or (None, None)), False)
    return _searched(table, leader, rival)


def _one_sided(table: Table, p: int, level: float, up: bool) -> float:
    """Least shift that brings one product to a level, from below (`up`) or above; infinite where none does."""
    gain = table.score[:, p] - level * table.there[:, p]
    found = least_shift(table.weights, gain if up else -gain)
    return np.inf if found is None else found[0]


def _meeting(table: Table, leader: int, rival: int) -> tuple[float, float, float]:
    """(low, high, bound): levels between which the two need the same shift each, and a bound from below.

    The higher the level, the more the rival needs and the less the leader does; what brings both there
    at once is no less than what either needs, so `bound` holds for every level.
    """
    low, high = 0.0, 100.0
    for _ in range(BISECTIONS):
        middle = (low + high) / 2
        if _one_sided(table, rival, middle, True) <= _one_sided(table, leader, middle, False):
            low = middle
        else:
            high = middle
    return low, high, max(_one_sided(table, rival, low, True), _one_sided(table, leader, high, False))


def _searched(table: Table, leader: int, rival: int) -> Shift:
    from scipy.optimize import linprog

    w, n = table.weights, len(table.weights)
    s_l, s_r = table.score[:, leader], table.score[:, rival]
    m_l, m_r = table.there[:, leader].astype(float), table.there[:, rival].astype(float)
    found: dict[float, tuple[float, np.ndarray | None]] = {}

    def at(level: float) -> float:
        """Least shift with the rival at or above `level` and the leader at or below it."""
        if level not in found:
            rows = np.array([-(s_r - level * m_r), s_l - level * m_l, -m_r, -m_l])
            limit = np.array([0.0, 0.0, -LEAST_PRESENT, -LEAST_PRESENT]) - rows @ w
            done = linprog(
                np.full(2 * n, 0.5), A_ub=np.hstack([rows, -rows]), b_ub=limit,
                A_eq=np.r_[np.ones(n), -np.ones(n)][None, :], b_eq=[0.0],
                bounds=[(0, None)] * n + [(0, float(x)) for x in w], method="highs",
            )  # fmt: skip
            ok = done.status == 0
            found[level] = (float(done.fun), w + done.x[:n] - done.x[n:]) if ok else (np.inf, None)
        return found[level][0]

    low, high, bound = _meeting(table, leader, rival)
    # No level above the rival's greatest score, or below the leader's least, can be met at.
    ends = float(s_l[m_l > 0].min(initial=100.0)), float(s_r[m_r > 0].max(initial=0.0))
    levels = sorted({(low + high) / 2, *np.linspace(*ends, SEARCH_LEVELS).tolist()})
    if at((low + high) / 2) > bound + CLOSE:
        sizes = [at(v) for v in levels]
        valleys = [
            i for i, x in enumerate(sizes)
            if np.isfinite(x) and x <= min(sizes[max(i - 1, 0)], sizes[min(i + 1, len(sizes) - 1)])
        ]  # fmt: skip
        for i in sorted(valleys, key=lambda i: sizes[i])[:VALLEYS]:
            _narrow(at, levels[max(i - 1, 0)], levels[min(i + 1, len(levels) - 1)])
    size, to = min(found.values(), key=lambda f: f[0])
    return Shift(rival, size, to, True) if to is not None else Shift(rival, None, None, True)


def _narrow(at, low: float, high: float) -> None:
    """Golden section towards the least of `at` between two levels; what it finds, `at` remembers."""
    for _ in range(SEARCH_STEPS):
        a, b = low + 0.381966 * (high - low), high - 0.381966 * (high - low)
        if at(a) <= at(b):
            high = b
        else:
            low = a


def shifts_to(table: Table, leader: int, rivals: list[int]) -> list[Shift]:
    """The least shift of every rival; searches last, and only where they could still be the least of all.

    The others are skipped.
    """
    same = (table.there[:, rivals] == table.there[:, [leader]]).all(axis=0)
    out = {p: shift_to(table, leader, p) for p, exact in zip(rivals, same, strict=True) if exact}
    others = {p: _meeting(table, leader, p)[2] for p, exact in zip(rivals, same, strict=True) if not exact}
    least = min((s.size for s in out.values() if s.size is not None), default=np.inf)
    for p in sorted(others, key=lambda p: (others[p], p)):
        out[p] = Shift(p, None, None, True, skipped=True)
        if others[p] < least:
            out[p] = shift_to(table, leader, p)
            least = min(least, np.inf if out[p].size is None else out[p].size)
    return [out[p] for p in rivals]


def smallest_shift_row(study: Study, table: Table, board: Board) -> dict:
    """The `smallest_shift` entry: what would change the winner, and every rival's own least shift."""
    names, leaders = study.products, board.leaders
    row: dict = {
        "leader": names[leaders[0]] if len(leaders) == 1 else None, "rival": None, "shift": None,
        "moves": [], "approximate": False, "rivals": {}, "rivals_skipped": [], "reason": None, "text": None,
    }  # fmt: skip
    rivals = [p for p in table.eligible if p not in leaders]
    if len(leaders) != 1:
        why = "several products lead with equal scores" if leaders else "no product leads"
        return row | {"shift": 0.0 if leaders else None, "reason": why, "text": why}
    if not rivals:
        return row | {"reason": "there is no rival", "text": "there is no rival"}
    shifts = shifts_to(table, leaders[0], rivals)
    row["rivals"] = {names[s.rival]: s.size for s in shifts}
    row["rivals_skipped"] = [names[s.rival] for s in shifts if s.skipped]
    row["approximate"] = any(s.approximate for s in shifts)
    possible = [s for s in shifts if s.size is not None]
    if not possible:
        searched = " that the search tried" if row["approximate"] else ""
        text = f"no weights{searched} put another product level with {row['leader']}"
        return row | {"reason": "no weights do it", "text": text}
    least = min(possible, key=lambda s: (s.size, s.rival))
    change = least.to - table.weights
    row["moves"] = [
        {"criterion": c, "from": float(a), "to": float(b)}
        for c, a, b, d in zip(table.ids, table.weights, least.to, change, strict=True) if abs(d) > SHOWN
    ]  # fmt: skip
    row["rival"], row["shift"] = names[least.rival], least.size
    row["text"] = _sentence(row)
    return row


def _sentence(row: dict) -> str:
    less = [m for m in row["moves"] if m["to"] < m["from"]]
    more = [m for m in row["moves"] if m["to"] > m["from"]]
    if not less or not more:
        return f"{row['rival']} is level with {row['leader']} as it is"

    def said(moves: list[dict]) -> str:
        return listed([f"{m['criterion']} ({100 * m['from']:.1f} to {100 * m['to']:.1f} %)" for m in moves])

    about = "about " if row["approximate"] else ""
    return (
        f"{row['rival']} draws level with {row['leader']} where {about}{100 * row['shift']:.1f} % of the "
        f"weight moves from {said(less)} to {said(more)}"
    )


def without_product(study: Study, estimates: list[CriterionEstimates], p: int) -> list[CriterionEstimates]:
    """The estimates as if product `p` had not taken part: anchors taken from the results are taken anew.

    Its values become absent; on fixed anchors nothing else changes.
    """
    out = []
    for e in estimates:
        value, score = e.value.copy(), e.score.copy()
        value[p] = score[p] = np.nan
        e = replace(e, value=value, score=score)
        if "anchors_from_data" in e.flags and e.function is not None:
            c, f = e.criterion, e.function
            anew, why, _ = value_function(
                better=f.better, floor=c.floor, ceiling=c.ceiling, target=f.target, band=f.band, form=f.form,
                exponent=f.exponent, values=value,
            )  # fmt: skip
            scores = np.full(len(value), np.nan) if anew is None else anew(value)
            scores = np.where(np.isnan(value), score, scores)  # a score that a bound settled stays
            known = ~np.isnan(scores)
            e = replace(
                e, function=anew, reason=why, score=scores, score_low=np.where(known, scores, e.score_low),
                score_high=np.where(known, scores, e.score_high),
            )  # fmt: skip
        out.append(e)
    return out


def leave_product_out(study: Study, estimates: list[CriterionEstimates], board: Board) -> dict[str, dict]:
    """For each ranked product in turn: who leads without it, and whether the order of the others changes.

    On fixed anchors, and where no criterion is dropped because somebody misses it, the others keep
    their scores and their order. Of very many products the first by rank are left out in turn.
    """
    out = {}
    ranked = board.rank > 0
    used = [estimates[i] for i in (*board.criteria, *(i for i, _ in board.dropped))]
    moves = board.weighting.missing == "leave_out" or any("anchors_from_data" in e.flags for e in used)
    order = sorted(np.flatnonzero(ranked).tolist(), key=lambda p: (board.rank[p], p))
    for p in sorted(order[:MOST_PAIRED]):
        others = ranked & (np.arange(len(ranked)) != p)
        leaders, changed = [q for q in board.leaders if q != p], False
        if moves:
            anew = board_of(study, without_product(study, estimates, p), board.weighting)
            leaders = anew.leaders
            before, after = ranks(board.score, others), ranks(anew.score, others & (anew.rank > 0))
            changed = bool((before != after).any())
        elif not leaders:
            leaders = np.flatnonzero(ranks(board.score, others) == 1).tolist()
        out[study.products[p]] = {
            "leaders": [study.products[q] for q in leaders], "order_changes": changed,
        }  # fmt: skip
    return out


def rank_sum_row(study: Study, estimates: list[CriterionEstimates], board: Board) -> dict:
    """Where the plain rank sum names another leader than the weighted score, and why.

    The rank sum is descriptive: it knows neither weights nor margins, and criteria are no random
    sample of anything. leaders: with the least sum among ranked products that have every criterion.
    """
    names, sums = study.products, rank_sum(estimates, board)
    usable = [p for p in np.flatnonzero(board.rank > 0) if not np.isnan(sums[p])]
    row: dict = {"leaders": [], "agrees": None, "why": None, "compared": [names[p] for p in usable]}
    if not usable or not board.leaders:
        return row | {"why": "no ranked product has a result in every criterion"}
    least = min(sums[p] for p in usable)
    first = [p for p in usable if sums[p] == least]
    row["leaders"] = [names[p] for p in first]
    row["agrees"] = row["leaders"] == [names[p] for p in board.leaders]
    if row["agrees"]:
        return row
    a, b = board.leaders[0], next((p for p in first if p not in board.leaders), None)
    if b is None:
        return row | {"why": f"level by {'score' if len(first) < len(board.leaders) else 'ranks'}"}
    if a not in usable:
        return row | {"why": f"{names[a]} misses a criterion and has no rank sum"}
    table = table_of(estimates, board)
    ahead = table.score[:, a] - table.score[:, b]
    equal_weights, margin = float(ahead.mean()), table.weights * ahead
    top = int(np.argmax(margin))
    better, n = int((ahead < 0).sum()), len(ahead)
    cause = "margins" if equal_weights > 0 else "weights"
    why = (
        f"{names[b]} is the better in {better} of {n} criteria, but {names[a]} leads by {ahead[top]:.1f} "
        f"points in {table.ids[top]}, which carries {100 * table.weights[top]:.0f} % of the weight"
    )
    return row | {"why": why, "cause": cause}


def add_weights(row: dict, study: Study, estimates: list[CriterionEstimates], board: Board, key: int) -> None:
    """Put what other weights would do into one `scorecards` row. key: of its stream."""
    table = table_of(estimates, board)
    names = [study.products[p] for p in table.eligible]
    near = winner_shares(table, KAPPA * table.weights, study.seed, 2 * key)
    whole = winner_shares(table, np.ones(len(table.weights)), study.seed, 2 * key + 1)
    row["weightings_tried"] = WEIGHTINGS
    row["kappa"] = KAPPA
    row["weight_sd"] = dict(zip(table.ids, weight_sd(table.weights).tolist(), strict=True))
    for name, shares in (("winner_share_of_weights", near), ("winner_share_of_all_weights", whole)):
        row[name] = dict(zip(names, shares.tolist(), strict=True))
        row[f"{name}_mc"] = dict(zip(names, mc_error(shares, WEIGHTINGS).tolist(), strict=True))
    row["smallest_shift"] = smallest_shift_row(study, table, board)
    row["leave_product_out"] = leave_product_out(study, estimates, board)
    row["rank_sum_leaders"] = rank_sum_row(study, estimates, board)

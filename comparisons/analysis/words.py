"""The words for a winner, and the limits that they rest on.

The words follow the numbers, never the other way round. "Clear winner", "ahead" and "shared lead" are
our own limits on P(best); comparisons with the best are after J. C. Hsu (1984), "Constrained
simultaneous confidence intervals for multiple comparisons with the best", Annals of Statistics 12,
1136-1144 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

from .ranking import Sureness, mc_error
from .scores import SAME, stands_with_missing
from .study import Study

# P(best) from which a sole leader is a clear winner. Two equal products reach 0.95 in 10 % of studies.
CLEAR = 0.975
AHEAD = 0.80  # P(best) from which a sole leader is ahead, and what a shared lead holds together
MC_ERRORS = 2.0  # a limit counts as reached from so many Monte Carlo standard errors above it

CLEAR_WINNER, IS_AHEAD, SHARED_LEAD, NO_AWARD = "clear winner", "ahead", "shared lead", "no award"


@dataclass(frozen=True)
class Winner:
    """What may be said of the winner of one weighting.

    word: one of the four, None where no product is ranked or nothing can be drawn. products: whom it
    is said of. reasons: why no higher word, in order. candidates: products that can be the best at the
    level of Hsu's comparison. tested_units_only: said of the units tested, not of the products at large.
    stands: whether missing results could name another (None without a sole leader); could_win: who.
    """

    word: str | None
    products: tuple[str, ...]
    text: str
    reasons: tuple[str, ...]
    candidates: tuple[str, ...]
    tested_units_only: bool
    stands: bool | None
    could_win: tuple[str, ...]
    p_best: float | None
    p_best_mc: float | None

    @property
    def awarded(self) -> bool:
        """Whether one product carries the word alone."""
        return self.word in (CLEAR_WINNER, IS_AHEAD)


def reaches(p: float, limit: float, draws: int) -> bool:
    """Whether a share found in so many draws is at or above a limit by two Monte Carlo standard errors.

    >>> reaches(0.99, 0.975, 20_000), reaches(0.976, 0.975, 20_000)
    (True, False)
    """
    return p - MC_ERRORS * float(mc_error(p, draws)) >= limit


def candidates_for_best(s: Sureness, leader: int, level: float) -> list[int]:
    """Products that may be the best, the leader among them: comparisons with the best on draws.

    A rival is excluded where the interval of the drawn difference from the leader, one-sided at
    (1 - level)/(k - 1) for k products (Bonferroni's bound in place of Dunnett's value, on the safe side),
    lies wholly below zero: the k - 1 statements then hold together at `level`. Drawn differences carry
    what is shared (gauges) and what is clipped by anchors, which a standard error of each score would
    not. Never excluded: a rival of which nothing can be said, or within two Monte Carlo standard errors.
    """
    k, out = len(s.ranked), []
    for p in s.ranked:
        wins = None if p == leader else s.beats(p, leader)
        if wins is None or wins + MC_ERRORS * float(mc_error(wins, s.ranks.draws)) > (1 - level) / (k - 1):
            out.append(p)
    return out


def listed(names: list[str] | tuple[str, ...]) -> str:
    """Names as a sentence lists them.

    >>> listed(["A"]), listed(["A", "B", "C"])
    ('A', 'A, B and C')
    """
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _shared(s: Sureness) -> list[int]:
    """The products that hold the lead together: the fewest whose P(best) add up to what "ahead" asks for.

    The leaders by score belong to it, and so does who cannot be told from the last of them in draws.
    """
    known = sorted((p for p in s.ranked if s.p_best(p) is not None), key=lambda p: (-s.p_best(p), p))
    chosen, total = [], 0.0
    for p in known:
        alike = chosen and s.p_best(chosen[-1]) - s.p_best(p) <= MC_ERRORS * float(
            mc_error(s.p_best(p), s.ranks.draws)
        )
        if total >= AHEAD and not alike:
            break
        chosen.append(p)
        total += s.p_best(p)
    leaders = [p for p in s.board.leaders if p not in chosen]
    return sorted(chosen + leaders, key=lambda p: (-(s.p_best(p) or 0.0), p))


def could_win(s: Sureness) -> list[int]:
    """Rivals whose greatest score, with what they miss, reaches the sole leader's least."""
    board = s.board
    if len(board.leaders) != 1:
        return []
    lead = board.leaders[0]
    return [p for p in s.ranked if p != lead and not board.high[p] < board.low[lead] - SAME]


def winner_of(study: Study, s: Sureness, row: dict) -> Winner:
    """The word for the winner of one weighting.

    row: its `scorecards` row, for the flags of its products. Constants: `CLEAR`, `AHEAD`, `MC_ERRORS`
    and the study's confidence for Hsu's comparison.
    """
    names, draws, level = study.products, s.ranks.draws, study.decision.confidence
    leaders = s.board.leaders
    if not leaders:
        return _none(None, f"nobody leads: {row['reason']}")
    flags = {r["product"]: set(r["flags"]) for r in row["products"]}
    unsure = [p for p in leaders if s.unsure[p]]
    if unsure:
        why = "; ".join(f"{c}: {r}" for c, r in s.unsure[unsure[0]])
        return _none(None, f"nothing can be said of how sure the lead of {names[unsure[0]]} is: {why}")
    if len(leaders) > 1:
        return _said(study, s, SHARED_LEAD, _shared(s), ["equal scores"], flags, [*s.ranked], None)
    lead = leaders[0]
    p = s.p_best(lead)
    candidates = candidates_for_best(s, lead, level)
    stands, rivals = stands_with_missing(s.board), could_win(s)
    if not stands:
        reason = (
            f"with what is missing at its least for {names[lead]} and at its greatest for its rivals, "
            f"{listed([names[r] for r in rivals])} could have the greater score"
        )
        return _said(study, s, NO_AWARD, [], [reason], flags, candidates, False, rivals, lead)
    if len(s.ranked) == 1:
        gated = sum(bool(g) for g in s.board.gated)
        word, who = (IS_AHEAD, [lead]) if gated else (NO_AWARD, [])
        reason = "the only product that meets every must-have" if gated else "only one product has a score"
        return _said(study, s, word, who, [reason], flags, candidates, stands, (), lead)
    top = max((q for q in s.ranked if s.p_best(q) is not None), key=lambda q: (s.p_best(q), -q))
    if not reaches(p, AHEAD, draws) or top != lead:
        reason = f"P(best) of {names[lead]} is {p:.3f}, and {AHEAD:g} is asked for"
        return _said(study, s, SHARED_LEAD, _shared(s), [reason], flags, candidates, stands, (), lead)
    reasons = []
    if not reaches(p, CLEAR, draws):
        reasons.append(f"P(best) is {p:.3f}, and {CLEAR:g} is asked for")
    if candidates != [lead]:
        others = listed([names[q] for q in candidates if q != lead])
        reasons.append(f"not excluded as the best at {100 * level:g} %: {others}")
    if "of_units_tested" in flags[names[lead]]:
        reasons.append("how units differ is not known: it is said of the units tested")
    if "missing_at_worst" in flags[names[lead]]:
        reasons.append("a missing result stands at its worst")
    if s.not_drawn:
        reasons.append(f"without a sampling law: {listed([c for c, _ in s.not_drawn])}")
    if any(s.unsure[q] for q in s.ranked):
        blind = listed([names[q] for q in s.ranked if s.unsure[q]])
        reasons.append(f"nothing shows how sure the scores are of {blind}")
    word = IS_AHEAD if reasons else CLEAR_WINNER
    return _said(study, s, word, [lead], reasons, flags, candidates, stands, (), lead)


def _none(word, reason: str) -> Winner:
    return Winner(word, (), reason, (reason,), (), False, None, (), None, None)


def _said(study: Study, s: Sureness, word, who, reasons, flags, candidates, stands, rivals=(),
          lead=None) -> Winner:  # fmt: skip
    names = [study.products[p] for p in who]
    tested = any("of_units_tested" in flags[n] for n in names)
    text = {
        CLEAR_WINNER: "{} is the clear winner", IS_AHEAD: "{} is ahead", SHARED_LEAD: "shared lead of {}",
        NO_AWARD: "no award",
    }[word].format(listed(names) if names else "")  # fmt: skip
    if tested:
        text += ", among the units tested"
    if word == NO_AWARD:
        text += f": {reasons[0]}"
    p = None if lead is None else s.p_best(lead)
    return Winner(
        word, tuple(names), text, tuple(reasons), tuple(study.products[c] for c in candidates), tested,
        stands, tuple(study.products[r] for r in rivals), p,
        None if p is None else float(mc_error(p, s.ranks.draws)),
    )  # fmt: skip


def winner_row(study: Study, w: Winner) -> dict:
    """The `winner` entry of a `scorecards` row, with the limits that the word rests on."""
    return {
        "word": w.word, "products": list(w.products), "text": w.text, "reasons": list(w.reasons),
        "candidates": list(w.candidates), "among_units_tested": w.tested_units_only,
        "stands_with_missing": w.stands, "could_win": list(w.could_win), "awarded": w.awarded,
        "p_best": w.p_best, "p_best_mc": w.p_best_mc,
        "limits": {
            "clear_winner": CLEAR, "ahead": AHEAD, "mc_errors": MC_ERRORS,
            "comparison_with_the_best": study.decision.confidence,
        },
    }  # fmt: skip

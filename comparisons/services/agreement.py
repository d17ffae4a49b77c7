"""Whether two results documents say the same, and where they do not.

Numbers agree within a relative 1e-8: another processor or library may differ in the last digits, and may
round a random draw to the other side of a limit. So what draws made agrees within its Monte Carlo error:
a field `x` with the stated standard error `x_mc` beside it within two of those, a share of draws without
one within two binomial standard errors at the number of draws that the scorecards state. Errors and draws
are taken from the recomputed document: a forged one must not widen what it is held to.
The engine's version is not compared: it says by what a document was made; another engine's document may
hold further keys (keys may be added, not renamed), so these are no difference then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

RELATIVE = 1e-8
NEAR_ZERO = 1e-12  # what is this close to zero is zero: the rounding of a difference of equals
ERRORS = 2  # standard errors
OF_ERROR = 0.5  # a standard error moves little with its share
SHOWN = 50
NOT_COMPARED = {"engine"}
STATED = "_mc"
# Shares of draws, by the part of the document and the field, where no error is stated beside them.
SHARES = {
    "scorecards": {
        "p_rank", "p_best", "p_tie_first", "p_meets", "beats", "winner_share_of_weights",
        "winner_share_of_all_weights", "below_floor", "above_ceiling", "truncated", "clipped", "truncated_of",
        "p_wrong_now",
    },
    "value": {"p", "p_under_cap"},
    "next_tests": {"p_wrong_now", "p_wrong_after", "gain"},
}  # fmt: skip
# Quantiles of drawn ranks: whole numbers, of which a neighbour may be as good.
RANKS = {"rank_interval"}
# Told first: the rest follows from these.
FIRST = ["schema", "comparison", "inputs_digest", "specimens", "summaries", "changes", "claims"]
# What a row of a list is called by, where it has these.
NAMES = ("weighting", "criterion", "trial", "claim", "product", "specimen", "reading", "a", "b", "where")


def share_error(p: float, draws: int) -> float:
    """Standard error of a share of independent draws, never less than one draw.

    Source: binomial variance p (1 - p) / n.

    >>> share_error(0.5, 10_000)
    0.005
    """
    p = min(max(p, 0.0), 1.0)
    return max(math.sqrt(p * (1 - p) / draws), 1 / draws)


def differences(published: dict, recomputed: dict) -> list[str]:
    """Where two results documents (plain JSON) differ, in words; [] where they agree.

    The first fifty are told, then how many more there are.
    """
    found: list[str] = []
    added_is_fine = published.get("engine") != recomputed.get("engine")
    stated = [card.get("draws") for card in recomputed.get("scorecards") or []]
    draws = min((n for n in stated if isinstance(n, int) and n > 0), default=None)
    for part in sorted(published.keys() | recomputed.keys(), key=_order):
        if part in NOT_COMPARED:
            continue
        if part in published and part in recomputed:
            walk = _Walk(found, SHARES.get(part, frozenset()), added_is_fine, draws)
            walk.compare(part, published[part], recomputed[part])
        elif part in published or not added_is_fine:
            found.append(f"{part}: {_presence(part in published)}")
    if len(found) > SHOWN:
        found = [*found[:SHOWN], f"and {len(found) - SHOWN:,} more differences"]
    return found


def _order(part: str) -> tuple[int, str]:
    return (FIRST.index(part) if part in FIRST else len(FIRST), part)


def _presence(was_published: bool) -> str:
    return "published, but not found again" if was_published else "found now, but not published"


@dataclass
class _Walk:
    """A walk through one part (top key) of two documents; what differs goes to `found`."""

    found: list[str]
    shares: frozenset[str]
    added_is_fine: bool
    draws: int | None

    def compare(self, where: str, a, b, error=None, field: str = "") -> None:
        """`a` was published, `b` found again. `error` is the stated standard error of `b`, of its shape;
        None where none is. `field` is the nearest field around that draws made, "" outside of such."""
        if isinstance(a, dict) and isinstance(b, dict):
            for key in sorted(a.keys() | b.keys()):
                if key in a and key in b:
                    inner = _part_of(error, key) if error is not None else b.get(key + STATED)
                    drawn = field or (key if key in self.shares or key in RANKS or key.endswith(STATED) else "")
                    self.compare(f"{where}.{key}", a[key], b[key], inner, drawn)
                elif key in a or not self.added_is_fine:
                    self.found.append(f"{where}.{key}: {_presence(key in a)}")
        elif isinstance(a, list) and isinstance(b, list):
            if len(a) != len(b):
                self.found.append(f"{where}: {len(a)} published, {len(b)} found again")
            for i, (one, other) in enumerate(zip(a, b, strict=False)):
                self.compare(f"{where}[{_name(one, i)}]", one, other, _part_of(error, i), field)
        elif not self._agree(a, b, error, field):
            self.found.append(f"{where}: {_shown(a)} published, {_shown(b)} found again")

    def _agree(self, a, b, error, field: str) -> bool:
        if not (_is_number(a) and _is_number(b)):
            return type(a) is type(b) and a == b
        if math.isclose(a, b, rel_tol=RELATIVE, abs_tol=NEAR_ZERO):
            return True
        if field in RANKS:
            return abs(a - b) <= 1
        if field.endswith(STATED):
            return abs(a - b) <= OF_ERROR * abs(b)
        if _is_number(error):
            return abs(a - b) <= ERRORS * error
        if field in self.shares and self.draws:
            return abs(a - b) <= ERRORS * share_error((a + b) / 2, self.draws)
        return False


def _part_of(error, key):
    """The stated error of one part of a list or dict; None where it is not stated."""
    if isinstance(error, dict):
        return error.get(key)
    if isinstance(error, list) and isinstance(key, int) and key < len(error):
        return error[key]
    return None


def _is_number(value) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _name(row, index: int) -> str:
    names = [str(row[key]) for key in NAMES if isinstance(row, dict) and row.get(key)]
    return " ".join(names) or str(index)


def _shown(value) -> str:
    text = repr(value) if isinstance(value, (str, float)) else str(value)
    return text if len(text) <= 80 else text[:79] + "…"

"""Whether two results documents say the same, and where they do not.

Numbers agree within a relative 1e-8: another processor or library may differ in the last digits.
Probabilities that random draws made agree within the Monte Carlo error of the number of draws that the
document states. The engine's version is not compared: it says by what a document was made; another
engine's document may hold further keys (design: keys may be added), so these are no difference then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

RELATIVE = 1e-8
NEAR_ZERO = 1e-12  # what is this close to zero is zero: the rounding of a difference of equals
SHOWN = 50
NOT_COMPARED = {"engine"}
# Where random draws make a probability: (part of the document, field).
DRAWN = {
    ("scorecards", "p_rank"), ("scorecards", "p_best"), ("scorecards", "beats"),
    ("scorecards", "winner_share_of_weights"), ("value", "p"), ("next_tests", "p_wrong_now"),
    ("next_tests", "p_wrong_after"),
}  # fmt: skip
# What a row of a list is called by, where it has these.
NAMES = ("weighting", "criterion", "trial", "claim", "product", "specimen", "reading", "a", "b", "where")


def monte_carlo_error(p: float, draws: int) -> float:
    """Two standard errors of a share of independent draws, at least one draw.

    Source: binomial variance p (1 - p) / n.

    >>> round(monte_carlo_error(0.5, 10_000), 4)
    0.01
    """
    p = min(max(p, 0.0), 1.0)
    return max(2 * math.sqrt(p * (1 - p) / draws), 1 / draws)


def differences(published: dict, recomputed: dict) -> list[str]:
    """Where two results documents (plain JSON) differ, in words; [] where they agree.

    The first fifty are told, then how many more there are.
    """
    found: list[str] = []
    added_is_fine = published.get("engine") != recomputed.get("engine")
    for part in sorted(published.keys() | recomputed.keys()):
        if part in NOT_COMPARED:
            continue
        if part in published and part in recomputed:
            walk = _Walk(found, part, added_is_fine)
            walk.compare(part, published[part], recomputed[part], "", None)
        elif part in published or not added_is_fine:
            found.append(f"{part}: {_presence(part in published)}")
    if len(found) > SHOWN:
        found = [*found[:SHOWN], f"and {len(found) - SHOWN:,} more differences"]
    return found


def _presence(was_published: bool) -> str:
    return "published, but not found again" if was_published else "found now, but not published"


@dataclass
class _Walk:
    """A walk through one part (top key) of two documents; what differs goes to `found`."""

    found: list[str]
    part: str
    added_is_fine: bool

    def compare(self, where: str, a, b, field: str, draws: int | None) -> None:
        """`a` was published; `field` is the nearest named field, `draws` what the row around states."""
        if isinstance(a, dict) and isinstance(b, dict):
            stated = a.get("draws", draws)
            for key in sorted(a.keys() | b.keys()):
                if key in a and key in b:
                    inner = field if (self.part, field) in DRAWN else key
                    self.compare(f"{where}.{key}", a[key], b[key], inner, stated)
                elif key in a or not self.added_is_fine:
                    self.found.append(f"{where}.{key}: {_presence(key in a)}")
        elif isinstance(a, list) and isinstance(b, list):
            if len(a) != len(b):
                self.found.append(f"{where}: {len(a)} published, {len(b)} found again")
            for i, (one, other) in enumerate(zip(a, b, strict=False)):
                self.compare(f"{where}[{_name(one, i)}]", one, other, field, draws)
        elif not _agree(a, b, draws if (self.part, field) in DRAWN else None):
            self.found.append(f"{where}: {_shown(a)} published, {_shown(b)} found again")


def _agree(a, b, draws: int | None) -> bool:
    if _is_number(a) and _is_number(b):
        if isinstance(draws, int) and draws > 0:
            return abs(a - b) <= monte_carlo_error((a + b) / 2, draws)
        return math.isclose(a, b, rel_tol=RELATIVE, abs_tol=NEAR_ZERO)
    return type(a) is type(b) and a == b


def _is_number(value) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _name(row, index: int) -> str:
    names = [str(row[key]) for key in NAMES if isinstance(row, dict) and row.get(key)]
    return " ".join(names) or str(index)


def _shown(value) -> str:
    text = repr(value) if isinstance(value, (str, float)) else str(value)
    return text if len(text) <= 80 else text[:79] + "…"

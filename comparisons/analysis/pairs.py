"""All pairs of a trial's products as arrays, and what every pairwise procedure shares.

The statistics live in `differences`; here are the container for the answers, Holm's adjustment
and the rule that decides which products can carry a letter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from .checked import LARGEST, SMALLEST, number
from .document import Ready, rounded_column
from .letters import compact_letters

DECISIONS = ("different", "no_difference_shown", "too_few_to_tell")
DIFFERENT, NOT_SHOWN, TOO_FEW = range(3)
NO_DOF = "one independent item: no degrees of freedom"


@dataclass(frozen=True)
class Pairs(Sequence):
    """Pairs of products as arrays of one length; reads as a sequence of plain rows.

    labels: the products. a, b: int indices into them. difference, low, high: a minus b and its
    simultaneous interval, in `Differences.scale`. p: adjusted for the number of pairs. NaN inside
    the arrays means absent and becomes None in a row. decided: index into DECISIONS.
    reason: index into `reasons`, whose first entry is None.
    """

    labels: tuple
    a: np.ndarray
    b: np.ndarray
    difference: np.ndarray
    low: np.ndarray
    high: np.ndarray
    p: np.ndarray
    decided: np.ndarray
    reason: np.ndarray
    reasons: tuple[str | None, ...] = (None,)

    def __len__(self) -> int:
        return len(self.a)

    def __getitem__(self, index):
        """The row (a dict) at that place, or the list of rows of a slice."""
        if isinstance(index, slice):
            return [self[i] for i in range(*index.indices(len(self)))]
        low, high = _number(self.low[index]), _number(self.high[index])
        return {
            "a": self.labels[self.a[index]],
            "b": self.labels[self.b[index]],
            "difference": _number(self.difference[index]),
            "ci": None if low is None or high is None else [low, high],
            "p": _number(self.p[index]),
            "decided": DECISIONS[self.decided[index]],
            "reason": self.reasons[self.reason[index]],
        }

    def rows(self) -> list[dict]:
        """All rows, numbers at ten digits, as the document holds them."""
        labels, reasons = self.labels, self.reasons
        low, high = rounded_column(self.low), rounded_column(self.high)
        return Ready([
            {
                "a": labels[a], "b": labels[b], "difference": d,
                "ci": None if lo is None or hi is None else [lo, hi], "p": p, "decided": DECISIONS[found],
                "reason": reasons[why],
            }
            for a, b, d, lo, hi, p, found, why in zip(
                self.a.tolist(), self.b.tolist(), rounded_column(self.difference), low, high,
                rounded_column(self.p), self.decided.tolist(), self.reason.tolist(), strict=True,
            )
        ])  # fmt: skip

    def between(self, a, b) -> dict:
        """The row of two labels, turned so that it reads a minus b; KeyError where there is none."""
        i, j = _position(self.labels, a), _position(self.labels, b)
        if i == j or not len(self):
            raise KeyError((a, b))
        low, high = min(i, j), max(i, j)
        row = self[low * len(self.labels) - low * (low + 1) // 2 + high - low - 1]
        if i > j:
            ci = row["ci"] and [0.0 - row["ci"][1], 0.0 - row["ci"][0]]
            d = row["difference"]
            row |= {"a": a, "b": b, "difference": None if d is None else 0.0 - d, "ci": ci}
        return row

    def equivalent_within(self, margin: float) -> np.ndarray:
        """Which pairs are shown to be "as good as" within +-margin: the whole interval lies inside.

        margin: positive, in the unit of the difference; anything else shows nothing.
        Returns bool, one per pair. Stricter than `differences.equivalent_within`, whose interval
        speaks of one pair alone. Source: Schuirmann (1987), with the simultaneous interval.
        """
        if not (isinstance(margin, int | float) and margin > 0 and np.isfinite(margin)):
            return np.zeros(len(self), dtype=bool)
        with np.errstate(invalid="ignore"):
            return (self.low > -margin) & (self.high < margin)


@dataclass(frozen=True)
class Differences:
    """Which products of a trial differ.

    method: the procedure in words. pairs: `Pairs`, a sequence of rows {a, b, difference, ci, p,
    decided, reason}. letters: label -> letters, or None where a product can carry none; `no_letter`
    says why. omnibus: the test over all products, reported and never a gate, or None.
    scale: what a difference is measured in. reason: why there is no comparison, None where there is.
    """

    method: str
    pairs: Pairs
    letters: dict
    omnibus: dict | None
    reason: str | None
    scale: str = "unit of the property"
    level: float | None = 0.95
    no_letter: dict = field(default_factory=dict)


def holm(p) -> np.ndarray:
    """Holm's step-down adjusted p values.

    p: array of m raw p values, NaN where there was no test (they do not count in m).
    Returns the adjusted values in the same places, NaN kept.
    Source: S. Holm (1979), "A simple sequentially rejective multiple test procedure", Scandinavian
    Journal of Statistics 6, 65-70.

    >>> holm([0.01, 0.04, 0.03, 0.005]).round(4).tolist()
    [0.03, 0.06, 0.06, 0.02]
    """
    p = np.asarray(p, dtype=float)
    out = np.full(p.shape, np.nan)
    tested = np.flatnonzero(~np.isnan(p))
    order = tested[np.argsort(p[tested], kind="stable")]
    m = len(order)
    out[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(m, 0, -1)), 1.0)
    return out


@lru_cache(maxsize=64)
def pair_index(k: int) -> tuple[np.ndarray, np.ndarray]:
    """All pairs (i, j) with i < j of k products, row by row; not to be written to.

    >>> [x.tolist() for x in pair_index(3)]
    [[0, 0, 1], [1, 2, 2]]
    """
    pairs = np.triu_indices(k, 1)
    for index in pairs:
        index.setflags(write=False)
    return pairs


def agree_with_decision(low, high, estimate, different, shown):
    """Intervals that never contradict the decision on the same pair.

    A pair decided different by a step-down procedure can have a (single-step) interval that still
    holds zero: it is cut at zero on the side away from the estimate. A pair that is not decided
    keeps zero inside, widened where an approximate interval is tighter than the exact test.
    Source of the cut: K. Strassburger and F. Bretz (2008), "Compatible simultaneous lower
    confidence bounds for the Holm procedure", Statistics in Medicine 27, 4914-4927 (from memory).
    """
    low = np.where(different & (estimate > 0), np.maximum(low, 0.0), low)
    high = np.where(different & (estimate < 0), np.minimum(high, 0.0), high)
    low = np.where(shown, np.minimum(low, 0.0), low)
    high = np.where(shown, np.maximum(high, 0.0), high)
    return low, high


def give_letters(labels, order, a, b, decided, own_reason) -> tuple[dict, dict]:
    """Letters for the products whose pairs were all decided, and why the others have none.

    labels: k names. order: indices of the products in the order in which letters are handed out.
    a, b, decided: the pairs. own_reason: k entries, the reason why a product has no test at all, or
    None. Products without any test go first; then, until no undecided pair is left, those with the
    most undecided pairs (all of them where several have as many).
    """
    k = len(labels)
    open_ = np.zeros((k, k), dtype=bool)
    undecided = decided == TOO_FEW
    open_[a[undecided], b[undecided]] = True
    open_ |= open_.T
    in_ = np.array([r is None for r in own_reason], dtype=bool)
    why = {labels[i]: own_reason[i] for i in range(k) if not in_[i]}
    while True:
        count = (open_ & in_).sum(axis=1) * in_
        most = count.max(initial=0)
        if most == 0:
            break
        for i in np.flatnonzero(count == most):
            others = [str(labels[j]) for j in np.flatnonzero(open_[i] & in_)]
            named = ", ".join(others[:3]) + (f" and {len(others) - 3} more" if len(others) > 3 else "")
            why[labels[i]] = f"too few to tell it from {named}"
        in_ &= count != most
    kept = [i for i in order if in_[i]]
    letters = dict.fromkeys(labels)
    if len(kept) > 1:
        different = np.zeros((k, k), dtype=bool)
        found = decided == DIFFERENT
        different[a[found], b[found]] = True
        different |= different.T
        for i, text in zip(kept, compact_letters(different[np.ix_(kept, kept)]), strict=True):
            letters[labels[i]] = text
    else:
        why |= {labels[i]: "no other product that it could be told from" for i in kept}
    return letters, why


def refused(labels, reason: str, scale: str = "unit of the property", level=None) -> Differences:
    """A comparison that was not made, with the reason."""
    none = np.zeros(0)
    no = np.zeros(0, dtype=int)
    labels = tuple(labels)
    pairs = Pairs(labels, no, no, none, none, none, none, no, no)
    letters = dict.fromkeys(labels)
    return Differences("none", pairs, letters, None, reason, scale, level, dict.fromkeys(labels, reason))


def decide(
    labels, *, difference, low, high, raw, least, own, order, method, scale, level, too_few,
    untested="not tested", no_interval=None, omnibus=None,
) -> Differences:
    """Adjust, decide and give letters: what the tests with a smallest reachable p have in common.

    raw: p of each pair, NaN where there was no test. least: the smallest p that the pair's sample sizes
    could reach. Holm's adjustment never falls when a p rises, so the adjusted `least` bounds what the
    pair could have reached at best; where that is above the error rate the pair is too few to tell.
    too_few, untested, no_interval: the reasons in words.
    """
    a, b = pair_index(len(labels))
    alpha = (1 - level) * (1 + 1e-9)
    tested = ~np.isnan(raw)
    p, reachable = holm(raw), holm(least)
    hopeless = tested & ~(reachable <= alpha)
    different = tested & ~hopeless & (p <= alpha)
    decided = np.where(different, DIFFERENT, np.where(tested & ~hopeless, NOT_SHOWN, TOO_FEW))
    low, high = agree_with_decision(low, high, difference, different, tested & ~different)
    reasons: list[str | None] = [None, too_few, untested, no_interval]
    reason = np.where(hopeless, 1, np.where(~tested, 2, np.where(np.isnan(low) & tested, 3, 0)))
    reasons, reason = own_reasons(reasons, reason, own, labels, a, b, ~tested)
    letters, why = give_letters(labels, order, a, b, decided, own)
    pairs = Pairs(labels, a, b, difference, low, high, p, decided, reason, reasons)
    return Differences(method, pairs, letters, omnibus, None, scale, float(level), why)


def own_reasons(reasons, reason, own, labels, a, b, where) -> tuple[tuple, np.ndarray]:
    """Name the product that could not be tested as the reason of its pairs, on the pairs of `where`."""
    index = np.zeros(len(labels), dtype=int)
    reasons = list(reasons)
    for i, why in enumerate(own):
        if why is not None:
            reasons.append(f"{labels[i]}: {why}")
            index[i] = len(reasons) - 1
    named = np.where(index[a] > 0, index[a], index[b])
    return tuple(reasons), np.where(where & (named > 0), named, reason)


def welch(ua, ub, dofa, dofb) -> tuple[np.ndarray, np.ndarray]:
    """Standard errors of differences and their Welch-Satterthwaite degrees of freedom.

    ua, ub: standard uncertainties, one at least above 0 where the result is used; dofa, dofb: degrees
    of freedom, infinity allowed. Source: Satterthwaite (1946), Biometrics Bulletin 2, 110-114.

    >>> se, dof = welch(*(np.array([v]) for v in (3.0, 4.0, 5.0, 5.0)))
    >>> float(se[0]), round(float(dof[0]), 2)
    (5.0, 9.27)
    """
    top = np.maximum(np.maximum(ua, ub), np.finfo(float).tiny)
    ra, rb = (ua / top) ** 2, (ub / top) ** 2
    least = np.minimum(dofa, dofb)
    nu = (ra + rb) ** 2 / np.maximum(ra**2 / dofa + rb**2 / dofb, 1e-12)
    return np.hypot(ua, ub), np.maximum(nu, np.minimum(least, 1e12))


def bad_request(labels, level) -> tuple[tuple, str | None]:
    """The labels as a tuple, and why a comparison of them cannot be made (None where it can)."""
    labels = tuple(labels.tolist() if isinstance(labels, np.ndarray) else labels)
    if len(set(labels)) != len(labels):
        return labels, "two products have one name"
    confidence = number(level)
    if confidence is None or not 0.5 < confidence < 1:
        return labels, "the confidence level must lie between 0.5 and 1"
    if len(labels) < 2:
        return labels, "fewer than two products: nothing to compare"
    return labels, None


def numbers(x, infinite: bool = False) -> np.ndarray:
    """As a flat array of floats; what is no finite number becomes NaN (+inf stays where allowed).

    >>> numbers([1, None, "2", float("inf")]).tolist()
    [1.0, nan, nan, nan]
    """
    if x is None:
        return np.zeros(0)
    if isinstance(x, np.ndarray) and x.dtype.kind in "fiu":
        out = x.astype(float).ravel()
        return np.where(np.isfinite(out) | (infinite & (out == np.inf)), out, np.nan)
    x = list(x)
    if all(v is None or type(v) is float for v in x):
        out = np.array([np.nan if v is None else v for v in x], dtype=float)
        kept = (np.abs(out) <= LARGEST) | (infinite & (out == np.inf))
        return np.where(kept, np.where(np.abs(out) < SMALLEST, 0.0, out), np.nan)
    out = [np.inf if infinite and isinstance(v, float) and v == np.inf else number(v) for v in x]
    return np.array([np.nan if v is None else v for v in out], dtype=float)


def no_test(mean, u, dof) -> str | None:
    """Why a product with these figures cannot be tested (NaN: absent), None where it can."""
    if np.isnan(mean):
        return "no mean"
    if not dof >= 1 - 1e-9:
        return NO_DOF
    if not u >= 0:
        return "no standard uncertainty"
    return None


def spreadless(values) -> float:
    """The spread below which values of this size differ by rounding alone."""
    values = np.asarray(values, dtype=float)
    return 1e-13 * float(np.max(np.abs(values), initial=0.0, where=np.isfinite(values)))


def _number(x) -> float | None:
    return float(x) if np.isfinite(x) else None


def _position(labels, label) -> int:
    try:
        return labels.index(label)
    except ValueError:
        raise KeyError(label) from None

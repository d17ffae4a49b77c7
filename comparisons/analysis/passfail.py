"""Shares of items that pass: intervals, one-sided bounds and the words for them.

The items must be independent. Specimens of one unit are not: count units, or flag the result.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from scipy import special

from .checked import number, share


@dataclass(frozen=True)
class ShareInterval:
    """An interval for a share of items, 0 to 1; `low, high = interval` unpacks it.

    share: passed/n. low, high: limits. reason: why they are absent, else "".
    """

    low: float | None
    high: float | None
    share: float | None = None
    reason: str = ""

    def __iter__(self) -> Iterator[float | None]:
        return iter((self.low, self.high))


def _counts(k, n) -> tuple[int, int] | str:
    """Passed and tested as whole numbers, or the reason why they cannot be used."""
    passed, total = number(k), number(n)
    if passed is None or total is None or passed != int(passed) or total != int(total):
        return "the counts are not whole numbers"
    if total < 1:
        return "nothing was tested"
    if passed < 0 or passed > total:
        return "more passed than were tested, or fewer than none"
    return int(passed), int(total)


def _ready(k, n, level) -> tuple[int, int, float] | ShareInterval:
    counts = _counts(k, n)
    if isinstance(counts, str):
        return ShareInterval(None, None, None, counts)
    confidence = share(level)
    if confidence is None:
        return ShareInterval(None, None, counts[0] / counts[1], "the level must lie between 0 and 1")
    return *counts, confidence


def clopper_pearson(k, n, level=0.95) -> ShareInterval:
    """Exact two-sided interval for the share of items that pass.

    k passed of n tested, whole numbers; level: two-sided confidence, 0 to 1. Returns limits between 0 and
    1; bad counts give None with a reason. Never covers less than the level. Source: Clopper and Pearson
    1934, Biometrika 26:404.

    >>> low, high = clopper_pearson(4, 20, 0.90)
    >>> round(low, 5), round(high, 5)
    (0.07135, 0.40103)
    """
    ready = _ready(k, n, level)
    if isinstance(ready, ShareInterval):
        return ready
    passed, total, confidence = ready
    tail = (1 - confidence) / 2
    low = 0.0 if passed == 0 else float(special.betaincinv(passed, total - passed + 1, tail))
    high = 1.0 if passed == total else float(special.betainccinv(passed + 1, total - passed, tail))
    return ShareInterval(low, high, passed / total)


def wilson(k, n, level=0.95) -> ShareInterval:
    """Score interval for the share of items that pass; covers the level on average, not always.

    Arguments and errors as in clopper_pearson. Source: Wilson 1927, JASA 22:209; Newcombe 1998,
    Stat. Med. 17:857, method 3.

    >>> low, high = wilson(81, 263)
    >>> round(low, 4), round(high, 4)
    (0.2553, 0.3662)
    """
    ready = _ready(k, n, level)
    if isinstance(ready, ShareInterval):
        return ready
    passed, total, confidence = ready
    z = float(special.ndtri((1 + confidence) / 2))
    z2 = z * z
    centre = (passed + z2 / 2) / (total + z2)
    half = z / (total + z2) * math.sqrt(passed * (total - passed) / total + z2 / 4)
    low = 0.0 if passed == 0 else max(0.0, centre - half)
    high = 1.0 if passed == total else min(1.0, centre + half)
    return ShareInterval(low, high, passed / total)


def jeffreys(k, n, level=0.95) -> ShareInterval:
    """Interval from the Beta(k + 1/2, n - k + 1/2) posterior, the law from which draws are made.

    Arguments and errors as in clopper_pearson. The limit at none passed is 0, at all passed 1. Source:
    Brown, Cai and DasGupta 2001, Stat. Sci. 16:101, section 3.1.3.

    >>> low, high = jeffreys(4, 20)
    >>> round(low, 5), round(high, 5)
    (0.07152, 0.40823)
    """
    ready = _ready(k, n, level)
    if isinstance(ready, ShareInterval):
        return ready
    passed, total, confidence = ready
    a, b, tail = passed + 0.5, total - passed + 0.5, (1 - confidence) / 2
    low = 0.0 if passed == 0 else float(special.betaincinv(a, b, tail))
    high = 1.0 if passed == total else float(special.betainccinv(a, b, tail))
    return ShareInterval(low, high, passed / total)


def at_least(k, n, level=0.95) -> float | None:
    """Share that would pass at the least, one-sided: the exact lower confidence limit.

    k passed of n; level one-sided. 0 where none passed, None for bad counts or level. Source: Clopper and
    Pearson 1934.

    >>> round(at_least(2, 3), 4)
    0.1354
    """
    counts, confidence = _counts(k, n), share(level)
    if isinstance(counts, str) or confidence is None:
        return None
    passed, total = counts
    if passed == 0:
        return 0.0
    if passed == total:
        return all_passed_bound(total, confidence)
    return float(special.betaincinv(passed, total - passed + 1, 1 - confidence))


def at_most(k, n, level=0.95) -> float | None:
    """Share that would pass at the most, one-sided; mirror of at_least.

    >>> round(at_most(0, 10), 3)
    0.259
    """
    counts = _counts(k, n)
    if isinstance(counts, str):
        return None
    failed = at_least(counts[1] - counts[0], counts[1], level)
    return None if failed is None else 1 - failed


def all_passed_bound(n, level=0.95) -> float | None:
    """Share that would pass at the least when all of n items passed: (1 - level)^(1/n).

    n: whole number of independent items, >= 1; level one-sided. None for bad input. Source: closed form
    of Clopper and Pearson 1934.

    >>> round(all_passed_bound(3), 3), round(all_passed_bound(12), 3), all_passed_bound(0)
    (0.368, 0.779, None)
    """
    counts, confidence = _counts(n, n), share(level)
    if isinstance(counts, str) or confidence is None:
        return None
    return math.exp(math.log1p(-confidence) / counts[0])


def in_words(k, n, level=0.95) -> str:
    """The result as a sentence, with the one-sided bound that it supports.

    k passed of n; level one-sided. Bad counts come back as the reason. Says "would pass" of further
    independent items under the same conditions.

    >>> in_words(3, 3)
    '3 of 3 passed: at least 36.8 % would pass (95 %, one-sided)'
    >>> in_words(0, 10)
    '0 of 10 passed: at most 25.9 % would pass (95 %, one-sided)'
    """
    counts, confidence = _counts(k, n), share(level)
    if isinstance(counts, str):
        return counts
    passed, total = counts
    if confidence is None:
        return "the level must lie between 0 and 1"
    # Rounded towards the cautious side, so that the sentence never promises more than was shown.
    if passed == 0:
        side, bound = "most", math.ceil(1000 * at_most(0, total, confidence) - 1e-9) / 10
    else:
        side, bound = "least", math.floor(1000 * at_least(passed, total, confidence) + 1e-9) / 10
    shown = f"{passed} of {total} passed: at {side} {bound:.1f} % would pass"
    return f"{shown} ({100 * confidence:g} %, one-sided)"


@dataclass(frozen=True)
class ShareDifference:
    """First share minus second, with its interval; -1 to 1."""

    difference: float | None
    low: float | None
    high: float | None
    reason: str = ""


def newcombe_difference(k1, n1, k2, n2, level=0.95) -> ShareDifference:
    """Difference of two independent shares with the hybrid score interval.

    k1 of n1 and k2 of n2 passed; level two-sided. Returns share 1 minus share 2 and limits; bad input is
    None with a reason. Source: Newcombe 1998, Stat. Med. 17:873, method 10.

    >>> d = newcombe_difference(56, 70, 48, 80)
    >>> round(d.difference, 4), round(d.low, 4), round(d.high, 4)
    (0.2, 0.0524, 0.3339)
    """
    first, second = wilson(k1, n1, level), wilson(k2, n2, level)
    for side in (first, second):
        if side.reason:
            return ShareDifference(None, None, None, side.reason)
    d = first.share - second.share
    low = d - math.hypot(first.share - first.low, second.high - second.share)
    high = d + math.hypot(first.high - first.share, second.share - second.low)
    return ShareDifference(d, max(-1.0, low), min(1.0, high))

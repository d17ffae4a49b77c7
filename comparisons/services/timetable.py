"""When each trial's soak and bench work fall: the longest soak first, one bench, nothing at the database.

Soaks run side by side; bench work is done one trial after another. A trial that measures the very specimens of its
baseline is soaked only when the baseline was measured. What starts on a day of its own starts then, at the earliest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date, timedelta

BENCH_HOURS = 6.0  # of a day, at the bench; common practice, no source
MOST_DAYS = 20_000


@dataclass(frozen=True)
class Work:
    """One trial's work. soak, recovery: days; hands_on: hours at the bench for all specimens, None where unknown.

    after: the trial (code) that must be measured before the soak starts, or "". starts_on: a day that was set.
    needs: trials that must be measured before this one is, such as its dimensions.
    """

    code: str
    soak: float = 0.0
    recovery: float = 0.0
    hands_on: float | None = None
    after: str = ""
    starts_on: date | None = None
    needs: tuple[str, ...] = ()

    @property
    def waits_for(self) -> tuple[str, ...]:
        return (*self.needs, self.after) if self.after else self.needs


@dataclass
class Slot:
    """When one trial falls: days. soak_end and ready equal soak_start where nothing is soaked."""

    code: str
    soak_start: date
    soak_end: date
    ready: date
    bench_start: date
    bench_end: date
    set_by_hand: bool = False
    notes: list[str] = field(default_factory=list)


def timetable(work: list[Work], start: date) -> list[Slot]:
    """A slot for each trial, those that begin first in front; of equals, the longest soak first.

    start: the programme's first day. At each moment the bench takes, of what is ready, the trial on which the most
    time hangs (its own work, and the soaks that wait for it). Codes are distinct; `after` may name an unknown trial,
    which then holds nothing up, and what waits in a circle is placed at the start.
    """
    by_code = {one.code: one for one in work}
    tail = _tails(work)
    made: dict[str, Slot] = {}
    # Hours at the bench since `start`; a day has BENCH_HOURS of them.
    free = 0.0
    waiting = dict(by_code)
    ends: dict[str, float] = {}
    while waiting:
        placeable = [
            one for one in waiting.values()
            if not any(code in waiting for code in one.waits_for) or _in_circle(one, by_code)
        ]
        placeable = placeable or list(waiting.values())
        options = []
        for one in placeable:
            begin = 0.0 if one.starts_on is None else max(0.0, (one.starts_on - start).days)
            if one.after in ends:
                begin = max(begin, math.ceil(ends[one.after] / BENCH_HOURS))
            ready = min(begin + one.soak + one.recovery, MOST_DAYS)
            options.append((one, begin, ready))
        can_now = [option for option in options if option[2] * BENCH_HOURS <= free]
        pool = can_now or [option for option in options if option[2] == min(o[2] for o in options)]
        one, begin, ready = max(pool, key=lambda option: (tail[option[0].code], option[0].soak, option[0].code))
        at = max(free, math.ceil(ready) * BENCH_HOURS)  # what it needs was placed before, so `free` lies behind it
        end = at + (one.hands_on or 0.0)
        ends[one.code] = free = end
        del waiting[one.code]
        made[one.code] = Slot(
            one.code, _day(start, begin), _day(start, begin + one.soak), _day(start, ready),
            _day(start, at / BENCH_HOURS), _day(start, max(at, end - 1e-6) / BENCH_HOURS), one.starts_on is not None,
            [] if one.hands_on is not None else ["bench time not said"],
        )  # fmt: skip
    return sorted(made.values(), key=lambda s: (s.soak_start, -by_code[s.code].soak, s.bench_start, s.code))


def _in_circle(one: Work, by_code: dict[str, Work]) -> bool:
    seen, left = set(), [code for code in one.waits_for if code in by_code]
    while left:
        code = left.pop()
        if code == one.code:
            return True
        if code not in seen:
            seen.add(code)
            left += [other for other in by_code[code].waits_for if other in by_code]
    return False


def _tails(work: list[Work]) -> dict[str, float]:
    """Days that hang on each trial: its bench work, and the longest chain of soaks and work that waits for it."""
    children: dict[str, list[tuple[Work, float]]] = {}
    for one in work:
        children.setdefault(one.after, []).append((one, one.soak + one.recovery))
        for code in one.needs:
            children.setdefault(code, []).append((one, 0.0))
    known: dict[str, float] = {}

    def tail(one: Work, above: frozenset) -> float:
        if one.code not in known:
            below = [row for row in children.get(one.code, []) if row[0].code not in above]
            longest = max((wait + tail(child, above | {child.code}) for child, wait in below), default=0.0)
            known[one.code] = (one.hands_on or 0.0) / BENCH_HOURS + longest
        return known[one.code]

    for one in work:
        tail(one, frozenset({one.code}))
    return known


def _day(start: date, days: float) -> date:
    days = min(math.floor(days + 1e-9), MOST_DAYS)
    try:
        return start + timedelta(days=days)
    except OverflowError:
        return date.max

"""When a conditioned specimen may be tested: once its exposure and recovery are over, and not too late."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from specimens import units
from specimens.models import Condition, Exposure

# Own choice, no source: a test is late once as much time again as the recovery has passed, an hour at least.
LEAST_WINDOW = timedelta(hours=1)


def span(amount, unit: str) -> timedelta | None:
    """A duration as typed; None where there is none or it is no time."""
    if amount is None:
        return None
    try:
        return timedelta(seconds=float(units.convert(amount, unit, "s")))
    except (units.UnitError, OverflowError):
        return None


@dataclass(frozen=True)
class Window:
    """When a specimen is fit for its test. `began`, `ended`: of its last exposure, None where not yet."""

    began: datetime | None = None
    ended: datetime | None = None
    ready_from: datetime | None = None
    ready_until: datetime | None = None

    def remark(self, at: datetime) -> str:
        """What is wrong with a test at this moment, in words; "" where nothing is."""
        if self.began is None:
            return "its conditioning was not started"
        if self.ended is None:
            return "its conditioning is not over"
        if self.ready_from and at < self.ready_from:
            return f"its recovery ends only at {clock(self.ready_from)}"
        if self.ready_until and at > self.ready_until:
            return f"its test was due until {clock(self.ready_until)}"
        return ""


def clock(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M} UTC"


def window_of(condition: Condition, began: datetime | None, ended: datetime | None) -> Window:
    """The window of a specimen in a condition. Where the end is planned but not done, `ready_from` is planned."""
    recovery = span(condition.recovery, condition.recovery_unit) or timedelta()
    if ended is None:
        planned = span(condition.duration, condition.duration_unit)
        expected = began + planned + recovery if began and planned is not None else None
        return Window(began, None, expected, None)
    ready = ended + recovery
    return Window(began, ended, ready, ready + max(recovery, LEAST_WINDOW))


def windows(condition: Condition | None, specimens: list[int]) -> dict[int, Window]:
    """The window of each specimen (by key) under a condition; {} as received. One query."""
    if condition is None:
        return {}
    found = {key: Window() for key in specimens}
    rows = Exposure.objects.filter(condition=condition, specimen__in=specimens).order_by("started_at", "pk")
    for specimen, began, ended in rows.values_list("specimen_id", "started_at", "ended_at"):
        found[specimen] = window_of(condition, began, ended)
    return found

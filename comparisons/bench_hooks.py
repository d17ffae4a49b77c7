"""What the bench is handed from this side, since it never imports it: the record, and a few judgements.

Nothing heavy is imported before it is called.
"""

from __future__ import annotations

from functools import lru_cache

from specimens.bench import hooks


def provide() -> None:
    hooks.provide("record", _record)
    hooks.provide("deviate", lambda: deviate)
    hooks.provide("unit_slip", _unit_slip)
    hooks.provide("quantities", _quantities_of)
    hooks.provide("grubbs", _grubbs)
    hooks.provide("read_trace", lambda: _traces().read_trace)
    hooks.provide("reduce_trace", lambda: _traces().reduce_trace)


def _record():
    from .services.record import record

    return record


def _unit_slip():
    from .analysis.suspects import unit_slip

    quantities = _quantities_of()

    def look(value, siblings, plausible, unit: str):
        return unit_slip(value, siblings, plausible, quantities=quantities(unit))

    return look


def _quantities_of():
    from .load import quantities_of

    return lru_cache(maxsize=512)(lambda unit: quantities_of(unit, []))


def _grubbs():
    from .analysis.suspects import grubbs

    return grubbs


def _traces():
    from .analysis import traces

    return traces


def deviate(programme, *, at, by: str, what: str, before: str = "", after: str = "", why: str = "") -> None:
    """Write a dated deviation into each comparison of the programme whose plan is frozen."""
    from .models import Comparison, Deviation

    text = at.isoformat(timespec="seconds")
    for comparison in Comparison.objects.filter(parts__programme=programme, plan_frozen_at__isnull=False):
        values = {
            "at_text": text, "by": by[:100], "what": what[:300], "before": before, "after": after, "why": why,
        }  # fmt: skip
        # the same line twice would be two rows with one key
        if not Deviation.objects.filter(comparison=comparison, **values).exists():
            Deviation.objects.create(comparison=comparison, at=at, **values)

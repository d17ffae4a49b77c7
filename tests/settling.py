"""Bringing a draft to where it may be approved: a written reason for each point that takes one."""

from __future__ import annotations

from comparisons.models import Comparison
from comparisons.services import evaluation, readiness

REASON = "A reason written for this test."


def settle(comparison: Comparison, actor) -> None:
    """Evaluate, give a reason for every open point that takes one, and evaluate again. The rules stay as they are."""
    evaluation.run_evaluation(comparison)
    found = readiness.points(comparison)
    if any(point.kind == "limits" for point in found):
        readiness.take_back_settled(comparison, actor=actor)
    asked = [point for point in found if point.takes_reason and not point.reason]
    if asked:
        readiness.give_reasons(
            comparison, actor=actor, reasons={point.code: REASON for point in asked},
            seen={point.code: readiness.seen_of(point) for point in asked},
        )  # fmt: skip
    evaluation.run_evaluation(comparison)

"""Freezing a plan: what is missing before it, the moment itself, and whether anything was read before."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.db.models import Min
from django.utils import timezone

from comparisons.models import Comparison
from comparisons.pages.carried import CARRIED
from specimens.models import Reading, Trial

from .errors import NotReady
from .record import hold_still, record
from .roles import require_preparer


@dataclass(frozen=True)
class Point:
    """One thing that the plan lacks. stops: the plan cannot be frozen without it. part: where on the plan's page."""

    text: str
    part: str
    stops: bool = True


def first_reading(comparison: Comparison) -> datetime | None:
    """When the first reading was taken for this comparison; what was carried over aside. One query."""
    found = Reading.objects.filter(programme__parts__comparison=comparison).exclude(run__reason__startswith=CARRIED)
    return found.aggregate(first=Min("taken_at"))["first"]


def missing(comparison: Comparison) -> list[Point]:
    """What a plan lacks before it is frozen: first what stops it, then what readers will ask for. Eight queries."""
    programmes = comparison.parts.values("programme")
    criteria = list(comparison.criteria.select_related("trial__property", "certification"))
    weightings = list(comparison.weightings.prefetch_related("weights"))
    trials = list(comparison_trials(programmes))
    found: list[Point] = []
    if not trials:
        found.append(Point("No trial is planned.", "trials"))
    if not criteria:
        found.append(Point("There are no criteria: nothing is scored.", "criteria"))
    found += [Point(f"{one.name or one.code}: {text}", "criteria") for one in criteria if (text := _unanchored(one))]
    if criteria and not weightings:
        found.append(Point("There is no weighting: no order of the products comes of it.", "weightings"))
    weighed = set()
    for one in weightings:
        weights = [w for w in one.weights.all() if w.weight > 0]
        weighed |= {w.criterion_id for w in weights}
        if not weights:
            found.append(Point(f"{one.name or one.code}: all weights are zero.", "weightings"))
    if not comparison.rule or comparison.confidence is None:
        found.append(Point("No decision rule: how sure must a statement on a claim be?", "decision"))
    if not comparison.tie_rule.strip():
        found.append(Point("No tie rule: what is said where products are not shown to differ?", "decision"))
    found += [
        Point(f"{one.name or one.code} counts in no weighting and is no must.", "weightings", False)
        for one in criteria if weightings and one.pk not in weighed and not one.must
    ]
    for name, text in (
        ("market_scan", "No market scan is written down."), ("inclusion", "No rule of inclusion is written down."),
        ("characteristics", "Nothing says which properties matter and why others are left out."),
        ("funding", "Nothing says who paid and how the team earns."),
    ):  # fmt: skip
        if not getattr(comparison, name).strip():
            found.append(Point(text, "scope", False))
    for one in trials:
        if one.revision is None:
            found.append(Point(f"Trial {one.code} has no method.", "trials", False))
        if one.units_planned is None or one.replicates is None:
            found.append(Point(f"Trial {one.code}: units or replicates are not planned.", "trials", False))
        elif one.units_planned == 1:
            found.append(Point(f"Trial {one.code}: one unit of each product tells nothing of the next one.", "trials",
                               False))  # fmt: skip
    if not any(part.programme.products.exists() for part in comparison.parts.select_related("programme")):
        found.append(Point("No product is on the list yet.", "products", False))
    return found


def comparison_trials(programmes):
    """The trials of these programmes with property and method. One query."""
    return Trial.objects.filter(programme__in=programmes).select_related("property", "revision__method")


def _unanchored(one) -> str:
    """Why a criterion has no fixed scale; "" where it has one."""
    kind = one.trial.property.kind if one.trial else one.kind
    if kind in ("certification", "pass_fail", "rating"):
        return ""  # a yes, a share and a rating scale bring their ends along
    better = one.better or (one.trial.property.better if one.trial else "less")
    changes = one.trial is not None and one.trial.baseline_id is not None and one.measure in ("", "change")
    if one.must and one.floor is not None and one.ceiling is None:
        return ""
    if better == "neither" and not changes:
        return "the property is informational: say in the criterion which way is better."
    if better == "target" and one.target is None:
        return "no target is set."
    absent = [words for name, words in (("floor", "what scores 0"), ("ceiling", "what scores 100"))
              if getattr(one, name) is None]  # fmt: skip
    if better == "target" and absent:
        return "what scores 0 on either side of the target is not set."
    return f"{' and '.join(absent)} {'is' if len(absent) == 1 else 'are'} not set." if absent else ""


def freeze(actor, comparison: Comparison) -> Comparison:
    """Fix the plan at this moment. It cannot be thawed: later changes are dated deviations. Raises NotReady."""
    require_preparer(actor, "freeze the plan")
    with transaction.atomic():
        hold_still(comparison)
        now = Comparison.objects.select_for_update().get(pk=comparison.pk)
        if now.plan_frozen_at:
            raise NotReady("The plan is frozen already.")
        if stops := [point.text for point in missing(now) if point.stops]:
            raise NotReady(f"The plan cannot be frozen yet. {' '.join(stops)}")
        at = timezone.now()
        now.plan_frozen_at, now.plan_frozen_at_text = at, at.isoformat(timespec="seconds")
        now.plan_frozen_by = actor.get_username()[:100]
        now.save(update_fields=["plan_frozen_at", "plan_frozen_at_text", "plan_frozen_by"])
        first = first_reading(now)
        record(
            actor, "froze the plan", comparison=now, thing="plan", code=now.slug, before={"frozen": None},
            after={"frozen": now.plan_frozen_at_text, "first reading": first.isoformat() if first else None},
            changes_draft=True,
        )  # fmt: skip
        return now

"""Starting a comparison from an old one: the same methods, the same questions, new products, and what still holds.

Results are carried over for a product and a trial that the planner names, where they were made under the wording of
the method that the trial has now. They are copied as they stand, with their codes, times and dates, into a run of
their own whose reason says where they come from; new readings go into another run, joined to it by a reason that the
planner states and readers see. Claims keep the day on which they were seen: until they are looked at again they are
older than the comparison, and the desk says so.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field

from django.db import transaction
from django.db.models import Count, F, Max, Min, Q
from django.utils import timezone

from comparisons.models import Comparison
from specimens import models as sm

from .copying import Copy
from .errors import NotReady
from .record import record
from .roles import require_preparer
from .starting import make

AGAIN, RESULTS = "again", "results"
TEXTS = ("inclusion", "characteristics", "tie_rule", "funding", "confidence", "rule", "rounding", "coverage",
         "price_cap", "budget")  # fmt: skip


@dataclass
class Offer:
    """What an old comparison has to take over.

    products: (team's product, claims, readings that may be carried over). trials: of those with such readings, what
    they are called, how many, of how many products, first and last day. needs: trial -> trials that must come along.
    """

    comparison: Comparison
    products: list[tuple[sm.Product, int, int]] = field(default_factory=list)
    trials: list[dict] = field(default_factory=list)
    needs: dict[int, set[int]] = field(default_factory=dict)
    kept: dict[str, int] = field(default_factory=dict)


def still_valid(comparison: Comparison):
    """The readings that were made under the wording of the method that their trial names: those may be carried over."""
    return sm.Reading.objects.filter(programme__parts__comparison=comparison).filter(
        Q(run__isnull=True) | Q(run__revision__isnull=True) | Q(run__revision=F("trial__revision"))
    )


def offer(comparison: Comparison) -> Offer:
    """What may be taken over of a comparison. Nine queries, whatever the size."""
    made = Offer(comparison)
    programmes = list(comparison.parts.values_list("programme_id", flat=True))
    valid = still_valid(comparison).order_by()
    readings = Counter(dict(valid.values_list("product__product").annotate(n=Count("pk"))))
    claims = Counter(dict(
        sm.Claim.objects.filter(programme__in=programmes).order_by().values_list("product__product")
        .annotate(n=Count("pk"))
    ))  # fmt: skip
    products = sm.Product.objects.filter(programmes__programme__in=programmes).distinct()
    made.products = [(one, claims[one.pk], readings[one.pk]) for one in products]
    found = {
        row["trial"]: row
        for row in valid.values("trial").annotate(
            n=Count("pk"), products=Count("product", distinct=True), first=Min("taken_at"), last=Max("taken_at")
        )
    }
    trials = list(sm.Trial.objects.filter(programme__in=programmes).select_related("property", "condition", "revision"))
    dimensions = defaultdict(set)
    for trial, prop in sm.TrialDimension.objects.filter(trial__in=trials).values_list("trial", "property"):
        dimensions[trial].add(prop)
    for trial in trials:
        made.needs[trial.pk] = {one.pk for one in trials if one.property_id in dimensions[trial.pk]}
        if trial.paired and trial.baseline_id:
            made.needs[trial.pk].add(trial.baseline_id)
        if row := found.get(trial.pk):
            condition = f", {trial.condition}" if trial.condition else ""
            made.trials.append(row | {
                "key": trial.pk, "name": f"{trial.property}{condition}",
                "method": str(trial.revision) if trial.revision else "no method written down",
            })  # fmt: skip
    made.kept = {
        "properties": sm.Property.objects.filter(programme__in=programmes).count(), "trials": len(trials),
        "criteria": comparison.criteria.count(), "weightings": comparison.weightings.count(),
    }  # fmt: skip
    return made


def with_needs(needs: dict[int, set[int]], chosen: set[int]) -> set[int]:
    """The chosen trials and those whose readings they cannot do without: dimensions, and a paired trial's baseline."""
    whole, open_keys = set(), list(chosen)
    while open_keys:
        key = open_keys.pop()
        if key not in whole:
            whole.add(key)
            open_keys += needs.get(key, ())
    return whole


def start_from(
    actor,
    old: Comparison,
    *,
    title: str,
    question: str = "",
    products: dict[int, str],
    trials: set[int] | frozenset[int] = frozenset(),
    pooled_because: str = "",
) -> Comparison:
    """A new comparison with what an old one planned.

    products: key of the team's product -> "again" (kept with its claims, bought and measured anew) or "results"
    (kept with its units, purchases and readings too); others are left behind. trials: keys of the old trials whose
    readings of those products are carried over. pooled_because: why they may stand beside new ones; needed where any
    are. Raises NotReady, Invalid, NotAllowed.
    """
    require_preparer(actor, "start a comparison")
    carry = {key for key, way in products.items() if way == RESULTS}
    if trials and carry and not pooled_because.strip():
        raise NotReady(
            "Results are carried over: say why they may stand in one table with new ones. Readers will see the reason."
        )
    if carry and not trials:
        raise NotReady("Choose the trials whose results are carried over, or let the products be tested again.")
    with transaction.atomic():
        new = make(
            actor, title=title, question=question or old.question, currency=old.currency, kind=old.kind,
            texts={name: getattr(old, name) for name in TEXTS}, based_on=old,
        )  # fmt: skip
        programme = new.parts.get().programme
        copy = Copy(old, new, programme, set(products))
        copy.plan()
        copy.claims()
        readings = 0
        if carry and trials:
            whole = with_needs(offer(old).needs, set(trials))
            readings = copy.results(
                still_valid(old).filter(trial__in=whole, product__product__in=carry), pooled_because.strip(),
                timezone.now(),
            )  # fmt: skip
        record(
            actor, "started", comparison=new, programme=programme, thing="comparison", code=new.slug,
            after={"title": new.title, "based on": old.slug, "products": len(products),
                   "products with results": len(carry), "readings carried over": readings,
                   "claims to look at again": copy.count["claims"]},
            why=pooled_because.strip(), changes_draft=True,
        )  # fmt: skip
        return new


def claims_to_recheck(comparison: Comparison):
    """The claims that were seen before this comparison began, where it was started from another: to be looked at again.

    A claim leaves the list when somebody writes a later day into it.
    """
    if comparison.based_on_id is None:
        return sm.Claim.objects.none()
    began = comparison.created_at.date()
    return (
        sm.Claim.objects.filter(programme__parts__comparison=comparison)
        .filter(Q(seen_on__isnull=True) | Q(seen_on__lt=began)).exclude(checked_on__gte=began)
        .select_related("product__product", "property").order_by("product__code", "code")
    )  # fmt: skip

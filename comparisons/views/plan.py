"""The plan of a comparison on one page; what it takes on another; and taking more out of the library."""

from __future__ import annotations

from collections import defaultdict
from functools import partial

from django.contrib import messages
from django.db import transaction
from django.db.models import Count
from django.http import JsonResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from comparisons.models import ProductPlan
from comparisons.pages.calendar_chart import calendar_figure
from comparisons.pages.numbers import GAP, money, significant, symbol, with_unit, write
from comparisons.services import editing, effort, freezing, next_year, starting
from comparisons.services.errors import Refused
from comparisons.services.library import library
from comparisons.services.plan_checks import in_words
from comparisons.services.roles import require_preparer
from comparisons.services.timetable import BENCH_HOURS
from specimens import models as sm
from specimens.models.trials import Better

from .desk import members_only
from .products import form_page, here
from .trial_forms import NAMES, PriceRow, called


@members_only
@require_safe
def plan(request, slug: str):
    """Question, choice, properties, methods, trials, criteria, weights and rules; freezing them; what changed since."""
    where = here(request, slug)
    comparison, programme = where.comparison, where.programme
    missing = [] if comparison.plan_frozen_at else freezing.missing(comparison)
    first = freezing.first_reading(comparison)
    criteria = list(comparison.criteria.select_related("trial__property", "trial__condition", "certification"))
    return render(request, "desk/plan.html", {
        "place": where.place, "prepares": where.prepares, "comparison": comparison,
        "frozen": comparison.plan_frozen_at, "first_reading": first,
        "after_reading": bool(comparison.plan_frozen_at and first and first < comparison.plan_frozen_at),
        "stops": [point for point in missing if point.stops], "asks": [point for point in missing if not point.stops],
        "left_out": comparison.left_out.all(), "properties": _properties(programme),
        "conditions": programme.conditions.annotate(n=Count("trials")), "methods": _methods(programme),
        "trials": _trials(programme), "criteria": [_criterion(one) for one in criteria],
        "weightings": _weightings(comparison, criteria), "awards": comparison.awards.select_related(
            "product__product", "weighting"), "award_names": NAMES,
        "deviations": comparison.deviations.all(), "rechecks": _rechecks(comparison),
        "products": programme.products.count(), "direction": dict(Better.choices),
    })  # fmt: skip


def _rechecks(comparison) -> list:
    return list(next_year.claims_to_recheck(comparison))


def _properties(programme) -> list[dict]:
    found = programme.properties.annotate(n=Count("trials"))
    made = []
    for one in found:
        ends = [write(n) for n in (one.plausible_low, one.plausible_high) if n is not None]
        scale = [write(n) for n in (one.scale_low, one.scale_high) if n is not None]
        plausible = with_unit(" to ".join(ends), one.unit) if len(ends) == 2 else ""
        made.append({
            "row": one, "unit": symbol(one.unit), "plausible": plausible,
            "scale": " to ".join(scale) if len(scale) == 2 else "",
        })  # fmt: skip
    return made


def _methods(programme) -> list[dict]:
    listed = programme.methods.select_related("method").prefetch_related("revisions", "failure_modes")
    used: dict[int, set[str]] = defaultdict(set)
    for revision, code in programme.trials.filter(revision__isnull=False).values_list("revision", "code"):
        used[revision].add(code)
    for revision, code in sm.Run.objects.filter(trial__programme=programme, revision__isnull=False).values_list(
        "revision", "trial__code"
    ):
        used[revision].add(code)
    return [
        {
            "row": one, "modes": list(one.failure_modes.all()),
            "revisions": [
                {"row": revision, "trials": sorted(used.get(revision.pk, ()))}
                for revision in sorted(one.revisions.all(), key=lambda r: r.pk)
            ],
        }
        for one in listed
    ]  # fmt: skip


def _trials(programme) -> list[dict]:
    found = (
        programme.trials.select_related("property", "condition", "revision__method", "baseline", "expected")
        .prefetch_related("divide_by__property", "absences__product__product", "runs__revision")
        .annotate(n=Count("readings"))
    )
    made = []
    for one in found:
        made.append({
            "row": one, "name": called(one), "divided": " × ".join(d.property.name or d.property.code
                                                                  for d in one.divide_by.all()),
            "absences": list(one.absences.all()), "runs": _runs(one, _in_order(one.runs.all())),
        })  # fmt: skip
    return made


def _in_order(runs) -> list:
    return sorted(runs, key=lambda run: (run.started_at.timestamp() if run.started_at else 0.0, run.code))


def _runs(trial, runs) -> list[dict]:
    """Each run with its wording of the method, and whether it is taken together with those before it."""
    made, former = [], None
    for run in runs:
        revision = run.revision or trial.revision
        mixed = former is not None and revision != former
        made.append({
            "row": run, "revision": revision, "other": run.revision_id not in (None, trial.revision_id),
            "apart": mixed and not run.pooled_because, "first": former is None,
        })  # fmt: skip
        former = revision
    return made


def _criterion(one) -> dict:
    if one.trial_id:
        source, unit = called(one.trial), one.trial.property.unit
        if one.trial.baseline_id and one.measure in ("", "change") and one.trial.property.kind == "quantity":
            source, unit = f"change: {source}", "percent"
    elif one.cost:
        source, unit = one.get_cost_display(), one.comparison.currency
    else:
        source, unit = f"certification: {one.certification}", ""

    def amount(value) -> str:
        if value is None:
            return ""
        return money(value, unit) if one.cost else with_unit(write(value), unit)

    return {
        "row": one, "source": source, "better": one.better or (one.trial.property.better if one.trial_id else "less"
                                                              if one.cost else ""),
        "floor": amount(one.floor), "ceiling": amount(one.ceiling), "target": amount(one.target),
        "band": amount(one.band),
    }  # fmt: skip


def _weightings(comparison, criteria) -> dict:
    """Weights as shares of each weighting, a row for each criterion."""
    found = list(comparison.weightings.prefetch_related("weights"))
    weights = {one.pk: {w.criterion_id: w.weight for w in one.weights.all()} for one in found}
    totals = {pk: sum(own.values()) for pk, own in weights.items()}
    rows = []
    for criterion in criteria:
        cells = []
        for one in found:
            weight = weights[one.pk].get(criterion.pk)
            share = float(weight) / float(totals[one.pk]) if weight is not None and totals[one.pk] else None
            cells.append({"weight": weight, "share": "" if share is None else f"{100 * share:.0f}{GAP}%"})
        rows.append({"criterion": criterion, "cells": cells})
    return {"columns": found, "rows": rows}


@members_only
@require_POST
def freeze(request, slug: str):
    """Fix the plan at this moment."""
    where = here(request, slug)
    try:
        freezing.freeze(request.user, where.comparison)
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, "The plan is frozen. Later changes need a reason, and readers will see both.")
    return redirect("desk-plan", slug)


# -- what it takes -----------------------------------------------------------------------------------------


def _planned(programme) -> list[sm.Trial]:
    found = programme.trials.select_related("property", "condition", "revision__method", "expected")
    return list(found.prefetch_related("absences", "divide_by"))


@members_only
@require_safe
def takes(request, slug: str):
    """What the trials can tell apart, units and money, and the calendar."""
    where = here(request, slug)
    trials = _planned(where.programme)
    dates, start, start_set = effort.calendar(where.comparison, where.programme, trials)
    bought = effort.budget(where.comparison, where.programme, trials)
    currency = where.comparison.currency
    return render(request, "desk/plan_effort.html", {
        "place": where.place, "prepares": where.prepares, "comparison": where.comparison,
        "telling": [_told(one) for one in effort.telling(trials, effort.spreads_seen(where.comparison))],
        "power": f"{100 * effort.POWER:.0f}", "bought": bought, "assumed": effort.ASSUMED,
        "rows": [
            {"row": one, "price": money(one.price, currency) if one.price is not None else "",
             "cost": money(one.cost, currency) if one.cost is not None else ""}
            for one in bought.rows
        ],
        "sums": {name: money(value, currency) for name, value in (
            ("spent", bought.spent), ("to_spend", bought.to_spend), ("total", bought.total),
            ("budget", bought.budget), ("left", abs(bought.left) if bought.left is not None else None),
        ) if value is not None},
        "over": bought.left is not None and bought.left < 0,
        "dates": [_date_row(one) for one in dates], "start": start, "start_set": start_set,
        "late": [one for one in dates if one.late], "hours": BENCH_HOURS,
    })  # fmt: skip


def _percent(value: float | None) -> str:
    return "" if value is None else f"{write(value, max(0, significant(value, 2)))}{GAP}%"


def _told(one: effort.Telling) -> dict:
    return {
        "one": one, "cv": _percent(one.cv), "seen": _percent(one.seen), "least": _percent(one.least),
        "least_seen": _percent(one.least_seen), "wanted": _percent(one.wanted),
    }  # fmt: skip


def _date_row(one: effort.Appointment) -> dict:
    return {
        "one": one, "slot": one.slot, "soaked": bool(one.soak_days),
        "hours": f"{write(one.hours, 1)}{GAP}h" if one.hours is not None else "",
        "days": f"{write(one.soak_days, 1 if one.soak_days < 10 else 0)}{GAP}d" if one.soak_days else "",
    }  # fmt: skip


@members_only
@require_safe
def calendar_chart(request, slug: str):
    """The calendar as horizontal bars."""
    where = here(request, slug)
    dates, _start, _set = effort.calendar(where.comparison, where.programme, _planned(where.programme))
    return JsonResponse(calendar_figure(dates))


@members_only
@form_page
def prices(request, slug: str):
    """What one unit of each product is expected to cost and to hold: all products at once."""
    where = here(request, slug)
    rows = []
    for product in where.programme.products.select_related("product", "expected"):
        plan_row = getattr(product, "expected", None) or ProductPlan(product=product)
        form = PriceRow(request.POST or None, instance=plan_row, prefix=f"p{product.pk}")
        rows.append((product, form))
    told = ""
    if request.method == "POST" and all([form.is_valid() for _, form in rows]):
        try:
            _store_prices(request.user, where, rows)
        except editing.Invalid as invalid:
            told = str(invalid)
        except Refused as refusal:
            told = str(refusal)
        else:
            messages.success(request, "Saved.")
            return redirect("desk-plan-effort", slug)
    wrong = any(form.errors for _, form in rows)
    return render(request, "desk/plan_prices.html", {
        "place": where.place, "rows": rows, "told": told, "comparison": where.comparison,
        "title": "Expected prices",
    }, status=422 if wrong or told else 200)  # fmt: skip


def _store_prices(actor, where, rows) -> None:
    require_preparer(actor, "change the plan")
    with transaction.atomic():
        for product, form in rows:
            in_words(partial(_store_price, actor, where.programme, product, form))


def _store_price(actor, programme, product, form) -> None:
    values = form.values()
    stored = ProductPlan.objects.filter(product=product).first()
    named = {"programme": programme, "thing": "expected price", "changes_draft": False}
    if stored is not None:
        seen = form.cleaned_data["seen"]
        if not seen and not any(value not in (None, "") for value in values.values()):
            return  # it was not there when the page was shown, and nothing was typed
        editing.save(actor, stored, values, seen=seen, **named)
    elif any(value not in (None, "") for value in values.values()):
        editing.create(actor, ProductPlan(product=product, **values), **named)


# -- the library -------------------------------------------------------------------------------------------


@members_only
@form_page
def shelves(request, slug: str):
    """Trials, conditionings and readings of the library, to take into the plan."""
    where = here(request, slug)
    if request.method == "POST":
        trials = [tuple(value.split("/", 1)) for value in request.POST.getlist("trial") if "/" in value]
        try:
            made = starting.add_from_library(
                request.user, where.comparison, where.programme, trials=trials,
                conditionings=request.POST.getlist("conditioning"), why=request.POST.get("why", ""),
            )  # fmt: skip
        except Refused as refusal:
            messages.error(request, str(refusal))
        else:
            n = len(made)
            said = f"{n} {'is' if n == 1 else 'are'} in the plan now." if n else "Nothing was chosen."
            messages.success(request, said)
            return redirect("desk-plan", slug)
    shown = library()
    kinds = list(shown.readings.values()) + list(shown.kinds.values())
    own = where.comparison.kind.lower()
    kinds.sort(key=lambda kind: not (own and own in kind.name.lower()))
    return render(request, "desk/plan_library.html", {
        "place": where.place, "kinds": kinds, "conditionings": list(shown.conditionings.values()),
        "frozen": where.comparison.plan_frozen_at, "stop": shown.stop, "why": request.POST.get("why", ""),
        "title": "Take from the library",
    })  # fmt: skip

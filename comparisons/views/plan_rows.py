"""Adding, changing and taking out the rows of a plan, one at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from django.contrib import messages
from django.http import Http404
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST

from comparisons.models import Award, Criterion, LeftOut, Weighting
from comparisons.services import editing, methods, planning
from comparisons.services.errors import Refused
from specimens import models as sm

from . import plan_forms as forms
from . import trial_forms
from .desk import members_only
from .editing import edit
from .products import form_page, here


@dataclass(frozen=True)
class Part:
    """One kind of row. of_comparison: it hangs on the comparison, not on the programme."""

    thing: str
    model: type
    form: type
    rows: Callable  # where -> the rows that this comparison may change
    new: Callable  # where, request -> a new row
    of_comparison: bool = False
    save: Callable = planning.save
    create: Callable = planning.create
    wide: bool = False


def _programme_rows(model):
    return lambda where: model.objects.filter(programme=where.programme)


def _mode_of(where, request):
    method = get_object_or_404(where.programme.methods, code=request.GET.get("method", "").replace("\0", ""))
    return sm.FailureMode(method=method, counts=True)


PARTS: dict[str, Part] = {
    "properties": Part("property", sm.Property, forms.PropertyForm, _programme_rows(sm.Property),
                       lambda w, r: sm.Property(programme=w.programme, better="more")),
    "conditions": Part("condition", sm.Condition, forms.ConditionForm, _programme_rows(sm.Condition),
                       lambda w, r: sm.Condition(programme=w.programme)),
    "failure-modes": Part("failure mode", sm.FailureMode, forms.Mode,
                          lambda w: sm.FailureMode.objects.filter(method__programme=w.programme), _mode_of),
    "trials": Part("trial", sm.Trial, trial_forms.TrialForm, _programme_rows(sm.Trial),
                   lambda w, r: sm.Trial(programme=w.programme), save=planning.save_trial,
                   create=planning.create_trial, wide=True),
    "criteria": Part("criterion", Criterion, trial_forms.CriterionForm,
                     lambda w: Criterion.objects.filter(comparison=w.comparison),
                     lambda w, r: Criterion(comparison=w.comparison, position=None), True, wide=True),
    "weightings": Part("weighting", Weighting, trial_forms.WeightingForm,
                       lambda w: Weighting.objects.filter(comparison=w.comparison),
                       lambda w, r: Weighting(comparison=w.comparison, position=None), True,
                       save=planning.save_weighting, create=planning.create_weighting),
    "awards": Part("award", Award, trial_forms.AwardForm, lambda w: Award.objects.filter(comparison=w.comparison),
                   lambda w, r: Award(comparison=w.comparison), True),
    "left-out": Part("product left out", LeftOut, forms.Left, lambda w: LeftOut.objects.filter(comparison=w.comparison),
                     lambda w, r: LeftOut(comparison=w.comparison), True),
    "methods": Part("method", sm.MethodInProgramme, forms.Mode, _programme_rows(sm.MethodInProgramme),
                    lambda w, r: None),
}  # fmt: skip

TEXTS = {
    "question": (forms.Question, "The question"), "scope": (forms.Scope, "Market, choice and funding"),
    "decision": (forms.Decision, "Decision rule and tie rule"), "money": (forms.Money, "Budget and first day"),
}  # fmt: skip


def back_to(slug: str, part: str) -> str:
    page = "desk-plan-effort" if part in ("money", "prices") else "desk-plan"
    return f"{reverse(page, args=[slug])}#{part}"


def owner(where, part: Part) -> dict:
    return {"comparison": where.comparison} if part.of_comparison else {"programme": where.programme}


@members_only
@form_page
def texts(request, slug: str, part: str):
    """The comparison's own fields, a few at a time."""
    where = here(request, slug)
    if part not in TEXTS:
        raise Http404("no such part of the plan")
    form, title = TEXTS[part]
    # budget and first day are the team's own: no result, no text and no page rests on them
    save = planning.save if part != "money" else partial(editing.save, changes_draft=False)
    return edit(
        request, form_class=form, row=where.comparison, place=where.place, comparison=where.comparison,
        thing="comparison", title=title, back=back_to(slug, part), save=save,
    )  # fmt: skip


@members_only
@form_page
def add(request, slug: str, kind: str):
    """A new row of one kind."""
    where = here(request, slug)
    if kind == "methods":
        return add_method(request, where)
    part = PARTS.get(kind)
    if part is None:
        raise Http404("no such part of the plan")
    row = part.new(where, request)
    title = f"Add a {part.thing}" if part.thing != "award" else "Name a product"
    if kind == "failure-modes":
        title = f"Add a failure mode of {row.method.method}"
    return edit(
        request, form_class=part.form, row=row, place=where.place, thing=part.thing, title=title,
        back=back_to(slug, "methods" if kind == "failure-modes" else kind), done="Added.", save=part.save,
        create=part.create, template="desk/plan_form.html", context={"wide": part.wide, "kind": kind},
        **owner(where, part),
    )  # fmt: skip


@members_only
@form_page
def change(request, slug: str, kind: str, pk: int):
    """One row, to change or to take out."""
    where = here(request, slug)
    part = PARTS.get(kind)
    if part is None or kind == "methods":
        raise Http404("no such part of the plan")
    row = get_object_or_404(part.rows(where), pk=pk)
    name = trial_forms.called(row) if kind == "trials" else getattr(row, "name", "") or getattr(row, "code", str(row))
    return edit(
        request, form_class=part.form, row=row, place=where.place, thing=part.thing,
        title=f"{part.thing[:1].upper()}{part.thing[1:]}: {name}",
        back=back_to(slug, "methods" if kind == "failure-modes" else kind), save=part.save, create=part.create,
        template="desk/plan_form.html",
        context={"wide": part.wide, "kind": kind, "row": row,
                 "frozen": bool(where.comparison.plan_frozen_at) and kind in ("criteria", "weightings", "trials"),
                 "remove": reverse("desk-plan-remove", args=[slug, kind, pk])},
        **owner(where, part),
    )  # fmt: skip


@members_only
@require_POST
def remove(request, slug: str, kind: str, pk: int):
    """Take a row out of the plan."""
    where = here(request, slug)
    part = PARTS.get(kind)
    if part is None:
        raise Http404("no such part of the plan")
    row = get_object_or_404(part.rows(where), pk=pk)
    said = getattr(row, "code", "") or str(row)
    try:
        planning.remove(request.user, row, thing=part.thing, why=request.POST.get("why", ""), **owner(where, part))
    except Refused as refusal:
        messages.error(request, str(refusal))
        if kind not in ("methods",):
            return redirect("desk-plan-row", slug, kind, pk)
    else:
        messages.success(request, f"“{said}” is out of the plan.")
    return redirect(back_to(slug, "methods" if kind == "failure-modes" else kind))


def add_method(request, where):
    """A method of the team, or a new one with its first wording."""
    back = back_to(where.slug, "methods")
    take = forms.TakeMethod(programme=where.programme)
    if request.method == "POST" and "take" in request.POST:
        take = forms.TakeMethod(request.POST, programme=where.programme)
        if take.is_valid():
            try:
                methods.list_in(request.user, where.programme, take.cleaned_data["revision"])
            except Refused as refusal:
                take.add_error(None, str(refusal))
            else:
                messages.success(request, "The method is in the plan.")
                return redirect(back)
        return render(request, "desk/plan_method.html", {
            "form": forms.NewMethod(instance=sm.MethodRevision(revision="1")), "take": take, "place": where.place,
            "title": "Add a method", "back": back,
        }, status=422)  # fmt: skip

    def create(actor, row, **named):
        return methods.new_method(actor, row, programme=where.programme)

    return edit(
        request, form_class=forms.NewMethod, row=sm.MethodRevision(revision="1"), place=where.place, thing="method",
        title="Add a method", back=back, done="The method is in the plan.", programme=where.programme, create=create,
        template="desk/plan_method.html", context={"take": take if take.fields["revision"].queryset.exists() else None},
    )  # fmt: skip


@members_only
@form_page
def next_revision(request, slug: str, pk: int):
    """Go on with another wording of a trial's method."""
    where = here(request, slug)
    trial = get_object_or_404(where.programme.trials.select_related("revision__method", "property", "condition"), pk=pk)
    if trial.revision is None:
        raise Http404("the trial has no method")
    frozen = bool(where.comparison.plan_frozen_at)
    form = trial_forms.NextRevision(request.POST or None, trial=trial, frozen=frozen)
    if request.method == "POST" and form.is_valid():
        try:
            run = planning.use_revision(request.user, trial, **form.cleaned_data)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, f"Run {run.code} is open under revision {run.revision.revision}.")
            return redirect(back_to(slug, "trials"))
    return render(request, "desk/plan_revision.html", {
        "form": form, "place": where.place, "trial": trial, "title": f"Another wording of the method, {trial.code}",
        "back": back_to(slug, "trials"), "none": not form.fields["revision"].queryset.exists(),
        "method": trial.revision.method,
    }, status=422 if form.errors else 200)  # fmt: skip


@members_only
@form_page
def equivalence(request, slug: str, pk: int):
    """Say why a run may be taken together with those before it."""
    where = here(request, slug)
    run = get_object_or_404(sm.Run.objects.select_related("trial__programme"), pk=pk, trial__programme=where.programme)

    def save(actor, row, values, *, seen, **named):
        return planning.state_equivalence(actor, row, values["pooled_because"], seen=seen)

    return edit(
        request, form_class=trial_forms.Equivalent, row=run, place=where.place, thing="run",
        programme=where.programme, title=f"Run {run.code} of {run.trial.code}", back=back_to(slug, "trials"), save=save,
    )  # fmt: skip


@members_only
@form_page
def absences(request, slug: str, pk: int):
    """Which products a trial leaves out, and why."""
    where = here(request, slug)
    trial = get_object_or_404(where.programme.trials.select_related("property", "condition"), pk=pk)
    there = {one.product_id: one for one in trial.absences.all()}
    products = list(where.programme.products.select_related("product"))
    rows, wrong, told = [], False, ""
    for product in products:
        old = there.get(product.pk)
        form = trial_forms.AbsenceRow(
            request.POST or None, prefix=f"p{product.pk}",
            initial={"reason": old.reason if old else "", "note": old.note if old else ""},
        )  # fmt: skip
        wrong |= request.method == "POST" and not form.is_valid()
        rows.append((product, form))
    why = request.POST.get("why", "")
    if request.method == "POST" and not wrong:
        wanted = {product.pk: (form.cleaned_data["reason"], form.cleaned_data["note"]) for product, form in rows}
        try:
            n = planning.set_absences(request.user, trial, wanted, seen=request.POST.get("seen", ""), why=why)
        except Refused as refusal:
            told = str(refusal)
        else:
            messages.success(request, "Saved." if n else "Nothing changed.")
            return redirect(back_to(slug, "trials"))
    return render(request, "desk/plan_absences.html", {
        "place": where.place, "trial": trial, "rows": rows, "told": told, "back": back_to(slug, "trials"),
        "frozen": where.comparison.plan_frozen_at, "why": why, "seen": planning.absences_seen(trial),
        "stored": [f"{one.product}: {one.get_reason_display()}" for one in there.values()] if told else [],
        "title": f"Products that {trial.code} leaves out",
    }, status=422 if wrong or told else 200)  # fmt: skip

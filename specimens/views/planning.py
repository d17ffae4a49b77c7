"""Planning the bench work of a trial: specimens, order, what to cut, labels, sheets, runs, panels."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from specimens import roles
from specimens.bench import adding, codes, cutting, order_plot, pack, panels, photos, planning, progress, runs
from specimens.bench import labels as drawn
from specimens.bench.cutting import Material
from specimens.bench.errors import Refused
from specimens.bench.places import measured
from specimens.bench.typed import local_number, unit, words
from specimens.fields import Number
from specimens.models import BenchPlace, BenchPlan, Programme
from specimens.models.bench import Blocking, Holds

from .access import at_most, attempt, members, planners, posted_file, reads_comma, trial_or_404


def whole(text: str, what: str, blank: int | None = None) -> int | None:
    """A whole number from a form; `blank` where nothing was typed. Raises Refused."""
    text = text.strip()
    if not text:
        return blank
    if not (text.isascii() and text.isdecimal()) or len(text) > 18:
        raise Refused(f"Found “{text[:20]}” for {what}, expected a whole number such as 3.")
    return int(text)


def _wishes(bench, form, comma: bool) -> planning.Wishes:
    amount = form.get("per_specimen", "").strip()
    allowance = form.get("allowance_pct", "").strip()
    own = words(form.get("per_specimen_unit"), "unit", 40)
    if amount and not own:
        raise Refused("Say in which unit a specimen's material is: mm, g or count.")
    raters = [name.strip() for line in form.get("raters", "").splitlines() for name in line.split(",")]
    return planning.Wishes(
        replicates=whole(form.get("replicates", ""), "replicates", bench.trial.replicates or 1),
        units=[int(key) for key in form.getlist("unit") if key.isdecimal() and len(key) < 19],
        seed=whole(form.get("seed", ""), "the seed"),
        blocking=form.get("blocking") or Blocking.UNIT,
        days=whole(form.get("days", ""), "days"),
        raters=[words(name, "rater", 100) for name in raters if name],
        existing=form.get("existing") == "yes",
        per_specimen=Number(local_number(amount, "material", comma)) if amount else None,
        per_specimen_unit=unit(own, own) if own else "",
        allowance_pct=Number(local_number(allowance, "allowance", comma)) if allowance else None,
        unit_holds=form.get("unit_holds") if form.get("unit_holds") in Holds.values else Holds.ITEM,
    )  # fmt: skip


@planners
@require_http_methods(["GET", "HEAD", "POST"])
def plan(request, programme: str, code: str):
    """A trial's plan: what it will take and, once it is made, its order, what to cut and what was done."""
    bench = trial_or_404(programme, code)
    where = {"programme": programme, "code": code}
    if request.method == "POST":
        def make():
            made = planning.make(bench, _wishes(bench, request.POST, reads_comma(request)), actor=request.user)
            return f"Planned: {len({place.specimen_id for place in made})} specimens, each with its code."

        return attempt(request, make, "bench-plan", **where)
    made = BenchPlan.objects.filter(trial=bench.trial).select_related("made_by").first()
    places = list(
        BenchPlace.objects.filter(trial=bench.trial).annotate(done=measured())
        .select_related("specimen__unit__product__product").order_by("rater", "position")
    )  # fmt: skip
    raters = sorted({place.rater for place in places if place.rater})
    told = {
        "bench": bench, "plan": made, "raters": raters, "may_plan": roles.may_plan(request.user), "places": places,
        "specimens": len({place.specimen_id for place in places}), "blockings": Blocking.choices,
        "holds": Holds.choices, "carry": runs.CARRY.items(), "steps": pack.steps(bench),
        "done": sum(place.done for place in places),
    }  # fmt: skip
    if places:
        told["cuts"] = cutting.of_programme(bench.programme, bench.trial.pk)
        told["missing"] = cutting.missing(bench, told["cuts"])
        hidden = bool(raters) and not panels.is_complete(bench.trial)
        told["hidden"] = hidden
        told["plot"] = None if hidden else order_plot.of_trial(bench.trial)
        pairs = progress.conflicts(bench.programme, {bench.trial.pk} if hidden else set())
        told["conflicts"] = [row for row in pairs if row["trial"] == code]
        told["products"] = bench.programme.products.select_related("product").order_by("code")
        told["units"] = planning.available_units(bench) if told["may_plan"] and not bench.trial.paired else []
        told["scale"] = range(int(bench.property.scale_low), int(bench.property.scale_high) + 1) if raters else ()
    else:
        told |= _preview(request, bench)
    return render(request, "bench/plan.html", told)


def _preview(request, bench) -> dict:
    """What a plan would take, by what the form says so far."""
    units = planning.available_units(bench)
    seed = request.GET.get("seed", "" if bench.trial.seed is None else str(bench.trial.seed))
    told = {"units": units, "asked": request.GET, "problem": "", "seed": seed}
    try:
        wishes = _wishes(bench, request.GET, reads_comma(request))
        chosen = planning.chosen_units(bench, wishes)
        material = Material(
            wishes.per_specimen, wishes.per_specimen_unit, wishes.allowance_pct or Number("0"), wishes.unit_holds
        )
        told["cuts"] = cutting.preview(bench, chosen, wishes.replicates, material)
        told["wishes"], told["chosen"] = wishes, {one.pk for one in chosen}
        told["total"] = len(chosen) * wishes.replicates
    except Refused as refusal:
        told["problem"] = str(refusal)
        told["cuts"] = []
    told["missing"] = cutting.missing(bench, told["cuts"])
    return told


@planners
@require_POST
def new_run(request, programme: str, code: str):
    """Open a new run after a change of method or rig."""
    bench = trial_or_404(programme, code)

    def do():
        content = {
            "reason": request.POST.get("reason"), "carry": request.POST.get("carry"),
            "anchor": request.POST.get("anchor"), "pooled_because": request.POST.get("pooled_because"),
            "same_specimens": request.POST.get("same") == "yes",
        }  # fmt: skip
        run = runs.open_run(bench, content, actor=request.user)
        return f"Run {run.code} is open. Readings from now on belong to it."

    return attempt(request, do, "bench-plan", programme=programme, code=code)


@planners
@require_POST
def more(request, programme: str, code: str):
    """More specimens for a trial that is planned already."""
    bench = trial_or_404(programme, code)

    def do():
        keys = [int(key) for key in request.POST.getlist("unit") if key.isdecimal() and len(key) < 19]
        of_each = whole(request.POST.get("of_each", ""), "how many of each", 1)
        made = adding.add(bench, keys, of_each, request.POST.get("reason"), actor=request.user)
        return f"Added: {len({place.specimen_id for place in made})} specimens, each with its code."

    return attempt(request, do, "bench-plan", programme=programme, code=code)


@planners
@require_POST
def new_rater(request, programme: str, code: str):
    """One more rater for a panel."""
    bench = trial_or_404(programme, code)

    def do():
        rater = words(request.POST.get("rater"), "rater", 100)
        made = planning.add_rater(bench, rater, actor=request.user)
        return f"{rater} rates {len(made)} specimens, in an order of their own."

    return attempt(request, do, "bench-plan", programme=programme, code=code)


@planners
@require_POST
@at_most(photos.MOST_BYTES, lambda size: f"The photo has {size / 2**20:.0f} MB: at most 8 MB are kept.")
def new_anchor(request, programme: str, code: str):
    """A photo that shows what a step of the scale looks like."""
    bench = trial_or_404(programme, code)

    def do():
        prop, step = bench.property, whole(request.POST.get("step", ""), "the step")
        if prop.kind != "rating" or step is None or not prop.scale_low <= step <= prop.scale_high:
            raise Refused("Choose a step of the scale.")
        _, data = posted_file(request, "photo")
        name, alt = (words(request.POST.get(key), key, 200) for key in ("name", "alt"))
        if not name or not alt:
            raise Refused("Say what the step is called, and what the photo shows for those who cannot see it.")
        photos.anchor(bench.trial, str(step), data, name=name, alt=alt, actor=request.user)
        return f"Step {step} has its photo."

    return attempt(request, do, "bench-plan", programme=programme, code=code)


@planners
@require_POST
def settle(request, programme: str, code: str):
    """The planner has looked at two readings, and says what became of it."""
    bench = trial_or_404(programme, code)

    def do():
        key = whole(request.POST.get("conflict", ""), "the pair", 0)
        progress.settle(bench.trial, key, request.POST.get("resolution"), actor=request.user)
        return "Kept with your words."

    return attempt(request, do, "bench-plan", programme=programme, code=code)


def _places_of(request, bench) -> tuple[list[BenchPlace], str, list[str]]:
    raters = panels.raters_of(bench.trial)
    rater = request.GET.get("rater", raters[0] if raters else "")
    if rater and rater not in raters:
        raise Http404("no such rater")
    places = BenchPlace.objects.filter(trial=bench.trial, rater=rater).order_by("position")
    return list(places.select_related("specimen__unit__product__product")), rater, raters


@members
@require_safe
def labels(request, programme: str, code: str):
    """A printable sheet of labels with QR codes; nothing on them tells the product."""
    bench = trial_or_404(programme, code)
    places, _, _ = _places_of(request, bench)
    if not places:
        messages.error(request, "There are no specimens to label yet: plan the trial first.")
        return redirect("bench-plan", programme=programme, code=code)
    found = {}
    for place in places:
        name = pack.label(place.specimen)
        found.setdefault(name, {"code": name, "position": place.position, "qr": drawn.qr(drawn.address(name))})
    return render(request, "bench/labels.html", {"bench": bench, "labels": list(found.values())})


@members
@require_safe
def sheet(request, programme: str, code: str):
    """The bench sheet on paper: the same codes in the same order, with room to write."""
    bench = trial_or_404(programme, code)
    places, rater, raters = _places_of(request, bench)
    return render(request, "bench/sheet.html", {
        "bench": bench, "rater": rater, "raters": raters, "alphabet": codes.ALPHABET,
        "rows": [
            {"position": place.position, "block": place.block, "code": pack.label(place.specimen),
             "hint": "" if bench.trial.blind else str(place.specimen.unit.product)}
            for place in places
        ],
    })  # fmt: skip


@members
@require_safe
def cut(request, programme: str):
    """What to cut from which unit, for all plans of a programme."""
    found = get_object_or_404(Programme, slug=programme)
    return render(request, "bench/cut.html", {
        "programme": found, "cuts": cutting.of_programme(found, blind_told=roles.may_plan(request.user)),
        "back": reverse("bench"),
    })  # fmt: skip

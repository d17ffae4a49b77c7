"""A new comparison: out of the library, from nothing, or from an old one."""

from __future__ import annotations

import re

from django import forms
from django.contrib import messages
from django.http import Http404
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone

from comparisons.models import Comparison
from comparisons.services import editing, next_year, starting
from comparisons.services.errors import Refused
from comparisons.services.library import Kind, library
from comparisons.services.roles import can_prepare

from .desk import members_only
from .editing import LONGEST_TEXT, one_line
from .products import form_page


class Start(forms.Form):
    """What a new comparison needs; with a kind of the library, its trials to choose from."""

    title = forms.CharField(
        label="Title", max_length=200, help_text="As readers will see it; the address is made of it."
    )
    question = forms.CharField(
        label="Question", max_length=LONGEST_TEXT, widget=forms.Textarea(attrs={"rows": 2}),
        help_text="As a buyer would ask it.",
    )  # fmt: skip
    currency = forms.CharField(label="Currency", max_length=3, min_length=3, help_text="Three letters, such as EUR.")

    def clean_currency(self):
        return self.cleaned_data["currency"].strip().upper()

    def clean(self):
        cleaned = super().clean()
        for name in ("title", "question", "kind_name"):
            if isinstance(cleaned.get(name), str):
                cleaned[name] = one_line(cleaned[name]).strip()
                if name == "title":
                    cleaned[name] = " ".join(cleaned[name].split())
        return cleaned


class StartPlain(Start):
    kind_name = forms.CharField(
        label="Kind of product", max_length=100, required=False, help_text="In the singular, such as “door stop”."
    )


class StartFrom(forms.Form):
    """What a comparison takes over of an old one."""

    title = forms.CharField(label="Title", max_length=200)
    question = forms.CharField(
        label="Question", max_length=LONGEST_TEXT, widget=forms.Textarea(attrs={"rows": 2})
    )  # fmt: skip
    pooled_because = forms.CharField(
        label="Why old and new results may stand in one table", required=False, max_length=5000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Needed where results are carried over, and published: same method, rig and gauge; a product that "
        "was measured in both years, and what came of it.",
    )  # fmt: skip

    def clean(self):
        cleaned = super().clean()
        return {k: one_line(v).strip() if isinstance(v, str) else v for k, v in cleaned.items()}


def _last_currency() -> str:
    return Comparison.objects.order_by("-pk").values_list("currency", flat=True).first() or "EUR"


@members_only
@form_page
def new(request):
    """Choose where to start, and start."""
    if slug := request.GET.get("from", "").replace("\0", ""):
        return from_old(request, slug)
    kind = library().kinds.get(request.GET.get("kind", ""))
    plain = "plain" in request.GET
    context = {
        "kinds": library().kinds.values(), "kind": kind, "plain": plain, "prepares": can_prepare(request.user),
        "old": Comparison.objects.order_by("title").only("slug", "title"), "stop": library().stop,
    }  # fmt: skip
    if kind is None and not plain:
        return render(request, "desk/new.html", context)
    form_class = Start if kind else StartPlain
    status = 200
    chosen = set(kind.trials) if kind else set()
    if request.method == "POST":
        form, chosen = form_class(request.POST), set(request.POST.getlist("trial"))
        if form.is_valid() and (made := _started(request, form, kind, chosen)):
            return made
        status = 422
    else:
        year = timezone.localdate().year
        form = form_class(initial={
            "title": f"{kind.name} {year}" if kind else "", "question": kind.questions[0] if kind else "",
            "currency": _last_currency(),
        })  # fmt: skip
    trials = [(one, one.code in chosen) for one in kind.trials.values()] if kind else []
    return render(request, "desk/new.html", context | {"form": form, "trials": trials}, status=status)


def _started(request, form, kind: Kind | None, chosen: set[str]):
    data = form.cleaned_data
    try:
        made = starting.start(
            request.user, title=data["title"], question=data["question"], currency=data["currency"],
            kind=_singular(kind) if kind else data["kind_name"], template=kind.id if kind else "",
            trials=[code for code in (kind.trials if kind else ()) if code in chosen],
        )  # fmt: skip
    except editing.Invalid as invalid:
        for name, lines in invalid.errors.items():
            for line in lines:
                form.add_error(name if name in form.fields else None, line)
    except Refused as refusal:
        form.add_error(None, str(refusal))
    else:
        said = "The comparison is there. Go through the plan, and freeze it before the first reading."
        messages.success(request, said)
        return redirect("desk-plan", made.slug)
    return None


def _singular(kind: Kind) -> str:
    return kind.id.replace("-", " ")


def from_old(request, slug: str):
    """Next year: what is kept of an old comparison, and which results are carried over."""
    old = get_object_or_404(Comparison, slug=slug)
    if not old.parts.exists():
        raise Http404("that comparison has no programme")
    offer = next_year.offer(old)
    form = StartFrom(request.POST or None, initial={
        "title": _next_title(old.title), "question": old.question,
    })  # fmt: skip
    ways = {one.pk: request.POST.get(f"product-{one.pk}", "again") for one, _, _ in offer.products}
    trials = {row["key"] for row in offer.trials}
    if request.method == "POST":
        trials &= {int(key) for key in request.POST.getlist("trial") if key.isdecimal() and len(key) < 19}
        if form.is_valid():
            try:
                made = next_year.start_from(
                    request.user, old, title=form.cleaned_data["title"], question=form.cleaned_data["question"],
                    products={k: w for k, w in ways.items() if w in (next_year.AGAIN, next_year.RESULTS)},
                    trials=trials if next_year.RESULTS in ways.values() else set(),
                    pooled_because=form.cleaned_data["pooled_because"],
                )  # fmt: skip
            except editing.Invalid as invalid:
                for name, lines in invalid.errors.items():
                    for line in lines:
                        form.add_error(name if name in form.fields else None, line)
            except Refused as refusal:
                form.add_error(None, str(refusal))
            else:
                messages.success(
                    request, "The comparison is there. Look at the claims again, add new products, and freeze the plan."
                )
                return redirect("desk-plan", made.slug)
    return render(request, "desk/new_from.html", {
        "form": form, "old": old, "offer": offer, "prepares": can_prepare(request.user),
        "products": [(one, claims, readings, ways[one.pk]) for one, claims, readings in offer.products],
        "trials": [(row, row["key"] in trials) for row in offer.trials], "back": reverse("desk-new"),
    }, status=422 if form.errors else 200)  # fmt: skip


def _next_title(title: str) -> str:
    """The old title with the year of today in the place of its own, or behind it."""
    year = str(timezone.localdate().year)
    found = re.sub(r"\b(19|20)\d\d\b", year, title)
    return (found if found != title else f"{title} {year}")[:200]

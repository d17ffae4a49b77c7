"""The team's methods: their wordings, who uses them, and two wordings side by side."""

from __future__ import annotations

import re
from collections import defaultdict
from difflib import SequenceMatcher

from django.db.models import Count
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from comparisons.models import ComparisonProgramme
from comparisons.services import methods as service
from comparisons.services.roles import can_prepare
from comparisons.services.starting import latest_revision
from specimens.models import Method, MethodRevision, Run, Trial

from .desk import members_only
from .editing import edit
from .plan_forms import NewMethod, Revision
from .products import form_page

SIDES = ("standard", "relation", "departures", "cannot_show", "hazardous", "cautions", "steps")
LABELS = {"relation": "How it stands to the standard", "cannot_show": "What it cannot show", "hazardous": "Hazardous"}


def users_of(methods=None) -> dict[int, list[dict]]:
    """method -> the comparisons whose trials use it: slug, title, revisions. Three queries."""
    trials = Trial.objects.filter(revision__isnull=False)
    runs = Run.objects.filter(revision__isnull=False)
    if methods is not None:
        trials, runs = trials.filter(revision__method__in=methods), runs.filter(revision__method__in=methods)
    used: dict[tuple[int, int], set[tuple[int, str]]] = defaultdict(set)
    for programme, method, pk, name in trials.values_list(
        "programme", "revision__method", "revision", "revision__revision"
    ):
        used[method, programme].add((pk, name))
    for programme, method, pk, name in runs.values_list(
        "trial__programme", "revision__method", "revision", "revision__revision"
    ):
        used[method, programme].add((pk, name))
    parts: dict[int, list] = defaultdict(list)
    for programme, slug, title in ComparisonProgramme.objects.order_by("comparison__title").values_list(
        "programme", "comparison__slug", "comparison__title"
    ):
        parts[programme].append((slug, title))
    found: dict[int, list[dict]] = defaultdict(list)
    for (method, programme), revisions in used.items():
        for slug, title in parts[programme]:
            found[method].append({
                "slug": slug, "title": title, "keys": {pk for pk, _ in revisions},
                "revisions": ", ".join(sorted(name for _, name in revisions)),
            })  # fmt: skip
    return {method: sorted(rows, key=lambda row: row["title"]) for method, rows in found.items()}


@members_only
@require_safe
def methods(request):
    """All methods of the team."""
    used = users_of()
    rows = [
        {"row": one, "n": one.n, "latest": max(one.revisions.all(), key=lambda r: r.pk, default=None),
         "users": used.get(one.pk, [])}
        for one in Method.objects.annotate(n=Count("revisions")).prefetch_related("revisions")
    ]  # fmt: skip
    return render(request, "desk/methods.html", {"rows": rows, "prepares": can_prepare(request.user)})


@members_only
@form_page
def add(request):
    """A new method with its first wording."""
    return edit(
        request, form_class=NewMethod, row=MethodRevision(revision="1"), place=None, thing="method",
        title="New method", back=reverse("desk-methods"), done="The method is there.",
        create=lambda actor, row, **named: service.new_method(actor, row),
        then=lambda row, form: reverse("desk-method", args=[row.method_id]),
    )  # fmt: skip


@members_only
@require_safe
def method(request, pk: int):
    """One method: its wordings, who uses which, and two of them side by side."""
    row = get_object_or_404(Method, pk=pk)
    revisions = list(row.revisions.order_by("pk"))
    users = users_of([pk]).get(pk, [])
    by_key = {str(one.pk): one for one in revisions}
    left, right = by_key.get(request.GET.get("a", "")), by_key.get(request.GET.get("b", ""))
    if (left is None or right is None) and len(revisions) > 1:
        left, right = revisions[-2], revisions[-1]
    return render(request, "desk/method.html", {
        "row": row, "prepares": can_prepare(request.user), "users": users,
        "revisions": [
            {"row": one, "users": [u for u in users if one.pk in u["keys"]]} for one in reversed(revisions)
        ],
        "several": len(revisions) > 1, "left": left, "right": right,
        "sides": side_by_side(left, right) if left and right else [],
    })  # fmt: skip


def side_by_side(left: MethodRevision, right: MethodRevision) -> list[dict]:
    """Each text of two wordings beside the other, word by word: (kind, text) with kind same, left or right."""
    made = []
    for name in SIDES:
        a, b = _text(left, name), _text(right, name)
        if not a and not b:
            continue
        label = LABELS.get(name, MethodRevision._meta.get_field(name).verbose_name.capitalize())
        made.append({"label": label, "same": a == b, "left": a, "right": b, **_marked(a, b)})
    return made


def _text(row: MethodRevision, name: str) -> str:
    if name == "hazardous":
        return "yes" if row.hazardous else "no"
    if name == "relation":
        return row.get_relation_display() if row.relation else ""
    return getattr(row, name)


def _marked(a: str, b: str) -> dict:
    words_a, words_b = _words(a), _words(b)
    left, right = [], []
    for tag, i, j, k, m in SequenceMatcher(None, words_a, words_b, autojunk=len(words_a) > 2000).get_opcodes():
        if i < j:
            left.append(("same" if tag == "equal" else "gone", "".join(words_a[i:j])))
        if k < m:
            right.append(("same" if tag == "equal" else "new", "".join(words_b[k:m])))
    return {"left_parts": left, "right_parts": right}


def _words(text: str) -> list[str]:
    """A text cut behind each run of white space; long texts by lines, so that comparing stays quick."""
    if len(text) > 5_000:
        return text.splitlines(keepends=True)
    return re.findall(r"\S+\s*|\s+", text)


@members_only
@form_page
def revise(request, pk: int):
    """A further wording, begun from the latest."""
    row = get_object_or_404(Method, pk=pk)
    latest = latest_revision(row)
    new = MethodRevision(method=row, **{name: getattr(latest, name) for name in SIDES} if latest else {})
    new.revision = _next_name([one.revision for one in row.revisions.all()])
    return edit(
        request, form_class=Revision, row=new, place=None, thing="method", title=f"New revision: {row.title}",
        back=reverse("desk-method", args=[pk]), create=service.new_revision,
        done="The revision is there. Trials keep the one they have until you take them over, from the plan.",
    )  # fmt: skip


def _next_name(names: list[str]) -> str:
    numbers = [int(name) for name in names if name.isdecimal() and len(name) < 9]
    return str(max(numbers, default=0) + 1) if len(numbers) == len(names) else ""


@members_only
@form_page
def revision(request, pk: int):
    """One wording, to change."""
    row = get_object_or_404(MethodRevision.objects.select_related("method"), pk=pk)
    return edit(
        request, form_class=Revision, row=row, place=None, thing="method",
        title=f"{row.method.title}, revision {row.revision}", back=reverse("desk-method", args=[row.method_id]),
        save=service.save_revision, form_options={"locked": service.rests_on(row)},
    )  # fmt: skip

"""Ready? What is open before publication, the reasons that are enough, and asking for approval."""

from __future__ import annotations

from dataclasses import dataclass, field

from django.contrib import messages
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST, require_safe

from comparisons.models import Comparison, Edition
from comparisons.services import approval, evaluation, readiness, state_changes
from comparisons.services.errors import Refused
from comparisons.services.readiness_points import Point
from comparisons.services.roles import can_prepare
from comparisons.services.wording import LONGEST

from .desk import members_only, place_of

FEW = 2  # tables of changes that the check page shows
MOST = 400  # points whose reasons one form asks for: a browser's form has at most a thousand fields here


@dataclass
class Row:
    """A point as it is listed: with what is typed for it, and what a form has to carry."""

    point: Point
    field: str
    seen: str
    typed: str
    clashes: bool = False
    long: bool = False


@dataclass
class Group:
    key: str
    title: str
    rows: list[Row] = field(default_factory=list)

    @property
    def stopping(self) -> list[Row]:
        return [row for row in self.rows if row.point.stops]

    @property
    def explained(self) -> list[Row]:
        """Points that take a reason, those without one first."""
        return sorted((row for row in self.rows if row.point.takes_reason), key=lambda row: bool(row.point.reason))

    @property
    def pointed_out(self) -> list[Row]:
        return [row for row in self.rows if not row.point.stops and not row.point.asks]

    @property
    def blank(self) -> int:
        """How many points lack their reason."""
        return sum(1 for row in self.rows if row.point.takes_reason and not row.point.reason)


def _groups(found: list[Point], typed, clashes=()) -> list[Group]:
    made = {key: Group(key, title) for key, title in readiness.GROUPS}
    for at, point in enumerate(found):
        name = f"reason:{point.code}"
        made[point.kind].rows.append(Row(
            point, f"p{at}", readiness.seen_of(point),
            typed.get(name, point.reason or point.earlier) if point.takes_reason else "",
            point.code in clashes, len(point.text) > 400,
        ))  # fmt: skip
    return [group for group in made.values() if group.rows]


@members_only
@require_safe
def check(request, slug: str):
    """What is open, group by group, and at the end asking for approval."""
    return _page(request, slug)


def _page(request, slug: str, *, typed=None, clashes=(), fault: str = "", asked: str = "", status: int = 200):
    """The check page; typed: what came back with a refusal, so that nothing is lost."""
    place = place_of(request.user, slug)
    comparison = Comparison.objects.get(pk=place.pk)
    found = readiness.points(comparison)
    asked_for = [point for point in found if point.takes_reason]
    later = {point.code for point in sorted(asked_for, key=lambda point: bool(point.reason))[MOST:]}
    groups = _groups([point for point in found if point.code not in later], typed or {}, clashes)
    waiting = readiness.open_points(found)
    newest = (
        Edition.objects.filter(comparison=comparison).defer("package", "results", "page")
        .select_related("withdrawal").order_by("-number").first()
    )  # fmt: skip
    changes = _changes(comparison, newest, place)
    return render(request, "desk/check.html", {
        "place": place, "groups": groups, "waiting": waiting, "later": len(later),
        "stops": [p for p in waiting if p.stops],
        "unexplained": [p for p in waiting if not p.stops], "explained": sum(1 for p in found if p.reason),
        "prepares": can_prepare(request.user), "longest": LONGEST, "newest": newest,
        "withdrawn": getattr(newest, "withdrawal", None), "changes": changes,
        "few": changes.numbers["groups"][:FEW] if changes else [],
        "more_groups": max(0, len(changes.numbers["groups"]) - FEW) if changes else 0,
        "numbers": range(newest.number, 0, -1) if newest else [], "typed": typed or {}, "fault": fault, "asked": asked,
    }, status=status)  # fmt: skip


def _changes(comparison: Comparison, newest: Edition | None, place) -> state_changes.Changes | None:
    if newest is None or place.evaluation_id is None:
        return None
    return state_changes.since_edition(newest, comparison, place.evaluation_id, place.event_id)


@members_only
@require_POST
def reasons(request, slug: str):
    """Store the reasons of one group, or of the whole page; one text may stand for all of a group that are blank."""
    comparison = get_object_or_404(Comparison, slug=slug)
    given = {
        name.removeprefix("reason:"): text for name, text in request.POST.items() if name.startswith("reason:")
    }
    seen = {name.removeprefix("seen:"): text for name, text in request.POST.items() if name.startswith("seen:")}
    for_all = {
        name.removeprefix("all:"): text for name, text in request.POST.items()
        if name.startswith("all:") and text.strip()
    }  # fmt: skip
    if for_all:
        kinds = {point.code: point.kind for point in readiness.points(comparison)}
        given = {
            code: text if text.strip() else for_all.get(kinds.get(code, ""), "") for code, text in given.items()
        }
    was_fresh = evaluation.standing(comparison).fresh
    try:
        changed = readiness.give_reasons(comparison, actor=request.user, reasons=given, seen=seen)
        if changed and was_fresh:  # no number rests on a reason: it is evaluated again without being computed again
            evaluation.ask_for_evaluation(comparison, actor=request.user)
    except readiness.Clash as clash:
        return _page(request, slug, typed=request.POST, clashes=clash.codes, fault=str(clash), status=409)
    except Refused as refusal:
        return _page(request, slug, typed=request.POST, fault=str(refusal), status=422)
    messages.success(request, f"{changed} {'reason' if changed == 1 else 'reasons'} stored." if changed
                     else "Nothing was changed.")  # fmt: skip
    return redirect("desk-check", slug=slug)


@members_only
@require_POST
def settled(request, slug: str):
    """Take back the reasons whose points are settled."""
    comparison = get_object_or_404(Comparison, slug=slug)
    was_fresh = evaluation.standing(comparison).fresh
    try:
        count = readiness.take_back_settled(comparison, actor=request.user)
        if count and was_fresh:
            evaluation.ask_for_evaluation(comparison, actor=request.user)
    except Refused as refusal:
        return _page(request, slug, fault=str(refusal), status=422)
    messages.success(request, f"{count} {'reason' if count == 1 else 'reasons'} taken back.")
    return redirect("desk-check", slug=slug)


@members_only
@require_POST
def ask(request, slug: str):
    """Ask a second person to approve the draft; where that is refused, what was typed comes back."""
    comparison = get_object_or_404(Comparison, slug=slug)
    try:
        approval.ask(
            comparison, actor=request.user, note=request.POST.get("note", ""),
            correction=request.POST.get("correction", ""), why=request.POST.get("why", ""),
            since=request.POST.get("since", ""),
        )  # fmt: skip
    except Refused as refusal:
        return _page(request, slug, typed=request.POST, asked=str(refusal), status=422)
    messages.success(request, "An editor is asked to approve this state.")
    return redirect("desk-comparison", slug=slug)



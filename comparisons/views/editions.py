"""Editions on the desk: what was published, what became of it, and any two of them side by side."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST, require_safe

from comparisons.models import Comparison, Edition, EditionReport
from comparisons.services import corrections, state_changes
from comparisons.services.errors import Refused
from comparisons.services.publishing import ask_for_report
from comparisons.services.roles import can_prepare, is_editor, require_preparer

from .desk import members_only, place_of

DRAFT = "draft"


@members_only
@require_safe
def editions(request, slug: str):
    """Every edition with its date, digest, people, corrections, notices and withdrawal."""
    return _page(request, slug)


def _page(request, slug: str, *, fault: str = "", at: int | None = None, typed: str = "", status: int = 200):
    place = place_of(request.user, slug)
    found = corrections.editions_told(Comparison.objects.get(pk=place.pk))
    return render(request, "desk/editions.html", {
        "place": place, "editions": found, "judges": is_editor(request.user),
        "prepares": can_prepare(request.user), "fault": fault, "fault_at": at,
        "typed": typed, "draft": bool(found) and place.evaluation_id is not None,
        "with_pdf": set(EditionReport.objects.filter(edition__comparison=place.pk).values_list("pk", flat=True)),
    }, status=status)  # fmt: skip


@members_only
@require_POST
def withdraw(request, slug: str, number: int):
    """Take an edition back with a reason."""
    edition = get_object_or_404(
        Edition.objects.defer("package", "results", "page"), comparison__slug=slug, number=number
    )
    reason = request.POST.get("reason", "")
    try:
        corrections.withdraw(request.user, edition, reason=reason)
    except Refused as refusal:
        return _page(request, slug, fault=str(refusal), at=number, typed=reason, status=422)
    messages.success(request, f"Edition {number} is withdrawn. Its address says so, with your reason.")
    return redirect("desk-editions", slug=slug)


@members_only
@require_POST
def have_report(request, slug: str, number: int):
    """Have the PDF made that is not there: after a fault, or for an edition of before there were any."""
    edition = get_object_or_404(
        Edition.objects.defer("package", "results", "page"), comparison__slug=slug, number=number
    )
    try:
        require_preparer(request.user, "have a PDF made")
        ask_for_report(edition, actor=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, f"The PDF of edition {number} is being made.")
    return redirect("desk-editions", slug=slug)


@members_only
@require_safe
def compare(request, slug: str):
    """The form that chooses two states leads to their page."""
    place = place_of(request.user, slug)
    before, after = request.GET.get("before", ""), request.GET.get("after", "")
    if not (before.isdecimal() and len(before) < 9 and (after == DRAFT or after.isdecimal() and len(after) < 9)):
        raise Http404("no such editions")
    if after == DRAFT:
        return redirect("desk-draft-changes", slug=place.slug, before=int(before))
    return redirect("desk-edition-changes", slug=place.slug, before=int(before), after=int(after))


@members_only
@require_safe
def changes(request, slug: str, before: int, after: int | None = None):
    """Two editions side by side, or one and the draft: what differs in numbers and in words."""
    place = place_of(request.user, slug)
    rows = Edition.objects.filter(comparison=place.pk).defer("package", "results", "page").order_by("-number")
    found = {edition.number: edition for edition in rows}
    if before not in found or (after is not None and after not in found):
        raise Http404("no such edition")
    if after is None:
        if place.evaluation_id is None:
            raise Http404("the draft is not evaluated")
        comparison = Comparison.objects.get(pk=place.pk)
        told = state_changes.since_edition(found[before], comparison, place.evaluation_id, place.event_id)
    else:
        told = state_changes.of_editions(found[before], found[after])
    return render(request, "desk/edition_changes.html", {
        "place": place, "editions": list(found.values()), "before": found[before],
        "after": None if after is None else found[after], "changes": told, "draft": place.evaluation_id is not None,
    })  # fmt: skip

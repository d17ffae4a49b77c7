"""The desk: where comparisons stand, their results as a draft, and the way to an edition."""

from __future__ import annotations

import json

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.contrib.auth.views import LoginView
from django.core.cache import cache
from django.core.exceptions import PermissionDenied
from django.http import Http404, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render, resolve_url
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from comparisons.models import ApprovalRequest, Comparison, Evaluation
from comparisons.services import approval, evaluation
from comparisons.services.errors import Refused
from comparisons.services.readiness import holds
from comparisons.services.roles import BENCH, can_prepare, roles_of

from .panel_hold import held
from .stages import stages
from .standings import Place, places

KEPT_S = 24 * 3600


def is_member(user) -> bool:
    """Whether an account belongs to the team: it has a role, or runs the server."""
    return bool(roles_of(user) or user.is_superuser)


class Entrance(LoginView):
    """The way in: whoever works at the bench alone lands there, everybody else at the desk."""

    template_name = "registration/sign_in.html"
    redirect_authenticated_user = True

    def dispatch(self, request, *args, **kwargs):
        # Sent here by a page that it may not see, an account without a role would be sent back at once, for ever.
        if "next" in request.GET and request.user.is_authenticated and not is_member(request.user):
            raise PermissionDenied
        return super().dispatch(request, *args, **kwargs)

    def get_default_redirect_url(self):
        return resolve_url("bench" if roles_of(self.request.user) == {BENCH} else "desk")


def members_only(view):
    """Signed-in members of the team; everybody else finds nothing here (or the way to sign in)."""

    @login_required
    @never_cache
    def guarded(request, *args, **kwargs):
        if not is_member(request.user):
            raise Http404("not for this account")
        return view(request, *args, **kwargs)

    return guarded


def place_of(user, slug: str) -> Place:
    """Where one comparison stands; 404 where there is none."""
    found = places(user, slug)
    if not found:
        raise Http404("no such comparison")
    return held(user, found[0])


def draft_page(place: Place) -> dict | None:
    """The page document of the draft as it was evaluated; None where it was not.

    It is built once for an evaluation and a state of the draft, and kept: the key names both, so what is
    kept never goes stale. Where the draft has changed since, texts are those of now.
    """
    if place.evaluation_id is None:
        return None
    key = f"draft:{place.slug}:{place.evaluation_id}:{place.event_id}"
    page = cache.get(key)
    if page is None:
        from comparisons.folder.exporter import tables_from_db
        from comparisons.page import build_page

        document = Evaluation.objects.values_list("document", flat=True).get(pk=place.evaluation_id)
        tables = tables_from_db(Comparison.objects.get(slug=place.slug), public=True)
        page = build_page(tables, json.loads(document), charts=False, drafting=True)
        cache.set(key, page, KEPT_S)
    return page


@login_required
@never_cache
@require_safe
def desk(request):
    """All comparisons with the stage that each has reached; those that ask for something first.

    Who signed in and has no role is told whom to ask: this is where one lands.
    """
    if not is_member(request.user):
        raise PermissionDenied("no role")
    found = places(request.user)
    found.sort(key=lambda place: (not place.wants, not place.trouble, place.title))
    told = stages(request.user, found)
    return render(request, "desk/list.html", {
        "places": [(place, told[place.slug]) for place in found], "prepares": can_prepare(request.user),
    })  # fmt: skip


@members_only
@require_safe
def comparison(request, slug: str):
    """Where one comparison stands, stage by stage, and the one next thing to do."""
    place = place_of(request.user, slug)
    told = stages(request.user, [place])[slug]
    held = holds(Comparison(pk=place.pk, slug=slug))
    return render(request, "desk/comparison.html", {"place": place, "told": told, "held": held})


@members_only
@require_safe
def scorecard(request, slug: str):
    """Every score of every weighting, how sure the order is, other weights, and how the criteria are scored."""
    from comparisons.pages.weighing import own, read

    place = place_of(request.user, slug)
    page = draft_page(place)
    if page is None:
        return redirect("desk-results", slug=slug)
    weighing = page.get("weighing")
    return render(request, "desk/scorecard.html", {
        "place": place,
        "page": page,
        "weighing": weighing,
        "own": weighing and own(weighing["data"], *read(weighing["data"], request.META.get("QUERY_STRING", ""))),
        "weights_url": request.path,
        "charts_base": f"/desk/{slug}/charts/",
        "drafting": True,
    })  # fmt: skip


@members_only
@require_safe
def chart(request, slug: str, name: str):
    """One figure of the draft."""
    from comparisons.pages.charts import figure

    page = draft_page(place_of(request.user, slug))
    if page is None or name not in page["charts"]:
        raise Http404("no such chart")
    return JsonResponse(figure(page, name))


@members_only
@require_safe
def state(request, slug: str):
    """Whether work is under way, for the page that waits."""
    place = place_of(request.user, slug)
    return JsonResponse({"waiting": place.waiting, "state": place.state})


def _try(request, slug: str, do, done: str):
    """Call a service and go back to the comparison, with what was done or why not in one line."""
    try:
        do(get_object_or_404(Comparison, slug=slug))
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, done)
    return redirect("desk-comparison", slug=slug)


@members_only
@require_POST
def evaluate(request, slug: str):
    """Ask for an evaluation of the draft as it stands."""
    return _try(
        request, slug, lambda c: evaluation.ask_for_evaluation(c, actor=request.user),
        "The evaluation is under way.",
    )  # fmt: skip


@members_only
@require_POST
def decide(request, slug: str):
    """Approve the request that was shown, or return it with a reason."""
    verdict = request.POST.get("verdict", "")

    def do(comparison):
        shown = request.POST.get("request", "")
        wanted = get_object_or_404(
            ApprovalRequest.objects.select_related("comparison"),
            pk=int(shown) if shown.isdecimal() and len(shown) < 19 else 0,
            comparison=comparison,
        )
        approval.decide(wanted, actor=request.user, verdict=verdict, reason=request.POST.get("reason", ""))

    done = "Approved: the edition is being published." if verdict == "approved" else "Returned with your reason."
    return _try(request, slug, do, done)

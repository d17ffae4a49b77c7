"""Makers: their private links on the desk, their answers, and the page that a link opens."""

from __future__ import annotations

from axes.handlers.proxy import AxesProxyHandler
from django.conf import settings
from django.contrib import messages
from django.core.cache import cache
from django.http import Http404
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.debug import sensitive_variables
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from comparisons.models import Comparison, Evaluation, MakerLink
from comparisons.services import makers as service
from comparisons.services.errors import Refused
from comparisons.services.evaluation import standing
from comparisons.services.record import last_draft_event
from comparisons.services.roles import can_prepare, is_editor
from specimens.models import MakerAnswer, ProgrammeProduct

from .desk import KEPT_S, members_only, place_of
from .panel_hold import kept_from

COUNTED_AS = {"username": "a maker’s link"}  # wrong links are counted as wrong passwords are, by address


# -- the desk's side -------------------------------------------------------------------------------------


@members_only
@require_safe
def makers(request, slug: str):
    """Links made for makers, their answers, and for each product the way to make a link."""
    return _page(request, slug)


def _page(request, slug: str, *, made=None, fault: str = "", typed=None, status: int = 200):
    place = place_of(request.user, slug)
    comparison = Comparison.objects.get(pk=place.pk)
    products = service.products_of(comparison)
    chosen = (typed or request.GET).get("product", "")
    return render(request, "desk/makers.html", {
        "place": place, "products": products, "links": service.links_of(comparison),
        "answers": service.answers_of(comparison), "made": made, "fault": fault, "typed": typed or {},
        "chosen": chosen, "days": service.DAYS, "most_days": service.MOST_DAYS,
        "prepares": can_prepare(request.user), "judges": is_editor(request.user),
    }, status=status)  # fmt: skip


@members_only
@require_POST
@sensitive_variables("token", "address")
def make_link(request, slug: str):
    """Make a link. Its secret is on this one answer and nowhere else."""
    comparison = get_object_or_404(Comparison, slug=slug)
    found = dict(service.products_of(comparison))
    product = found.get(request.POST.get("product", ""))
    try:
        if product is None:
            return _page(request, slug, fault="Choose a product of this comparison.", typed=request.POST, status=422)
        link, token = service.make_link(
            comparison, product, actor=request.user, days=request.POST.get("days", ""),
            note=request.POST.get("note", ""),
        )  # fmt: skip
    except Refused as refusal:
        return _page(request, slug, fault=str(refusal), typed=request.POST, status=422)
    address = settings.PUBLIC_URL + reverse("maker", args=[token])
    return _page(request, slug, made={"link": link, "address": address})


@members_only
@require_POST
def revoke(request, slug: str, pk: int):
    """Take a link back."""
    link = get_object_or_404(MakerLink, pk=pk, comparison__slug=slug)
    try:
        service.revoke(link, actor=request.user)
    except Refused as refusal:
        return _page(request, slug, fault=str(refusal), status=422)
    messages.success(request, "The link is taken back: it opens nothing any more.")
    return redirect("desk-makers", slug=slug)


@members_only
@require_POST
def publish_answer(request, slug: str, pk: int):
    """Publish an answer with the next edition, or take it out of it."""
    comparison = get_object_or_404(Comparison, slug=slug)
    row = get_object_or_404(MakerAnswer, pk=pk, product__programme__parts__comparison=comparison)
    wanted = request.POST.get("published", "")
    if wanted not in ("yes", "no"):
        raise Http404("neither yes nor no")
    try:
        service.set_published(row, actor=request.user, published=wanted == "yes", comparison=comparison)
    except Refused as refusal:
        return _page(request, slug, fault=str(refusal), status=422)
    done = "It is published beside the product with the next edition." if wanted == "yes" else "It is taken out."
    messages.success(request, done)
    return redirect("desk-makers", slug=slug)


@members_only
@require_safe
def seen(request, slug: str, code: str):
    """What a maker sees, before a link is given out."""
    place = place_of(request.user, slug)
    if why := kept_from(request.user, place):
        messages.error(request, why)
        return redirect("desk-makers", slug=slug)
    comparison = Comparison.objects.get(pk=place.pk)
    product = dict(service.products_of(comparison)).get(code)
    if product is None:
        raise Http404("no such product")
    return _private(render(request, "public/maker.html", _context(comparison, product) | {
        "preview": True, "back": reverse("desk-makers", args=[slug]),
    }))  # fmt: skip


# -- the maker's side ------------------------------------------------------------------------------------


@csrf_exempt  # the address itself is the secret; with no referrer, browsers send no origin that could be checked
@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_variables("token")
def maker(request, token: str):
    """The facts about one product for whoever has the link, and the form for an answer.

    A link that is unknown, over or taken back, and one from where too many were tried, get one and the same page.
    """
    if not _may_try(request):
        return _closed(request)
    fault, typed = "", ""
    try:
        if request.method == "POST":
            typed = request.POST.get("answer", "")
            try:
                service.answer(token, typed)
            except service.NoLink:
                raise
            except Refused as refusal:
                fault = str(refusal)
            else:
                return _private(redirect(f"{reverse('maker', args=[token])}?kept=1#answer"))
        link = service.link_of(token)
    except service.NoLink as none:
        if not none.known:
            _count(request)
        return _closed(request)
    service.opened(link)
    response = render(request, "public/maker.html", _context(link.comparison, link.product) | {
        "link": link, "fault": fault, "typed": typed[: 2 * service.LONGEST_ANSWER], "kept": "kept" in request.GET,
    }, status=422 if fault else 200)  # fmt: skip
    return _private(response)


def _context(comparison: Comparison, product: ProgrammeProduct) -> dict:
    return {
        "facts": _facts(comparison, product), "product": product, "longest": service.LONGEST_ANSWER,
        "answers": list(product.answers.order_by("received_at")),
    }  # fmt: skip


def _facts(comparison: Comparison, product: ProgrammeProduct) -> dict:
    """The facts about one product, worked out once for a state of the draft."""
    view = standing(comparison)
    event = last_draft_event(comparison)
    key = f"maker:1:{comparison.pk}:{product.pk}:{view.evaluation.pk if view.evaluation else 0}:{event}"
    found = cache.get(key)
    if found is None:
        import json

        from comparisons.folder.exporter import tables_from_db
        from comparisons.pages.maker import facts

        document = None
        if view.evaluation:
            document = json.loads(Evaluation.objects.values_list("document", flat=True).get(pk=view.evaluation.pk))
        found = facts(tables_from_db(comparison, public=True), document, service.code_in(comparison, product))
        cache.set(key, found, KEPT_S)
    if found is None:
        raise Http404("no such product")
    return found | {"fresh": view.fresh, "at": view.evaluation.created_at if view.evaluation else None}


def _may_try(request) -> bool:
    return AxesProxyHandler.is_allowed(request, COUNTED_AS)


def _count(request) -> None:
    """Count a wrong link against the address that it came from. The link itself is not kept: it may be nearly right."""
    AxesProxyHandler.update_request(request)
    request.axes_path_info = "/m/"
    AxesProxyHandler.user_login_failed(sender=maker, credentials=COUNTED_AS, request=request)
    request.axes_locked_out = False  # the page is ours, also for the last that is counted


def _closed(request):
    return _private(render(request, "public/maker_closed.html", status=404))


def _private(response):
    """Nobody keeps this page, lists it, or is told its address by the next page."""
    response["Cache-Control"] = "no-store, private"
    response["Referrer-Policy"] = "no-referrer"
    response["X-Robots-Tag"] = "noindex, nofollow, noarchive"
    return response

"""Public pages: what was published, from frozen editions alone. No session, at most two queries each."""

from __future__ import annotations

import io
import json
import mimetypes
import zipfile

from django.conf import settings
from django.core.cache import cache
from django.db import connection
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import render
from django.template.defaultfilters import filesizeformat
from django.template.loader import render_to_string
from django.urls import reverse
from django.views.decorators.http import require_safe

from comparisons.models import Edition
from comparisons.pages.machine import comparison_graph

from .freshness import fresh, lasting, look, tag, unchanged
from .public_finding import address, known, state_of
from .public_machine import facts, shared

SHOWN_PICTURES = {"image/png", "image/jpeg", "image/webp", "image/gif"}


def editions_of(slug: str) -> list[dict]:
    """What is known of each edition of a comparison, the newest first; 404 where nothing is published."""
    return known(slug)


@require_safe
def comparison(request, slug: str, number: int | None = None):
    """One edition as it was frozen; without a number the newest."""
    editions = editions_of(slug)
    newest = editions[0]
    edition = newest if number is None else next((e for e in editions if e["number"] == number), None)
    if edition is None:
        raise Http404("no such edition")
    etag = tag(edition["sha256"], state_of(editions))
    if (response := unchanged(request, etag)) is not None:
        return response
    key = f"page:{edition['sha256']}:{state_of(editions)}:{look()}"
    html = cache.get(key)
    if html is None:
        html = _printed(slug, edition, editions)
        cache.set(key, html, None)
    return fresh(HttpResponse(html), etag)


def _printed(slug: str, edition: dict, editions: list[dict]) -> str:
    page = json.loads(_bytes(slug, edition["number"], "page"))
    number = edition["number"]
    own = reverse("edition", args=[slug, number])
    return render_to_string("public/comparison.html", {
        "page": page,
        "edition": edition,
        "fate": edition,
        "editions": editions,
        "newer": editions[0] if editions[0]["number"] > number else None,
        "canonical": settings.PUBLIC_URL + reverse("comparison", args=[slug]),
        "permanent": settings.PUBLIC_URL + own,
        "zip_url": reverse("edition-data", args=[slug, number]),
        "zip_size": filesizeformat(edition["zip_bytes"]),
        "results_url": reverse("edition-results", args=[slug, number]),
        "weights_url": reverse("edition-weights", args=[slug, number]),
        "charts_base": f"{own}charts/",
        "files_base": own,
        "edition_base": own if edition is not editions[0] else reverse("comparison", args=[slug]),
        "ld": comparison_graph(page, facts(slug, edition)),
        "shared": shared(
            slug, edition, title=page["title"], text=page["answer"]["lead"],
            url=settings.PUBLIC_URL + reverse("comparison", args=[slug]),
        ),
    })  # fmt: skip


@require_safe
def weights(request, slug: str, number: int):
    """The scores of one edition weighed as the address says: for readers without a script, and to pass on."""
    from comparisons.pages.weighing import own, read

    editions = editions_of(slug)
    newest = editions[0]
    edition = next((e for e in editions if e["number"] == number), None)
    if edition is None:
        raise Http404("no such edition")
    asked = request.META.get("QUERY_STRING", "")
    etag = tag("weights", edition["sha256"], state_of(editions), asked)
    if (response := unchanged(request, etag)) is not None:
        return response
    key = f"weighing:{edition['page_sha256']}"
    page = cache.get(key)
    if page is None:
        whole = json.loads(_bytes(slug, number, "page"))
        page = {name: whole.get(name) for name in ("title", "slug", "weighing")}
        cache.set(key, page, None)
    if not page["weighing"]:
        raise Http404("nothing to weigh in this edition")
    data = page["weighing"]["data"]
    return fresh(render(request, "public/weights.html", {
        "page": page,
        "weighing": page["weighing"],
        "own": own(data, *read(data, asked)),
        "edition": edition,
        "fate": edition,
        "newer": newest if newest["number"] > number else None,
        "edition_url": reverse("edition", args=[slug, number]),
        "weights_url": request.path,
    }), etag)  # fmt: skip


def _bytes(slug: str, number: int, part: str) -> bytes:
    """One frozen part of an edition; 404 where there is none."""
    found = Edition.objects.filter(comparison__slug=slug, number=number).values_list(part, flat=True).first()
    if found is None:
        raise Http404("no such edition")
    return bytes(found)


def _sent(request, slug: str, number: int, part: str, kind: str, filename: str = ""):
    digest = (
        Edition.objects.filter(comparison__slug=slug, number=number).values_list(f"{part}_sha256", flat=True).first()
    )
    if digest is None:
        raise Http404("no such edition")
    etag = f'"{digest}"'
    if (response := unchanged(request, etag)) is not None:
        return response
    response = HttpResponse(_bytes(slug, number, part), content_type=kind)
    if filename:
        response["Content-Disposition"] = f'attachment; filename="{filename}"'
    return lasting(response, etag)


@require_safe
def edition_data(request, slug: str, number: int):
    """The public study zip of an edition, byte for byte as frozen."""
    return _sent(request, slug, number, "package", "application/zip", f"{slug}-edition-{number}.zip")


@require_safe
def edition_results(request, slug: str, number: int):
    """The results document of an edition, byte for byte as frozen."""
    return _sent(request, slug, number, "results", "application/json")


@require_safe
def edition_chart(request, slug: str, number: int, name: str):
    """One figure of an edition for the charts' script."""
    digest = Edition.objects.filter(comparison__slug=slug, number=number).values_list("page_sha256", flat=True).first()
    if digest is None:
        raise Http404("no such edition")
    etag = tag("chart", digest, name)
    if (response := unchanged(request, etag)) is not None:
        return response
    charts = json.loads(_bytes(slug, number, "page"))["charts"]
    if name not in charts:
        raise Http404("no such chart")
    return lasting(JsonResponse(charts[name]), etag)


@require_safe
def edition_file(request, slug: str, number: int, path: str):
    """A file of an edition's study: pictures are shown, everything else is handed over for saving."""
    package = zipfile.ZipFile(io.BytesIO(_bytes(slug, number, "package")))
    name = next((n for n in package.namelist() if n == f"files/{path}" or n.endswith(f"/files/{path}")), None)
    if name is None:
        raise Http404("no such file")
    kind = mimetypes.guess_type(path)[0] or ""
    shown = kind in SHOWN_PICTURES
    response = HttpResponse(package.read(name), content_type=kind if shown else "application/octet-stream")
    if not shown:
        response["Content-Disposition"] = "attachment"
    return lasting(response, f'"{package.getinfo(name).CRC:08x}-{number}"')


@require_safe
def health(request):
    """Whether this process answers and reaches its database."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
        cursor.fetchone()
    response = JsonResponse({"ok": True})
    response["Cache-Control"] = "no-store"
    return response


@require_safe
def robots(request):
    """What crawlers may read: all that is published."""
    kept = ("desk", "bench", "sign-in", "api", "health", "search")
    lines = ["User-agent: *", *(f"Disallow: /{name}/" for name in kept), "", f"Sitemap: {address('sitemap')}", ""]
    return HttpResponse("\n".join(lines), content_type="text/plain; charset=utf-8")

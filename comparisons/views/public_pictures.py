"""The picture of an edition's ranking, for where its address is passed on."""

from __future__ import annotations

import json

from django.core.cache import cache
from django.http import Http404, HttpResponse
from django.utils.cache import patch_cache_control
from django.views.decorators.http import require_safe

from comparisons.models import Edition
from comparisons.pages import picture

from .freshness import unchanged


@require_safe
def ranking(request, slug: str, number: int):
    """The ranking of an edition as PNG, 1200 by 630. Two queries where it is not kept."""
    editions = Edition.objects.filter(comparison__slug=slug, number=number)
    edition = editions.values("number", "published_at", "page_sha256").first()
    if edition is None:
        raise Http404("no such edition")
    etag = f'"{edition["page_sha256"][:32]}-{picture.VERSION}"'
    if (response := unchanged(request, etag)) is not None:
        return response
    key = f"picture:{etag}"
    png = cache.get(key)
    if png is None:
        page = json.loads(bytes(editions.values_list("page", flat=True).get()))
        png = picture.ranking_png(page, edition)
        cache.set(key, png, None)
    response = HttpResponse(png, content_type="image/png")
    response["ETag"] = etag
    patch_cache_control(response, public=True, max_age=86_400)
    return response

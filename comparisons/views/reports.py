"""The PDF of an edition."""

from __future__ import annotations

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from comparisons.models import Edition, EditionReport

from .freshness import lasting, unchanged


@require_safe
def report(request, slug: str, number: int):
    """The edition as it was set once; where it is not made yet, a page that says so."""
    here = {"edition__comparison__slug": slug, "edition__number": number}
    digest = EditionReport.objects.filter(**here).values_list("sha256", flat=True).first()
    if digest is None:
        edition = Edition.objects.filter(comparison__slug=slug, number=number).only("number").first()
        if edition is None:
            raise Http404("no such edition")
        response = render(request, "public/no_report.html", {"slug": slug, "number": number}, status=404)
        response["Cache-Control"] = "no-store"
        return response
    etag = f'"{digest}"'
    if (response := unchanged(request, etag)) is not None:
        return response
    content = EditionReport.objects.filter(**here).values_list("content", flat=True).get()
    response = HttpResponse(bytes(content), content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{slug}-edition-{number}.pdf"'
    return lasting(response, etag)

"""The API: what is published, and the draft's results for the team."""

from __future__ import annotations

import json

from django.conf import settings
from django.http import Http404, HttpResponse
from django.urls import reverse
from rest_framework.permissions import AllowAny, IsAuthenticated
from rest_framework.response import Response
from rest_framework.views import APIView

from comparisons.models import Edition, Evaluation
from comparisons.services.roles import roles_of

from .desk import place_of
from .freshness import fresh, unchanged
from .public_finding import in_short, newest_editions


class Published(APIView):
    """Every published comparison by its newest edition, with where its parts are."""

    authentication_classes = ()
    permission_classes = (AllowAny,)

    def get(self, request):
        return Response([_told(edition) for edition in in_short(newest_editions())])


def _told(edition: dict) -> dict:
    slug, number = edition["slug"], edition["number"]

    def address(name: str) -> str:
        return settings.PUBLIC_URL + reverse(name, args=[slug, number])

    return {
        "slug": slug,
        "title": edition["title"],
        "question": edition["question"],
        "edition": number,
        "published_at": edition["published_at"],
        "sha256": edition["sha256"],
        "correction": edition["correction"],
        "page": address("edition"),
        "results": address("edition-results"),
        "data": address("edition-data"),
    }


class Results(APIView):
    """The results document of the newest edition, byte for byte as frozen."""

    authentication_classes = ()
    permission_classes = (AllowAny,)

    def get(self, request, slug: str):
        newest = Edition.objects.filter(comparison__slug=slug, next__isnull=True)
        digest = newest.values_list("results_sha256", flat=True).first()
        if digest is None:
            raise Http404("no such published comparison")
        etag = f'"{digest}"'
        if (response := unchanged(request, etag)) is not None:
            return response
        results = newest.values_list("results", flat=True).first()
        return fresh(HttpResponse(bytes(results), content_type="application/json"), etag)


class DraftResults(APIView):
    """The results document of the draft as it was last evaluated, and whether it is still fresh."""

    permission_classes = (IsAuthenticated,)

    def get(self, request, slug: str):
        if not (roles_of(request.user) or request.user.is_superuser):
            raise Http404("not for this account")
        place = place_of(request.user, slug)
        if place.evaluation_id is None:
            raise Http404("not evaluated yet")
        document = Evaluation.objects.values_list("document", flat=True).get(pk=place.evaluation_id)
        return Response({"fresh": place.fresh, "state": place.state, "results": json.loads(document)})

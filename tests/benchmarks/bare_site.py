"""The project with one more address: a view that inserts one row, as the yardstick of the bench."""

from __future__ import annotations

import json
import os
import uuid

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

from django.conf import settings
from django.core.wsgi import get_wsgi_application

application = get_wsgi_application()
settings.ROOT_URLCONF = __name__

from django.http import JsonResponse  # noqa: E402
from django.urls import include, path  # noqa: E402
from django.views.decorators.csrf import csrf_exempt  # noqa: E402

from specimens.models import Programme  # noqa: E402


@csrf_exempt
def bare(request):
    """Read a JSON message and insert one row with a unique key: no session, no check, no record."""
    name = json.loads(request.body)["entries"][0]["value"]
    made = Programme.objects.create(slug=uuid.uuid4().hex, name=name)
    return JsonResponse({"stored": made.pk})


urlpatterns = [path("bare/", bare), path("", include("config.urls"))]

"""Progress of a programme's bench work; the part that changes is asked for again while it is in sight."""

from __future__ import annotations

from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from specimens.bench import progress as services
from specimens.models import Programme

from .access import members


@members
@require_safe
def progress(request, programme: str):
    found = get_object_or_404(Programme, slug=programme)
    return render(request, "bench/progress.html", {"programme": found, **services.of_programme(found)})


@members
@require_safe
def part(request, programme: str):
    """The changing part alone."""
    found = get_object_or_404(Programme, slug=programme)
    return render(request, "bench/_progress.html", {"programme": found, **services.of_programme(found)})

"""An edition as one PDF, made from its frozen page in the work queue."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable

from django.conf import settings
from django.contrib.staticfiles.storage import staticfiles_storage
from django.db import transaction
from django.template.defaultfilters import filesizeformat
from django.template.loader import render_to_string
from django.urls import reverse

from comparisons.management.static import collect_if_needed
from comparisons.models import Edition, EditionReport

from .errors import NotReady
from .publishing import sha256

NO_LIBRARY = (
    "The PDF needs Debian's libraries libpango-1.0-0, libpangoft2-1.0-0 and libharfbuzz-subset0: install them with "
    "apt-get, then have it made from the editions' page."
)


def make_report(edition: Edition, *, fence: Callable[[], None] | None = None) -> EditionReport:
    """The PDF of an edition: made once, then the same for ever.

    `fence` is called inside the transaction that writes; it raises where the work was taken over. NotReady
    where the machine lacks the libraries that set the text.
    """
    if found := EditionReport.objects.filter(edition=edition).first():
        if fence is not None:
            fence()
        return found
    content, pages, engine = to_pdf(edition)
    with transaction.atomic():
        if fence is not None:
            fence()
        return EditionReport.objects.create(
            edition=edition, content=content, sha256=sha256(content), pages=pages, engine=engine
        )


def to_pdf(edition: Edition) -> tuple[bytes, int, str]:
    """(PDF, number of pages, what made it) of an edition's frozen page.

    Nothing is fetched but the app's own style sheets and the edition's own pictures.
    """
    try:
        from . import typesetting
    except OSError as error:  # a shared library is absent
        raise NotReady(NO_LIBRARY) from error
    _know_styles()
    html = render_to_string("public/report.html", _context(edition))
    with zipfile.ZipFile(io.BytesIO(bytes(edition.package))) as package:
        # an identifier of our own: it would be drawn at random
        return typesetting.to_pdf(html, _address(edition), package, edition.sha256[:32].encode())


def _know_styles() -> None:
    """A worker may be the first to print a page on its machine: the style sheets are collected, and known by name."""
    if hasattr(staticfiles_storage, "load_manifest"):
        collect_if_needed()
        staticfiles_storage.hashed_files, staticfiles_storage.manifest_hash = staticfiles_storage.load_manifest()


def _address(edition: Edition) -> str:
    return settings.PUBLIC_URL + reverse("edition", args=[edition.comparison.slug, edition.number])


def _context(edition: Edition) -> dict:
    slug, number = edition.comparison.slug, edition.number
    own = reverse("edition", args=[slug, number])
    return {
        "page": json.loads(bytes(edition.page)),
        "edition": edition,
        "editions": [edition],
        "canonical": settings.PUBLIC_URL + reverse("comparison", args=[slug]),
        "permanent": _address(edition),
        "zip_url": _address(edition) + "study.zip",
        "zip_size": filesizeformat(len(edition.package)),
        "results_url": _address(edition) + "results.json",
        "weights_url": reverse("edition-weights", args=[slug, number]),
        "charts_base": f"{own}charts/",
        "files_base": own,
    }

"""HTML to PDF by WeasyPrint, with nothing fetched from anywhere. Imported in workers only: it takes 50 MB."""

from __future__ import annotations

import logging
import mimetypes
import zipfile
from urllib.parse import unquote, urlsplit

import weasyprint
from django.conf import settings
from django.contrib.staticfiles import finders
from django.contrib.staticfiles.storage import staticfiles_storage
from weasyprint.urls import URLFetcher, URLFetcherResponse

# It warns of each rule that is for screens.
logging.getLogger("weasyprint").setLevel(logging.ERROR)


def to_pdf(html: str, address: str, package: zipfile.ZipFile, identifier: bytes) -> tuple[bytes, int, str]:
    """(PDF, number of pages, what made it) of a page that stands at `address`.

    Its style sheets are the app's own and its pictures those of `package`; the same page with the same
    identifier gives the same bytes.
    """
    fetcher = _Fetcher(urlsplit(address).path, package)
    document = weasyprint.HTML(string=html, base_url=address, url_fetcher=fetcher, media_type="print").render()
    content = document.write_pdf(pdf_identifier=identifier)
    return content, len(document.pages), f"weasyprint {weasyprint.__version__}"


class _Fetcher(URLFetcher):
    """Hands out style sheets and pictures; everything else is refused."""

    def __init__(self, base: str, package: zipfile.ZipFile):
        super().__init__(allowed_protocols=("http", "https"), fail_on_errors=False)
        self.base, self.package = base, package
        self.static = "/" + urlsplit(settings.STATIC_URL).path.lstrip("/")

    def fetch(self, url: str, headers=None):
        path = unquote(urlsplit(url).path)
        kind = mimetypes.guess_type(path)[0] or "application/octet-stream"
        return URLFetcherResponse(url, self._bytes(path), {"Content-Type": kind})

    def _bytes(self, path: str) -> bytes:
        if path.startswith(self.static):
            name = path.removeprefix(self.static)
            if staticfiles_storage.exists(name):
                with staticfiles_storage.open(name) as file:
                    return file.read()
            if found := finders.find(name):
                with open(found, "rb") as file:
                    return file.read()
        elif path.startswith(f"{self.base}files/"):
            wanted = path.removeprefix(self.base)
            for name in self.package.namelist():
                if name == wanted or name.endswith(f"/{wanted}"):
                    return self.package.read(name)
        raise ValueError(f"not part of the edition: {path}")

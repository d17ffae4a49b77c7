"""What machines are told of an edition: addresses for its JSON-LD, and the head of a page that is passed on."""

from __future__ import annotations

from urllib.parse import urlsplit

from django.conf import settings

from .public_finding import address


def facts(slug: str, edition: dict) -> dict:
    """Addresses, dates and digests of an edition, for `comparisons.pages.machine`."""
    number = edition["number"]
    edition_url = address("edition", slug, number)
    return {
        "edition_url": edition_url,
        "product_url": address("product", slug, "x").removesuffix("x/") + "{}/",
        "site_url": settings.PUBLIC_URL,
        "site_name": urlsplit(settings.PUBLIC_URL).hostname or "",
        "number": number,
        "published": edition["published_at"].date().isoformat(),
        "sha256": edition["sha256"],
        "zip_url": address("edition-data", slug, number),
        "zip_sha256": edition["package_sha256"],
        "zip_bytes": edition.get("zip_bytes"),
        "results_url": address("edition-results", slug, number),
        "results_sha256": edition["results_sha256"],
        "image": address("edition-picture", slug, number),
        "files_url": edition_url,
    }


def shared(slug: str, edition: dict, *, title: str, text: str, url: str) -> dict:
    """What is shown where a page's address is passed on (the Open Graph protocol)."""
    return {
        "title": title,
        "text": text,
        "url": url,
        "image": address("edition-picture", slug, edition["number"]),
        "image_alt": text,
    }

"""Whether a reader has seen a page already: one tag for what was published and how it is printed now."""

from __future__ import annotations

import hashlib
from functools import cache

from django.conf import settings
from django.utils.cache import get_conditional_response, patch_cache_control


@cache
def look() -> str:
    """A digest of all templates and assets: with them, what a page looks like changes."""
    digest = hashlib.sha256()
    root = settings.BASE_DIR / "templates"
    for path in sorted(p for p in root.rglob("*") if p.is_file()):
        digest.update(str(path.relative_to(root)).encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def tag(*parts) -> str:
    """An entity tag for a page that is made of these parts."""
    text = "\x1f".join([look(), *map(str, parts)])
    return f'"{hashlib.sha256(text.encode()).hexdigest()[:32]}"'


def unchanged(request, etag: str):
    """A 304 where the reader has this page already, else None."""
    response = get_conditional_response(request, etag=etag)
    return None if response is None else fresh(response, etag)


def fresh(response, etag: str):
    """A response that may be kept by anyone, and is asked about again each time."""
    response["ETag"] = etag
    patch_cache_control(response, public=True, no_cache=True)
    return response


def lasting(response, etag: str):
    """A response that never changes."""
    response["ETag"] = etag
    patch_cache_control(response, public=True, max_age=31_536_000, immutable=True)
    return response

"""Reading what a client got: text, elements, and what it cost in queries."""

from __future__ import annotations

import json
import re

from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.public.test_public_pages import Outline

ALLOWED = {
    "comparisons_edition", "comparisons_comparison", "comparisons_withdrawal", "comparisons_editionnotice",
    "comparisons_publishedtext",
}  # fmt: skip


_BLOCK = re.compile(r'<script type="application/ld\+json">(.*?)</script>', re.S)


def outline(client, path: str) -> Outline:
    """What a person reads of a page: without the data for machines."""
    response = client.get(path)
    assert response.status_code == 200, (path, response.status_code)
    return Outline(_BLOCK.sub("", response.content.decode()))


def linked_data(client, path: str) -> list[dict]:
    """The JSON-LD of a page, as a machine reads it."""
    return [json.loads(block) for block in _BLOCK.findall(client.get(path).content.decode())]


def text_of(client, path: str) -> str:
    return one_space("".join(outline(client, path).text))


def one_space(text: str) -> str:
    return " ".join(text.split())


def cost(client, path: str, *, warm: bool = False, **headers) -> list[str]:
    """The queries of a request, with nothing kept from before unless `warm`."""
    if not warm:
        cache.clear()
    with CaptureQueriesContext(connection) as caught:
        client.get(path, **headers)
    return [q["sql"] for q in caught.captured_queries]

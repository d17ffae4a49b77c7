"""The feed of editions and corrections, the map of the site, and what crawlers are told."""

from __future__ import annotations

from datetime import datetime
from urllib.parse import urlsplit
from xml.etree import ElementTree

import pytest

from comparisons.views.public_feeds import IN_FEED
from tests.public.frozen import demo, drop, freeze, small
from tests.public.reading import cost

pytestmark = pytest.mark.django_db
ATOM = "{http://www.w3.org/2005/Atom}"  # RFC 4287
MAP = "{http://www.sitemaps.org/schemas/sitemap/0.9}"


def feed(client) -> ElementTree.Element:
    response = client.get("/feed/")
    assert response["Content-Type"].startswith("application/atom+xml")
    return ElementTree.fromstring(response.content)


def test_the_feed_has_what_atom_requires(client, db):
    freeze(demo())
    root = feed(client)
    # RFC 4287, 4.1.1 and 4.1.2: feed and entries each have id, title and updated.
    assert root.tag == f"{ATOM}feed"
    for element in (root, *root.findall(f"{ATOM}entry")):
        for name in ("id", "title", "updated"):
            assert element.find(f"{ATOM}{name}").text
        datetime.fromisoformat(element.find(f"{ATOM}updated").text)
    ids = [e.find(f"{ATOM}id").text for e in root.findall(f"{ATOM}entry")]
    assert len(ids) == len(set(ids)) == 1
    for link in root.iter(f"{ATOM}link"):
        assert link.get("href").startswith("http://localhost:8000/")


def test_corrections_and_withdrawals_are_entries_that_say_what_and_why(client, db):
    freeze(small(), withdrawn="Two products were mixed up.")
    freeze(small(), correction="A price was wrong.", correction_why="A slip of the pen.", corrects_since=1)
    entries = feed(client).findall(f"{ATOM}entry")
    told = {e.find(f"{ATOM}title").text: e.find(f"{ATOM}summary").text for e in entries}
    assert len(told) == 3
    assert "Two products were mixed up." in told["Withdrawn: Strings, strings, edition 1"]
    corrected = told["Correction: Strings, strings, edition 2"]
    assert "wrong since edition 1: A price was wrong. A slip of the pen." in corrected
    assert "Strings, strings, edition 1" in told
    assert client.get(urlsplit(entries[0].find(f"{ATOM}link").get("href")).path).status_code == 200


def test_an_empty_feed_is_a_feed(client, db):
    assert feed(client).findall(f"{ATOM}entry") == []


def test_the_feed_is_bounded_costs_two_queries_and_answers_unchanged(client, db):
    for _ in range(IN_FEED + 3):
        freeze(small())
    assert len(feed(client).findall(f"{ATOM}entry")) == IN_FEED
    assert len(cost(client, "/feed/")) == 2
    assert len(cost(client, "/feed/", warm=True)) == 1
    etag = client.get("/feed/")["ETag"]
    assert client.get("/feed/", headers={"if-none-match": etag}).status_code == 304


def test_the_map_leads_to_every_public_page_and_each_answers(client, db):
    freeze(demo())
    freeze(small(products=3))
    freeze(small(products=3), edit=drop("p02"))
    root = ElementTree.fromstring(client.get("/sitemap.xml").content)
    assert root.tag == f"{MAP}urlset"
    places = [element.text for element in root.iter(f"{MAP}loc")]
    assert len(places) == len(set(places))
    paths = set()
    for place in places:
        assert place.startswith("http://localhost:8000/")
        paths.add(urlsplit(place).path)
    for path in paths:
        assert client.get(path).status_code == 200, path
    assert {"/", "/kinds/cable-tie/", "/c/strings/", "/c/strings/products/p01/", "/c/strings/methods/pull-by-hand/",
            "/c/strings/data/", "/c/strings/editions/", "/c/cable-ties/products/yulbrake/"} <= paths  # fmt: skip
    assert "/c/strings/products/p02/" not in paths
    assert len(cost(client, "/sitemap.xml")) == 2


def test_crawlers_are_told_of_the_map_and_kept_from_the_desk(client, db):
    text = client.get("/robots.txt").content.decode()
    assert "Sitemap: http://localhost:8000/sitemap.xml" in text.splitlines()
    for name in ("desk", "bench", "api", "search"):
        assert f"Disallow: /{name}/" in text.splitlines()
    assert "Disallow: /c/" not in text

"""The front page, kinds, and search over what is published."""

from __future__ import annotations

import re

import pytest
from django.core.management import call_command
from django.db import connection

from comparisons.models import PublishedText
from comparisons.published_search import MOST_FOUND, MOST_WORDS, index_edition, look_for, texts_of, words_of
from tests.public.frozen import demo, freeze, parts_of, small
from tests.public.reading import ALLOWED, cost, outline, text_of

pytestmark = pytest.mark.django_db


def found(query: str) -> set[tuple[str, str]]:
    return {(row["kind"], row["name"]) for row in look_for(query)[0]}


@pytest.fixture
def both(db):
    return freeze(demo()), freeze(small(products=3))


def test_the_front_page_has_the_answers_kinds_and_the_way_to_search(client, both):
    text = text_of(client, "/")
    assert "Cable ties of 4.8 mm" in text and "Strings, strings" in text
    found = outline(client, "/")
    assert {"kinds/cable-tie/", "feed/", ""} <= {a.get("href", "/").lstrip("/") for a in found.all("a")}
    (form,) = found.all("form")
    assert form["action"] == "/search/" and form["method"] == "get"
    assert [a["type"] for a in found.all("link") if a.get("rel") == "alternate"] == ["application/atom+xml"]


def test_a_kind_shows_its_comparisons_alone(client, both):
    text = text_of(client, "/kinds/cable-tie/")
    assert "Cable ties of 4.8 mm" in text and "Strings, strings" not in text
    assert client.get("/kinds/none/").status_code == 404
    assert client.get("/kinds/%3Cb%3E/").status_code == 404


@pytest.mark.parametrize("path", ["/", "/kinds/cable-tie/"])
def test_two_queries_and_one_where_they_are_kept(client, both, path):
    assert len(cost(client, path)) == 2
    assert len(cost(client, path, warm=True)) == 1
    etag = client.get(path)["ETag"]
    assert client.get(path, headers={"if-none-match": etag}).status_code == 304


def test_a_withdrawn_or_corrected_edition_says_so_on_the_front_page(client, db):
    freeze(small(), withdrawn="The gauge was wrong.")
    assert "The gauge was wrong." in text_of(client, "/")
    freeze(small(), correction="A price was wrong.", correction_why="A slip.", corrects_since=1)
    text = text_of(client, "/")
    assert "A price was wrong." in text and "The gauge was wrong." not in text


@pytest.mark.parametrize(
    ("query", "kind", "name"),
    [
        ("brellund", "product", "Brellund BT 300"),
        ("BRELL", "product", "Brellund BT 300"),
        ("300 bt", "product", "Brellund BT 300"),
        ("insertion", "property", "Insertion force"),
        ("IEC 62275", "method", "Loop tensile strength on a hand-driven stand"),
        ("ullvane string 02", "product", "Ullvane String 02"),
        ("cable ties", "comparison", "Cable ties of 4.8 mm (demo with invented data)"),
    ],
)
def test_products_makers_properties_and_methods_are_found(both, query, kind, name):
    assert (kind, name) in found(query)


def test_every_word_has_to_begin_one(both):
    assert found("brellund insertion") == set()
    assert found("rellund") == set()
    assert found("") == found("  %_ '\";--") == set()


def test_accents_and_case_do_not_matter(both):
    edition = both[1]
    _, page, _ = parts_of(small(products=3))
    page = page | {"title": "Überwürfe für Straße"}
    index_edition(edition, page)
    for query in ("uberwurfe", "ÜBERWÜRFE", "strasse", "Straße"):
        assert ("comparison", "Überwürfe für Straße") in found(query)


def test_only_the_newest_edition_is_looked_through(db):
    freeze(small(products=3))
    assert ("product", "Ullvane String 02") in found("ullvane")
    freeze(small(products=2))
    assert ("product", "Ullvane String 02") not in found("ullvane")
    assert PublishedText.objects.values("edition__number").distinct().count() == 1


def test_publishing_writes_what_is_looked_for(cast):
    from tests.public.staging import published

    published(cast)
    assert ("product", "Ullvane String 00") in found("ullvane")


@pytest.mark.parametrize(
    "query",
    [
        "q=", "q=%00", "q=" + "a" * 100_000, "q=%27%20OR%201%3D1--", "q=<script>alert(1)</script>", "q=%FF%FE",
        "&".join(f"q=x{i}" for i in range(10_000)), "q=" + "+".join("ab" for _ in range(50)), "x=1",
        "q=a:*&q=b", "q=(((",
        "q=%25", "q=_", "q=\\",
    ],
)  # fmt: skip
def test_any_query_is_answered(client, both, query):
    answer = client.get(f"/search/?{query}")
    html = answer.content.decode()
    assert answer.status_code == 200 and "<script>alert" not in html
    assert len(cost(client, f"/search/?{query}")) <= 2


def test_search_says_what_it_found_and_where_it_stands(client, both):
    found = outline(client, "/search/?q=loop+tensile")
    links = [a["href"] for a in found.all("a") if a["href"].startswith("/c/")]
    assert "/c/cable-ties/methods/loop-pull/" in links and "/c/cable-ties/#trial-loop-dry" in links
    for link in links:
        assert client.get(link.partition("#")[0]).status_code == 200
    anchors = {a.get("id") for _, a in outline(client, "/c/cable-ties/").elements}
    assert {link.partition("#")[2] for link in links if "#" in link} <= anchors
    nothing = text_of(client, "/search/?q=zzz")
    assert "Nothing that is published has words that begin with: zzz." in nothing
    assert "noindex" in client.get("/search/?q=zzz").content.decode()


def test_no_more_than_a_hundred_are_shown_and_that_is_said(client, both):
    edition = both[1]
    PublishedText.objects.bulk_create(
        PublishedText(edition=edition, kind="product", code=f"x{i}", name=f"Thing {i}", text=f" thing {i}")
        for i in range(MOST_FOUND + 5)
    )
    text = text_of(client, "/search/?q=thing")
    assert f"More than {MOST_FOUND} found" in text and len(cost(client, "/search/?q=thing")) == 2


def test_words_are_bounded():
    assert len(look_for(" ".join(f"w{i}" for i in range(50)))[1]) == MOST_WORDS
    assert words_of("K-280 (4.8 mm)_x") == ["k", "280", "4", "8", "mm", "x"]


def test_what_was_published_before_there_was_a_search_is_found_after_the_migration(both):
    from importlib import import_module

    from django.apps import apps

    before = set(PublishedText.objects.values_list("edition", "kind", "code", "name", "text"))
    PublishedText.objects.all().delete()
    import_module("comparisons.migrations.0005_search").index_published(apps, None)
    assert set(PublishedText.objects.values_list("edition", "kind", "code", "name", "text")) == before
    assert len(before) == sum(len(texts_of(parts_of(t)[1])) for t in (demo(), small(products=3)))


def test_public_lists_read_what_is_published_alone(client, both):
    for path in ("/", "/search/?q=loop", "/feed/", "/sitemap.xml", "/c/strings/editions/", "/c/strings/products/p00/"):
        for sql in cost(client, path):
            assert set(re.findall(r'(?:FROM|JOIN) "(\w+)"', sql)) <= ALLOWED, sql


PAGES = [
    "/", "/search/?q=loop", "/c/cable-ties/products/brellund/", "/c/cable-ties/side-by-side/?p=brellund&p=skarnfold",
    "/c/cable-ties/methods/loop-pull/", "/c/cable-ties/data/", "/c/cable-ties/editions/", "/c/cable-ties/embed/",
]  # fmt: skip


@pytest.mark.parametrize("path", PAGES)
def test_pages_keep_the_policy_and_good_order(client, both, path):
    response = client.get(path)
    assert "unsafe" not in response["Content-Security-Policy"] and "Set-Cookie" not in response.headers
    found = outline(client, path)
    assert not [a for _, a in found.elements if "style" in a or any(name.startswith("on") for name in a)]
    assert not found.all("style") and not found.all("script")
    names = [name for name, _ in found.elements]
    levels = [int(name[1]) for name in names if re.fullmatch(r"h[1-6]", name)]
    assert levels.count(1) == 1 and all(b - a <= 1 for a, b in zip(levels, levels[1:], strict=False))
    ids = [a["id"] for _, a in found.elements if a.get("id")]
    assert len(ids) == len(set(ids))
    for _, attrs in found.elements:
        assert attrs.get("aria-labelledby") is None or set(attrs["aria-labelledby"].split()) <= set(ids)
    inside = {a["href"][1:] for a in found.all("a") if a.get("href", "").startswith("#")}
    assert inside <= set(ids)
    assert client.post(path).status_code == 405 and client.head(path).status_code == 200


def test_every_link_of_these_pages_leads_somewhere(client, both):
    places, anchors = set(), {}
    for path in PAGES:
        for a in outline(client, path).all("a"):
            place = a["href"].removeprefix("http://localhost:8000").partition("#")
            places.add(place[0] or path.partition("?")[0])
            anchors.setdefault(place[0], set()).add(place[2])
    assert len(places) > 40
    for place in places - {"/desk/"}:
        assert client.get(place).status_code == 200, place
    for place in ("/c/cable-ties/", "/c/cable-ties/editions/1/"):
        ids = {a.get("id") for _, a in outline(client, place).elements}
        assert anchors.get(place, set()) - {""} <= ids


def test_the_model_has_its_migration():
    call_command("makemigrations", "comparisons", "--check", "--dry-run", verbosity=0)
    assert PublishedText._meta.db_table in connection.introspection.table_names()

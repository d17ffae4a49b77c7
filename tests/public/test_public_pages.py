"""Public pages: from frozen editions alone, in two queries, without a session, without a script."""

from __future__ import annotations

import hashlib
import io
import json
import re
import zipfile
from html.parser import HTMLParser

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext

from comparisons.models import Comparison, Deviation, Evaluation
from comparisons.services.record import record
from specimens.models import Purchase
from tests.public.staging import publish, published

pytestmark = pytest.mark.django_db
PAGES = ["/", "/c/strings/", "/c/strings/editions/1/"]
# Editions, and what was said of them since; nothing of the draft.
READ = {"comparisons_edition", "comparisons_comparison", "comparisons_withdrawal", "comparisons_editionnotice"}
PARTS = ["study.zip", "results.json", "charts/ranking-all.json"]


class Outline(HTMLParser):
    """What a page holds: its elements with attributes, headings, and text."""

    def __init__(self, html: str):
        super().__init__()
        self.elements: list[tuple[str, dict]] = []
        self.text: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text.append(data)

    def all(self, tag):
        return [attrs for name, attrs in self.elements if name == tag]


def html_of(client, path: str) -> str:
    response = client.get(path)
    assert response.status_code == 200
    return response.content.decode()


def queries_of(client, path: str, **headers) -> list[str]:
    cache.clear()
    with CaptureQueriesContext(
        connection,
    ) as caught:
        client.get(path, **headers)
    return [q["sql"] for q in caught.captured_queries]


def test_the_answer_comes_first_and_everything_is_there_without_script(client, edition):
    html = html_of(client, "/c/strings/")
    page = json.loads(bytes(edition.page))
    outline = Outline(html)
    text = " ".join("".join(outline.text).split())
    assert text.index(page["answer"]["lead"]) < text.index("The ranking")
    assert " ".join(page["answer"]["sure"].split()) in text
    headings = [
        "The ranking",
        "What was promised, what was measured",
        "What was measured",
        "What changed under strain",
        "What it costs",
        "How it was tested",
        "What was bought",
        "The plan, and where it was left",
        "The data, and how to check us",
        "Editions",
    ]
    for heading in headings:
        assert heading in text
    tables = [*page["trials"], *page["changes"], *page["claims"], *page["rankings"]]
    rows = sum(len(table["rows"]) for table in tables)
    drawn = sum(bool(row["svg"]) for table in tables for row in table["rows"])
    assert len(re.findall(r'<svg class="range"[^>]* role="img"', html)) == drawn > 10
    assert len(outline.all("tr")) > rows


def test_numbers_on_the_page_are_the_frozen_documents(client, edition):
    text = " ".join("".join(Outline(html_of(client, "/c/strings/")).text).split())
    page = json.loads(bytes(edition.page))
    for table in page["trials"]:
        for row in table["rows"]:
            assert row["value"]["text"] in text
            assert " ".join(row["likely"].split()) in text
            assert row["n"] in text


def test_lent_items_hazards_and_cautions_are_told(client, edition):
    text = " ".join("".join(Outline(html_of(client, "/c/strings/")).text).split())
    assert "Lent" in text
    assert "Hazardous work." in text and "local fire, electrical and workplace codes" in text
    assert text.index("wear eye protection") < text.index("Knot it.")
    assert "Departs from ISO 2062." in text
    assert "We stand by it." in text and "Not for print." not in text
    assert "planner-a" not in text and "op-a" not in text


@pytest.mark.parametrize("path", PAGES)
def test_pages_keep_the_policy(client, edition, path):
    response = client.get(path)
    html = response.content.decode()
    policy = response["Content-Security-Policy"]
    assert "script-src 'self'" in policy and "unsafe" not in policy and "default-src 'self'" in policy
    outline = Outline(html)
    assert not [attrs for _, attrs in outline.elements if "style" in attrs or any(a.startswith("on") for a in attrs)]
    assert not outline.all("style")
    data = {"application/json", "application/ld+json"}
    assert all(attrs.get("src") or attrs.get("type") in data for attrs in outline.all("script"))
    for _, attrs in outline.elements:
        for name in ("href", "src", "action", "data-chart", "data-library", "data-style"):
            address = attrs.get(name) or "/"
            own = address.startswith(("/", "#", "http://localhost"))
            assert own and not address.startswith("//"), address
    assert "Set-Cookie" not in response.headers


def test_a_page_has_landmarks_a_skip_link_and_ordered_headings(client, edition):
    outline = Outline(html_of(client, "/c/strings/"))
    names = [name for name, _ in outline.elements]
    for landmark in ("header", "main", "footer", "nav"):
        assert landmark in names
    assert outline.all("html")[0]["lang"] == "en"
    assert outline.elements[names.index("body") + 1][1]["href"] == "#content"
    levels = [int(n[1]) for n in names if re.fullmatch(r"h[1-6]", n)]
    assert levels.count(1) == 1 and levels[0] == 1
    assert all(b - a <= 1 for a, b in zip(levels, levels[1:], strict=False))
    ids = [attrs["id"] for _, attrs in outline.elements if attrs.get("id")]
    assert len(ids) == len(set(ids))
    inside = {attrs["href"][1:] for attrs in outline.all("a") if attrs.get("href", "").startswith("#")}
    assert inside <= set(ids)


@pytest.mark.parametrize("path", PAGES)
def test_two_queries_whatever_the_size(client, cast, path):
    published(cast, products=2, per_unit=1)
    few = queries_of(client, path)
    # the editions of a comparison (or the newest of each); the one that is printed
    assert len(few) == 2, few
    published(cast, "cords", products=7, units=3, per_unit=4)
    published(cast, "laces", products=5)
    assert len(queries_of(client, path)) == 2
    assert len(queries_of(client, path.replace("strings", "cords"))) == 2


@pytest.mark.parametrize("path", PAGES)
def test_one_query_where_the_reader_has_the_page_or_it_is_kept(client, edition, path):
    etag = client.get(path)["ETag"]
    answer = client.get(path, headers={"if-none-match": etag})
    assert answer.status_code == 304
    assert not answer.content
    assert len(queries_of(client, path, headers={"if-none-match": etag})) == 1
    client.get(path)
    with CaptureQueriesContext(connection) as caught:
        client.get(path)
    assert len(caught) == 1


@pytest.mark.parametrize("part", PARTS)
def test_parts_of_an_edition_never_change_and_cost_two_queries(client, edition, part):
    path = f"/c/strings/editions/1/{part}"
    response = client.get(path)
    assert response.status_code == 200
    assert "immutable" in response["Cache-Control"]
    assert len(queries_of(client, path)) == 2
    again = client.get(path, headers={"if-none-match": response["ETag"]})
    assert again.status_code == 304
    assert len(queries_of(client, path, headers={"if-none-match": response["ETag"]})) == 1


def test_the_zip_and_the_results_are_the_frozen_bytes_with_the_digest_on_the_page(client, edition):
    package = client.get("/c/strings/editions/1/study.zip")
    results = client.get("/c/strings/editions/1/results.json")
    html = html_of(client, "/c/strings/")
    assert hashlib.sha256(package.content).hexdigest() == edition.package_sha256
    assert hashlib.sha256(results.content).hexdigest() == edition.results_sha256
    for digest in (edition.package_sha256, edition.results_sha256, edition.sha256):
        assert digest in html
    assert package["Content-Disposition"] == 'attachment; filename="strings-edition-1.zip"'
    assert "readings.csv" in " ".join(zipfile.ZipFile(io.BytesIO(package.content)).namelist())
    assert json.loads(results.content)["schema"] == "evenhand-results/1"


def change(comparison, cast, price: str) -> None:
    Purchase.objects.filter(code="p00-shop", programme__in=comparison.programmes.all()).update(price=price)
    record(cast["bench-member"], "changed a purchase", comparison=comparison, changes_draft=True)


def test_an_older_edition_says_that_a_newer_exists(client, edition, cast):
    comparison = edition.comparison
    first = html_of(client, "/c/strings/")
    assert "A newer edition exists" not in first
    change(comparison, cast, "9.00")
    second = publish(comparison, cast)
    assert second.number == 2
    old = html_of(client, "/c/strings/editions/1/")
    assert "A newer edition exists" in old
    assert "0.450\u00a0EUR" in old and "0.900\u00a0EUR" not in old
    new = html_of(client, "/c/strings/")
    assert "A newer edition exists" not in new
    assert "0.900\u00a0EUR" in new
    assert "/c/strings/editions/1/" in new and "/c/strings/editions/2/" in new


def test_a_published_page_does_not_follow_the_draft(client, edition, cast):
    before = html_of(client, "/c/strings/")
    change(edition.comparison, cast, "9.00")
    Comparison.objects.filter(slug="strings").update(title="Renamed", article="New words.")
    cache.clear()
    assert html_of(client, "/c/strings/") == before
    assert "Renamed" not in html_of(client, "/") + client.get("/api/comparisons/").content.decode()


def test_public_pages_read_no_table_but_editions_and_comparisons(client, edition):
    for path in [*PAGES, *(f"/c/strings/editions/1/{part}" for part in PARTS)]:
        for sql in queries_of(client, path):
            tables = set(re.findall(r'(?:FROM|JOIN) "(\w+)"', sql))
            assert tables <= READ, sql


def test_what_is_not_published_is_not_there(client, cast):
    from tests.public.staging import evaluated

    evaluated("cords")
    assert Evaluation.objects.exists()
    for path in ("/c/cords/", "/c/cords/editions/1/", "/c/cords/editions/1/study.zip", "/c/nothing/", "/nothing"):
        answer = client.get(path)
        assert answer.status_code == 404
        assert "There is nothing at this address" in answer.content.decode()
    assert "cords" not in html_of(client, "/")


@pytest.mark.parametrize(
    "path", ["2/", "2/results.json", "1/charts/none.json", "1/files/none.png", "1/files/../comparison.toml"]
)
def test_an_edition_or_a_part_that_is_not_there(client, edition, path):
    assert client.get(f"/c/strings/editions/{path}").status_code == 404


def test_pictures_of_an_edition_are_shown_and_other_files_only_handed_over(client, cast):
    from pathlib import Path

    from comparisons.folder.importer import import_study

    demo = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
    publish(import_study(demo), cast)
    html = html_of(client, "/c/cable-ties/")
    shown = Outline(html).all("img")
    assert len(shown) > 1 and all(attrs["alt"] for attrs in shown)
    for attrs in shown:
        picture = client.get(attrs["src"])
        assert picture["Content-Type"] == "image/png"
        assert picture.content.startswith(b"\x89PNG")
        assert picture["X-Content-Type-Options"] == "nosniff"


def test_deviations_of_the_plan_are_told(client, edition, cast):
    assert Deviation.objects.count() == 1
    text = " ".join("".join(Outline(html_of(client, "/c/strings/")).text).split())
    assert "trial lit, from 5 to 2. Hood booked." in text


def test_the_front_page_without_anything_published(client, db):
    assert "Nothing is published yet." in html_of(client, "/")


def test_only_reading_is_possible(client, edition):
    for path in [*PAGES, "/health/", "/robots.txt"]:
        assert client.post(path).status_code == 405
        assert client.head(path).status_code == 200


def test_health_and_robots(client, db):
    assert client.get("/health/").json() == {"ok": True}
    assert "no-store" in client.get("/health/")["Cache-Control"]
    assert "Disallow: /desk/" in client.get("/robots.txt").content.decode()

"""The data page: files with their digests, table by table, and a code book that leaves no column out."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile

import pytest

from comparisons.folder.spec import SPEC
from comparisons.pages import codebook
from tests.public.frozen import demo, freeze
from tests.public.reading import cost, outline, text_of

pytestmark = pytest.mark.django_db
DATA = "/c/cable-ties/data/"


@pytest.fixture
def ties(db):
    return freeze(demo())


def test_the_whole_files_are_the_frozen_bytes_with_their_digests(client, ties):
    text = text_of(client, DATA)
    for name, part in (("study.zip", "package"), ("results.json", "results"), ("page.json", "page")):
        sent = client.get(f"/c/cable-ties/editions/1/{name}")
        assert sent.content == bytes(getattr(ties, part))
        assert hashlib.sha256(sent.content).hexdigest() in text
        assert "immutable" in sent["Cache-Control"]
    assert ties.sha256 in text
    assert json.loads(client.get("/c/cable-ties/editions/1/page.json").content)["schema"] == "evenhand-page/1"


def test_each_table_is_there_with_its_rows_and_digest(client, ties):
    zipped = zipfile.ZipFile(io.BytesIO(bytes(ties.package)))
    names = [name for name in zipped.namelist() if name.endswith(".csv")]
    found = outline(client, DATA)
    text = " ".join("".join(found.text).split())
    links = [a["href"] for a in found.all("a") if a.get("href", "").endswith(".csv")]
    assert len(links) == len(names) > 15
    for link in links:
        sent = client.get(link)
        (inside,) = [n for n in names if n.rpartition("/")[2] == link.rpartition("/")[2]]
        assert sent.content == zipped.read(inside)
        assert hashlib.sha256(sent.content).hexdigest() in text
        rows = len(list(csv.DictReader(io.StringIO(sent.content.decode("utf-8-sig")))))
        assert f"{inside.rpartition('/')[2]}{rows} rows" in text.replace("csv ", "csv")
        assert sent["Content-Disposition"].startswith("attachment") and sent["X-Content-Type-Options"] == "nosniff"


def test_names_of_people_are_not_in_the_tables(client, ties):
    readings = client.get("/c/cable-ties/editions/1/tables/readings.csv").content.decode()
    assert {row["operator"] for row in csv.DictReader(io.StringIO(readings))} <= {
        "", *(f"person-{i}" for i in range(1, 20))
    }  # fmt: skip


def test_how_to_check_to_cite_and_under_which_licence(client, ties):
    text = text_of(client, DATA)
    assert "python manage.py verify cable-ties-edition-1.zip" in text
    assert "CC0 1.0 Universal" in text and "https://creativecommons.org/publicdomain/zero/1.0/" in text
    assert f"/c/cable-ties/editions/1/, SHA-256 {ties.sha256[:16]}…" in text
    assert f"seed {demo().comparison['seed']}" in text


def test_the_code_book_has_every_column_and_no_other():
    for name, spec in SPEC.items():
        assert codebook.table_meaning(name)
        told = codebook.columns(name)
        assert [one["name"] for one in told] == [column.name for column in spec.columns]
        assert all(one["meaning"] and one["kind"] for one in told)
        for column, one in zip(spec.columns, told, strict=True):
            assert all(choice in one["kind"] for choice in column.choices)
    for name, meanings in codebook._COLUMNS.items():
        assert set(meanings) <= set(SPEC[name].by_name)


def test_the_code_book_on_the_page_covers_the_tables_of_the_study(client, ties):
    text = text_of(client, DATA)
    for name in ("readings", "claims", "purchases"):
        for one in codebook.columns(name):
            assert one["meaning"][1:] in text


def test_two_queries_and_one_where_the_reader_has_it(client, ties):
    for path in (DATA, "/c/cable-ties/editions/1/data/"):
        assert len(cost(client, path)) == 2
        etag = client.get(path)["ETag"]
        assert len(cost(client, path, warm=True, headers={"if-none-match": etag})) == 1
    client.get("/c/cable-ties/methods/size/")  # the edition is known in short, its tables are not
    assert len(cost(client, "/c/cable-ties/editions/1/tables/units.csv")) == 2


def test_the_data_page_after_another_page_of_the_edition_costs_two(client, ties):
    from django.core.cache import cache

    cache.clear()
    client.get("/c/cable-ties/methods/size/")
    assert len(cost(client, DATA, warm=True)) == 2


@pytest.mark.parametrize(
    "path",
    ["editions/1/tables/none.csv", "editions/1/tables/left_out.csv", "editions/9/tables/units.csv",
     "editions/999/data/", "editions/1/tables/..%2Fcomparison.csv"],
)  # fmt: skip
def test_what_is_not_there_is_told_so(client, ties, path):
    assert client.get(f"/c/cable-ties/{path}").status_code == 404

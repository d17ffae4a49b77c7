"""Out again what came in: import of an export gives equal tables, and every field is accounted for."""

from __future__ import annotations

import io
import json
import tomllib
import zipfile
from decimal import Decimal
from pathlib import Path

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from frictionless import Package, system
from hypothesis import given, settings
from hypothesis import strategies as st

from comparisons.folder import toml
from comparisons.folder.digest import content_digest, inputs_digest
from comparisons.folder.exporter import tables_from_db, write_folder, write_zip
from comparisons.folder.faults import Faults
from comparisons.folder.importer import import_study
from comparisons.folder.read import _parse, read_study
from comparisons.folder.spec import SPEC
from comparisons.folder.tables import Table, differences
from comparisons.folder.write import csv_bytes
from comparisons.models import Comparison, ComparisonProgramme

from . import rich

pytestmark = pytest.mark.django_db
FIXTURES = Path(__file__).parents[2] / "fixtures"


def zip_bytes(tables) -> bytes:
    out = io.BytesIO()
    write_zip(tables, out)
    return out.getvalue()


@pytest.mark.parametrize("name", ["rich", "demo", "insect-sprays"])
def test_import_of_an_export_gives_equal_tables(name, tmp_path):
    path = rich.write(tmp_path / "rich") if name == "rich" else FIXTURES / name
    given = read_study(path)
    exported = tables_from_db(import_study(path))
    assert differences(given, exported) == []
    assert content_digest(given) == content_digest(exported)

    write_folder(exported, tmp_path / "out")
    assert differences(read_study(tmp_path / "out"), given) == []
    again = import_study(io.BytesIO(zip_bytes(exported)), slug="again")
    second = tables_from_db(again)
    second.comparison["slug"] = given.comparison["slug"]
    assert differences(second, given) == []
    assert inputs_digest(second) == inputs_digest(given)


def test_the_rich_study_fills_every_column():
    """Or the round trip above would show nothing of the columns that it leaves blank."""
    tables = read_study(rich.zipped())
    assert [(n, c) for n in SPEC for c in tables[n].columns if not any(tables[n][c])] == []


def test_numbers_and_times_keep_their_text():
    tables = tables_from_db(import_study(rich.zipped()))
    assert tables["readings"]["value"][3:5] == ["1700.50", "1e3"]
    assert "2026-01-09 08:20" in tables["readings"]["taken_at"]
    assert tables["purchases"]["price"] == ["12.50", ""]
    assert str(tables.comparison["decision"]["confidence"]) == "0.950"
    assert str(tables.comparison["criterion"][0]["ceiling"]) == "1E+3"


def test_the_same_study_gives_the_same_bytes(tmp_path):
    comparison = import_study(rich.zipped())
    first, second = zip_bytes(tables_from_db(comparison)), zip_bytes(tables_from_db(comparison))
    assert first == second
    with zipfile.ZipFile(io.BytesIO(first)) as archive:
        assert archive.namelist() == sorted(archive.namelist())
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert b"\r" not in archive.read("readings.csv")
    write_folder(tables_from_db(comparison), tmp_path / "a")
    with zipfile.ZipFile(io.BytesIO(first)) as archive:
        for name in archive.namelist():
            assert (tmp_path / "a" / name).read_bytes() == archive.read(name)


CELL = st.text(
    st.characters(exclude_categories=["Cs", "Cc"], include_characters="\n\r\t\",;'"), max_size=20
).map(str.strip)


@settings(max_examples=300)
@given(st.lists(st.tuples(CELL, CELL, CELL), min_size=1, max_size=4))
def test_any_text_in_a_cell_comes_back_from_csv(rows):
    rows = [(f"p{i}", *row, "") for i, row in enumerate(rows)]
    table = Table.from_rows("products", rows)
    again = _parse(SPEC["products"], io.BytesIO(csv_bytes(table)), Faults())
    assert again == table


@settings(max_examples=300)
@given(st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00")).map(str.strip))
def test_any_text_comes_back_from_comparison_toml(text):
    written = toml.write({"slug": "a", "title": text or "x", "question": "q", "seed": 1})
    assert tomllib.loads(written)["title"] == (text or "x")


@given(st.decimals(allow_nan=False, allow_infinity=False))
def test_any_number_comes_back_from_comparison_toml(number):
    written = toml.write({"criterion": [{"id": "a", "floor": number}]})
    assert Decimal(tomllib.loads(written, parse_float=str)["criterion"][0]["floor"]) == number


@pytest.mark.parametrize("public", [False, True])
@pytest.mark.parametrize("name", ["rich", "demo", "insect-sprays"])
def test_the_export_is_a_valid_data_package(name, public, tmp_path):
    """By frictionless, the reference implementation of the standard: profile, schemas, keys, hashes, rows."""
    comparison = import_study(rich.zipped() if name == "rich" else FIXTURES / name)
    write_folder(tables_from_db(comparison, public=public), tmp_path / "out")
    with system.use_context(trusted=True):
        report = Package(str(tmp_path / "out" / "datapackage.json")).validate()
    assert report.valid, report.flatten(["name", "rowNumber", "fieldName", "message"])
    described = json.loads((tmp_path / "out" / "datapackage.json").read_bytes())
    assert {r["path"] for r in described["resources"]} == {p.name for p in (tmp_path / "out").glob("*.csv")}


def test_what_the_package_says_of_itself_comes_back(tmp_path):
    write_folder(tables_from_db(import_study(rich.zipped())), tmp_path / "out")
    described = json.loads((tmp_path / "out" / "datapackage.json").read_bytes())
    assert described["licenses"][0]["name"] == "CC0-1.0"
    assert described["title"] == "Hose clamps, the data"
    assert described["name"] == "hose-clamps"


def test_export_takes_the_same_queries_whatever_the_size():
    counts = []
    for comparison in (import_study(rich.zipped()), import_study(FIXTURES / "demo")):
        with CaptureQueriesContext(connection) as queries:
            tables_from_db(comparison)
        counts.append(len(queries))
    assert counts[0] == counts[1] <= 33


def test_a_folder_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    from comparisons.folder import write
    from comparisons.folder.faults import StudyError

    tables = read_study(rich.zipped())
    (tmp_path / "taken").mkdir()
    (tmp_path / "taken" / "x").write_text("mine")
    with pytest.raises(StudyError, match="expected a new or empty folder"):
        write_folder(tables, tmp_path / "taken")
    monkeypatch.setattr(write.package, "describe", lambda *a: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_folder(tables, tmp_path / "new")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["taken"]


# --- several programmes in one comparison


@pytest.fixture
def two_years():
    """Last year's study and this year's, of the same clamps on the same stand, judged together."""
    last = import_study(rich.zipped(), slug="clamps-25")
    this = import_study(rich.zipped(), slug="clamps-26")
    both = Comparison.objects.create(slug="both", title="Both", question="Which?", currency="EUR")
    for prefix, comparison in (("y25", last), ("y26", this)):
        ComparisonProgramme.objects.create(
            comparison=both, prefix=prefix, programme=comparison.programmes.get()
        )
    return both


def test_several_programmes_get_prefixes_and_share_what_is_the_teams(two_years):
    tables = tables_from_db(two_years)
    assert tables["trials"]["trial"][0] == "y25.edge"
    trials = ("edge", "grip-dry", "grip-wet", "holds", "width")  # those with readings
    assert set(tables["readings"]["trial"]) == {f"y{year}.{trial}" for year in (25, 26) for trial in trials}
    assert tables["products"]["product"] == ["y25.alder", "y25.birch"]
    assert "y25.stand" in tables["instruments"]["instrument"]
    assert tables["instruments"]["instrument"].count("y26.stand") == 0
    assert "y26.slip" in tables["readings"]["failure_mode"]
    assert "files/y26/trace-q1.csv" in tables["readings"]["trace"]
    assert len(tables.files) == 12


def test_several_programmes_in_one_can_be_imported_again(two_years, tmp_path):
    tables = tables_from_db(two_years)
    write_folder(tables, tmp_path / "both")
    again = tables_from_db(import_study(tmp_path / "both", slug="again"))
    again.comparison["slug"] = "both"
    assert differences(again, tables) == []

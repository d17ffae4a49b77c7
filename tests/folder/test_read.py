# ruff: noqa: E501  (rows of tables and lines as they are told)
"""Reading a study folder: what is wrong is told, all at once, in one clear line each."""

from __future__ import annotations

import io
import os
import random
import stat
import struct
import zipfile
import zlib
from pathlib import Path

import pytest

from comparisons.folder import read as reading
from comparisons.folder import source
from comparisons.folder.faults import StudyError
from comparisons.folder.read import read_study
from comparisons.folder.tables import differences
from comparisons.models import Comparison
from specimens.models import Product, Programme

from . import rich


def lines(spoilt: dict[str, bytes | None]) -> list[str]:
    with pytest.raises(StudyError) as error:
        read_study(rich.zipped(spoilt))
    assert all("\n" not in line for line in error.value.lines)
    return error.value.lines


def swap(path: str, old: str, new: str) -> dict[str, bytes]:
    """The study with one text in one file exchanged."""
    data = rich.files()[path].decode()
    assert old in data, f"{old!r} is not in {path}"
    return {path: data.replace(old, new, 1).encode()}


def test_a_sound_study_has_no_fault_whether_folder_or_zip(tmp_path):
    folder = read_study(rich.write(tmp_path / "study"))
    assert differences(folder, read_study(rich.zipped())) == []
    assert differences(folder, read_study(rich.zipped(inside="my study/"))) == []


# One spoilt thing each: (file, what stands there, what is put there, the line that tells it).
CELLS = [
    ("readings.csv", "1700.50", '"1700,50"',
     "readings.csv, row 2, column value: found “1700,50”, expected a point and no comma in a number"),
    ("readings.csv", "1700.50", '"1,700.50"', "row 2, column value: found “1,700.50”, expected a point and no comma"),
    ("readings.csv", "1700.50", "1700,50", "readings.csv, row 2: found 25 cells, expected 24 as in the header"),
    ("readings.csv", "7563", "NaN", "row 4, column value: found “NaN”, expected a number"),
    ("readings.csv", "7563", "1_000", "expected a number such as 12.5"),
    ("readings.csv", "7563", "٣٤", "expected a number such as 12.5"),
    ("readings.csv", "7563", "1e999", "column value: found “1e999”, expected a number of ordinary size"),
    ("readings.csv", "q2,grip-dry", "q1,grip-dry",
     "row 3, column reading: found “q1” again (first in row 2), expected it once"),
    ("readings.csv", "q1,grip-dry,alder", "q1,grip-dry,elder",
     "row 2, column product: found “elder”, expected a code that products.csv has"),
    ("readings.csv", "q1,grip-dry", "q1,grip-damp", "column trial: found “grip-damp”, expected a code that trials.csv"),
    ("readings.csv", "q1,", "Q1,", "row 2, column reading: found “Q1”, expected a code of lower-case"),
    ("readings.csv", ",=,lbf,", ",=,furlongs,", "row 2, column unit_of_measure: found the unit “furlongs”"),
    ("readings.csv", ",=,lbf,", ",=,mm,", "row 2, column unit_of_measure: found “mm”, a length, expected a force"),
    ("readings.csv", ",=,lbf,", ",=,lb,", "write lbf if a force is meant"),
    ("readings.csv", ",=,lbf,", ",~,lbf,", "column bound: found “~”, expected one of =, >, <"),
    ("readings.csv", "digits swapped", "", "row 5, column replace_reason: found no reason"),
    ("readings.csv", "q3,digits swapped", ",digits swapped", "column replaces: found a reason but no reading"),
    ("readings.csv", "q3,digits swapped", "q9,digits swapped",
     "column replaces: found “q9”, expected a code that readings.csv has"),
    ("readings.csv", "q3,digits swapped", "q1,digits swapped", "found a reading of another specimen (a1), expected"),
    ("readings.csv", "q3,digits swapped", "q4,digits swapped", "replace each other in a circle"),
    ("readings.csv", "dropped on the floor", "",
     "row 6, column void_reason: found nothing, expected why the reading is void"),
    ("readings.csv", "2026-01-06T08:10:00+01:00", "6 Jan 2026 8:10", "expected a time such as 2026-03-31T14:05"),
    ("readings.csv", "2026-01-06T08:10:00+01:00", "2026-02-30T08:10:00Z", "there is no such moment"),
    ("readings.csv", "2026-01-06T08:10:00+01:00", "0026-01-06T08:10:00Z", "from 1900 to 2199"),
    ("readings.csv", "stand,2026-01-06T08:10", "scale,2026-01-06T08:10", "expected a code that instruments.csv has"),
    ("readings.csv", "stand,2026-01-06T08:10", "rule,2026-01-06T08:10",
     "column instrument: found the instrument “rule”, which reads in another kind of unit"),
    ("readings.csv", ",r1,1,slip", ",r9,1,slip", "column run: found “r9”, expected a run that runs.csv has for grip-dry"),
    ("readings.csv", ",r1,1,slip", ",r1,1,snap", "column failure_mode: found “snap”, expected a failure mode"),
    ("readings.csv", ",r1,1,slip", ",r1,first,slip", "column order: found “first”, expected a number"),
    ("readings.csv", "alder,alder-1,a1", "alder,birch-1,a1", "found the unit “birch-1” of birch, expected one of alder"),
    ("readings.csv", "alder,alder-1,a1", "alder,alder-2,a1", "found the unit “alder-2”, expected alder-1"),
    ("readings.csv", "q2,grip-dry,alder,,a2", "q2,grip-dry,alder,,b1", "found the specimen “b1” of birch"),
    ("readings.csv", "e1,edge,alder,,a1,4", "e1,edge,alder,,a1,6", "expected a rating from 1 to 5"),
    ("readings.csv", "e1,edge,alder,,a1,4,,", "e1,edge,alder,,a1,4,>,", "expected a bound on quantities only"),
    ("readings.csv", "Cy Bench,,,,,,,,,,,,,,,\nh1", "Dee Bench,Fay Hand,,,,,,,,,,,,,,\nh1",
     "found a second live rating of a1 by this rater"),
    ("readings.csv", "Pass", "perhaps", "column value: found “perhaps”, expected pass or fail"),
    ("readings.csv", "h1,holds,alder,alder-2", "h1,holds,birch,birch-1", "absences.csv says not_planned for holds"),
    ("readings.csv", "files/trace-q1.csv", "files/other.csv", "column trace: found “files/other.csv”, expected a file"),
    ("readings.csv", "wind from the door", "=cmd|' /C calc'!A0",
     "row 2, column note: found “=cmd|' /C calc'!A0”, expected text that does not start with ="),
    ("readings.csv", "wind from the door", "@SUM(A1)", "expected text that does not start with @"),
    ("readings.csv", "wind from the door", "+49 30 1234", "expected text that does not start with +"),
    ("readings.csv", "wind from the door", "-later", "expected text that does not start with -"),
    ("readings.csv", "Cy Bench,,stand,2026-01-06T08", f"{'C' * 101},,stand,2026-01-06T08",
     "column operator: found 101 characters, expected at most 100"),
    ("claims.csv", "between,,-10,10", "between,,10,-10",
     "claims.csv, row 5, column low: found low 10 above high -10, expected low at most high"),
    ("claims.csv", "between,,-10,10", "between,,,10", "column low: found nothing, expected both ends"),
    ("claims.csv", "at_least,2900", "at_least,", "column value: found nothing, expected the value claimed (at_least)"),
    ("claims.csv", ",psi,", ",N,", "column unit: found “N”, a force, expected a pressure"),
    ("claims.csv", ",%,", ",N,", "column unit: found “N”, a force, expected a plain number such as %"),
    ("claims.csv", "The pack is what a buyer sees", "", "column governs_reason: found no reason"),
    ("claims.csv", "birch,listed,,,,yes", "birch,listed,,,,at_least", "for a certification, expected yes"),
    ("claims.csv", "R-9,2025-12-04", "R-9,", "column checked_on: found no date"),
    ("claims.csv", "birch,grip,grip-wet", "birch,grip,grip-dry", "found a trial without a baseline"),
    ("claims.csv", "alder,grip,grip-dry", "alder,grip,width", "found a trial of width, expected one of grip"),
    ("claims.csv", "nominal,16.0,,,0.1", "nominal,16.0,,,-0.1",
     "column tolerance_minus: found “-0.1”, expected a number of at least 0"),
    ("claims.csv", "N/mm²,typical,listing,,2025-12-02,,,,no,", "N/mm²,every,listing,,2025-12-02,,,,yes,so it is",
     "found a second source that governs beside c1"),
    ("trials.csv", "wet,pull,2,grip-dry", "wet,pull,2,grip-wet", "found baselines that lead back to this trial"),
    ("trials.csv", "wet,pull,2,grip-dry", "wet,pull,2,width", "column baseline: found a trial of width, expected one of"),
    ("trials.csv", "wet,pull,2,grip-dry", "wet,pull,4,grip-dry", "column revision: found “4”, expected one of 1, 2, 3"),
    ("trials.csv", "wet,pull,2,grip-dry", "wet,pull,,grip-dry", "found no revision, expected one of 1, 2, 3"),
    ("trials.csv", "grip-dry,yes,lbf", ",yes,lbf", "column baseline: found no baseline, expected one"),
    ("trials.csv", "width*thick,2,3,yes", "width*thick,2.5,3,yes",
     "column units_planned: found “2.5”, expected a whole number such as 3"),
    ("trials.csv", "width*thick,2,3,yes", "width*height,2,3,yes", "column divide_by: found “height”, expected a code"),
    ("trials.csv", "width*thick,2,3,yes", "width*edge,2,3,yes", "found the rating edge, expected a quantity"),
    ("trials.csv", "lbf,width*thick,2,3,yes", "mm,width*thick,2,3,yes", "column reading_unit: found “mm”, a length"),
    ("trials.csv", "lbf,width*thick,2,3,yes", "kg,width*thick,2,3,yes", "write kgf if a force is meant"),
    ("trials.csv", "lbf,width*thick,2,3,yes", ",width*thick,2,3,yes", "found no unit, expected the gauge's"),
    ("trials.csv", "width,width,,", "width,listed,,", "found the certification “listed”, expected a property that is"),
    ("trials.csv", "2,3,yes,11", "2,3,perhaps,11", "column blind: found “perhaps”, expected yes or no"),
    ("properties.csv", "quantity,N/mm^2", "quantity,", "column unit: found no unit, expected the unit of the result"),
    ("properties.csv", "quantity,N/mm^2", "quality,N/mm^2", "expected one of quantity, pass_fail, rating"),
    ("properties.csv", "quantity,mm", "quantity,oz/in", "write ozf/in for a force"),
    ("properties.csv", "more,0,,,,1,5", "more,0,,,,1,", "column scale_high: found nothing, expected both ends"),
    ("properties.csv", "0.5,200", "200,0.5", "found plausible_low 200 above plausible_high 0.5"),
    ("purchases.csv", "EUR", "USD", "column currency: found “USD”, expected the comparison's currency EUR"),
    ("purchases.csv", "EUR", "", "found an amount without a currency, expected EUR"),
    ("purchases.csv", "12.50", "-1", "column price: found “-1”, expected a number of at least 0"),
    ("purchases.csv", "EUR,2,10", "EUR,0,10", "column packs: found “0”, expected a number of more than 0"),
    ("purchases.csv", "0.30,m", "0.30,", "found content “0.30” without a unit"),
    ("purchases.csv", "2025-12-01", "01.12.2025", "column bought_on: found “01.12.2025”, expected a date such as"),
    ("purchases.csv", "2025-12-01", "2025-12-32", "there is no such day"),
    ("purchases.csv", "supplied,,,,,,,,,", "supplied,,,,,,,,3,kg",
     "column content_unit: found “kg”, a mass, expected a length such as m"),
    ("units.csv", "alder-2,alder,alder-p1", "alder-2,alder,birch-p1", "found the purchase “birch-p1” of birch"),
    ("conditions.csv", "23,°C", "23,N", "column temperature_unit: found “N”, a force, expected a temperature"),
    ("conditions.csv", "24,h", "24,", "found duration “24” without a unit"),
    ("methods.csv", "pull,2,Pull on a bench", "pull,2,Pull harder", "column title: found “Pull harder”, expected"),
    ("methods.csv", "look,a,Look and feel", "look,a,Pull on a bench", "found the title of the method “pull”"),
    ("methods.csv", "Shield closed.,yes", ",yes", "column cautions: found no cautions, expected them"),
    ("instruments.csv", "0.2,full_scale", "0.2,", "column accuracy_basis: found nothing, expected reading or full_scale"),
    ("instruments.csv", "2025-11-02,2026-11-02", "2025-11-02,2024-11-02", "expected a time that is not before"),
    ("instruments.csv", "rule,Rule,", 'rule,"Stand, 500 N",S-1', "found the name and serial number of stand"),
    ("calibrations.csv", "0.8,2,0.1", "0.8,0,0.1", "column k: found “0”, expected a number of more than 0"),
    ("exposures.csv", "2026-01-09T08:05:00Z", "2026-01-07T08:05:00Z", "expected a time that is not before"),
    ("specimens.csv", "K9", "K7", "column code: found “K7” on two specimens, expected it on one"),
    ("products.csv", "Birkmoss,Grip 16,", 'Alderfen,C 16,"zinc, narrow"', "found the same maker, model and variant"),
    ("products.csv", "birch,Birkmoss", "birch,", "products.csv, row 3, column maker: found nothing, expected a value"),
    ("files.csv", "files/pack.jpg,product,alder", "files/pack.jpg,product,elder", "expected a code that products.csv has"),
    ("files.csv", "files/pack.jpg", "files/pick.jpg", "column file: found no file “files/pick.jpg”, expected it in the"),
    ("files.csv", "files/pack.jpg", "files/../../pack.jpg", "expected a path that stays inside the study folder"),
    ("files.csv", "files/pack.jpg", "/etc/passwd", "expected a path relative to the study folder"),
    ("files.csv", "files/pack.jpg", "comparison.toml", "expected a path that starts with files/"),
    ("files/trace-q1.csv", "1700.5", "1700.6", "files.csv, row 7, column sha256: found"),
    ("awards.csv", "best,Best of all,all", "best,Best of all,none", "column weighting: found “none”, expected the id"),
    ("deviations.csv", "Cy Bench", "", "deviations.csv, row 2, column by: found nothing, expected a value"),
    ("comparison.toml", 'trial = "grip-dry"', 'trial = "grip-damp"', "found “grip-damp”, expected a code that trials.csv"),
    ("comparison.toml", "grip = 60", "grap = 60", "found a weight for “grap”, expected a criterion's id"),
    ("comparison.toml", "grip = 60", "grip = -60", "found “-60”, expected a number of 0 or more"),
    ("comparison.toml", "confidence = 0.950", "confidence = 95", "expected a share between 0 and 1"),
    ("comparison.toml", "confidence = 0.950", 'confidence = "0.95"', "expected a number without quotes"),
    ("comparison.toml", "confidence = 0.950", "confidance = 0.95", "key [decision] confidance: found a key that is not"),
    ("comparison.toml", 'rule = "guard"', 'rule = "hope"', "expected one of probability, simple, guard"),
    ("comparison.toml", "seed = 7", "seed = 7.5", "expected a whole number of 0 or more"),
    ("comparison.toml", "seed = 7", "seed = inf", "expected a finite number"),
    ("comparison.toml", 'currency = "EUR"', 'currency = "Euro"', "expected a currency's three capital letters"),
    ("comparison.toml", 'currency = "EUR"', 'currency = "USD"', "expected the comparison's currency USD"),
    ("comparison.toml", 'slug = "hose-clamps"', 'slug = "Hose clamps"', "expected lower-case letters"),
    ("comparison.toml", "seed = 7", "", "key seed: found nothing, expected a value"),
    ("comparison.toml", "seed = 7", "seed = = 7", "found no valid TOML"),
    ("comparison.toml", "floor = 10\n", "floor = 2000\n", "found floor 2000 above ceiling 1E+3"),
    ("comparison.toml", "floor = 10\n", "floor = 1000\n", "found floor and ceiling both at 1000"),
    ("comparison.toml", "floor = 10\n", "floor = 0\n", "expected a number above 0, since the value is logarithmic"),
    ("comparison.toml", 'cost = "per_item"', 'cost = "per_item"\ntrial = "width"', "found trial and cost of trial"),
    ("comparison.toml", 'id = "wet"', 'id = "grip"', "found the id “grip” twice, expected it once"),
    ("comparison.toml", "must = false", 'must = "no"', "expected true or false"),
    ("comparison.toml", 'anchors_set_at = "2026-01-04"', 'anchors_set_at = "soon"', "expected a time such as"),
    ("comparison.toml", 'anchors_set_at = "2026-01-04"', "anchors_set_at = 2026-01-04", "expected text in quotes"),
    ("comparison.toml", 'measure = "mean"', 'measure = "pass_share"', "expected one of mean, median, min, max, change"),
    ("comparison.toml", 'certification = "listed"', 'certification = "grip"', "expected a property that is a"),
    ("datapackage.json", '"description"', '"description', "datapackage.json: found no valid JSON"),
    ("datapackage.json", "Invented.", "In\\u0000vented.", "found the character U+0000"),
]  # fmt: skip


@pytest.mark.parametrize(("path", "old", "new", "expected"), CELLS, ids=[f"{c[0]}-{i}" for i, c in enumerate(CELLS)])
def test_each_fault_is_told_in_one_line_that_names_its_place(path, old, new, expected):
    found = lines(swap(path, old, new))
    assert len(found) == len(set(found)), "one fault is told twice"
    told = [line for line in found if expected in line]
    assert told, found
    assert all(" found " in line and (" expected " in line or " write " in line) for line in found)


def test_all_faults_come_at_once():
    spoilt = (
        swap("readings.csv", "1700.50", '"1700,50"')
        | swap("claims.csv", "between,,-10,10", "between,,10,-10")
        | swap("comparison.toml", "grip = 60", "grap = 60")
        | {"article.md": "é".encode("latin-1"), "units.csv": None}
    )
    told = lines(spoilt)
    for part in ("row 2, column value", "above high", "grap", "article.md: found no UTF-8"):
        assert sum(part in line for line in told) == 1
    assert any("units.csv has" in line for line in told)


def test_of_a_kind_ten_are_shown_and_the_rest_counted():
    header, *rows = rich.TABLES["readings"].splitlines()
    many = [f"x{i},grip-dry,alder,,,{i},5,,lbf" + "," * 14 for i in range(500)]
    told = lines({"readings.csv": "\n".join([header, *rows, *many]).encode()})
    assert sum("cells, expected 24" in line for line in told) == 10
    assert any("490 more like the last" in line for line in told)
    bad = "\n".join([header, *(row.replace("lbf", "wobble", 1) for row in rows)])
    assert all("wobble" not in line or "row" in line for line in lines({"readings.csv": bad.encode()}))


def test_at_most_a_hundred_lines_and_a_count_of_the_rest():
    columns = "reading,trial,product,value," + ",".join(f"x{i}" for i in range(150))
    told = lines({"readings.csv": columns.encode()})
    assert len(told) == 101
    assert "more faults; mend these first" in told[-1]


def test_a_table_that_is_lost_is_told_once_not_by_every_reading():
    told = lines({"products.csv": b"\xff\xfeproduct"})
    assert len(told) == 1


# --- tables


@pytest.mark.parametrize(
    ("header", "told"),
    [
        ("product,maker", "column model: found no such column, expected it in the header row"),
        ("product,maker,model,colour", "column colour: found a column that is not known"),
        ("product,maker,modle,model", "found a column that is not known, expected one of the columns of products.csv, such as model"),
        ("product,maker,model,maker", "column maker: found this column twice, expected it once"),
        ("product,maker,model,", "found no name over column 4, expected one"),
        ("product;maker;model", "found columns parted by semicolons, expected commas"),
        ("product\tmaker\tmodel", "found columns parted by tabs, expected commas"),
        ("", "found no header row, expected the names of the columns"),
    ],
)  # fmt: skip
def test_headers(header, told):
    assert any(line.startswith("products.csv") and told in line for line in lines({"products.csv": header.encode()}))


def test_columns_in_any_order_and_a_byte_order_mark_are_fine():
    text = "model,product,maker,notes,variant\r\nC 16,alder,Alderfen,,\"zinc, narrow\"\r\n\r\n,,,,\r\nGrip 16,birch,Birkmoss,,\r\n"
    tables = read_study(rich.zipped({"products.csv": text.encode("utf-8-sig")}))
    assert tables["products"]["product"] == ["alder", "birch"]
    assert tables["products"].line(1) == 5


def test_text_is_trimmed_and_else_unchanged():
    spoilt = swap("products.csv", "Ask about the plating", '"  Ask,  ""about""\nthe plating  "')
    assert read_study(rich.zipped(spoilt))["products"]["notes"][0] == 'Ask,  "about"\nthe plating'


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ("product,maker,model\n".encode("utf-16"), "products.csv: found UTF-16, expected UTF-8"),
        ("product,maker,model\n".encode("utf-16-le"), "found UTF-16 without a byte-order mark, expected UTF-8"),
        ("product,maker,model\n".encode("utf-32"), "found UTF-32, expected UTF-8"),
        ("product,maker,model\na,Müller,x\n".encode("latin-1"), "row 2: found a byte that is not UTF-8 (0xFC)"),
        (b"product,maker,model\na,b\x00c,d\n", "row 2: found the control character U+0000"),
        (b"product,maker,model\na,b\x1bc,d\n", "row 2: found the control character U+001B"),
        (b"product,maker,model\na,b\n", "row 2: found 2 cells, expected 3 as in the header"),
        (b"product,maker,model\na,b,c,d\n", "row 2: found 4 cells, expected 3 as in the header"),
        (b'product,maker,model\na,"b,c\n', "row 2: found a quote that is never closed"),
        (b'product,maker,model\na,"b"x,c\n', "row 2: found no valid CSV"),
        (b"product,maker,model\ra,b,c\r", "found a line end of the old kind (CR alone)"),
        (b"", "row 1: found no header row"),
        (b'product,maker,model,notes\na,b,c,"' + b"x" * 200_000 + b'"\n', "expected at most 131,072"),
        (b'product,maker,model\na,"' + random.Random(1).randbytes(600_000).hex(" ", 8).replace(" ", "\n").encode() + b",c\n",
         "or a quote that is not closed"),
        (b"product,maker,model\n" + random.Random(1).randbytes(600_000).hex().encode() + b"\n", "found a row of over 1,048,576 characters"),
    ],
    ids=range(15),
)
def test_tables_that_cannot_be_read(data, told):
    found = lines({"products.csv": data})
    assert any(line.startswith("products.csv") and told in line for line in found), found


def test_a_row_of_200_mb_is_refused_without_reading_it_whole(monkeypatch):
    class Endless(source.FileSource):
        size = 90 * source.MB
        taken = 0

        def open(self):
            return self

        def __enter__(self):
            return self

        def __exit__(self, *_):
            pass

        def read(self, count):
            self.taken += count
            assert self.taken < 8 * source.MB, "read on and on"
            return b"x" * count

    from comparisons.folder.faults import Faults
    from comparisons.folder.spec import SPEC

    faults = Faults()
    reading._table(SPEC["products"], Endless(), faults)
    assert "found a row of over" in faults.lines()[0]


def test_too_many_rows_are_refused(monkeypatch):
    monkeypatch.setattr(reading, "MAX_ROWS", 2)
    assert any("found more than 2 rows, expected fewer" in line for line in lines({}))


@pytest.mark.parametrize("path", ["readings.csv", "products.csv", "trials.csv", "properties.csv", "comparison.toml"])
def test_required_files(path):
    assert any(line.startswith(f"{path}: found no such file") for line in lines({path: None}))


def test_a_table_under_a_slip_of_a_name_is_not_lost_silently():
    assert any(
        line.startswith("reading.csv: found a table that is not known") and "readings.csv" in line
        for line in lines({"reading.csv": b"reading\n"})
    )


def test_a_file_that_no_row_lists_is_told():
    assert lines({"files/stray.jpg": b"x"}) == [
        "files/stray.jpg: found a file that files.csv does not list, expected a row for it"
    ]


def test_edition_hidden_files_and_a_read_me_are_passed_over():
    extra = {"edition/results.json": b"{}", ".DS_Store": b"\x00", "__MACOSX/x.csv": b"", "README.md": b"hello"}
    assert differences(read_study(rich.zipped(extra)), read_study(rich.zipped())) == []


# --- folders and zips that mean no good


def zip_with(change) -> io.BytesIO:
    """The study's zip with something more in it."""
    out = rich.zipped()
    with zipfile.ZipFile(out, "a") as archive:
        change(archive)
    out.seek(0)
    return out


def told_of(zipped) -> str:
    with pytest.raises(StudyError) as error:
        read_study(zipped)
    assert len(error.value.lines) == 1, error.value.lines
    return error.value.lines[0]


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("../evil.csv", "stays inside the study folder"),
        ("files/../../evil", "stays inside the study folder"),
        ("files//evil", "stays inside the study folder"),
        ("/etc/evil", "relative to the study folder"),
        ("C:/evil", "relative to the study folder"),
        ("files\\evil", "with / between its parts"),
        ("files/" + "x" * 400, "of 1 to 300 characters"),
    ],
)
def test_paths_that_climb_out_of_the_zip(path, told):
    assert told in told_of(zip_with(lambda archive: archive.writestr(zipfile.ZipInfo(path), b"x")))


def test_a_nul_in_a_path_hides_nothing():
    data = zip_with(lambda archive: archive.writestr("files/pack.jpgXevil", b"x")).getvalue()
    spoilt = io.BytesIO(data.replace(b"files/pack.jpgXevil", b"files/pack.jpg\x00evil"))
    assert "without control characters" in told_of(spoilt)


def test_a_link_in_the_zip():
    def link(archive):
        info = zipfile.ZipInfo("files/link")
        info.create_system = 3
        info.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(info, "/etc/passwd")

    assert "found a link" in told_of(zip_with(link))


def test_a_link_in_the_folder(tmp_path):
    folder = rich.write(tmp_path / "study")
    (folder / "files" / "link").symlink_to("/etc/passwd")
    assert told_of(folder).startswith("files/link: found a link, expected the file itself")


def test_a_link_to_a_folder_is_not_followed(tmp_path):
    folder = rich.write(tmp_path / "study")
    (folder / "files" / "more").symlink_to(tmp_path)
    assert "found a link" in told_of(folder)


def test_a_pipe_in_the_folder(tmp_path):
    folder = rich.write(tmp_path / "study")
    os.mkfifo(folder / "files" / "pipe")
    assert "found a device or a pipe" in told_of(folder)


def test_a_zip_bomb_by_ratio():
    def bomb(archive):
        archive.writestr("files/zeros", bytes(30 * source.MB), zipfile.ZIP_DEFLATED)

    assert "unpacks to more than 200 times its size" in told_of(zip_with(bomb))


def test_a_zip_bomb_by_total(monkeypatch):
    monkeypatch.setattr(source, "MAX_TOTAL", 1000)
    assert "MB in all, expected at most" in told_of(rich.zipped())


def test_a_zip_of_very_many_entries(monkeypatch):
    def many(archive):
        for i in range(source.MAX_ENTRIES):
            archive.writestr(f"files/{i}", b"")

    assert "found more than 10,000 files" in told_of(zip_with(many))


def test_a_file_that_is_too_large(monkeypatch):
    monkeypatch.setattr(source, "MAX_FILE", 100_000)
    with pytest.raises(StudyError) as error:
        read_study(rich.zipped({"files/pack.jpg": os.urandom(200_000)}))
    assert any(line.startswith("files/pack.jpg: found 0 MB, expected at most") for line in error.value.lines)


def test_a_zip64_directory_whose_counts_would_win():
    data = rich.zipped().getvalue()
    at = data.rfind(b"PK\x05\x06")
    locator = b"PK\x06\x07" + struct.pack("<LQL", 0, 0, 1)
    assert "zip64" in told_of(io.BytesIO(data[:at] + locator + data[at:]))


def test_the_same_path_twice():
    with pytest.warns(UserWarning, match="Duplicate name"):
        spoilt = zip_with(lambda archive: archive.writestr("products.csv", b"x"))
    assert "“products.csv” twice" in told_of(spoilt)


def test_a_password():
    data = bytearray(rich.zipped().getvalue())
    at = data.find(b"PK\x01\x02")
    data[at + 8] |= 1
    with pytest.raises(StudyError) as error:
        read_study(io.BytesIO(bytes(data)))
    assert any("without a password" in line for line in error.value.lines)


def test_a_damaged_entry_is_told():
    data = bytearray(rich.zipped().getvalue())
    with zipfile.ZipFile(io.BytesIO(bytes(data))) as archive:
        info = archive.getinfo("readings.csv")
    at = info.header_offset + 30 + len(info.filename) + 5
    data[at] ^= 0xFF
    data[at + 1] ^= 0xFF
    with pytest.raises(StudyError) as error:
        read_study(io.BytesIO(bytes(data)))
    assert error.value.lines[0].startswith("readings.csv: found a damaged file")


@pytest.mark.parametrize("data", [b"", b"PK", b"no zip at all", b"PK\x05\x06" + bytes(18), zlib.compress(b"x" * 99)])
def test_what_is_no_zip(data):
    with pytest.raises(StudyError) as error:
        read_study(io.BytesIO(data))
    assert error.value.lines


def test_a_path_where_nothing_is():
    with pytest.raises(StudyError, match="found nothing there, expected a study folder or a zip of one"):
        read_study(Path("/no/such/place"))


@pytest.mark.django_db
def test_a_fault_writes_nothing():
    from comparisons.folder.importer import import_study

    with pytest.raises(StudyError):
        import_study(rich.zipped(swap("readings.csv", "1700.50", "1700,50")))
    assert not Comparison.objects.exists() and not Programme.objects.exists() and not Product.objects.exists()

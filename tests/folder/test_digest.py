"""What the digests bind, and what they leave free."""

from __future__ import annotations

import random

import pytest

from comparisons.folder.digest import approval_digest, content_digest, inputs_digest
from comparisons.folder.people import pseudonyms
from comparisons.folder.public import public_form
from comparisons.folder.read import read_study
from comparisons.folder.spec import SPEC
from comparisons.folder.tables import Table, Tables

from . import rich
from .test_read import swap


@pytest.fixture(scope="module")
def study() -> Tables:
    return read_study(rich.zipped())


def shuffled(tables: Tables) -> Tables:
    """The same study with rows and columns in another order."""
    chance = random.Random(5)
    new = {}
    for name, table in tables.items():
        rows = list(range(len(table)))
        chance.shuffle(rows)
        taken = table.take(rows)
        names = list(taken.columns)
        chance.shuffle(names)
        new[name] = Table(table.spec)
        new[name].columns = {column: taken.columns[column] for column in names}
    comparison = dict(reversed(tables.comparison.items()))
    comparison["criterion"] = list(reversed(comparison["criterion"]))
    return tables.replace(new, comparison=comparison)


def changed(tables: Tables, name: str, column: str) -> Tables:
    """The study with the first filled cell of a column changed."""
    cells = list(tables[name][column])
    at = next(i for i, text in enumerate(cells) if text)
    kind = SPEC[name].by_name[column].kind
    cells[at] = {"yesno": "no" if cells[at] == "yes" else "yes", "integer": "99"}.get(kind, cells[at] + "x")
    return tables.replace({name: tables[name].with_columns(**{column: cells})})


def test_the_order_of_rows_and_columns_does_not_count(study):
    assert inputs_digest(shuffled(study)) == inputs_digest(study)
    same = shuffled(study)
    same.comparison = study.comparison
    assert approval_digest(same) == approval_digest(study)
    assert content_digest(same) == content_digest(study)


NAMES = [
    ("products", "maker"), ("products", "model"), ("products", "notes"), ("readings", "note"),
    ("readings", "received_at"), ("readings", "voided_at"), ("readings", "voided_by"), ("properties", "name"),
    ("methods", "title"), ("claims", "wording"), ("purchases", "receipt"), ("purchases", "seller"),
    ("deviations", "why"), ("answers", "text"), ("files", "caption"), ("awards", "name"),
    ("absences", "note"), ("instruments", "name"), ("specimens", "code"),
]  # fmt: skip
VALUES = [
    ("readings", "value"), ("readings", "unit_of_measure"), ("readings", "reading"), ("readings", "bound"),
    ("readings", "taken_at"), ("readings", "void_reason"), ("readings", "replaces"), ("readings", "run"),
    ("claims", "value"), ("claims", "governs"), ("trials", "paired"), ("trials", "divide_by"),
    ("properties", "better"), ("purchases", "price"), ("calibrations", "offset"), ("absences", "reason"),
    ("failure_modes", "counts"), ("awards", "product"), ("instruments", "resolution"), ("units", "product"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "column"), NAMES)
def test_names_notes_and_times_of_entry_do_not_count_for_the_inputs(study, name, column):
    other = changed(study, name, column)
    assert inputs_digest(other) == inputs_digest(study)
    assert content_digest(other) != content_digest(study)


@pytest.mark.parametrize(("name", "column"), VALUES)
def test_codes_and_values_count(study, name, column):
    other = changed(study, name, column)
    assert inputs_digest(other) != inputs_digest(study)
    assert approval_digest(other) != approval_digest(study)


def test_every_column_counts_as_its_specification_says(study):
    for name, spec in SPEC.items():
        for column in spec.columns:
            if column.private == "pseudonym":
                continue
            differs = inputs_digest(changed(study, name, column.name)) != inputs_digest(study)
            assert differs == (spec.inputs and column.inputs), (name, column.name)


@pytest.mark.parametrize(
    ("old", "new", "counts"),
    [
        ("floor = 10\n", "floor = 11\n", True),
        ("seed = 7", "seed = 8", True),
        ('rule = "guard"', 'rule = "simple"', True),
        ("grip = 60", "grip = 61", True),
        ("T09:00:00+01:00", "T09:01:00+01:00", True),
        ("confidence = 0.950", "confidence = 0.95", True),  # as typed: printed digits have a meaning
        ('title = "Hose', 'title = "The hose', False),
        ('name = "Grip"', 'name = "Hold"', False),
        ('name = "All round"', 'name = "Everybody"', False),
        ('by = "Ada Planner"', 'by = "Ben"', False),
    ],
)
def test_the_rules_of_the_comparison_count_and_its_names_do_not(study, old, new, counts):
    other = read_study(rich.zipped(swap("comparison.toml", old, new)))
    assert (inputs_digest(other) != inputs_digest(study)) == counts


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("readings.csv", "e1,edge,alder,,a1,4,,", "e1,edge,alder,,a1,4,=,"),
        ("trials.csv", "look,,", "look,a,"),
        ("trials.csv", "width*thick,2,3,yes", "width * thick,2,3,TRUE"),
        ("claims.csv", "N/mm²,typical", "N/mm²,"),
        ("trials.csv", "2,3,yes,11", "2,03,yes,11"),
    ],
)
def test_two_ways_to_say_one_thing_have_one_digest(study, file, old, new):
    assert inputs_digest(read_study(rich.zipped(swap(file, old, new)))) == inputs_digest(study)


def test_the_full_and_the_public_form_have_one_inputs_digest(study):
    public = public_form(study)
    assert inputs_digest(public) == inputs_digest(study)
    assert inputs_digest(public_form(public)) == inputs_digest(study)


def test_who_read_what_counts_though_their_names_do_not(study):
    readings = study["readings"]
    renamed = [f"{name} II" if name else "" for name in readings["operator"]]
    same = study.replace({"readings": readings.with_columns(operator=renamed)})
    assert inputs_digest(same) == inputs_digest(study)
    swapped = [{"Cy Bench": "Dee Bench"}.get(name, name) for name in readings["operator"]]
    other = study.replace({"readings": readings.with_columns(operator=swapped)})
    assert inputs_digest(other) != inputs_digest(study)


@pytest.mark.parametrize(
    ("name", "column"),
    [
        ("products", "maker"), ("deviations", "why"), ("files", "alt"), ("awards", "reason"),
        ("answers", "text"),
    ],
)  # fmt: skip
def test_an_approval_binds_what_readers_see(study, name, column):
    assert approval_digest(changed(study, name, column)) != approval_digest(study)


def test_an_approval_binds_article_files_title_and_licence(study):
    before = approval_digest(study)
    assert approval_digest(study.replace(article=study.article + "\nMore.")) != before
    assert approval_digest(study.replace(package={**study.package, "licenses": []})) != before
    assert approval_digest(study.replace(comparison={**study.comparison, "title": "Other"})) != before
    other = rich.drawing().replace(b"\x00", b"\x01", 1)
    assert approval_digest(read_study(rich.zipped({"files/sketch.png": other}))) != before


def test_an_approval_does_not_bind_what_readers_never_see(study):
    before = approval_digest(study)
    for name, column in (("products", "notes"), ("purchases", "receipt"), ("readings", "note")):
        assert approval_digest(changed(study, name, column)) == before
    unpublished = swap("answers.csv", "Please wait.", "Please hurry.")
    receipt = {"files/receipt.pdf": b"%PDF-1.4 order 4712"}
    assert approval_digest(read_study(rich.zipped(unpublished | receipt))) == before


def test_pseudonyms_follow_the_readings_codes_not_the_rows():
    codes, operators, raters = ["r2", "r1", "r3"], ["Bo", "Al", "Al"], ["", "Cy", "Bo"]
    names = pseudonyms(codes, operators, raters)
    assert names == {"Al": "person-1", "Cy": "person-2", "Bo": "person-3"}
    again = pseudonyms(codes, [names[n] for n in operators], [names.get(n, "") for n in raters])
    assert set(again.items()) == {(name, name) for name in names.values()}


def test_a_digest_does_not_move_from_one_version_to_the_next():
    """A digest that moved would make every published edition look altered. Raise its name if it must."""
    one = Tables({"products": Table.from_rows("products", [("alder", "Alderfen", "C 16", "", "")])})
    one.comparison = {"slug": "one", "currency": "EUR", "seed": 1}
    assert inputs_digest(one) == "51d60556a739a5660432360a7be07a42598dac5fd3c6b2f699427ef65bad82cf"

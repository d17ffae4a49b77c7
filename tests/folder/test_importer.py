"""Into the database: all or nothing, and what is the team's is recognised."""

from __future__ import annotations

import pytest
from django.db import IntegrityError

from comparisons.folder import importer
from comparisons.folder.exporter import tables_from_db
from comparisons.folder.faults import StudyError
from comparisons.folder.importer import import_study, import_tables, waves
from comparisons.folder.read import read_study
from comparisons.folder.spec import SPEC
from comparisons.folder.tables import differences
from comparisons.models import Award, Comparison, Deviation, Event, LeftOut, Limitation
from specimens import models as sm
from specimens.models.base import CODE_LENGTH
from specimens.units import VERSION

from . import rich
from .test_read import swap

pytestmark = pytest.mark.django_db


def test_readings_come_with_their_converted_values():
    import_study(rich.zipped())
    values = {
        c.reading.code: (c.value, c.unit, c.engine)
        for c in sm.ConvertedValue.objects.select_related("reading")
    }
    assert len(values) == sm.Reading.objects.count() == 10
    assert values["q1"] == (1700.5, "lbf", VERSION)
    # 7563 N in pound-force, 1 lbf = 4.4482216152605 N
    assert values["q3"] == (pytest.approx(1700.2300, abs=5e-4), "lbf", VERSION)
    assert values["w1"] == (pytest.approx(16.002), "mm", VERSION)
    assert values["h1"] == (1.0, "", VERSION)
    assert values["e1"] == (4.0, "step", VERSION)


def test_a_void_is_a_row_of_its_own_and_chains_are_kept():
    import_study(rich.zipped())
    void = sm.Void.objects.get()
    assert (void.reading.code, void.voided_by, void.reason) == ("q5", "Eve Lead", "dropped on the floor")
    assert sm.Reading.objects.get(code="q4").replaces.code == "q3"


def test_a_trial_without_a_revision_gets_the_only_one():
    import_study(rich.zipped())
    assert sm.Trial.objects.get(code="edge").revision.revision == "a"


def test_who_imported_stands_in_the_record(django_user_model):
    ada = django_user_model.objects.create_user("ada")
    comparison = import_study(rich.zipped(), actor=ada)
    event = Event.objects.get()
    assert (event.actor, event.comparison, event.changes_draft) == (ada, comparison, True)
    assert event.after["rows"]["readings"] == 10


def test_identical_content_is_already_here():
    first, new = import_tables(read_study(rich.zipped()))
    again, new_again = import_tables(read_study(rich.zipped(inside="elsewhere/")))
    assert (new, new_again) == (True, False)
    assert first == again and Comparison.objects.count() == 1


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("readings.csv", "1700.50", "1700.51"),
        ("products.csv", "plating", "paint"),
        ("article.md", "best", "well"),
    ],
)
def test_other_content_under_a_taken_name_is_refused_with_a_hint(file, old, new):
    import_study(rich.zipped())
    with pytest.raises(StudyError, match="“hose-clamps” with other content.*--as NEW-SLUG") as error:
        import_study(rich.zipped(swap(file, old, new)))
    assert len(error.value.lines) == 1
    assert sm.Reading.objects.count() == 10


def test_another_name_makes_it_another_comparison():
    import_study(rich.zipped())
    second = import_study(rich.zipped(), slug="hose-clamps-2")
    assert second.slug == "hose-clamps-2"
    assert sm.Product.objects.count() == 2 and sm.ProgrammeProduct.objects.count() == 4


@pytest.mark.parametrize("slug", ["Hose", "a b", "../x", "x" * 81, "-x"])
def test_a_name_that_no_address_can_hold_is_refused(slug):
    with pytest.raises(StudyError, match="expected lower-case letters"):
        import_study(rich.zipped(), slug=slug)


def test_a_programme_of_that_name_is_in_the_way():
    sm.Programme.objects.create(slug="hose-clamps", name="Started at the desk")
    with pytest.raises(StudyError, match="--as NEW-SLUG"):
        import_study(rich.zipped())


# --- what is the team's


def test_the_teams_things_are_recognised():
    import_study(rich.zipped())
    import_study(rich.zipped(), slug="again")
    assert sm.Method.objects.count() == 2 and sm.MethodRevision.objects.count() == 4
    assert sm.Instrument.objects.filter(serial="S-1").count() == 1
    assert sm.Calibration.objects.count() == 2
    # Without a serial number nobody can say that it is the same rule.
    assert sm.Instrument.objects.filter(name="Rule").count() == 2


def test_one_code_may_mean_different_things_in_two_folders():
    import_study(rich.zipped())
    other = swap("products.csv", "alder,Alderfen,C 16", "alder,Otherfirm,Z")
    other |= swap("instruments.csv", "S-1", "S-2")
    import_study(rich.zipped(other), slug="again")
    makers = sm.ProgrammeProduct.objects.filter(code="alder").values_list("product__maker", flat=True)
    assert sorted(makers) == ["Alderfen", "Otherfirm"]
    assert sm.ProgrammeInstrument.objects.filter(code="stand").values("instrument").distinct().count() == 2


@pytest.mark.parametrize(
    ("file", "old", "new", "told"),
    [
        ("instruments.csv", "500,0.10,", "500,0.20,", "instruments.csv, row 2, column resolution: found"),
        ("instruments.csv", "full_scale", "reading", "column accuracy_basis: found “reading”"),
        ("calibrations.csv", "0.8,2,", "0.9,2,", "calibrations.csv, row 2, column U: found “0.9”"),
        ("methods.csv", "Life in years", "Life in months", "methods.csv, row 2, column cannot_show"),
    ],
)
def test_a_folder_that_says_otherwise_of_the_teams_things_is_refused(file, old, new, told):
    import_study(rich.zipped())
    with pytest.raises(StudyError) as error:
        import_study(rich.zipped(swap(file, old, new)), slug="again")
    assert len(error.value.lines) == 1
    assert told in error.value.lines[0] and "expected what the team's" in error.value.lines[0]
    assert Comparison.objects.count() == 1 and sm.Programme.objects.count() == 1


def test_a_number_written_otherwise_is_the_same_number():
    import_study(rich.zipped())
    import_study(rich.zipped(swap("instruments.csv", "500,0.10,", "500,0.1,")), slug="again")


def test_a_newer_calibration_moves_the_instruments_dates_on_an_older_folder_does_not():
    newer = swap("instruments.csv", "2025-11-02,2026-11-02", "2026-11-03,2027-11-03") | swap(
        "calibrations.csv", "2025-11-02,2026-11-02", "2026-11-03,2027-11-03"
    )
    import_study(rich.zipped())
    import_study(rich.zipped(newer), slug="newer")
    stand = sm.Instrument.objects.get(serial="S-1")
    assert str(stand.calibrated_on) == "2026-11-03"
    assert Event.objects.latest("id").after["instruments_updated"] == ["Stand, 500 N S-1"]
    import_study(rich.zipped(), slug="older")
    stand.refresh_from_db()
    assert (str(stand.calibrated_on), str(stand.due_on)) == ("2026-11-03", "2027-11-03")
    assert stand.calibrations.count() == 3


# --- nothing of it, where something fails


@pytest.mark.parametrize("step", ["_trials", "_readings", "_files", "_comparison"])
def test_a_failure_midway_leaves_nothing(step, monkeypatch, settings):
    def fail(self, *args):
        getattr(importer._Import, f"kept{step}")(self, *args)
        raise OSError("the disk is full")

    monkeypatch.setattr(importer._Import, f"kept{step}", getattr(importer._Import, step), raising=False)
    monkeypatch.setattr(importer._Import, step, fail)
    with pytest.raises(OSError, match="disk is full"):
        import_study(rich.zipped())
    for model in (sm.Programme, sm.Product, sm.Reading, sm.Method, sm.Attachment, Comparison, Event):
        assert not model.objects.exists()
    assert [path for path in settings.MEDIA_ROOT.rglob("*") if path.is_file()] == []


def test_what_the_database_refuses_is_told_in_one_line(monkeypatch):
    def refuse(self):
        raise IntegrityError("CHECK constraint failed:\n reading_has_value")

    monkeypatch.setattr(importer._Import, "_readings", refuse)
    with pytest.raises(StudyError) as error:
        import_study(rich.zipped())
    assert len(error.value.lines) == 1 and "nothing was written" in error.value.lines[0]


def test_files_are_stored_under_names_of_ours(settings):
    import_study(rich.zipped())
    for attachment in sm.Attachment.objects.all():
        assert attachment.path.split("/")[-1].split(".")[0] not in attachment.content.name
        assert attachment.content.read() == rich.files()[attachment.path]


def test_the_same_file_of_two_studies_is_kept_for_each():
    first = import_study(rich.zipped())
    import_study(rich.zipped(), slug="again")
    assert sm.Attachment.objects.count() == 12
    assert differences(tables_from_db(first), read_study(rich.zipped())) == []


# --- waves


def test_waves_follow_what_each_rests_on():
    assert waves(["c", "a", "b", "x"], ["b", "", "a", ""]) == [["a", "x"], ["b"], ["c"]]
    assert waves([], []) == []


def test_a_long_chain_is_no_deep_recursion():
    codes = [f"r{i}" for i in range(5000)]
    assert len(waves(codes[::-1], (["", *codes[:-1]])[::-1])) == 5000


def test_a_chain_of_amendments_comes_in_and_out():
    header, *_ = rich.TABLES["readings"].splitlines()
    rows = ["z0,grip-dry,alder,,a1,1,,lbf" + "," * 16]
    rows += [f"z{i},grip-dry,alder,,a1,{i},,lbf,,,,,,,,,,,z{i - 1},again,,,," for i in range(1, 30)]
    text = "\n".join([header, *reversed(rows)]).encode()
    spoilt = {"readings.csv": text, "files.csv": b"file,about,code\n"} | {
        path: None for path in rich.files() if path.startswith("files/")
    }
    spoilt |= swap("purchases.csv", "files/receipt.pdf", "4711")
    comparison = import_study(rich.zipped(spoilt))
    assert sm.Reading.objects.count() == 30
    assert differences(tables_from_db(comparison), read_study(rich.zipped(spoilt))) == []


# --- the specification and the database agree

MODELS = {
    "products": (sm.ProgrammeProduct, sm.Product), "purchases": (sm.Purchase,), "units": (sm.Unit,),
    "properties": (sm.Property,), "conditions": (sm.Condition,), "methods": (sm.MethodRevision, sm.Method),
    "failure_modes": (sm.FailureMode,), "trials": (sm.Trial, sm.MethodRevision), "runs": (sm.Run, sm.MethodRevision),
    "absences": (sm.Absence,), "specimens": (sm.Specimen,), "exposures": (sm.Exposure,),
    "instruments": (sm.Instrument,), "calibrations": (sm.Calibration,), "claims": (sm.Claim,),
    "readings": (sm.Reading, sm.Void), "files": (sm.Attachment,), "deviations": (Deviation,),
    "corrections": (sm.ReadingCorrection,), "left_out": (LeftOut,), "limitations": (Limitation,),
    "awards": (Award,), "answers": (sm.MakerAnswer,),
}  # fmt: skip
FIELDS = {
    ("properties", "reading"): "kind", ("specimens", "code"): "blind_code", ("readings", "void_reason"): "reason",
    ("files", "file"): "path", ("deviations", "from"): "before", ("deviations", "to"): "after",
}  # fmt: skip


@pytest.mark.parametrize("name", SPEC)
def test_no_text_is_longer_than_its_field_and_choices_are_the_same(name):
    """SQLite takes a text of any length; PostgreSQL would refuse the whole import at its first long one."""
    looked_at = 0
    for column in SPEC[name].columns:
        if column.kind == "code" or column.several or (name, column.name) == ("files", "code"):
            continue  # a code's length is that of every CodeField
        field_name = FIELDS.get((name, column.name), column.name)
        names = (f"{field_name}_text", field_name) if column.kind == "time" else (field_name,)
        found = [
            field
            for model in MODELS[name]
            for field in model._meta.get_fields()
            if field.name in names and hasattr(field, "max_length") and not field.is_relation
        ]
        assert found, (name, column.name)
        looked_at += 1
        longest = min((field.max_length for field in found if field.max_length), default=None)
        if longest and not column.choices:
            assert column.length and column.length <= longest, (name, column.name)
        if column.choices:
            allowed = {choice for field in found for choice, _ in (field.choices or ())}
            assert set(column.choices) == allowed, (name, column.name)
    assert looked_at


def test_a_code_is_as_long_as_its_field():
    lengths = {column.length for spec in SPEC.values() for column in spec.columns if column.kind == "code"}
    assert lengths == {CODE_LENGTH}

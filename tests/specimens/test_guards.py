"""The database refuses to change what was recorded, whatever way it is asked."""

from __future__ import annotations

import pytest
from django.db import DatabaseError, connection, transaction

from comparisons.models import Event
from specimens import guards
from specimens.models import Reading, TrialDimension, Void
from tests.build import make_bench

pytestmark = pytest.mark.django_db


@pytest.fixture
def bench():
    return make_bench()


def refuses(match: str):
    return pytest.raises(DatabaseError, match=match)


def run(sql: str, *values):
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql, values)


def test_every_guard_is_in_place():
    assert guards.missing() == []
    assert len(guards.guarded_models()) >= 12


def test_a_reading_is_not_changed_by_orm_or_sql(bench):
    reading = bench.reading()
    reading.value = "13.5"
    with refuses("readings are never changed"), transaction.atomic():
        reading.save()
    with refuses("readings are never changed"), transaction.atomic():
        Reading.objects.update(value="13.5")
    with refuses("readings are never changed"):
        run("UPDATE specimens_reading SET value = '13.5'")
    assert Reading.objects.get().value == "12.5"


def test_a_reading_is_not_deleted(bench):
    reading = bench.reading()
    with refuses("readings are never deleted"), transaction.atomic():
        reading.delete()
    with refuses("readings are never deleted"):
        run("DELETE FROM specimens_reading")
    assert Reading.objects.count() == 1


def test_insert_or_replace_does_not_get_past_the_guards(bench):
    reading = bench.reading(code="r-first")
    columns = [f.column for f in Reading._meta.fields]
    row = list(Reading.objects.values_list(*columns).get())
    marks = ", ".join(["%s"] * len(row))
    names = ", ".join(f'"{c}"' for c in columns)
    statement = f"INSERT OR REPLACE INTO specimens_reading ({names}) VALUES ({marks})"
    row[columns.index("value")] = "99"
    with refuses("never replaced"):  # the same primary key
        run(statement, *row)
    row[columns.index("id")] = reading.pk + 1
    with refuses("never replaced"):  # another primary key, the same code
        run(statement, *row)
    assert Reading.objects.get().value == "12.5"


def test_a_void_is_not_taken_back(bench):
    void = Void.objects.create(reading=bench.reading(), voided_by="op-a", reason="slipped in the jaw")
    with refuses("voids are never deleted"), transaction.atomic():
        void.delete()
    with refuses("voids are never changed"), transaction.atomic():
        Void.objects.update(reason="other")


def test_the_record_has_no_edit_path():
    Event.objects.create(actor_name="someone", verb="looked")
    with refuses("events are never changed"), transaction.atomic():
        Event.objects.update(verb="did")
    with refuses("events are never deleted"), transaction.atomic():
        Event.objects.all().delete()


def test_a_reading_belongs_to_one_programme(bench):
    other = make_bench()
    with refuses("trial belongs to another programme"), transaction.atomic():
        bench.reading(trial=other.trial)
    with refuses("product belongs to another programme"), transaction.atomic():
        bench.reading(product=other.product, unit=None, specimen=None)
    with refuses("unit belongs to another product"), transaction.atomic():
        bench.reading(unit=other.unit, specimen=None)


def test_a_reading_is_replaced_once_and_by_the_same_specimen_in_the_same_trial(bench):
    first = bench.reading()
    bench.reading(replaces=first, replace_reason="misread")
    with pytest.raises(DatabaseError), transaction.atomic():
        bench.reading(replaces=first, replace_reason="again")
    second = bench.reading()
    with refuses("replaces belongs to another specimen"), transaction.atomic():
        bench.reading(replaces=second, replace_reason="misread", specimen=None)
    with refuses("reading_replaces_with_reason"), transaction.atomic():
        bench.reading(replaces=second)


def test_a_chain_cannot_close_on_itself(bench):
    a, b = 900_001, 900_002
    with pytest.raises(DatabaseError), transaction.atomic():
        bench.reading(id=a, replaces_id=b, replace_reason="misread")
        bench.reading(id=b, replaces_id=a, replace_reason="misread")
    assert Reading.objects.count() == 0


def test_what_gives_a_reading_its_meaning_locks_with_the_first_reading(bench):
    other = make_bench()
    bench.property.unit = "lbf"
    bench.property.save()  # nothing measured yet: free to change
    bench.reading()
    bench.property.unit = "N"
    with refuses("keep their value, since readings rest on them"), transaction.atomic():
        bench.property.save()
    with refuses("keep their value"), transaction.atomic():
        type(bench.trial).objects.filter(pk=bench.trial.pk).update(reading_unit="kgf")
    with refuses("keep their value"), transaction.atomic():
        TrialDimension.objects.create(trial=bench.trial, property=bench.property, position=0)
    with refuses("keep their value|another programme"), transaction.atomic():
        type(bench.specimen).objects.filter(pk=bench.specimen.pk).update(unit=other.unit)
    bench.property.refresh_from_db()
    bench.property.name = "Breaking force"
    bench.property.save()  # a name gives no meaning to a number


def test_a_lost_guard_is_told_and_migrate_brings_it_back(bench):
    from django.core.checks import run_checks
    from django.core.management import call_command

    with connection.cursor() as cursor:
        cursor.execute('DROP TRIGGER "guard_specimens_reading_no_update"')
    errors = run_checks(databases=["default"], tags=["database"])
    assert [e.id for e in errors] == ["specimens.E001"]
    assert "migrate" in errors[0].hint
    call_command("migrate", verbosity=0)
    assert run_checks(databases=["default"], tags=["database"]) == []

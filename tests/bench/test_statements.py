"""Queries whose SQL is made once answer as the ORM does, and nothing that is kept hides what has changed."""

from __future__ import annotations

import uuid
from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from specimens.bench import entries, readings, reviewing
from specimens.bench.statements import Insert, Statement, moment
from specimens.models import (
    Absence,
    BenchPlace,
    Instrument,
    ProgrammeInstrument,
    Reading,
    Run,
    Submission,
)
from tests.bench.staging import stamp


@pytest.fixture
def places(stage, send):
    made = stage.plan("force")
    send(*(stage.entry("force", place.specimen, f"{40 + i}") for i, place in enumerate(made[:6])))
    return made


def test_statements_answer_as_the_orm_does(stage, places):
    trial, specimen = stage.trials["force"].pk, places[0].specimen
    for place in places:
        (row,) = readings.PLACES.rows(trial=trial, label=place.specimen.blind_code)
        assert row[1:3] == (place.specimen.pk, place.specimen.code)
        assert row[6] == place.specimen.unit.product_id
    assert readings.PLACES.rows(trial=trial, label="none") == []
    product = specimen.unit.product_id
    live = Reading.objects.filter(trial=trial, product=product).values_list("pk", "converted__value", "failure_mode")
    assert sorted(reviewing.SIBLINGS.rows(trial=trial, product=product)) == sorted(live)
    order, done_at = readings.LAST.rows(trial=trial)[0]
    last = Submission.objects.order_by("-done_at", "-reading_id").first()
    assert (order, moment(done_at)) == (last.reading.order, last.done_at)
    sent = Submission.objects.first()
    assert entries.KNOWN.rows(key=sent.pk) == [("reading",)]
    assert entries.KNOWN.rows(key=uuid.uuid4()) == []


def test_a_value_that_does_not_reach_the_sql_unchanged_is_an_error(db):
    statement = Statement(lambda code: BenchPlace.objects.filter(block__contains=code).values_list("pk"), code=str)
    with pytest.raises(ValueError, match="do not reach the SQL unchanged"):
        statement.rows(code="x")


def test_an_insert_stores_every_field_as_save_does(stage, places):
    first = Submission.objects.first()
    values = {field.name: getattr(first, field.name) for field in Submission._meta.concrete_fields}
    values["id"] = uuid.uuid4()
    made = Insert(Submission).row(**values)
    found = Submission.objects.get(pk=made.pk)
    for field in Submission._meta.concrete_fields:
        assert getattr(found, field.attname) == getattr(made, field.attname), field
    with pytest.raises(IntegrityError), transaction.atomic():
        Insert(Submission).row(**values)


def test_an_insert_knows_the_key_that_the_database_gave(stage, places):
    run = Insert(Run).row(trial=stage.trials["force"], code="r9", started_at=timezone.now(), reason="new")
    assert Run.objects.get(code="r9").pk == run.pk
    run.reason = "newer"
    run.save()
    assert Run.objects.get().reason == "newer"


# --- what is kept for some seconds


def test_a_gauge_that_was_entered_a_moment_ago_can_be_named(stage, send, places):
    gauge = Instrument.objects.create(name="New gauge", unit="N")
    ProgrammeInstrument.objects.create(programme=stage.programme, instrument=gauge, code="new")
    (answer,) = send(stage.entry("force", places[7].specimen, "42", instrument="new"))
    assert answer["status"] == "stored"
    assert Reading.objects.get(code=answer["reading"]).instrument == gauge


def test_a_product_that_was_taken_back_into_the_plan_is_not_refused(stage, send, places):
    specimen = places[7].specimen
    out = Absence.objects.create(trial=stage.trials["force"], product=specimen.unit.product, reason="not_planned")
    from specimens.bench import context

    context.forget()
    assert send(stage.entry("force", specimen))[0]["status"] == "refused"
    out.delete()
    assert send(stage.entry("force", specimen))[0]["status"] == "stored"


def test_a_run_that_was_opened_a_moment_ago_holds_for_the_next_reading(stage, send, places):
    Run.objects.create(trial=stage.trials["force"], code="r1")
    second = Run.objects.create(
        trial=stage.trials["force"], code="r2", started_at=timezone.now() - timedelta(minutes=1)
    )
    (answer,) = send(stage.entry("force", places[7].specimen, made_at=stamp()))
    assert Reading.objects.get(code=answer["reading"]).run == second


def test_a_code_that_is_taken_gets_longer(stage, send, places):
    entry = stage.entry("force", places[7].specimen)
    code = f"b-{uuid.UUID(entry['id']).hex[:12]}"
    before = Reading.objects.first()
    Reading.objects.create(
        programme=stage.programme, code=code, trial=before.trial, product=before.product, value="1"
    )
    (answer,) = send(entry)
    assert answer["status"] == "stored"
    assert answer["reading"] == f"b-{uuid.UUID(entry['id']).hex}"

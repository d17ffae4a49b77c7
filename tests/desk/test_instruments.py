"""Instruments: calibrations, what rests on one that was found wrong, notices, and correcting readings by a factor."""

from __future__ import annotations

import csv
import io
import json
from datetime import date, timedelta

import pytest
from django.db import DatabaseError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from comparisons.folder.importer import import_tables
from comparisons.models import EditionNotice, Event
from comparisons.services import affected, editing, evaluation, instruments, verification
from comparisons.services.errors import NotAllowed, NotReady, Stale
from comparisons.services.record import draft_events
from specimens import guards
from specimens.fields import Number
from specimens.models import (
    Calibration,
    Instrument,
    InstrumentFault,
    Programme,
    ProgrammeInstrument,
    Reading,
    ReadingCorrection,
)
from tests.public.small_study import import_small, small_study, table
from tests.public.staging import publish

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"
JANUARY = date(2026, 1, 1)  # the small study was read on 7 January 2026


@pytest.fixture
def strings(cast):
    return import_small()


@pytest.fixture
def programme(strings):
    return strings.programmes.get()


@pytest.fixture
def gauge(strings):
    return Instrument.objects.get()


@pytest.fixture
def fault(gauge, cast):
    return instruments.record_fault(cast["planner"], gauge, since=JANUARY, what="6 % too much.", factor="1.06")


@pytest.fixture
def editor(client, cast):
    client.force_login(cast["editor"], backend=BACKEND)
    return client


def means(comparison) -> dict:
    document = json.loads(evaluation.run_evaluation(comparison).document)
    return {(row["trial"], row["product"]): row["mean"] for row in document["summaries"]}


# -- recording -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("given", "field", "told"), [
    ({"since": None}, "since", "Found no day"),
    ({"since": timezone.localdate() + timedelta(days=1)}, "since", "lies ahead"),
    ({"since": date(1066, 10, 14)}, "since", "expected a day from 1900"),
    ({"since": JANUARY, "until": JANUARY - timedelta(days=1)}, "until", "lies before the first day"),
    ({"since": JANUARY, "until": timezone.localdate() + timedelta(days=9)}, "until", "lies ahead"),
    ({"since": JANUARY, "factor": "0"}, "factor", "above 0"),
    ({"since": JANUARY, "factor": "-1.06"}, "factor", "above 0"),
    ({"since": JANUARY, "factor": "six"}, "factor", "expected a number"),
    ({"since": JANUARY, "factor": "NaN"}, "factor", "expected a finite number"),
    ({"since": JANUARY, "factor": "1e9"}, "factor", "between 0.001 and 1000"),
    ({"since": JANUARY, "factor": "1"}, "factor", "changes nothing"),
    ({"since": JANUARY, "what": " "}, "what", "Say in a sentence"),
    ({"since": JANUARY, "what": "x" * 10_000}, "what", "shorten it"),
])  # fmt: skip
def test_a_fault_that_cannot_be(gauge, cast, given, field, told):
    with pytest.raises(editing.Invalid) as caught:
        instruments.record_fault(cast["planner"], gauge, **{"what": "It is wrong.", "factor": "", **given})
    assert told in " ".join(caught.value.errors[field])
    assert not InstrumentFault.objects.exists() and not Event.objects.filter(thing="instrument fault").exists()


def test_bench_members_tell_a_planner(gauge, cast):
    for name in ("bench-member", "operator", "stranger"):
        with pytest.raises(NotAllowed):
            instruments.record_fault(cast[name], gauge, since=JANUARY, what="It is wrong.")


def test_a_fault_is_on_the_record_and_never_changes(fault, programme):
    event = Event.objects.get(verb="found an instrument wrong")
    assert event.programme == programme and event.why == "6 % too much." and event.after["factor"] == "1.06"
    with pytest.raises(DatabaseError), transaction.atomic():
        InstrumentFault.objects.filter(pk=fault.pk).update(since=date(2025, 1, 1))
    with pytest.raises(DatabaseError), transaction.atomic():
        InstrumentFault.objects.all()._raw_delete("default")


# -- what rests on it ------------------------------------------------------------------------------------


def test_readings_trials_claims_scores_and_changes_are_listed(fault, strings):
    (one,) = affected.resting_on(fault)
    found = {trial.key: trial for trial in one.trials}
    assert set(found) == {"pull", "aged"}  # a knot is rated, a flame is looked at: no gauge
    assert (found["pull"].readings, found["pull"].first, found["pull"].undated) == (8, date(2026, 1, 7), 0)
    assert dict(found["pull"].products) == {"Ullvane String 00": 4, "Ullvane String 01": 4}
    assert one.criteria == ["Strength"] and one.weightings == ["All round"]
    assert len(one.claims) == 2 and one.readings == 16


def test_a_change_against_an_affected_baseline_is_affected(cast):
    """Only the baseline was read with the gauge: the change rests on it all the same."""
    readings = [row | {"instrument": "" if row["trial"] == "aged" else row["instrument"]}
                for row in small_study()["readings"].rows()]  # fmt: skip
    import_tables(small_study().replace({"readings": table("readings", readings)}))
    fault = instruments.record_fault(cast["planner"], Instrument.objects.get(), since=JANUARY, what="Wrong.")
    (one,) = affected.resting_on(fault)
    found = {trial.key: trial for trial in one.trials}
    assert found["aged"].readings == 0 and found["aged"].why.startswith("its change is against")


def test_days_before_and_after_do_not_count_and_readings_without_a_day_do(gauge, cast):
    def count(**days):
        fault = instruments.record_fault(cast["planner"], gauge, what="Wrong.", **days)
        return sum(one.readings for one in affected.resting_on(fault))

    assert count(since=date(2026, 1, 7), until=date(2026, 1, 7)) == 16
    assert count(since=date(2026, 1, 8)) == 0
    assert count(since=JANUARY, until=date(2026, 1, 6)) == 0
    with guards.lifted("default"):  # as an import without times would have left it
        Reading.objects.filter(code="r000000").update(taken_at=None)
    assert count(since=date(2026, 1, 8)) == 1


def test_sentences_of_the_article_that_rest_on_it(fault, strings):
    strings.article = (
        "It held [x](value:summaries/pull/p00/mean).\n\n[It leads](holds:lead/all/p00/clear), and "
        "[all passed](holds:passed/lit/p00/all)."
    )
    strings.save()
    (one,) = affected.resting_on(fault)
    assert [words for _, words in one.sentences] == ["x", "It leads"]


def test_editions_that_hold_such_readings_get_a_notice(strings, gauge, cast):
    edition = publish(strings, cast)
    fault = instruments.record_fault(
        cast["planner"], gauge, since=JANUARY, until=date(2026, 1, 31), what="Wrong.", factor="1.06"
    )
    assert [found.pk for found in affected.editions_that_rest_on(fault)] == [edition.pk]
    notice = EditionNotice.objects.get()
    assert notice.text.startswith("Gauge, 200 N, with which some of these readings were taken, was found wrong on ")
    assert "from 1 January 2026 to 31 January 2026" in notice.text and "%" not in notice.text
    assert Event.objects.filter(verb="put a notice", comparison=strings).count() == 1
    assert verification.verify_edition(edition) == []  # nothing frozen was touched


def test_an_edition_without_such_readings_gets_none(strings, gauge, cast):
    publish(strings, cast)
    instruments.record_fault(cast["planner"], gauge, since=date(2026, 3, 1), what="Wrong.")
    assert not EditionNotice.objects.exists()


def test_a_notice_is_lifted_by_an_editor_with_a_reason_and_kept(strings, gauge, cast):
    publish(strings, cast)
    instruments.record_fault(cast["planner"], gauge, since=JANUARY, what="Wrong.")
    notice = EditionNotice.objects.get()
    with pytest.raises(NotAllowed):
        instruments.lift_notice(cast["planner"], notice, reason="x")
    with pytest.raises(NotReady, match="Say why"):
        instruments.lift_notice(cast["editor"], notice, reason=" ")
    lifted = instruments.lift_notice(cast["editor"], notice, reason="Edition 2 says it right.")
    assert lifted.lifted_by == cast["editor"] and EditionNotice.objects.get().text == notice.text
    with pytest.raises(Stale):
        instruments.lift_notice(cast["editor"], notice, reason="again")
    assert Event.objects.get(verb="lifted a notice").why == "Edition 2 says it right."


def test_a_fault_is_closed_once_with_a_decision(fault, cast):
    with pytest.raises(NotAllowed):
        instruments.close_fault(cast["planner"], fault, decision="x")
    with pytest.raises(NotReady, match="Say what was decided"):
        instruments.close_fault(cast["editor"], fault, decision="")
    closed = instruments.close_fault(cast["editor"], fault, decision="The readings are corrected.")
    assert closed.closed_by == cast["editor"]
    with pytest.raises(Stale, match="The readings are corrected"):
        instruments.close_fault(cast["second-editor"], fault, decision="Another word.")


# -- correcting ------------------------------------------------------------------------------------------


def test_readings_are_multiplied_and_stay_as_typed_until_it_is_undone(fault, strings, programme, cast):
    """By hand: a gauge that shows 1.06 for 1 has shown 63.6 N for 60 N."""
    before = means(strings)
    typed = list(Reading.objects.order_by("pk").values_list("value", flat=True))
    row = instruments.correct_readings(cast["editor"], fault, programme, factor="0.94", reason="Dead weights.")
    assert row.code == "correction" and row.fault == fault and str(row.factor) == "0.94"
    assert not evaluation.standing(strings).fresh
    after = means(strings)
    for key in before:
        trial, _ = key
        factor = 0.94 if trial in ("pull", "aged") else 1
        assert after[key] == pytest.approx(before[key] * factor, rel=1e-9)
    assert list(Reading.objects.order_by("pk").values_list("value", flat=True)) == typed
    instruments.undo_correction(cast["editor"], row, reason="The weights were wrong.")
    assert means(strings) == before
    with pytest.raises(Stale):
        instruments.undo_correction(cast["editor"], row, reason="again")
    assert ReadingCorrection.objects.get().undone_reason == "The weights were wrong."
    assert [e.verb for e in draft_events(strings).order_by("id")][-2:] == ["corrected readings", "undid a correction"]


@pytest.mark.parametrize("factor", ["", "0", "-0.9", "a bit", "1", "inf", "1e-9", "0,94"])
def test_a_factor_that_is_none(fault, programme, cast, factor):
    with pytest.raises(editing.Invalid) as caught:
        instruments.correct_readings(cast["editor"], fault, programme, factor=factor, reason="Why not.")
    assert set(caught.value.errors) == {"factor"} and not ReadingCorrection.objects.exists()


def test_a_correction_needs_a_reason_an_editor_and_days_of_the_fault(fault, programme, cast):
    with pytest.raises(NotAllowed):
        instruments.correct_readings(cast["planner"], fault, programme, factor="0.94", reason="x")
    with pytest.raises(editing.Invalid) as caught:
        instruments.correct_readings(
            cast["editor"], fault, programme, factor="0.94", reason=" ", until=JANUARY - timedelta(days=1)
        )
    assert set(caught.value.errors) == {"reason", "until"}


def test_the_same_readings_are_not_corrected_twice(fault, programme, cast):
    first = instruments.correct_readings(cast["editor"], fault, programme, factor="0.94", reason="x")
    with pytest.raises(NotReady, match="corrected already.*undo that first"):
        instruments.correct_readings(cast["editor"], fault, programme, factor="0.9", reason="x")
    instruments.undo_correction(cast["editor"], first, reason="Another factor.")
    again = instruments.correct_readings(cast["editor"], fault, programme, factor="0.9", reason="x")
    assert again.code == "correction-2"


@pytest.mark.parametrize("unit", ["degC", "degF"])
def test_a_temperature_is_not_multiplied(cast, unit):
    """0 degC is no nothing: 6 % of 20 degC is another amount in degF."""
    tables = small_study(more=False)
    properties = [row | ({"unit": unit} if row["property"] == "force" else {}) for row in tables["properties"].rows()]
    readings = [row | {"unit_of_measure": unit} for row in tables["readings"].rows()]
    gauge = [row | {"unit": unit} for row in tables["instruments"].rows()]
    tables = tables.replace({"properties": table("properties", properties), "readings": table("readings", readings),
                             "instruments": table("instruments", gauge)})  # fmt: skip
    comparison, _ = import_tables(tables)
    fault = instruments.record_fault(cast["planner"], Instrument.objects.get(), since=JANUARY, what="Wrong.")
    with pytest.raises(editing.Invalid) as caught:
        instruments.correct_readings(
            cast["editor"], fault, comparison.programmes.get(), factor="0.94", reason="Dead weights."
        )
    assert f"readings in {unit}" in caught.value.errors["factor"][0]


def test_a_programme_without_such_readings(fault, cast):
    empty = Programme.objects.create(slug="empty", name="Empty")
    with pytest.raises(NotReady, match="has no dated reading"):
        instruments.correct_readings(cast["editor"], fault, empty, factor="0.94", reason="x")


def test_a_suggested_factor_undoes_what_the_gauge_showed():
    assert instruments.suggested_factor(InstrumentFault(factor=Number("1.25"))) == "0.8"
    assert instruments.suggested_factor(InstrumentFault()) == ""


# -- instruments and calibrations ------------------------------------------------------------------------


def test_a_calibration_makes_every_draft_stale_that_rests_on_it(gauge, strings, cast):
    evaluation.run_evaluation(strings)
    row = Calibration(instrument=gauge, calibrated_on=date(2026, 1, 5), U=Number("0.2"), k=Number("2"))
    instruments.create(cast["planner"], row, thing="calibration")
    assert not evaluation.standing(strings).fresh
    evaluation.run_evaluation(strings)
    seen = editing.fingerprint(row, {"U": None})
    instruments.save(cast["planner"], row, {"U": Number("0.3")}, seen=seen, thing="calibration")
    assert not evaluation.standing(strings).fresh
    event = Event.objects.filter(thing="calibration", verb="changed").get()
    assert (event.before, event.after) == ({"U": "0.2"}, {"U": "0.3"})
    with pytest.raises(editing.Changed):
        instruments.save(cast["editor"], row, {"U": Number("0.4")}, seen=seen, thing="calibration")


def test_an_instrument_of_two_programmes_makes_both_stale(gauge, strings, cast):
    other = import_small("cords")
    for programme in (strings.programmes.get(), other.programmes.get()):
        ProgrammeInstrument.objects.get_or_create(programme=programme, instrument=gauge, defaults={"code": "gauge-b"})
    for comparison in (strings, other):
        evaluation.run_evaluation(comparison)
    seen = editing.fingerprint(gauge, {"resolution": None})
    instruments.save(cast["planner"], gauge, {"resolution": Number("0.5")}, seen=seen, thing="instrument")
    assert not evaluation.standing(strings).fresh and not evaluation.standing(other).fresh


def test_a_calibration_that_lies_ahead_and_a_unit_that_is_none(gauge, cast):
    ahead = timezone.localdate() + timedelta(days=1)
    with pytest.raises(editing.Invalid, match="lies ahead"):
        instruments.create(cast["planner"], Calibration(instrument=gauge, calibrated_on=ahead), thing="calibration")
    with pytest.raises(editing.Invalid):
        instruments.create(cast["planner"], Instrument(name="Gauge C", unit="flurbs"), thing="instrument")


def test_a_bench_is_let_choose_an_instrument_once(gauge, cast):
    empty = Programme.objects.create(slug="empty", name="Empty")
    new = instruments.create(cast["planner"], Instrument(name="Stop watch", serial="T-1"), thing="instrument")
    row = instruments.add_to_programme(cast["planner"], new, empty)
    assert row.code == "stop-watch-t-1"
    with pytest.raises(NotReady, match="has this instrument already"):
        instruments.add_to_programme(cast["planner"], new, empty)


# -- pages -----------------------------------------------------------------------------------------------


def test_from_the_list_to_a_corrected_draft_by_forms(editor, strings, gauge, programme, cast):
    publish(strings, cast)
    assert reverse("desk-instrument", args=[gauge.pk]) in editor.get("/desk/instruments/").content.decode()
    wrong = reverse("desk-fault-add", args=[gauge.pk])
    answer = editor.post(wrong, {"since": "2026-01-01", "until": "", "factor": "1.06", "what": "6 % too much."})
    fault = InstrumentFault.objects.get()
    assert answer["Location"] == reverse("desk-fault", args=[fault.pk])
    html = editor.get(answer["Location"]).content.decode()
    assert 'value="0.943396"' in html and "Carries a notice" in html and "Edition 1" in html
    correct = {"programme": programme.pk, "factor": "0.943396", "until": "2026-01-31", "reason": "Dead weights."}
    assert editor.post(reverse("desk-fault-correct", args=[fault.pk]), correct).status_code == 302
    assert editor.post(reverse("desk-fault-close", args=[fault.pk]), {"decision": "Corrected."}).status_code == 302
    notice = EditionNotice.objects.get()
    lift = reverse("desk-notice-lift", args=[notice.pk])
    assert editor.post(lift, {"reason": "Told.", "from": "fault"})["Location"] == answer["Location"]
    html = editor.get(answer["Location"]).content.decode()
    assert "Corrected." in html and "Notice lifted on" in html and "times 0.943396" in html


@pytest.mark.parametrize(("typed", "told"), [
    ({"since": "", "what": "x"}, "Found no day"),
    ({"since": "2026-02-31", "what": "x"}, "Enter a valid date"),
    ({"since": "2999-01-01", "what": "x"}, "lies ahead"),
    ({"since": "2026-01-05", "until": "2026-01-01", "what": "x"}, "lies before the first day"),
    ({"since": "2026-01-05", "factor": "-2", "what": "kept words"}, "above 0"),
    ({"since": "2026-01-05", "factor": "<b>1", "what": "kept words"}, "expected a number"),
])  # fmt: skip
def test_a_form_that_is_not_accepted_comes_back_filled(editor, gauge, typed, told):
    answer = editor.post(reverse("desk-fault-add", args=[gauge.pk]), typed)
    html = answer.content.decode()
    assert answer.status_code == 422 and told in html and typed["what"] in html
    assert not InstrumentFault.objects.exists()


def test_a_refused_correction_comes_back_filled(editor, fault, programme):
    typed = {"programme": programme.pk, "factor": "zero", "until": "never", "reason": "kept words"}
    answer = editor.post(reverse("desk-fault-correct", args=[fault.pk]), typed)
    html = answer.content.decode()
    assert answer.status_code == 422 and "expected a day such as" in html and "kept words" in html
    typed["until"] = "2026-01-31"
    html = editor.post(reverse("desk-fault-correct", args=[fault.pk]), typed).content.decode()
    assert "expected a number" in html and 'value="zero"' in html


def test_every_reading_is_a_line_of_a_table(editor, fault):
    answer = editor.get(reverse("desk-fault-readings", args=[fault.pk]))
    rows = list(csv.reader(io.StringIO(b"".join(answer.streaming_content).decode())))
    assert rows[0][:3] == ["programme", "reading", "trial"] and len(rows) == 17
    assert {row[-1] for row in rows[1:]} == {"yes"}


def test_a_calibration_by_its_form(editor, gauge):
    add = reverse("desk-calibration-add", args=[gauge.pk])
    typed = {"calibrated_on": "2026-01-05", "due_on": "2027-01-05", "U": "0,2", "k": "2", "seen": ""}
    assert "write a point for decimals" in editor.post(add, typed).content.decode()
    assert editor.post(add, typed | {"U": "0.20"}).status_code == 302
    row = Calibration.objects.get()
    assert str(row.U) == "0.20"
    page = editor.get(reverse("desk-calibration", args=[gauge.pk, row.pk])).content.decode()
    assert 'value="0.20"' in page
    again = editor.post(add, typed | {"U": "0.20"})
    assert again.status_code == 422  # one calibration a day


def test_nothing_of_another_instrument_is_changed_by_its_address(editor, gauge, cast):
    other = Instrument.objects.create(name="Other")
    row = Calibration.objects.create(instrument=other, calibrated_on=date(2026, 1, 1))
    assert editor.get(reverse("desk-calibration", args=[gauge.pk, row.pk])).status_code == 404


def test_pages_take_as_many_queries_whatever_the_size(editor, cast):
    counts = []
    for slug, size in (("little", {}), ("large", {"products": 6, "units": 4, "per_unit": 3})):
        publish(import_small(slug, **size), cast)
        gauge = Reading.objects.filter(programme__slug=slug).exclude(instrument=None).first().instrument
        fault = instruments.record_fault(cast["planner"], gauge, since=JANUARY, what="Wrong.")
        queries = []
        for path in ("/desk/instruments/", reverse("desk-fault", args=[fault.pk])):
            editor.get(path)
            with CaptureQueriesContext(connection) as captured:
                editor.get(path)
            queries.append(len(captured))
        counts.append(queries)
        instruments.close_fault(cast["editor"], fault, decision="Nothing.")
    assert counts[0][0] == counts[1][0]
    assert counts[1][1] <= counts[0][1] + 2, counts  # both comparisons know the gauge by then


def test_a_correction_that_came_with_a_study_is_undone_where_its_gauge_is(editor):
    row = {"correction": "gauge-1", "instrument": "gauge", "since": "2026-01-07", "until": "2026-01-07",
           "factor": "0.9", "reason": "It showed too much."}  # fmt: skip
    import_tables(small_study().replace({"corrections": table("corrections", [row])}))
    gauge, made = Instrument.objects.get(), ReadingCorrection.objects.get()
    page = reverse("desk-instrument", args=[gauge.pk])
    assert "It showed too much." in editor.get(page).content.decode()
    undo = reverse("desk-correction-undo", args=[made.pk])
    assert editor.post(undo, {"reason": ""}).status_code == 422
    assert editor.post(undo, {"reason": "It did not."})["Location"] == page
    assert ReadingCorrection.objects.get().undone_reason == "It did not."


def test_readers_see_which_readings_were_corrected_and_why(client, fault, strings, programme, cast):
    instruments.correct_readings(cast["editor"], fault, programme, factor="0.94", reason="Dead weights")
    instruments.close_fault(cast["editor"], fault, decision="Corrected.")
    cast["editor"] = cast["second-editor"]  # who corrected has changed the draft
    publish(strings, cast)
    html = client.get("/c/strings/").content.decode()
    assert 'id="corrected-readings"' in html and "16 readings, times 0.94. Dead weights." in html

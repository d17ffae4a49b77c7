"""Changing one row: two people at once, the frozen plan, and what the database keeps."""

from __future__ import annotations

import pytest
from django.db import DatabaseError, transaction
from django.test import RequestFactory

from comparisons.models import Comparison, Criterion, Deviation, Event, Weight
from comparisons.services import editing
from comparisons.services.errors import NotAllowed, NotReady, Stale
from comparisons.views.editing import DeskForm, TypedNumber, edit
from specimens.models import MakerAnswer, ProgrammeProduct, Property
from tests.public.small_study import import_small

pytestmark = pytest.mark.django_db


@pytest.fixture
def study(cast):
    return import_small()


@pytest.fixture
def criterion(study):
    return Criterion.objects.get(comparison=study, code="strength")


def save(actor, row, values, *, seen=None, **more):
    return editing.save(
        actor, row, values, seen=seen or editing.fingerprint(row, values), thing="criterion", **more
    )  # fmt: skip


def test_a_change_is_stored_with_its_line_in_the_record(study, cast):
    one = Property.objects.get(code="force")
    programme = one.programme
    editing.save(
        cast["planner"], one, {"name": "Pull to break"}, seen=editing.fingerprint(one, {"name"}),
        programme=programme, thing="property",
    )  # fmt: skip
    one.refresh_from_db()
    assert one.name == "Pull to break"
    event = Event.objects.first()
    assert (event.verb, event.thing, event.code, event.changes_draft) == ("changed", "property", "force", True)
    assert event.before == {"name": "Breaking force"} and event.after == {"name": "Pull to break"}
    assert event.programme == programme and event.actor == cast["planner"]


def test_what_did_not_change_leaves_no_line(study, cast, criterion):
    before = Event.objects.count()
    save(cast["planner"], criterion, {"name": criterion.name}, comparison=study)
    assert Event.objects.count() == before


def test_the_second_of_two_is_told_what_the_first_did_and_nothing_is_written(study, cast, criterion):
    seen = editing.fingerprint(criterion, {"name"})
    save(cast["planner"], criterion, {"name": "Strength, dry"}, seen=seen, comparison=study)
    with pytest.raises(editing.Changed) as caught:
        save(cast["editor"], criterion, {"name": "Pull"}, seen=seen, comparison=study)
    assert caught.value.by == "planner"
    assert [(d.field, d.theirs, d.yours) for d in caught.value.differences] == [("name", "Strength, dry", "Pull")]
    assert Criterion.objects.get(pk=criterion.pk).name == "Strength, dry"


def test_a_change_of_another_field_is_no_clash(study, cast, criterion):
    seen = editing.fingerprint(criterion, {"name"})
    save(cast["planner"], criterion, {"must": True}, comparison=study, why="Asked for by readers")
    save(cast["editor"], criterion, {"name": "Pull"}, seen=seen, comparison=study)
    now = Criterion.objects.get(pk=criterion.pk)
    assert (now.name, now.must) == ("Pull", True)


def test_a_row_that_is_gone_is_told(study, cast, criterion):
    Weight.objects.filter(criterion=criterion).delete()
    Criterion.objects.filter(pk=criterion.pk).delete()
    with pytest.raises(Stale, match="removed meanwhile"):
        save(cast["planner"], criterion, {"name": "Pull"}, comparison=study)


def test_a_frozen_plan_changes_with_a_reason_that_readers_see(study, cast, criterion):
    with pytest.raises(NotReady, match="plan is frozen"):
        save(cast["planner"], criterion, {"floor": "45"}, comparison=study)
    assert Criterion.objects.get(pk=criterion.pk).floor == 40
    save(cast["planner"], criterion, {"floor": "45"}, comparison=study, why="The first string broke at 44 N")
    told = Deviation.objects.filter(comparison=study).order_by("-id").first()
    assert (told.what, told.before, told.after) == ("criterion strength, floor", "40", "45")
    assert told.why == "The first string broke at 44 N" and told.by == "planner"


def test_names_are_no_part_of_the_plan(study, cast, criterion):
    before = Deviation.objects.count()
    save(cast["planner"], criterion, {"name": "Pull"}, comparison=study)
    assert Deviation.objects.count() == before


def test_a_bench_member_changes_nothing(study, cast, criterion):
    with pytest.raises(NotAllowed, match="Only a planner or an editor"):
        save(cast["bench-member"], criterion, {"name": "Pull"}, comparison=study)


def test_values_that_may_not_be_are_told_by_field(study, cast, criterion):
    with pytest.raises(editing.Invalid) as caught:
        save(cast["planner"], criterion, {"band": "-1"}, comparison=study, why="Tried")
    assert caught.value.errors
    assert Criterion.objects.get(pk=criterion.pk).band is None


def test_what_readings_rest_on_stays(study, cast):
    product = ProgrammeProduct.objects.get(code="p00")
    with pytest.raises(NotReady, match="“p00” stays: .*readings"):
        editing.remove(cast["planner"], product, programme=product.programme, thing="product")
    one = Property.objects.get(code="force")
    with pytest.raises(Exception, match="readings rest on them"):
        editing.save(
            cast["planner"], one, {"better": "less"}, seen=editing.fingerprint(one, {"better"}),
            programme=one.programme, thing="property", why="Mistaken",
        )  # fmt: skip
    assert Property.objects.get(pk=one.pk).better == "more"


@pytest.mark.parametrize("statement", [
    "UPDATE comparisons_comparison SET slug = 'other'",
    "UPDATE specimens_makeranswer SET text = 'We admit it.'",
    "DELETE FROM specimens_makeranswer",
])  # fmt: skip
def test_the_database_itself_keeps_what_is_fixed(study, statement):
    from django.db import connection

    assert MakerAnswer.objects.exists()
    with pytest.raises(DatabaseError, match="never"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement)


# --- the form


class ComparisonForm(DeskForm):
    class Meta:
        model = Comparison
        fields = ["title", "question", "confidence"]


def post(user, row, values):
    from django.contrib.messages.storage.fallback import FallbackStorage

    request = RequestFactory().post("/", values)
    request.user = user
    request.session = {}
    request._messages = FallbackStorage(request)
    return edit(
        request, form_class=ComparisonForm, row=row, place=None, comparison=row, thing="comparison",
        title="The question", back="/desk/",
    )  # fmt: skip


def shown(row) -> dict:
    return {
        "title": row.title, "question": row.question, "confidence": str(row.confidence),
        "seen": ComparisonForm(instance=row).initial["seen"],
    }  # fmt: skip


def test_a_form_saves_and_goes_back(study, cast):
    answer = post(cast["planner"], study, {**shown(study), "title": "Strings of hemp"})
    assert (answer.status_code, answer["Location"]) == (302, "/desk/")
    assert Comparison.objects.get(pk=study.pk).title == "Strings of hemp"


def test_two_forms_at_once_lose_nothing_that_was_typed(study, cast):
    typed = {**shown(study), "title": "Strings for parcels"}
    post(cast["editor"], Comparison.objects.get(pk=study.pk), {**shown(study), "title": "Strings of hemp"})
    answer = post(cast["planner"], study, typed)
    page = answer.content.decode()
    assert answer.status_code == 409
    assert "editor changed this while you had it open" in page
    assert "Strings of hemp" in page and 'value="Strings for parcels"' in page
    new = ComparisonForm(instance=Comparison.objects.get(pk=study.pk)).initial["seen"]
    assert f'value="{new}"' in page and f'value="{typed["seen"]}"' not in page
    again = post(cast["planner"], Comparison.objects.get(pk=study.pk), {**typed, "seen": new})
    assert again.status_code == 302
    assert Comparison.objects.get(pk=study.pk).title == "Strings for parcels"


def test_a_frozen_plan_asks_for_the_reason_in_the_form(study, cast):
    answer = post(cast["planner"], study, {**shown(study), "confidence": "0.99"})
    assert answer.status_code == 422 and "The plan is frozen: write why" in answer.content.decode()
    post(cast["planner"], study, {**shown(study), "confidence": "0.99", "why": "Asked for by the board"})
    assert str(Comparison.objects.get(pk=study.pk).confidence) == "0.99"


@pytest.mark.parametrize(("typed", "told"), [
    ("1,5", "write a point for decimals"), ("abc", "expected a number"), ("1e400", "expected"),
    ("9" * 10_000, "at most 64"), ("nan", "finite"),
])  # fmt: skip
def test_a_number_that_is_none_is_told_and_kept_in_the_form(study, cast, typed, told):
    answer = post(cast["planner"], study, {**shown(study), "confidence": typed, "why": "Tried"})
    page = answer.content.decode()
    assert answer.status_code == 422 and told in page
    assert typed in page


def test_marks_that_turn_a_text_around_are_taken_out(study, cast):
    post(cast["planner"], study, {**shown(study), "title": "Strings\u202e of\u0007 hemp"})
    assert Comparison.objects.get(pk=study.pk).title == "Strings of hemp"


def test_numbers_are_kept_as_typed():
    assert str(TypedNumber().clean("1.50")) == "1.50"
    assert TypedNumber(required=False).clean("") is None

"""Ways round the rules of the desk, each of them closed."""

from __future__ import annotations

import pytest

from comparisons.models import Deviation, Event
from comparisons.services import approval, claiming, editing, methods, planning
from comparisons.services.errors import NotAllowed, NotReady, Stale
from specimens.models import Absence, Claim, Condition, MethodRevision, Property, Trial
from tests.public.small_study import import_small
from tests.settling import settle

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"


@pytest.fixture
def study(cast):
    return import_small()


def test_an_editor_does_not_approve_a_wording_that_they_wrote_before_it_was_taken_up(study, cast):
    trial = Trial.objects.get(code="pull")
    old = trial.revision
    new = MethodRevision(method=old.method, revision="2", steps="1. Knot it twice. 2. Pull it.", relation="own")
    methods.new_revision(cast["editor"], new)
    methods.list_in(cast["planner"], trial.programme, MethodRevision.objects.get(revision="2"))
    settle(study, cast["planner"])
    request = approval.ask(study, actor=cast["planner"])
    with pytest.raises(NotAllowed, match="You changed this draft"):
        approval.decide(request, actor=cast["editor"], verdict="approved")
    assert approval.decide(request, actor=cast["second-editor"], verdict="approved")


@pytest.mark.parametrize(("model", "code", "values"), [
    (Condition, "heat", {"duration": "1"}), (Property, "force", {"tolerance_pct": "50"}),
])  # fmt: skip
def test_what_a_result_hangs_on_changes_after_the_freeze_with_a_reason(study, cast, model, code, values):
    row = model.objects.get(code=code)
    named = {"programme": row.programme, "thing": model.__name__.lower(), "seen": editing.fingerprint(row, values)}
    with pytest.raises(NotReady, match="plan is frozen"):
        editing.save(cast["planner"], row, values, **named)
    before = Deviation.objects.count()
    editing.save(cast["planner"], row, values, why="The oven broke down", **named)
    assert Deviation.objects.count() == before + 1


def test_a_row_that_two_people_remove_is_removed_once(study, cast):
    claim = Claim.objects.get(code="p01-min")
    twin = Claim.objects.get(code="p01-min")
    claiming.remove_claim(cast["planner"], claim)
    with pytest.raises(Stale, match="removed meanwhile"):
        claiming.remove_claim(cast["editor"], twin)
    assert Event.objects.filter(verb="removed", code="p01-min").count() == 1


def test_absences_that_somebody_else_changed_are_not_written_over(study, cast):
    trial = Trial.objects.get(code="pull")
    first, second = trial.programme.products.order_by("code")
    seen = planning.absences_seen(trial)
    planning.set_absences(cast["editor"], trial, {first.pk: ("lost", "in the post")}, seen=seen, why="Lost")
    with pytest.raises(Stale, match="Somebody changed these"):
        planning.set_absences(cast["planner"], trial, {second.pk: ("lost", "too")}, seen=seen, why="Lost")
    with pytest.raises(Stale):
        planning.set_absences(cast["planner"], trial, {first.pk: ("", "")}, seen="", why="Nothing typed")
    assert [one.product for one in Absence.objects.all()] == [first]


def test_a_planner_does_not_change_what_an_editor_said_counts(study, cast):
    claim = Claim.objects.get(code="p00-min")
    Claim.objects.filter(pk=claim.pk).update(governs=True, governs_reason="It is on the pack")
    values = {"value": "1"}
    with pytest.raises(NotAllowed, match="an editor has to change"):
        claiming.change_claim(cast["planner"], claim, values, seen=editing.fingerprint(claim, values))
    claiming.change_claim(cast["editor"], claim, values, seen=editing.fingerprint(claim, values))
    assert str(Claim.objects.get(pk=claim.pk).value) == "1"


def test_a_search_tells_no_rating(study, cast, client):
    client.force_login(cast["bench-member"], backend=BACKEND)
    rating = Trial.objects.get(code="knot").readings.first()
    page = client.get("/desk/search/", {"q": rating.code}).content.decode()
    assert rating.code in page and "a rating" in page


@pytest.mark.parametrize("name", ["a%0Ab", "none", "a%00b"])
def test_a_chart_that_is_not_there_is_not_found_whatever_the_reader_holds(client, edition, name):
    assert client.get(f"/c/strings/editions/1/charts/{name}.json").status_code == 404

"""Starting a comparison on the desk: from the library, from nothing."""

from __future__ import annotations

import pytest
from django.urls import reverse

from comparisons.models import Comparison, Event
from comparisons.services import editing, starting
from comparisons.services.errors import NotAllowed
from specimens import models as sm

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"
TYPED = {"title": "Cable ties 2026", "question": "Which cable tie holds?", "currency": "eur"}


@pytest.fixture
def planner(client, cast):
    client.force_login(cast["planner"], backend=BACKEND)
    return client


def test_a_comparison_is_started_from_the_library_by_clicking(planner):
    first = planner.get(reverse("desk-new")).content.decode()
    assert "?kind=cable-tie" in first and "?plain" in first
    page = planner.get(reverse("desk-new") + "?kind=cable-tie").content.decode()
    assert "Which cable tie holds what its package promises" in page
    assert "A tie that breaks throws its parts" in page and "common practice, no source" in page
    answer = planner.post(reverse("desk-new") + "?kind=cable-tie", TYPED | {"trial": ["loop-heat"]})
    assert answer["Location"] == reverse("desk-plan", args=["cable-ties-2026"])
    made = Comparison.objects.get(slug="cable-ties-2026")
    programme = made.parts.get().programme
    assert (made.currency, made.kind, made.plan_frozen_at) == ("EUR", "cable tie", None)
    assert (made.rule, str(made.confidence)) == ("probability", "0.95")
    # the baseline came along, though only the aged trial was ticked
    assert list(programme.trials.order_by("pk").values_list("code", "baseline__code")) == [
        ("loop", None), ("loop-heat", "loop"),
    ]  # fmt: skip
    assert [c.code for c in made.criteria.all()] == ["loop", "loop-heat", "price"]
    assert all(c.anchors_set_at is None and c.floor is None for c in made.criteria.all())
    event = Event.objects.get(verb="started")
    assert event.comparison == made and event.after["trials"] == ["loop", "loop-heat"] and event.changes_draft
    assert planner.get(answer["Location"]).status_code == 200


def test_a_comparison_is_started_from_nothing(planner):
    answer = planner.post(reverse("desk-new") + "?plain", TYPED | {"title": "Door stops", "kind_name": "door stop"})
    assert answer["Location"] == reverse("desk-plan", args=["door-stops"])
    made = Comparison.objects.get()
    assert made.kind == "door stop" and not made.criteria.exists()
    assert "No trial is planned." in planner.get(answer["Location"]).content.decode()


def test_what_was_typed_comes_back_with_one_line_for_each_fault(planner):
    page = planner.post(reverse("desk-new") + "?kind=padlock", {"title": "", "question": "Which?", "currency": "E1X"})
    text = page.content.decode()
    assert page.status_code == 422 and not Comparison.objects.exists()
    assert "Which?" in text
    page = planner.post(reverse("desk-new") + "?kind=padlock", TYPED | {"currency": "12€"})
    assert "three capital letters" in page.content.decode() and not Comparison.objects.exists()


@pytest.mark.parametrize(("title", "slug"), [
    ("New", "new-2"), ("Methods", "methods-2"), ("Ørsund <b>&amp; \u202eties</b>", "orsund-b-amp-ties-b"),
    ("鋼", "comparison"),
    ("x" * 200, "x" * 60),
])  # fmt: skip
def test_an_address_is_free_and_plain_whatever_the_title(cast, title, slug):
    made = starting.start(cast["planner"], title=title, question="Which?", currency="EUR")
    assert made.slug == slug


def test_two_of_one_title_have_two_addresses_and_share_methods(cast):
    one, two = (
        starting.start(cast["planner"], title="Ties", question="Which?", currency="EUR", template="cable-tie",
                       trials=["loop"])
        for _ in range(2)
    )  # fmt: skip
    assert (one.slug, two.slug) == ("ties", "ties-2")
    assert sm.Method.objects.count() == sm.MethodRevision.objects.count() == 1


def test_the_teams_own_later_wording_of_a_method_is_taken(cast):
    starting.start(cast["planner"], title="Ties", question="Which?", currency="EUR", template="cable-tie",
                   trials=["loop"])  # fmt: skip
    method = sm.Method.objects.get()
    later = sm.MethodRevision.objects.create(method=method, revision="2", steps="1. Ours.")
    two = starting.start(cast["planner"], title="Ties", question="Which?", currency="EUR", template="cable-tie",
                         trials=["loop"])  # fmt: skip
    assert two.parts.get().programme.trials.get().revision == later


def test_bench_members_and_strangers_start_nothing(client, cast):
    with pytest.raises(NotAllowed, match="planner or an editor"):
        starting.start(cast["bench-member"], title="Ties", question="Which?", currency="EUR")
    client.force_login(cast["bench-member"], backend=BACKEND)
    assert client.post(reverse("desk-new") + "?plain", TYPED | {"kind_name": ""}).status_code == 422
    client.force_login(cast["stranger"], backend=BACKEND)
    assert client.get(reverse("desk-new")).status_code == 404
    assert not Comparison.objects.exists()


def test_a_title_of_blanks_is_refused(cast):
    with pytest.raises(editing.Invalid):
        starting.start(cast["planner"], title="  ", question="Which?", currency="EUR")
    assert not sm.Programme.objects.exists()


def test_unknown_kinds_and_trials_are_passed_over(planner):
    assert planner.get(reverse("desk-new") + "?kind=../../etc").status_code == 200
    planner.post(reverse("desk-new") + "?kind=padlock", TYPED | {"trial": ["nonsense", "steps"]})
    assert [t.code for t in sm.Trial.objects.all()] == ["steps"]

"""The team's methods: their wordings, who uses them, and two wordings side by side."""

from __future__ import annotations

import pytest
from django.urls import reverse

from comparisons.models import Event
from comparisons.services import editing, methods
from comparisons.views.methods import side_by_side
from specimens import models as sm
from tests.public.small_study import import_small

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"


@pytest.fixture
def strings(cast):
    return import_small()


@pytest.fixture
def planner(client, cast, strings):
    client.force_login(cast["planner"], backend=BACKEND)
    return client


@pytest.fixture
def method(strings):
    return sm.Method.objects.get()


def shown(form) -> dict:
    return {f.html_name: "on" if f.value() is True else f.value() for f in form if f.value() not in (None, False, "")}


def test_methods_are_listed_with_who_uses_them(planner, method):
    page = planner.get(reverse("desk-methods")).content.decode()
    assert "Pulled by hand" in page and "Strings, strings" in page and "departs from ISO 2062" in page
    page = planner.get(reverse("desk-method", args=[method.pk])).content.decode()
    assert "wear eye protection" in page and "Hazardous." in page and "side by side" not in page


def test_a_wording_with_readings_keeps_its_steps_and_may_get_better_cautions(planner, method, strings):
    revision = method.revisions.get()
    address = reverse("desk-method-revision", args=[revision.pk])
    form = planner.get(address).context["form"]
    assert form.fields["steps"].disabled and not form.fields["cautions"].disabled
    answer = planner.post(address, shown(form) | {"steps": "1. Bite it.", "cautions": "Goggles, and gloves."})
    assert answer.status_code == 302
    revision.refresh_from_db()
    assert (revision.steps, revision.cautions) == ("1. Knot it. 2. Pull it.", "Goggles, and gloves.")
    # the drafts that use it are told, so that what was approved no longer stands
    assert Event.objects.filter(programme__parts__comparison=strings, thing="method", changes_draft=True).exists()
    answer = planner.post(address, shown(planner.get(address).context["form"]) | {"cautions": ""})
    assert answer.status_code == 422 and "needs its cautions" in answer.content.decode()


def test_a_new_revision_begins_from_the_latest_and_is_shown_beside_it(planner, method):
    address = reverse("desk-method-revise", args=[method.pk])
    form = planner.get(address).context["form"]
    assert (form["revision"].value(), form["steps"].value()) == ("2", "1. Knot it. 2. Pull it.")
    planner.post(address, shown(form) | {"steps": "1. Knot it twice. 2. Pull it."})
    assert method.revisions.count() == 2
    page = planner.get(reverse("desk-method", args=[method.pk])).content.decode()
    assert "<ins>it twice. </ins>" in page or "<ins>twice. </ins>" in page
    answer = planner.post(address, shown(form) | {"revision": "2"})
    assert answer.status_code == 422 and "There is a revision 2 already" in answer.content.decode()
    # trials keep the wording that they have
    assert set(sm.Trial.objects.filter(revision__isnull=False).values_list("revision__revision", flat=True)) == {"1"}


def test_side_by_side_tells_what_is_the_same_and_what_is_not():
    left = sm.MethodRevision(revision="1", steps="1. Cut it. 2. Pull it.", cautions="Goggles.", hazardous=True)
    right = sm.MethodRevision(revision="2", steps="1. Cut it. 2. Pull it slowly.", cautions="Goggles.", hazardous=True)
    rows = {row["label"]: row for row in side_by_side(left, right)}
    assert rows["Cautions"]["same"] and not rows["Steps"]["same"]
    assert "".join(text for _, text in rows["Steps"]["right_parts"]) == right.steps
    assert ("new", "it slowly.") in rows["Steps"]["right_parts"]
    assert "Standard" not in rows


def test_a_method_is_written_without_a_comparison(planner, cast):
    page = planner.post(reverse("desk-method-add"), {"title": "Pulled by hand", "revision": "1"}).content.decode()
    assert "The team has a method of that title" in page
    answer = planner.post(reverse("desk-method-add"), {"title": "Bent by hand", "revision": "1", "hazardous": "on"})
    assert "needs its cautions" in answer.content.decode()
    planner.post(reverse("desk-method-add"), {"title": "Bent by hand", "revision": "1"})
    assert sm.Method.objects.filter(title="Bent by hand").exists()
    row = sm.MethodRevision.objects.get(method__title="Bent by hand")
    with pytest.raises(editing.Changed):
        methods.save_revision(cast["planner"], row, {"steps": "1. Bend."}, seen="stale")


def test_two_at_one_wording_lose_nothing(planner, method):
    address = reverse("desk-method-revision", args=[method.revisions.get().pk])
    typed = shown(planner.get(address).context["form"])
    planner.post(address, typed | {"cannot_show": "Rain."})
    answer = planner.post(address, typed | {"cannot_show": "Frost."})
    assert answer.status_code == 409 and "Rain." in answer.content.decode() and "Frost." in answer.content.decode()


def test_bench_members_read_and_do_not_write(client, cast, method):
    client.force_login(cast["bench-member"], backend=BACKEND)
    assert "New method" not in client.get(reverse("desk-methods")).content.decode()
    assert client.post(reverse("desk-method-add"), {"title": "X", "revision": "1"}).status_code == 422
    assert sm.Method.objects.count() == 1


def test_a_long_text_is_compared_quickly_by_its_lines():
    text = "\n".join(f"{i}. Turn it." for i in range(1, 2000))
    left, right = sm.MethodRevision(revision="1", steps=text), sm.MethodRevision(revision="2", steps=text + "\nEnd.")
    (row,) = [r for r in side_by_side(left, right) if r["label"] == "Steps"]
    assert row["right_parts"][-1][1].endswith("End.")

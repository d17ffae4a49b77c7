"""More specimens for a trial that is planned: codes and places of their own, after all others, with the reason."""

from __future__ import annotations

import pytest
from django.test import Client
from django.utils import timezone

from comparisons.models import Comparison, ComparisonProgramme, Deviation, Event
from specimens.bench import adding, codes, cutting
from specimens.bench.errors import Refused
from specimens.models import BenchPlace, Specimen, Unit


def units(stage, *codes_) -> list[int]:
    return list(Unit.objects.filter(programme=stage.programme, code__in=codes_).values_list("pk", flat=True))


def more(stage, code, keys, of_each=2, reason="two broke in the vice"):
    return adding.add(stage.bench(code), keys, of_each, reason, actor=stage.people["planner"])


def test_they_come_after_all_others_with_codes_of_their_own(stage):
    stage.plan("force", per_specimen="150", per_specimen_unit="mm")
    made = more(stage, "force", units(stage, "alder-1", "birch-2"))
    assert [place.position for place in made] == [13, 14, 15, 16]
    assert {place.block for place in made} == {"added 1"}
    assert all(codes.is_right(place.specimen.blind_code) for place in made)
    assert sorted(place.specimen.unit.code for place in made) == ["alder-1", "alder-1", "birch-2", "birch-2"]
    assert Specimen.objects.exclude(blind_code="").values("blind_code").distinct().count() == 16
    assert {str(place.specimen.order_planned) for place in made} == {"13", "14", "15", "16"}
    row = next(row for row in cutting.of_programme(stage.programme) if row.unit == "alder-1")
    assert (row.count, row.takes, row.lacks) == (4, "600 mm", "100 mm"), "and have to be cut, too"
    assert {place.block for place in more(stage, "force", units(stage, "cedar-1"))} == {"added 2"}


def test_each_rater_of_a_panel_gets_them_in_an_order_of_their_own(stage):
    stage.plan("edge", raters=["bea", "ben"])
    made = more(stage, "edge", units(stage, "alder-1", "birch-1", "cedar-1"), of_each=4)
    orders = {rater: [p.specimen_id for p in made if p.rater == rater] for rater in ("bea", "ben")}
    assert set(orders["bea"]) == set(orders["ben"]) and len(orders["bea"]) == 12
    assert orders["bea"] != orders["ben"]


def test_the_reason_is_on_the_record_and_readers_see_a_change_of_a_frozen_plan(stage):
    frozen = Comparison.objects.create(
        slug="frozen", title="Clamps", question="Which?", currency="EUR", plan_frozen_at=timezone.now()
    )
    ComparisonProgramme.objects.create(comparison=frozen, programme=stage.programme)
    stage.plan("force")
    more(stage, "force", units(stage, "alder-1"))
    event = Event.objects.get(verb="added specimens")
    assert (event.before, event.after["specimens"], event.why, event.changes_draft) == (
        {"specimens": 12}, 14, "two broke in the vice", True,
    )  # fmt: skip
    deviation = Deviation.objects.get()
    assert (deviation.what, deviation.before, deviation.after) == ("trial force, specimens", "12", "14")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"reason": ""}, "Say why"), ({"keys": []}, "Choose the units"), ({"keys": [10**9]}, "Choose the units"),
        ({"of_each": 0}, "from 1 to 1000"), ({"of_each": 1001}, "from 1 to 1000"),
        ({"code": "holds"}, "not planned yet"),
    ],
)  # fmt: skip
def test_what_makes_no_sense_is_refused_and_leaves_nothing(stage, change, says):
    stage.plan("force")
    with pytest.raises(Refused, match=says):
        more(stage, **{"code": "force", "keys": units(stage, "alder-1"), **change})
    assert BenchPlace.objects.count() == 12 and Specimen.objects.count() == 12


def test_a_planner_adds_them_on_the_plans_page(stage):
    stage.plan("force")
    client = Client()
    client.force_login(stage.people["planner"], backend="django.contrib.auth.backends.ModelBackend")
    page = f"/bench/plan/{stage.programme.slug}/force/"
    assert "Add specimens" in client.get(page).content.decode()
    body = {"unit": units(stage, "alder-1", "alder-2"), "of_each": "1", "reason": "lost two"}
    said = client.post(f"{page}more/", body, follow=True)
    assert "Added: 2 specimens" in str(next(iter(said.context["messages"])))

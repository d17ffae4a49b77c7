"""Planning: specimens, blind codes, blocks, what to cut, runs."""

from __future__ import annotations

from collections import Counter
from decimal import Decimal

import pytest

from comparisons.models import Comparison, ComparisonProgramme, Deviation, Event
from specimens.bench import codes, cutting, planning, runs
from specimens.bench.cutting import Material
from specimens.bench.errors import Refused
from specimens.models import Absence, BenchPlace, BenchPlan, Purchase, Reading, Run, Specimen, Unit
from tests.bench.staging import make_stage, stamp


def test_units_and_replicates_make_specimens_with_codes_that_do_not_tell_the_product(stage):
    places = stage.plan("pull", replicates=3)
    specimens = [place.specimen for place in places]
    assert len(specimens) == 3 * 2 * 3
    assert Counter(one.unit.code for one in specimens) == {f"{p}-{u}": 3 for p in stage.products for u in (1, 2)}
    labels = [one.blind_code for one in specimens]
    assert len(set(labels)) == 18
    assert all(map(codes.is_right, labels))
    assert not any(product[:3].upper() in label for label in labels for product in stage.products)


def test_a_label_leads_to_one_specimen_over_all_programmes(stage):
    other = make_stage(people=False)
    other.people = stage.people
    stage.plan("force", replicates=10)
    other.plan("force", replicates=10)
    assert len(set(Specimen.objects.values_list("blind_code", flat=True))) == 120


def test_the_order_is_blocked_and_exported_with_the_specimens(stage):
    places = stage.plan("force", replicates=2)
    assert [place.position for place in places] == list(range(1, 13))
    for block in ("block 1", "block 2"):
        own = [place.specimen.unit for place in places if place.block == block]
        assert Counter(unit.product.code for unit in own) == dict.fromkeys(stage.products, 2)
    assert all(str(place.specimen.order_planned) == str(place.position) for place in places)


def test_the_same_seed_gives_the_same_order_and_is_kept(stage):
    places = stage.plan("force", seed=99)
    again = make_stage(people=False)
    again.people = stage.people
    same = again.plan("force", seed=99)
    assert [p.specimen.code for p in places] == [p.specimen.code for p in same]
    assert BenchPlan.objects.get(trial=stage.trials["force"]).seed == 99
    stage.trials["force"].refresh_from_db()
    assert stage.trials["force"].seed == 99


def test_a_seed_that_is_not_given_is_drawn_and_kept(stage):
    stage.plan("force", seed=None)
    stage.trials["force"].refresh_from_db()
    assert stage.trials["force"].seed == BenchPlan.objects.get().seed >= 0


def test_by_day_every_day_holds_a_share_of_each_product(stage):
    places = stage.plan("force", replicates=4, blocking="day", days=4)
    for day in range(1, 5):
        own = [p.specimen.unit.product.code for p in places if p.block == f"block {day}"]
        assert Counter(own) == dict.fromkeys(stage.products, 2)


def test_products_that_are_left_out_get_no_specimens(stage):
    Absence.objects.create(trial=stage.trials["force"], product=stage.products["cedar"], reason="not_planned")
    places = stage.plan("force")
    assert {place.specimen.unit.product.code for place in places} == {"alder", "birch"}


def test_only_as_many_units_as_planned_are_taken_unless_chosen(stage):
    for code in ("alder", "birch"):
        Unit.objects.create(programme=stage.programme, product=stage.products[code], code=f"{code}-3")
    assert {p.specimen.unit.code for p in stage.plan("force")} == {f"{p}-{u}" for p in stage.products for u in (1, 2)}
    chosen = [unit.pk for unit in Unit.objects.filter(code__endswith="-3")]
    assert {p.specimen.unit.code for p in stage.plan("width", units=chosen)} == {"alder-3", "birch-3"}


def test_a_trial_is_planned_once(stage):
    stage.plan("force")
    with pytest.raises(Refused, match="planned already"):
        stage.plan("force")
    assert BenchPlace.objects.count() == 12


def test_a_paired_trial_takes_the_specimens_of_its_baseline(stage):
    stage.trials["aged"].paired = True
    stage.trials["aged"].save()
    with pytest.raises(Refused, match="which has none yet"):
        stage.plan("aged")
    before = {place.specimen_id for place in stage.plan("force")}
    after = stage.plan("aged")
    assert {place.specimen_id for place in after} == before
    kept = [str(place.specimen.order_planned) for place in after]
    assert kept != [str(place.position) for place in after], "the first plan's order stays with the specimens"


def test_specimens_that_are_there_can_be_taken(stage):
    first = stage.plan("force", replicates=3)
    again = stage.plan("holds", replicates=2, existing=True)
    assert {p.specimen_id for p in again} < {p.specimen_id for p in first}
    assert Counter(p.specimen.unit.code for p in again).most_common(1)[0][1] == 2
    assert Specimen.objects.count() == 18


@pytest.mark.parametrize(
    ("wishes", "says"),
    [
        ({"replicates": 0}, "1 to 1000"), ({"replicates": 1001}, "1 to 1000"), ({"blocking": "week"}, "blocked"),
        ({"blocking": "day"}, "how many days"), ({"blocking": "day", "days": 0}, "how many days"),
        ({"seed": -1}, "whole number"), ({"seed": 2**63}, "whole number"), ({"units": [10**9]}, "load the page again"),
        ({"replicates": 1000}, "are too many"),
    ],
)  # fmt: skip
def test_plans_that_make_no_sense_are_refused_and_leave_nothing(stage, wishes, says):
    with pytest.raises(Refused, match=says):
        stage.plan("force", **wishes)
    assert not Specimen.objects.exists() and not BenchPlan.objects.exists()


def test_planning_is_on_the_record_and_a_change_of_a_frozen_plan_is_a_deviation(stage):
    from django.utils import timezone

    frozen = Comparison.objects.create(
        slug="frozen", title="Clamps", question="Which?", currency="EUR", plan_frozen_at=timezone.now()
    )
    loose = Comparison.objects.create(slug="loose", title="Clamps", question="Which?", currency="EUR")
    for comparison in (frozen, loose):
        ComparisonProgramme.objects.create(comparison=comparison, programme=stage.programme)
    stage.plan("force", replicates=5)
    event = Event.objects.get(verb="planned bench work")
    assert (event.code, event.after["specimens"], event.actor_name, event.changes_draft) == ("force", 30, "pat", True)
    deviation = Deviation.objects.get()
    assert (deviation.comparison, deviation.before, deviation.after) == (frozen, "2", "5")
    assert deviation.by == "pat"


def test_codes_of_specimens_fit_however_long_those_of_units_are(stage):
    long = "x" * 78
    unit = Unit.objects.create(programme=stage.programme, product=stage.products["alder"], code=f"{long}-1")
    places = stage.plan("force", units=[unit.pk], replicates=12)
    assert len({p.specimen.code for p in places}) == 12
    assert max(len(p.specimen.code) for p in places) <= 80


# --- what to cut


def test_what_to_cut_from_which_unit_and_what_is_missing(stage):
    """Cedar's items hold 0.1 m: two specimens of 150 mm with 10 % lost take 330 mm, 230 mm more than there are."""
    bench = stage.bench("force")
    material = Material(Decimal("150"), "mm", Decimal("10"), "item")
    rows = cutting.preview(bench, planning.available_units(bench), 2, material)
    assert [(r.unit, r.takes, r.holds, r.lacks) for r in rows[:1] + rows[-1:]] == [
        ("alder-1", "330 mm", "500 mm", ""), ("cedar-2", "330 mm", "100 mm", "230 mm"),
    ]  # fmt: skip
    told = [(one.product, one.text) for one in cutting.missing(bench, rows)]
    assert len(told) == 2
    assert "230 mm missing of unit cedar-1: it holds 100 mm, 330 mm are needed" in told[0][1]


def test_a_unit_that_is_a_pack_holds_all_its_items(stage):
    bench = stage.bench("force")
    units = planning.available_units(bench)
    rows = cutting.preview(bench, units, 2, Material(Decimal("150"), "mm", Decimal(0), "pack"))
    assert {(r.holds, r.lacks) for r in rows if r.unit.startswith("cedar")} == {("1000 mm", "")}
    rows = cutting.preview(bench, units, 12, Material(Decimal(1), "count", Decimal(0), "pack"))
    assert {(r.takes, r.holds, r.lacks) for r in rows} == {("12 count", "10 count", "2 count")}


def test_what_cannot_be_worked_out_is_said_and_is_no_zero(stage):
    bench = stage.bench("force")
    Purchase.objects.filter(code="alder-p1").update(content=None, content_unit="")
    Unit.objects.filter(code="birch-1").update(purchase=None)
    found = cutting.preview(bench, planning.available_units(bench), 2, Material(Decimal(2), "g", Decimal(0)))
    rows = {row.unit: row for row in found}
    assert "does not say what an item holds" in rows["alder-1"].why_unknown
    assert "names no purchase" in rows["birch-1"].why_unknown
    assert "bought by a length" in rows["cedar-1"].why_unknown
    assert {r.holds for r in rows.values()} == {""}


def test_units_that_were_planned_and_not_entered_are_missing(stage):
    Unit.objects.filter(code="birch-2").delete()
    bench = stage.bench("force")
    told = cutting.missing(bench, [])
    assert [(one.product.split()[0], one.text) for one in told] == [
        ("Birchfen", "1 unit missing: 2 planned, 1 entered")
    ]


def test_over_all_trials_each_specimen_is_cut_once(stage):
    stage.plan("force", per_specimen="150", per_specimen_unit="mm")
    stage.plan("holds", existing=True, per_specimen="20", per_specimen_unit="mm")
    stage.plan("width", replicates=1, per_specimen="0.1", per_specimen_unit="m")
    rows = {row.unit: row for row in cutting.of_programme(stage.programme)}
    assert rows["alder-1"].count == 3
    assert rows["alder-1"].takes == "400 mm"  # 2 x 150 mm and 0.1 m
    stage.plan("peel", replicates=1)
    assert {row.takes for row in cutting.of_programme(stage.programme)} == {"at least 400 mm"}, "peel says nothing"
    assert sorted(what for _, what in rows["alder-1"].pieces) == ["force", "force", "width"]


# --- runs


@pytest.fixture
def measured(stage, send):
    places = stage.plan("force")
    for i, place in enumerate(places[:4]):
        send(stage.entry("force", place.specimen, str(20 + i), made_at=stamp(minutes=60 - i)))
    return places


def test_a_change_midway_opens_a_run_and_writes_the_first_one_down(stage, send, measured):
    (answer,) = send(stage.other("run", "force", reason="new jaws", carry="none", made_at=stamp(minutes=5)))
    assert answer["run"] == "r2"
    first, second = Run.objects.order_by("started_at")
    assert (first.code, first.reason, second.code, second.reason) == ("r1", "First run.", "r2", "new jaws")
    assert first.started_at == min(r.taken_at for r in Reading.objects.all())
    (late,) = send(stage.entry("force", measured[4].specimen, "25", made_at=stamp(minutes=30)))
    (after,) = send(stage.entry("force", measured[5].specimen, "26", made_at=stamp(minutes=1)))
    runs_of = {r.code: r.run.code for r in Reading.objects.filter(code__in=[late["reading"], after["reading"]])}
    assert runs_of == {late["reading"]: "r1", after["reading"]: "r2"}, "by when it was measured, not when it arrived"


def test_a_reading_may_name_the_run_by_the_entry_that_opens_it(stage, send, measured):
    run = stage.other("run", "force", reason="new jaws", carry="none")
    reading = stage.entry("force", measured[5].specimen, "26", run=run["id"])
    assert send(reading)[0]["status"] == "later"
    send(reading, run)
    assert Reading.objects.get(value="26").run.code == "r2"


def test_an_anchor_product_is_measured_again(stage, send, measured):
    product = measured[0].specimen.unit.product
    send(stage.other("run", "force", reason="new jaws", carry="anchor", anchor=product.code))
    again = BenchPlace.objects.filter(trial=stage.trials["force"], run="r2").select_related("specimen__unit")
    before = [p for p in measured[:4] if p.specimen.unit.product_id == product.pk]
    assert len(again) == len(before)
    assert Counter(p.specimen.unit_id for p in again) == Counter(p.specimen.unit_id for p in before)
    assert not {p.specimen_id for p in again} & {p.specimen_id for p in measured}, "new pieces of the same units"
    assert Run.objects.get(code="r2").anchor_product == product


def test_all_products_are_repeated_on_the_very_specimens_where_the_test_leaves_them_whole(stage, measured):
    runs.open_run(
        stage.bench("force"),
        {"reason": "new jaws", "carry": "repeat", "same_specimens": True, "pooled_because": "same rig"},
        actor=stage.people["planner"],
    )  # fmt: skip
    again = BenchPlace.objects.filter(trial=stage.trials["force"], run="r2")
    assert {p.specimen_id for p in again} == {p.specimen_id for p in measured[:4]}
    assert sorted(p.position for p in again) == [13, 14, 15, 16]
    assert Run.objects.get(code="r2").pooled_because == "same rig"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"reason": " "}, "Say what has changed"), ({"carry": "some"}, "expected one of"),
        ({"carry": "anchor"}, "anchor product"),
    ],
)  # fmt: skip
def test_a_run_without_what_it_needs_is_refused(stage, send, measured, change, says):
    (answer,) = send(stage.other("run", "force", **({"reason": "new jaws", "carry": "none"} | change)))
    assert (answer["status"], says in answer["text"]) == ("refused", True)
    assert not Run.objects.exists()

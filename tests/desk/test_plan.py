"""The plan on the desk: rows, weights, freezing, deviations, and a method that changes under way."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from comparisons.folder.exporter import tables_from_db
from comparisons.models import Award, Comparison, Criterion, Deviation, Event, LeftOut, TrialPlan, Weight
from comparisons.services import editing, freezing, planning, starting
from comparisons.services.errors import NotReady
from specimens import models as sm
from tests.public.small_study import import_small

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"


@pytest.fixture
def planner(client, cast):
    client.force_login(cast["planner"], backend=BACKEND)
    return client


@pytest.fixture
def stops(cast):
    return starting.start(
        cast["planner"], title="Door stops", question="Which holds?", currency="EUR", kind="door stop"
    )


@pytest.fixture
def strings(cast):
    return import_small()


def url(name: str, *args, slug: str = "door-stops") -> str:
    return reverse(name, args=[slug, *args])


def add(client, kind: str, values: dict, status: int = 302, query: str = "", **more):
    answer = client.post(url("desk-plan-add", kind, **more) + query, values)
    assert answer.status_code == status, _told(answer)
    return answer.content.decode()


def _told(answer) -> list[str]:
    return re.findall(r'class="(?:fault|remark grave)"[^>]*>([^<]+)', answer.content.decode())


def row_form(client, kind: str, pk: int, **more) -> dict:
    """The values that a row's form shows, as a browser would send them back."""
    form = client.get(url("desk-plan-row", kind, pk, **more)).context["form"]
    values = {}
    for field in form:
        value = field.value()
        if value is True:
            values[field.html_name] = "on"
        elif value not in (None, False, ""):
            values[field.html_name] = str(value)
    return values


def change(client, kind: str, pk: int, status: int = 302, *, form=None, slug="door-stops", **values):
    values = (form or row_form(client, kind, pk, slug=slug)) | values
    answer = client.post(url("desk-plan-row", kind, pk, slug=slug), values)
    assert answer.status_code == status, _told(answer)
    return answer.content.decode()


METHOD = {
    "title": "Pushed by a door", "revision": "1", "relation": "own", "steps": "1. Push.", "cannot_show": "Years.",
    "hazardous": "on", "cautions": "Fingers out of the gap.",
}  # fmt: skip
FORCE = {"name": "Holding force", "kind": "quantity", "unit": "N", "better": "more", "plausible_low": "1",
         "plausible_high": "500"}  # fmt: skip


@pytest.fixture
def planned(planner, stops):
    """A plan made by clicking: one property, one method, two trials, two criteria, one weighting."""
    add(planner, "properties", FORCE)
    add(planner, "conditions", {"name": "Wet floor", "agent": "water", "duration": "10", "duration_unit": "min"})
    add(planner, "methods", METHOD)
    add(planner, "failure-modes", {"name": "slipped", "counts": "on"}, query="?method=pushed-by-a-door")
    force, revision = sm.Property.objects.get(), sm.MethodRevision.objects.get()
    add(planner, "trials", {"property": force.pk, "revision": revision.pk, "units_planned": "3", "replicates": "2",
                            "typical_cv": "8", "wanted_difference": "10", "hands_on": "5"})  # fmt: skip
    dry = sm.Trial.objects.get()
    wet = sm.Condition.objects.get()
    add(planner, "trials", {"property": force.pk, "revision": revision.pk, "condition": wet.pk, "baseline": dry.pk,
                            "units_planned": "3", "replicates": "2"})  # fmt: skip
    add(planner, "criteria", {"of": f"trial:{dry.pk}", "name": "Grip", "floor": "10", "ceiling": "200"})
    add(planner, "criteria", {"of": "cost:per_item", "name": "Price", "floor": "20", "ceiling": "2"})
    grip, price = Criterion.objects.order_by("position")
    add(planner, "weightings", {"name": "All readers", "missing": "renormalise", f"weight_{grip.pk}": "3",
                                f"weight_{price.pk}": "1"})  # fmt: skip
    return stops


def test_a_plan_is_made_from_nothing_by_clicking(planner, planned):
    trials = list(sm.Trial.objects.order_by("pk").values_list("code", "units_planned", "baseline__code"))
    assert trials == [("holding-force", 3, None), ("holding-force-wet-floor", 3, "holding-force")]
    plan = TrialPlan.objects.get(trial__code="holding-force")
    assert (str(plan.typical_cv), str(plan.wanted_difference), str(plan.hands_on)) == ("8", "10", "5")
    assert sm.FailureMode.objects.get().counts
    grip = Criterion.objects.get(name="Grip")
    assert grip.anchors_set_at is not None and grip.code == "grip"
    page = planner.get(url("desk-plan")).content.decode()
    assert "75\u00a0%" in page and "25\u00a0%" in page  # weights as shares
    assert "10\u00a0N" in page and "200\u00a0N" in page
    assert "No tie rule" in page and "Freeze the plan now" not in page
    exported = tables_from_db(planned)
    assert exported["methods"]["cautions"] == ["Fingers out of the gap."]
    assert {event.thing for event in Event.objects.filter(verb="added")} >= {"property", "condition", "trial",
                                                                             "criterion", "weighting"}  # fmt: skip


def test_the_plan_is_frozen_once_nothing_is_missing_and_never_thawed(planner, planned, cast):
    refused = planner.post(url("desk-plan-freeze"), follow=True).content.decode()
    assert "The plan cannot be frozen yet. No tie rule" in refused
    form = planner.get(url("desk-plan-text", "decision")).context["form"]
    planner.post(url("desk-plan-text", "decision"), {
        **{f.html_name: f.value() or "" for f in form}, "tie_rule": "They share the place.",
    })  # fmt: skip
    assert "Freeze the plan now" in planner.get(url("desk-plan")).content.decode()
    planner.post(url("desk-plan-freeze"))
    frozen = Comparison.objects.get()
    assert frozen.plan_frozen_at and frozen.plan_frozen_by == "planner"
    assert Event.objects.get(verb="froze the plan").changes_draft
    with pytest.raises(NotReady, match="frozen already"):
        freezing.freeze(cast["planner"], frozen)
    page = planner.get(url("desk-plan")).content.decode()
    assert "The plan is frozen" in page and "after the first reading" not in page
    # a later change needs a reason, and is published
    grip = Criterion.objects.get(name="Grip")
    before = grip.anchors_set_at
    told = change(planner, "criteria", grip.pk, 422, ceiling="250")
    assert "The plan is frozen: write why" in told and 'value="250"' in told
    change(planner, "criteria", grip.pk, ceiling="250", why="Doors of another house.")
    one = Deviation.objects.get()
    assert (one.what, one.before, one.after) == ("criterion grip, ceiling", "200", "250")
    grip.refresh_from_db()
    assert grip.anchors_set_at > before
    told = change(planner, "weightings", grip.comparison.weightings.get().pk, 422, **{f"weight_{grip.pk}": "5"})
    assert "write why" in told and Weight.objects.get(criterion=grip).weight == 3
    change(planner, "weightings", grip.comparison.weightings.get().pk, **{f"weight_{grip.pk}": "5", "why": "Asked."})
    told = Deviation.objects.order_by("-pk").first()
    assert (told.what, told.before, told.after) == ("weight of grip in all-readers", "3", "5")
    trial = sm.Trial.objects.get(code="holding-force")
    change(planner, "trials", trial.pk, 422, units_planned="5")
    change(planner, "trials", trial.pk, units_planned="5", why="More money.")
    assert Deviation.objects.filter(what="trial holding-force, units planned", before="3", after="5").exists()
    assert Deviation.objects.count() == 3
    assert "Doors of another house." in planner.get(url("desk-plan")).content.decode()


def test_freezing_after_the_first_reading_is_allowed_and_told(planner, strings, cast):
    Comparison.objects.filter(pk=strings.pk).update(plan_frozen_at=None, plan_frozen_at_text="", tie_rule="Shared.")
    page = planner.get(url("desk-plan", slug="strings")).content.decode()
    assert "The first reading was taken on 7 January 2026" in page
    planner.post(url("desk-plan-freeze", slug="strings"))
    page = planner.get(url("desk-plan", slug="strings")).content.decode()
    assert "It was frozen after the first reading" in page


def test_what_is_missing_is_listed(cast, stops):
    def said():
        return [point.text for point in freezing.missing(stops) if point.stops]

    assert said()[:2] == ["No trial is planned.", "There are no criteria: nothing is scored."]
    made = starting.start(cast["planner"], title="Ties", question="Which?", currency="EUR", template="cable-tie",
                          trials=["loop", "loop-heat"])  # fmt: skip
    told = [point.text for point in freezing.missing(made) if point.stops]
    assert told == [
        "Loop tensile strength: what scores 0 and what scores 100 are not set.",
        "Loop tensile strength, aged 168 h at 100 degC: what scores 0 on either side of the target is not set.",
        "Price: what scores 0 and what scores 100 are not set.",
        "No tie rule: what is said where products are not shown to differ?",
    ]
    Weight.objects.filter(weighting__comparison=made).update(weight="0")
    assert "All readers: all weights are zero." in [p.text for p in freezing.missing(made)]
    made.weightings.all().delete()
    assert any("no weighting" in p.text for p in freezing.missing(made))
    made.rule = ""
    assert any(p.text.startswith("No decision rule") for p in freezing.missing(made))


def test_a_trial_is_never_its_own_baseline_nor_in_a_circle(planner, planned, cast):
    dry, wet = sm.Trial.objects.order_by("pk")
    form = row_form(planner, "trials", dry.pk)
    told = change(planner, "trials", dry.pk, 422, baseline=str(dry.pk))
    assert "not one of the available choices" in told  # the form does not offer it
    values = {**editing.state(dry, ["paired"]), "_dimensions": [], "_expected": {}}
    with pytest.raises(editing.Invalid, match="A trial cannot be its own baseline"):
        planning.save_trial(
            cast["planner"], dry, values | {"baseline": dry}, seen="x", programme=dry.programme, thing="trial"
        )
    told = change(planner, "trials", dry.pk, 422, form=form, baseline=str(wet.pk))
    assert "Found baselines that lead back to this trial, expected none that do." in told
    assert sm.Trial.objects.get(pk=dry.pk).baseline is None


@pytest.mark.parametrize(("values", "told"), [
    ({"unit": "lb"}, "which is a mass. For a force write lbf"),
    ({"unit": "lb/in"}, "write lbf/in for a force"),
    ({"unit": "furlongs per fortnight"}, "Found the unit"),
    ({"unit": ""}, "A quantity needs the unit of its result"),
    ({"plausible_low": "9", "plausible_high": "1"}, "lowest plausible value comes first"),
    ({"plausible_low": "1,5"}, "write a point for decimals"),
    ({"name": "=1+1"}, "="),
    ({"decimals": "99999999999999999999"}, "less than or equal"),
    ({"name": ""}, "This field is required"),
    ({"kind": "rating", "unit": ""}, "A rating needs both ends of its scale"),
    ({"name": "x" * 10_000}, "at most 200"),
])  # fmt: skip
def test_a_property_that_may_not_be_is_told_and_kept_in_the_form(planner, stops, values, told):
    page = add(planner, "properties", FORCE | values, 422)
    assert told in page.replace("&quot;", '"')
    assert not sm.Property.objects.exists()


def test_a_mass_is_taken_once_it_is_said_to_be_one(planner, stops):
    page = add(planner, "properties", FORCE | {"name": "Weight", "unit": "g"}, 422)
    assert 'name="is_mass"' in page
    add(planner, "properties", FORCE | {"name": "Weight", "unit": "g", "is_mass": "on"})
    one = sm.Property.objects.get()
    assert one.unit == "g"
    change(planner, "properties", one.pk, name="Mass")  # not asked again


def test_texts_with_markup_and_marks_of_direction_are_shown_as_text(planner, stops):
    typed = {"maker": "Maker\u202eevil", "model": "<script>alert(1)</script>", "why": "Gone."}
    add(planner, "left-out", typed | {"why": "Gone\x00."}, 422)
    add(planner, "left-out", typed)
    assert LeftOut.objects.get().maker == "Makerevil"
    page = planner.get(url("desk-plan")).content.decode()
    assert "&lt;script&gt;alert(1)" in page and "<script>alert" not in page
    add(planner, "left-out", {"maker": "Makerevil", "model": "<script>alert(1)</script>", "why": "Twice."}, 422)


def test_a_divided_result_needs_the_gauges_unit(planner, planned):
    add(planner, "properties", FORCE | {"name": "Width", "unit": "mm", "better": "neither"})
    add(planner, "properties", FORCE | {"name": "Force per width", "unit": "N/mm"})
    width, per = sm.Property.objects.get(name="Width"), sm.Property.objects.get(name="Force per width")
    revision = sm.MethodRevision.objects.get()
    trial = {"property": per.pk, "revision": revision.pk, "divide_1": width.pk}
    page = add(planner, "trials", trial, 422)
    assert "of which there is no trial" in page and "expected the gauge" in page
    add(planner, "trials", {"property": width.pk, "revision": revision.pk})
    add(planner, "trials", trial | {"reading_unit": "kg"}, 422)
    add(planner, "trials", trial | {"reading_unit": "N"})
    made = sm.Trial.objects.get(property=per)
    assert [d.property.name for d in made.divide_by.all()] == ["Width"]
    page = change(planner, "properties", width.pk, 422, unit="s")
    assert "Trial force-per-width" in page  # what it would break is named
    # the dimension's trial cannot go while the other needs it
    other = sm.Trial.objects.get(property=width)
    page = planner.post(url("desk-plan-remove", "trials", other.pk), follow=True).content.decode()
    assert "of which there is no trial" in page and sm.Trial.objects.filter(pk=other.pk).exists()


def test_what_rests_on_readings_is_fixed_in_the_form_and_stays(planner, strings):
    trial = sm.Trial.objects.get(code="pull")
    form = planner.get(url("desk-plan-row", "trials", trial.pk, slug="strings")).context["form"]
    assert form.fields["property"].disabled and form.fields["revision"].disabled
    other = sm.Property.objects.get(code="knot")
    change(planner, "trials", trial.pk, slug="strings", property=str(other.pk), units_planned="4", why="Bought more.")
    trial.refresh_from_db()
    assert (trial.property.code, trial.units_planned) == ("force", 4)
    page = planner.post(url("desk-plan-remove", "trials", trial.pk, slug="strings"), {"why": "No."}, follow=True)
    assert "readings rest on it" in page.content.decode()


def test_removing_a_criterion_that_alone_has_weight_is_refused(planner, planned):
    price = Criterion.objects.get(name="Price")
    grip = Criterion.objects.get(name="Grip")
    planner.post(url("desk-plan-remove", "criteria", price.pk))
    assert not Criterion.objects.filter(pk=price.pk).exists()
    page = planner.post(url("desk-plan-remove", "criteria", grip.pk), follow=True).content.decode()
    assert "gives weight to nothing else" in page and Criterion.objects.filter(pk=grip.pk).exists()


def test_two_planners_at_one_trial_lose_nothing(planner, planned):
    trial = sm.Trial.objects.get(code="holding-force")
    seen = row_form(planner, "trials", trial.pk)
    change(planner, "trials", trial.pk, form=dict(seen), typical_cv="12")
    page = change(planner, "trials", trial.pk, 409, form=dict(seen), typical_cv="9", units_planned="7")
    assert "changed this while you had it open" in page and 'value="9"' in page
    assert sm.Trial.objects.get(pk=trial.pk).units_planned == 3
    new = re.search(r'name="seen" value="([^"]+)"', page)[1]
    change(planner, "trials", trial.pk, form=dict(seen) | {"seen": new}, typical_cv="9", units_planned="7")
    assert str(TrialPlan.objects.get(trial=trial).typical_cv) == "9"


def test_two_planners_at_one_weighting_lose_nothing(planner, planned):
    weighting, grip = planned.weightings.get(), Criterion.objects.get(name="Grip")
    seen = row_form(planner, "weightings", weighting.pk)
    change(planner, "weightings", weighting.pk, form=dict(seen), **{f"weight_{grip.pk}": "4"})
    page = change(planner, "weightings", weighting.pk, 409, form=dict(seen), **{f"weight_{grip.pk}": "9"})
    assert "Grip" in page and Weight.objects.get(criterion=grip).weight == 4
    add(planner, "weightings", {"name": "Nobody", "missing": "leave_out", f"weight_{grip.pk}": "0"}, 422)
    add(planner, "weightings", {"name": "Nobody", "missing": "leave_out", f"weight_{grip.pk}": "-1"}, 422)


def test_criteria_that_may_not_be_are_told(planner, planned):
    trial = sm.Trial.objects.get(code="holding-force")
    base = {"of": f"trial:{trial.pk}", "name": "Other"}
    assert "must differ" in add(planner, "criteria", base | {"floor": "1", "ceiling": "1"}, 422)
    assert "expected the worst first" in add(planner, "criteria", base | {"floor": "9", "ceiling": "1"}, 422)
    assert "Say the target" in add(planner, "criteria", base | {"better": "target"}, 422)
    assert "trial without a baseline" in add(planner, "criteria", base | {"measure": "change"}, 422)
    assert "above 0" in add(planner, "criteria", base | {"value_function": "logarithmic", "floor": "0", "ceiling": "5"},
                            422)  # fmt: skip
    add(planner, "criteria", {"of": "trial:999999", "name": "Other"}, 422)
    add(planner, "criteria", base | {"better": "target", "target": "50", "band": "5", "floor": "0", "ceiling": "100",
                                     "must_have": "on"})  # fmt: skip
    one = Criterion.objects.get(name="Other")
    assert (one.better, str(one.target), one.must) == ("target", "50", True)


def test_products_are_named_with_a_reason_where_no_rule_stands_behind_it(planner, strings):
    product = sm.ProgrammeProduct.objects.get(code="p00")
    page = add(planner, "awards", {"what": "avoid", "product": product.pk}, 422, slug="strings")
    assert "readers need the reason" in page
    add(planner, "awards", {"what": "avoid", "product": product.pk, "reason": "It came untied."}, slug="strings")
    add(planner, "awards", {"what": "best", "product": product.pk}, slug="strings")
    add(planner, "awards", {"what": "best-in-knot", "product": product.pk, "name": "Best knot"}, slug="strings")
    assert set(Award.objects.values_list("code", "name")) == {
        ("avoid-p00", "Stay away from"), ("best", "Best"), ("best-in-knot", "Best knot"),
    }  # fmt: skip


def test_a_product_is_left_out_of_a_trial_with_a_coded_reason(planner, strings):
    trial, product = sm.Trial.objects.get(code="pull"), sm.ProgrammeProduct.objects.get(code="p01")
    fresh = sm.ProgrammeProduct.objects.create(
        programme=trial.programme, code="new", product=sm.Product.objects.create(maker="Brenn", model="Cord")
    )
    address = url("desk-plan-absences", trial.pk, slug="strings")

    def post(values):
        return planner.post(address, {"seen": planning.absences_seen(trial), **values})

    page = post({f"p{product.pk}-reason": "not_planned", "why": "Late."}).content.decode()
    assert "was read in this trial" in page
    page = post({f"p{fresh.pk}-reason": "excluded", "why": "Late."}).content.decode()
    assert "Say in a note why" in page
    values = {f"p{fresh.pk}-reason": "not_applicable", f"p{fresh.pk}-note": "No end to pull."}
    assert "write why" in post(values).content.decode()
    post(values | {"why": "It came later."})
    one = sm.Absence.objects.get()
    assert (one.reason, one.note) == ("not_applicable", "No end to pull.")
    assert Deviation.objects.filter(what="trial pull, new", after="not_applicable No end to pull.").exists()
    assert post({f"p{fresh.pk}-reason": "bad"}).status_code == 422


# --- a method that changes under way


def revised(trial, number="2"):
    old = trial.revision
    return sm.MethodRevision.objects.create(
        method=old.method, revision=number, steps="1. Knot it. 2. Pull it slowly.", cautions=old.cautions,
        hazardous=True,
    )


def test_a_changed_method_opens_a_run_and_mixing_needs_a_published_reason(planner, strings, cast):
    trial = sm.Trial.objects.get(code="pull")
    address = url("desk-plan-revision", trial.pk, slug="strings")
    assert "has no other revision" in planner.get(address).content.decode()
    second = revised(trial)
    answer = planner.post(address, {"revision": second.pk, "reason": "Slower."})
    assert answer.status_code == 302
    first, run = sm.Run.objects.filter(trial=trial).order_by("pk")
    assert (first.revision, run.revision, run.pooled_because) == (None, second, "")
    trial.refresh_from_db()
    assert trial.revision.revision == "1"  # readings stay with the wording they were made under
    assert Deviation.objects.filter(what=f"trial pull, method from run {run.code} on", after="revision 2").exists()
    page = planner.get(url("desk-plan", slug="strings")).content.decode()
    assert "Two wordings of the method: not taken together" in page
    again = planner.post(address, {"revision": second.pk, "reason": "Slower."})
    assert again.status_code == 422
    form = planner.get(url("desk-plan-equivalent", run.pk, slug="strings")).context["form"]
    planner.post(url("desk-plan-equivalent", run.pk, slug="strings"), {
        "seen": form["seen"].value(), "pooled_because": "Ten strings by both: no difference shown.",
    })  # fmt: skip
    page = planner.get(url("desk-plan", slug="strings")).content.decode()
    assert "Two wordings of the method: not taken together" not in page
    exported = tables_from_db(strings)["runs"]
    assert "2" in exported["revision"]
    assert "Ten strings by both: no difference shown." in exported["pooled_because"]


def test_a_run_under_another_method_is_refused(cast, strings):
    trial = sm.Trial.objects.get(code="pull")
    other = sm.MethodRevision.objects.create(method=sm.Method.objects.create(title="Other"), revision="1")
    with pytest.raises(NotReady, match="own method"):
        planning.use_revision(cast["planner"], trial, other, reason="New.", repeat=False)
    with pytest.raises(NotReady, match="what has changed"):
        planning.use_revision(cast["planner"], trial, revised(trial), reason=" ", repeat=False)


def test_pages_of_the_plan_are_the_bench_members_to_read_and_not_to_change(client, cast, strings):
    client.force_login(cast["bench-member"], backend=BACKEND)
    page = client.get(url("desk-plan", slug="strings")).content.decode()
    assert "Add a trial" not in page
    assert client.get(url("desk-plan-effort", slug="strings")).status_code == 200
    one = sm.Property.objects.get(code="force")
    answer = client.post(url("desk-plan-row", "properties", one.pk, slug="strings"), {"name": "X", "kind": "quantity"})
    assert answer.status_code in (409, 422)
    client.post(url("desk-plan-remove", "properties", one.pk, slug="strings"))
    assert sm.Property.objects.get(pk=one.pk).name == "Breaking force"


def test_rows_of_another_comparison_are_not_found(planner, strings, stops):
    one = sm.Property.objects.get(code="force")
    assert planner.get(url("desk-plan-row", "properties", one.pk)).status_code == 404
    assert planner.post(url("desk-plan-remove", "properties", one.pk)).status_code == 404
    assert planner.get(url("desk-plan-row", "nonsense", one.pk)).status_code == 404


def test_the_first_reading_leaves_what_was_carried_over_aside(strings):
    assert freezing.first_reading(strings) == datetime(2026, 1, 7, 10, tzinfo=UTC)
    trial = sm.Trial.objects.get(code="pull")
    run = sm.Run.objects.create(trial=trial, code="old", reason="Carried over from “Strings” (x).")
    reading = sm.Reading.objects.filter(trial=trial).first()
    sm.Reading.objects.create(
        programme=trial.programme, code="old", trial=trial, product=reading.product, value="1", run=run,
        taken_at=datetime(2025, 1, 1, tzinfo=UTC),
    )  # fmt: skip
    assert freezing.first_reading(strings) == datetime(2026, 1, 7, 10, tzinfo=UTC)


@pytest.mark.parametrize("name", ["desk-plan", "desk-plan-effort"])
def test_the_pages_ask_the_database_as_often_whatever_the_size(client, cast, name):
    counts = []
    for slug, products, units in (("few", 2, 2), ("many", 12, 4)):
        made = import_small(slug, products, units)
        programme = made.parts.get().programme
        if slug == "many":
            revision = sm.MethodRevision.objects.first()
            for i in range(20):
                prop = sm.Property.objects.create(programme=programme, code=f"q{i}", kind="quantity", unit="N")
                trial = sm.Trial.objects.create(programme=programme, code=f"t{i}", property=prop, revision=revision)
                TrialPlan.objects.create(trial=trial, typical_cv="5")
                LeftOut.objects.create(comparison=made, maker="M", model=str(i), why="Gone.")
        client.force_login(cast["planner"], backend=BACKEND)
        client.get(reverse(name, args=[slug]))
        with CaptureQueriesContext(connection) as asked:
            assert client.get(reverse(name, args=[slug])).status_code == 200
        counts.append(len(asked))
    assert counts[1] <= counts[0], counts

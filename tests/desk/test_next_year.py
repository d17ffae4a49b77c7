"""Next year: a comparison started from an old one, with what still holds."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest
from django.urls import reverse
from django.utils import timezone

from comparisons.folder.checks import check_study
from comparisons.folder.exporter import tables_from_db
from comparisons.folder.faults import Faults
from comparisons.folder.importer import import_study
from comparisons.models import Comparison, ComparisonProgramme, Event
from comparisons.page import build_page
from comparisons.services import editing, evaluation, next_year
from comparisons.services.errors import NotAllowed, NotReady
from comparisons.services.plan_checks import plan_faults
from specimens import models as sm
from tests.public.small_study import import_small

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"
DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
WHY = "Same stand, same gauge, recalibrated; string 0 was measured in both years without a difference shown."


@pytest.fixture
def old(cast):
    return import_small("strings", 3, 2)


def product(old, code: str) -> int:
    return sm.ProgrammeProduct.objects.filter(programme__parts__comparison=old, code=code).first().product_id


def trial(old, code: str) -> int:
    return sm.Trial.objects.get(programme__parts__comparison=old, code=code).pk


@pytest.fixture
def new(old, cast):
    """One product with its results of two trials, one to be tested again, one left behind."""
    return next_year.start_from(
        cast["planner"], old, title="Strings 2027", products={product(old, "p00"): "results",
                                                             product(old, "p01"): "again"},
        trials={trial(old, "pull"), trial(old, "knot")}, pooled_because=WHY,
    )  # fmt: skip


def test_the_plan_is_kept_with_the_same_wordings_and_is_not_frozen(old, new):
    assert (new.based_on, new.plan_frozen_at, new.question) == (old, None, old.question)
    programme, before = new.parts.get().programme, old.parts.get().programme

    def rows(model, *fields, of):
        return list(model.objects.filter(programme=of).order_by("code").values_list("code", *fields))

    for model, fields in (
        (sm.Property, ("name", "unit", "better")), (sm.Condition, ("name", "duration")),
        (sm.Trial, ("property__code", "condition__code", "revision", "baseline__code", "replicates")),
        (sm.MethodInProgramme, ("method", "revisions")),
    ):  # fmt: skip
        assert rows(model, *fields, of=programme) == rows(model, *fields, of=before)
    fields = ("code", "floor", "ceiling", "anchors_set_at_text", "trial__code")
    assert list(new.criteria.values_list(*fields)) == list(old.criteria.values_list(*fields))
    assert list(new.weightings.get().weights.values_list("criterion__code", "weight")) == [("strength", 3), ("knot", 1)]
    assert plan_faults(new) == []
    assert new.market_scan == ""


def test_results_are_copied_as_they_stand_into_a_run_that_says_where_they_come_from(old, new):
    programme = new.parts.get().programme
    fields = ("code", "value", "specimen__code", "operator", "taken_at", "taken_at_text", "instrument", "rater")
    kept = sm.Reading.objects.filter(programme=programme).order_by("code")
    source = sm.Reading.objects.filter(
        programme=old.parts.get().programme, product__code="p00", trial__code__in=["pull", "knot"]
    ).order_by("code")
    assert list(kept.values_list(*fields)) == list(source.values_list(*fields)) != []
    assert sm.ConvertedValue.objects.filter(reading__programme=programme).count() == kept.count()
    pull = programme.trials.get(code="pull")
    first, now = pull.runs.order_by("pk")
    assert first.reason == "Carried over from “Strings, strings” (strings), measured 7 January 2026."
    assert (first.started_at.year, now.pooled_because) == (2026, WHY)
    assert not programme.trials.get(code="aged").readings.exists()
    assert {unit.code for unit in programme.units.all()} == {"p00-u0", "p00-u1"}
    assert not sm.Specimen.objects.filter(programme=programme).exclude(blind_code="").exists()
    assert all("Carried over from strings" in reading.note for reading in kept)


def test_readers_are_told_what_was_carried_over_and_why_it_may_stand_there(old, new):
    evaluated = evaluation.run_evaluation(new)
    page = build_page(tables_from_db(new, public=True), json.loads(evaluated.document))
    told = {row["trial"]: row for row in page["plan"]["carried"]}
    assert told["Breaking force, as received"]["n"] == "4 readings"
    assert told["Breaking force, as received"]["taken"] == "7 January 2026"
    assert told["Breaking force, as received"]["pooled"] == WHY
    assert "Ullvane String 00" in told["Holds a knot"]["products"]


def test_what_was_carried_over_counts_as_it_did(old, new):
    def means(comparison):
        document = json.loads(evaluation.run_evaluation(comparison).document)
        return {
            (row["trial"], row["product"]): row["mean"] for row in document["summaries"]
            if row["product"] == "p00" and row["trial"] == "pull"
        }  # fmt: skip

    assert means(new) == means(old)


def test_claims_keep_the_day_on_which_they_were_seen_until_they_are_looked_at_again(client, old, new, cast):
    found = list(next_year.claims_to_recheck(new))
    assert [(claim.code, str(claim.seen_on)) for claim in found] == [
        ("p00-min", "2026-01-02"), ("p01-min", "2026-01-02"),
    ]  # fmt: skip
    client.force_login(cast["planner"], backend=BACKEND)
    page = client.get(reverse("desk-plan", args=[new.slug])).content.decode()
    assert "Started from" in page and "seen 2 January 2026" in page
    values = {"seen_on": timezone.localdate() + timedelta(0)}
    editing.save(cast["planner"], found[0], values, seen=editing.fingerprint(found[0], values),
                 programme=found[0].programme, thing="claim")  # fmt: skip
    assert [claim.code for claim in next_year.claims_to_recheck(new)] == ["p01-min"]
    assert not next_year.claims_to_recheck(old).exists()


def test_it_is_done_by_clicking_and_what_was_typed_comes_back(client, old, cast):
    client.force_login(cast["planner"], backend=BACKEND)
    address = reverse("desk-new") + "?from=strings"
    page = client.get(address).content.decode()
    assert "Next round of Strings, strings" in page and "7 January 2026" in page
    typed = {
        "title": "Strings 2027", "question": "Which string holds now?", f"product-{product(old, 'p00')}": "results",
        f"product-{product(old, 'p02')}": "leave", "trial": [str(trial(old, "pull"))],
    }  # fmt: skip
    answer = client.post(address, typed)
    assert answer.status_code == 422
    told = answer.content.decode()
    assert "say why they may stand in one table" in told and "Which string holds now?" in told
    assert Comparison.objects.count() == 1
    answer = client.post(address, typed | {"pooled_because": WHY})
    assert answer["Location"] == reverse("desk-plan", args=["strings-2027"])
    made = Comparison.objects.get(slug="strings-2027")
    assert sorted(made.parts.get().programme.products.values_list("code", flat=True)) == ["p00", "p01"]
    event = Event.objects.get(verb="started")
    assert event.after["based on"] == "strings" and event.after["readings carried over"] == 4
    assert event.after["claims to look at again"] == 2


def test_readings_under_another_wording_stay_behind(old, cast):
    pull = sm.Trial.objects.get(code="pull")
    second = sm.MethodRevision.objects.create(method=pull.revision.method, revision="2")
    run = sm.Run.objects.create(trial=pull, code="r2", revision=second, started_at=timezone.now())
    one = sm.Reading.objects.filter(trial=pull, product__code="p00").first()
    sm.Reading.objects.create(programme=one.programme, code="late", trial=pull, product=one.product, value="99",
                              run=run)
    made = next_year.start_from(
        cast["planner"], old, title="Again", products={one.product.product_id: "results"}, trials={pull.pk},
        pooled_because=WHY,
    )  # fmt: skip
    copied = made.parts.get().programme.readings
    assert copied.count() == 4 and not copied.filter(code="late").exists()


def test_voids_and_replaced_readings_come_along_whole(old, cast):
    pull = sm.Trial.objects.get(code="pull")
    first, second = sm.Reading.objects.filter(trial=pull, product__code="p00").order_by("code")[:2]
    sm.Void.objects.create(reading=first, reason="Slipped.", voided_by="op-a")
    sm.Reading.objects.create(
        programme=first.programme, code="better", trial=pull, product=second.product, specimen=second.specimen,
        unit=second.unit, value="61", replaces=second, replace_reason="Typed wrong.", operator="op-a",
    )  # fmt: skip
    made = next_year.start_from(
        cast["planner"], old, title="Again", products={first.product.product_id: "results"}, trials={pull.pk},
        pooled_because=WHY,
    )  # fmt: skip
    copied = made.parts.get().programme.readings
    assert copied.get(code="better").replaces == copied.get(code=second.code)
    assert copied.get(code=first.code).void.reason == "Slipped."


def test_nothing_is_carried_over_unless_it_is_asked_for(old, cast):
    made = next_year.start_from(
        cast["planner"], old, title="Fresh", products={product(old, "p00"): "again"}, trials={trial(old, "pull")}
    )
    programme = made.parts.get().programme
    assert not programme.readings.exists() and not programme.units.exists() and not programme.purchases.exists()
    assert not sm.Run.objects.filter(trial__programme=programme).exists()
    with pytest.raises(NotReady, match="Choose the trials"):
        next_year.start_from(cast["planner"], old, title="Fresh", products={product(old, "p00"): "results"})
    with pytest.raises(NotAllowed):
        next_year.start_from(cast["bench-member"], old, title="Fresh", products={})
    assert Comparison.objects.count() == 2


def test_the_demo_goes_into_its_next_year_whole(cast):
    """Files, receipts, exposures, dimensions, corrections and all: and its export can be read again."""
    old = import_study(DEMO)
    offer = next_year.offer(old)
    made = next_year.start_from(
        cast["planner"], old, title="Ties, next year", products={one.pk: "results" for one, _, _ in offer.products},
        trials={row["key"] for row in offer.trials}, pooled_because=WHY,
    )  # fmt: skip
    before, after = tables_from_db(old), tables_from_db(made)
    assert len(after["readings"]) == len(before["readings"])
    read = set(before["readings"]["specimen"])
    kept = [row for row in before["exposures"].rows() if row["specimen"] in read]
    assert list(after["exposures"].rows()) == kept != []
    for name in ("purchases", "failure_modes", "properties", "conditions", "methods", "claims"):
        assert after[name] == before[name], name
    assert after.files.keys() == before.files.keys()
    assert after["readings"]["value"] == before["readings"]["value"]
    assert after["readings"]["taken_at"] == before["readings"]["taken_at"]
    faults = Faults()
    check_study(after, faults, set())
    assert faults.lines() == []
    evaluation.run_evaluation(made)


def test_a_comparison_of_two_programmes_becomes_one_with_the_prefixes_of_its_exports(old, cast):
    second = import_small("cords", 3, 2)
    ComparisonProgramme.objects.filter(comparison=old).update(prefix="a")
    ComparisonProgramme.objects.create(comparison=old, programme=second.parts.get().programme, prefix="b")
    old.refresh_from_db()
    made = next_year.start_from(
        cast["planner"], old, title="Both", products={product(old, "p00"): "results"},
        trials=set(sm.Trial.objects.filter(code="pull").values_list("pk", flat=True)), pooled_because=WHY,
    )  # fmt: skip
    programme = made.parts.get().programme
    assert set(programme.trials.filter(code__endswith="pull").values_list("code", flat=True)) == {"a.pull", "b.pull"}
    assert programme.readings.count() == 8
    assert programme.products.get().code == "a.p00"
    assert programme.methods.count() == 1 and plan_faults(made) == []

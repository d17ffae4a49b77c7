"""Ready? Each point that is raised, what settles it, the reasons that readers see, and asking for approval."""

from __future__ import annotations

import io
import json
import zipfile
from datetime import date, timedelta
from pathlib import Path

import pytest
from django.core.files.base import ContentFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from comparisons import jobs
from comparisons.folder.importer import import_study, import_tables
from comparisons.models import ApprovalRequest, Award, Edition, Event, LeftOut, Limitation
from comparisons.services import approval, evaluation, instruments, publishing, readiness
from comparisons.services.errors import NotAllowed, NotReady
from comparisons.services.record import record
from specimens.models import Attachment, Conflict, Instrument, InstrumentFault
from tests.public.small_study import import_small, small_study, table
from tests.public.staging import publish
from tests.settling import REASON, settle

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def loaded(**changed):
    """The small study with some tables exchanged, evaluated."""
    comparison, _ = import_tables(small_study().replace({name: table(name, rows) for name, rows in changed.items()}))
    evaluation.run_evaluation(comparison)
    return comparison


def rows_of(name: str) -> list[dict]:
    return list(small_study()[name].rows())


def points(comparison) -> dict:
    return {point.code: point for point in readiness.points(comparison)}


@pytest.fixture
def strings(cast):
    comparison = import_small()
    evaluation.run_evaluation(comparison)
    return comparison


@pytest.fixture
def planner(client, cast):
    client.force_login(cast["planner"], backend=BACKEND)
    return client


def touch(comparison, actor) -> None:
    record(actor, "changed", comparison=comparison, changes_draft=True)


# -- the points ------------------------------------------------------------------------------------------


def test_a_small_study_raises_just_what_it_lacks(strings):
    found = points(strings)
    hints = {code for code, point in found.items() if not point.asks}
    assert hints == {  # pointed out; nothing is asked
        "product.loose-units.p00.0", "product.no-receipt.p00.1", "product.loose-units.p01.2",
    }  # fmt: skip
    found = {code: point for code, point in found.items() if code not in hints}
    assert set(found) == {
        "plan.market-scan", "plan.inclusion", "plan.characteristics", "plan.funding", "plan.tie-rule",
        "uncalibrated.gauge", "anchors.knot",
    }  # fmt: skip
    assert all(point.takes_reason and point.open for point in found.values())


def test_what_is_not_evaluated_or_stale_stops(cast):
    comparison = import_small()
    assert points(comparison)["draft.not-evaluated"].stops
    evaluation.run_evaluation(comparison)
    assert not any(code.startswith("draft.") for code in points(comparison))
    touch(comparison, cast["planner"])
    assert points(comparison)["draft.stale"].stops


def test_texts_of_the_plan_settle_their_points(strings, cast):
    strings.market_scan, strings.funding = "Forty strings were looked at.", "The team paid for all of it."
    strings.save()
    touch(strings, cast["planner"])
    assert {"plan.market-scan", "plan.funding"}.isdisjoint(points(strings))


def test_a_product_that_is_left_out_speaks_for_the_market(strings, cast):
    LeftOut.objects.create(comparison=strings, maker="Nordvik", model="S 9", why="Sold out.")
    touch(strings, cast["planner"])
    assert "plan.market-scan" not in points(strings)


def test_a_plan_that_was_frozen_late_or_never(cast):
    comparison = import_small(more=False)
    evaluation.run_evaluation(comparison)
    assert points(comparison)["plan.not-frozen"].takes_reason
    late, _ = import_tables(small_study("late"))
    late.plan_frozen_at = late.plan_frozen_at + timedelta(days=30)
    late.plan_frozen_at_text = late.plan_frozen_at.isoformat()
    late.save()
    evaluation.run_evaluation(late)
    text = points(late)["plan.frozen-late"].text
    assert text == "The plan was frozen on 4 February 2026, after the first reading of 7 January 2026."


def test_a_change_of_the_plan_without_a_reason(cast):
    comparison = loaded(deviations=[row | {"why": ""} for row in rows_of("deviations")])
    assert "trial lit" in points(comparison)["plan.deviations"].text


def test_unfinished_trials_and_fewer_specimens_than_planned():
    readings = [row for row in rows_of("readings") if not (row["trial"] == "lit" and row["product"] == "p01")]
    trials = [row | {"units_planned": "2", "replicates": "3"} if row["trial"] == "pull" else row
              for row in rows_of("trials")]  # fmt: skip
    found = points(loaded(readings=readings, trials=trials))
    told = "not measured, and no reason given: Ullvane String 01 (lent by its maker)."
    assert found["unfinished.lit"].text.endswith(told)
    assert "4 of 6 in breaking force, as received" in found["short.p00"].text


def test_an_absence_with_its_reason_finishes_a_trial():
    readings = [row for row in rows_of("readings") if not (row["trial"] == "lit" and row["product"] == "p01")]
    comparison = loaded(
        readings=readings, absences=[{"trial": "lit", "product": "p01", "reason": "lost", "note": "It burnt."}]
    )
    assert "unfinished.lit" not in points(comparison)


def test_one_unit_and_one_rater(cast):
    comparison = import_small("single", units=1, per_unit=3)
    evaluation.run_evaluation(comparison)
    found = points(comparison)
    assert found["one-unit.p00"].text.startswith("One unit only of Ullvane String 00 and Ullvane String 01 (lent by")
    alone = loaded(readings=[row | ({"rater": "rater-0"} if row["rater"] else {}) for row in rows_of("readings")
                             if row["rater"] in ("", "rater-0")])  # fmt: skip
    assert "rated by one person" in points(alone)["one-rater.knot"].text


def test_a_value_in_doubt_until_somebody_decided_on_it():
    readings = rows_of("readings")
    first = next(row for row in readings if row["trial"] == "pull")
    first["value"] = "600"  # ten times its siblings
    found = points(loaded(readings=readings))
    assert "600" in found["suspect.pull.p00"].text and found["suspect.pull.p00"].takes_reason
    assert found["suspect.pull.p00"].link == "/desk/strings/results/pull/?state=in+doubt#specimens"
    first["decision"] = "Read again: it is what the gauge shows."
    comparison, _ = import_tables(small_study("cords").replace({"readings": table("readings", readings)}))
    evaluation.run_evaluation(comparison)
    assert "suspect.pull.p00" not in points(comparison)


def test_gauges_past_due_and_never_calibrated():
    gauge = rows_of("instruments")[0] | {"calibrated_on": "2025-01-05", "due_on": "2026-01-05"}
    found = points(loaded(instruments=[gauge]))
    assert "uncalibrated.gauge" not in found
    assert found["overdue.gauge"].text == (
        "Gauge, 200 N was due for calibration on 5 January 2026 and was read on 7 January 2026."
    )


def test_claims_without_source_stop_and_conflicts_take_a_reason():
    claims = rows_of("claims")
    claims[0]["source"] = ""
    claims.append(claims[1] | {"claim": "p01-shop", "value": "40", "source": "shop listing"})
    found = points(loaded(claims=claims))
    assert found["claims.no-source.force"].stops
    conflict = next(point for code, point in found.items() if code.startswith("claim.sources-disagree."))
    assert conflict.takes_reason and "none governs" in conflict.text


def test_a_claim_printed_in_two_units_that_disagree():
    """0.0178 mm (0.007 in) stands in stored copies of ASTM D3005-10: a slip of ten."""
    claims = rows_of("claims")
    claims[0]["wording"] = "min. 62 N, 0.0178 mm (0.007 in) thick"
    found = points(loaded(claims=claims))
    assert any(code.startswith("claim.printed-twice.") for code in found)


def test_runs_that_are_not_pooled():
    readings = rows_of("readings")
    for row in readings:
        if row["trial"] == "pull":
            row["run"] = "one" if row["product"] == "p00" else "two"
    runs = [{"trial": "pull", "run": "one", "started_at": "2026-01-07T08:00:00Z"},
            {"trial": "pull", "run": "two", "started_at": "2026-01-07T09:00:00Z", "revision": "2"}]  # fmt: skip
    methods = rows_of("methods")
    methods.append(methods[0] | {"revision": "2"})
    trials = [row | {"revision": "1" if row["method"] else ""} for row in rows_of("trials")]
    comparison = loaded(readings=readings, runs=runs, methods=methods, trials=trials)
    assert "not pooled" in points(comparison)["runs.pull"].text


def test_anchors_taken_from_the_data(strings):
    assert "not shown to be set before the first reading" in points(strings)["anchors.knot"].text


def test_an_award_that_the_numbers_do_not_carry_stops(strings, cast):
    product = strings.programmes.get().products.first()
    Award.objects.create(comparison=strings, code="best", name="Best", product=product)
    touch(strings, cast["planner"])
    evaluation.run_evaluation(strings)
    point = points(strings)["award.best"]
    assert point.stops and "do not carry the award" in point.text


def test_what_an_article_says_against_the_results(strings, cast):
    strings.article = (
        "[p00 is the strongest](holds:most/pull/p00/best).\n\nIt held 63 N.\n\n![](files/none.png)"
    )
    strings.save()
    touch(strings, cast["planner"])
    evaluation.run_evaluation(strings)
    kinds = {code.split(".")[1]: point for code, point in points(strings).items() if code.startswith("article.")}
    assert kinds["tie-broken"].stops and kinds["picture-unknown"].stops
    assert not kinds["number-loose"].stops and not kinds["number-loose"].asks and not kinds["number-loose"].open


def test_a_photo_without_words_stops_until_it_has_some(strings, cast):
    programme = strings.programmes.get()
    photo = Attachment(
        programme=programme, path="files/a.png", sha256="0" * 64, about="product", product=programme.products.first()
    )
    photo.content.save("a.png", ContentFile(b"x"), save=False)
    photo.save()
    touch(strings, cast["planner"])
    code = f"photo.{photo.pk}"
    assert readiness._of_pictures(strings)[0].stops
    Attachment.objects.filter(pk=photo.pk).update(caption="A string.")
    assert not readiness._of_pictures(strings)[0].open  # its caption stands in
    Attachment.objects.filter(pk=photo.pk).update(alt="A grey string on a spool.")
    assert code not in {point.code for point in readiness._of_pictures(strings)}


def test_receipts_and_tables_need_no_alternative_text(strings):
    programme = strings.programmes.get()
    for path, kind in (("files/receipt.png", "receipt"), ("files/log.csv", "log")):
        row = Attachment(programme=programme, path=path, sha256="0" * 64, kind=kind, about="product",
                         product=programme.products.first())  # fmt: skip
        row.content.save(path[6:], ContentFile(b"x"), save=False)
        row.save()
    assert readiness._of_pictures(strings) == []


def test_methods_that_look_hazardous_and_are_not_marked():
    methods = [row | {"hazardous": "no"} for row in rows_of("methods")]
    methods[0]["steps"] = "1. Wipe it with acetone."
    found = points(loaded(methods=methods))
    text = found["hazard.pull-by-hand.1"].text
    assert "it speaks of acetone" in text and "70" in text  # and its specimens come from 70 °C


def test_a_hazardous_method_without_cautions_stops():
    """The database refuses one; a study folder of another program may hold it."""
    from comparisons.services.readiness_points import points_of_study

    tables = small_study()
    tables = tables.replace({"methods": table("methods", [row | {"cautions": ""} for row in rows_of("methods")])})
    (point,) = [p for p in points_of_study("strings", tables, None) if p.code.startswith("cautions.")]
    assert point.stops


def test_readings_in_conflict_stop_until_somebody_looked(strings, cast):
    trial = strings.programmes.get().trials.get(code="pull")
    first, second = trial.readings.all()[:2]
    conflict = Conflict.objects.create(trial=trial, specimen=first.specimen, first=first, second=second)
    found = points(strings)
    assert found[f"conflict.{trial.pk}"].stops and "measured twice (1)" in found[f"conflict.{trial.pk}"].text
    conflict.seen_by, conflict.seen_at, conflict.resolution = cast["planner"], timezone.now(), "Both are right."
    conflict.save()
    assert f"conflict.{trial.pk}" not in points(strings)


def test_the_examples_are_ready_as_they_come():
    for name in ("demo", "insect-sprays"):
        comparison = import_study(FIXTURES / name)
        evaluation.run_evaluation(comparison)
        assert readiness.open_points(readiness.points(comparison)) == []


# -- reasons ---------------------------------------------------------------------------------------------


def give(comparison, actor, **reasons) -> int:
    found = points(comparison)
    codes = {name.replace("__", ".").replace("_", "-"): text for name, text in reasons.items()}
    return readiness.give_reasons(
        comparison, actor=actor, reasons=codes, seen={code: readiness.seen_of(found[code]) for code in codes}
    )


def test_a_reason_closes_its_point_and_is_on_the_record(strings, cast):
    assert give(strings, cast["planner"], plan__funding="A demo: nobody paid.") == 1
    row = Limitation.objects.get()
    assert (row.point, row.reason) == ("plan.funding", "A demo: nobody paid.")
    assert row.what == points(strings)["plan.funding"].text
    event = Event.objects.filter(verb="gave a reason").get()
    assert event.changes_draft and event.before is None and event.after["reason"] == "A demo: nobody paid."
    assert not points(strings)["plan.funding"].open
    assert give(strings, cast["planner"], plan__funding="A demo: nobody paid.") == 0  # the same again is no change
    assert give(strings, cast["planner"], plan__funding=" ") == 1
    assert not Limitation.objects.exists() and points(strings)["plan.funding"].open


def test_a_point_that_says_something_else_needs_its_reason_anew(strings, cast):
    settle(strings, cast["planner"])
    Instrument.objects.update(name="Gauge B")
    touch(strings, cast["planner"])
    evaluation.run_evaluation(strings)
    point = points(strings)["uncalibrated.gauge"]
    assert point.open and point.earlier == REASON and point.reason == ""
    with pytest.raises(NotReady, match="No calibration of Gauge B"):
        approval.ask(strings, actor=cast["planner"])


def test_a_reason_whose_point_is_settled_stops_until_it_is_taken_back(strings, cast):
    settle(strings, cast["planner"])
    strings.funding = "The team paid."
    strings.save()
    touch(strings, cast["planner"])
    evaluation.run_evaluation(strings)
    (gone,) = [point for point in readiness.points(strings) if point.open]
    assert gone.code == "gone.plan.funding" and gone.stops
    assert readiness.take_back_settled(strings, actor=cast["planner"]) == 1
    assert readiness.take_back_settled(strings, actor=cast["planner"]) == 0


def test_who_does_not_prepare_gives_no_reason(strings, cast):
    for name in ("bench-member", "operator", "stranger"):
        with pytest.raises(NotAllowed):
            readiness.give_reasons(strings, actor=cast[name], reasons={"plan.funding": "x"}, seen={})
        with pytest.raises(NotAllowed):
            readiness.take_back_settled(strings, actor=cast[name])


def test_a_point_that_stops_takes_no_reason(cast):
    comparison = import_small()
    with pytest.raises(NotReady, match="No reason settles this"):
        give(comparison, cast["planner"], draft__not_evaluated="I am in a hurry.")


def test_two_editors_at_one_point(planner, strings, cast):
    """The second is told what the first wrote, and what was typed is still there."""
    shown = points(strings)
    give(strings, cast["editor"], plan__funding="The team paid.")
    typed = {}
    for code, text in (("plan.funding", "Nobody paid."), ("plan.tie-rule", "No award is given.")):
        typed |= {f"reason:{code}": text, f"seen:{code}": readiness.seen_of(shown[code])}
    answer = planner.post("/desk/strings/check/reasons/", typed)
    html = answer.content.decode()
    assert answer.status_code == 409
    assert "The team paid." in html and "Nobody paid." in html and "No award is given." in html
    assert Limitation.objects.count() == 1  # nothing of the second form was stored
    now = readiness.seen_of(points(strings)["plan.funding"])
    fresh = {"reason:plan.funding": "Nobody paid.", "seen:plan.funding": now}
    assert planner.post("/desk/strings/check/reasons/", fresh).status_code == 302
    assert Limitation.objects.get(point="plan.funding").reason == "Nobody paid."


@pytest.mark.parametrize("text", ["x" * 2001, "x" * 10_000])
def test_a_reason_that_is_too_long_comes_back(planner, strings, text):
    seen = readiness.seen_of(points(strings)["plan.funding"])
    answer = planner.post("/desk/strings/check/reasons/", {"reason:plan.funding": text, "seen:plan.funding": seen})
    assert answer.status_code == 422 and text in answer.content.decode()
    assert not Limitation.objects.exists()


def test_what_is_typed_is_kept_as_text(planner, strings):
    seen = readiness.seen_of(points(strings)["plan.funding"])
    text = "a\x00b <script>alert(1)</script> \u202edesrever"
    planner.post("/desk/strings/check/reasons/", {"reason:plan.funding": text, "seen:plan.funding": seen})
    assert Limitation.objects.get().reason == "ab <script>alert(1)</script> desrever"
    html = planner.get("/desk/strings/check/").content.decode()
    assert "<script>alert" not in html and "&lt;script&gt;alert(1)" in html


def test_one_reason_for_all_of_a_group_that_are_blank(planner, strings, cast):
    found = points(strings)
    plan = [code for code in found if code.startswith("plan.")]
    typed = {f"reason:{code}": "" for code in plan} | {f"seen:{code}": readiness.seen_of(found[code]) for code in plan}
    typed |= {"reason:plan.funding": "The team paid.", "all:plan": "It is a small example.",
              "reason:anchors.knot": "", "seen:anchors.knot": readiness.seen_of(found["anchors.knot"])}  # fmt: skip
    answer = planner.post("/desk/strings/check/reasons/", typed, follow=True)
    assert "5 reasons stored." in answer.content.decode()
    given = dict(Limitation.objects.values_list("point", "reason"))
    assert given["plan.funding"] == "The team paid." and given["plan.inclusion"] == "It is a small example."
    assert set(given) == set(plan)


def test_reasons_are_evaluated_again_without_being_asked(planner, strings):
    found = points(strings)
    typed = {"reason:plan.funding": "x", "seen:plan.funding": readiness.seen_of(found["plan.funding"])}
    planner.post("/desk/strings/check/reasons/", typed)
    assert not evaluation.standing(strings).fresh
    assert [job.status for job in jobs.drain()] == ["done"]
    assert evaluation.standing(strings).fresh
    assert strings.evaluations.count() == 1  # no number rests on a reason


# -- asking ----------------------------------------------------------------------------------------------


def test_asking_is_refused_while_something_is_open(strings, cast):
    with pytest.raises(NotReady, match=r"Not ready: The plan does not say .* \(and 6 more\).*the reason why it stays"):
        approval.ask(strings, actor=cast["planner"])
    assert not ApprovalRequest.objects.exists()


def test_the_first_that_is_named_is_one_that_stops(strings, cast):
    product = strings.programmes.get().products.first()
    Award.objects.create(comparison=strings, code="best", name="Best", product=product)
    touch(strings, cast["planner"])
    evaluation.run_evaluation(strings)
    with pytest.raises(NotReady, match="Not ready: The numbers do not carry the award"):
        approval.ask(strings, actor=cast["planner"])


def test_what_comes_up_after_asking_stops_approval_and_publication(strings, cast):
    """No digest covers a gauge found wrong, nor readings in conflict: they are looked up again each time."""
    settle(strings, cast["planner"])
    request = approval.ask(strings, actor=cast["planner"])
    gauge = Instrument.objects.get()
    first = instruments.record_fault(cast["editor"], gauge, since=date(2026, 1, 1), what="It sticks.")
    with pytest.raises(NotReady, match="was found wrong"):
        approval.decide(request, actor=cast["second-editor"], verdict="approved")
    instruments.close_fault(cast["editor"], first, decision="It does not stick at these forces.")
    approval.decide(request, actor=cast["second-editor"], verdict="approved")
    instruments.record_fault(cast["editor"], gauge, since=date(2026, 1, 1), what="It sticks again.")
    with pytest.raises(NotReady, match="was found wrong"):
        publishing.publish(strings)
    assert not Edition.objects.exists()


def test_a_fault_of_other_days_or_of_voided_readings_holds_nothing(strings, cast):
    gauge = Instrument.objects.get()
    instruments.record_fault(cast["planner"], gauge, since=date(2026, 2, 1), what="It fell down.")
    settle(strings, cast["planner"])
    assert approval.ask(strings, actor=cast["planner"]).pk
    assert InstrumentFault.objects.filter(closed_at__isnull=True).count() == 1


def test_limits_are_published_with_the_edition(strings, cast):
    edition = publish(strings, cast)
    page = json.loads(bytes(edition.page))
    assert {"what": "The plan does not say who paid, who supplied, and how the team earns.", "reason": REASON} in page[
        "limitations"
    ]
    with zipfile.ZipFile(io.BytesIO(bytes(edition.package))) as archive:
        assert "plan.funding" in archive.read("limitations.csv").decode()


def test_readers_see_the_limits(client, strings, cast):
    publish(strings, cast)
    html = client.get("/c/strings/").content.decode()
    assert "how the team earns." in html and REASON in html and 'id="limits"' in html


def test_the_page_asks_for_approval_at_its_end(planner, strings, cast):
    html = planner.get("/desk/strings/check/").content.decode()
    assert "7 points are open" in html and "Ask for approval</button>" not in html
    settle(strings, cast["planner"])
    html = planner.get("/desk/strings/check/").content.decode()
    assert "Nothing is open" in html and "Ask for approval</button>" in html
    answer = planner.post("/desk/strings/ask/", {"note": "Please look at p01."})
    assert answer.status_code == 302 and ApprovalRequest.objects.get().note == "Please look at p01."


def test_a_refused_request_brings_back_what_was_typed(planner, strings, cast):
    publish(strings, cast)
    strings.article = "New words."
    strings.save()
    touch(strings, cast["planner"])
    settle(strings, cast["planner"])
    typed = {"note": "A note.", "correction": "The mean of p00.", "why": "", "since": "1"}
    answer = planner.post("/desk/strings/ask/", typed)
    html = answer.content.decode()
    assert answer.status_code == 422 and "Say why it was wrong" in html
    assert "A note." in html and "The mean of p00." in html
    assert ApprovalRequest.objects.count() == 1


@pytest.mark.parametrize("since", ["2", "0", "-1", "x", "99999999999", "1.0"])
def test_a_correction_of_an_edition_that_does_not_exist(strings, cast, since):
    publish(strings, cast)
    with pytest.raises(NotReady, match="There is no edition .* there are editions 1 to 1"):
        approval.ask(strings, actor=cast["planner"], correction="a", why="b", since=since)


def test_a_correction_before_anything_is_published(strings, cast):
    settle(strings, cast["planner"])
    with pytest.raises(NotReady, match="nothing is published yet"):
        approval.ask(strings, actor=cast["planner"], correction="a", why="b", since="1")


def test_what_changes_since_the_last_edition_is_told(planner, strings, cast):
    publish(strings, cast)
    strings.article = "Other words."
    strings.save()
    touch(strings, cast["planner"])
    html = planner.get("/desk/strings/check/").content.decode()
    assert "no printed number differs" in html and "1 text differs (article)" in html
    assert reverse("desk-draft-changes", args=["strings", 1]) in html


def test_bench_members_read_the_list_and_change_nothing(client, cast, strings):
    client.force_login(cast["bench-member"], backend=BACKEND)
    html = client.get("/desk/strings/check/").content.decode()
    assert "how the team earns" in html and "<textarea" not in html and "Save the reasons" not in html
    answer = client.post("/desk/strings/check/reasons/", {"reason:plan.funding": "x"})
    assert answer.status_code == 422 and not Limitation.objects.exists()


def test_the_list_takes_as_many_queries_whatever_the_size(planner, cast):
    counts = []
    for slug, size in (("little", {}), ("large", {"products": 6, "units": 4, "per_unit": 3})):
        comparison = import_small(slug, **size)
        evaluation.run_evaluation(comparison)
        with CaptureQueriesContext(connection) as first:
            planner.get(f"/desk/{slug}/check/")
        with CaptureQueriesContext(connection) as again:
            planner.get(f"/desk/{slug}/check/")
        counts.append((len(first), len(again)))
    assert counts[0] == counts[1]
    assert counts[0][1] <= 22, [query["sql"][:80] for query in again]

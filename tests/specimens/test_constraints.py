"""Each rule that fits in SQL, tried by breaking it; and the numbers kept as typed."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import DatabaseError, transaction
from django.db.models import ProtectedError
from django.utils import timezone

from comparisons.models import (
    Approval,
    ApprovalRequest,
    Award,
    Comparison,
    Criterion,
    Edition,
    Evaluation,
    Job,
    Weight,
    Weighting,
)
from specimens.fields import Number
from specimens.models import (
    Absence,
    Attachment,
    Calibration,
    Claim,
    Condition,
    Exposure,
    Instrument,
    Method,
    MethodRevision,
    Product,
    ProgrammeProduct,
    Property,
    Purchase,
    Specimen,
    Trial,
    Void,
)
from tests.build import make_bench, make_comparison, make_user

pytestmark = pytest.mark.django_db


@pytest.fixture
def bench():
    return make_bench()


def refused(make, name: str):
    with pytest.raises(DatabaseError, match=name), transaction.atomic():
        make()


DAY = dt.date(2026, 3, 1)


def test_codes_are_lower_case(bench):
    def unit(code):
        return lambda: bench.unit.__class__.objects.create(
            programme=bench.programme, product=bench.product, code=code
        )

    for code in ("Alder", "al der", "-alder", "=1", ""):
        refused(unit(code), "unit_code_form")


def test_one_code_once_in_a_programme(bench):
    refused(lambda: bench.reading(code=bench.reading().code), "never replaced|reading_code")
    refused(
        lambda: Trial.objects.create(programme=bench.programme, code="strength-dry", property=bench.property),
        "UNIQUE|trial_code",
    )


def test_one_product_once(bench):
    p = bench.product.product
    refused(lambda: Product.objects.create(maker=p.maker, model=p.model), "UNIQUE|product_identity")
    refused(
        lambda: ProgrammeProduct.objects.create(programme=bench.programme, product=p, code="alder2"),
        "UNIQUE|programme_product_once",
    )


@pytest.mark.parametrize(
    ("fields", "name"),
    [
        ({"price": "-1", "currency": "EUR"}, "purchase_price_not_negative"),
        ({"price": "1"}, "purchase_price_has_currency"),
        ({"packs": "0"}, "purchase_packs_positive"),
        ({"items_per_pack": "-5"}, "purchase_items_positive"),
        ({"content": "2"}, "purchase_content_has_unit"),
        ({"obtained": "stolen"}, "purchase_obtained_known"),
    ],
)
def test_purchases(bench, fields, name):
    values = {"programme": bench.programme, "product": bench.product, "code": "x", "obtained": "bought"} | fields
    refused(lambda: Purchase.objects.create(**values), name)


@pytest.mark.parametrize(
    ("fields", "name"),
    [
        ({"sense": "at_least"}, "claim_limit_has_value"),
        ({"sense": "between", "low": "1"}, "claim_between_has_both"),
        ({"sense": "between", "low": "10", "high": "9"}, "claim_low_under_high"),
        ({"sense": "nominal", "value": "5", "tolerance_plus": "-1"}, "claim_tolerance_plus_not_negative"),
        ({"sense": "about", "value": "5"}, "claim_sense_known"),
        ({"sense": "yes", "certification_state": "verified"}, "claim_check_has_date"),
        ({"sense": "yes", "governs": True}, "claim_governs_with_reason"),
    ],
)
def test_claims(bench, fields, name):
    values = {"programme": bench.programme, "product": bench.product, "property": bench.property, "code": "c"}
    refused(lambda: Claim.objects.create(**values | fields), name)


def test_numbers_compare_as_numbers_not_as_text(bench):
    """As text, "9" is above "10"."""
    Claim.objects.create(
        programme=bench.programme, product=bench.product, property=bench.property, code="c", sense="between",
        low="9", high="10",
    )


@pytest.mark.parametrize(
    ("fields", "name"),
    [
        ({"kind": "quantity", "unit": ""}, "property_quantity_has_unit"),
        ({"kind": "rating"}, "property_rating_has_scale"),
        ({"kind": "feeling"}, "property_kind_known"),
        ({"better": "green"}, "property_direction_known"),
        ({"plausible_low": "5", "plausible_high": "1"}, "property_plausible_ordered"),
    ],
)
def test_properties(bench, fields, name):
    values = {"programme": bench.programme, "code": "p", "kind": "quantity", "unit": "N"} | fields
    refused(lambda: Property.objects.create(**values), name)


@pytest.mark.parametrize(
    ("fields", "name"),
    [
        ({"range_low": "5", "range_high": "1"}, "instrument_range_ordered"),
        ({"resolution": "0"}, "instrument_resolution_positive"),
        ({"accuracy_pct": "1"}, "instrument_accuracy_says_of_what"),
        ({"calibrated_on": DAY, "due_on": DAY - dt.timedelta(days=1)}, "instrument_due_after_calibration"),
        ({"name": ""}, "instrument_named"),
    ],
)
def test_instruments(fields, name):
    refused(lambda: Instrument.objects.create(**{"name": "Gauge"} | fields), name)


def test_an_instrument_is_known_by_name_and_serial():
    Instrument.objects.create(name="Gauge", serial="7")
    refused(lambda: Instrument.objects.create(name="Gauge", serial="7"), "UNIQUE|instrument_identity")
    gauge = Instrument.objects.create(name="Rule")
    Instrument.objects.create(name="Rule")  # without a serial two may look alike
    Calibration.objects.create(instrument=gauge, calibrated_on=DAY, k="2")
    refused(lambda: Calibration.objects.create(instrument=gauge, calibrated_on=DAY), "UNIQUE|calibration_once")
    refused(
        lambda: Calibration.objects.create(instrument=gauge, calibrated_on=dt.date(2026, 4, 1), k="0"),
        "calibration_k_positive",
    )


def test_a_hazardous_method_has_cautions():
    method = Method.objects.create(title="Flame")
    refused(
        lambda: MethodRevision.objects.create(method=method, revision="1", hazardous=True),
        "method_hazard_has_cautions",
    )


def test_conditions_and_exposures(bench):
    refused(
        lambda: Condition.objects.create(programme=bench.programme, code="hot", temperature="100"),
        "condition_numbers_have_units",
    )
    hot = Condition.objects.create(
        programme=bench.programme, code="hot", temperature="100", temperature_unit="degC"
    )
    now = timezone.now()
    refused(
        lambda: Exposure.objects.create(
            specimen=bench.specimen, condition=hot, started_at=now, ended_at=now - dt.timedelta(hours=1)
        ),
        "exposure_ends_after_start",
    )


def test_a_trial_is_not_its_own_baseline(bench):
    def own():
        bench.trial.baseline = bench.trial
        bench.trial.save()

    refused(own, "trial_not_its_own_baseline")
    refused(
        lambda: Trial.objects.create(programme=bench.programme, code="t", property=bench.property, paired=True),
        "trial_paired_has_baseline",
    )


def test_absences_and_blind_codes(bench):
    Absence.objects.create(trial=bench.trial, product=bench.product, reason="lost")
    refused(
        lambda: Absence.objects.create(trial=bench.trial, product=bench.product, reason="lost"),
        "UNIQUE|absence_once",
    )
    other = make_bench()
    refused(
        lambda: Absence.objects.create(trial=other.trial, product=other.product, reason="forgot"),
        "absence_reason_known",
    )
    for code, blind in (("s1", "k7"), ("s2", "")):
        Specimen.objects.create(programme=bench.programme, unit=bench.unit, code=code, blind_code=blind)
    refused(
        lambda: Specimen.objects.create(programme=bench.programme, unit=bench.unit, code="s3", blind_code="k7"),
        "UNIQUE|specimen_blind_code",
    )


def test_a_void_says_why_and_stands_once(bench):
    reading = bench.reading()
    refused(lambda: Void.objects.create(reading=reading), "void_with_reason")
    Void.objects.create(reading=reading, reason="jaw slipped")
    refused(lambda: Void.objects.create(reading=reading, reason="again"), "never replaced|UNIQUE")


def test_a_reading_says_something_known(bench):
    refused(lambda: bench.reading(value=""), "reading_has_value")
    refused(lambda: bench.reading(bound="~"), "reading_bound_known")


def test_a_file_is_about_exactly_one_thing(bench):
    refused(
        lambda: Attachment.objects.create(
            programme=bench.programme, path="files/a.jpg", about="product", trial=bench.trial, sha256="0" * 64
        ),
        "attachment_about_exactly_one",
    )


def test_what_readings_rest_on_is_not_deleted(bench):
    bench.reading()
    for thing in (bench.product, bench.unit, bench.specimen, bench.trial, bench.property, bench.programme):
        with pytest.raises(ProtectedError):
            thing.delete()


def test_criteria_and_weights(bench):
    comparison = make_comparison(bench)
    criterion = comparison.criteria.get()
    refused(
        lambda: Criterion.objects.create(comparison=comparison, code="x", position=1, kind="trial"),
        "criterion_scores_exactly_one",
    )
    refused(
        lambda: Criterion.objects.create(
            comparison=comparison, code="x", position=1, kind="cost", cost="per_item", trial=bench.trial
        ),
        "criterion_scores_exactly_one",
    )
    refused(
        lambda: Criterion.objects.create(
            comparison=comparison, code="x", position=1, kind="cost", cost="per_item", floor="3", ceiling="3"
        ),
        "criterion_anchors_differ",
    )
    weighting = Weighting.objects.create(comparison=comparison, code="w", position=0)
    refused(
        lambda: Weight.objects.create(weighting=weighting, criterion=criterion, weight="-1"), "weight_not_negative"
    )
    Weight.objects.create(weighting=weighting, criterion=criterion, weight="3")
    refused(
        lambda: Weight.objects.create(weighting=weighting, criterion=criterion, weight="3"), "UNIQUE|weight_once"
    )
    Award.objects.create(comparison=comparison, code="best", product=bench.product)


@pytest.mark.parametrize(
    ("fields", "name"),
    [
        ({"confidence": "1"}, "comparison_confidence_is_share"),
        ({"currency": "euro"}, "comparison_currency_form"),
        ({"question": ""}, "comparison_asks"),
        ({"rule": "coin"}, "comparison_rule_known"),
        ({"price_cap": "-1"}, "comparison_price_cap_not_negative"),
    ],
)
def test_comparisons(fields, name):
    values = {"slug": "s", "title": "T", "question": "Q?", "currency": "EUR"} | fields
    values["currency"] = values["currency"][:3]
    refused(lambda: Comparison.objects.create(**values), name)


@pytest.fixture
def request_(bench):
    comparison = make_comparison(bench)
    evaluation = Evaluation.objects.create(
        comparison=comparison, inputs_digest="d" * 64, engine="1", schema="s/1", document="{}"
    )
    return ApprovalRequest.objects.create(
        comparison=comparison, evaluation=evaluation, digest="a" * 64, requested_by=make_user("ed", "editor")
    )


def test_nobody_approves_what_they_asked_for(request_):
    author, second = request_.requested_by, make_user("second", "editor")
    refused(
        lambda: Approval.objects.create(
            request=request_, verdict="approved", requested_by=author, approved_by=author
        ),
        "approval_by_a_second_person",
    )
    # Nor by naming somebody else as the one who asked.
    refused(
        lambda: Approval.objects.create(
            request=request_, verdict="approved", requested_by=second, approved_by=author
        ),
        "belongs to another requested_by",
    )
    refused(
        lambda: Approval.objects.create(
            request=request_, verdict="returned", requested_by=author, approved_by=second
        ),
        "approval_returned_with_reason",
    )


def test_editions_are_numbered_and_never_change(request_):
    approval = Approval.objects.create(
        request=request_, verdict="approved", requested_by=request_.requested_by,
        approved_by=make_user("second", "editor"),
    )
    fields = {
        "comparison": request_.comparison, "approval": approval, "evaluation": request_.evaluation,
        "published_at": timezone.now(), "package": b"z", "results": b"{}", "page": b"{}",
        "package_sha256": "1" * 64, "results_sha256": "2" * 64, "page_sha256": "3" * 64, "sha256": "4" * 64,
    }
    refused(lambda: Edition.objects.create(number=2, **fields), "edition_follows_the_last")
    edition = Edition.objects.create(number=1, **fields)
    refused(lambda: Edition.objects.update(results=b"[]"), "editions are never changed")
    refused(edition.delete, "editions are never deleted")
    refused(lambda: Evaluation.objects.update(document="[]"), "evaluations are never changed")
    refused(lambda: Approval.objects.update(reason="x"), "approvals are never changed")


def test_an_evaluation_is_made_once(request_):
    e = request_.evaluation
    refused(
        lambda: Evaluation.objects.create(
            comparison=e.comparison, inputs_digest=e.inputs_digest, engine=e.engine, schema=e.schema, document="{}"
        ),
        "never replaced|evaluation_key",
    )


def test_one_job_of_a_kind_waits_at_a_time(bench):
    comparison = make_comparison(bench)
    Job.objects.create(kind="evaluate", comparison=comparison, key="k", status="done")
    Job.objects.create(kind="evaluate", comparison=comparison, key="k")
    refused(lambda: Job.objects.create(kind="evaluate", comparison=comparison, key="k"), "UNIQUE|job_once")


def test_numbers_keep_their_text(bench):
    purchase = bench.purchase
    for text in ("4.50", "1e3", "+7", "007", "0.10000000000000000000001"):
        purchase.price = text
        purchase.save()
        kept = Purchase.objects.get(pk=purchase.pk).price
        assert kept.text == text
        assert kept == Number(text)
    for text in ("NaN", "inf", "4,5", "four", "1e400", "9" * 65):
        with pytest.raises(ValueError, match="expected"):
            Number(text)

"""Slips are told in words, kept with the reading, and block nothing."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from django.utils import timezone

from specimens.models import Exposure, Instrument, ProgrammeInstrument, Reading
from tests.bench.staging import stamp


@pytest.fixture
def told(stage, send):
    """Send a reading of the force trial; the kinds and the words of what is told."""
    places = iter(stage.plan("force", replicates=20))

    def tell(value, specimen=None, **changes):
        specimen = specimen or next(places).specimen
        (answer,) = send(stage.entry("force", specimen, value, **changes))
        assert answer["status"] == "stored", answer
        return {slip["kind"]: slip["text"] for slip in answer["slips"]}

    return tell


@pytest.fixture
def siblings(stage, send):
    """Readings of three specimens of one product near 40 N; two more specimens of it."""
    stage.plan("force", replicates=10)
    own = [
        place.specimen for place in stage.bench("force").trial.places.select_related("specimen__unit__product")
        if place.specimen.unit.product.code == "alder"
    ]
    for specimen, value in zip(own, ("39.8", "40.1", "40.3", "39.9"), strict=False):
        send(stage.entry("force", specimen, value))
    return own[4:]


# Published factors: NIST SP 811:2008, appendix B (inch, pound-force, kilogram-force are exact or to seven
# digits there); SI prefixes for powers of ten.
FACTORS = [
    (10, "decimal point"), (100, "two places"), (1000, "prefix"), (4.4482216152605, "pound-force"),
    (9.80665, "kilogram-force"),
]  # fmt: skip


@pytest.mark.parametrize(("factor", "says"), FACTORS)
@pytest.mark.parametrize("over", [True, False])
def test_a_factor_from_its_siblings_is_told(stage, send, siblings, factor, says, over):
    value = f"{40.0 * factor if over else 40.0 / factor:.5g}"
    (answer,) = send(stage.entry("force", siblings[0], value))
    told = {slip["kind"]: slip["text"] for slip in answer["slips"]}
    assert says in told["factor"]
    assert "siblings" in told["factor"]
    assert answer["status"] == "stored", "nothing is blocked"


def test_inch_for_millimetre_is_told_of_a_width(stage, send):
    """25.4 is exact (NIST SP 811, B.8)."""
    places = stage.plan("width", replicates=5)
    own = [p.specimen for p in places if p.specimen.unit.product.code == "birch"]
    for specimen in own[:4]:
        send(stage.entry("width", specimen, "19.80"))
    (answer,) = send(stage.entry("width", own[4], f"{19.8 / 25.4:.3f}"))
    assert "1/25.4 of its siblings; millimetre for inch" in answer["text"]


def test_other_products_are_no_siblings(stage, send, siblings):
    other = next(
        place.specimen for place in stage.bench("force").trial.places.select_related("specimen__unit__product")
        if place.specimen.unit.product.code == "cedar"
    )
    (answer,) = send(stage.entry("force", other, "390"))
    assert "factor" not in {slip["kind"] for slip in answer["slips"]}


def test_a_suspect_value_by_grubbs_is_told(stage, send):
    """The eight values of NIST/SEMATECH e-Handbook 1.3.5.17.1, the last of them the outlier (G = 2.4687)."""
    places = stage.plan("force", replicates=5)
    own = [p.specimen for p in places if p.specimen.unit.product.code == "alder"]
    values = ["199.31", "199.53", "200.19", "200.82", "201.92", "201.95", "202.18"]
    for specimen, value in zip(own, values, strict=False):
        send(stage.entry("force", specimen, value))
    (answer,) = send(stage.entry("force", own[7], "245.57"))
    told = {slip["kind"]: slip["text"] for slip in answer["slips"]}
    assert "g = 2.47" in told["suspect"]
    assert "Grubbs" in Reading.objects.get(value="245.57").decision


def test_few_siblings_are_too_few_to_suspect(told):
    for value in ("40.1", "40.2", "40.3"):
        assert "suspect" not in told(value)
    assert "suspect" not in told("44.0")


@pytest.mark.parametrize(("value", "side"), [("1.5", "outside"), ("401", "outside"), ("2", ""), ("400", "")])
def test_outside_the_plausible_range(told, value, side):
    found = told(value)
    assert ("implausible" in found) == bool(side)
    if side:
        assert found["implausible"] == f"{value} N is outside what is plausible for Force: 2 to 400 N"


def test_the_plausible_range_is_of_the_result_and_is_met_by_what_is_typed_in_another_unit(told):
    assert "implausible" in told("100", unit="lbf")  # 444.8 N
    assert "implausible" not in told("80", unit="lbf")  # 355.9 N


def test_the_plausible_range_of_a_divided_result(stage, send):
    """400 N over 19.80 mm is 202 N/cm: outside 0.5 to 60; 40 N over it is 20.2 N/cm."""
    places = stage.plan("peel")
    rows = [{"trial": "width", "value": "19.80", "unit": "mm"}]
    (answer,) = send(stage.entry("peel", places[0].specimen, "400", dimensions=rows))
    assert "202 N/cm is outside what is plausible for Peel" in answer["text"]
    (answer,) = send(stage.entry("peel", places[1].specimen, "40", dimensions=rows))
    assert "implausible" not in {slip["kind"] for slip in answer["slips"]}


def test_a_dimension_is_looked_over_too(stage, send):
    place = stage.plan("peel")[0]
    rows = [{"trial": "width", "value": "0.78", "unit": "mm", "instrument": "calliper"}]
    (answer,) = send(stage.entry("peel", place.specimen, "4", dimensions=rows))
    assert "plausible for Width: 5 to 50 mm" in answer["text"]


def test_what_the_gauge_cannot_have_shown(told):
    assert "below the range of stand" in told("3.1", instrument="stand")["gauge_range"]
    assert "above the range of stand" in told("900", instrument="stand")["gauge_range"]
    assert "finer than stand" in told("12.55", instrument="stand")["resolution"]
    assert told("12.5", instrument="stand") == {}
    assert told("499.9", instrument="stand").keys() <= {"implausible"}


def test_the_range_is_looked_at_in_the_gauges_own_unit(told):
    """120 lbf are 533.8 N, above 500 N; the resolution says nothing of a value typed in another unit."""
    found = told("120", unit="lbf", instrument="stand")
    assert "above the range" in found["gauge_range"]
    assert "resolution" not in found


@pytest.mark.parametrize("step", ["0.1", "0.5", "0.02", "2"])
def test_no_rounding_makes_a_value_finer_than_the_gauge(stage, told, step):
    """Decimal arithmetic: 12.3 is a multiple of 0.1, though not in binary floating point."""
    gauge = ProgrammeInstrument.objects.get(programme=stage.programme, code="stand").instrument
    Instrument.objects.filter(pk=gauge.pk).update(resolution=step)
    for k in (60, 123, 1_001):
        from decimal import Decimal

        assert "resolution" not in told(str(k * Decimal(step)), instrument="stand")


def test_an_instrument_past_its_calibration_date(told):
    found = told("12.5", instrument="old")
    assert "was due for calibration on 2026-01-01" in found["overdue"]


def test_a_gauge_that_was_in_date_when_it_was_read(stage, told):
    gauge = ProgrammeInstrument.objects.get(programme=stage.programme, code="stand").instrument
    yesterday = date.today() - timedelta(days=1)
    Instrument.objects.filter(pk=gauge.pk).update(due_on=yesterday)
    assert "overdue" in told("12.5", instrument="stand")
    assert "overdue" not in told("12.6", instrument="stand", made_at=stamp(days=2))


def test_the_wrong_specimen(stage, told, send):
    other = stage.plan("holds")[0].specimen
    assert "is not planned in this trial" in told("12.5", other)["other_trial"]
    specimen = stage.bench("force").trial.places.select_related("specimen").last().specimen
    told("12.5", specimen)
    assert "was measured already by bea" in told("12.6", specimen)["already"]
    for reading in Reading.objects.filter(specimen=specimen):
        send(stage.other("void", "force", reading=reading.code, reason="slipped"))
    assert "was voided" in told("12.7", specimen)["voided"]


def test_a_reading_in_a_new_run_is_no_repeat(stage, told, send):
    specimen = stage.bench("force").trial.places.select_related("specimen").last().specimen
    told("12.5", specimen, made_at=stamp(minutes=5))
    (run,) = send(stage.other("run", "force", reason="new jaws", carry="none"))
    assert "already" not in told("12.6", specimen, run=run["run"])


@pytest.mark.parametrize(
    ("started", "ended", "says"),
    [
        (None, None, "was not started"), (10, None, "is not over"), (80, 8, "recovery ends only at"),
        (120, 48, "was due until"), (100, 28, ""),
    ],
)  # fmt: skip
def test_conditioning_that_was_not_over_or_too_long_ago(stage, send, started, ended, says):
    """72 h in the oven, 24 h recovery, and a window as long again."""
    specimen = stage.plan("aged")[0].specimen
    now = timezone.now()
    if started:
        Exposure.objects.create(
            specimen=specimen, condition=stage.trials["aged"].condition, started_at=now - timedelta(hours=started),
            ended_at=now - timedelta(hours=ended, minutes=1) if ended else None,
        )  # fmt: skip
    (answer,) = send(stage.entry("aged", specimen, "12.5"))
    found = {slip["kind"]: slip["text"] for slip in answer["slips"]}
    assert ("conditioning" in found) == bool(says)
    assert says in found.get("conditioning", "")


def test_cautions_that_were_not_confirmed(stage, send):
    places = stage.plan("pull")
    (answer,) = send(stage.entry("pull", places[0].specimen))
    assert "cautions were not confirmed" in answer["text"]
    (confirmed,) = send(stage.other("confirm_cautions", "pull", revision="2", made_at=stamp(minutes=1)))
    assert confirmed["status"] == "stored"
    (answer,) = send(stage.entry("pull", places[1].specimen))
    assert answer["slips"] == []
    (answer,) = send(stage.entry("pull", places[2].specimen), by="other")
    assert "cautions" in {slip["kind"] for slip in answer["slips"]}, "each confirms for themselves"


def test_cautions_of_an_older_revision_are_no_confirmation(stage, send):
    stage.plan("pull")
    (answer,) = send(stage.other("confirm_cautions", "pull", revision="1"))
    assert (answer["status"], "now at 2" in answer["text"]) == ("refused", True)


def test_what_was_decided_is_kept_with_what_was_warned_of(stage, told):
    specimen = stage.bench("force").trial.places.select_related("specimen").last().specimen
    told("500", specimen, instrument="old", decision="read twice, it is right")
    kept = Reading.objects.get(value="500").decision
    assert kept.startswith("Warned: ")
    assert "plausible" in kept
    assert kept.endswith("Decided: read twice, it is right")


def test_a_failure_mode_that_does_not_count_keeps_the_reading(stage, send):
    place = stage.plan("pull")[0]
    (answer,) = send(stage.entry("pull", place.specimen, failure_mode="jaw"))
    assert answer["status"] == "stored"
    assert Reading.objects.get().failure_mode == "jaw"


def test_without_the_other_side_nothing_is_suspected_and_readings_are_stored(stage, send, monkeypatch):
    from specimens.bench import hooks

    monkeypatch.setattr(hooks, "_loaders", {})
    hooks._function.cache_clear()
    place = stage.plan("force")[0]
    try:
        (answer,) = send(stage.entry("force", place.specimen, "12.5"))
    finally:
        hooks._function.cache_clear()
    assert answer["status"] == "stored"

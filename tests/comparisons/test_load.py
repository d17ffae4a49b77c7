"""From tables to arrays: units, chains, calibration states and people, on the demo and on small changes of it."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from comparisons.analysis import evaluate
from comparisons.folder.public import public_form
from comparisons.folder.read import read_study
from comparisons.load import quantities_of, study_from_tables

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"


@pytest.fixture(scope="module")
def tables():
    return read_study(DEMO)


@pytest.fixture(scope="module")
def study(tables):
    return study_from_tables(tables)


def row_of(study, code):
    return int(np.flatnonzero(study.readings.code == code)[0])


def typed(tables, **wanted):
    return [r for r in tables["readings"].rows() if all(r[k] == v for k, v in wanted.items())]


def test_every_reading_is_there_once_in_the_order_of_codes(tables, study):
    assert list(study.readings.code) == sorted(tables["readings"]["reading"])


def test_readings_in_pounds_force_are_newtons_in_the_analysis(tables, study):
    rows = typed(tables, unit_of_measure="lbf")
    assert rows
    for row in rows:
        at = row_of(study, row["reading"])
        # NIST SP 811:2008, appendix B.8: 1 lbf = 4.448 222 N
        assert study.readings.value[at] == pytest.approx(float(row["value"]) * 4.4482216152605, rel=1e-12)


def test_thickness_in_mils_is_thousandths_of_an_inch(tables, study):
    rows = typed(tables, unit_of_measure="mil")
    assert rows
    for row in rows:
        at = row_of(study, row["reading"])
        assert study.readings.value[at] == pytest.approx(float(row["value"]) * 0.0254, rel=1e-12)


def test_force_over_section_needs_no_further_factor(study):
    trial = next(t for t in study.trials if t.divide_by)
    assert set(trial.divide_by) == {"width", "thickness"}
    assert trial.result_factor == pytest.approx(1.0)  # N / (mm * mm) is the property's own unit


def test_the_replaced_and_the_void_are_not_live(tables, study):
    for row in tables["readings"].rows():
        at = row_of(study, row["reading"])
        if row["replaces"]:
            old = row_of(study, row["replaces"])
            assert not study.readings.live[old]
            assert study.readings.why_not[old] == f"replaced by {row['reading']}"
        if row["void_reason"]:
            assert not study.readings.live[at]
            assert study.readings.why_not[at] == "void"


def test_a_voided_head_brings_nothing_back(tables):
    column = tables["readings"].columns
    new = next(i for i, old in enumerate(column["replaces"]) if old)
    reasons = list(column["void_reason"])
    reasons[new] = "the jaw slipped"
    changed = tables.replace({"readings": tables["readings"].with_columns(void_reason=reasons)})
    study = study_from_tables(changed)
    assert not study.readings.live[row_of(study, column["reading"][new])]
    assert not study.readings.live[row_of(study, column["replaces"][new])]


def test_a_failure_mode_that_does_not_count_stays_in_sight(tables, study):
    uncounted = {r["mode"] for r in tables["failure_modes"].rows() if r["counts"] == "no"}
    rows = [r for r in tables["readings"].rows() if r["failure_mode"] in uncounted]
    assert rows
    for row in rows:
        at = row_of(study, row["reading"])
        assert study.readings.live[at]
        assert row["failure_mode"] in study.readings.why_not[at]


def test_bounds_keep_their_direction(tables, study):
    rows = typed(tables, bound=">")
    assert rows
    assert all(study.readings.bound[row_of(study, r["reading"])] == 1 for r in rows)
    assert int(np.count_nonzero(study.readings.bound)) == len(rows)


def test_each_reading_has_the_calibration_that_held_that_day(tables, study):
    states: dict[str, set[str]] = {}
    for row in tables["calibrations"].rows():
        states.setdefault(row["instrument"], set()).add(row["calibrated_on"])
    for row in tables["instruments"].rows():
        if row["calibrated_on"]:
            states.setdefault(row["instrument"], set()).add(row["calibrated_on"])
    for row in tables["readings"].rows():
        gauge_at = study.readings.gauge[row_of(study, row["reading"])]
        if not row["instrument"]:
            assert gauge_at == -1
            continue
        gauge = study.gauges[gauge_at]
        past = [d for d in states.get(row["instrument"], ()) if d <= row["taken_at"][:10]]
        assert (gauge.instrument, gauge.calibrated_on) == (row["instrument"], max(past, default=None))


def test_a_gauge_past_its_date_is_marked(tables, study):
    due = {r["instrument"]: r["due_on"] for r in tables["instruments"].rows()}
    late = {r["reading"] for r in tables["readings"].rows()
            if due.get(r["instrument"]) and r["taken_at"][:10] > due[r["instrument"]]}
    assert late
    assert set(study.readings.code[study.readings.overdue]) == late


def test_a_stopwatch_says_nothing_of_a_pass(study):
    watch = [g for g in study.gauges if g.instrument == "watch"]
    assert watch
    assert all(g.resolution is None and g.U is None for g in watch)


def test_a_claim_in_pounds_is_set_against_newtons(study):
    claim = next(c for c in study.claims if c.code == "c02")
    assert claim.value == pytest.approx(50 * 4.4482216152605, rel=1e-12)
    assert claim.printed_step == pytest.approx(4.4482216152605, rel=1e-12)


def test_anchors_know_whether_they_were_set_before_the_readings(study):
    assert all(c.anchors_before_data for c in study.criteria)


def test_the_order_of_rows_changes_nothing(tables, study):
    shuffled = {}
    for name, table in tables.items():
        order = list(range(len(table)))
        random.Random(7).shuffle(order)
        shuffled[name] = table.take(order)
    other = study_from_tables(tables.replace(shuffled))
    assert other.inputs_digest == study.inputs_digest
    for name in study.readings.__dataclass_fields__:
        np.testing.assert_array_equal(getattr(other.readings, name), getattr(study.readings, name))
    assert other.claims == study.claims
    assert other.gauges == study.gauges


def test_the_public_form_gives_the_same_study(tables, study):
    public = study_from_tables(public_form(tables))
    assert public.inputs_digest == study.inputs_digest
    assert public.raters == study.raters
    np.testing.assert_array_equal(public.readings.rater, study.readings.rater)
    assert not any("op-" in rater for rater in study.raters)


def changed(tables, name, test, **values):
    """The tables with these cells of the rows that pass `test` set anew."""
    rows = list(tables[name].rows())
    columns = {c: [values[c] if test(r) else r[c] for r in rows] for c in values}
    return tables.replace({name: tables[name].with_columns(**columns)})


def test_a_gauge_in_fahrenheit_gives_celsius_with_its_zero(tables):
    # NIST SP 811:2008, appendix B: t/degC = (t/degF - 32)/1.8.
    new = changed(tables, "properties", lambda r: r["property"] == "bundle", unit="degC")
    new = changed(new, "trials", lambda r: r["trial"] == "bundle", reading_unit="degF")
    new = changed(new, "claims", lambda r: r["property"] == "bundle", unit="degC")
    new = changed(new, "readings", lambda r: r["trial"] == "bundle", unit_of_measure="", instrument="")
    study = study_from_tables(new)
    trial = next(t for t in study.trials if t.code == "bundle")
    assert trial.result_factor == 1.0
    for row in typed(tables, trial="bundle"):
        at = row_of(study, row["reading"])
        assert study.readings.value[at] == pytest.approx((float(row["value"]) - 32) / 1.8, rel=1e-12)


def test_trials_know_in_what_a_slip_of_unit_may_lie(study):
    quantities = {t.code: t.quantities for t in study.trials}
    assert quantities["width"] == (("length", 1),)
    assert quantities["loop-dry"] == (("force", 1),)
    assert quantities["mass-dry"] == (("mass", 1),)
    assert quantities["strap"] == (("force", 1), ("length", -1))
    assert quantities["comfort"] == quantities["flame"] == ()
    assert quantities_of("°C", []) == (("celsius", 1),)
    assert quantities_of("lbf/in", []) == (("force", 1), ("length", -1))
    assert quantities_of("count", []) == ()


def test_a_slip_in_millimetres_is_none_of_force(tables):
    # A width typed ten times too large: never a kilogram-force for a newton, which is 9.8.
    suspects = evaluate(study_from_tables(tables))["suspects"]
    slips = [r["text"] for r in suspects if r["trial"] == "width" and r["test"] == "slip"]
    assert slips == ["10 times its siblings; a decimal point"]

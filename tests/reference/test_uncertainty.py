"""Uncertainty budgets against JCGM 100 and hand cases of gauges."""

import math

import numpy as np
import pytest

from comparisons.analysis import evaluate
from comparisons.analysis.study import Gauge, Property, Trial
from comparisons.analysis.uncertainty import combine

from .build import FORCE, one_trial, reading, row, study

UNITS = {"u1": [10.0], "u2": [11.0], "u3": [12.0]}


def found(gauge, given=UNITS):
    document = evaluate(one_trial({"a": given}, gauge=gauge))
    return row(document, "summaries", product="a"), document["budgets"]


def part(budgets, source):
    rows = [b for b in budgets if b["source"] == source]
    assert len(rows) == 1, source
    return rows[0]


def test_end_gauge_of_the_guide():
    # JCGM 100:2008, H.1: u 25 (18), 5.8 (24), 3.9 (5), 6.7 (8), 2.9 (50), 16.6 (2) nm; published u_c 32 nm,
    # effective degrees of freedom 16 after rounding (unrounded arithmetic 16.84), U99 = 93 nm.
    c = combine([25, 5.8, 3.9, 6.7, 2.9, 16.6], [18, 24, 5, 8, 50, 2], level=0.99)
    assert c.u == pytest.approx(32, abs=0.5)
    assert 16 <= c.dof < 17
    # The guide cuts the degrees of freedom to 16 (t = 2.92) and rounds u_c up to 32 before it multiplies.
    assert c.k == pytest.approx(2.92, abs=0.03)
    assert c.U == pytest.approx(93, abs=1.5)


def test_ten_days_of_five_readings():
    # JCGM 100:2008, H.5: mean 10.000 097 V, s of the daily means 57 uV, so u = 57/sqrt(10) = 18 uV, 9 dof.
    means = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]
    found_ = row(
        evaluate(one_trial({"a": {f"d{i}": [10 + m * 1e-6] for i, m in enumerate(means)}})),
        "summaries",
        product="a",
    )
    assert found_["mean"] == pytest.approx(10.000097, abs=5e-7)
    assert found_["u"] == pytest.approx(18e-6, abs=5e-7)
    assert found_["dof"] == 9


def test_exactly_known_parts_have_the_normal_factor():
    c = combine([1.0, 2.0], [np.inf, np.inf])
    assert c.dof == np.inf and c.k == pytest.approx(1.959964, rel=1e-6)


@pytest.mark.parametrize(
    "u, dof", [([], []), ([1.0], [0]), ([-1.0], [2]), ([math.nan], [2]), ([1.0, 2.0], [3])]
)
def test_contributions_that_cannot_be_combined_are_refused(u, dof):
    with pytest.raises(ValueError):
        combine(u, dof)


def test_accuracy_of_reading_and_of_full_scale_differ():
    reading_, budgets = found(Gauge("g", "N", accuracy_pct=1.0, accuracy_basis="reading"))
    assert part(budgets, "accuracy")["half_width"] == pytest.approx(0.11)
    scale, budgets = found(Gauge("g", "N", accuracy_pct=1.0, accuracy_basis="full_scale", full_scale=100.0))
    assert part(budgets, "accuracy")["half_width"] == pytest.approx(1.0)
    assert scale["u"] == pytest.approx(math.hypot(1 / math.sqrt(3), 1.0 / math.sqrt(3)))
    assert reading_["u_own"] == scale["u_own"]


def test_percent_and_amount_of_one_accuracy_add_up_before_they_become_a_distribution():
    _, budgets = found(Gauge("g", "N", accuracy_pct=1.0, accuracy_basis="reading", accuracy_abs=0.2))
    assert part(budgets, "accuracy")["half_width"] == pytest.approx(0.31)


def test_accuracy_without_a_basis_is_left_out_and_said():
    document = evaluate(one_trial({"a": UNITS}, gauge=Gauge("g", "N", accuracy_pct=1.0)))
    summary = row(document, "summaries", product="a")
    assert summary["u"] == summary["u_own"]
    assert "accuracy_basis_unknown" in summary["flags"]
    assert any(n["where"] == "g" and "not of what" in n["text"] for n in document["notes"])


def test_calibration_is_its_expanded_uncertainty_over_its_factor():
    _, budgets = found(Gauge("g", "N", U=0.3, k=2.0))
    assert part(budgets, "calibration")["u"] == pytest.approx(0.15)
    summary, budgets = found(Gauge("g", "N", U=0.3))
    assert part(budgets, "calibration")["u"] == pytest.approx(0.15)
    assert "k_assumed_2" in summary["flags"]


def test_gauge_widens_the_claim_and_not_the_ranking():
    summary, _ = found(Gauge("g", "N", U=6.0, k=2.0))
    own = 1.0 / math.sqrt(3)
    assert summary["u_own"] == pytest.approx(own) and summary["dof_own"] == 2
    assert summary["u"] == pytest.approx(math.hypot(own, 3.0))
    # Welch-Satterthwaite by hand: u^4 / (own^4 / 2).
    assert summary["dof"] == pytest.approx(2 * (math.hypot(own, 3.0) / own) ** 4)


def test_gauge_error_is_not_divided_by_the_number_of_readings():
    many = {f"u{i}": [10.0, 11.0, 12.0] for i in range(8)}
    _, few = found(Gauge("g", "N", U=0.3, k=2.0))
    _, more = found(Gauge("g", "N", U=0.3, k=2.0), many)
    assert part(few, "calibration")["u"] == pytest.approx(part(more, "calibration")["u"])


def test_equal_readings_are_no_better_known_than_the_resolution():
    # JCGM 100:2008, F.2.2.1: a step of 0.5 has a standard uncertainty of 0.5/sqrt(12) = 0.29 x 0.5.
    summary, budgets = found(Gauge("g", "N", resolution=0.5), {f"u{i}": [10.0] for i in range(9)})
    assert summary["u"] == pytest.approx(0.5 / math.sqrt(12)) == summary["u_own"]
    assert "resolution_floor" in summary["flags"]
    assert not [b for b in budgets if b["source"] == "resolution"]


def test_resolution_is_a_part_of_its_own_where_readings_differ():
    summary, budgets = found(Gauge("g", "N", resolution=0.5))
    assert part(budgets, "resolution")["u"] == pytest.approx(0.5 / math.sqrt(12))
    assert summary["u"] > summary["u_own"]


def test_known_errors_of_a_gauge_are_taken_off():
    # Found 6 % high with an offset of 0.5: indication = 1.06 x true + 0.5.
    true = [10.0, 11.0, 12.0]
    given = {f"u{i}": [1.06 * x + 0.5] for i, x in enumerate(true)}
    document = evaluate(one_trial({"a": given}, gauge=Gauge("g", "N", gain=1.06, offset=0.5)))
    assert row(document, "summaries", product="a")["mean"] == pytest.approx(11.0)
    assert all("gauge_corrected" in s["flags"] for s in document["specimens"])


def test_two_gauges_share_the_mean_by_their_readings():
    rows = [
        reading("t", "a", 10.0, unit="u1", gauge=Gauge("g1", "N", U=1.0, k=2.0)),
        reading("t", "a", 12.0, unit="u2", gauge=Gauge("g2", "N", U=2.0, k=2.0)),
    ]
    document = evaluate(study(rows, [Trial("t", "force")], [FORCE]))
    parts = {b["instrument"]: b["u"] for b in document["budgets"] if b["source"] == "calibration"}
    assert parts == {"g1": pytest.approx(0.25), "g2": pytest.approx(0.5)}


def test_dimensions_bring_their_own_gauge_into_the_budget():
    # F/w with F = 100 N, w = 20 mm: a width 1 % wrong moves the result 1 % the other way.
    force, width = (
        Gauge("cell", "N", accuracy_pct=2.0, accuracy_basis="reading"),
        Gauge("caliper", "mm", accuracy_abs=0.2),
    )
    rows = []
    for i in range(3):
        rows.append(reading("pull", "a", 100.0 + i, unit=f"u{i}", specimen=f"s{i}", gauge=force))
        rows.append(reading("width", "a", 20.0, unit=f"u{i}", specimen=f"s{i}", gauge=width))
    properties = [
        Property("line", "quantity", "N/mm", "more"),
        Property("width", "quantity", "mm", "neither"),
    ]
    trials = [Trial("pull", "line", divide_by=("width",)), Trial("width", "width")]
    document = evaluate(study(rows, trials, properties))
    parts = {
        b["instrument"]: b for b in document["budgets"] if b["trial"] == "pull" and b["source"] == "accuracy"
    }
    assert row(document, "summaries", trial="pull")["mean"] == pytest.approx(101 / 20)
    assert parts["cell"]["half_width"] == pytest.approx(0.02 * 101 / 20)
    assert parts["caliper"]["half_width"] == pytest.approx(0.01 * 101 / 20)
    assert parts["cell"]["unit"] == "N/mm"


def test_differences_leave_out_what_one_gauge_shares_and_keep_what_two_do_not():
    coarse = {"gauge": Gauge("g", "N", U=8.0, k=2.0)}
    values = {
        "a": {f"u{i}": [10.0 + 0.1 * i] for i in range(4)},
        "b": {f"u{i}": [11.0 + 0.1 * i] for i in range(4)},
    }
    one = row(evaluate(one_trial(values, **coarse)), "differences", trial="break")
    assert one["pairs"][0]["decided"] == "different" and one["flags"] == []
    rows = [
        reading("break", p, v[0], unit=f"{p}{u}", gauge=Gauge(f"g-{p}", "N", U=8.0, k=2.0))
        for p, units in values.items() for u, v in units.items()
    ]  # fmt: skip
    two = row(evaluate(study(rows, [Trial("break", "force")], [FORCE])), "differences", trial="break")
    assert two["pairs"][0]["decided"] == "no_difference_shown" and two["flags"] == ["several_gauges"]


def test_resolution_changes_no_ranking_quantity():
    fine, _ = found(Gauge("g", "N", resolution=0.001))
    coarse, _ = found(Gauge("g", "N", resolution=0.9))
    assert fine["u_own"] == coarse["u_own"] and fine["u"] < coarse["u"]

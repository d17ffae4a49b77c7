"""What stands beside a mean in the document: robust figures, the gauge's share, medians' intervals, plans."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from comparisons.analysis import dumps, evaluate
from comparisons.analysis.study import Gauge, Property, Trial

from .build import BREAK, FORCE, one_trial, reading, row, study

# Analytical Methods Committee, Technical Brief No. 6 (2001), Robust statistics.
BRIEF = [4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9]


def test_robust_figures_reach_the_document():
    found = row(evaluate(one_trial({"a": BRIEF})), "summaries", product="a")
    # The brief prints a median of 5.2 and, by its own iteration, a robust mean of 5.36.
    assert found["median"] == 5.2 and found["huber"] == pytest.approx(5.36, abs=0.01)
    assert found["mad_sd"] == pytest.approx(float(sm.robust.mad(np.array(BRIEF))), rel=1e-9)
    assert found["robust"].endswith("above the robust mean: far values pull it")
    assert "far_values_pull_the_mean" in found["flags"]


def test_robust_figures_are_absent_where_n_is_too_small_or_values_are_bounds():
    document = evaluate(one_trial({"a": [1.0], "b": [5.0, 5.5, 6.1]}))
    one, few = (row(document, "summaries", product=p) for p in "ab")
    assert (one["huber"], one["mad_sd"], one["robust"]) == (None, None, "one value shows no spread")
    assert few["huber"] is not None and few["robust"].startswith("too few to judge")
    rows = [reading("break", "a", x, bound=b) for x, b in ((5.0, "="), (6.0, "="), (7.0, ">"))]
    censored = row(evaluate(study(rows, [BREAK], [FORCE])), "summaries", product="a")
    assert (censored["huber"], censored["robust"]) == (None, None)


@pytest.mark.parametrize(("accuracy", "flagged"), [(1.0, True), (0.1, False)])
def test_a_gauge_of_one_newton_on_a_peel_of_four_is_told(accuracy, flagged):
    gauge = Gauge("g", "N", accuracy_abs=accuracy)
    found = row(evaluate(one_trial({"a": {"u1": [4.0, 4.2], "u2": [3.9, 4.1]}}, gauge=gauge)), "summaries", product="a")
    # JCGM 100:2008, 4.3.7: a rectangular error of half-width a has u = a/sqrt(3); here at k = 2.
    assert found["u_gauge"] == pytest.approx(accuracy / math.sqrt(3), rel=1e-9)
    assert found["gauge_pct"] == pytest.approx(100 * 2 * accuracy / math.sqrt(3) / 4.05, rel=1e-9)
    assert ("gauge_too_coarse" in found["flags"]) is flagged


def test_one_instrument_has_one_error_in_all_its_states():
    # Two calibration states of one gauge: its accuracy is one error, what its calibrations left open are two.
    values = {"u1": [10.0, 10.2], "u2": [10.1, 10.4]}
    whole = one_trial(
        {"a": values}, gauge=Gauge("g", "N", accuracy_abs=0.3, resolution=0.1, U=0.2, k=2, calibrated_on="2025-01-01")
    )
    states = [
        Gauge("g", "N", accuracy_abs=0.3, resolution=0.1, U=0.2, k=2, calibrated_on=d)
        for d in ("2025-01-01", "2025-06-01")
    ]
    rows = [
        reading("break", "a", x, unit=f"a-{u}", gauge=states[i])
        for i, (u, own) in enumerate(values.items())
        for x in own
    ]
    split = evaluate(study(rows, [BREAK], [FORCE]))
    one = evaluate(whole)
    for source in ("accuracy", "resolution"):
        assert [b["u"] for b in split["budgets"] if b["source"] == source] == [
            b["u"] for b in one["budgets"] if b["source"] == source
        ]
    assert sorted(b["u"] for b in split["budgets"] if b["source"] == "calibration") == pytest.approx([0.05, 0.05])


def panel(raters):
    rng = np.random.default_rng(4)
    rows = [
        reading("feel", p, float(np.clip(round(c + rng.normal(0, 0.8)), 1, 5)), rater=f"r{i:02d}")
        for i in range(raters) for p, c in (("a", 4.0), ("b", 2.5))
    ]  # fmt: skip
    return study(
        rows, [Trial("feel", "feel")], [Property("feel", "rating", "step", "more", scale_low=1.0, scale_high=5.0)]
    )


def test_medians_of_a_panel_have_intervals_from_eight_raters_on():
    few, many = evaluate(panel(5)), evaluate(panel(15))
    assert row(few, "ratings", trial="feel")["medians_ci"] == {"a": None, "b": None}
    assert row(few, "ratings", trial="feel")["medians_reason"]["a"] == "fewer than 8 raters"
    found = row(many, "ratings", trial="feel")
    for p in "ab":
        low, high = found["medians_ci"][p]
        assert 1 <= low <= found["medians"][p] <= high <= 5
    assert dumps(many) == dumps(evaluate(panel(15)))


def test_plans_are_made_from_the_spread_between_units():
    values = {"a": {f"u{i}": [x, x + 1] for i, x in enumerate((90.0, 100.0, 110.0))},
              "b": {f"u{i}": [x, x + 1] for i, x in enumerate((45.0, 50.0, 52.0))}}  # fmt: skip
    found = row(evaluate(one_trial(values)), "plans", trial="break")
    share = [np.std(m, ddof=1) / np.mean(m) for m in ([90.5, 100.5, 110.5], [45.5, 50.5, 52.5])]
    cv = 100 * math.sqrt((2 * share[0] ** 2 + 2 * share[1] ** 2) / 4)
    assert found["cv_pct"] == pytest.approx(cv, rel=1e-9) and found["dof"] == 4
    # Upper limit of an SD by the chi-square (any textbook), the sample sizes by statsmodels.
    assert found["cv_cautious_pct"] == pytest.approx(cv * math.sqrt(4 / stats.chi2.ppf(0.2, 4)), rel=1e-9)
    for key, spread in (("units_to_tell", cv), ("units_to_tell_cautious", found["cv_cautious_pct"])):
        assert found[key] == math.ceil(TTestIndPower().solve_power(10 / spread, power=0.8, alpha=0.05))
    n = found["units_for_margin"]
    assert stats.t.ppf(0.975, n - 1) * cv / math.sqrt(n) <= 5 < stats.t.ppf(0.975, n - 2) * cv / math.sqrt(n - 1)
    assert f"{n} units give a margin of 5 %" in found["words"]


def test_no_plan_without_a_spread_between_units():
    assert row(evaluate(one_trial({"a": [1.0, 2.0]})), "plans", trial="break")["reason"].startswith(
        "no product with two"
    )
    document = evaluate(one_trial({"a": {"u1": [-1.0], "u2": [1.0]}}))
    assert row(document, "plans", trial="break")["reason"].startswith("means that are not all above zero")

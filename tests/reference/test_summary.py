"""Means, spread within and between units, intervals: against NIST, SAS and hand cases."""

from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from comparisons.analysis import evaluate
from comparisons.analysis.cells import gather
from comparisons.analysis.censored import fit_normal
from comparisons.analysis.clustered import fit_clustered
from comparisons.analysis.gauges import gauge_errors
from comparisons.analysis.notes import Notes
from comparisons.analysis.pooling import grows_with_mean, pooled_between
from comparisons.analysis.study import Property, Trial
from comparisons.analysis.values import specimen_values

from .build import BREAK, FORCE, one_trial, reading, readings_of, row, study

ANOVA = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"


def summary(given, **more):
    return row(evaluate(one_trial({"a": given}, **more)), "summaries", product="a")


def cells_of(case):
    """The gathered cells themselves: a document's ten digits are too few for certified values."""
    return gather(case, specimen_values(case, gauge_errors(case), Notes()))


def numacc(base, n=1001):
    """NIST StRD NumAcc2 to 4: base + 0.2 first, then + 0.1 and + 0.3 in turn."""
    return [base + 0.2] + [base + (0.1 if i % 2 else 0.3) for i in range(1, n)]


@pytest.mark.parametrize(
    "values, mean, sd, digits",
    [
        # NIST StRD, univariate; certified values exact (NumAcc1, 2) or as the data allow (3, 4).
        ([10000001, 10000003, 10000002], 10000002, 1, 14),
        (numacc(1), 1.2, 0.1, 13),
        (numacc(1000000), 1000000.2, 0.1, 9),
        (numacc(10000000), 10000000.2, 0.1, 8),
    ],
)
def test_mean_and_sd_keep_their_digits_against_nist_univariate(values, mean, sd, digits):
    cells = cells_of(one_trial({"a": values}))
    assert cells.low[0] == pytest.approx(mean, rel=1e-14)
    assert cells.sd[0] == pytest.approx(sd, rel=10.0**-digits)


def anova(name):
    """Groups and certified F of a NIST StRD one-way ANOVA file as SciPy carries it."""
    lines = (ANOVA / f"{name}.dat").read_text().splitlines()
    pairs = [tuple(float(x) for x in line.split()) for line in lines[60:] if line.strip()]
    groups: dict[int, list[float]] = {}
    for group, value in pairs:
        groups.setdefault(int(group), []).append(value)
    certified = next(line for line in lines if line.startswith("Between")).split()
    return groups, float(certified[-1])


@pytest.mark.parametrize(
    "name, digits",
    [
        ("SiRstv", 11),
        ("AtmWtAg", 9),
        ("SmLs01", 12),
        ("SmLs02", 12),
        ("SmLs04", 9),
        ("SmLs05", 8),
        ("SmLs07", 4),
    ],
)
def test_between_and_within_reproduce_nist_one_way_anova(name, digits):
    groups, certified = anova(name)
    cells = cells_of(one_trial({"a": {f"u{g}": values for g, values in groups.items()}}))
    ratio = 1 + len(groups[1]) * cells.between_variance[0] / cells.within_variance[0]
    assert ratio == pytest.approx(certified, rel=10.0**-digits)


# R package VCA, unit tests TF010 and TF011 ("reference results by SAS 9.2", PROC NESTED), data RS0005_1.
RS0005 = {
    "d1": [28.4818313445989, 24.020685918683, 22.3550773813025],
    "d2": [28.5541766775282, 30.0148733629181, 27.2409675283115],
    "d3": [25.9625293616144, 25.6186963175465, 25.1036494329819],
    "d4": [24.4223970922572, 25.5485153229278, 22.4386942195657],
    "d5": [23.4494058380138, 25.6134124088327, 26.330118717439],
}


def test_components_of_variance_balanced_against_sas():
    found = summary(RS0005)
    assert found["between_sd"] ** 2 == pytest.approx(1.818128, abs=5e-7)
    assert found["within_sd"] ** 2 == pytest.approx(3.375212, abs=5e-7)
    assert found["dof"] == 4


def test_components_of_variance_unbalanced_against_sas():
    short = RS0005 | {"d1": RS0005["d1"][1:], "d4": RS0005["d4"][1:]}
    found = summary(short)
    assert found["between_sd"] ** 2 == pytest.approx(3.592088, abs=5e-7)
    assert found["within_sd"] ** 2 == pytest.approx(1.868201, abs=5e-7)


def test_components_of_the_pigment_paste():
    # Box, Hunter and Hunter, Statistics for Experimenters: 15 batches, 2 samples each, 2 tests each
    # (data and answers from memory): components 7.1 batch, 28.5 sample, 0.9 test. Here the two tests
    # are averaged, so that the within part is 28.5 + 0.9/2.
    tests = """40 39 30 30 26 28 25 26 29 28 14 15 30 31 24 24 19 20 17 17 33 32 26 24 23 24 32 33 34 34 29 29
    27 27 31 31 13 16 27 24 25 23 25 27 29 29 31 32 19 20 29 30 23 24 25 25 39 37 26 28"""
    means = np.array(tests.split(), dtype=float).reshape(15, 2, 2).mean(axis=2)
    found = summary({f"b{i}": list(batch) for i, batch in enumerate(means)})
    assert found["between_sd"] ** 2 == pytest.approx(7.1, abs=0.05)
    assert found["within_sd"] ** 2 == pytest.approx(28.5 + 0.9 / 2, abs=0.05)


def test_mean_is_of_unit_means_and_interval_has_units_minus_one():
    found = summary({"u1": [10.0] * 8 + [12.0] * 2, "u2": [14.0, 16.0]})
    assert found["mean"] == pytest.approx((10.4 + 15.0) / 2)
    assert found["u_own"] == pytest.approx(abs(10.4 - 15.0) / 2)
    assert found["dof_own"] == 1
    # t(0.975; 1) = 12.7062 (any table of Student's t).
    assert found["ci"][1] - found["mean"] == pytest.approx(12.7062 * 2.3, rel=1e-5)
    assert "two_units" in found["flags"]


def test_negative_between_variance_is_zero_and_flagged_but_units_still_carry_the_interval():
    found = summary({"u1": [1.0, 9.0], "u2": [1.2, 9.2]})
    assert found["between_sd"] == 0
    assert "negative_between" in found["flags"]
    assert found["dof_own"] == 1
    assert found["u_own"] == pytest.approx(0.1)


def test_one_specimen_from_each_unit_cannot_be_split():
    found = summary({f"u{i}": [x] for i, x in enumerate([10.0, 11.0, 12.5])})
    assert found["between_sd"] is None and found["within_sd"] is None
    assert "one_specimen_per_unit" in found["flags"]
    assert found["u_own"] == pytest.approx(np.std([10, 11, 12.5], ddof=1) / np.sqrt(3))


def test_one_unit_has_the_specimens_interval_and_says_so():
    found = summary({"u1": [10.0, 11.0, 12.0]})
    half = 4.302653 / np.sqrt(3)  # t(0.975; 2)
    assert found["ci"] == pytest.approx([11 - half, 11 + half], rel=1e-6)
    assert {"one_unit", "of_units_tested"} <= set(found["flags"])


def test_units_unknown_are_not_counted():
    found = summary([10.0, 11.0, 12.0])
    assert found["units"] is None
    assert {"units_unknown", "of_units_tested"} <= set(found["flags"])


def test_one_reading_without_unit_makes_the_units_unknown():
    rows = readings_of("break", "a", [10.0, 12.0, 11.0], units=["u1", "u2", None])
    found = row(evaluate(study(rows, [BREAK], [FORCE])), "summaries", product="a")
    assert found["units"] is None and "units_unknown" in found["flags"]


def test_a_one_unit_product_borrows_the_spread_between_units():
    many = {"u1": [10.0, 11.0], "u2": [14.0, 15.0], "u3": [12.0, 13.0]}
    document = evaluate(one_trial({"a": many, "b": {"u1": [12.0, 12.2, 12.4]}}))
    one = row(document, "summaries", product="b")
    # By hand: unit means 10.5, 14.5, 12.5 have variance 4; within variance 0.5 of both; s_b^2 = 4 - 0.25.
    assert one["u_own"] ** 2 == pytest.approx(3.75 + 0.04 / 3)
    assert "between_units_pooled" in one["flags"] and "of_units_tested" not in one["flags"]
    assert one["u_own"] > row(document, "summaries", product="a")["u_own"]
    # Its interval on the statistics page stays the specimens' own.
    assert one["ci"][1] - one["mean"] == pytest.approx(4.302653 * 0.2 / np.sqrt(3), rel=1e-6)


def test_one_specimen_of_one_unit_is_ranked_only_with_a_borrowed_spread():
    document = evaluate(
        one_trial({"a": {f"u{i}": [x] for i, x in enumerate([10.0, 12.0, 14.0])}, "b": {"u": [9.0]}})
    )
    one = row(document, "summaries", product="b")
    assert one["u_own"] == pytest.approx(2.0) and one["dof_own"] == 2
    assert one["ci"] is None
    alone = summary({"u1": [9.0]})
    assert alone["u"] is None and alone["reason"]


def test_borrowed_spread_is_in_percent_where_spread_goes_with_the_mean():
    many = {f"p{i}": {"u1": [0.9 * m], "u2": [m], "u3": [1.1 * m]} for i, m in enumerate([1.0, 10.0, 100.0])}
    document = evaluate(one_trial(many | {"one": {"u1": [50.0]}}))
    one = row(document, "summaries", product="one")
    assert "pooled_in_percent" in one["flags"]
    assert one["u_own"] == pytest.approx(5.0)


def test_spread_goes_with_the_mean_only_where_it_is_shown():
    mean, dof = np.array([1.0, 10.0, 100.0]), np.array([2, 2, 2])
    assert grows_with_mean(mean, (0.1 * mean) ** 2, dof)
    assert not grows_with_mean(mean, np.array([1.0, 1.0, 1.0]), dof)
    assert not grows_with_mean(mean[:2], mean[:2] ** 2, dof[:2])
    assert not grows_with_mean(-mean, mean**2, dof)
    assert not grows_with_mean(np.array([10.0, 10.1, 10.2]), np.array([1.0, 2.0, 4.0]), dof)


def test_borrowed_variance_never_falls_below_the_specimens_own():
    variance, dof = pooled_between(0.1, 4, 0.5, 2.0, 6, 2.0, 3, 4)
    assert variance == pytest.approx(0.5) and dof == 3
    variance, dof = pooled_between(4.0, 5, 1.0, 0.0, 0, 0.0, 0, 1)
    assert (variance, dof) == (4.0, 5)


def test_units_carry_the_coverage():
    # Property of the method, not of one data set: with a spread between units as large as within, the
    # interval from unit means covers the true mean at its level, the one from all specimens does not.
    from scipy.special import stdtrit

    rng = np.random.default_rng(20250101)
    hit_units = hit_specimens = 0
    trials = 400
    for _ in range(trials):
        x = rng.normal(0, 1, 3)[:, None] + rng.normal(0, 1, (3, 5))
        found = summary({f"u{i}": list(v) for i, v in enumerate(x)})
        hit_units += found["ci"][0] <= 0 <= found["ci"][1]
        half = stdtrit(14, 0.975) * x.std(ddof=1) / np.sqrt(15)
        hit_specimens += abs(x.mean()) <= half
    assert hit_units / trials > 0.92
    assert hit_specimens / trials < 0.80


def test_all_equal_without_resolution_gives_no_uncertainty():
    found = summary({"u1": [5.0, 5.0], "u2": [5.0, 5.0]})
    assert found["u"] == 0 and found["ci"] is None
    assert found["reason"] == "no spread, and the gauge's resolution is not known"


def test_products_without_result_have_a_row_with_the_reason():
    trial = Trial("break", "force", absences={"b": "lost", "c": "not_applicable"})
    rows = readings_of("break", "a", [1.0, 2.0])
    rows.append(reading("break", "d", 3.0, live=False, why_not="voided: slipped"))
    document = evaluate(study(rows, [trial], [FORCE], products=("a", "b", "c", "d", "e")))
    reasons = {
        r["product"]: (r["n"], r["absence"], r["reason"]) for r in document["summaries"] if r["n"] == 0
    }
    assert reasons == {
        "b": (0, "lost", "the specimens were lost"),
        "c": (0, "not_applicable", "does not apply to this product"),
        "d": (0, None, "no reading counts: voided: slipped"),
        "e": (0, None, "not measured yet"),
    }
    assert [n["where"] for n in document["notes"] if n["level"] == "unfinished"] == ["break e"]


def test_a_minimum_or_maximum_that_a_bound_leaves_open_is_null():
    rows = readings_of("break", "a", [40.0, 45.0, 47.0]) + [reading("break", "a", 50.0, bound=">")]
    found = row(evaluate(study(rows, [BREAK], [FORCE])), "summaries", product="a")
    assert (found["min"], found["max"], found["median"]) == (40.0, None, 46.0)
    assert found["low"] == pytest.approx((40 + 45 + 47 + 50) / 4) and found["high"] is None
    assert found["n_bounds"] == 1 and found["mean"] > 45.5


def test_all_bounds_give_no_mean_but_the_bound():
    rows = [reading("break", "a", 50.0, bound=">") for _ in range(3)]
    found = row(evaluate(study(rows, [BREAK], [FORCE])), "summaries", product="a")
    assert found["mean"] is None and found["u"] is None
    assert (found["low"], found["high"]) == (50.0, None)
    assert found["reason"] == "all values are bounds: no mean can be fitted"


def test_a_censored_mean_keeps_the_spread_between_units():
    low = np.array([9.0, 9.2, 9.1, 11.0, 11.2, 11.1, 10.0, 10.2, 12.0])
    high = low.copy()
    high[-1] = np.inf
    unit = np.repeat([0, 1, 2], 3)
    plain, nested = fit_normal(low, high), fit_clustered(low, high, unit)
    assert nested.mean == plain.mean
    assert nested.u > 1.3 * plain.u and nested.dof == 2
    each = fit_clustered(low[::3], low[::3], [0, 1, 2])
    assert each == fit_normal(low[::3], low[::3])


@pytest.mark.parametrize("product_count", [1, 2])
def test_ratings_of_one_rater_are_an_opinion(product_count):
    feel = Property("feel", "rating", "step", "more", scale_low=1, scale_high=5)
    rows = [reading("t", f"p{i}", 3.0 + i, rater="ann", specimen=f"s{i}") for i in range(product_count)]
    document = evaluate(study(rows, [Trial("t", "feel")], [feel]))
    found = row(document, "summaries", product="p0")
    assert found["mean"] == 3 and found["u"] is None and "opinion" in found["flags"]
    assert row(document, "ratings", trial="t")["flags"] == ["opinion"]

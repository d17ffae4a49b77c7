"""A product of which one unit was tested must not look the surest: its spread between units is borrowed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from comparisons.analysis import evaluate
from comparisons.analysis.pooling import pool_of, pooled_between
from comparisons.analysis.study import Claim, Gauge, Property, Trial

from .build import BREAK, FORCE, one_trial, reading, row, study

MANY = {
    "a": {"u1": [50.0, 52.0, 51.0], "u2": [60.0, 61.0, 62.5], "u3": [55.0, 54.0, 56.0]},
    "b": {"u1": [70.0, 71.0, 72.0], "u2": [80.0, 79.0, 81.5], "u3": [64.0, 65.5, 66.0]},
}


def nested_anova(products):
    """Between-unit variance of balanced products by the textbook's mean squares, pooled over products."""
    within, between, dof_w, dof_b = 0.0, 0.0, 0, 0
    for units in products:
        r = len(units[0])
        means = [np.mean(u) for u in units]
        within += sum(np.sum((np.array(u) - np.mean(u)) ** 2) for u in units)
        between += r * np.sum((np.array(means) - np.mean(means)) ** 2)
        dof_w, dof_b = dof_w + len(units) * (r - 1), dof_b + len(units) - 1
    return (between / dof_b - within / dof_w) / r


def bounded(rows, **more):
    return study(rows, [BREAK], [FORCE], ("a", "b", "one"), **more)


def rows_of(values):
    return [
        reading("break", p, x, unit=f"{p}-{u}") for p, units in values.items() for u, own in units.items() for x in own
    ]


def test_pool_of_is_the_nested_analysis_of_variance():
    products = [list(p.values()) for p in MANY.values()]
    pool = pool_of((np.concatenate(p), np.repeat(np.arange(3), 3)) for p in products)
    variance, _ = pooled_between(*pool, 0.0, 0, 1)
    # One specimen of one unit: s_b^2 + s_w^2, with s_b^2 from Searle, Casella and McCulloch 1992, section 3.
    assert variance == pytest.approx(nested_anova(products) + pool.within, rel=1e-12)
    assert pool_of([(np.array([1.0, 2.0]), np.array([0, 0]))]) is None


def test_a_bound_does_not_make_one_unit_the_surest():
    extra = [reading("break", "one", x, unit="one-u1", bound=b) for b, x in [("=", 60.0), ("=", 60.5), (">", 61.0)]]
    found = row(evaluate(bounded(rows_of(MANY) + extra)), "summaries", product="one")
    s_b = nested_anova([list(p.values()) for p in MANY.values()])
    assert found["u_own"] ** 2 > s_b
    assert "between_units_pooled" in found["flags"] and "of_units_tested" not in found["flags"]
    alone = row(evaluate(study(extra, [BREAK], [FORCE], ("one",))), "summaries", product="one")
    assert alone["u_own"] < 1 and "of_units_tested" in alone["flags"]
    assert found["u_own"] ** 2 == pytest.approx(alone["u_own"] ** 2 + s_b, rel=1e-9)


def test_what_is_known_of_the_units_tested_is_not_set_against_products_at_large():
    bounds = [
        reading("break", p, x + i, unit=f"{p}-{u}", bound=">" if (u, i) == ("u1", 2) else "=")
        for p, start in (("a", 50.0), ("b", 90.0)) for u, x in (("u1", start), ("u2", start + 4)) for i in range(3)
    ]  # fmt: skip
    extra = [reading("break", "one", x, unit="one-u1") for x in (70.0, 70.5, 71.0)]
    document = evaluate(bounded(bounds + extra))
    assert "of_units_tested" in row(document, "summaries", product="one")["flags"]
    found = row(document, "differences", trial="break")
    assert found["letters"]["one"] is None
    assert all(p["p"] is None for p in found["pairs"] if "one" in (p["a"], p["b"]))
    assert next(p["p"] for p in found["pairs"] if (p["a"], p["b"]) == ("a", "b")) is not None


def paired(one_units, many=True):
    rows = []

    def add(product, unit, specimen, before, after):
        rows.append(reading("dry", product, before, unit=unit, specimen=specimen))
        rows.append(reading("wet", product, after, unit=unit, specimen=specimen))

    for p in ("a", "b") if many else ():
        for u, change in enumerate((0.80, 0.95, 1.10)):
            for i in range(2):
                add(p, f"{p}-u{u}", f"{p}-{u}-{i}", 10.0 + i, (10.0 + i) * (change + 0.01 * i))
    for i in range(4):
        add("one", f"one-u{i % one_units}", f"one-{i}", 10.0 + i, (10.0 + i) * (0.9 + 0.002 * i))
    trials = [
        Trial("dry", "force", reading_unit="N"),
        Trial("wet", "force", condition="wet", baseline="dry", paired=True),
    ]
    claims = (Claim("c", "one", "force", "at_most", trial="wet", of="change", value=-5.0, printed_step=1.0),)
    return evaluate(study(rows, trials, [FORCE], claims=claims))


def test_a_change_of_the_same_specimens_of_one_unit_has_the_others_spread():
    found = row(paired(1), "changes", product="one")
    several = row(paired(1), "changes", product="a")
    assert "between_units_pooled" in found["flags"] and "one unit only" in found["flags"]
    # Wider than a product of three units with the same spread, whose mean averages over them.
    width = [np.diff(np.log1p(np.array(r["ci_pct"]) / 100))[0] for r in (found, several)]
    assert width[0] > width[1]
    assert row(paired(1), "claims", claim="c")["statement"] == "conditional_pass"


def test_a_change_of_one_unit_alone_is_of_the_units_tested():
    document = paired(1, many=False)
    found = row(document, "changes", product="one")
    logs = np.log(0.9 + 0.002 * np.arange(4))
    low, high = stats.t.interval(0.95, 3, logs.mean(), stats.sem(logs))  # ordinary t interval, SciPy
    assert found["ci_pct"] == pytest.approx([100 * np.expm1(low), 100 * np.expm1(high)], rel=1e-8)
    assert "of_units_tested" in found["flags"]


def test_equal_readings_of_one_unit_have_the_resolution_as_their_floor():
    # JCGM 100:2008, F.2.2.1: a step d seen as equal readings has u = d/sqrt(12). `ci` is the specimens' own
    # interval, so that no spread borrowed from other products may enter it.
    gauge = Gauge("g", "N", resolution=0.1)
    found = row(
        evaluate(one_trial({**MANY, "one": {"u1": [60.0, 60.0, 60.0]}}, gauge=gauge)), "summaries", product="one"
    )
    half = stats.t.ppf(0.975, 2) * 0.1 / np.sqrt(12)
    assert found["ci"] == pytest.approx([60 - half, 60 + half], rel=1e-9)
    assert found["u_own"] > 1 and "between_units_pooled" in found["flags"]


PASSES = Property("catch", "pass_fail", "", "more")


def test_units_weigh_equally_in_a_pass_share():
    rows = [reading("catch", "a", 1.0, unit="u1"), *(reading("catch", "a", 0.0, unit="u2") for _ in range(9))]
    document = evaluate(study(rows, [Trial("catch", "catch")], [PASSES]))
    found = row(document, "pass_fail", product="a")
    assert (found["passed"], found["n"], found["k"], found["n_items"]) == (1, 10, 1, 2)
    assert found["share"] == 0.5 and "units_weigh_equally" in found["flags"]
    low, high = found["clopper_pearson"]
    assert low < found["share"] < high

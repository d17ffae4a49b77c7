"""Where to test next: updates against recomputation, gains against integrals, and what is said of them."""

import numpy as np
import pytest
from scipy import stats

from comparisons.analysis import evaluate, next_tests
from comparisons.analysis.canonical import in_order
from comparisons.analysis.changes import changes_of
from comparisons.analysis.costs import costs_of
from comparisons.analysis.drawing import Weighed, plan_of
from comparisons.analysis.estimates import estimates_of
from comparisons.analysis.gauges import gauge_errors
from comparisons.analysis.next_tests import (
    Base,
    MeanNow,
    gains_of,
    known_now,
    more_of_same,
    new_items,
    new_units_of_one,
    next_rows,
    recast,
)
from comparisons.analysis.notes import Notes
from comparisons.analysis.ranking import sureness_of
from comparisons.analysis.scores import board_of
from comparisons.analysis.study import Criterion, Property, Trial, Weighting
from comparisons.analysis.summary import summarise
from comparisons.analysis.values import specimen_values

from .build import BREAK, FORCE, reading, row, study

STRONG = Criterion("strong", "trial", "break", floor=-1000.0, ceiling=1000.0)
SAFE = Property("safe", "pass_fail", "", "more")


def prepared(case):
    """(summaries, plan, estimates, sureness) of a study's first weighting."""
    case = in_order(case)
    errors = gauge_errors(case)
    s = summarise(case, specimen_values(case, errors, Notes()), errors)
    estimates = estimates_of(s, changes_of(s), costs_of(s))
    plan = plan_of(case, estimates, errors)
    board = board_of(case, estimates, case.weightings[0])
    return s, plan, estimates, sureness_of(plan, estimates, [board])[0]


def measured(values, *, criteria=(STRONG,), weights=None, **more):
    """A study of one trial: product -> {unit: values}."""
    data = [
        reading("break", p, v, unit=f"{p}-{u}")
        for p, units in values.items() for u, vs in units.items() for v in vs
    ]  # fmt: skip
    weights = weights or {c.id: 1.0 for c in criteria}
    return study(data, [BREAK], [FORCE], criteria=criteria, weightings=(Weighting("w", weights),), **more)


def spread(mean, sd, m, specimens=1):
    """{unit: values} with exactly that mean and SD of unit means, specimens equal."""
    z = stats.norm.ppf((np.arange(m) + 0.5) / m)
    z = (z - z.mean()) / z.std(ddof=1)
    return {f"u{i:02d}": [mean + sd * x] * specimens for i, x in enumerate(z)}


# What would be known


def test_new_items_are_worked_out_as_the_first_ones_were():
    old = np.array([10.0, 12.0, 13.0, 11.0])
    now = MeanNow(old.mean(), old.std(ddof=1) / 2, 3, "units", 4, 1, 0.0, 0)
    rng = np.random.default_rng(1)
    z, normal, chi2 = rng.normal(size=5), rng.normal(size=(5, 3)), rng.chisquare(3, 5)
    value, u, dof = new_items(now, 3, z, normal, chi2)
    sigma = np.sqrt(now.u**2 * 4 * 3 / chi2)
    for i in range(5):
        items = np.r_[old, now.value + sigma[i] * z[i] / 2 + sigma[i] * normal[i]]
        assert value[i] == pytest.approx(items.mean())
        assert u[i] == pytest.approx(items.std(ddof=1) / np.sqrt(7))
    assert dof == 6


def test_what_new_items_might_show_has_the_variance_that_they_take_away():
    # Raiffa and Schlaifer: with known variance, the mean to come has variance u^2 - u'^2.
    now = MeanNow(50.0, 2.0, 5000, "units", 6, 1, 0.0, 0)
    rng = np.random.default_rng(2)
    n = 200_000
    value, u, _ = new_items(now, 3, rng.normal(size=n), rng.normal(size=(n, 3)), rng.chisquare(5000, n))
    assert value.std() == pytest.approx(np.sqrt(2.0**2 - 2.0**2 * 6 / 9), rel=0.01)
    assert np.sqrt(np.mean(u**2)) == pytest.approx(2.0 * np.sqrt(6 / 9), rel=0.01)


def test_a_second_unit_ends_the_borrowing_of_spread():
    now = MeanNow(50.0, 2.0, 6, "pooled", 1, 3, 1.0, 2)
    z, normal, chi2 = np.array([0.5]), np.array([[1.0]]), np.array([6.0])
    value, u, dof = new_units_of_one(now, 1, z, normal, chi2)
    items = np.array([50.0, 50.0 + 2.0 * 0.5 + 2.0])
    assert value[0] == pytest.approx(items.mean()) and dof == 1
    assert u[0] == pytest.approx(items.std(ddof=1) / np.sqrt(2))


def test_more_specimens_of_the_same_units_shrink_the_part_within_alone():
    # s_b^2 + s_w^2/n = 4 + 9/3 over m = 4 units; with three times as many again a quarter of 9/3 is left.
    now = MeanNow(50.0, np.sqrt(7 / 4), 3, "units", 4, 3, 9.0, 8)
    _, u, dof = more_of_same(now, 3, np.zeros(1), np.array([8.0]))
    assert u[0] ** 2 == pytest.approx((4 + 9 / 12) / 4) and dof == 3
    # Without a part between units everything shrinks.
    now = MeanNow(50.0, np.sqrt(2 / 4), 3, "units", 4, 3, 9.0, 8)
    _, u, _ = more_of_same(now, 1, np.zeros(1), np.ones(1))
    assert u[0] ** 2 == pytest.approx(2 / 4 / 2)


# Gains


def test_gain_of_new_units_against_the_integral(monkeypatch):
    # Known variances (many units): wrong now Phi(-d/s); after j more units of A the difference moves by
    # N(0, tau^2), tau^2 = u^2 - u'^2, and wrong is E[Phi(-|D|/s')], s'^2 = u'^2 + u_B^2.
    monkeypatch.setattr(next_tests, "NEW_UNITS", (120,))
    m, sd, d = 60, 30.0, 3.0
    s, plan, estimates, found = prepared(
        measured({"ash": spread(100 + d, sd, m), "box": spread(100, 3.0, m)})
    )
    gain = next(g for g in gains_of(s, plan, estimates, found).gains if g.batch.product == 0)
    u, other = sd / np.sqrt(m), 3.0 / np.sqrt(m)
    after = sd / np.sqrt(m + 120)
    tau, rest = np.sqrt(u**2 - after**2), np.hypot(after, other)
    x = np.linspace(-8, 8, 20_001)
    wrong = np.trapezoid(stats.norm.pdf(x) * stats.norm.cdf(-np.abs(d + tau * x) / rest), x)
    exact = stats.norm.cdf(-d / np.hypot(u, other)) - wrong
    assert exact > 0.05
    assert gain.gain == pytest.approx(exact, abs=4 * gain.error + 0.005)
    assert gain.shown and gain.batch.specimens == 120


def test_gain_of_passes_and_fails_against_the_beta_binomial():
    # A 6 of 8, B 5 of 8: wrong after j more of A, by quadrature over Beta laws for each outcome.
    trial = Trial("fall", "safe")
    data = [
        reading("fall", p, 1.0 if i < k else 0.0, unit=f"{p}{i}")
        for p, k in (("ash", 6), ("box", 5)) for i in range(8)
    ]  # fmt: skip
    case = study(data, [trial], [SAFE], criteria=(Criterion("safe", "trial", "fall"),),
                 weightings=(Weighting("w", {"safe": 1.0}),))  # fmt: skip
    s, plan, estimates, found = prepared(case)
    gains = gains_of(s, plan, estimates, found).gains
    gain = next(g for g in gains if g.batch.product == 0 and g.batch.units == 4)
    x = np.linspace(0, 1, 20_001)[1:-1]
    cdf_b = stats.beta.cdf(x, 5.5, 3.5)

    def best(a, b):
        p = np.trapezoid(stats.beta.pdf(x, a, b) * cdf_b, x)
        return max(p, 1 - p)

    pmf = stats.betabinom.pmf(np.arange(5), 4, 6.5, 2.5)
    exact = sum(p * best(6.5 + y, 2.5 + 4 - y) for y, p in enumerate(pmf)) - best(6.5, 2.5)
    assert gain.gain == pytest.approx(exact, abs=4 * gain.error + 0.003)
    assert exact > 0.005


def test_more_of_the_same_units_gain_nothing_where_units_make_the_difference():
    # Specimens of one unit are all equal to 0.01: only other units can tell more.
    values = {
        p: {u: [x, x + 0.01] for u, (x, *_) in spread(mean, 3.0, 4).items()}
        for p, mean in (("ash", 51.0), ("box", 50.0))
    }
    s, plan, estimates, found = prepared(measured(values))
    gains = gains_of(s, plan, estimates, found).gains
    same = [g for g in gains if g.batch.kind == "same_units"]
    new = [g for g in gains if g.batch.kind == "new_unit" and g.batch.units == 4]
    assert same and not any(g.shown for g in same)
    assert max(g.gain for g in new) > 0.01 and any(g.shown for g in new)
    assert {g.batch.specimens for g in new} == {8}  # four units of two specimens


def test_a_settled_winner_needs_no_more():
    s, plan, estimates, found = prepared(measured({"ash": spread(90, 1, 5), "box": spread(50, 1, 5)}))
    rows, told = next_rows(s, plan, estimates, found)
    assert told["enough"] and told["text"] == "enough: more testing will not change it"
    assert all(r["words"] == "no gain shown" and not r["gain_shown"] for r in rows)
    assert told["p_wrong_now"] < 0.01


def test_a_hair_that_no_batch_settles_is_enough_too():
    # One clips above the ceiling with the other: they tie whatever is measured.
    capped = Criterion("strong", "trial", "break", floor=0.0, ceiling=20.0)
    case = measured({"ash": spread(50, 1, 5), "box": spread(51, 1, 5)}, criteria=(capped,))
    s, plan, estimates, found = prepared(case)
    rows, told = next_rows(s, plan, estimates, found)
    assert told["p_wrong_now"] == pytest.approx(0.5) and told["enough"]
    assert "batches tried shows a gain" in told["text"]


def test_a_one_unit_product_is_offered_units_only_where_their_spread_is_known():
    case = measured({"ash": spread(52, 2, 4), "box": {"u": [51.0, 51.3, 50.8]}})
    s, plan, estimates, found = prepared(case)
    kinds = {g.batch.kind for g in gains_of(s, plan, estimates, found).gains if g.batch.product == 1}
    assert kinds == {"new_unit", "same_units"}
    case = measured({"ash": {"u": [51.5, 52.0, 52.5]}, "box": {"u": [51.0, 51.3, 50.8]}})
    s, plan, estimates, found = prepared(case)
    tests = gains_of(s, plan, estimates, found)
    assert {g.batch.kind for g in tests.gains} == {"specimens"}
    assert "test two units" in tests.refused["break"]


def test_a_baseline_counts_for_every_change_that_rests_on_it():
    # The change of "aged" rests on "break": more of the baseline is offered, and moves the score.
    rng = np.random.default_rng(4)
    aged = Trial("aged", "force", baseline="break", reading_unit="N", condition="aged")
    data = [
        reading(t, p, round(float(rng.normal(mean, sd)), 2), unit=f"{p}-{u}")
        for t, p, mean, sd in (
            ("break", "ash", 100, 8), ("break", "box", 100, 8),
            ("aged", "ash", 92, 1), ("aged", "box", 91, 1),
        )
        for u in "abcd" for _ in "12"
    ]  # fmt: skip
    change = Criterion("change", "trial", "aged", target=0.0, floor=-50.0, ceiling=50.0)
    weightings = (Weighting("w", {"change": 1.0}),)
    case = study(data, [BREAK, aged], [FORCE], criteria=(change,), weightings=weightings)
    s, plan, estimates, found = prepared(case)
    gains = gains_of(s, plan, estimates, found).gains
    codes = [s.study.trials[g.batch.trial].code for g in gains]
    assert set(codes) == {"aged", "break"}
    assert codes[0] == "break" and gains[0].shown  # what is known least


def test_a_must_have_is_held_to_in_what_might_come():
    must = Criterion("strong", "trial", "break", floor=50.0, ceiling=100.0, must=True)
    case = measured({"ash": spread(51.0, 3.0, 4), "box": spread(60.0, 3.0, 4)}, criteria=(must,))
    s, plan, estimates, found = prepared(case)
    base = Base(plan, Weighed.of(estimates, found.board), found.ranked, 0)
    assert base.meets and not base.meets[0][0].all()
    assert gains_of(s, plan, estimates, found).gains


def test_ratings_are_not_offered_and_it_says_why():
    taste = Property("taste", "rating", "", "more", scale_low=1, scale_high=5)
    rng = np.random.default_rng(3)
    data = [
        reading("sip", p, float(np.clip(round(rng.normal(mean, 0.8)), 1, 5)), rater=f"r{i}")
        for p, mean in (("ash", 3.4), ("box", 3.2)) for i in range(5)
    ]  # fmt: skip
    case = study(data, [Trial("sip", "taste")], [taste], criteria=(Criterion("taste", "trial", "sip"),),
                 weightings=(Weighting("w", {"taste": 1.0}),))  # fmt: skip
    s, plan, estimates, found = prepared(case)
    rows, told = next_rows(s, plan, estimates, found)
    assert rows == [] and told["not_offered"][0]["trial"] == "sip"
    assert told["text"] == "no further test could be simulated"


def test_noise_is_carried_over_at_its_quantiles():
    noise = np.random.default_rng(1).standard_t(3, 20_000)
    assert recast(noise, 3.0, 3.0) is noise
    carried = recast(noise, 3.0, 12.0)
    assert carried == pytest.approx(stats.t.ppf(stats.t.cdf(noise, 3), 12), abs=5e-3)
    assert stats.kstest(carried, stats.t(12).cdf).pvalue > 1e-3


def test_what_is_not_known_now_is_not_simulated():
    s, *_ = prepared(measured({"ash": spread(52, 2, 4), "box": spread(50, 2, 4)}))
    assert known_now(s, s.table[0, 0], 50.0, 0.0, 3.0) is None
    assert known_now(s, s.table[0, 0], 50.0, 1.0, np.inf) is None


def test_the_document_lists_batches_by_gain_with_their_cost():
    values = {"ash": spread(52, 4, 3, 2), "box": spread(50, 4, 3, 2), "elm": spread(10, 1, 3, 2)}
    document = evaluate(measured(values))
    rows = document["next_tests"]
    gains = [r["gain"] for r in rows]
    assert gains == sorted(gains, reverse=True)
    assert {r["product"] for r in rows} == {"ash", "box"}  # elm cannot win any more
    for r in rows:
        assert r["weighting"] == "w" and r["trial"] == "break"
        assert r["specimens"] == (r["units"] * 2 if r["kind"] == "new_unit" else r["specimens"]) > 0
        assert r["p_wrong_after"] == pytest.approx(r["p_wrong_now"] - r["gain"]) and r["gain_mc"] >= 0
        assert (r["words"] == "helps") == r["gain_shown"]
    told = row(document, "scorecards", weighting="w")["next"]
    assert told["enough"] == (not any(r["gain_shown"] for r in rows)) and told["tried"] >= len(rows)
    assert evaluate(measured(values))["next_tests"] == rows


def test_several_batch_sizes_are_tried():
    s, plan, estimates, found = prepared(measured({"ash": spread(52, 4, 3), "box": spread(50, 4, 3)}))
    gains = gains_of(s, plan, estimates, found).gains
    assert {g.batch.units for g in gains if g.batch.kind == "new_unit"} == {1, 2, 4}

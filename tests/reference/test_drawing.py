"""Drawing: laws of changes and panels, gauges, physical limits, streams."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from comparisons.analysis.drawing import (
    BLOCK_CELLS,
    DRAWS,
    Block,
    Weighed,
    block_size,
    draw,
    generator,
    plan_of,
    score_in_place,
    student,
)
from comparisons.analysis.gauges import gauge_errors
from comparisons.analysis.ranking import add_ranks, mc_error, sureness_of
from comparisons.analysis.study import Gauge
from comparisons.analysis.value_functions import ValueFunction

from .score_cases import boarded, made, made_study, rows, sure

N = DRAWS


def near(p, draws=N):
    """A probability within four Monte Carlo standard errors."""
    return pytest.approx(p, abs=4 * float(mc_error(p, draws)))


# Laws


def test_change_is_drawn_as_a_ratio_of_means():
    ratio = np.array([[90.0, 1.0, np.inf, 100.0, 2.0, np.inf], [80.0, 1.0, np.inf, 100.0, 2.0, np.inf]])
    function = ValueFunction("target", -50.0, 50.0, target=0.0)
    e = made("x", [-10.0, -20.0], law="ratio", kind="change", trial=1, ratio=ratio, function=function)
    study_ = made_study([e], baselines={"t1": "t0"})
    plan = plan_of(study_, [e], gauge_errors(study_))
    x, cut = Block(plan, "results", 0, N).values(plan.laws[0])
    # The delta method on the logarithm: SD of the ratio 0.9 is 0.9 sqrt((1/90)^2 + (2/100)^2).
    assert x[0].mean() == pytest.approx(-10.0, abs=0.1)
    assert x[0].std() == pytest.approx(100 * 0.9 * math.hypot(1 / 90, 2 / 100), rel=0.03)
    assert not cut.any()


def test_one_trial_is_one_number_in_a_draw():
    # A trial's mean scored as itself and as the baseline of a change: the drawn numbers are the same ones.
    ratio = np.array([[90.0, 0.0, np.inf, 100.0, 5.0, np.inf]] * 2)
    dry = made("dry", [100.0, 100.0], 5.0, floor=0.0, ceiling=200.0, trial=0)
    change = made("change", [-10.0, -10.0], law="ratio", kind="change", trial=1, ratio=ratio,
                  function=ValueFunction("target", -99.0, 99.0, target=0.0))  # fmt: skip
    study_ = made_study([dry, change], baselines={"t1": "t0"})
    plan = plan_of(study_, [dry, change], gauge_errors(study_))
    block = Block(plan, "results", 3, 500, {0: 2, 1: 1})
    mean, _ = block.values(plan.laws[0])
    percent, _ = block.values(plan.laws[1])
    assert percent == pytest.approx(100 * (90.0 / mean - 1))


def test_panel_of_eight_or_more_is_resampled_together_and_a_small_one_is_not():
    rng = np.random.default_rng(3)
    level = rng.normal(0, 3, (12, 1))  # raters who differ a lot in level agree on the difference
    panel = 5 + level + np.array([0.5, 0.0]) + rng.normal(0, 0.2, (12, 2))
    value = panel.mean(axis=0)
    many = made("x", value, 1.0, 11, law="panel", kind="rating", panel=panel, floor=-10.0, ceiling=20.0)
    few = made("x", value, 1.0, 4, law="panel", kind="rating", panel=panel[:5], floor=-10.0, ceiling=20.0)
    assert sure([many]).beats(0, 1) > 0.999
    delta = value[0] - value[1]
    x = np.linspace(-200, 200, 200_001)
    exact = np.trapezoid(stats.t.pdf(x, 4) * stats.t.cdf(delta + x, 4), x)
    assert sure([few]).beats(0, 1) == near(exact)


# Gauges


def gauged(value, offset, gain=0.0, u=1.0, **more):
    P = len(value)
    return made("x", value, u, gauges=1, offset=np.broadcast_to(offset, (P,))[:, None].copy(),
                gain=np.broadcast_to(gain, (P,))[:, None].copy(), **more)  # fmt: skip


def test_a_shared_offset_changes_no_ranking_but_widens_scores():
    # One gauge, a constant offset, a linear criterion that nothing clips: what it adds is common to all.
    value = [52.0, 50.0, 49.0]
    with_gauge = sure([gauged(value, 1.0)], gauges=[Gauge("g", "N", accuracy_abs=5.0)])
    without = sure([gauged(value, 1.0)], gauges=[Gauge("g", "N")])
    assert with_gauge.ranks.p_rank == pytest.approx(without.ranks.p_rank, abs=1e-9)
    wide = with_gauge.ci[0].high - with_gauge.ci[0].low
    assert wide > 1.8 * (without.ci[0].high - without.ci[0].low)


def test_two_gauges_a_clip_or_a_gate_make_an_offset_count():
    value, gauge = [52.0, 50.0], Gauge("g", "N", accuracy_abs=10.0)
    base = sure([gauged(value, 1.0)], gauges=[gauge]).p_best(0)
    apart = made("x", value, 1.0, gauges=2, offset=np.eye(2))
    two = sure([apart], gauges=[gauge, Gauge("h", "N", accuracy_abs=10.0)]).p_best(0)
    assert two < base - 0.2
    clipped = sure([gauged(value, 1.0, floor=0.0, ceiling=51.0)], gauges=[gauge])
    assert clipped.p_best(0) < base - 0.1 and clipped.ranks.p_tie[0] > 0.1
    gate = gauged(value, 1.0, must=True, limit=48.0)
    gated = sure([gate], gauges=[gauge])
    assert gated.p_best(0) < base - 0.1 and gated.p_meets[1] < 0.8


def test_a_gain_error_scales_with_the_value():
    # An error of 1 % moves 1000 by 10 and 500 by 5: rectangular, half-width 5 for the difference.
    e = gauged([1000.0, 500.0], 0.0, [1000.0, 500.0], u=0.0, ceiling=2000.0)
    study_ = made_study([e], gauges=[Gauge("g", "N", accuracy_pct=1.0, accuracy_basis="reading")])
    plan = plan_of(study_, [e], gauge_errors(study_))
    x, _ = Block(plan, "results", 0, 50_000).values(plan.laws[0])
    assert (x[0] - 1000) == pytest.approx(2 * (x[1] - 500))
    assert np.abs(x[0] - 1000).max() <= 10.0
    assert x[0].std() == pytest.approx(10 / math.sqrt(3), rel=0.02)


def test_one_instrument_has_one_error_in_all_its_states_and_one_more_in_each():
    old = Gauge("g", "N", accuracy_abs=3.0, U=0.4, k=2.0, calibrated_on="2025-01-01")
    new = Gauge("g", "N", accuracy_abs=3.0, U=0.4, k=2.0, calibrated_on="2026-01-01")
    e = made("x", [50.0, 50.0], 0.0, gauges=2, offset=np.eye(2))
    study_ = made_study([e], gauges=[old, new])
    plan = plan_of(study_, [e], gauge_errors(study_))
    x, _ = Block(plan, "results", 0, 50_000).values(plan.laws[0])
    assert (x[0] - x[1]).std() == pytest.approx(0.2 * math.sqrt(2), rel=0.02)
    assert x[0].std() == pytest.approx(math.hypot(3 / math.sqrt(3), 0.2), rel=0.02)


# Limits, anchors, functions


def test_draws_stop_at_a_physical_limit_and_say_how_many_did():
    e = made("x", [1.0, 5.0], 1.0, floor=-10.0, ceiling=20.0)
    study_ = made_study([e], prop={"plausible_low": 0.0})
    plan = plan_of(study_, [e], gauge_errors(study_))
    drawn = draw(plan, [Weighed.of([e], boarded(study_, [e]))], N)
    assert drawn.cut[0, 0] == near(stats.norm.cdf(-1))
    assert drawn.scores[0][0].min() == pytest.approx(10 / 30)
    free = plan_of(made_study([e]), [e], gauge_errors(study_))
    assert draw(free, [Weighed.of([e], boarded(study_, [e]))], N).cut[0, 0] == 0


def test_anchors_that_clip_are_flagged_with_their_share():
    e = made("x", [99.0, 50.0], 1.0)
    study_ = made_study([e])
    card, _ = rows(study_, [e], boarded(study_, [e]))
    add_ranks(card, study_, [e], sure([e]))
    (told,) = card["drawn"]
    assert told["above_ceiling"] == near(stats.norm.cdf(-1) / 2) and told["below_floor"] == 0
    assert told["clips"] and list(told["clipped"]) == ["p0"]
    assert card["flags"] == ["anchors_clip:x"]


@given(
    st.sampled_from([
        ValueFunction("more", 10, 30), ValueFunction("less", 30, 10),
        ValueFunction("more", 10, 30, exponent=2.5), ValueFunction("target", 5, 40, target=20.0, band=2.0),
        ValueFunction("more", 10, 30, form="logarithmic"),
        ValueFunction("less", 30, 10, form="logarithmic", exponent=0.5),
        ValueFunction("target", 5, 40, target=20.0, form="desirability", exponent=2.0),
    ]),
    arrays(float, (2, 9), elements=st.floats(-50, 90)),
)  # fmt: skip
def test_scoring_in_place_is_the_value_function(f, x):
    want = f(x) / 100
    clipped = f.clipped(x).sum(axis=1)
    low, high = score_in_place(f, x)
    assert x == pytest.approx(want, abs=1e-9)
    assert np.abs((low + high) - clipped).max() <= 1  # an end that rounding puts on either side


def test_students_t_is_drawn_row_by_row_with_its_own_degrees_of_freedom():
    dof, rows_ = np.array([3.0, 3.0, np.inf, 3.0]), np.array([True, True, True, False])
    x = student(generator(1, "results", 0), dof, rows_, 40_000)
    assert stats.kstest(x[0], stats.t(3).cdf).pvalue > 1e-3
    assert stats.kstest(x[2], stats.norm.cdf).pvalue > 1e-3
    assert not x[3].any()
    assert abs(np.corrcoef(x[0], x[1])[0, 1]) < 0.05


# Streams and memory


def test_streams_are_keyed_by_seed_block_and_trial():
    a, b = made("a", [51.0, 50.0], 1.0, trial=0), made("b", [49.0, 50.0], 1.0, trial=1)
    study_ = made_study([a, b])
    plan = plan_of(study_, [a, b], gauge_errors(study_))
    first = Block(plan, "results", 4, 100).values(plan.laws[1])[0]
    again = Block(plan, "results", 4, 100)
    again.values(plan.laws[0])
    assert (again.values(plan.laws[1])[0] == first).all()
    assert (Block(plan, "results", 5, 100).values(plan.laws[1])[0] != first).all()
    other = plan_of(made_study([a, b], seed=2), [a, b], gauge_errors(study_))
    assert (Block(other, "results", 4, 100).values(other.laws[1])[0] != first).all()


def test_boards_drawn_together_or_apart_are_the_same():
    a, b = made("a", [51.0, 50.0], 1.0, trial=0), made("b", [49.0, 50.0], 2.0, trial=1)
    study_ = made_study([a, b])
    plan = plan_of(study_, [a, b], gauge_errors(study_))
    boards = [boarded(study_, [a, b], w) for w in ({"a": 1.0}, {"a": 1.0, "b": 2.0})]
    together = sureness_of(plan, [a, b], boards)
    apart = [sureness_of(plan, [a, b], [board])[0] for board in boards]
    for x, y in zip(together, apart, strict=True):
        assert (x.ranks.p_rank == y.ranks.p_rank).all() and x.ci == y.ci


def test_blocks_bound_what_is_held_at_once():
    for products in (1, 20, 200, 900):
        assert block_size(products) * products <= max(BLOCK_CELLS, 250 * products)
        assert N % block_size(products) == 0

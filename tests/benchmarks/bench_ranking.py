"""Ranks by draws: 20,000 draws of 20 products by 25 criteria against the bare drawing and matrix product."""

from __future__ import annotations

import time
import tracemalloc

import numpy as np

PRODUCTS, CRITERIA, DRAWS = 20, 25, 20_000
GOAL_RATIO, GOAL_MB = 1.5, 300


def case(dof: float, gauges: bool):
    """(plan, estimates, board) of a made comparison; each criterion is a trial with its own gauge."""
    from comparisons.analysis import study as s
    from comparisons.analysis.drawing import plan_of
    from comparisons.analysis.estimates import CriterionEstimates
    from comparisons.analysis.gauges import gauge_errors
    from comparisons.analysis.scores import board_of
    from comparisons.analysis.value_functions import ValueFunction

    rng = np.random.default_rng(1)
    none = np.zeros(0, dtype=np.int32)
    zero, nan = np.zeros((PRODUCTS, CRITERIA)), np.full(PRODUCTS, np.nan)
    false, blank = np.zeros(PRODUCTS, dtype=bool), np.full(PRODUCTS, "", dtype=object)
    estimates = []
    for i in range(CRITERIA):
        offset = zero.copy()
        offset[:, i] = 1.0
        value, f = rng.uniform(40, 60, PRODUCTS), ValueFunction("more", 0.0, 100.0)
        estimates.append(CriterionEstimates(
            criterion=s.Criterion(f"c{i:02d}", "trial", f"t{i:02d}", floor=0.0, ceiling=100.0), kind="mean",
            unit="N", trial=i, value=value, low=nan, high=nan, law=np.full(PRODUCTS, "t", dtype=object),
            u_own=rng.uniform(1, 4, PRODUCTS), dof=np.full(PRODUCTS, dof), n=np.full(PRODUCTS, 6), k=nan,
            ratio=np.full((PRODUCTS, 6), np.nan), offset=offset, gain=zero, base_offset=zero, base_gain=zero,
            of_units_tested=false, panel=None, function=f, reason="", flags=(), score=f(value),
            score_low=f(value), score_high=f(value), missing=blank, not_applicable=false, gated=blank,
            product_flags=((),) * PRODUCTS,
        ))  # fmt: skip
    study = s.Study(
        slug="bench", currency="EUR", seed=1, decision=s.Decision(),
        products=tuple(f"p{i:02d}" for i in range(PRODUCTS)),
        properties={"x": s.Property("x", "quantity", "N", "more", plausible_low=0.0)},
        trials=tuple(s.Trial(f"t{i:02d}", "x") for i in range(CRITERIA)), units=(), unit_product=none,
        specimens=(), specimen_unit=none, raters=(),
        gauges=tuple(s.Gauge(f"g{i:02d}", "N", accuracy_abs=0.5 if gauges else None) for i in range(CRITERIA)),
        readings=s.Readings(*(none for _ in range(15))),
    )  # fmt: skip
    weighting = s.Weighting("w", {e.criterion.id: float(x) for e, x in zip(
        estimates, rng.uniform(1, 5, CRITERIA), strict=True)})  # fmt: skip
    return plan_of(study, estimates, gauge_errors(study)), estimates, board_of(study, estimates, weighting)


def bare(dof: float, weights: np.ndarray) -> np.ndarray:
    """As many variates of the same law, and one matrix product: scores without ranks, anchors or gauges."""
    rng = np.random.default_rng(1)
    size = (PRODUCTS * DRAWS, CRITERIA)
    return (rng.standard_normal(size) if np.isinf(dof) else rng.standard_t(dof, size)) @ weights


def run() -> None:
    from comparisons.analysis.ranking import sureness_of

    for name, dof, gauges in (
        ("t with 4 degrees of freedom, shared gauges", 4.0, True), ("t with 2, shared gauges", 2.0, True),
        ("normal, shared gauges", np.inf, True), ("normal, no gauges", np.inf, False),
    ):  # fmt: skip
        plan, estimates, board = case(dof, gauges)
        weights = board.weights / board.weights.sum()
        ours, theirs = _least(
            lambda p=plan, e=estimates, b=board: sureness_of(p, e, [b], draws=DRAWS),
            lambda d=dof, w=weights: bare(d, w),
        )
        print(
            f"{DRAWS} draws, {PRODUCTS} products, {CRITERIA} criteria, {name}: {ours:.3f} s, "
            f"{ours / theirs:.2f} times the bare drawing and matrix product (goal: {GOAL_RATIO:g})"
        )
    plan, estimates, board = case(4.0, True)
    tracemalloc.start()
    sureness_of(plan, estimates, [board] * 5, draws=DRAWS)
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    print(f"peak memory of five weightings together: {peak:.0f} MB (goal: {GOAL_MB})")


def _least(*works, rounds: int = 7) -> list[float]:
    """Least CPU time of each, taken in turns so that what else the machine does strikes all alike."""
    best = [np.inf] * len(works)
    for _ in range(rounds):
        for i, work in enumerate(works):
            start = time.process_time()
            work()
            best[i] = min(best[i], time.process_time() - start)
    return best

"""Estimates with known laws, for tests of ranks that need no readings."""

from __future__ import annotations

import numpy as np

from comparisons.analysis.drawing import plan_of
from comparisons.analysis.estimates import CriterionEstimates
from comparisons.analysis.gauges import gauge_errors
from comparisons.analysis.ranking import Sureness, sureness_of
from comparisons.analysis.scores import Board, board_of, scorecard_row, value_row
from comparisons.analysis.study import Criterion, Decision, Property, Readings, Study, Trial, Weighting
from comparisons.analysis.value_functions import ValueFunction

NONE = np.zeros(0, dtype=np.int32)
EMPTY = Readings(*(NONE for _ in range(15)))


def made(name, value, u=0.0, dof=np.inf, *, floor=0.0, ceiling=100.0, better="more", law="t", kind="mean",
         trial=0, gauges=0, must=False, limit=None, **more) -> CriterionEstimates:  # fmt: skip
    """One criterion: `value` of each product (NaN: missing) with u and dof, linear between the anchors.

    limit: the floor of a must-have. gauges: how many the study has; `offset` and `gain` by keyword.
    """
    value = np.asarray(value, dtype=float)
    P = len(value)
    missing = np.isnan(value)
    function = more.pop("function", ValueFunction(better, floor, ceiling))
    score = function(value)
    least = np.asarray(more.pop("score_low", np.zeros(P)), dtype=float)
    most = np.asarray(more.pop("score_high", np.full(P, 100.0)), dtype=float)
    gated = np.full(P, "", dtype=object)
    if must:
        short = value > limit if better == "less" else value < limit
        gated[short | missing] = "does not reach what is required"
    criterion = Criterion(
        name, "trial", f"t{trial}", better=better, floor=limit if must else floor, ceiling=ceiling, must=must,
        measure=more.pop("measure", None),
    )  # fmt: skip
    laws = np.where(missing, "", law).astype(object)
    filled = {
        "k": np.full(P, np.nan), "n": np.full(P, 3), "ratio": np.full((P, 6), np.nan), "panel": None,
        "offset": np.zeros((P, gauges)), "gain": np.zeros((P, gauges)),
        "base_offset": np.zeros((P, gauges)), "base_gain": np.zeros((P, gauges)),
        "of_units_tested": np.zeros(P, dtype=bool), "not_applicable": np.zeros(P, dtype=bool),
        "product_flags": tuple(() for _ in range(P)), "flags": (), "law": laws,
    } | more  # fmt: skip
    return CriterionEstimates(
        criterion=criterion, kind=kind, unit="N", trial=trial, value=value, low=np.full(P, -np.inf),
        high=np.full(P, np.inf), u_own=np.broadcast_to(np.asarray(u, dtype=float), P).copy(),
        dof=np.broadcast_to(np.asarray(dof, dtype=float), P).copy(), function=function, reason="",
        score=score, score_low=np.where(missing, least, score), score_high=np.where(missing, most, score),
        missing=np.where(missing, "not measured yet", "").astype(object), gated=gated, **filled,
    )  # fmt: skip


def made_study(estimates, *, gauges=(), baselines=None, seed=1, decision=None, names=None, **more) -> Study:
    """A study without readings that these estimates could have come from."""
    P = len(estimates[0].value)
    trials = 1 + max((e.trial or 0) for e in estimates)
    baselines = baselines or {}
    return Study(
        slug="case", currency="EUR", seed=seed, decision=decision or Decision(),
        products=tuple(names or (f"p{i}" for i in range(P))),
        properties={"x": Property("x", "quantity", "N", "more", **more.pop("prop", {}))},
        trials=tuple(Trial(f"t{i}", "x", baseline=baselines.get(f"t{i}")) for i in range(trials)), units=(),
        unit_product=NONE, specimens=(), specimen_unit=NONE, raters=(), gauges=tuple(gauges), readings=EMPTY,
        criteria=tuple(e.criterion for e in estimates), **more,
    )  # fmt: skip


def sure(estimates, weights=None, *, missing="renormalise", draws=20_000, cost=None, cap=None,
         **more) -> Sureness:  # fmt: skip
    """How sure the ranks are with these weights (equal ones by default)."""
    study = made_study(estimates, **more)
    board = boarded(study, estimates, weights, missing)
    plan = plan_of(study, estimates, gauge_errors(study))
    return sureness_of(plan, estimates, [board], cost=cost, cap=cap, draws=draws)[0]


def boarded(study, estimates, weights=None, missing="renormalise") -> Board:
    weights = weights or {e.criterion.id: 1.0 for e in estimates}
    return board_of(study, estimates, Weighting("w", weights, missing=missing))


def rows(study, estimates, board, cost=None, cap=None) -> tuple[dict, dict]:
    """The `scorecards` and `value` rows as the point scores make them."""
    price = np.full(len(study.products), np.nan) if cost is None else np.asarray(cost, dtype=float)
    return scorecard_row(study, estimates, board), value_row(study, board, price, cap)

"""The results document of a study, put together."""

from __future__ import annotations

import numpy as np

from . import ENGINE, SCHEMA
from .canonical import in_order
from .changes import change_rows, changes_of
from .claims import claim_rows
from .comparing import difference_rows, pass_fail_rows, rating_rows
from .costs import cost_rows, costs_of
from .document import plain
from .estimates import CriterionEstimates, estimates_of
from .flagging import find_suspects
from .gauges import gauge_errors
from .notes import Notes
from .plans import plan_rows
from .scorecards import complete
from .scores import Board, board_of, criterion_rows, scorecard_row, value_row
from .study import Study
from .summary import Summaries, budget_rows, summarise, summary_rows
from .values import specimen_rows, specimen_values

PLANNED_ABSENCE = ("not_planned", "not_applicable", "lost", "excluded")


def evaluate(study: Study) -> dict:
    """The results document of `study`: plain JSON types, rows sorted by code, ten significant digits.

    The order of the study's rows does not matter, nor does anything outside it: the same study gives
    the same document. What cannot be computed is None, with a reason or a flag beside it.
    """
    study = in_order(study)
    notes = Notes()
    errors = gauge_errors(study)
    values = specimen_values(study, errors, notes)
    s = summarise(study, values, errors)
    suspects, values = find_suspects(s, notes)
    changes = changes_of(s)
    costs = costs_of(s)
    estimates = estimates_of(s, changes, costs)
    boards = [board_of(study, estimates, w) for w in study.weightings]
    price = np.array([np.nan if c.per_item.typical is None else c.per_item.typical for c in costs])
    _remark(s, estimates, boards, notes)
    cards = [scorecard_row(study, estimates, b) for b in boards]
    value = [value_row(study, b, price, study.decision.price_cap) for b in boards]
    awards, next_tests = complete(s, estimates, boards, price, cards, value)
    return plain({
        "schema": SCHEMA,
        "comparison": study.slug,
        "engine": ENGINE,
        "seed": study.seed,
        "inputs_digest": study.inputs_digest,
        "frozen_at": study.frozen_at,
        "decision": {
            "confidence": study.decision.confidence, "rule": study.decision.rule,
            "rounding": study.decision.rounding, "coverage": study.decision.coverage,
            "price_cap": study.decision.price_cap,
        },
        "suspects": suspects,
        "budgets": budget_rows(s),
        "summaries": summary_rows(s),
        "claims": claim_rows(s, changes),
        "changes": change_rows(s, changes),
        "differences": difference_rows(s),
        "pass_fail": pass_fail_rows(s),
        "ratings": rating_rows(s),
        "costs": cost_rows(study, costs),
        "criteria": criterion_rows(study, estimates),
        "scorecards": cards,
        "value": value,
        "awards": awards,
        "next_tests": next_tests,
        "plans": plan_rows(s),
        "notes": notes.rows(),
        "specimens": specimen_rows(study, values),
    })  # fmt: skip


def _remark(s: Summaries, estimates: list[CriterionEstimates], boards: list[Board], notes: Notes) -> None:
    """Notes on what a reader should know of the whole: gaps, gauges, anchors, criteria without a score."""
    study = s.study
    for (t, p), row in s.table.items():
        where = f"{study.trials[t].code} {study.products[p]}"
        if "unfinished" in row.flags:
            notes.add("unfinished", where, "no reading, and no reason why there is none")
        if "none_counts" in row.flags:
            notes.add("warning", where, row.reason or "no reading counts")
        if row.absence and row.absence not in PLANNED_ABSENCE:
            notes.add("warning", where, f"unknown reason of absence: {row.absence}")
        if row.absence and row.n:
            notes.add("warning", where, f"set down as {row.absence.replace('_', ' ')}, but it was measured")
        if "gauge_overdue" in row.flags:
            notes.add("warning", where, "measured with a gauge past its due date")
    for g, flags in zip(study.gauges, s.errors.flags, strict=True):
        if "accuracy_basis_unknown" in flags:
            notes.add(
                "warning", g.instrument,
                "accuracy in percent, but not of what (reading or full scale): left out of the uncertainty",
            )  # fmt: skip
        if "full_scale_unknown" in flags:
            text = "accuracy in percent of a full scale that is not given: left out of the uncertainty"
            notes.add("warning", g.instrument, text)
        if "k_assumed_2" in flags:
            notes.add("info", g.instrument, "calibration without a coverage factor: k = 2 is assumed")
    for c in study.corrections:
        if c.undated:
            text = f"{c.readings} readings by {c.instrument} have no day: correction {c.code} was not applied to them"
        else:
            text = (f"{c.readings} readings by {c.instrument} from {c.since} to {c.until} are multiplied by "
                    f"{c.factor:g} (correction {c.code})")
        notes.add("warning", c.trial, text)
    weighed = {c for w in study.weightings for c, x in w.weights.items() if x > 0}
    for e in estimates:
        name = e.criterion.id
        if e.function is None and name in weighed:
            notes.add("warning", name, f"not scored: {e.reason}")
        if "anchors_from_data" in e.flags and name in weighed:
            notes.add("warning", name, "anchors taken from the results: the scale moves with them")
        elif "anchors_not_before_data" in e.flags and name in weighed:
            notes.add("info", name, "anchors were not set before the first reading")
        if "must_have_without_a_floor" in e.flags:
            notes.add("warning", name, "a must-have without a floor holds nothing back")
    for b in boards:
        if not b.leaders:
            notes.add("warning", b.weighting.id, "no leader: no eligible product has a score")

"""Makers' claims against what was measured.

Which trial answers a claim, which sources disagree, the deviation, and the statement of conformity
(see `conformity`). Sources: JCGM 106:2012; ILAC-G8:09/2019; ASTM E29 (rounding method).
"""

from __future__ import annotations

from dataclasses import dataclass

from .certifications import REASONS, state_of
from .changes import ChangeOf
from .conformity import Conformity
from .document import plain, settled
from .judging import Judged, judge_change, judge_every, judge_passes, judge_typical
from .study import Claim, Study
from .summary import Summaries

DISAGREE = "sources disagree"


@dataclass(frozen=True)
class Limits:
    """What a claim says in numbers, in its unit: limits, and the value that a deviation is taken from.

    step: one unit in the last place as printed, None where unknown. reason: why nothing can be judged.
    """

    low: float | None
    high: float | None
    value: float | None
    step: float | None
    reason: str = ""


@dataclass(frozen=True)
class Answer:
    """One claim with what answers it. group: the claims that speak of the same thing, by this key."""

    claim: Claim
    limits: Limits
    trial: int | None
    reason: str
    group: tuple


def limits_of(claim: Claim, tolerance_pct: float | None) -> Limits:
    """The limits of a claim, in the property's unit (percent for a change).

    at_least and at_most take `value`, else the one limit that is given. A nominal value has the
    tolerances that are given (one alone: one limit), else the property's `tolerance_pct`, else none.
    """
    step = claim.printed_step
    if claim.sense == "at_least":
        low = claim.value if claim.value is not None else claim.low
        return Limits(low, None, low, step, "" if low is not None else "the claim has no value")
    if claim.sense == "at_most":
        high = claim.value if claim.value is not None else claim.high
        return Limits(None, high, high, step, "" if high is not None else "the claim has no value")
    if claim.sense == "between":
        if claim.low is None or claim.high is None:
            return Limits(claim.low, claim.high, None, step, "the claim lacks one of its two limits")
        return Limits(claim.low, claim.high, None, step)
    if claim.sense == "nominal":
        if claim.value is None:
            return Limits(None, None, None, step, "the claim has no value")
        minus, plus = claim.tolerance_minus, claim.tolerance_plus
        if minus is None and plus is None and tolerance_pct is not None:
            minus = plus = abs(claim.value) * tolerance_pct / 100.0
        low = None if minus is None else claim.value - abs(minus)
        high = None if plus is None else claim.value + abs(plus)
        return Limits(low, high, claim.value, step)
    return Limits(None, None, None, step)


def answering_trial(study: Study, claim: Claim, place: dict[str, int] | None = None) -> tuple[int | None, str]:
    """The trial that answers a claim, or the reason why none does.

    The one that it names; else the only one of its property and condition (none: as received).
    place: the trials' indices by code, where they are at hand.
    """
    if claim.trial and place is None:
        place = {t.code: i for i, t in enumerate(study.trials)}
    if claim.trial:
        i = place.get(claim.trial)
        if i is None:
            return None, f"no trial {claim.trial}"
        if study.trials[i].property != claim.property:
            return None, f"trial {claim.trial} measures another property"
        return i, ""
    found = [
        i for i, t in enumerate(study.trials)
        if t.property == claim.property and (t.condition or None) == (claim.condition or None)
    ]  # fmt: skip
    if claim.of == "change":
        found = [i for i in found if study.trials[i].baseline]
    if len(found) == 1:
        return found[0], ""
    return None, "several trials could answer this claim" if found else "not tested"


def _key(claim: Claim, trial: int | None) -> tuple:
    where = ("trial", trial) if trial is not None else ("condition", claim.condition or "")
    return claim.product, claim.property, where, claim.of, claim.scope


def agree(a: Limits, b: Limits) -> bool:
    """Whether two sources say the same within the coarser of their printed precisions.

    The limits that both state are compared; nominal values without tolerance by their value, against
    two limits by lying between them. Claims on opposite sides agree unless no value could meet both.
    """
    step = max(a.step or 0.0, b.step or 0.0)

    def near(x: float, y: float) -> bool:
        return abs(x - y) <= step * (1 + 1e-9) + 1e-9 * max(abs(x), abs(y))

    bare = [x for x in (a, b) if x.low is None and x.high is None]
    if bare:
        alone, other = bare[0].value, b if bare[0] is a else a
        if alone is None:
            return True
        if other.value is not None:
            return near(alone, other.value)
        above = other.low is None or alone >= other.low or near(alone, other.low)
        return above and (other.high is None or alone <= other.high or near(alone, other.high))
    pairs = [(x, y) for x, y in ((a.low, b.low), (a.high, b.high)) if x is not None and y is not None]
    if pairs:
        return all(near(x, y) for x, y in pairs)
    low = a.low if a.low is not None else b.low
    high = a.high if a.high is not None else b.high
    return low <= high or near(low, high)


def answers_of(study: Study) -> list[Answer]:
    """Every claim with its limits and the trial that answers it, in the study's order."""
    out = []
    place = {t.code: i for i, t in enumerate(study.trials)}
    for claim in study.claims:
        prop = study.properties[claim.property]
        if prop.kind == "certification":
            out.append(Answer(claim, Limits(None, None, None, None), None, "", ("certification", claim.code)))
            continue
        trial, reason = answering_trial(study, claim, place)
        limits = limits_of(claim, prop.tolerance_pct if claim.of == "value" else None)
        out.append(Answer(claim, limits, trial, reason, _key(claim, trial)))
    return out


def conflicts_of(answers: list[Answer]) -> dict[str, str]:
    """Why a claim is not judged because of its rivals, by claim code; absent where it is judged.

    Sources that differ are all held back, unless exactly one of them governs with a reason: then the
    others are.
    """
    groups: dict[tuple, list[Answer]] = {}
    for a in answers:
        groups.setdefault(a.group, []).append(a)
    out: dict[str, str] = {}
    for rows in groups.values():
        pairs = ((x, y) for i, x in enumerate(rows) for y in rows[:i])
        same = all(
            x.claim.sense == "yes" or y.claim.sense == "yes" or agree(x.limits, y.limits) for x, y in pairs
        )
        if same:
            continue
        governing = [a for a in rows if a.claim.governs and a.claim.governs_reason.strip()]
        for a in rows:
            if len(governing) != 1:
                out[a.claim.code] = DISAGREE
            elif a is not governing[0]:
                out[a.claim.code] = f"{governing[0].claim.code} governs"
    return out


def claim_rows(s: Summaries, changes: dict[tuple[int, int], ChangeOf]) -> list[dict]:
    """The `claims` rows of the document, sorted by claim code."""
    study = s.study
    answers = answers_of(study)
    held = conflicts_of(answers)
    products = {p: i for i, p in enumerate(study.products)}
    rows = []
    for a in answers:
        if study.properties[a.claim.property].kind == "certification":
            rows.append(_certification_row(study, a.claim))
            continue
        judged = _judge(s, changes, a, products)
        rows.append(_row(s, a, judged, held.get(a.claim.code)))
    settled([r["gauge"] for r in rows if r["gauge"]], "c_m", "u_over_gap", "u_over_y")
    return settled(
        rows, "claimed", "low", "high", "measured", "measured_low", "measured_high", "deviation",
        "deviation_pct", "U", "p_conform", "confidence", "guard", "risk", "bound_low", "bound_high",
    )  # fmt: skip


def _judge(s: Summaries, changes: dict, a: Answer, products: dict[str, int]) -> Judged:
    claim, limits = a.claim, a.limits
    if a.trial is None:
        return Judged(reason=a.reason)
    summary = s.table.get((a.trial, products.get(claim.product, -1)))
    if summary is None:
        return Judged(reason="the product is not in this comparison")
    if summary.n == 0:
        return Judged(reason=summary.reason or "not measured")
    decision = s.study.decision
    if claim.sense == "yes":
        return judge_passes(s, summary, decision, claim.scope)
    if summary.kind == "pass_fail":
        return Judged(reason="a pass/fail trial answers only a claim of yes")
    if limits.reason:
        return Judged(reason=limits.reason)
    if claim.of == "change":
        return judge_change(changes.get((a.trial, summary.product)), limits, decision, claim.scope)
    if claim.scope == "every":
        return judge_every(s, summary, limits, decision)
    return judge_typical(s, summary, limits, decision)


def deviation_of(y: float | None, limits: Limits) -> tuple[float | None, float | None]:
    """Measured minus claimed, in the unit and in percent of the claimed amount.

    For two limits: zero inside, else the distance from the limit that is missed.
    """
    if y is None:
        return None, None
    mark = limits.value
    if mark is None:
        if limits.low is not None and y < limits.low:
            mark = limits.low
        elif limits.high is not None and y > limits.high:
            mark = limits.high
        elif limits.low is None and limits.high is None:
            return None, None
        else:
            return 0.0, 0.0
    d = y - mark
    return d, (100.0 * d / abs(mark) if mark != 0 else None)


def _outcome(claim: Claim, limits: Limits, judged: Judged) -> dict:
    found: Conformity | None = judged.conformity
    deviation, percent = deviation_of(judged.measured, limits)
    return {
        "deviation": deviation,
        "deviation_pct": percent if claim.of == "value" else None,
        "U": judged.U,
        "p_conform": found.p if found else None,
        "statement": found.statement if found else None,
        "reason": judged.reason or (found.reason if found else "") or None,
    }


def _row(s: Summaries, a: Answer, judged: Judged, held: str | None) -> dict:
    study, claim, limits = s.study, a.claim, a.limits
    prop = study.properties[claim.property]
    outcome = _outcome(claim, limits, judged)
    found = judged.conformity
    row = {
        "claim": claim.code, "kind": "claim", "product": claim.product, "property": claim.property,
        "trial": study.trials[a.trial].code if a.trial is not None else None, "of": claim.of,
        "sense": claim.sense, "scope": claim.scope, "source": claim.source, "claimed": limits.value,
        "low": limits.low, "high": limits.high,
        "unit": "percent" if claim.of == "change" else ("" if claim.sense == "yes" else prop.unit),
        "measured": judged.measured, "measured_low": judged.low, "measured_high": judged.high,
        **outcome, "rule": study.decision.rule, "confidence": study.decision.confidence,
        "rule_text": found.rule_text if found else None, "guard": found.guard if found else None,
        "risk": found.risk if found else None, "bound_low": found.bound_low if found else None,
        "bound_high": found.bound_high if found else None, "gauge": judged.gauge,
        "judged_on": judged.judged_on or None, "governs": claim.governs,
        "governs_reason": claim.governs_reason or None, "conflict": None, "if_governed": None,
        "flags": sorted({*judged.flags, *(found.flags if found else ())}),
    }  # fmt: skip
    if held is not None:
        row |= {
            "deviation": None, "deviation_pct": None, "p_conform": None, "statement": None,
            "reason": held, "conflict": held, "if_governed": plain(outcome), "U": None,
        }  # fmt: skip
    return row


def _certification_row(study: Study, claim: Claim) -> dict:
    state = state_of(claim)
    blank = dict.fromkeys((
        "trial", "claimed", "low", "high", "measured", "measured_low", "measured_high", "deviation",
        "deviation_pct", "U", "p_conform", "statement", "rule", "confidence", "rule_text", "guard", "risk",
        "bound_low", "bound_high", "gauge", "judged_on", "conflict", "if_governed",
    ))  # fmt: skip
    return blank | {
        "claim": claim.code, "kind": "certification", "product": claim.product, "property": claim.property,
        "of": claim.of, "sense": claim.sense, "scope": claim.scope, "source": claim.source, "unit": "",
        "state": state, "reference": claim.reference or None, "checked_on": claim.checked_on,
        "reason": REASONS.get(state), "governs": claim.governs,
        "governs_reason": claim.governs_reason or None, "flags": [],
    }  # fmt: skip

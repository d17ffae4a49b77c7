"""One claim's statement, by what kind of claim it is and what was measured."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .change import satterthwaite
from .changes import ChangeOf
from .comparing import passed_of
from .conformity import Conformity, bounds_at_least, every_item, gauge_adequacy, round_to, statement
from .study import Decision
from .summary import LEVEL, Summaries, Summary, bounds_of

NO_TOLERANCE = "a nominal value without a tolerance: the deviation alone"
TYPICAL_SHARE = 0.5  # the typical item conforms where more than half of all would


@dataclass(frozen=True)
class Judged:
    """What a claim was set against, and the statement.

    measured: in the claim's unit (change: percent; yes: share that passed); low, high: the interval
    in which bounds leave it; U: its expanded uncertainty. judged_on: mean, tolerance_bound, bounds,
    share or change. gauge: adequacy of the measurement. reason: why there is no statement, else "".
    """

    measured: float | None = None
    low: float | None = None
    high: float | None = None
    U: float | None = None
    conformity: Conformity | None = None
    gauge: dict | None = None
    judged_on: str = ""
    flags: tuple[str, ...] = ()
    reason: str = ""


def _adequacy(U, low, high, y) -> dict | None:
    if U is None:
        return None
    found = gauge_adequacy(U, low, high, y)
    return {
        "c_m": found.c_m, "u_over_gap": found.u_over_gap, "u_over_y": found.u_over_y,
        "verdict": found.verdict, "reason": found.reason,
    }  # fmt: skip


def _rounded(y: float, step: float | None, decision: Decision) -> tuple[float, tuple[str, ...]]:
    """The value that is compared: by the rounding method, to the last place of the claim as printed."""
    if decision.rounding != "rounding":
        return y, ()
    if step is None:
        return y, ("printed_precision_unknown",)
    compared = round_to(y, step)
    return (y, ()) if compared is None else (compared, ("rounded_before_judging",))


def _stated(y, u, dof, limits, decision: Decision, U) -> Conformity:
    found = statement(
        y, u, dof, limits.low, limits.high, confidence=decision.confidence, rule=decision.rule, U=U
    )
    return _told(found, limits.step, decision)


def _told(found: Conformity, step: float | None, decision: Decision) -> Conformity:
    """The statement with the way of comparing in its rule (ASTM E29: absolute or rounding method)."""
    if not found.rule_text:
        return found
    if decision.rounding == "rounding" and step is not None:
        way = f"the value is rounded to a multiple of {step:.6g} first (rounding method)"
    else:
        way = "the value is compared as computed (absolute method)"
    return replace(found, rule_text=f"{found.rule_text}; {way}")


def judge_typical(s: Summaries, row: Summary, limits, decision: Decision) -> Judged:
    """A claim on the typical item: the mean is judged, with all of its uncertainty.

    Where bounds settle every item on the right side of one limit, their number decides; else the
    fitted mean does, and a bound beyond the limit never fails a product.
    """
    base = {
        "measured": row.mean, "low": _finite(row.low) if row.n_bounds else None,
        "high": _finite(row.high) if row.n_bounds else None, "U": row.U, "judged_on": "mean",
        "flags": row.flags, "gauge": _adequacy(row.U, limits.low, limits.high, row.mean),
    }  # fmt: skip
    if limits.low is None and limits.high is None:
        return Judged(**base, reason=NO_TOLERANCE)
    if row.n_bounds and (limits.low is None) != (limits.high is None):
        settled = _settled_by_bounds(s, row, limits, decision)
        if settled is not None:
            found, on_specimens = settled
            flags = (*row.flags, "specimens_not_units") if on_specimens else row.flags
            return Judged(**base | {"conformity": found, "judged_on": "bounds", "flags": flags})
    if row.mean is None or row.u is None or not row.u > 0:
        return Judged(**base, reason=row.reason or "the uncertainty is not known")
    compared, more = _rounded(row.mean, limits.step, decision)
    found = _stated(compared, row.u, row.dof, limits, decision, row.U)
    flags = (*row.flags, *more)
    if found.statement == "fail" and _bound_beyond(s, row, limits, compared):
        found = replace(found, statement="conditional_fail")
        flags = (*flags, "bounds_never_fail")
    return Judged(**base | {"conformity": found, "flags": flags})


def _finite(x: float | None) -> float | None:
    return x if x is not None and np.isfinite(x) else None


def _ends(s: Summaries, row: Summary) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = s.cells.own_rows(row.cell)
    return *bounds_of(s.values, rows), s.values.unit[rows]


def _settled_by_bounds(s: Summaries, row: Summary, limits, decision) -> tuple[Conformity, bool] | None:
    """The statement where every item conforms whatever its bound hides; True where specimens were counted."""
    low, high, unit = _ends(s, row)
    conforms = low >= limits.low if limits.low is not None else high <= limits.high
    if not conforms.all():
        return None
    on_specimens = row.units is None or row.units < 2
    n = len(low) if on_specimens else len(np.unique(unit))
    return bounds_at_least(n, n, confidence=decision.confidence), on_specimens


def _bound_beyond(s: Summaries, row: Summary, limits, y: float) -> bool:
    """Whether a bound lies on the right side of the limit that `y` misses, and may lie anywhere beyond."""
    if not row.n_bounds:
        return False
    low, high, _ = _ends(s, row)
    if limits.low is not None and y < limits.low:
        return bool((np.isinf(high) & (low >= limits.low)).any())
    return bool(limits.high is not None and (np.isinf(low) & (high <= limits.high)).any())


def judge_every(s: Summaries, row: Summary, limits, decision: Decision) -> Judged:
    """A claim on every item: a tolerance bound, with a guard band for each single specimen's gauge."""
    from scipy.special import ndtri

    base = Judged(
        measured=row.mean, U=row.U, judged_on="tolerance_bound", flags=row.flags,
        gauge=_adequacy(row.U, limits.low, limits.high, row.mean),
    )  # fmt: skip
    if limits.low is None and limits.high is None:
        return replace(base, reason=NO_TOLERANCE)
    if row.kind != "quantity":
        return replace(base, reason="only a measured quantity speaks of every item")
    if row.units is None:
        return replace(base, reason="the units are not known: nothing shows how items differ")
    if row.units < 2:
        return replace(base, reason="one unit only: it cannot speak for every item")
    u_specimen = float(np.hypot(row.u_gauge or 0.0, (row.resolution or 0.0) / np.sqrt(12)))
    guard = float(ndtri(decision.confidence)) * u_specimen if decision.confidence > 0.5 else 0.0
    if row.n_bounds:
        return _every_with_bounds(s, row, limits, guard, base)
    rows = s.cells.own_rows(row.cell)
    values, flags = s.values.value[rows], row.flags
    if decision.rounding == "rounding":
        pairs = [_rounded(float(x), limits.step, decision) for x in values]
        values = np.array([x for x, _ in pairs])
        flags = (*flags, *pairs[0][1])
    found = every_item(
        values, limits.low, limits.high, coverage=decision.coverage, confidence=decision.confidence,
        unit_ids=[int(x) for x in s.values.unit[rows]], guard=guard,
    )  # fmt: skip
    return replace(base, conformity=_told(found, limits.step, decision), flags=flags)


def _every_with_bounds(s: Summaries, row: Summary, limits, guard: float, base: Judged) -> Judged:
    """With bounds there is no tolerance bound; yet one item that surely lies beyond a limit is enough."""
    low, high, _ = _ends(s, row)
    beyond = np.zeros(len(low), dtype=bool)
    if limits.low is not None:
        beyond |= high < limits.low - guard
    if limits.high is not None:
        beyond |= low > limits.high + guard
    reason = "values that are only bounds give no tolerance bound"
    if not beyond.any():
        return replace(base, reason=reason)
    text = "every item: fail where a specimen lies beyond a limit by more than its guard band"
    flag = "a specimen lies beyond the limit by more than its guard band"
    return replace(base, conformity=Conformity(None, "fail", reason, text, guard, flags=(flag,)))


def judge_passes(s: Summaries, row: Summary, decision: Decision, scope: str) -> Judged:
    """A claim of yes: the confidence that the share asked for would pass, from the items that did.

    Typical item: more than half. Every item: the stated coverage. The confidence is one-sided and
    exact (Clopper and Pearson 1934): for n of n it is 1 - share^n, as for bounds above a limit.
    """
    if row.kind != "pass_fail":
        return Judged(reason="a claim of yes needs a pass/fail trial")
    from scipy.special import bdtr

    counts = passed_of(s, row)
    k, n = counts.k, counts.n_items
    share = decision.coverage if scope == "every" else TYPICAL_SHARE
    # Counts are discrete, so the exact confidences from above and from below do not add up to one. The
    # one told is that of the side on which the share lies; so a fail is said from 1 - c on, and no sooner.
    if counts.share >= share:
        p = float(bdtr(k - 1, n, share)) if k > 0 else 0.0
        verdict = "pass" if p >= decision.confidence else "conditional_pass"
    else:
        p = float(bdtr(k, n, share))
        verdict = "fail" if p <= 1 - decision.confidence else "conditional_fail"
    c = decision.confidence
    text = (
        f"share that passes: pass where it is at least {100 * share:g} % at confidence {c:g}, "
        f"fail where it is less at that confidence; exact, {n} {counts.on}"
    )
    flags = tuple(row.flags) + (("specimens_not_units",) if counts.on == "specimens" else ())
    return Judged(
        measured=counts.share, judged_on="share", flags=flags,
        conformity=Conformity(p, verdict, "", text, None, risk=1 - c),
    )  # fmt: skip


def judge_change(found: ChangeOf | None, limits, decision: Decision, scope: str) -> Judged:
    """A claim on a change in percent, judged on the law that gave its interval.

    On the logarithm of the ratio; where the baseline is too poorly known for that (Fieller's
    interval), one limit r is judged by mean - r x baseline mean against zero.
    """
    from scipy.special import stdtrit

    if found is None:
        return Judged(reason="the trial has no baseline", judged_on="change")
    y, ci = found.change.change_pct, found.change.ci_pct
    if y is None:
        return Judged(reason=found.change.reason, judged_on="change", flags=found.flags)
    U = max(ci[1] - y, y - ci[0]) if ci else None
    base = Judged(
        measured=y, low=ci[0] if ci else None, high=ci[1] if ci else None, U=U, judged_on="change",
        flags=found.flags, gauge=_adequacy(U, limits.low, limits.high, y),
    )  # fmt: skip
    if scope == "every":
        return replace(base, reason="a change is known of the mean, not of every item")
    if limits.low is None and limits.high is None:
        return replace(base, reason=NO_TOLERANCE)
    if ci is None or found.law is None:
        return replace(base, reason=found.change.reason or "the uncertainty of the change is not known")
    compared, more = _rounded(y, limits.step, decision)
    flags = (*base.flags, *more)
    low, high = (None if x is None else 1 + x / 100 for x in (limits.low, limits.high))
    if low is not None and low <= 0:
        if high is None:
            return replace(base, reason="the claimed change leaves nothing to judge")
        low = None  # a loss of more than everything is no limit
    if high is not None and high <= 0:
        return replace(base, reason="the claimed change leaves nothing to judge")
    if found.law == "log":
        center, u, dof = found.numbers
    else:
        m, u1, dof1, m0, u0, dof0 = found.numbers
        if "Fieller" in found.change.method:
            return _fieller(base, found.numbers, low, high, decision, flags)
        u, dof = float(np.hypot(u1 / m, u0 / m0)), satterthwaite(u1 / m, dof1, u0 / m0, dof0)
        center = float(np.log(m / m0))
    if compared != y:
        if compared <= -100:
            return replace(base, reason="rounded, the loss is of everything: it has no logarithm", flags=flags)
        center = float(np.log1p(compared / 100))
    k = float(stdtrit(dof, (1 + LEVEL) / 2))
    found_statement = statement(
        center, u, dof, None if low is None else float(np.log(low)),
        None if high is None else float(np.log(high)),
        confidence=decision.confidence, rule=decision.rule, U=k * u,
    )  # fmt: skip
    # The guard band is one of the logarithm, which no reader could set beside percent.
    told = _told(replace(found_statement, guard=None), limits.step, decision)
    return replace(base, conformity=told, flags=flags)


def _fieller(base: Judged, numbers, low, high, decision: Decision, flags) -> Judged:
    from scipy.special import stdtrit

    if low is not None and high is not None:
        return replace(base, reason="the baseline is too near zero for two limits", flags=flags)
    m, u1, dof1, m0, u0, dof0 = numbers
    r = low if low is not None else high
    u = float(np.hypot(u1, r * u0))
    dof = satterthwaite(u1, dof1, r * u0, dof0) if u > 0 else None
    y = m - r * m0
    U = float(stdtrit(dof, (1 + LEVEL) / 2)) * u if dof else None
    found = statement(
        y, u, dof, 0.0 if low is not None else None, 0.0 if high is not None else None,
        confidence=decision.confidence, rule=decision.rule, U=U,
    )  # fmt: skip
    return replace(base, conformity=replace(found, guard=None), flags=(*flags, "baseline_poorly_known"))

"""Statements of conformity: does a measured result, or every item, meet its limits?

Sources: JCGM 106:2012, section 7 (conformance probability) and section 8 (guard bands); JCGM 101:2008,
6.4.9 (scaled and shifted t); ILAC-G8:09/2019, 4.2 (simple acceptance, guard band, four-way statement);
ISO 16269-6:2014 (tolerance bounds); ASTM E29 (rounding). None of them is quoted here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal, localcontext

import numpy as np
from scipy import special

from .checked import degrees, groups, number, share, vector
from .tolerance import Spread, ToleranceFactor, confidence_above, lower_bound, spread_of, tolerance_k

__all__ = [
    "Conformity",
    "GaugeAdequacy",
    "ToleranceFactor",
    "bounds_at_least",
    "conformance_probability",
    "every_item",
    "gauge_adequacy",
    "round_to",
    "statement",
    "tolerance_k",
]

RULES = ("simple", "guard", "probability")


@dataclass(frozen=True)
class Conformity:
    """One statement of conformity.

    p: conformance probability (for every item: the confidence that the stated share conforms), 0 to 1.
    statement: "pass", "conditional_pass", "conditional_fail", "fail" or None.
    reason: why p or the statement is absent, else "".
    rule_text: the decision rule in words, with its risk; free of units.
    guard: guard band w in the unit of the value; None where no single w describes the rule.
    risk: greatest probability of a wrong pass under the rule, 0 to 1.
    bound_low, bound_high: tolerance bounds of a claim on every item, in the unit of the values.
    flags: short remarks that belong beside the result.
    """

    p: float | None
    statement: str | None
    reason: str
    rule_text: str
    guard: float | None
    risk: float | None = None
    bound_low: float | None = None
    bound_high: float | None = None
    flags: tuple[str, ...] = ()


def _refused(reason: str, rule_text: str = "", **more) -> Conformity:
    return Conformity(None, None, reason, rule_text, None, **more)


def _percent(x: float) -> str:
    """A share as percent with at most three significant digits.

    >>> _percent(0.05), _percent(0.0485), _percent(0.5)
    ('5 %', '4.85 %', '50 %')
    """
    return f"{100 * x:.3g} %"


def _within(y: float, u: float, dof: float, low: float | None, high: float | None) -> float:
    """P(low <= Y <= high) for Y = y + u t(dof); taken from the tail that keeps its digits."""
    a = -math.inf if low is None else (low - y) / u
    b = math.inf if high is None else (high - y) / u
    if a > 0:
        a, b = -b, -a
    return min(1.0, max(0.0, float(special.stdtr(dof, b)) - float(special.stdtr(dof, a))))


def conformance_probability(y, u, dof, low=None, high=None) -> float | None:
    """How probable it is that the true value lies within its limits.

    y, low, high: value and limits, one unit; a limit that is None is open. u: standard uncertainty,
    same unit, > 0. dof: degrees of freedom of u, >= 1, infinity for the normal distribution.
    Returns a probability, None where an input cannot be used. Assumes that nothing was known of the
    value before it was measured. Source: JCGM 106:2012, 7.2 to 7.4, with the t of JCGM 101:2008, 6.4.9.

    >>> round(conformance_probability(-5.47, 0.05, float("inf"), high=-5.40), 4)
    0.9192
    """
    y, u, dof = number(y), number(u), degrees(dof)
    if y is None or u is None or u <= 0 or dof is None:
        return None
    for limit in (low, high):
        if limit is not None and number(limit) is None:
            return None
    return _within(y, u, dof, low, high)


def statement(y, u, dof, low=None, high=None, *, confidence=0.95, rule="probability", U=None) -> Conformity:
    """Whether a measured value meets its limit or limits: four-way statement with its risk.

    y: measured value. u: standard uncertainty. dof: degrees of freedom of u (infinity: known exactly).
    low, high: limits; None where open; a value on a limit conforms. U: expanded uncertainty, needed by
    the rule "guard" (w = U). All of y, u, low, high, U in one unit. confidence: above 0.5, below 1.

    Rule "probability", one limit: pass from p >= confidence, fail from p <= 1 - confidence. Two limits:
    pass from p >= confidence, fail only where P(below low) or P(above high) >= confidence, so that a
    poor measurement alone never fails a product. Rule "guard": pass at least U inside every limit, fail
    more than U outside one. Rule "simple": pass inside, fail outside. Between pass and fail:
    conditional_pass where y lies inside, conditional_fail where not.

    Never raises on data: absent, non-finite or contradictory inputs, u = 0 and no degrees of freedom
    give a null statement with the reason. With Type B parts the t is an approximation by effective
    degrees of freedom. Sources: JCGM 106:2012, 7 and 8; JCGM 101:2008, 6.4.9; ILAC-G8:09/2019, 4.2.

    >>> statement(10.3, 0.2, 9, low=10.0).statement
    'conditional_pass'
    >>> statement(10.3, 0.2, 9, low=10.0).rule_text.split(";")[0]
    'probability rule: pass from p >= 0.95, fail from p <= 0.05'
    >>> statement(10.3, 0.2, None, low=10.0).reason
    'no degrees of freedom: the uncertainty is not known well enough'
    """
    if rule not in RULES:
        return _refused(f"unknown decision rule {rule!r}")
    c = share(confidence)
    if c is None or c <= 0.5:
        return _refused("the confidence must lie between 0.5 and 1")
    value = number(y)
    if value is None:
        return _refused("no measured value")
    if low is None and high is None:
        return _refused("no limit to compare with")
    limits = [None if x is None else number(x) for x in (low, high)]
    if (low is not None and limits[0] is None) or (high is not None and limits[1] is None):
        return _refused("a limit is not a finite number")
    lo, hi = limits
    if lo is not None and hi is not None and lo >= hi:
        return _refused("the lower limit is not below the upper limit")
    u_value = number(u)
    if u_value is None or u_value < 0:
        return _refused("no standard uncertainty")
    if u_value == 0:
        return _refused("the standard uncertainty is zero: no probability can be given")
    nu = degrees(dof)
    if nu is None:
        return _refused("no degrees of freedom: the uncertainty is not known well enough")
    expanded = None
    if rule == "guard":
        expanded = number(U)
        if expanded is None or expanded <= 0:
            return _refused("the guard-band rule needs the expanded uncertainty U")

    p = _within(value, u_value, nu, lo, hi)
    inside = (lo is None or value >= lo) and (hi is None or value <= hi)
    conditional = "conditional_pass" if inside else "conditional_fail"
    law = _law(nu)
    if rule == "probability":
        verdict = _probability_verdict(value, u_value, nu, lo, hi, c, p) or conditional
        w = _probability_guard(u_value, nu, lo, hi, c)
        text = _probability_text(c, lo is not None and hi is not None, w, u_value, law)
        return Conformity(p, verdict, "", text, w, risk=1 - c)
    w = 0.0 if rule == "simple" else expanded
    risk = _risk_at_acceptance(w, u_value, nu, lo, hi)
    if rule == "simple":
        text = (
            f"simple acceptance: w = 0; the risk of a wrong pass is up to {_percent(risk)} at the limit{law}"
        )
        return Conformity(p, "pass" if inside else "fail", "", text, w, risk=risk)
    clear = (lo is None or value >= lo + w) and (hi is None or value <= hi - w)
    beyond = (lo is not None and value < lo - w) or (hi is not None and value > hi + w)
    verdict = "pass" if clear else "fail" if beyond else conditional
    if risk is None:
        text = (
            f"guard band w = U = {w / u_value:.3f} u: wider than the room between the limits, so nothing "
            f"can pass{law}"
        )
    else:
        text = (
            f"guard band w = U = {w / u_value:.3f} u: the risk of a wrong pass is at most "
            f"{_percent(risk)}{law}"
        )
    return Conformity(p, verdict, "", text, w, risk=risk)


def _law(dof: float) -> str:
    if math.isinf(dof):
        return " (normal distribution)"
    return (
        f" (Student's t with {dof:.3g} degrees of freedom; approximate where the uncertainty has Type B "
        "parts, by effective degrees of freedom)"
    )


def _probability_verdict(y, u, dof, low, high, c, p) -> str | None:
    if p >= c:
        return "pass"
    if low is None or high is None:
        return "fail" if p <= 1 - c else None
    below = _within(y, u, dof, None, low)
    above = _within(y, u, dof, high, None)
    return "fail" if below >= c or above >= c else None


def _probability_guard(u, dof, low, high, c) -> float | None:
    """Distance inside a limit at which p reaches c; None where it never does."""
    k = float(special.stdtrit(dof, c))
    if low is None or high is None:
        return _finite(k * u)
    width = (high - low) / u

    def excess(a: float) -> float:
        return float(special.stdtr(dof, width - a) - special.stdtr(dof, -a)) - c

    if not math.isfinite(width) or excess(k) >= 0:
        return _finite(k * u)
    if excess(width / 2) < 0:
        return None
    from scipy.optimize import brentq

    return _finite(brentq(excess, k, width / 2, xtol=1e-12, rtol=1e-13) * u)


def _finite(x: float) -> float | None:
    return float(x) if math.isfinite(x) else None


def _probability_text(c, two, w, u, law) -> str:
    if two:
        text = (
            f"probability rule: pass from p >= {c:g}, fail where the probability of lying below the lower "
            f"or above the upper limit is >= {c:g}"
        )
    else:
        text = f"probability rule: pass from p >= {c:g}, fail from p <= {1 - c:.6g}"
    if w is None:
        band = "the measurement is too uncertain for limits this close: no value could pass"
    else:
        band = f"which is a guard band w = {w / u:.3f} u"
    return f"{text}; the risk of a wrong pass is at most {_percent(1 - c)}, {band}{law}"


def _risk_at_acceptance(w, u, dof, low, high) -> float | None:
    """Greatest P(value not within its limits) over the values that pass; None where none passes."""
    if low is None or high is None:
        return float(special.stdtr(dof, -w / u))
    if low + w > high - w:
        return None
    return 1.0 - _within(low + w, u, dof, low, high)


@dataclass(frozen=True)
class GaugeAdequacy:
    """How well a gauge suits a claim.

    c_m: measurement capability index, tolerance/(2 U), for two limits. u_over_gap: U/|y - L| and
    u_over_y: U/|y| for one limit. verdict: "adequate", "flagged" (c_m < 4) or "inadequate" (c_m < 1)
    for two limits, None for one. reason: why a figure is absent.
    """

    c_m: float | None
    u_over_gap: float | None
    u_over_y: float | None
    verdict: str | None
    reason: str


def gauge_adequacy(U, low=None, high=None, y=None) -> GaugeAdequacy:
    """Whether the measurement is fine enough for the claim it is set against.

    U: expanded uncertainty. low, high: limits. y: measured value (needed with one limit). All in one
    unit. Two limits: C_m = (high - low)/(2 U), flagged below 4, inadequate below 1. One limit: U/|y - L|
    and U/|y|, for which no bound is set. Never raises; what cannot be computed is None with a reason.
    Source: JCGM 106:2012, 7.6.3 (measurement capability index); the bound 4 is common practice.

    >>> gauge_adequacy(0.5, low=9.0, high=11.0).verdict
    'flagged'
    """
    expanded = number(U)
    lo, hi, value = number(low), number(high), number(y)
    if expanded is None or expanded <= 0:
        return GaugeAdequacy(None, None, None, None, "no expanded uncertainty")
    if (low is not None and lo is None) or (high is not None and hi is None):
        return GaugeAdequacy(None, None, None, None, "a limit is not a finite number")
    if lo is not None and hi is not None:
        if lo >= hi:
            return GaugeAdequacy(None, None, None, None, "the lower limit is not below the upper limit")
        c_m = (hi - lo) / (2 * expanded)
        verdict = "inadequate" if c_m < 1 else "flagged" if c_m < 4 else "adequate"
        return GaugeAdequacy(_finite(c_m), None, None, verdict, "")
    limit = lo if lo is not None else hi
    if limit is None:
        return GaugeAdequacy(None, None, None, None, "no limit to compare with")
    if value is None:
        return GaugeAdequacy(None, None, None, None, "no measured value")
    gap = _finite(expanded / abs(value - limit)) if value != limit else None
    over_y = _finite(expanded / abs(value)) if value != 0 else None
    reason = "" if gap is not None else "the value lies on the limit"
    return GaugeAdequacy(None, gap, over_y, None, reason)


def round_to(value, step) -> float | None:
    """`value` rounded to the nearest multiple of `step`, an exact half to the even multiple.

    value, step: one unit; step > 0. Returns None where either is absent, not finite, or step <= 0.
    Works on the decimal digits (13 significant, beyond which a double holds only the noise of its
    arithmetic), so that 0.125 and 1.005 are halves as written. Source: ASTM E29, the rounding method.

    >>> round_to(2.445, 0.01), round_to(2.435, 0.01), round_to(1725, 50), round_to(2, 0)
    (2.44, 2.44, 1700.0, None)
    """
    x, s = number(value), number(step)
    if x is None or s is None or s <= 0:
        return None
    with localcontext() as context:
        context.prec = 400
        digits, unit = Decimal(f"{x:.12e}"), Decimal(f"{s:.12e}")
        if digits.adjusted() - unit.adjusted() > 11:
            return x
        # Twelve digits of the quotient: a half stays one where value and step came through a conversion.
        quotient = Context(prec=12, rounding=ROUND_HALF_EVEN).plus(digits / unit)
        multiple = quotient.quantize(Decimal(1), rounding=ROUND_HALF_EVEN)
        result = float(multiple * unit)
    return _finite(result + 0.0)


def bounds_at_least(n_at_or_above, n, *, confidence=0.95) -> Conformity:
    """What is known of the median when specimens outlasted the fixture at or above the limit.

    n_at_or_above: how many of the `n` independent items are at or above the limit, bounds counted where
    the bound is at or above it. If all are, the confidence that the median meets the limit is
    1 - 0.5^n: pass from `confidence`, else conditional_pass. If not all are, no statement is made here:
    the censored fit decides. Never fails a product. Bad counts give a null statement with the reason.
    Source: the sign test's exact bound for a median (Conover 1999, section 3.2; from memory).

    >>> bounds_at_least(5, 5).p, bounds_at_least(5, 5).statement, bounds_at_least(4, 4).statement
    (0.96875, 'pass', 'conditional_pass')
    """
    c = share(confidence)
    if c is None or c <= 0.5:
        return _refused("the confidence must lie between 0.5 and 1")
    total, above = number(n), number(n_at_or_above)
    if total is None or above is None or total != int(total) or above != int(above):
        return _refused("the counts are not whole numbers")
    if total < 1 or above < 0 or above > total:
        return _refused("no items, or more at the limit than there are items")
    text = f"all items at or above the limit: confidence 1 - 0.5^n that the median meets it, pass from {c:g}"
    if above < total:
        return _refused("not all items are at or above the limit: the censored fit decides", text)
    p = -math.expm1(-total * math.log(2))
    verdict = "pass" if p >= c else "conditional_pass"
    return Conformity(p, verdict, "", text, 0.0, risk=1 - c, flags=("on the median",))


def every_item(
    values, low=None, high=None, *, coverage=0.95, confidence=0.95, unit_ids=None, guard=0.0
) -> Conformity:
    """Whether a claim on every item holds: does at least the share `coverage` meet the limits?

    values: shape (n,), one per specimen. low, high: limits, None where open. guard: guard band of a
    single specimen, one number or shape (n,), >= 0. All in one unit. coverage: 0 to 1. confidence: above
    0.5, below 1. unit_ids: shape (n,), which unit each specimen came from; None: items taken as
    independent.

    p is the confidence that at least the share conforms. Pass from p >= confidence. Fail where a
    specimen lies beyond a limit by more than its guard band, or where more than 1 - coverage of items
    lie beyond a limit at that confidence. Else conditional, by the estimated share. With two limits the
    share allowed outside and the error are halved between them, which is on the safe side. One unit,
    fewer than two values, and readings without spread are refused; never raises on data. Assumes that
    units, and specimens within them, vary normally. Sources: ISO 16269-6:2014; Krishnamoorthy and
    Mathew 2004 for nested data; see `tolerance`.

    >>> result = every_item([12.1, 11.8, 12.4, 12.0, 11.9, 12.2], low=10.0)
    >>> result.statement, round(result.p, 4), round(result.bound_low, 2)
    ('pass', 0.9993, 11.27)
    """
    c, cover = share(confidence), share(coverage)
    if c is None or c <= 0.5:
        return _refused("the confidence must lie between 0.5 and 1")
    if cover is None:
        return _refused("the share of items must lie between 0 and 1")
    data = vector(values)
    if data is None:
        return _refused("a value is absent or not a finite number")
    n = len(data)
    if low is None and high is None:
        return _refused("no limit to compare with")
    lo, hi = number(low), number(high)
    if (low is not None and lo is None) or (high is not None and hi is None):
        return _refused("a limit is not a finite number")
    if lo is not None and hi is not None and lo >= hi:
        return _refused("the lower limit is not below the upper limit")
    band = vector(np.atleast_1d(guard)) if guard is not None else None
    if band is None or len(band) not in (1, n) or (band < 0).any():
        return _refused("the guard band is not a number of at least zero for each specimen")
    if n < 2:
        return _refused("one specimen cannot speak for every item")
    flags: tuple[str, ...] = ()
    if unit_ids is None:
        index = np.arange(n)
        flags += ("items taken as independent",)
    else:
        index = groups(unit_ids, n)
        if index is None:
            return _refused("the units do not match the values")
        if index.max() == 0:
            return _refused("one unit only: it cannot speak for every item")

    two = lo is not None and hi is not None
    text = _every_item_text(cover, c, two)
    beyond = np.zeros(n, dtype=bool)
    if lo is not None:
        beyond |= data < lo - band
    if hi is not None:
        beyond |= data > hi + band
    widest = float(band.max())
    more = {"risk": 1 - c, "flags": flags}
    if beyond.any():
        more["flags"] = (*flags, "a specimen lies beyond the limit by more than its guard band")
    spread = spread_of(data, index)
    scale = float(np.max(np.abs(data)))
    if spread.sd_means <= 1e-13 * scale:
        reason = "the unit means show no spread: no tolerance bound can be given"
        return Conformity(None, "fail" if beyond.any() else None, reason, text, widest, **more)

    sides = [x for x in ((spread, lo), (_mirrored(spread), None if hi is None else -hi)) if x[1] is not None]
    error = (1 - c) / len(sides)
    inner = 1 - (1 - cover) / len(sides)
    sure = [confidence_above(s, limit, inner) for s, limit in sides]
    p = max(0.0, 1 - len(sides) * (1 - min(sure)))
    # The nested limit errs a little towards failing (wrong fails at 5 %: 5 to 8 % by simulation), so a
    # fail needs half the error there (2 to 5 %).
    least = error / 2 if spread.within_dof else error
    outside = any(confidence_above(s, limit, cover) < least for s, limit in sides)
    if beyond.any() or outside:
        verdict = "fail"
    elif p >= c:
        verdict = "pass"
    else:
        sd = spread.sd_items
        inside = special.ndtr(math.inf if hi is None else (hi - spread.mean) / sd)
        inside -= special.ndtr(-math.inf if lo is None else (lo - spread.mean) / sd)
        verdict = "conditional_pass" if inside >= cover else "conditional_fail"
    bounds = [lower_bound(s, inner, 1 - error) for s, _ in sides]
    bound_low = bounds[0] if lo is not None else None
    bound_high = -bounds[-1] if hi is not None and bounds[-1] is not None else None
    return Conformity(p, verdict, "", text, widest, bound_low=bound_low, bound_high=bound_high, **more)


def _mirrored(spread: Spread) -> Spread:
    return Spread(-spread.mean, spread.sd_means, spread.units, spread.within, spread.within_dof, spread.extra)


def _every_item_text(coverage, confidence, two) -> str:
    text = (
        f"every item, read as at least {_percent(coverage)} of items: pass where the confidence that they "
        f"meet the limit is >= {confidence:g}; the risk of a wrong pass is at most "
        f"{_percent(1 - confidence)}; fail where a specimen lies beyond it by more than its guard band, or "
        "the share beyond it is shown to be too large"
    )
    if two:
        text += "; two limits, each at half the error and half the share allowed outside"
    return text

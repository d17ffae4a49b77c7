"""What the codes of a results document mean, in readers' words."""

from __future__ import annotations

import re
from datetime import date, datetime

STATEMENTS = {
    "pass": "holds",
    "conditional_pass": "holds, but too close to be sure",
    "conditional_fail": "misses, but too close to be sure",
    "fail": "misses",
}
NO_STATEMENT = "no statement"

ABSENCES = {
    "not_planned": "not planned",
    "not_applicable": "does not apply",
    "lost": "lost",
    "excluded": "excluded",
}

OBTAINED = {"bought": "bought", "supplied": "supplied by its maker", "lent": "lent by its maker"}

FLAGS = {
    "absent": "",
    "unfinished": "not measured yet",
    "none_counts": "no reading counts",
    "one_unit": "one unit only",
    "two_units": "two units only",
    "units_unknown": "units not recorded",
    "of_units_tested": "holds for the units tested only",
    "between_units_pooled": "spread between units taken from the other products",
    "pooled_in_percent": "in percent of the mean",
    "one_specimen_per_unit": "one specimen of each unit",
    "negative_between": "no spread between units shown",
    "resolution_floor": "readings equal: the gauge’s step sets the uncertainty",
    "gauge_overdue": "gauge past its calibration date",
    "gauge_corrected": "the gauge’s known error is taken off",
    "gauge_errors_unknown": "the gauge’s accuracy is not recorded",
    "outside_gauge_range": "outside the gauge’s range",
    "outside_plausible_range": "outside the plausible range",
    "averaged": "several readings of a specimen averaged",
    "several_raters": "several raters",
    "suspect": "holds a value in doubt",
    "bounds": "some specimens gave only a bound",
    "sd_of_the_likelihood": "fitted from values and bounds",
    "opinion": "one or two raters: an opinion",
    "raters_not_linked": "raters saw different products",
    "specimens_not_units": "counted on specimens, not units",
    "units_disagree_within": "specimens of one unit disagree",
    "several_gauges": "measured with several gauges",
    "only_specimens_measured_in_both": "only specimens measured before and after",
    "missing_at_worst": "a missing result is counted at its worst",
    "one_purchase": "one purchase only",
    "price_left_out": "a purchase without a usable price is left out",
    "anchors_from_data": "anchors taken from the data",
    "anchors_not_before_data": "anchors not shown to be set before the first reading",
    "settled_by_a_bound": "settled by a bound",
    "type_a_interval_wider": "the specimens’ own interval reaches further than U",
    "k_assumed_2": "calibration without a coverage factor: k = 2 assumed",
    "accuracy_basis_unknown": "the gauge’s accuracy in percent is not said of what",
    "full_scale_unknown": "the gauge’s full scale is not given",
    "anchor_mirrored": "one anchor mirrored from the other",
    "far_values_pull_the_mean": "far values pull the mean",
    "gauge_too_coarse": "the gauge is too coarse for this",
    "must_have_without_a_floor": "a must-have without a floor",
}

# Flags on how a number was worked out: said beside all figures, not in every row.
WORKINGS = frozenset(
    "negative_between one_specimen_per_unit between_units_pooled pooled_in_percent resolution_floor averaged "
    "gauge_corrected sd_of_the_likelihood type_a_interval_wider k_assumed_2 several_gauges".split()
)

# Flags that the count of specimens and units beside a number says already.
COUNTED = frozenset({"one_unit", "two_units", "units_unknown"})

RELATIONS = {
    "follows": "Follows {standard}.",
    "departs": "Departs from {standard}.",
    "own": "Our own method.",
}

RULES = {
    "probability": "A claim holds where it is at least {confidence} likely that the true value meets it, and misses "
    "where that is at most {risk} likely. Between the two we say that it is too close to be sure.",
    "guard": "A claim holds where the value lies inside its limit by at least its expanded uncertainty U, and misses "
    "where it lies outside by more than U. Between the two we say that it is too close to be sure.",
    "simple": "A claim holds where the measured value meets its limit. Near the limit, the risk of a wrong statement "
    "is up to 50\u00a0%.",
}
ROUNDINGS = {
    "absolute": "Values are compared with a limit as measured, not rounded first.",
    "rounding": "Values are rounded to the last place of the printed limit before they are compared.",
}
MISSING = {
    "renormalise": "Where a product has no result, its other weights are scaled up to fill the gap.",
    "leave_out": "A criterion without a result for every product is left out for all.",
    "worst_case": "Where a product has no result, the worst possible one is counted and marked.",
}
BETTER = {
    "more": "more is better",
    "less": "less is better",
    "target": "near its target is better",
    "neither": "shown, never scored",
}
HAZARD = (
    "Hazardous work. Do not repeat it from this page: local fire, electrical and workplace codes and the word of a "
    "qualified person come first."
)

MONTHS = "January February March April May June July August September October November December".split()
_DEGREE = re.compile(r"\bdeg ?(C|F)\b")
_MINUS = re.compile(r"(?<![^\s(])-(?=[0-9])")


def typeset(text: str | None) -> str:
    """Free text as it is printed: a degree that was typed in letters gets its sign, a number its minus.

    >>> typeset("4 h at -20 degC, begun 2026-03-11")
    '4 h at −20 °C, begun 2026-03-11'
    """
    return _MINUS.sub("\u2212", _DEGREE.sub(r"°\1", text or ""))


def statement(code: str | None, reason: str | None) -> str:
    """A statement of conformity in readers' words; without one, why there is none."""
    if code:
        return STATEMENTS.get(code, code)
    return f"{NO_STATEMENT}: {reason}" if reason else NO_STATEMENT


def flags(codes, leave_out=()) -> list[str]:
    """Flags in words, without those that a page says otherwise; an unknown one by its own name."""
    said = (FLAGS.get(code, code.replace("_", " ")) for code in codes if code not in leave_out)
    return list(dict.fromkeys(text for text in said if text))


def day(text: str | None) -> str:
    """A date as it is read; text that is no date stays as it is.

    >>> day("2026-02-09"), day("2026-03-11T17:05:00+01:00"), day("spring")
    ('9 February 2026', '11 March 2026', 'spring')
    """
    if not text:
        return ""
    try:
        found = datetime.fromisoformat(text).date() if len(text) > 10 else date.fromisoformat(text)
    except ValueError:
        return text
    return f"{found.day} {MONTHS[found.month - 1]} {found.year}"


def listed(names, final: str = "and") -> str:
    """Names as a sentence says them.

    >>> listed(["A"]), listed(["A", "B", "C"])
    ('A', 'A, B and C')
    """
    names = list(names)
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {final} {names[-1]}"


def sentence(text: str) -> str:
    """The text with a capital at its head and a stop at its end."""
    text = (text or "").strip()
    if not text:
        return ""
    text = text[0].upper() + text[1:]
    return text if text[-1] in ".?!…”" else text + "."


def certification(state: str | None, reference: str | None, checked_on: str | None) -> str:
    """What is known of a certification; of one that was not found, never more than that."""
    on = f" on {day(checked_on)}" if checked_on else ""
    return {
        "verified": f"verified in the issuer’s directory{on}",
        "not_found": f"claimed; could not verify{on}",
        "claimed": f"claimed; not verified{on}",
        "not_claimed": f"not claimed{f' (looked for{on})' if on else ''}",
        "not_looked_for": "not looked for",
    }.get(state or "", "not looked for")

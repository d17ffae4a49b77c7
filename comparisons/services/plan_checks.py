"""The plan held against the rules of the study folder, before a change of it is kept.

One set of rules for what is typed on the desk and for what is imported: what is planned can be exported, and
what was exported can be read again.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from django.db import transaction

from comparisons.folder.cells import check_cells
from comparisons.folder.checks import check_study
from comparisons.folder.exporter import plan_from_db
from comparisons.folder.faults import Fault, Faults, one_line
from comparisons.folder.toml import FILE
from comparisons.models import Comparison

from .editing import Invalid

PLAN = ("properties", "conditions", "methods", "failure_modes", "trials", "runs", "absences", "left_out")
_PART = re.compile(r"\[\[(criterion|weighting)\]\] (\S+) ?(.*)")
_BROKEN = re.compile(r"Constraint “(\w+)” is violated\.")

# What the database's own rules say in words: name -> (field, words).
WORDS = {
    "trial_not_its_own_baseline": ("baseline", "A trial cannot be its own baseline: choose another one."),
    "trial_paired_has_baseline": ("paired", "A paired trial compares with a baseline: choose one, or untick it."),
    "property_quantity_has_unit": ("unit", "A quantity needs the unit of its result."),
    "property_rating_has_scale": ("scale_low", "A rating needs both ends of its scale."),
    "property_plausible_ordered": ("plausible_high", "The lowest plausible value comes first."),
    "property_scale_ordered": ("scale_high", "The low end of the scale comes first."),
    "property_tolerance_not_negative": ("tolerance_pct", "Expected a number from 0 on."),
    "condition_numbers_have_units": ("", "Each number needs its unit: degC, h, min."),
    "condition_duration_not_negative": ("duration", "Expected a number from 0 on."),
    "condition_recovery_not_negative": ("recovery", "Expected a number from 0 on."),
    "method_hazard_has_cautions": ("cautions", "A hazardous method needs its cautions."),
    "criterion_scores_exactly_one": ("", "Choose one thing to score: a trial, a cost or a certification."),
    "criterion_anchors_differ": ("ceiling", "What scores 0 and what scores 100 must differ."),
    "criterion_band_not_negative": ("band", "Expected a number from 0 on."),
    "comparison_confidence_is_share": ("confidence", "Expected a number between 0 and 1, such as 0.95."),
    "comparison_coverage_is_share": ("coverage", "Expected a number between 0 and 1, such as 0.95."),
    "comparison_price_cap_not_negative": ("price_cap", "Expected an amount from 0 on."),
    "comparison_budget_not_negative": ("budget", "Expected an amount from 0 on."),
    "comparison_currency_form": ("currency", "Expected three capital letters, such as EUR."),
    "left_out_once": ("model", "This product is on the list already."),
    "failure_mode_code": ("name", "This method has a failure mode of that code already."),
    "product_plan_content_has_unit": ("content_unit", "The amount needs its unit, such as m or mL."),
    "trial_plan_material_has_unit": ("per_specimen_unit", "The amount needs its unit: item, m, mL."),
    "trial_plan_cv_not_negative": ("typical_cv", "Expected a number from 0 on."),
    "trial_plan_difference_positive": ("wanted_difference", "Expected a number above 0."),
    "trial_plan_material_positive": ("per_specimen", "Expected a number above 0."),
    "trial_plan_hands_on_not_negative": ("hands_on", "Expected a number from 0 on."),
    "product_plan_price_not_negative": ("price", "Expected an amount from 0 on."),
    "product_plan_content_positive": ("content", "Expected a number above 0."),
}  # fmt: skip


@dataclass(frozen=True)
class PlanFault:
    """One fault: the table (or comparison.toml's part), the code of its row, the column, and what was found."""

    table: str
    code: str
    column: str
    text: str


class _AllFaults(Faults):
    def add(self, file, row, column, text, rule=""):
        self.counts[file] += 1
        self.kept.setdefault(file, []).append(Fault(file, row, column, one_line(text)))


def plan_faults(comparison: Comparison) -> list[PlanFault]:
    """What an import would say of the plan as it is stored. Some fifteen queries."""
    tables = plan_from_db(comparison)
    faults = _AllFaults()
    for name in PLAN:
        check_cells(tables[name], faults)
    check_study(tables, faults, set())
    found = []
    for fault in faults.all():
        name = fault.file.removesuffix(".csv")
        if fault.file == FILE and (part := _PART.match(fault.column)):
            found.append(PlanFault(part[1], part[2], part[3], fault.text))
        elif name in PLAN and fault.row:
            table = tables[name]
            found.append(PlanFault(name, table[table.spec.key[0]][fault.row - 2], fault.column, fault.text))
    return found


class _Broken(Exception):
    def __init__(self, found: list[PlanFault]):
        self.found = found


def keeping_the_rules(comparison: Comparison, do, *, table: str = "", code: str = "", fields: dict | None = None):
    """Do something to the plan, and keep it only where it breaks no rule that held before. Returns what `do` does.

    Raises Invalid with lines by form field: those on the row (table, code) at `fields[column]`, or at the
    column's own name; others name the row that they stand on.
    """
    try:
        with transaction.atomic():
            made = in_words(do)
            if found := plan_faults(comparison):
                raise _Broken(found)
            return made
    except _Broken as broken:
        before = set(plan_faults(comparison))
        new = [fault for fault in broken.found if fault not in before]
    if not new:  # what is wrong was wrong before, and is not made worse
        with transaction.atomic():
            return in_words(do)
    errors: dict[str, list[str]] = {}
    for fault in new:
        own = fault.table == table and fault.code in (code, "")
        where = (fields or {}).get(fault.column, fault.column) if own else ""
        said = _sentence(fault.text if own else f"{_called(fault)}: {fault.text}")
        if said not in errors.setdefault(where, []):
            errors[where].append(said)
    raise Invalid(errors)


def _called(fault: PlanFault) -> str:
    kind = {"properties": "property", "conditions": "condition", "methods": "method", "trials": "trial",
            "failure_modes": "failure mode of", "absences": "absence in", "runs": "run of",
            "left_out": "left out"}.get(fault.table, fault.table)  # fmt: skip
    return f"{kind} {fault.code}"


def in_words(do):
    """Do something; what the database's own rules refuse is told in words, at the field that it is about."""
    try:
        return do()
    except Invalid as invalid:
        errors: dict[str, list[str]] = {}
        for name, lines in invalid.errors.items():
            for line in lines:
                broken = _BROKEN.search(line)
                field, words = WORDS.get(broken[1], (name, line)) if broken else (name, line)
                errors.setdefault(field, []).append(words)
        raise Invalid(errors) from invalid


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "?")) else f"{text}."

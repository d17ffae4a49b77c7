"""What must hold of readings: what they name, what they say, and the chains they form."""

from __future__ import annotations

from collections import Counter, defaultdict
from functools import lru_cache

from .cells import number_reason
from .checking import amount, cycles, unit_reason
from .faults import quote
from .tables import passed


def check_readings(check) -> None:
    """A fault for each reading that breaks a rule; `check` is a `checking.Check`."""
    _what_they_name(check)
    _values(check)
    _modes_and_runs(check)
    _absences(check)
    _chains(check)
    _one_live_rating(check)


def _what_they_name(check) -> None:
    tables = check.tables
    unit_product = dict(zip(tables["units"]["unit"], tables["units"]["product"], strict=True))
    specimen_unit = dict(zip(tables["specimens"]["specimen"], tables["specimens"]["unit"], strict=True))

    def unit_of_product(unit, product):
        owner = unit_product.get(unit)
        if owner and owner != product:
            return f"found the unit {quote(unit)} of {owner}, expected one of {product}"

    def specimen_of_product(specimen, product):
        owner = unit_product.get(specimen_unit.get(specimen, ""))
        if owner and owner != product:
            return f"found the specimen {quote(specimen)} of {owner}, expected one of {product}"

    def unit_of_specimen(unit, specimen):
        own = specimen_unit.get(specimen)
        if unit and own and own != unit:
            return (
                f"found the unit {quote(unit)}, expected {own}, from which the specimen was taken, or nothing"
            )

    check.pairs("readings", ("unit", "product"), "unit", unit_of_product)
    check.pairs("readings", ("specimen", "product"), "specimen", specimen_of_product)
    check.pairs("readings", ("unit", "specimen"), "unit", unit_of_specimen)


def _values(check) -> None:
    kinds, units = {}, {}
    for code, trial in check.trials.items():
        prop = check.properties.get(trial["property"])
        if prop:
            kinds[code] = prop
            units[code] = "" if code in check.doubtful else trial["reading_unit"] or prop["unit"]

    def value(trial, text, bound):
        prop = kinds.get(trial)
        if not prop or not text:
            return None
        if prop["reading"] == "pass_fail":
            try:
                passed(text)
            except ValueError as error:
                return str(error)
            return None
        if why := number_reason(text):
            return why
        if prop["reading"] == "rating":
            low, high, found = amount(prop["scale_low"]), amount(prop["scale_high"]), amount(text)
            if low is not None and high is not None and not low <= found <= high:
                return f"found {quote(text)}, expected a rating from {low} to {high}"
        return None

    def bound_allowed(trial, bound):
        prop = kinds.get(trial)
        if bound in ("<", ">") and prop and prop["reading"] in ("rating", "pass_fail"):
            return f"found {quote(bound)}, expected a bound on quantities only, not on a {prop['reading']}"

    reason = lru_cache(maxsize=None)(unit_reason)

    def unit(trial, text):
        prop = kinds.get(trial)
        if text and prop and prop["reading"] == "quantity" and units[trial]:
            return reason(text, units[trial])

    gauges = dict(
        zip(check.tables["instruments"]["instrument"], check.tables["instruments"]["unit"], strict=True)
    )

    def gauge(trial, instrument):
        prop = kinds.get(trial)
        own = gauges.get(instrument)
        if own and prop and prop["reading"] == "quantity" and units[trial]:
            if why := reason(own, units[trial]):
                return f"found the instrument {quote(instrument)}, which reads in another kind of unit: {why}"

    check.pairs("readings", ("trial", "value", "bound"), "value", value)
    check.pairs("readings", ("trial", "bound"), "bound", bound_allowed)
    check.pairs("readings", ("trial", "unit_of_measure"), "unit_of_measure", unit)
    check.pairs("readings", ("trial", "instrument"), "instrument", gauge)


def _modes_and_runs(check) -> None:
    modes = defaultdict(set)
    table = check.tables["failure_modes"]
    for method, mode in zip(table["method"], table["mode"], strict=True):
        modes[method].add(mode)
    runs = set(zip(check.tables["runs"]["trial"], check.tables["runs"]["run"], strict=True))

    def mode_known(trial, mode):
        if not mode or trial not in check.trials or "failure_modes" in check.broken:
            return None
        method = check.trials[trial]["method"]
        if not method:
            return f"found {quote(mode)}, expected none: the trial names no method that codes failure modes"
        if mode not in modes[method]:
            return f"found {quote(mode)}, expected a failure mode that failure_modes.csv has for {method}"

    def run_known(trial, run):
        if run and (trial, run) not in runs and "runs" not in check.broken:
            return f"found {quote(run)}, expected a run that runs.csv has for {trial}"

    check.pairs("readings", ("trial", "failure_mode"), "failure_mode", mode_known)
    check.pairs("readings", ("trial", "run"), "run", run_known)


def _absences(check) -> None:
    table = check.tables["absences"]
    absent = {
        (trial, product): reason
        for trial, product, reason in zip(table["trial"], table["product"], table["reason"], strict=True)
        if reason in ("not_planned", "not_applicable")
    }

    def present(trial, product):
        if reason := absent.get((trial, product)):
            return f"found a reading of {product}, expected none: absences.csv says {reason} for {trial}"

    if absent:
        check.pairs("readings", ("trial", "product"), "product", present)


def _chains(check) -> None:
    table = check.tables["readings"]
    replaces = table["replaces"]
    check.together(
        "readings", "replaces", "replace_reason", bool, "found no reason, expected why it was replaced"
    )
    check.together(
        "readings",
        "replace_reason",
        "replaces",
        bool,
        "found a reason but no reading, expected the one that is replaced",
    )

    def void(at, by, reason):
        if (at or by) and not reason:
            return "found nothing, expected why the reading is void, since it says when or by whom"

    check.pairs("readings", ("voided_at", "voided_by", "void_reason"), "void_reason", void)
    if not any(replaces):
        return
    row_of = table.index()
    times = Counter(code for code in replaces if code)
    for i, code in enumerate(replaces):
        if not code or code not in row_of:
            continue
        old = row_of[code]
        if times[code] > 1:
            check.add(
                "readings",
                i,
                "replaces",
                f"found {quote(code)} replaced {times[code]} times, expected at most once",
                rule="once",
            )
        for column in ("trial", "specimen", "product"):
            if table[column][old] != table[column][i]:
                check.add(
                    "readings",
                    i,
                    "replaces",
                    f"found a reading of another {column} ({table[column][old] or 'none'}),"
                    f" expected one of {table[column][i] or f'no {column}'}",
                    rule=f"same {column}",
                )
                break
    for i in cycles(table["reading"], replaces):
        check.add(
            "readings",
            i,
            "replaces",
            "found readings that replace each other in a circle, expected a chain",
            rule="circle",
        )


def _one_live_rating(check) -> None:
    """Of one specimen, a rater gives one live rating in each run."""
    ratings = {
        code
        for code, trial in check.trials.items()
        if check.properties.get(trial["property"], {}).get("reading") == "rating"
    }
    if not ratings:
        return
    table = check.tables["readings"]
    replaced = set(table["replaces"])
    first: dict[tuple, str] = {}
    columns = ("reading", "trial", "specimen", "rater", "operator", "run", "void_reason")
    for i, (code, trial, specimen, rater, operator, run, void) in enumerate(
        zip(*(table[name] for name in columns), strict=True)
    ):
        if trial not in ratings or not specimen or void or code in replaced:
            continue
        key = (trial, specimen, rater or operator, run)
        if key in first:
            check.add(
                "readings",
                i,
                "reading",
                f"found a second live rating of {specimen} by this rater (the first is {first[key]}),"
                " expected one: replace or void the other",
                rule="one rating",
            )
        first.setdefault(key, code)

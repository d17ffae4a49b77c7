"""What comparison.toml must agree on with the tables, and awards with both."""

from __future__ import annotations

from .faults import quote
from .toml import FILE

_KINDS = ("trial", "cost", "certification")


def check_comparison(check) -> None:
    """A fault for each criterion, weighting or award that does not fit; `check` is a `checking.Check`."""
    toml = check.tables.comparison
    if not toml:
        return  # could not be read, which has been told
    criteria = toml.get("criterion", [])
    known = {row.get("id") for row in criteria}
    for position, row in enumerate(criteria, 1):
        _criterion(check, row, f"[[criterion]] {row.get('id', position)}")
    for position, row in enumerate(toml.get("weighting", []), 1):
        where = f"[[weighting]] {row.get('id', position)}"
        weights = row.get("weights", {})
        for code in weights:
            if code not in known:
                check.faults.add(
                    FILE, None, where, f"found a weight for {quote(code)}, expected a criterion's id"
                )
        if not any(weights.values()):
            check.faults.add(FILE, None, where, "found no weight above 0, expected at least one")
    weightings = {row.get("id") for row in toml.get("weighting", [])}

    def weighting_known(code):
        if code and code not in weightings:
            return f"found {quote(code)}, expected the id of a weighting in {FILE}"

    check.pairs("awards", ("weighting",), "weighting", weighting_known)


def _criterion(check, row: dict, where: str) -> None:
    def fault(key, text):
        check.faults.add(FILE, None, f"{where} {key}".strip(), text)

    named = [kind for kind in _KINDS if row.get(kind)]
    if len(named) != 1:
        fault(
            "",
            f"found {' and '.join(named) or 'none'} of trial, cost and certification, expected exactly one",
        )
        return
    kind = named[0]
    prop = {}
    if kind == "trial":
        if row["trial"] not in check.trials:
            if "trials" not in check.broken:
                fault("trial", f"found {quote(row['trial'])}, expected a code that trials.csv has")
            return
        prop = check.properties.get(check.trials[row["trial"]]["property"], {})
    elif kind == "certification":
        if "properties" not in check.broken:
            prop = check.properties.get(row["certification"], {})
            if prop.get("reading") != "certification":
                fault(
                    "certification",
                    f"found {quote(row['certification'])}, expected a property that is a certification",
                )
        return
    _measure(check, row, kind, prop, fault)
    _anchors(check, row, kind, prop, fault)


def _measure(check, row: dict, kind: str, prop: dict, fault) -> None:
    measure = row.get("measure")
    if not measure:
        return
    if kind == "cost":
        allowed = ("typical", "lowest")
    elif prop.get("reading") == "pass_fail":
        allowed = ("pass_share",)
    else:
        allowed = ("mean", "median", "min", "max", "change")
    if measure not in allowed:
        fault("measure", f"found {quote(measure)}, expected one of {', '.join(allowed)}")
    elif measure == "change" and not check.trials[row["trial"]]["baseline"]:
        fault("measure", "found change for a trial without a baseline, expected one with a baseline")


def _anchors(check, row: dict, kind: str, prop: dict, fault) -> None:
    floor, ceiling = row.get("floor"), row.get("ceiling")
    if row.get("value_function") == "logarithmic":
        for name, anchor in (("floor", floor), ("ceiling", ceiling)):
            if anchor is not None and anchor <= 0:
                fault(name, f"found {anchor}, expected a number above 0, since the value is logarithmic")
    if row.get("exponent") is not None and row["exponent"] <= 0:
        fault("exponent", f"found {row['exponent']}, expected a number above 0")
    if floor is None or ceiling is None:
        return
    if floor == ceiling:
        fault("floor", f"found floor and ceiling both at {floor}, expected two different numbers")
        return
    changed = (
        kind == "trial"
        and bool(check.trials[row["trial"]]["baseline"])
        and row.get("measure") in (None, "change")
    )
    better = row.get("better") or ("less" if kind == "cost" else "" if changed else prop.get("better", ""))
    if better == "more" and floor > ceiling:
        fault(
            "floor", f"found floor {floor} above ceiling {ceiling}, expected the worst first: more is better"
        )
    if better == "less" and floor < ceiling:
        fault(
            "floor", f"found floor {floor} below ceiling {ceiling}, expected the worst first: less is better"
        )

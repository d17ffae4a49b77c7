"""What was found, trial by trial: quantities, changes, pass shares, ratings; each row with its range line."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

from . import figures, words
from .names import Names
from .numbers import (
    MINUS,
    aligned,
    counted,
    digits_of,
    likely,
    percent,
    symbol,
    with_unit,
    write,
)
from .rangeline import Axis, Claimed, Line, axis_for, draw, draw_axis, fixed, rows_needed

_SIGN = {"<": -1, "=": 0, ">": 1}
LETTERS = "Products that share a letter were not shown to differ."


class Findings:
    """The rows of a results document by trial and product, and the maker's claims as they are drawn."""

    def __init__(self, names: Names, document: dict):
        self.names = names
        self.document = document
        self.summaries = _by_trial(document.get("summaries"))
        self.pass_fail = _by_trial(document.get("pass_fail"))
        self.changes = _by_trial(document.get("changes"))
        self.ratings = {row["trial"]: row for row in document.get("ratings") or []}
        self.differences = {row["trial"]: row for row in document.get("differences") or []}
        self.specimens: dict[tuple, list[dict]] = defaultdict(list)
        for row in document.get("specimens") or []:
            self.specimens[row["trial"], row["product"]].append(row)
        self.claims: dict[tuple, list[dict]] = defaultdict(list)
        for row in document.get("claims") or []:
            if row.get("kind") != "certification" and row.get("trial"):
                self.claims[row["trial"], row["product"], row["of"]].append(row)

    def units(self, trial: str, product: str) -> list[list[tuple[float, int]]]:
        """Counted values of one product with their bounds, one list for each unit (unknown units: one)."""
        units: dict[str, list[tuple[float, int]]] = defaultdict(list)
        for row in self.specimens[trial, product]:
            if row["counted"] and row["value"] is not None:
                units[row["unit"] or ""].append((row["value"], _SIGN[row["bound"]]))
        return [units[code] for code in sorted(units)]

    def raters(self, trial: str, product: str) -> int:
        """How many people rated one product; ratings without a rater are one person's."""
        return len({row["rater"] for row in self.specimens[trial, product] if row["counted"]})

    def trusted(self, trial: str) -> list[float]:
        """Counted values of a trial that are not in doubt: what an axis has to hold."""
        return [
            row["value"]
            for product in self.names.products
            for row in self.specimens[trial, product]
            if row["counted"] and row["value"] is not None and "suspect" not in row["flags"]
        ]

    def marks(self, trial: str, product: str, of: str = "value") -> list[Claimed]:
        """The claims of one product that this trial answers, as marks on its range line."""
        return [mark for row in self.claims[trial, product, of] if (mark := drawn_claim(row))]

    def said_claims(self, trial: str, product: str, of: str = "value") -> str:
        texts = [self.names.claimed(row["claim"]) for row in self.claims[trial, product, of] if drawn_claim(row)]
        return f"claimed {words.listed(dict.fromkeys(texts), 'or')}" if texts else ""


def _by_trial(rows) -> dict[str, dict[str, dict]]:
    found: dict[str, dict[str, dict]] = {}
    for row in rows or []:
        found.setdefault(row["trial"], {})[row["product"]] = row
    return found


def drawn_claim(row: dict) -> Claimed | None:
    """A claim of the results document as a mark; None where it has no number."""
    if row["sense"] == "yes" or (row["claimed"] is None and row["low"] is None and row["high"] is None):
        return None
    return Claimed(row["sense"], row["claimed"], row["low"], row["high"], open=bool(row.get("conflict")))


def claim_values(marks) -> list[float]:
    return [v for mark in marks for v in (mark.value, mark.low, mark.high) if v is not None]


def n_text(n: int, units: int | None) -> str:
    """How many specimens of how many units: "15 specimens, 3 units"."""
    if not n:
        return ""
    return counted(n, "specimen") + (f", {counted(units, 'unit')}" if units is not None else ", units not recorded")


def trial_order(names: Names) -> list[str]:
    """All trials: those that are scored first, in the order of the criteria."""
    scored = [part["trial"] for part in names.criteria.values() if part.get("trial")]
    return list(dict.fromkeys([*scored, *names.trials]))


def trials(findings: Findings) -> list[dict]:
    """A table for each trial: those that are scored first, in the order of the criteria."""
    names = findings.names
    scored = {part["trial"] for part in names.criteria.values() if part.get("trial")}
    made = []
    for trial in trial_order(names):
        kind = names.properties.get(names.property_of(trial), {}).get("reading", "quantity")
        if kind == "quantity" and trial in findings.summaries:
            made.append(_quantity(findings, trial))
        elif kind == "rating" and trial in findings.summaries:
            made.append(_rating(findings, trial))
        elif kind == "pass_fail" and trial in findings.pass_fail:
            made.append(_pass_fail(findings, trial))
    for table in made:
        table["scored"] = table["trial"] in scored
        _gather_notes(table)
    return made


def _gather_notes(table: dict) -> None:
    """What holds for all rows is said once, below the table; so is why products have no letter."""
    measured = [row for row in table["rows"] if not row["absent"]]
    shared = (
        [note for note in measured[0]["notes"] if all(note in row["notes"] for row in measured)] if measured else []
    )
    shared = shared if len(measured) > 1 else []
    for row in measured:
        row["notes"] = [note for note in row["notes"] if note not in shared]
    without = [row for row in measured if row["no_letter"]]
    few = [row for row in without if row["no_letter"].startswith("too few")]
    said = []
    if few and len(few) == len(measured):
        said.append("Too few were tested to tell any of these apart.")
    elif few:
        said.append(f"Too few were tested to give a group to {words.listed([row['name'] for row in few])}.")
    said += [words.sentence(f"{row['name']} has no group: {row['no_letter']}") for row in without if row not in few]
    table["notes_all"], table["no_letters"] = shared, " ".join(said)


def _head(findings: Findings, trial: str, kind: str) -> dict:
    names = findings.names
    prop = names.property_of(trial)
    method = names.method_of(trial)
    row = names.methods.get(method) if method else None
    better = names.properties.get(prop, {}).get("better") or "neither"
    divided = names.divided_by(trial)
    difference = findings.differences.get(trial) or {}
    return {
        "trial": trial,
        "anchor": f"trial-{trial}",
        "kind": kind,
        "title": names.trial(trial),
        "property": names.property(prop),
        "unit": symbol(names.unit(prop)),
        "condition": names.condition_of(trial),
        "better": words.BETTER.get(better, ""),
        "method": row["title"] if row else "",
        "method_anchor": f"method-{method[0]}-{method[1]}" if row else "",
        "divided": f"Each reading is divided by the specimen’s own {divided}." if divided else "",
        "blind": names.blind(trial),
        "differences": _differences(difference),
        "letters": LETTERS if any((difference.get("letters") or {}).values()) else "",
    }


def _differences(difference: dict) -> str:
    if difference.get("reason"):
        return words.sentence(f"products are not told apart here: {difference['reason']}")
    if not difference.get("method"):
        return ""
    level = percent(difference["level"]) if difference.get("level") else ""
    return f"{difference['method']}{f', {level} for the whole table' if level else ''}."


def _ordered(rows: list[dict], better: str) -> list[dict]:
    """Measured rows from the best to the least good (no direction: the greatest first), then the others."""
    sign = 1 if better == "less" else -1
    measured = [row for row in rows if row["sort"] is not None]
    measured.sort(key=lambda row: (sign * row["sort"], row["name"]))
    rest = sorted((row for row in rows if row["sort"] is None), key=lambda row: row["name"])
    return [{k: v for k, v in row.items() if k != "sort"} for row in measured + rest]


def _row(findings: Findings, trial: str, product: str, summary: dict, shown=()) -> dict:
    letters = (findings.differences.get(trial, {}).get("letters") or {}).get(product)
    return {
        "code": product,
        "name": findings.names.product(product),
        "n": n_text(summary["n"], summary.get("units")),
        "letters": letters or "",
        "no_letter": findings.names.said(
            (findings.differences.get(trial, {}).get("no_letter") or {}).get(product) or ""
        ),
        "notes": words.flags(summary.get("flags") or [], words.WORKINGS | words.COUNTED | set(shown)),
        "absent": "",
        "svg": "",
    }


def _absent(row: dict, summary: dict) -> dict:
    """A product without a result: the reason stands in the place of the number."""
    reason = words.ABSENCES.get(summary.get("absence") or "", "") or summary.get("reason") or "no result"
    return row | {"value": None, "likely": "", "absent": reason, "notes": [], "sort": None, "figures": []}


def _quantity(findings: Findings, trial: str) -> dict:
    names = findings.names
    prop = names.property_of(trial)
    unit, decimals = names.unit(prop), names.decimals(prop)
    summaries = findings.summaries[trial]
    axis = _quantity_axis(findings, trial)
    seen = {product: findings.units(trial, product) for product in summaries}
    lines = rows_needed(seen.values())
    rows = []
    for product, summary in summaries.items():
        row = _row(findings, trial, product, summary)
        if not summary["n"]:
            rows.append(_absent(row, summary))
            continue
        mean, spread = summary["mean"], summary["U"]
        places = digits_of(mean, spread, decimals)
        low, high = (mean - spread, mean + spread) if mean is not None and spread is not None else (None, None)
        value, said = _value(summary, places)
        if mean is not None and spread is None:
            row["notes"] = [summary["reason"] or "spread not known", *row["notes"]]
        elif mean is None and summary["reason"]:
            row["notes"] = [summary["reason"], *row["notes"]]
        text = "; ".join(
            part
            for part in (
                ", ".join(
                    p for p in (f"{names.product(product)}: {with_unit(said, unit)}", likely(low, high, places)) if p
                ),
                findings.said_claims(trial, product),
                row["n"],
            )
            if part
        )
        line = Line(
            text,
            mean=mean,
            low=low,
            high=high,
            seen=seen[product],
            claims=findings.marks(trial, product),
            at_least=summary["low"] if mean is None else None,
            at_most=summary["high"] if mean is None else None,
        )
        rows.append(row | {
            "value": value, "likely": likely(low, high, places), "svg": draw(axis, line, lines) if axis else "",
            "sort": mean if mean is not None else summary["low"] or summary["high"],
            "figures": figures.quantity(summary, places, decimals),
        })  # fmt: skip
    better = names.properties.get(prop, {}).get("better", "")
    return _head(findings, trial, "quantity") | {
        "axis": draw_axis(axis) if axis else "",
        "rows": _ordered(rows, better),
        "heads": figures.QUANTITY,
        "far": figures.far_values(names, trial, summaries),
        "coarse": figures.coarse_gauge(names, summaries),
        "claims": any(findings.marks(trial, product) for product in summaries),
    }


def _quantity_axis(findings: Findings, trial: str) -> Axis | None:
    summaries = findings.summaries[trial]
    claimed = [v for product in summaries for v in claim_values(findings.marks(trial, product))]
    means = [s["mean"] if s["mean"] is not None else s["low"] for s in summaries.values()]
    intervals = [
        (s["mean"] - s["U"], s["mean"] + s["U"]) for s in summaries.values() if s["mean"] is not None and s["U"]
    ]
    values = findings.trusted(trial) + [v for v in means if v is not None] + claimed
    return axis_for(values, intervals, least=0.0 if values and min(values) >= 0 else None)


def _value(summary: dict, places: int) -> tuple[dict, str]:
    """The number in the table, and the same as it is read out; a bound with its sign."""
    if summary["mean"] is not None:
        text = write(summary["mean"], places)
        return aligned(text), text
    for key, sign, said in (("low", "≥", "at least"), ("high", "≤", "at most")):
        if summary.get(key) is not None:
            text = write(summary[key], places)
            return aligned(f"{sign}\u2009{text}"), f"{said} {text}"
    return aligned(""), "no mean"


def _rating(findings: Findings, trial: str) -> dict:
    names = findings.names
    prop = names.property_of(trial)
    summaries = findings.summaries[trial]
    low, high = names.scale(prop)
    if low is None or high is None:
        axis = axis_for([v for p in summaries for unit in findings.units(trial, p) for v, _ in unit])
    else:
        pad = (high - low) * 0.04
        axis = fixed(low - pad, high + pad)
    rating = findings.ratings.get(trial) or {}
    rows = []
    for product, summary in summaries.items():
        row = _row(findings, trial, product, summary, {"opinion"})
        if not summary["n"]:
            rows.append(_absent(row, summary))
            continue
        mean, spread = summary["mean"], summary["U"]
        places = min(digits_of(mean, spread, names.decimals(prop)), 2)
        ends = (mean - spread, mean + spread) if mean is not None and spread is not None else (None, None)
        if low is not None and ends[0] is not None:
            ends = (max(low, ends[0]), min(high, ends[1]))
        text = write(mean, places)
        median = figures.median_words(rating, product)
        raters = findings.raters(trial, product)
        row["n"] = f"{counted(summary['n'], 'rating')}, {counted(raters, 'rater')}"
        said = [f"{names.product(product)}: mean {text}", likely(*ends, places), f"median {median}" if median else ""]
        seen = [[one for unit in findings.units(trial, product) for one in unit]]
        line = Line(", ".join(part for part in said if part), mean=mean, low=ends[0], high=ends[1], seen=seen)
        rows.append(row | {
            "value": aligned(text), "likely": likely(*ends, places), "median": median,
            "svg": draw(axis, line) if axis else "", "sort": mean,
            "figures": figures.rating(summary, rating, raters, places),
        })  # fmt: skip
    return _head(findings, trial, "rating") | {
        "axis": draw_axis(axis) if axis else "",
        "rows": _ordered(rows, names.properties.get(prop, {}).get("better", "")),
        "scale": f"{write(low)} to {write(high)}" if low is not None and high is not None else "",
        "heads": figures.RATING,
        "agreement": figures.agreement(rating),
        "medians": figures.medians(names, rating),
        "claims": False,
    }


def _pass_fail(findings: Findings, trial: str) -> dict:
    names = findings.names
    axis = fixed(-2.0, 102.0)
    rows = []
    for product, result in findings.pass_fail[trial].items():
        row = _row(findings, trial, product, result)
        if not result["n"]:
            rows.append(_absent(row, result))
            continue
        text, range_text, line = passed(result)
        told = [f"{names.product(product)}: {text} passed", range_text, row["n"]]
        line = replace(line, words="; ".join(part for part in told if part))
        promise = (result.get("words") or "").partition(": ")[2]
        rows.append(row | {
            "value": aligned(text), "likely": range_text, "said": promise,
            "svg": draw(axis, line), "sort": result["share"], "figures": [],
        })  # fmt: skip
    return _head(findings, trial, "pass_fail") | {
        "axis": draw_axis(axis),
        "rows": _ordered(rows, names.properties.get(names.property_of(trial), {}).get("better", "")),
        "claims": False,
    }


def passed(result: dict) -> tuple[str, str, Line]:
    """How many passed, between what the share likely lies (Clopper and Pearson), and both as a line."""
    low, high = (100 * x for x in result["clopper_pearson"]) if result.get("clopper_pearson") else (None, None)
    said = f"{likely(low, high, 0)}\u00a0%" if low is not None else ""
    return f"{result['passed']} of {result['n']}", said, Line("", mean=100 * result["share"], low=low, high=high)


def changes(findings: Findings) -> list[dict]:
    """A table for each trial with a baseline: the change of each product in percent of its own baseline."""
    made = []
    for trial in trial_order(findings.names):
        if trial in findings.changes:
            made.append(_changes(findings, trial))
    return made


def _changes(findings: Findings, trial: str) -> dict:
    names = findings.names
    found = findings.changes[trial]
    claimed = [v for product in found for v in claim_values(findings.marks(trial, product, "change"))]
    axis = axis_for(
        [row["change_pct"] for row in found.values()] + claimed,
        [tuple(row["ci_pct"]) for row in found.values() if row["ci_pct"]], zero=True,
    )  # fmt: skip
    rows = []
    for product, change in found.items():
        row = _row(findings, trial, product, {"n": change["n"], "flags": change["flags"]}, {"no change shown"})
        row["n"] = f"{counted(change['n'], 'specimen')} after, {change['n_baseline']} before" if change["n"] else ""
        row["letters"] = row["no_letter"] = ""
        if change["change_pct"] is None:
            absent = findings.summaries.get(trial, {}).get(product, {}).get("absence")
            rows.append(_absent(row, {"absence": absent, "reason": change["reason"]}))
            continue
        y, ci = change["change_pct"], change["ci_pct"]
        places = max(0, min(digits_of(y, (ci[1] - ci[0]) / 2 if ci else None, 1), 2))
        ends = ci or (None, None)
        text = write(y, places, signed=True)
        said = likely(*ends, places, signed=True)
        shown = "no change shown" if ci and ci[0] <= 0 <= ci[1] else ""
        alt = "; ".join(
            part
            for part in (
                f"{names.product(product)}: {text} %{', ' + said + ' %' if said else ''}",
                shown,
                findings.said_claims(trial, product, "change"),
                row["n"],
            )
            if part
        )
        line = Line(alt, mean=y, low=ends[0], high=ends[1], claims=findings.marks(trial, product, "change"))
        rows.append(row | {
            "value": aligned(text), "likely": said, "shown": shown, "svg": draw(axis, line) if axis else "",
            "sort": y, "figures": [],
        })  # fmt: skip
    head = _head(findings, trial, "change")
    baseline = names.baseline_of(trial)
    paired = any(row["paired"] for row in found.values())
    return head | {
        "anchor": f"change-{trial}",
        "unit": "%",
        "baseline": names.trial(baseline),
        "kept": "the same specimens before and after" if paired else "separate specimens of the same units",
        "axis": draw_axis(axis, signed=True) if axis else "",
        "rows": _ordered(rows, "more"),
        "claims": any(findings.marks(trial, product, "change") for product in found),
        "differences": "", "letters": "",
    }  # fmt: skip


__all__ = ["Findings", "MINUS", "changes", "claim_values", "drawn_claim", "n_text", "trials"]

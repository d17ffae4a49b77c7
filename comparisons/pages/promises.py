"""Claims against measurements, each with its statement in words; and certifications with their state."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

from specimens.printed import disagreements

from . import words
from .measured import Findings, claim_values, drawn_claim, n_text, passed, trial_order
from .names import Names
from .numbers import aligned, chance, counted, digits_of, likely, symbol, with_unit, write
from .rangeline import Line, axis_for, draw, draw_axis, fixed

ORDER = {"fail": 0, "conditional_fail": 1, None: 2, "conditional_pass": 3, "pass": 4}


def claims(findings: Findings, *, drafting: bool = False) -> list[dict]:
    """A table for each property, condition and kind of claim; within it, what misses comes first."""
    groups: dict[tuple, list[dict]] = defaultdict(list)
    for row in findings.document.get("claims") or []:
        if row.get("kind") == "certification":
            continue
        kind = "yes" if row["sense"] == "yes" else row["of"]
        groups[row["property"], row["trial"] or "", kind].append(row)
    order = {code: i for i, code in enumerate(trial_order(findings.names))}
    return [
        _table(findings, *key, groups[key], drafting)
        for key in sorted(groups, key=lambda key: (order.get(key[1], len(order)), key[0], key[2]))
    ]


def _table(findings: Findings, prop: str, trial: str, kind: str, rows: list[dict], drafting: bool) -> dict:
    names = findings.names
    unit = "percent" if kind == "change" else "" if kind == "yes" else names.unit(prop)
    title = names.trial(trial) if trial else names.property(prop)
    if kind == "yes":
        axis = fixed(-2.0, 102.0)
    else:
        marks = [mark for row in rows if (mark := drawn_claim(row))]
        axis = axis_for(
            [row["measured"] for row in rows] + claim_values(marks),
            [interval_of(row) for row in rows],
            zero=kind == "change",
        )
    rows = sorted(rows, key=lambda row: (ORDER.get(row["statement"], 2), names.product(row["product"]), row["claim"]))
    made = [_row(findings, row, unit, axis, kind) for row in rows]
    for told, row in zip(made, rows, strict=True):
        others = [r for r in rows if r is not row and (r["product"], r["scope"]) == (row["product"], row["scope"])]
        told["notes"] = _sources(names, row, others) + told["notes"]
    if drafting:
        for told, row in zip(made, rows, strict=True):
            told["preview"] = _preview(row)
    return {
        "anchor": f"claims-{prop}-{trial or 'untested'}-{kind}",
        "title": f"Change of {title[:1].lower() + title[1:]}" if kind == "change" else title,
        "unit": symbol(unit),
        "kind": kind,
        "axis": draw_axis(axis, signed=kind == "change") if axis and any(row["svg"] for row in made) else "",
        "rows": made,
        "chart": [
            _charted(names, row)
            for row in rows
            if kind == "value" and row["measured"] is not None and row["claimed"] is not None
        ],
    }


def _charted(names: Names, row: dict) -> dict:
    low, high = interval_of(row) or (None, None)
    return {
        "product": names.product(row["product"]),
        "measured": row["measured"],
        "claimed": row["claimed"],
        "low": low,
        "high": high,
        "text": names.claimed(row["claim"]),
        "statement": words.statement(row["statement"], why_none(row)),
    }


def why_none(row: dict) -> str | None:
    """Why there is no statement; that another source governs is said without its code."""
    if row.get("conflict") and row["conflict"] != "sources disagree":
        return "another source of the maker counts"
    return row["reason"]


def interval_of(row: dict) -> tuple[float, float] | None:
    """What is likely of the measured value: y with U on either side; of a change, its own interval."""
    if row["measured"] is None:
        return None
    if row["of"] == "change" and row.get("measured_low") is not None:
        return row["measured_low"], row["measured_high"]
    spread = row["U"] if row["U"] is not None else (row.get("if_governed") or {}).get("U")
    return None if spread is None else (row["measured"] - spread, row["measured"] + spread)


def claim_places(names: Names, row: dict) -> int:
    """Decimals of what a claim is measured by; of a change, at most two."""
    interval = interval_of(row)
    half = (interval[1] - interval[0]) / 2 if interval else None
    places = digits_of(row["measured"], half, names.decimals(row["property"]))
    return max(0, min(places, 2)) if row["of"] == "change" and row["sense"] != "yes" else places


def _row(findings: Findings, row: dict, unit: str, axis, kind: str) -> dict:
    names = findings.names
    told = names.claims.get(row["claim"], {})
    interval = interval_of(row)
    signed = kind == "change"
    places = claim_places(names, row)
    claimed = names.claimed(row["claim"])
    statement = words.statement(row["statement"], why_none(row))
    measured, said, line = "", "", None
    if kind == "yes":
        result = findings.pass_fail.get(row["trial"] or "", {}).get(row["product"]) or {}
        if result.get("n"):
            measured, said, line = passed(result)
    elif row["measured"] is not None:
        measured = write(row["measured"], places, signed=signed)
        said = likely(*interval, places, signed=signed) if interval else ""
        mark = drawn_claim(row)
        low, high = interval or (None, None)
        line = Line("", mean=row["measured"], low=low, high=high, claims=[mark] if mark else [])
    svg = ""
    if axis is not None and line is not None:
        told_measured = ", ".join(part for part in (with_unit(measured, unit), said) if part)
        text = f"{names.product(row['product'])}: {told_measured}; claimed {claimed}: {statement}"
        svg = draw(axis, replace(line, words=text))
    return {
        "code": row["claim"],
        "product": row["product"],
        "name": names.product(row["product"]),
        "claimed": claimed,
        "wording": told.get("wording", ""),
        "source": told.get("source") or row.get("source") or "",
        "seen_on": words.day(told.get("seen_on")),
        "measured": aligned(measured) if kind != "yes" else {"text": measured, "whole": measured, "part": ""},
        "likely": said,
        "n": _tested(findings, row) if measured else "",
        "deviation": deviation_text(row, unit, places),
        "svg": svg,
        "statement": statement,
        "kind": row["statement"] or "none",
        "chance": _chance(row),
        "notes": _notes(names, row),
    }


def _tested(findings: Findings, row: dict) -> str:
    """How many specimens of how many units a claim is judged on."""
    trial, product = row["trial"] or "", row["product"]
    if row["of"] == "change":
        change = findings.changes.get(trial, {}).get(product) or {}
        return f"{counted(change['n'], 'specimen')} after, {change['n_baseline']} before" if change.get("n") else ""
    found = findings.summaries.get(trial, {}).get(product) or findings.pass_fail.get(trial, {}).get(product) or {}
    return n_text(found.get("n") or 0, found.get("units"))


def deviation_text(row: dict, unit: str, places: int) -> str:
    """Measured less claimed, in the unit and in percent of the claim."""
    if row["deviation"] is None or row["sense"] == "yes":
        return ""
    text = with_unit(write(row["deviation"], places, signed=True), unit)
    if row.get("deviation_pct") is not None:
        text += f" ({write(row['deviation_pct'], 1, signed=True)}\u00a0%)"
    return text


def _preview(row: dict) -> str:
    """What the claim would come to if its source governed; empty where it is judged anyway."""
    other = row.get("if_governed")
    return words.statement(other["statement"], other["reason"]) if other else ""


def _chance(row: dict) -> str:
    if row["p_conform"] is None:
        return ""
    if row["sense"] == "yes" or row["scope"] == "every":
        return f"{chance(row['p_conform'])} sure that enough items meet it"
    return f"{chance(row['p_conform'])} likely to meet its claim"


def _sources(names: Names, row: dict, others: list[dict]) -> list[str]:
    """Where a maker's sources disagree: what the others say, which one counts, and why. All of them stay."""
    if not row.get("conflict"):
        return []
    if row["conflict"] != "sources disagree":
        chosen = next((r for r in others if r.get("governs") and r.get("governs_reason")), None)
        if chosen is None:
            return []
        return [f"{_where(names, chosen)} counts instead: {words.typeset(chosen['governs_reason'])}"]
    told = [f"{_where(names, r)} says {names.claimed(r['claim'])}" for r in others if r.get("conflict")]
    return [f"the maker’s sources disagree: {words.listed(told)}"] if told else []


def _where(names: Names, row: dict) -> str:
    source = names.claims.get(row["claim"], {}).get("source") or row.get("source")
    return f"“{words.typeset(source)}”" if source else "another source"


def _printed(told: dict) -> list[str]:
    """Why a claim was not tested, and where its print contradicts itself."""
    notes = []
    if told.get("not_tested_because"):
        notes.append(f"not tested, because: {words.typeset(told['not_tested_because'])}")
    notes += [f"printed in two units that do not agree: {one.text}" for one in disagreements(told.get("wording", ""))]
    return notes


def _notes(names: Names, row: dict) -> list[str]:
    notes = _printed(names.claims.get(row["claim"], {}))
    if row.get("governs") and row.get("governs_reason"):
        notes.append(f"this source counts: {words.typeset(row['governs_reason'])}")
    gauge = (row.get("gauge") or {}).get("verdict")
    if gauge in ("flagged", "inadequate"):
        notes.append(
            "the gauge is coarse for this claim" if gauge == "flagged" else "the gauge is too coarse for this claim"
        )
    return notes + words.flags(row.get("flags") or [], words.WORKINGS | words.COUNTED)


def certifications(names: Names, document: dict) -> list[dict]:
    """What was found of each certification, product by product; not found says no more than that."""
    groups: dict[str, list[dict]] = defaultdict(list)
    for row in document.get("claims") or []:
        if row.get("kind") == "certification":
            groups[row["property"]].append(row)
    made = []
    for prop, rows in groups.items():
        made.append({
            "title": names.property(prop),
            "rows": [
                {
                    "name": names.product(row["product"]),
                    "state": words.certification(row.get("state"), row.get("reference"), row.get("checked_on")),
                    "reference": row.get("reference") or "",
                    "wording": names.claims.get(row["claim"], {}).get("wording", ""),
                    "source": row.get("source") or "",
                    "seen_on": words.day(names.claims.get(row["claim"], {}).get("seen_on")),
                }
                for row in sorted(rows, key=lambda row: names.product(row["product"]))
            ],
        })  # fmt: skip
    return made


def missed(findings: Findings) -> list[dict]:
    """The claims that are missed for sure, by product."""
    found: dict[str, list[str]] = defaultdict(list)
    names = findings.names
    for row in findings.document.get("claims") or []:
        if row.get("statement") == "fail":
            where = names.trial(row["trial"]) if row.get("trial") else names.property(row["property"])
            found[row["product"]].append(f"{where}: claimed {names.claimed(row['claim'])}")
    return [
        {"name": names.product(code), "claims": texts}
        for code, texts in sorted(found.items(), key=lambda i: names.product(i[0]))
    ]

"""How it was done: methods, instruments, purchases, plan, what is missing, what is in doubt, what makers said."""

from __future__ import annotations

import re
from collections import defaultdict

from comparisons.folder.tables import number, yes

from . import figures, plan_texts, words
from .carried import carried
from .measured import Findings, trial_order
from .names import Names
from .numbers import counted, money, percent, significant, symbol, with_unit, write

_STEP = re.compile(r"(?:^|(?<=\s))(\d{1,2})[.)]\s+")


def steps(text: str) -> list[str]:
    """Numbered steps written in one cell, apart; a text without numbers is one step.

    >>> steps("1. Cut it. 2. Pull at 5 mm/s.")
    ['Cut it.', 'Pull at 5 mm/s.']
    """
    text = words.typeset(text).strip()
    if not text:
        return []
    starts = [m for m in _STEP.finditer(text)]
    ordered, expected = [], 1
    for m in starts:  # a number inside a sentence is no step: they count up from one
        if int(m.group(1)) == expected:
            ordered.append(m)
            expected += 1
    if not ordered or ordered[0].start() != 0:
        return [line.strip() for line in text.splitlines() if line.strip()]
    ends = [m.start() for m in ordered[1:]] + [len(text)]
    return [text[m.end() : end].strip() for m, end in zip(ordered, ends, strict=True)]


def methods(names: Names) -> list[dict]:
    """Each method that a trial used: its cautions come before its steps."""
    used: dict[tuple, list[str]] = defaultdict(list)
    runs = plan_texts.runs_of(names)
    for trial in trial_order(names):
        if (method := names.method_of(trial)) is not None:
            used[method].append(trial)
            for run in runs.get(trial, ()):  # a run may have been made under another wording of the method
                if trial not in used[method[0], run["revision"]]:
                    used[method[0], run["revision"]].append(trial)
    known = {code for code, _ in used}
    for code, revision in names.methods:  # what no trial names was listed for conditioning and other preparation
        if code not in known:
            used[code, revision] = []
    uncounted = defaultdict(list)
    for row in names.tables["failure_modes"].rows():
        if not yes(row["counts"]):
            uncounted[row["method"]].append(row["name"] or row["mode"])
    made = []
    for (code, revision), trials in used.items():
        row = names.methods.get((code, revision))
        if row is None:
            continue
        relation = row["relation"] or ("own" if not row["standard"] else "departs")
        made.append({
            "anchor": f"method-{code}-{revision}",
            "title": row["title"],
            "revision": revision,
            "trials": [{"name": names.trial(t), "anchor": f"trial-{t}"} for t in trials],
            "relation": words.RELATIONS[relation].format(standard=row["standard"] or "a standard"),
            "departures": words.typeset(row["departures"]),
            "cannot_show": words.typeset(row["cannot_show"]),
            "cautions": words.typeset(row["cautions"]),
            "hazard": words.HAZARD if yes(row["hazardous"]) else "",
            "steps": steps(row["steps"]),
            "uncounted": words.sentence(
                f"not counted: {words.listed(uncounted[code], 'or')}" if uncounted[code] else ""
            ),
            "pictures": pictures(names, "trial", [t for t in trials if _own(names, t, revision)]),
            "runs": [
                {"trial": names.trial(t), "rows": runs[t]} for t in trials if t in runs and _own(names, t, revision)
            ],
        })  # fmt: skip
    return made


def _own(names: Names, trial: str, revision: str) -> bool:
    """Whether a trial names this revision itself: its runs are told there, and once."""
    method = names.method_of(trial)
    return method is not None and method[1] == revision


def pictures(names: Names, about: str, codes) -> list[dict]:
    """Pictures that the study folder holds on these things; other files are in the package alone."""
    return [
        {"file": row["file"], "caption": row["caption"], "alt": row["alt"] or row["caption"]}
        for row in names.tables["files"].rows()
        if row["about"] == about and row["code"] in set(codes)
        and row["file"].lower().endswith((".png", ".jpg", ".jpeg", ".webp", ".gif"))
    ]  # fmt: skip


def conditions(names: Names, findings: Findings) -> list[dict]:
    """Each condition with what the specimens really saw."""
    seen: dict[str, list[float]] = defaultdict(list)
    unit: dict[str, str] = {}
    for row in names.tables["exposures"].rows():
        for end in ("actual_low", "actual_high"):
            if row[end]:
                seen[row["condition"]].append(float(number(row[end])))
                unit[row["condition"]] = row["actual_unit"]
    made = []
    for code, row in names.conditions.items():
        parts = [
            with_unit(write(number(row[name])), row[f"{name}_unit"]) for name in ("temperature", "duration")
            if row[name]
        ]  # fmt: skip
        recovery = with_unit(write(number(row["recovery"])), row["recovery_unit"]) if row["recovery"] else ""
        actual = ""
        if seen[code]:
            actual = f"{write(min(seen[code]), 0)} to {with_unit(write(max(seen[code]), 0), unit[code])}"
        made.append({
            "name": names.condition(code), "set": ", ".join([row["agent"], *parts] if row["agent"] else parts),
            "actual": actual, "recovery": recovery,
        })  # fmt: skip
    return made


def instruments(names: Names) -> list[dict]:
    """Each instrument with its range, step, accuracy and calibrations."""
    states = defaultdict(list)
    for row in names.tables["calibrations"].rows():
        states[row["instrument"]].append(row)
    late = {row["instrument"] for row in overdue(names)}
    made = []
    for code, row in names.instruments.items():
        unit = row["unit"]

        def amount(column: str, row=row, unit=unit) -> str:
            return with_unit(write(number(row[column])), unit) if row[column] else ""

        ends = [write(number(row["range_low"])), amount("range_high")]
        accuracy = [f"±{amount('accuracy_abs')}"] if row["accuracy_abs"] else []
        if row["accuracy_pct"]:
            basis = {"reading": " of reading", "full_scale": " of full scale"}.get(row["accuracy_basis"], "")
            accuracy.append(f"±{write(number(row['accuracy_pct']))}\u00a0%{basis}")
        calibrated = sorted(states[code], key=lambda s: s["calibrated_on"])
        days = [f"{words.day(s['calibrated_on'])}{_u_of(s, unit)}" for s in calibrated]
        if not days and row["calibrated_on"]:
            days = [words.day(row["calibrated_on"])]
        made.append({
            "name": row["name"], "serial": row["serial"], "range": " to ".join(ends) if all(ends) else "",
            "resolution": amount("resolution"), "accuracy": ", ".join(accuracy), "calibrated": "; ".join(days),
            "due": words.day(row["due_on"]), "overdue": code in late,
        })  # fmt: skip
    return made


def _u_of(state: dict, unit: str) -> str:
    if not state["U"]:
        return ""
    k = f", k = {write(number(state['k']))}" if state["k"] else ""
    return f" (U = {with_unit(write(number(state['U'])), unit)}{k})"


def overdue(names: Names) -> list[dict]:
    """Instruments that were used on a day later than the due date of the calibration that held."""
    states = defaultdict(dict)
    for row in names.tables["instruments"].rows():
        if row["calibrated_on"]:
            states[row["instrument"]][row["calibrated_on"]] = row["due_on"]
    for row in names.tables["calibrations"].rows():
        states[row["instrument"]][row["calibrated_on"]] = row["due_on"] or states[row["instrument"]].get(
            row["calibrated_on"], ""
        )
    readings = names.tables["readings"]
    used = {(i, t[:10]) for i, t in zip(readings["instrument"], readings["taken_at"], strict=True) if i and t}
    found = {}
    for code, day in sorted(used):
        past = [start for start in states[code] if start <= day]
        due = states[code][max(past)] if past else ""
        if due and day > due:
            found.setdefault(code, {"instrument": code, "due": due, "day": day})
    return list(found.values())


def purchases(names: Names) -> list[dict]:
    """How every item was obtained, product by product; what was not bought stands out in words."""
    units = defaultdict(int)
    for row in names.tables["units"].rows():
        units[row["purchase"]] += 1
    rows = []
    for row in names.tables["purchases"].rows():
        packs = [f"{write(number(row['packs']))} packs" if row["packs"] not in ("", "1") else ""]
        if row["items_per_pack"]:
            packs.append(
                f"of {write(number(row['items_per_pack']))}"
                if packs[0]
                else f"{write(number(row['items_per_pack']))} items"
            )
        shipping = number(row["shipping"])
        rows.append({
            "product": names.product(row["product"]),
            "obtained": words.OBTAINED.get(row["obtained"], row["obtained"]),
            "bought": row["obtained"] == "bought",
            "seller": row["seller"],
            "on": words.day(row["bought_on"]),
            "price": money(number(row["price"]), row["currency"] or names.currency),
            "shipping": money(shipping, row["currency"] or names.currency) if shipping else "",
            "content": " ".join(part for part in packs if part),
            "lot": row["lot"],
            "units": counted(units[row["purchase"]], "unit tested", "units tested") if units[row["purchase"]] else "",
        })  # fmt: skip
    rows.sort(key=lambda row: row["product"])
    return rows


def costs(names: Names, document: dict) -> dict:
    """What an item costs, cheapest first."""
    rows = []
    content_unit = ""
    for row in document.get("costs") or []:
        content_unit = row.get("content_unit") or content_unit
        rows.append({
            "name": names.product(row["product"]),
            "per_item": money(row["per_item"], row["currency"]),
            "lowest": money(row["per_item_lowest"], row["currency"]),
            "per_content": money(row["per_content"], row["currency"]),
            "per_usable": money(row["per_usable"], row["currency"]),
            "n": counted(row["n"], "purchase") if row.get("n") else "",
            "reason": row.get("reason") or "",
            "notes": words.flags(row.get("flags") or [], {"one_purchase"}),
            "sort": row["per_item"] if row["per_item"] is not None else float("inf"),
        })  # fmt: skip
    rows.sort(key=lambda row: (row.pop("sort"), row["name"]))
    return {
        "rows": rows,
        "content_unit": symbol(content_unit),
        "usable": any(row["per_usable"] for row in rows),
        "usable_reason": next(
            (r["reasons"]["per_usable"] for r in document.get("costs") or [] if r.get("reasons", {}).get("per_usable")),
            "",
        ),
    }


def plan(names: Names, document: dict) -> dict:
    """When the plan was frozen and by what rule claims are judged."""
    decision = document.get("decision") or {}
    confidence = decision.get("confidence", 0.95)
    rule = words.RULES.get(decision.get("rule", "probability"), "")
    return {
        "frozen_at": words.day(names.toml.get("plan", {}).get("frozen_at")),
        "rule": rule.format(confidence=percent(confidence), risk=percent(1 - confidence)),
        "rounding": words.ROUNDINGS.get(decision.get("rounding", ""), ""),
        "every": f"A claim on every item is read as at least {percent(decision.get('coverage', 0.95))} of items.",
        "deviations": deviations(names),
        "frozen_after": plan_texts.frozen_after(names),
        "texts": plan_texts.texts(names),
        "left_out": plan_texts.left_out(names),
        "carried": carried(names),
    }


def deviations(names: Names) -> list[dict]:
    """Dated changes of the frozen plan."""
    return [
        {
            "at": words.day(row["at"]),
            "by": row["by"],
            "what": words.typeset(row["what"]),
            "before": words.typeset(row["from"]),
            "after": words.typeset(row["to"]),
            "why": words.typeset(row["why"]),
        }
        for row in sorted(names.tables["deviations"].rows(), key=lambda row: row["at"])
    ]


def absences(names: Names, document: dict) -> list[dict]:
    """What was not tested: set down with a reason, or still open."""
    rows = [
        {
            "trial": names.trial(row["trial"]),
            "product": names.product(row["product"]),
            "reason": words.ABSENCES.get(row["reason"], row["reason"]),
            "note": words.typeset(row["note"]),
        }
        for row in names.tables["absences"].rows()
    ]
    for table in ("summaries", "pass_fail"):
        rows += [
            {
                "trial": names.trial(row["trial"]),
                "product": names.product(row["product"]),
                "reason": "not measured yet",
                "note": "",
            }
            for row in document.get(table) or []
            if "unfinished" in (row.get("flags") or [])
        ]
    return rows


def set_aside(names: Names, document: dict) -> dict:
    """Readings that do not count, by reason, and values in doubt with the mean with and without them."""
    left: dict[tuple[str, str], list[str]] = defaultdict(list)
    for row in document.get("specimens") or []:
        if not row["counted"] and row["why_not"]:
            why = re.sub(r"^replaced by .*", "replaced by a later reading", row["why_not"])
            if mode := re.match(r"failure mode (\S+) does not count", why):
                why = _mode(names, row["trial"], mode.group(1))
            left[row["trial"], why].append(names.product(row["product"]))
    doubts: dict[tuple, dict] = {}
    for row in document.get("suspects") or []:
        places = len(write(row["value"]).partition(".")[2])
        key = (row["trial"], row["product"], tuple(row["readings"]))
        unit = row.get("unit_of_measure")
        entry = doubts.setdefault(key, {
            "trial": names.trial(row["trial"]), "product": names.product(row["product"]),
            "value": with_unit(write(row["value"]), unit), "reasons": [], "readings": ", ".join(row["readings"]),
            "with": with_unit(write(row["mean_with"], places + 1), unit),
            "without": with_unit(write(row["mean_without"], places + 1), unit),
        })  # fmt: skip
        entry["reasons"].append(words.typeset(row["text"]))
    return {
        "left_out": [
            {
                "trial": names.trial(trial),
                "why": why,
                "n": len(who),
                "products": words.listed(sorted(set(who))),
            }
            for (trial, why), who in sorted(left.items())
        ],
        "doubts": list(doubts.values()),
    }


def _mode(names: Names, trial: str, mode: str) -> str:
    method = names.method_of(trial)
    for row in names.tables["failure_modes"].rows():
        if method and row["method"] == method[0] and row["mode"] == mode:
            return f"{row['name'] or mode}: does not count"
    return f"{mode}: does not count"


def answers(names: Names) -> list[dict]:
    """What makers answered and may be shown."""
    return [
        {"name": names.product(row["product"]), "at": words.day(row["received_at"]), "text": row["text"]}
        for row in names.tables["answers"].rows()
        if yes(row["published"])
    ]


def notes(names: Names, document: dict) -> list[dict]:
    """Remarks of the evaluation; the same remark on several things is said once."""
    grouped: dict[tuple[str, str], list[str]] = {}
    for row in document.get("notes") or []:
        if row["level"] == "unfinished":
            continue
        grouped.setdefault((row["level"], row["text"]), []).append(_where(names, row["where"]))
    return [
        {"level": level, "text": words.sentence(text), "where": "; ".join(_together(where))}
        for (level, text), where in grouped.items()
    ]


def _where(names: Names, where: str) -> tuple[str, str]:
    """A place in the results as (what, which product)."""
    first, _, second = where.partition(" ")
    for lookup, name in (
        (names.trials, names.trial), (names.criteria, names.criterion), (names.weightings, names.weighting),
    ):  # fmt: skip
        if first in lookup:
            return name(first), names.product(second) if second else ""
    if first in names.instruments:
        return names.instruments[first]["name"], second
    return first.replace("_", " "), names.product(second) if second else ""


def _together(places: list[tuple[str, str]]) -> list[str]:
    products: dict[str, list[str]] = {}
    for what, who in places:
        products.setdefault(what, []).append(who)
    return [f"{what} ({words.listed([w for w in who if w])})" if any(who) else what for what, who in products.items()]


def data(names: Names, document: dict) -> dict:
    """What the data are and under which licence they may be used."""
    package = names.tables.package or {}
    return {
        "description": words.typeset(package.get("description", "")),
        "licences": [
            {"name": one.get("title") or one.get("name", ""), "path": one.get("path", "")}
            for one in package.get("licenses") or []
        ],
        "sources": [one.get("title") or one.get("path") or "" for one in package.get("sources") or []],
        "engine": document.get("engine", ""),
        "inputs_digest": document.get("inputs_digest", ""),
        "seed": document.get("seed"),
    }


def budgets(names: Names, document: dict) -> list[dict]:
    """The uncertainty budget of each mean, trial by trial: every contribution and where it comes from."""
    made: dict[str, dict] = {}
    for row in document.get("budgets") or []:
        table = made.setdefault(
            row["trial"], {"title": names.trial(row["trial"]), "unit": symbol(row["unit"]), "rows": []}
        )
        source = {
            "type_a": "repeated readings",
            "resolution": "step",
            "accuracy": "accuracy",
            "calibration": "calibration",
        }
        instrument = names.instruments.get(row.get("instrument") or "", {}).get("name", "")
        table["rows"].append({
            "name": names.product(row["product"]),
            "source": source.get(row["source"], row["source"]) + (f" of {instrument}" if instrument else ""),
            "type": row["type"], "distribution": row.get("distribution") or "",
            "u": write(row["u"], significant(row["u"], 2)) if row["u"] is not None else "–",
            "dof": "∞" if row.get("dof") is None else write(row["dof"], 1),
            "shared": "shared by all that it measured" if row.get("shared") else row.get("basis") or "",
        })  # fmt: skip
    return list(made.values())


def to_look_at(names: Names, document: dict) -> list[str]:
    """What a team should settle, or knowingly leave, before it asks for approval: one sentence each."""
    said = []
    for row in document.get("suspects") or []:
        value = with_unit(write(row["value"]), row.get("unit_of_measure"))
        said.append(f"{names.trial(row['trial'])}, {names.product(row['product'])}: {value}, {row['text']}")
    doubted = {(row["trial"], row["product"]) for row in document.get("suspects") or []}
    for row in document.get("summaries") or []:
        where, flags = f"{names.trial(row['trial'])}, {names.product(row['product'])}", row.get("flags") or []
        if figures.FAR in flags and (row["trial"], row["product"]) not in doubted:
            said.append(f"{where}: {row['robust']} ({counted(row['n'], 'specimen')})")
        if figures.COARSE in flags:
            said.append(f"{where}: the gauge alone may come to {figures.share(row['gauge_pct'])} of the mean")
    open_claims: dict[tuple, None] = {}
    for row in document.get("claims") or []:
        if row.get("conflict") == "sources disagree":
            open_claims[names.product(row["product"]), names.property(row["property"])] = None
    said += [
        f"{product}: sources disagree on {what[:1].lower() + what[1:]}, and none governs"
        for product, what in open_claims
    ]
    for table in ("summaries", "pass_fail"):
        said += [
            f"{names.trial(row['trial'])}, {names.product(row['product'])}: not measured, and no reason given"
            for row in document.get(table) or []
            if "unfinished" in (row.get("flags") or [])
        ]
    said += [
        f"award “{row.get('name') or row['award']}” for {names.product(row['product'])} is refused: "
        f"{names.said(row['why'] or '')}"
        for row in document.get("awards") or []
        if row.get("refused")
    ]
    for note in notes(names, document):
        if note["level"] == "warning":
            said.append(f"{note['text'].rstrip('.')}{': ' + note['where'] if note['where'] else ''}")
    return list(dict.fromkeys(words.sentence(text) for text in said))

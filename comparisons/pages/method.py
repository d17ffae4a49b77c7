"""Everything about one method: its revisions, what it follows, what it was used for, and with what."""

from __future__ import annotations

from collections import defaultdict

from comparisons.folder.tables import yes

from . import background, words
from .measured import Findings, trial_order
from .names import Names


def sheets(names: Names, findings: Findings) -> dict[str, dict]:
    """For each method what a page of the comparison does not tell: code -> sheet.

    Revisions that no trial used, failure modes, and for each trial its condition, its runs and its instruments.
    """
    gauges = _gauges(names)
    trials: dict[tuple, list[str]] = defaultdict(list)
    for trial in trial_order(names):
        if (method := names.method_of(trial)) is not None:
            trials[method].append(trial)
    conditions = {row["name"]: row for row in background.conditions(names, findings)}
    made: dict[str, dict] = {}
    for (code, revision), row in names.methods.items():
        sheet = made.setdefault(code, {"title": row["title"], "revisions": [], "modes": _modes(names, code)})
        used = trials.get((code, revision), [])
        sheet["revisions"].append({
            "revision": revision,
            "relation": words.RELATIONS[
                row["relation"] or ("own" if not row["standard"] else "departs")
            ].format(standard=row["standard"] or "a standard"),
            "standard": row["standard"],
            "departures": words.typeset(row["departures"]),
            "trials": [
                {
                    "trial": trial,
                    "name": names.trial(trial),
                    "condition": conditions.get(names.condition_of(trial), {"name": names.condition_of(trial)}),
                    "divided": names.divided_by(trial),
                    "instruments": gauges.get(trial, []),
                    "runs": _runs(names, trial),
                }
                for trial in used
            ],
        })  # fmt: skip
    return made


def _modes(names: Names, code: str) -> list[dict]:
    return [
        {"name": words.typeset(row["name"] or row["mode"]), "counts": yes(row["counts"])}
        for row in names.tables["failure_modes"].rows()
        if row["method"] == code
    ]


def _gauges(names: Names) -> dict[str, list[str]]:
    """The names of the instruments that each trial was read with."""
    readings = names.tables["readings"]
    used = sorted({(t, i) for t, i in zip(readings["trial"], readings["instrument"], strict=True) if i})
    found: dict[str, list[str]] = defaultdict(list)
    for trial, instrument in used:
        found[trial].append(names.instruments.get(instrument, {}).get("name") or instrument)
    return found


def _runs(names: Names, trial: str) -> list[dict]:
    return [
        {
            "run": row["run"],
            "on": words.day(row["started_at"]),
            "reason": words.typeset(row["reason"]),
            "pooled": words.typeset(row["pooled_because"]),
            "revision": row["revision"],
        }
        for row in names.tables["runs"].rows()
        if row["trial"] == trial
    ]


def method_codes(page: dict) -> dict[str, str]:
    """The methods of an edition: code -> title, from its own list where it has no sheets."""
    found = {code: sheet["title"] for code, sheet in (page.get("method_sheets") or {}).items()}
    for row in page["methods"]:
        found.setdefault(code_of(row), row["title"])
    return found


def code_of(row: dict) -> str:
    """A method's code, out of the anchor that its part of the comparison's page has."""
    return row["anchor"].removeprefix("method-").removesuffix(f"-{row['revision']}")


def method_page(page: dict, code: str) -> dict | None:
    """The page of one method from an edition's page; None where the edition has no such method.

    used: the revisions that trials used, whole; unused: others on record. has_sheet False: the edition was frozen
    before there were method pages, and tells less.
    """
    titles = method_codes(page)
    if code not in titles:
        return None
    sheet = (page.get("method_sheets") or {}).get(code)
    kept = {one["revision"]: one for one in sheet["revisions"]} if sheet else {}
    used = []
    for row in page["methods"]:
        if code_of(row) == code:
            known = kept.get(row["revision"], {})
            used.append(row | {"in_trials": known.get("trials") or []})
    shown = {row["revision"] for row in used}
    instruments = {name for row in used for trial in row["in_trials"] for name in trial["instruments"]}
    return {
        "code": code,
        "title": titles[code],
        "used": used,
        "unused": [one for revision, one in kept.items() if revision not in shown],
        "modes": sheet["modes"] if sheet else [],
        "has_sheet": sheet is not None,
        "instruments": [one for one in page["instruments"] if one["name"] in instruments],
        "results": [_result(page, trial) for row in used for trial in row["trials"]],
    }


def _result(page: dict, trial: dict) -> dict:
    """What one trial gave: how many products were measured, and where the table stands."""
    table = next((one for one in page["trials"] if one["anchor"] == trial["anchor"]), None)
    measured = sum(not row["absent"] for row in table["rows"]) if table else 0
    return trial | {"measured": measured, "products": len(table["rows"]) if table else 0}

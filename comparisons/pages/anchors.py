"""Anchors of the scores: which were set before the data, which were not, and what was changed later."""

from __future__ import annotations

import re

from . import words
from .names import Names

_SCALE = re.compile(r"\b(anchor|floor|ceiling|target|band|value function|weight)s?\b", re.IGNORECASE)


def anchors(names: Names, document: dict) -> list[str]:
    """One sentence for each way in which anchors came about, and what was recorded of later changes."""
    before: dict[str, list[str]] = {}
    scale, late, data = [], [], []
    order = {code: i for i, code in enumerate(names.criteria)}
    for row in sorted(document.get("criteria") or [], key=lambda row: order.get(row["criterion"], len(order))):
        flags = row.get("flags") or []
        name = f"“{names.criterion(row['criterion'])}”"
        if row.get("reason") or row["kind"] == "certification":
            continue  # verified or not: there is no scale to be set
        if "anchors_from_data" in flags:
            data.append(name)
        elif "anchors_not_before_data" in flags:
            late.append(name)
        elif row.get("anchors_set_at"):
            before.setdefault(words.day(row["anchors_set_at"]), []).append(name)
        else:
            scale.append(name)
    said = [f"Set on {day}, before the first reading: {words.listed(found)}." for day, found in before.items()]
    if scale:
        said.append(f"Scored on the whole of their own scale: {words.listed(scale)}.")
    if late:
        said.append(f"Not shown to be set before the first reading: {words.listed(late)}.")
    if data:
        said.append(f"Taken from the results, so that the scale moves with them: {words.listed(data)}.")
    return said + _changes(names) if said else []


def _changes(names: Names) -> list[str]:
    """Recorded changes of what scores how; the plan's other changes stand in its own list."""
    changed = []
    for row in sorted(names.tables["deviations"].rows(), key=lambda row: row["at"]):
        if _SCALE.search(row["what"]):
            what = words.typeset(row["what"])
            if row["from"] or row["to"]:
                what += f", from {words.typeset(row['from']) or 'nothing'} to {words.typeset(row['to']) or 'nothing'}"
            why = words.sentence(words.typeset(row["why"]))
            changed.append(f"Changed on {words.day(row['at'])} by {row['by']}: {words.sentence(what)} {why}".strip())
    return changed or ["No later change of an anchor or a weight is recorded."]

"""Readings that an earlier comparison took and this one uses again: a run of their own says so."""

from __future__ import annotations

from . import words
from .names import Names
from .numbers import counted

# How the reason of such a run begins. Readers see the whole sentence.
CARRIED = "Carried over from "


def is_carried(reason: str) -> bool:
    return reason.startswith(CARRIED)


def carried(names: Names) -> list[dict]:
    """Each trial with readings of an earlier comparison: which products, how many readings, taken when, and why
    they may stand beside new ones."""
    runs = {
        (row["trial"], row["run"]): row for row in names.tables["runs"].rows() if is_carried(row["reason"])
    }
    if not runs:
        return []
    readings = names.tables["readings"]
    found: dict[tuple, dict] = {key: {"n": 0, "products": set(), "days": set()} for key in runs}
    for trial, run, product, taken in zip(
        readings["trial"], readings["run"], readings["product"], readings["taken_at"], strict=True
    ):
        if (trial, run) in found:
            one = found[trial, run]
            one["n"] += 1
            one["products"].add(names.product(product))
            if taken:
                one["days"].add(taken[:10])
    pooled = {}
    for row in names.tables["runs"].rows():
        if row["pooled_because"]:
            pooled.setdefault(row["trial"], row["pooled_because"])
    return [
        {
            "trial": names.trial(trial), "anchor": f"trial-{trial}", "reason": words.typeset(row["reason"]),
            "products": words.listed(sorted(found[trial, run]["products"])),
            "n": counted(found[trial, run]["n"], "reading"), "taken": _days(found[trial, run]["days"]),
            "pooled": words.typeset(pooled.get(trial, "")),
        }
        for (trial, run), row in sorted(runs.items())
    ]  # fmt: skip


def _days(days: set[str]) -> str:
    if not days:
        return ""
    first, last = words.day(min(days)), words.day(max(days))
    return first if first == last else f"{first} to {last}"

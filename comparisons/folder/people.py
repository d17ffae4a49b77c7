"""Pseudonyms for the people in a study: stable, and the same when applied twice."""

from __future__ import annotations

from collections.abc import Sequence

from .tables import Tables


def pseudonyms(readings: Sequence[str], operators: Sequence[str], raters: Sequence[str]) -> dict[str, str]:
    """Name -> "person-1", "person-2", ..., by first appearance in the readings sorted by code.

    The three columns are equally long. The order hangs on the readings' codes alone, so a study whose
    people already are pseudonyms gets the same ones again, and the full and the public form agree.
    """
    names: dict[str, str] = {}
    if not any(operators) and not any(raters):
        return names
    known = set()
    for _code, operator, rater in sorted(zip(readings, operators, raters, strict=True)):
        if operator not in known or rater not in known:
            for person in (operator, rater):
                if person and person not in names:
                    names[person] = f"person-{len(names) + 1}"
            known.update((operator, rater))
    return names


def everyone(tables: Tables) -> dict[str, str]:
    """Pseudonyms of all people a study names: who read, who voided, who changed or froze the plan."""
    readings = tables["readings"]
    names = pseudonyms(readings["reading"], readings["operator"], readings["rater"])
    others = [who for _, who in sorted(zip(readings["reading"], readings["voided_by"], strict=True))]
    deviations = tables["deviations"].sorted()
    others += deviations["by"]
    others.append(tables.comparison.get("plan", {}).get("by", ""))
    for person in others:
        if person and person not in names:
            names[person] = f"person-{len(names) + 1}"
    return names

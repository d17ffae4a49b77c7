"""What was open when an edition was published, with the reasons; and readings that were corrected by a factor."""

from __future__ import annotations

from collections import Counter

from comparisons.folder.tables import number

from . import words
from .names import Names
from .numbers import counted, write


def limitations(names: Names) -> list[dict]:
    """Each open point with the editor's reason for publishing with it, in the order of the points' codes."""
    return [
        {"what": words.typeset(row["what"]), "reason": words.typeset(row["reason"])}
        for row in names.tables["limitations"].rows()
    ]


def corrections(names: Names) -> list[dict]:
    """Each correction of a gauge's readings: which, by what factor and why; one that was taken back says so.

    Readings without a day are not corrected, and of those that are, voided and replaced ones count as well.
    """
    readings = names.tables["readings"]
    taken = Counter(
        (gauge, at[:10]) for gauge, at in zip(readings["instrument"], readings["taken_at"], strict=True) if gauge and at
    )
    made = []
    for row in names.tables["corrections"].rows():
        n = sum(
            count for (gauge, day), count in taken.items()
            if gauge == row["instrument"] and row["since"] <= day <= row["until"]
        )
        made.append({
            "instrument": names.instruments.get(row["instrument"], {}).get("name") or row["instrument"],
            "since": words.day(row["since"]), "until": words.day(row["until"]), "factor": write(number(row["factor"])),
            "readings": counted(n, "reading"), "reason": words.sentence(words.typeset(row["reason"])),
            "undone": words.day(row["undone_at"]), "undone_reason": words.sentence(words.typeset(row["undone_reason"])),
        })  # fmt: skip
    return made

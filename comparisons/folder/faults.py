"""Faults in a study folder: each with file, row, column, what was found and what was expected."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

SHOWN_OF_A_KIND = 10
SHOWN = 100
LONGEST_FOUND = 60


@dataclass(frozen=True)
class Fault:
    """One fault; `str(fault)` is its line. `row` is the number that a spreadsheet shows."""

    file: str
    row: int | None
    column: str
    text: str

    def __str__(self) -> str:
        where = self.file
        if self.row:
            where += f", row {self.row}"
        if self.column:
            where += f", {column_word(self.file)} {self.column}"
        return f"{where}: {self.text}"


class Faults:
    """Collects faults; of one kind (file, column, rule) it keeps the first ten and counts the rest."""

    def __init__(self):
        self.kept: dict[tuple, list[Fault]] = {}
        self.counts: Counter = Counter()

    def __bool__(self) -> bool:
        return bool(self.counts)

    def __len__(self) -> int:
        return self.counts.total()

    def add(self, file: str, row: int | None, column: str, text: str, rule: str = "") -> None:
        """`text` says what was found and what was expected; `rule` groups faults of one kind."""
        kind = (file, column, rule or text)
        self.counts[kind] += 1
        kept = self.kept.setdefault(kind, [])
        if len(kept) < SHOWN_OF_A_KIND:
            kept.append(Fault(file, row, column, one_line(text)))

    def all(self) -> list[Fault]:
        return [fault for kept in self.kept.values() for fault in kept]

    def lines(self, limit: int = SHOWN) -> list[str]:
        """One line for each fault, and at the end how many more there are."""
        lines = []
        for kind, kept in self.kept.items():
            lines += [str(fault) for fault in kept]
            if more := self.counts[kind] - len(kept):
                file, column, _rule = kind
                where = f"{file}, {column_word(file)} {column}" if column else file
                lines.append(f"{where}: {more:,} more like the last")
        if len(lines) > limit:
            shown = sum(1 for line in lines[:limit] if not line.endswith("more like the last"))
            lines = lines[:limit] + [f"and {len(self) - shown:,} more faults; mend these first"]
        return lines

    def raise_if_any(self) -> None:
        if self:
            raise StudyError(self)


class StudyError(ValueError):
    """A study that cannot be taken; `lines` says why, one line for each fault."""

    def __init__(self, faults: Faults | str):
        self.faults = faults if isinstance(faults, Faults) else None
        self.lines = faults.lines() if isinstance(faults, Faults) else [one_line(faults)]
        super().__init__("\n".join(self.lines))


def column_word(file: str) -> str:
    return "key" if file.endswith(".toml") else "column"


def quote(text: str) -> str:
    """Text as found, short enough for a line."""
    text = one_line(text)
    if len(text) > LONGEST_FOUND:
        text = text[: LONGEST_FOUND - 1] + "…"
    return f"“{text}”"


def one_line(text: str) -> str:
    """Text without line breaks and control characters, which could also steer a terminal."""
    return re.sub(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+", " ", str(text))

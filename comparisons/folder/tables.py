"""The tables of a study once read, and what their cells mean.

A `Table` is column oriented and keeps text as typed (trimmed); `number`, `time`, `date` and `yes` say
what a cell means. `spec.SPEC` says which tables and columns there are.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC
from datetime import date as Date
from datetime import datetime as DateTime
from decimal import Decimal
from typing import TYPE_CHECKING

from .spec import ABOUT, SPEC, Column, TableSpec

if TYPE_CHECKING:
    from .source import FileSource

CODE = re.compile(r"[a-z0-9][a-z0-9._-]*")
NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
WHOLE = re.compile(r"[0-9]{1,18}")
TIME = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
    r"(?:[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?(?:Z|[+-][0-9]{2}:?[0-9]{2})?)?"
)
DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
YES = frozenset({"yes", "true", "1"})
NO = frozenset({"", "no", "false", "0"})
PASS = frozenset({"pass", "yes", "1"})
FAIL = frozenset({"fail", "no", "0"})


class Table:
    """One table: `columns` maps each column's name to its cells, text as typed; all are equally long.

    `lines` are the rows' numbers as a spreadsheet shows them (the header is row 1).
    """

    __slots__ = ("spec", "columns", "lines")

    def __init__(self, spec: TableSpec, columns: dict[str, list[str]] | None = None, lines=None):
        self.spec = spec
        columns = columns or {}
        length = len(next(iter(columns.values()))) if columns else 0
        blank = [""] * length
        self.columns = {column.name: columns.get(column.name, blank) for column in spec.columns}
        self.lines = lines if lines is not None else range(2, length + 2)

    def __len__(self) -> int:
        return len(next(iter(self.columns.values())))

    def __getitem__(self, column: str) -> list[str]:
        return self.columns[column]

    def __eq__(self, other):
        return isinstance(other, Table) and self.spec == other.spec and self.columns == other.columns

    __hash__ = None

    def __repr__(self):
        return f"<Table {self.spec.name}: {len(self)} rows>"

    def rows(self) -> Iterator[dict[str, str]]:
        """Each row as a dict of its cells."""
        names = list(self.columns)
        for cells in zip(*self.columns.values(), strict=True):
            yield dict(zip(names, cells, strict=True))

    def line(self, index: int) -> int:
        """The row number, as a spreadsheet shows it, of the row with this index."""
        return self.lines[index]

    def index(self) -> dict[str, int]:
        """The row of each code, for tables with a key of one column."""
        return {code: i for i, code in enumerate(self.columns[self.spec.key[0]])}

    def take(self, indices: list[int]) -> Table:
        """The table with these rows, in this order."""
        columns = {name: [cells[i] for i in indices] for name, cells in self.columns.items()}
        return Table(self.spec, columns)

    def sorted(self) -> Table:
        """The table in the order of its key."""
        keys = list(zip(*(self.columns[name] for name in self.spec.key), strict=True))
        if all(a <= b for a, b in zip(keys, keys[1:], strict=False)):
            return self
        return self.take(sorted(range(len(keys)), key=keys.__getitem__))

    def with_columns(self, **columns: list[str]) -> Table:
        return Table(self.spec, {**self.columns, **columns}, self.lines)

    @classmethod
    def from_rows(cls, name: str, rows) -> Table:
        """A table from rows of cells in the order of the specification."""
        spec = SPEC[name]
        columns = [list(cells) for cells in zip(*rows, strict=True)] or [[] for _ in spec.columns]
        return cls(spec, {c.name: cells for c, cells in zip(spec.columns, columns, strict=True)})


class Tables(dict):
    """A whole study: each table by name (all of them, empty where there is no file), and beside them

    `comparison`: comparison.toml as a dict, its numbers Decimal (seed: int); `article`: Markdown;
    `package`: datapackage.json without what export writes anew; `files`: path -> FileSource.
    """

    def __init__(self, tables=None, comparison=None, article="", package=None, files=None):
        super().__init__({name: Table(spec) for name, spec in SPEC.items()})
        self.update(tables or {})
        self.comparison: dict = comparison or {}
        self.article: str = article
        self.package: dict = package or {}
        self.files: dict[str, FileSource] = files or {}

    def replace(self, tables=None, **parts) -> Tables:
        """A copy with some tables or parts exchanged."""
        new = Tables({**self, **(tables or {})}, self.comparison, self.article, self.package, self.files)
        for name, part in parts.items():
            setattr(new, name, part)
        return new


def number(text: str) -> Decimal | None:
    """A cell's number, exactly as typed; None where the cell is blank. ValueError where it is no number."""
    if not text:
        return None
    if not NUMBER.fullmatch(text):
        raise ValueError(f"found “{text}”, expected a number such as 12.5")
    return Decimal(text)


def whole(text: str) -> int | None:
    """A cell's whole number; None where the cell is blank."""
    return int(text) if text else None


def date(text: str) -> Date | None:
    """A cell's date; None where the cell is blank. ValueError where there is no such day."""
    if not text:
        return None
    if not DATE.fullmatch(text):
        raise ValueError(f"found “{text}”, expected a date such as 2026-03-31")
    return Date.fromisoformat(text)


def moment(text: str) -> DateTime | None:
    """A cell's moment in UTC (a time without a zone is UTC); None where the cell is blank."""
    if not text:
        return None
    if not TIME.fullmatch(text):
        raise ValueError(f"found “{text}”, expected a time such as 2026-03-31T14:05:00+02:00")
    moment = DateTime.fromisoformat(text)
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


time = moment


def yes(text: str) -> bool:
    """Whether a yes/no cell says yes; blank is no."""
    return text.lower() in YES


def passed(text: str) -> bool:
    """Whether a pass/fail reading passed. ValueError where it says neither."""
    word = text.lower()
    if word not in PASS and word not in FAIL:
        raise ValueError(f"found “{text}”, expected pass or fail (or yes, no, 1, 0)")
    return word in PASS


def dimensions(text: str) -> list[str]:
    """The property codes of a `divide_by` cell, in the order written."""
    return [code.strip() for code in text.split("*") if code.strip()]


def meaning(column: Column, text: str) -> str:
    """A cell in one fixed spelling, where several mean the same: yes/no, whole numbers, blank defaults."""
    if column.kind == "yesno":
        return "yes" if yes(text) else "no"
    if column.kind == "integer" and text:
        return str(int(text))
    if column.several:
        return "*".join(dimensions(text))
    return text or column.default


def settled(tables: Tables) -> Tables:
    """The same study with each cell in one fixed spelling and each table in the order of its key.

    Two studies say the same when their settled forms are equal; what remains typed text (numbers,
    times) stays as typed. A trial's blank revision becomes the only one; a blank digest of a file
    becomes that of its bytes.
    """
    new = {}
    for name, table in tables.items():
        columns = {}
        for column in table.spec.columns:
            cells = table.columns[column.name]
            if column.kind in ("yesno", "integer") or column.several or column.default:
                spelled = {text: meaning(column, text) for text in set(cells)}
                cells = [spelled[text] for text in cells]
            columns[column.name] = cells
        new[name] = Table(table.spec, columns)
    only = only_revisions(new["methods"])
    trials = new["trials"]
    new["trials"] = trials.with_columns(
        revision=[r or only.get(m, "") for m, r in zip(trials["method"], trials["revision"], strict=True)]
    )
    files = new["files"]
    new["files"] = files.with_columns(
        sha256=[
            text.lower() or (tables.files[path].sha256() if path in tables.files else "")
            for path, text in zip(files["file"], files["sha256"], strict=True)
        ]
    )
    return tables.replace({name: table.sorted() for name, table in new.items()})


def only_revisions(methods: Table) -> dict[str, str]:
    """Of each method with one revision, that revision."""
    revisions: dict[str, set[str]] = {}
    for method, revision in zip(methods["method"], methods["revision"], strict=True):
        revisions.setdefault(method, set()).add(revision)
    return {method: next(iter(found)) for method, found in revisions.items() if len(found) == 1}


def differences(a: Tables, b: Tables, limit: int = 20) -> list[str]:
    """Where two studies differ, in words; empty where they say the same."""
    a, b = settled(a), settled(b)
    found = []
    for name in SPEC:
        left, right = list(a[name].rows()), list(b[name].rows())
        if len(left) != len(right):
            found.append(f"{name}: {len(left)} rows and {len(right)}")
        for one, other in zip(left, right, strict=False):
            key = " ".join(one[k] for k in SPEC[name].key)
            found += [
                f"{name}, {key}, {column}: “{one[column]}” and “{other[column]}”"
                for column in one
                if one[column] != other[column]
            ]
    for part in ("comparison", "article", "package"):
        if getattr(a, part) != getattr(b, part):
            found.append(f"{part}: {getattr(a, part)!r} and {getattr(b, part)!r}")
    digests = [{path: source.sha256() for path, source in t.files.items()} for t in (a, b)]
    if digests[0] != digests[1]:
        found.append("files differ")
    return found[:limit]


__all__ = [
    "ABOUT",
    "SPEC",
    "Column",
    "Table",
    "TableSpec",
    "Tables",
    "date",
    "differences",
    "dimensions",
    "meaning",
    "moment",
    "number",
    "only_revisions",
    "passed",
    "settled",
    "time",
    "whole",
    "yes",
]

"""Digests of a study: what an evaluation rests on, what an approval binds, and all of it.

Cells cannot hold control characters, so the unit and record separators of ASCII part them without
doubt. Rows are taken in the order of their key and columns in that of the specification: the order in a
file never counts. Yes/no, whole numbers and blank defaults are spelled in one way.
"""

from __future__ import annotations

import hashlib
import json
from decimal import Decimal

from .people import pseudonyms
from .spec import SPEC
from .tables import Table, Tables, meaning, only_revisions, yes

INPUTS = "evenhand-inputs/1"
APPROVAL = "evenhand-approval/1"
CONTENT = "evenhand-content/1"

# Of comparison.toml, what no number rests on.
_NAMES = ("title", "question", "kind")


def inputs_digest(tables: Tables) -> str:
    """SHA-256 of what an evaluation rests on: codes, values and the rules of comparison.toml.

    Names, notes, times of entry, files and the article do not count. People count as pseudonyms, so the
    full and the public form of a study have one digest.
    """
    digest = hashlib.sha256(INPUTS.encode())
    readings = tables["readings"]
    people = pseudonyms(readings["reading"], readings["operator"], readings["rater"]) | {"": ""}
    for name, spec in SPEC.items():
        if not spec.inputs or spec.added and not len(tables[name]):
            continue
        columns = {
            column.name: _spelled(tables, name, column, people if column.private == "pseudonym" else None)
            for column in spec.columns
            if column.inputs and _counts(tables[name], column)
        }
        _update(digest, tables[name], columns)
    digest.update(_canonical(_inputs_of(tables.comparison)))
    return digest.hexdigest()


def approval_digest(tables: Tables) -> str:
    """SHA-256 of all that readers will see: the inputs and, beside them, names, article, files, awards.

    It is taken from the full form; what the public form leaves out does not count.
    """
    digest = hashlib.sha256(APPROVAL.encode())
    digest.update(inputs_digest(tables).encode())
    for name, spec in SPEC.items():
        table = tables[name]
        if spec.added and not len(table):
            continue
        if name == "answers":
            table = table.take([i for i, text in enumerate(table["published"]) if yes(text)])
        if name == "files":
            kinds = enumerate(zip(table["about"], table["kind"], strict=True))
            table = table.take([i for i, (about, kind) in kinds if is_public(about, kind)])
            table = table.with_columns(sha256=_file_digests(tables, table))
        shown = [column for column in spec.columns if not column.private and _counts(table, column)]
        columns = {c.name: [meaning(c, text) for text in table[c.name]] for c in shown}
        _update(digest, table, columns)
    plan = {name: text for name, text in tables.comparison.get("plan", {}).items() if name != "by"}
    comparison = tables.comparison | {"plan": {"frozen_at": "", **plan}}
    digest.update(_canonical([comparison, tables.article, tables.package]))
    return digest.hexdigest()


def content_digest(tables: Tables) -> str:
    """SHA-256 of a whole study: equal when two say the same, private parts included."""
    digest = hashlib.sha256(CONTENT.encode())
    for name, spec in SPEC.items():
        if spec.added and not len(tables[name]):
            continue
        columns = {c.name: _spelled(tables, name, c, None) for c in spec.columns if _counts(tables[name], c)}
        if name == "files":
            columns["sha256"] = _file_digests(tables, tables[name])
        _update(digest, tables[name], columns)
    digest.update(_canonical([tables.comparison, tables.article, tables.package]))
    return digest.hexdigest()


def _counts(table: Table, column) -> bool:
    """A column that came later counts once something stands in it."""
    return not column.added or any(table[column.name])


def is_public(about: str, kind: str) -> bool:
    """Whether a file may be seen by readers: receipts and what hangs on a purchase may not."""
    return about != "purchase" and kind.lower() != "receipt"


def _file_digests(tables: Tables, table: Table) -> list[str]:
    return [
        text.lower() or (tables.files[path].sha256() if path in tables.files else "")
        for path, text in zip(table["file"], table["sha256"], strict=True)
    ]


def _spelled(tables: Tables, name: str, column, people: dict[str, str] | None) -> list[str]:
    cells = tables[name][column.name]
    if people is not None:
        return [people[text] for text in cells]
    if name == "trials" and column.name == "revision":
        only = only_revisions(tables["methods"])
        return [text or only.get(m, "") for m, text in zip(tables[name]["method"], cells, strict=True)]
    spelled = {text: meaning(column, text) for text in set(cells)}
    return [spelled[text] for text in cells]


def _update(digest, table: Table, columns: dict[str, list[str]]) -> None:
    keys = list(zip(*(table[name] for name in table.spec.key), strict=True))
    rows = list(zip(*columns.values(), strict=True))
    digest.update("\x1f".join(["\x1d" + table.spec.name, *columns]).encode() + b"\x1e")
    for i in sorted(range(len(rows)), key=keys.__getitem__):
        digest.update("\x1f".join(rows[i]).encode())
        digest.update(b"\x1e")


def _frozen_at(comparison: dict) -> str:
    """When the plan was frozen; by whom is a person's name and does not count."""
    return comparison.get("plan", {}).get("frozen_at", "")


def _inputs_of(comparison: dict) -> dict:
    kept = {key: value for key, value in comparison.items() if key not in _NAMES}
    kept["plan"] = {"frozen_at": _frozen_at(comparison)}
    for name in ("criterion", "weighting"):
        rows = [{k: v for k, v in row.items() if k != "name"} for row in comparison.get(name, [])]
        kept[name] = sorted(rows, key=lambda row: row.get("id", ""))
    return kept


def _canonical(value) -> bytes:
    def plain(item):
        if isinstance(item, Decimal):
            return str(item)
        raise TypeError(f"{type(item).__name__} in a study")

    return json.dumps(value, sort_keys=True, ensure_ascii=True, separators=(",", ":"), default=plain).encode()

"""Rows of products, purchases and claims held against the rules of the study folder, before they are stored.

One set of rules for what is typed on the desk, pasted, and imported: what is stored can be exported, and
what was exported can be read again.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.utils import timezone

from comparisons.folder.cells import check_cells
from comparisons.folder.checks import check_study
from comparisons.folder.faults import Fault, Faults, one_line
from comparisons.folder.spec import SPEC
from comparisons.folder.tables import Table, Tables
from specimens import models as sm

from .editing import Invalid

MODELS = {"purchases": sm.Purchase, "units": sm.Unit, "claims": sm.Claim, "products": sm.ProgrammeProduct}
# Columns of the study folder that go by another name in the database.
FIELD = {
    "purchases": {"purchase": "code"}, "units": {"unit": "code"}, "claims": {"claim": "code"},
    "products": {"product": "code", "maker": "product__maker", "model": "product__model",
                 "variant": "product__variant"},
}  # fmt: skip
_DAYS = ("bought_on", "seen_on", "checked_on")


@dataclass(frozen=True)
class RowFault:
    """What is wrong in one cell: the row's index (from 0), the study folder's column, what was found and expected."""

    row: int
    column: str
    text: str


class _AllFaults(Faults):
    """Faults of which none is left out: a person mends them cell by cell."""

    def add(self, file, row, column, text, rule=""):
        self.counts[file] += 1
        self.kept.setdefault(file, []).append(Fault(file, row, column, one_line(text)))


def row_faults(programme: sm.Programme, name: str, rows: list[dict], *, replacing=frozenset()) -> list[RowFault]:
    """What an import would say of these rows of a table (purchases, units, claims, products) in this programme.

    rows: cells by column, as text; missing ones are blank. They are looked at beside the rows that are
    stored, without those whose codes `replacing` names. Days may not lie ahead. Six queries.
    """
    stored = stored_rows(programme)
    key = SPEC[name].key[0]
    kept = [row for row in stored[name] if row[key] not in replacing]
    columns = {c.name: [row.get(c.name, "") for row in [*kept, *rows]] for c in SPEC[name].columns}
    lines = [0] * len(kept) + list(range(1, len(rows) + 1))  # 0: a stored row, of which nothing is told
    tables = {
        other: Table(SPEC[other], {c.name: [row.get(c.name, "") for row in found] for c in SPEC[other].columns})
        for other, found in stored.items() if other != name
    }  # fmt: skip
    table = Table(SPEC[name], columns, lines)
    faults = _AllFaults()
    check_cells(table, faults)
    check_study(Tables({**tables, name: table}, {"currency": _currency(programme)}), faults, set())
    found = {
        RowFault(f.row - 1, f.column, f.text): None
        for f in faults.all() if f.file == SPEC[name].file and f.row
    }  # fmt: skip
    found |= dict.fromkeys(_ahead(name, rows))
    return sorted(found, key=lambda fault: (fault.row, list(SPEC[name].by_name).index(fault.column)))



def _ahead(name: str, rows: list[dict]):
    today = timezone.localdate()
    for i, row in enumerate(rows):
        for column in _DAYS:
            text = row.get(column, "")
            try:
                day = date.fromisoformat(text) if text else None
            except ValueError:
                continue
            if day and day > today:
                yield RowFault(i, column, f"found {text}, which lies ahead, expected today or a day before")


def check_row(programme: sm.Programme, name: str, row: dict, fields: dict | None = None, *, replacing=frozenset()):
    """Raise editing.Invalid, with lines by form field, where a row breaks a rule. fields: column -> field."""
    errors: dict[str, list[str]] = {}
    for fault in row_faults(programme, name, [row], replacing=replacing):
        field = (fields or {}).get(fault.column, fault.column)
        errors.setdefault(field, []).append(_sentence(fault.text))
    if errors:
        raise Invalid(errors)


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "?")) else f"{text}."


def _currency(programme) -> str:
    return programme.comparisons.order_by("pk").values_list("currency", flat=True).first() or ""


def cells_of(row, name: str) -> dict[str, str]:
    """A stored row, or one that is about to be, as the cells of its table."""
    cells = {}
    for column in SPEC[name].columns:
        value = row
        for part in FIELD[name].get(column.name, column.name).split("__"):
            value = getattr(value, part, "")
        cells[column.name] = _cell(value)
    return cells


def _cell(value) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(getattr(value, "code", value))


def stored_tables(programme: sm.Programme) -> Tables:
    """Products, purchases, units, properties, conditions, trials and claims of a programme; nothing measured."""
    made = {
        name: Table(SPEC[name], {c.name: [row.get(c.name, "") for row in rows] for c in SPEC[name].columns})
        for name, rows in stored_rows(programme).items()
    }
    return Tables(made, {"slug": programme.slug, "currency": _currency(programme) or "XXX", "seed": 1})


def stored_rows(programme) -> dict[str, list[dict]]:
    """What the rules of these tables look at, as cells. Seven queries."""
    found: dict[str, list[dict]] = {}
    products = programme.products.select_related("product")
    found["products"] = [cells_of(row, "products") for row in products]
    code = {row.pk: row.code for row in products}
    purchases = list(programme.purchases.all())
    found["purchases"] = [_with(row, "purchases", {"product": code[row.product_id]}) for row in purchases]
    bought = {row.pk: row.code for row in purchases}
    found["units"] = [
        _with(row, "units", {"product": code[row.product_id], "purchase": bought.get(row.purchase_id, "")})
        for row in programme.units.all()
    ]
    found["properties"] = [
        {"property": p.code, "name": p.name, "reading": p.kind, "unit": p.unit, "better": p.better,
         "tolerance_pct": _cell(p.tolerance_pct), "scale_low": _cell(p.scale_low), "scale_high": _cell(p.scale_high)}
        for p in programme.properties.all()
    ]  # fmt: skip
    found["conditions"] = [{"condition": c} for c in programme.conditions.values_list("code", flat=True)]
    found["trials"] = [
        {"trial": code, "property": prop, "condition": condition or "", "baseline": baseline or ""}
        for code, prop, condition, baseline in programme.trials.values_list(
            "code", "property__code", "condition__code", "baseline__code"
        )
    ]
    fields = [c.name for c in SPEC["claims"].columns]
    paths = [{"claim": "code", "product": "product__code", "property": "property__code", "trial": "trial__code",
              "condition": "condition__code"}.get(name, name) for name in fields]  # fmt: skip
    found["claims"] = [
        dict(zip(fields, map(_cell, row), strict=True)) for row in programme.claims.values_list(*paths)
    ]
    return found


def _with(row, name: str, codes: dict[str, str]) -> dict[str, str]:
    """Cells of a row whose references are known by code, so that none is fetched."""
    cells = {}
    for column in SPEC[name].columns:
        field = FIELD[name].get(column.name, column.name)
        cells[column.name] = codes[column.name] if column.name in codes else _cell(getattr(row, field))
    return cells

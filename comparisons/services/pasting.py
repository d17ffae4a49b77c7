"""Claims, products and purchases pasted from a spreadsheet: looked at first, cell by cell, then stored at once.

Nothing is stored until each cell is right, or until the person leaves the rows that are wrong out. What is
stored is stored in one transaction. The rules are those of the study folder (`row_checks`).
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass, field

from django.db import IntegrityError, transaction

from comparisons.folder.faults import quote
from comparisons.folder.spec import SPEC
from comparisons.models import Comparison
from specimens.models import Claim, Product, Programme, ProgrammeProduct, Purchase, Unit

from .claiming import AMOUNTS, claim_code
from .errors import NotReady, Refused
from .products import as_code, free_code
from .record import lock_programme, record
from .roles import require_preparer
from .row_checks import RowFault, row_faults, stored_rows

MOST_ROWS = 5_000
MOST_BYTES = 2**20
SEPARATORS = {"tab": "\t", "semicolon": ";", "comma": ","}

CLAIMS = (
    "product", "property", "sense", "value", "low", "high", "tolerance_minus", "tolerance_plus", "unit", "source",
    "wording", "seen_on", "scope", "of", "condition", "trial", "certification_state", "reference", "checked_on",
    "not_tested_because",
)  # fmt: skip
PRODUCTS = (
    "maker", "model", "variant", "obtained", "seller", "bought_on", "price", "shipping", "currency", "packs",
    "items_per_pack", "content", "content_unit", "lot", "units", "notes",
)  # fmt: skip
COLUMNS = {"claims": CLAIMS, "products": PRODUCTS}
# Without a header the columns are taken in this order.
ORDER = {
    "claims": ("product", "property", "sense", "value", "unit", "source", "wording", "seen_on"),
    "products": ("maker", "model", "variant", "obtained", "seller", "bought_on", "price", "currency", "packs",
                 "items_per_pack", "lot"),
}  # fmt: skip
WORDS = {  # what a head may say besides the column's own name
    "claims": {"claim": "sense", "min": "low", "max": "high", "date": "seen_on", "text": "wording",
               "tolerance_below": "tolerance_minus", "tolerance_above": "tolerance_plus", "after": "condition",
               "tested_by": "trial", "state": "certification_state", "number": "reference"},
    "products": {"how_obtained": "obtained", "shop": "seller", "date": "bought_on", "items": "items_per_pack"},
}  # fmt: skip
_SENSES = {"at least": "at_least", "min": "at_least", "min.": "at_least", "≥": "at_least", "at most": "at_most",
           "max": "at_most", "max.": "at_most", "≤": "at_most", "y": "yes"}  # fmt: skip
_NUMBERS = {
    c.name for name in ("claims", "purchases") for c in SPEC[name].columns if c.kind == "number"
}
# Control characters, marks of direction, and what stands in the place of a character that was lost.
_UNPRINTED = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069\ufffd]")


@dataclass
class Row:
    """One pasted row. line: as the spreadsheet counts from the first pasted line; cells: as typed, by column."""

    line: int
    cells: dict[str, str]
    faults: dict[str, str] = field(default_factory=dict)


@dataclass
class Pasted:
    """What was pasted and what is wrong with it. trouble: why none of it can be read, one line."""

    kind: str
    columns: list[str] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    trouble: str = ""
    made: list[dict] = field(default_factory=list)

    @property
    def bad(self) -> list[Row]:
        return [row for row in self.rows if row.faults]

    @property
    def good(self) -> list[Row]:
        return [row for row in self.rows if not row.faults]

    def faults(self) -> list[dict]:
        """Each bad cell: line, column, what was found and what is expected."""
        return [
            {"line": row.line, "column": column.replace("_", " "), "text": text}
            for row in self.rows for column, text in row.faults.items()
        ]  # fmt: skip


def read(kind: str, programme: Programme, text: str, *, separator: str = "", comma: bool = False,
         header: str = "auto") -> Pasted:  # fmt: skip
    """What a pasted text holds, with what is wrong in each cell. Nothing is stored.

    kind: claims or products. separator: tab, semicolon, comma; blank: found out. comma: numbers have a
    decimal comma. header: yes, no, or auto (whether the first row names columns).
    """
    pasted = Pasted(kind)
    if len(text.encode()) > MOST_BYTES:
        pasted.trouble = f"Found {len(text.encode()) / 2**20:.1f} MB, expected at most 1 MB: paste it in parts."
        return pasted
    lines = _lines(text, SEPARATORS.get(separator) or _separator(text))
    if lines is None:
        pasted.trouble = "A quotation mark is opened and never closed: look for a single \" in the text."
        return pasted
    if not lines:
        pasted.trouble = "Nothing was pasted."
        return pasted
    if len(lines) > MOST_ROWS + 1:
        pasted.trouble = f"Found {len(lines):,} rows, expected at most {MOST_ROWS:,}: paste them in parts."
        return pasted
    _columns(pasted, lines, header)
    if pasted.trouble or not pasted.rows:
        pasted.trouble = pasted.trouble or "Found a head and no rows below it."
        return pasted
    for row in pasted.rows:
        _plain(row, comma)
    (_look_at_claims if kind == "claims" else _look_at_products)(pasted, programme)
    return pasted


def store(actor, pasted: Pasted, programme: Programme, *, leave_out: bool = False,
          comparison: Comparison | None = None) -> str:  # fmt: skip
    """Store the rows, all at once; what was stored, in words. NotReady while a cell is wrong.

    leave_out: the rows with wrong cells are left out, as the person said.
    """
    require_preparer(actor, "paste rows")
    if pasted.trouble:
        raise NotReady(pasted.trouble)
    if pasted.bad and not leave_out:
        raise NotReady(
            f"{len(pasted.bad)} of {len(pasted.rows)} rows have a cell to mend: nothing was stored."
            " Mend them, or leave those rows out."
        )
    if not pasted.good:
        raise NotReady("Every row has a cell to mend: nothing was stored.")
    keep = _keep_claims if pasted.kind == "claims" else _keep_products
    try:
        with transaction.atomic():
            lock_programme(programme)
            # what was stored since the preview may be in the way of a row now
            again = Pasted(pasted.kind, pasted.columns, [Row(row.line, dict(row.cells)) for row in pasted.good])
            (_look_at_claims if pasted.kind == "claims" else _look_at_products)(again, programme)
            if again.bad:
                raise NotReady("Something was stored meanwhile that is in the way: look at the rows again.")
            return keep(actor, again, programme, comparison)
    except IntegrityError as error:
        raise Refused(f"The database refuses this: {str(error).splitlines()[0]}.") from error


# -- reading ---------------------------------------------------------------------------------------------


def _separator(text: str) -> str:
    first = next((line for line in text.splitlines() if line.strip()), "")
    return max("\t;,", key=lambda mark: (first.count(mark) > 0, -"\t;,".index(mark)))


def _lines(text: str, separator: str) -> list[tuple[int, list[str]]] | None:
    """(line, cells) of each row that is not blank; None where quotation marks do not match."""
    found = []
    reader = csv.reader(io.StringIO(text.lstrip("\ufeff")), delimiter=separator, strict=True)
    try:
        for n, cells in enumerate(reader, 1):
            if any(cell.strip() for cell in cells):
                found.append((n, [cell.strip() for cell in cells]))
            if len(found) > MOST_ROWS + 1:
                break
    except csv.Error:
        if separator == "\t" and '"' in text:  # an inch mark in a cell is no quotation
            rows = [line.split("\t") for line in text.lstrip("\ufeff").splitlines()]
            return [(n, [c.strip() for c in row]) for n, row in enumerate(rows, 1) if any(c.strip() for c in row)]
        return None
    return found


def _head(kind: str, cell: str) -> str:
    """The column that a head names; "" where none."""
    name = re.sub(r"[\s_-]+", "_", cell.strip().lower()).strip("_")
    return name if name in COLUMNS[kind] else WORDS[kind].get(name, "")


def _columns(pasted: Pasted, lines, header: str) -> None:
    kind, first = pasted.kind, lines[0][1]
    heads = [_head(kind, cell) for cell in first]
    named = header == "yes" or header == "auto" and sum(map(bool, heads)) >= max(2, len(first) // 2)
    if named:
        unknown = [cell for cell, name in zip(first, heads, strict=True) if cell and not name]
        if unknown:
            pasted.trouble = (
                f"Found the column {quote(unknown[0])}, expected names out of: "
                f"{', '.join(name.replace('_', ' ') for name in COLUMNS[kind])}."
            )
            return
        if len(set(filter(None, heads))) < len([h for h in heads if h]):
            pasted.trouble = "Found a column twice in the first row, expected each once."
            return
        missing = [name for name in COLUMNS[kind][:2] if name not in heads]
        if missing:
            pasted.trouble = f"Found no column “{missing[0]}” in the first row, expected one."
            return
        body = lines[1:]
    else:
        heads, body = list(ORDER[kind]), lines
    pasted.columns = [name for name in heads if name]
    for line, cells in body:
        row = Row(line, {name: cell for name, cell in zip(heads, cells, strict=False) if name})
        beyond = [cell for cell in cells[len(heads) :] if cell]
        if beyond:
            row.faults[pasted.columns[-1]] = f"found {quote(beyond[0])} behind the last column, expected nothing there"
        pasted.rows.append(row)


def _plain(row: Row, comma: bool) -> None:
    """Numbers with a decimal point; a character that no text has is a fault of its cell."""
    for name, cell in row.cells.items():
        if _UNPRINTED.search(cell):
            row.faults[name] = "found a character that does not print, expected plain text"
            row.cells[name] = _UNPRINTED.sub("\ufffd", cell)
        elif comma and name in _NUMBERS and "," in cell:
            if re.fullmatch(r"[+-]?[0-9]*,[0-9]+", cell):
                row.cells[name] = cell.replace(",", ".")
            else:
                row.faults[name] = f"found {quote(cell)}, expected a number such as 12,5"
        elif comma and name in _NUMBERS and re.fullmatch(r"[+-]?[0-9]{1,3}(\.[0-9]{3})+", cell):
            row.faults[name] = f"found {quote(cell)}, expected a number such as 12,5, without a mark for thousands"


def _told(pasted: Pasted, faults: list[RowFault], at: dict[int, Row], names: dict[str, str]) -> None:
    for fault in faults:
        column = names.get(fault.column, fault.column)
        at[fault.row].faults.setdefault(column if column in COLUMNS[pasted.kind] else pasted.columns[0], fault.text)


# -- claims ----------------------------------------------------------------------------------------------


def _look_at_claims(pasted: Pasted, programme: Programme) -> None:
    products = _by_name((p.code, str(p)) for p in programme.products.select_related("product"))
    properties = list(programme.properties.all())
    props = _by_name((p.code, str(p)) for p in properties)
    kinds = {p.code: p.kind for p in properties}
    stored = stored_rows(programme)["claims"]
    taken = {cells["claim"] for cells in stored}
    there = {_same_claim(cells): cells["claim"] for cells in stored}
    rows, at = [], {}
    for row in pasted.rows:
        cells = dict(row.cells)
        for name, known, what in (("product", products, "product"), ("property", props, "property")):
            found = known.get(_key(cells.get(name, "")))
            if found is None:
                row.faults.setdefault(name, _unknown(cells.get(name, ""), what, known))
            else:
                cells[name] = found
        if "product" in row.faults or "property" in row.faults:
            continue
        kind = kinds[cells["property"]]
        sense = cells.get("sense", "").lower()
        cells["sense"] = _SENSES.get(sense, sense.replace(" ", "_"))
        if not cells["sense"] and kind in ("pass_fail", "certification"):
            cells["sense"] = "yes"
        if cells.get("scope"):
            cells["scope"] = {"typical item": "typical", "every item": "every"}.get(cells["scope"].lower(),
                                                                                   cells["scope"].lower())  # fmt: skip
        for name in ("of", "certification_state", "trial", "condition"):
            if cells.get(name):
                cells[name] = cells[name].strip().lower().replace(" ", "_" if name == "certification_state" else " ")
        for name in ("value", "low", "high", "tolerance_minus", "tolerance_plus"):
            if cells.get(name) and name not in AMOUNTS.get(cells["sense"], {name}):
                row.faults.setdefault(name, f"found {quote(cells[name])}, expected nothing: a claim of "
                                      f"“{cells['sense'].replace('_', ' ')}” has none")  # fmt: skip
        if cells.get("certification_state") == "verified" and not cells.get("reference"):
            row.faults.setdefault("reference", "found nothing, expected the number in the issuer’s directory")
        if (code := there.get(_same_claim(cells))) and not row.faults:
            row.faults["product"] = f"found what is written down already as {code}, expected something new"
            continue
        cells["claim"] = claim_code(cells["product"], cells["property"], taken)
        taken.add(cells["claim"])
        at[len(rows)] = row
        rows.append(cells)
    _told(pasted, row_faults(programme, "claims", rows), at, {"claim": "product"})
    pasted.made = [cells for i, cells in enumerate(rows) if not at[i].faults]


def _same_claim(cells: dict[str, str]) -> tuple:
    """What makes two rows one claim: the same amounts for the same thing, from the same source."""
    defaults = {"of": "value", "scope": "typical"}
    names = ("product", "property", "trial", "condition", "of", "scope", "sense", "value", "low", "high", "unit",
             "source")  # fmt: skip
    return tuple(cells.get(name) or defaults.get(name, "") for name in names)


def _key(text: str) -> str:
    return " ".join(text.lower().split())


def _by_name(pairs) -> dict[str, str]:
    """Codes by code and by name; a name that two have says nothing."""
    known: dict[str, str] = {}
    names: dict[str, set[str]] = {}
    for code, name in pairs:
        known[code] = code
        names.setdefault(_key(name), set()).add(code)
    return {name: next(iter(codes)) for name, codes in names.items() if len(codes) == 1} | known


def _unknown(text: str, what: str, known: dict) -> str:
    if not text:
        return f"found nothing, expected a {what}"
    near = [name for name in known if _key(text) in name or name in _key(text)][:3]
    hint = f", such as {' or '.join(near)}" if near else ""
    return f"found {quote(text)}, expected the code or the name of a {what} of this comparison{hint}"


def _keep_claims(actor, pasted: Pasted, programme: Programme, comparison) -> str:
    ids = {
        name: dict(rows.values_list("code", "pk"))
        for name, rows in (("product", programme.products), ("property", programme.properties),
                           ("trial", programme.trials), ("condition", programme.conditions))
    }  # fmt: skip
    made = []
    for cells in pasted.made:
        claim = Claim(programme=programme, code=cells["claim"], of=cells.get("of") or "value",
                      scope=cells.get("scope") or "typical", sense=cells["sense"])  # fmt: skip
        for name, known in ids.items():
            setattr(claim, f"{name}_id", known.get(cells.get(name, "")))
        for name in ("value", "low", "high", "tolerance_minus", "tolerance_plus", "seen_on", "checked_on"):
            setattr(claim, name, Claim._meta.get_field(name).to_python(cells.get(name) or None))
        for name in ("unit", "source", "wording", "certification_state", "reference", "not_tested_because"):
            setattr(claim, name, cells.get(name, ""))
        made.append(claim)
    Claim.objects.bulk_create(made, batch_size=500)
    record(
        actor, "pasted", comparison=comparison, programme=programme, thing="claims",
        code=f"{made[0].code} and {len(made) - 1} more" if len(made) > 1 else made[0].code,
        after={"rows": [{k: v for k, v in cells.items() if v} for cells in pasted.made]}, changes_draft=True,
    )  # fmt: skip
    return f"{len(made)} claim{'' if len(made) == 1 else 's'} stored"


# -- products and purchases ------------------------------------------------------------------------------

_BOUGHT = set(PRODUCTS) - {"maker", "model", "variant", "notes", "units"}


def _look_at_products(pasted: Pasted, programme: Programme) -> None:
    own = {
        (p.product.maker.lower(), p.product.model.lower(), p.product.variant.lower()): p.code
        for p in programme.products.select_related("product")
    }
    taken = set(programme.products.values_list("code", flat=True))
    stored = stored_rows(programme)["purchases"]
    purchases = {cells["purchase"] for cells in stored}
    there = {_same_purchase(cells) for cells in stored}
    currency = programme.comparisons.order_by("pk").values_list("currency", flat=True).first() or ""
    counts: dict[str, int] = {}
    product_rows, purchase_rows, at_product, at_purchase, made = [], [], {}, {}, []
    for row in pasted.rows:
        cells = {name: " ".join(text.split()) if name in ("maker", "model", "variant") else text
                 for name, text in row.cells.items()}  # fmt: skip
        identity = tuple(cells.get(name, "").lower() for name in ("maker", "model", "variant"))
        for name in ("maker", "model"):
            if not cells.get(name):
                row.faults.setdefault(name, f"found nothing, expected the {name}")
        new = identity not in own
        if new and not row.faults:
            short = as_code(cells["maker"], "product")
            code = short if short not in taken else free_code(as_code(f"{cells['maker']} {cells['model']}", "product"),
                                                             taken)  # fmt: skip
            taken.add(code)
            own[identity] = code
            at_product[len(product_rows)] = row
            named = {name: cells.get(name, "") for name in ("maker", "model", "variant", "notes")}
            product_rows.append({"product": code, **named})
        units = cells.get("units", "")
        if units and not (re.fullmatch(r"[0-9]{1,3}", units) and int(units) <= 200):
            row.faults.setdefault("units", f"found {quote(units)}, expected a whole number of at most 200")
        one = {"row": row, "identity": identity, "new": new, "cells": cells, "units": units}
        if any(cells.get(name) for name in _BOUGHT):
            code = own.get(identity, "")
            bought = {name: cells.get(name, "") for name in _BOUGHT}
            bought["obtained"] = bought["obtained"].lower() or ("bought" if bought["price"] else "")
            if bought["price"] and not bought["currency"]:
                bought["currency"] = currency
            bought["currency"] = bought["currency"].upper()
            counts[code] = counts.get(code, sum(one["product"] == code for one in stored)) + 1
            bought["product"] = code
            if _same_purchase(bought) in there:
                row.faults.setdefault("maker", "found a purchase that is written down already, expected a new one")
            bought["purchase"] = free_code(f"{code or 'product'}-b{counts[code]}", purchases)
            purchases.add(bought["purchase"])
            at_purchase[len(purchase_rows)] = row
            purchase_rows.append(bought)
            one["bought"] = bought
        made.append(one)
    _told(pasted, row_faults(programme, "products", product_rows), at_product, {"product": "maker"})
    known = {code: row for code, row in ((r["product"], at_product[i]) for i, r in enumerate(product_rows))}
    faults = [
        fault for fault in row_faults(programme, "purchases", purchase_rows)
        # a product that these rows bring along is not stored yet
        if not (fault.column == "product" and purchase_rows[fault.row]["product"] in (known.keys() | {""}))
    ]  # fmt: skip
    _told(pasted, faults, at_purchase, {"purchase": "maker", "product": "maker"})
    for one in made:  # a purchase cannot stay where the row that brings its product is left out
        first = known.get(own.get(one["identity"], ""))
        if first is not None and first.faults and first is not one["row"]:
            one["row"].faults.setdefault("maker", f"its product comes with row {first.line}, which has a cell to mend")
    pasted.made = [one for one in made if not one["row"].faults]


def _same_purchase(cells: dict[str, str]) -> tuple:
    return tuple(cells[name] for name in ("product", "obtained", "seller", "bought_on", "price", "shipping", "lot"))


def _keep_products(actor, pasted: Pasted, programme: Programme, comparison) -> str:
    team = {(p.maker.lower(), p.model.lower(), p.variant.lower()): p for p in Product.objects.filter(
        maker__in={one["cells"]["maker"] for one in pasted.made})}  # fmt: skip
    own = {
        (p.product.maker.lower(), p.product.model.lower(), p.product.variant.lower()): p
        for p in programme.products.select_related("product")
    }
    taken = set(programme.products.values_list("code", flat=True))
    unit_codes = set(programme.units.values_list("code", flat=True))
    products = purchases = units = 0
    for one in pasted.made:
        cells, identity = one["cells"], one["identity"]
        if identity not in own:
            known = team.get(identity)
            if known is None:
                known = Product.objects.create(
                    maker=cells["maker"], model=cells["model"], variant=cells.get("variant", "")
                )
                team[identity] = known
            short = as_code(known.maker, "product")
            code = short if short not in taken else free_code(as_code(f"{known.maker} {known.model}", "product"), taken)
            taken.add(code)
            own[identity] = ProgrammeProduct.objects.create(
                programme=programme, product=known, code=code, notes=cells.get("notes", "")
            )
            products += 1
        product = own[identity]
        bought = None
        if "bought" in one:
            values = one["bought"]
            bought = Purchase(programme=programme, product=product, code=values["purchase"])
            for name in _BOUGHT:
                setattr(bought, name, Purchase._meta.get_field(name).to_python(values[name] or None)
                        if name in _NUMBERS or name == "bought_on" else values[name])  # fmt: skip
            bought.save(force_insert=True)
            purchases += 1
        n = 0
        for _ in range(int(one["units"] or 0)):
            n += 1
            while f"{product.code}-{n}" in unit_codes:
                n += 1
            unit_codes.add(f"{product.code}-{n}")
            Unit.objects.create(programme=programme, product=product, purchase=bought, code=f"{product.code}-{n}",
                                lot=bought.lot if bought else "")  # fmt: skip
            units += 1
    record(
        actor, "pasted", comparison=comparison, programme=programme, thing="products",
        code=f"{len(pasted.made)} rows",
        after={"rows": [{k: v for k, v in one["cells"].items() if v} for one in pasted.made]}, changes_draft=True,
    )  # fmt: skip
    parts = [(products, "product"), (purchases, "purchase"), (units, "unit")]
    return ", ".join(f"{n} {word}{'' if n == 1 else 's'}" for n, word in parts if n) + " stored"


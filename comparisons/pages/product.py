"""Everything about one product: what is frozen of it with an edition, and its page out of the edition's tables."""

from __future__ import annotations

from . import background, promises, ranking
from .apart import apart, by_trial, called
from .names import Names
from .scoring import cards, score_table

EVIDENCE = ("product", "purchase", "claim")  # what a picture of a product may be about


def sheets(names: Names, document: dict) -> dict[str, dict]:
    """For each product what the other parts of a page tell by name alone: code -> sheet.

    How it was obtained, prices, certifications, the maker's answer, awards, scores criterion by criterion,
    where it is missing or in doubt, and pictures.
    """
    return {code: _sheet(names, document, code) for code in names.products}


class _Cut:
    """Tables with the rows of one product alone."""

    def __init__(self, tables, code: str):
        self._tables, self._code = tables, code

    def __getitem__(self, name: str):
        table = self._tables[name]
        if "product" not in table.columns:
            return table
        return table.take([i for i, code in enumerate(table["product"]) if code == self._code])


class _OneProduct:
    """The names of a study, and of its tables the rows of one product."""

    def __init__(self, names: Names, code: str):
        self._names = names
        self.tables = _Cut(names.tables, code)

    def __getattr__(self, name: str):
        return getattr(self._names, name)


def _sheet(names: Names, document: dict, code: str) -> dict:
    own = _OneProduct(names, code)
    found = {key: _of(document.get(key), code) for key in document}
    row = names.products[code]
    costs = background.costs(own, found)
    purchases = background.purchases(own)
    return {
        "maker": row["maker"],
        "model": row["model"],
        "purchases": purchases,
        "not_bought": [one["obtained"] for one in purchases if not one["bought"]],
        "costs": costs["rows"][0] if costs["rows"] else None,
        "content_unit": costs["content_unit"],
        "certifications": [
            {"title": table["title"], **{k: v for k, v in one.items() if k != "name"}}
            for table in promises.certifications(own, found)
            for one in table["rows"]
        ],
        "answers": background.answers(own),
        "awards": [{k: v for k, v in one.items() if k != "product"} for one in ranking.awards(own, found)],
        "scores": [
            {"name": names.weighting(card["weighting"]), "table": score_table(own, _card(card, code), document)}
            for card in cards(names, document)
        ],
        "absences": background.absences(own, found),
        "doubts": background.set_aside(own, found)["doubts"],
        "pictures": [one for about in EVIDENCE for one in background.pictures(own, about, _codes(own, about, code))],
    }


def _of(rows, code: str):
    """Of a list of rows that name a product, those of this one; anything else as it is."""
    if not isinstance(rows, list):
        return rows
    return [row for row in rows if not isinstance(row, dict) or row.get("product", code) == code]


def _card(card: dict, code: str) -> dict:
    return card | {"products": [row for row in card["products"] if row["product"] == code]}


def _codes(own: _OneProduct, about: str, code: str) -> list[str]:
    return [code] if about == "product" else list(own.tables[f"{about}s"][about])


def product_page(page: dict, results: dict, code: str) -> dict | None:
    """The page of one product from an edition's page and results; None where the edition has no such product.

    sheet is None where the edition was frozen before there were product pages: what it would tell stands on the
    comparison's own page.
    """
    product = next((one for one in page["products"] if one["code"] == code), None)
    if product is None:
        return None
    names = called(page)
    told = by_trial(results)
    sheet = (page.get("sheets") or {}).get(code)
    claims = _own(page["claims"], "product", code)
    return product | {
        "full_name": names[code],
        "sheet": sheet,
        "rankings": [_ranked(one, code, sheet, i) for i, one in enumerate(page["rankings"])],
        "gated": next((one for one in page["gated"] if one["code"] == code), None),
        "missed": [
            f"{table['title']}: claimed {row['claimed']}"
            for table in claims
            for row in table["rows"]
            if row["kind"] == "fail"
        ],
        "claims": claims,
        "trials": [
            table | {"told": apart(told.get(table["trial"]), names, code)}
            for table in _own(page["trials"], "code", code)
        ],
        "changes": _own(page["changes"], "code", code),
        "others": [one for one in page["products"] if one["code"] != code],
    }


def _own(tables: list[dict], key: str, code: str) -> list[dict]:
    """Of each table the rows of one product; without those that have none."""
    cut = ({**table, "rows": [row for row in table["rows"] if row[key] == code]} for table in tables)
    return [table for table in cut if table["rows"]]


def _ranked(ranking: dict, code: str, sheet: dict | None, index: int) -> dict:
    """One weighting: the product's row with its axis, or why it has no place; and its scores."""
    row = next((one for one in ranking["rows"] if one["code"] == code), None)
    table = sheet["scores"][index]["table"] if sheet and index < len(sheet["scores"]) else None
    return {
        "name": ranking["name"],
        "anchor": ranking["anchor"],
        "axis": ranking["axis"],
        "row": row,
        "of": len(ranking["rows"]),
        "columns": table["columns"] if table else [],
        "scores": table["rows"][0] if table and table["rows"] else None,
    }

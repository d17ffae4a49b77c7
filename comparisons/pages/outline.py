"""An edition in short: what lists, searches, feeds and maps of the site say of it."""

from __future__ import annotations

from .method import method_codes


def outline(page: dict) -> dict:
    """What is kept of an edition's page beside the page: texts, the first three places, and what it holds.

    products and methods map codes to names; makers are those of the products, where the edition tells them apart.
    """
    first = page["rankings"][0] if page["rankings"] else None
    sheets = page.get("sheets") or {}
    return {
        "title": page["title"],
        "question": page["question"],
        "kind": page["kind"],
        "counts": page["counts"],
        "lead": page["answer"]["lead"],
        "sure": page["answer"]["sure"],
        "ranking": first and {"name": first["name"], "axis": first["axis"], "rows": first["rows"][:3]},
        "weightings": [one["id"] for one in page["rankings"]],
        "products": {one["code"]: one["name"] for one in page["products"]},
        "variants": {one["code"]: one["variant"] for one in page["products"]},
        "makers": sorted({sheet["maker"] for sheet in sheets.values()}),
        "methods": method_codes(page),
        "trials": {one["anchor"]: one["title"] for one in page["trials"]},
        "properties": sorted({one["property"] for one in page["trials"]}),
    }

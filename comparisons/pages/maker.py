"""What a maker is shown of their own product before publication: facts about it alone, and how they came about.

No other product appears, and nothing that is told by comparing: no ranks, scores, letters or awards. Axes are drawn
from this product's own values, so that not even their ends say anything of others.
"""

from __future__ import annotations

from comparisons.folder.tables import Tables

from . import background, measured, promises, words
from .names import Names, claim_text

# Rows of the results document that speak of one product; all else compares or is the team's own.
OWN = ("specimens", "summaries", "pass_fail", "changes", "claims", "costs")


def of_one(tables: Tables, code: str) -> Tables:
    """The tables with the rows of one product alone, where rows name a product."""
    cut = {
        name: table.take([i for i, product in enumerate(table["product"]) if product == code])
        for name, table in tables.items() if "product" in table.columns
    }  # fmt: skip
    return tables.replace(cut)


def facts(tables: Tables, document: dict | None, code: str) -> dict | None:
    """The facts about one product; None where the study has no such product.

    tables: the study's, in its public form. document: the results document, None where nothing is evaluated yet.
    """
    own = Names(of_one(tables, code))
    if code not in own.products:
        return None
    document = document or {}
    found = measured.Findings(
        own, {key: [row for row in document.get(key) or [] if row["product"] == code] for key in OWN}
    )
    trials = [table for table in measured.trials(found) if any(not row["absent"] for row in table["rows"])]
    claims = promises.claims(found)
    tested = {row["code"] for table in claims for row in table["rows"]}
    used = {own.method_of(table["trial"]) for table in trials}
    row = own.products[code]
    costs = background.costs(own, found.document)
    return {
        "title": words.typeset(tables.comparison.get("title", "")),
        "question": words.typeset(tables.comparison.get("question", "")),
        "name": own.product(code),
        "maker": row["maker"],
        "variant": words.typeset(row["variant"]),
        "evaluated": bool(document),
        "purchases": background.purchases(own),
        "cost": costs["rows"][0] if costs["rows"] else None,
        "content_unit": costs["content_unit"],
        "claims": claims,
        "unjudged": [
            {"claimed": claim_text(row, row["unit"] or ("percent" if row["of"] == "change" else
                                                        own.unit(row["property"]))),
             "property": own.property(row["property"]), "wording": row["wording"], "source": row["source"],
             "seen_on": words.day(row["seen_on"]), "why": row["not_tested_because"]}
            for row in own.claims.values()
            if row["claim"] not in tested and not row["certification_state"]
        ],
        "certifications": promises.certifications(own, found.document),
        "trials": trials,
        "changes": measured.changes(found),
        "absences": background.absences(own, found.document),
        "methods": [one for one in background.methods(own)
                    if one["anchor"] in {f"method-{method[0]}-{method[1]}" for method in used if method}],
        "conditions": background.conditions(own, found),
        "rule": background.plan(own, document)["rule"],
    }  # fmt: skip

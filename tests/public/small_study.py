"""A small study of any size, invented, for tests of pages: packing strings, pulled, aged, rated and lit."""

from __future__ import annotations

from decimal import Decimal

from comparisons.folder.importer import import_tables
from comparisons.folder.spec import SPEC
from comparisons.folder.tables import Table, Tables


def table(name: str, rows: list[dict[str, str]]) -> Table:
    """A table from rows that name only the cells which are not blank."""
    columns = {column.name: [row.get(column.name, "") for row in rows] for column in SPEC[name].columns}
    return Table(SPEC[name], columns)


def small_study(
    slug: str = "strings", products: int = 2, units: int = 2, per_unit: int = 2, *, more: bool = True
) -> Tables:
    """Tables of a study with so many products, units of each, and specimens of each unit in each trial.

    `more` False leaves out all that a study may lack: conditions, claims, purchases, methods, weightings.
    """
    codes = [f"p{i:02d}" for i in range(products)]
    unit_codes = [f"{p}-u{u}" for p in codes for u in range(units)]
    trials = ["pull", "aged", "knot", "lit"] if more else ["pull"]
    properties = {"pull": "force", "aged": "force", "knot": "knot", "lit": "goes-out"}
    specimens, readings = [], []
    for trial in trials:
        for i, unit in enumerate(unit_codes):
            p, u = divmod(i, units)
            for s in range(per_unit):
                specimen = f"{unit}-{trial}-{s}"
                specimens.append({"specimen": specimen, "unit": unit})
                base = {"trial": trial, "product": codes[p], "specimen": specimen, "operator": "op-a"}
                if trial == "knot":
                    for r in range(3):
                        value = str(1 + (p + u + s + r) % 5)
                        readings.append({**base, "value": value, "rater": f"rater-{r}"})
                elif trial == "lit":
                    readings.append({**base, "value": "fail" if p and s == 0 else "pass"})
                else:
                    value = Decimal(60 + 3 * p) + Decimal(u) * Decimal("0.7") + Decimal(s) * Decimal("0.4")
                    value *= Decimal("0.9") if trial == "aged" else 1
                    readings.append({**base, "value": str(value), "unit_of_measure": "N", "instrument": "gauge"})
    for i, row in enumerate(readings):
        row["reading"] = f"r{i:06d}"
        row["taken_at"] = "2026-01-07T10:00:00Z"
    tables = {
        "products": table("products", [{"product": p, "maker": "Ullvane", "model": f"String {p[1:]}"} for p in codes]),
        "units": table("units", [{"unit": u, "product": u[:3]} for u in unit_codes]),
        "properties": table("properties", [
            {"property": "force", "name": "Breaking force", "reading": "quantity", "unit": "N",
             "better": "more", "decimals": "1"},
            {"property": "knot", "name": "Holds a knot", "reading": "rating", "better": "more",
             "scale_low": "1", "scale_high": "5"},
            {"property": "goes-out", "name": "Goes out by itself", "reading": "pass_fail", "better": "more"},
        ]),
        "trials": table("trials", [
            {"trial": t, "property": properties[t], "condition": "heat" if t == "aged" else "",
             "baseline": "pull" if t == "aged" else "", "method": "pull-by-hand" if more and t != "knot" else ""}
            for t in trials
        ]),
        "instruments": table("instruments", [
            {"instrument": "gauge", "name": "Gauge, 200 N", "unit": "N", "range_low": "1", "range_high": "200",
             "resolution": "0.1", "accuracy_pct": "0.2", "accuracy_basis": "reading"},
        ]),
        "specimens": table("specimens", specimens),
        "readings": table("readings", readings),
    }  # fmt: skip
    comparison = {
        "slug": slug,
        "title": f"Strings, {slug}",
        "question": "Which string holds?",
        "currency": "EUR",
        "seed": 3,
    }
    if more:
        tables |= _whole(codes)
        comparison |= _judged()
    return Tables(tables, comparison, "# Strings\n\nWe pulled *them* all." if more else "")


def _whole(codes: list[str]) -> dict[str, Table]:
    return {
        "purchases": table("purchases", [
            {"purchase": f"{p}-shop", "product": p, "obtained": "lent" if p == "p01" else "bought", "seller": "Shop A",
             "bought_on": "2026-01-02", "price": "" if p == "p01" else "4.50", "currency": "EUR", "packs": "1",
             "items_per_pack": "10", "lot": "L1"}
            for p in codes
        ]),
        "conditions": table("conditions", [
            {"condition": "heat", "name": "Aged 24 h at 70 degC", "temperature": "70", "temperature_unit": "degC",
             "duration": "24", "duration_unit": "h"},
        ]),
        "methods": table("methods", [
            {"method": "pull-by-hand", "revision": "1", "title": "Pulled by hand",
             "relation": "departs", "standard": "ISO 2062",
             "departures": "The rate is not held.", "cannot_show": "Years of use.", "steps": "1. Knot it. 2. Pull it.",
             "cautions": "A string that breaks whips: wear eye protection.", "hazardous": "yes"},
        ]),
        "claims": table("claims", [
            {"claim": f"{p}-min", "product": p, "property": "force", "sense": "at_least", "value": "62", "unit": "N",
             "source": "package", "wording": "min. 62 N", "seen_on": "2026-01-02"}
            for p in codes
        ]),
        "answers": table("answers", [
            {"product": "p00", "received_at": "2026-02-01T08:00:00Z", "text": "We stand by it.", "published": "yes"},
            {"product": "p01", "received_at": "2026-02-02T08:00:00Z", "text": "Not for print.", "published": "no"},
        ]),
        "deviations": table("deviations", [
            {"at": "2026-01-08T09:00:00Z", "by": "planner-a", "what": "trial lit", "from": "5", "to": "2",
             "why": "Hood booked."},
        ]),
    }  # fmt: skip


def _judged() -> dict:
    number = Decimal
    return {
        "plan": {"frozen_at": "2026-01-05T09:00:00Z", "by": "planner-a"},
        "decision": {"confidence": number("0.95"), "rule": "probability", "price_cap": number("0.60")},
        "criterion": [
            {"id": "strength", "name": "Strength", "trial": "pull", "better": "more", "floor": number(40),
             "ceiling": number(100), "anchors_set_at": "2026-01-04"},
            {"id": "knot", "name": "Knots", "trial": "knot", "floor": number(1), "ceiling": number(5)},
        ],
        "weighting": [
            {"id": "all", "name": "All round", "missing": "renormalise",
             "weights": {"strength": number(3), "knot": number(1)}},
        ],
    }  # fmt: skip


def import_small(slug: str = "strings", products: int = 2, units: int = 2, per_unit: int = 2, **more):
    """The same study in the database."""
    comparison, _new = import_tables(small_study(slug, products, units, per_unit, **more))
    return comparison

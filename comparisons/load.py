"""From a study folder's tables to the arrays that the analysis reads.

The tables come from the database or from a folder: one path for a draft, an edition and `verify`. Units
are converted here (in decimal, with exact factors), chains of readings are resolved, gauges get the
calibration state that held when the reading was taken, and people become pseudonyms. What is computed
from all this is the analysis' own.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from decimal import Decimal

import numpy as np

from specimens import units

from .analysis import study as s
from .folder.digest import inputs_digest
from .folder.tables import Tables, dimensions, number, only_revisions, time, yes
from .load_readings import ReadingsLoader, as_float, index

# Of what quantities a unit is made, by one unit of its kind: what a slip can be looked for in.
_QUANTITIES: dict[str, tuple[tuple[str, int], ...]] = {
    "N": (("force", 1),), "mm": (("length", 1),), "g": (("mass", 1),), "s": (("time", 1),),
    "mL": (("volume", 1),), "kPa": (("pressure", 1), ("length", -2)), "N/m": (("force", 1), ("length", -1)),
    "J": (("force", 1), ("length", 1)), "mm^2": (("length", 2),), "m/s": (("length", 1), ("time", -1)),
    "g/m": (("mass", 1), ("length", -1)), "g/m^2": (("mass", 1), ("length", -2)),
}  # fmt: skip


def study_from_tables(tables: Tables) -> s.Study:
    """The Study of checked tables. Tables that break a rule of the study folder are refused before."""
    toml = tables.comparison
    products = tuple(sorted(row["product"] for row in tables["products"].rows()))
    properties = _properties(tables)
    trials = _trials(tables, properties)
    unit_rows = sorted(tables["units"].rows(), key=lambda row: row["unit"])
    unit_codes = tuple(row["unit"] for row in unit_rows)
    specimen_rows = sorted(tables["specimens"].rows(), key=lambda row: row["specimen"])
    product_at, unit_at = index(products), index(unit_codes)
    unit_product = np.array([product_at[row["product"]] for row in unit_rows], dtype=np.int32)
    specimen_unit = np.array([unit_at[row["unit"]] for row in specimen_rows], dtype=np.int32)
    loader = ReadingsLoader(tables, trials, properties, product_at, unit_at, unit_product,
                       index(tuple(row["specimen"] for row in specimen_rows)), specimen_unit)
    readings = loader.load()
    content_unit, purchases = _purchases(tables)
    return s.Study(
        slug=toml["slug"],
        currency=toml["currency"],
        seed=int(toml.get("seed", 1)),
        decision=_decision(toml.get("decision", {})),
        products=products,
        properties=properties,
        trials=trials,
        units=unit_codes,
        unit_product=unit_product,
        specimens=tuple(row["specimen"] for row in specimen_rows),
        specimen_unit=specimen_unit,
        raters=loader.raters,
        gauges=tuple(loader.gauges),
        readings=readings,
        corrections=loader.corrections,
        claims=_claims(tables, properties),
        purchases=purchases,
        content_unit=content_unit,
        criteria=_criteria(toml, loader.first_taken),
        weightings=_weightings(toml),
        awards=tuple(
            s.Award(r["award"], r["product"], r.get("weighting") or None, r.get("name", ""), r.get("reason", ""))
            for r in sorted(tables["awards"].rows(), key=lambda row: row["award"])
        ),
        inputs_digest=inputs_digest(tables),
        frozen_at=toml.get("plan", {}).get("frozen_at") or None,
    )


def _int(text: str) -> int | None:
    return int(text) if text else None


def _decision(part: dict) -> s.Decision:
    default = s.Decision()
    return s.Decision(
        confidence=as_float(part.get("confidence")) or default.confidence,
        rule=part.get("rule") or default.rule,
        rounding=part.get("rounding") or default.rounding,
        coverage=as_float(part.get("coverage")) or default.coverage,
        price_cap=as_float(part.get("price_cap")),
    )


def _properties(tables: Tables) -> dict[str, s.Property]:
    return {
        row["property"]: s.Property(
            code=row["property"],
            kind=row["reading"],
            unit=row.get("unit", ""),
            better=row.get("better") or "neither",
            decimals=_int(row.get("decimals", "")),
            **{
                name: as_float(row.get(name))
                for name in ("plausible_low", "plausible_high", "tolerance_pct", "scale_low", "scale_high")
            },
        )
        for row in sorted(tables["properties"].rows(), key=lambda row: row["property"])
    }


def _trials(tables: Tables, properties: dict[str, s.Property]) -> tuple[s.Trial, ...]:
    runs, absences, only = defaultdict(list), defaultdict(dict), only_revisions(tables["methods"])
    for row in sorted(tables["runs"].rows(), key=_by_start):
        runs[row["trial"]].append(
            s.Run(
                row["run"], row.get("pooled_because", ""), row.get("anchor_product") or None,
                row.get("revision", ""),
            )
        )
    for row in tables["absences"].rows():
        absences[row["trial"]][row["product"]] = row["reason"]
    made = []
    for row in sorted(tables["trials"].rows(), key=lambda row: row["trial"]):
        prop = properties[row["property"]]
        divide_by = tuple(dimensions(row["divide_by"]))
        # Undivided, a reading is of the result's kind and goes there at once: a temperature keeps its zero.
        reading_unit = (row.get("reading_unit") if divide_by else "") or prop.unit
        sizes = [properties[d].unit for d in divide_by]
        made.append(
            s.Trial(
                code=row["trial"],
                property=prop.code,
                condition=row.get("condition") or None,
                method=row.get("method") or None,
                revision=row["revision"] or only.get(row["method"]),
                baseline=row.get("baseline") or None,
                paired=yes(row.get("paired", "")),
                reading_unit=reading_unit,
                divide_by=divide_by,
                result_factor=_result_factor(reading_unit, sizes, prop),
                quantities=quantities_of(reading_unit, sizes) if prop.kind == "quantity" else (),
                units_planned=_int(row.get("units_planned", "")),
                replicates=_int(row.get("replicates", "")),
                blind=yes(row.get("blind", "")),
                runs=tuple(runs[row["trial"]]),
                absences=dict(sorted(absences[row["trial"]].items())),
            )
        )
    return tuple(made)


def _by_start(row: dict[str, str]) -> tuple:
    """Runs of a trial in the order of their start; those without one by code, before the others."""
    start = time(row["started_at"])
    return row["trial"], start.timestamp() if start else float("-inf"), row["run"]


def _result_factor(reading_unit: str, dimension_units: list[str], prop: s.Property) -> float:
    """What a reading, once divided by its dimensions, is multiplied by to be in the property's unit."""
    if prop.kind != "quantity" or not dimension_units:
        return 1.0
    quotient = f"{reading_unit}/({'*'.join(f'({unit})' for unit in dimension_units)})"
    return float(units.factor(quotient, prop.unit))


def quantities_of(reading_unit: str, dimension_units: list[str]) -> tuple[tuple[str, int], ...]:
    """The quantities, with their powers, in which a slip of unit can change a trial's result.

    "celsius" stands for a temperature in degrees Celsius; what has no name here gives nothing.
    """
    if units.parse_unit(reading_unit).symbol == units.parse_unit("degC").symbol:
        return (("celsius", 1),)

    def of(unit: str) -> tuple[tuple[str, int], ...]:
        return next((made for known, made in _QUANTITIES.items() if units.same_kind(unit, known)), ())

    below = [(name, -power) for unit in dimension_units for name, power in of(unit)]
    return tuple(dict.fromkeys([*of(reading_unit), *below]))


def _purchases(tables: Tables) -> tuple[str, tuple[s.Purchase, ...]]:
    """Purchases with their contents in one unit, the commonest (the first by name among equals)."""
    rows = sorted(tables["purchases"].rows(), key=lambda row: row["purchase"])
    counted = Counter(row["content_unit"] for row in rows if row.get("content_unit"))
    content_unit = min(counted, key=lambda unit: (-counted[unit], unit)) if counted else ""
    made = []
    for row in rows:
        content = None
        if row.get("content"):
            content = float(units.convert(number(row["content"]), row["content_unit"], content_unit))
        made.append(
            s.Purchase(
                code=row["purchase"], product=row["product"], obtained=row["obtained"], content=content,
                **{name: as_float(row.get(name)) for name in ("price", "shipping", "packs", "items_per_pack")},
            )
        )
    return content_unit, tuple(made)


def _claims(tables: Tables, properties: dict[str, s.Property]) -> tuple[s.Claim, ...]:
    return tuple(
        _claim(row, properties[row["property"]])
        for row in sorted(tables["claims"].rows(), key=lambda row: row["claim"])
    )


def _claim(row: dict[str, str], prop: s.Property) -> s.Claim:
    of_change = row.get("of") == "change"
    unit = row.get("unit") or ("percent" if of_change else prop.unit)
    target = "percent" if of_change else prop.unit

    def inner(name: str, difference: bool = False) -> float | None:
        typed = number(row.get(name, ""))
        if typed is None:
            return None
        if unit == target or not target:
            return float(typed)
        return float(units.convert(typed, unit, target, difference=difference))

    steps = []
    for name in ("value", "low", "high"):
        typed = number(row.get(name, ""))
        if typed is not None:
            step = Decimal(1).scaleb(min(typed.as_tuple().exponent, 0))
            same = unit == target or not target
            steps.append(float(step if same else units.convert(step, unit, target, difference=True)))
    return s.Claim(
        code=row["claim"],
        product=row["product"],
        property=row["property"],
        sense=row["sense"],
        trial=row.get("trial") or None,
        condition=row.get("condition") or None,
        of=row.get("of") or "value",
        value=inner("value"),
        low=inner("low"),
        high=inner("high"),
        tolerance_minus=inner("tolerance_minus", difference=True),
        tolerance_plus=inner("tolerance_plus", difference=True),
        printed_step=max(steps, default=None),
        unit=unit,
        scope=row.get("scope") or "typical",
        source=row.get("source", ""),
        governs=yes(row.get("governs", "")),
        governs_reason=row.get("governs_reason", ""),
        certification_state=row.get("certification_state") or None,
        reference=row.get("reference", ""),
        checked_on=row.get("checked_on") or None,
    )


def _criteria(toml: dict, first_taken: dict[str | None, object]) -> tuple[s.Criterion, ...]:
    made = []
    for part in toml.get("criterion", []):
        kind = next(kind for kind in ("trial", "cost", "certification") if part.get(kind))
        anchors_set_at = part.get("anchors_set_at") or None
        first = first_taken.get(part["trial"] if kind == "trial" else None)
        set_at = time(anchors_set_at) if anchors_set_at else None
        made.append(
            s.Criterion(
                id=part["id"],
                kind=kind,
                ref=part[kind],
                name=part.get("name", ""),
                measure=part.get("measure") or None,
                better=part.get("better") or None,
                value_function=part.get("value_function") or "linear",
                exponent=1.0 if part.get("exponent") is None else float(part["exponent"]),
                anchors_set_at=anchors_set_at,
                anchors_before_data=set_at is not None and (first is None or set_at <= first),
                must=bool(part.get("must", False)),
                **{name: as_float(part.get(name)) for name in ("floor", "ceiling", "target", "band")},
            )
        )
    return tuple(made)


def _weightings(toml: dict) -> tuple[s.Weighting, ...]:
    return tuple(
        s.Weighting(
            id=part["id"],
            name=part.get("name", ""),
            missing=part.get("missing") or "renormalise",
            weights={code: float(weight) for code, weight in part.get("weights", {}).items()},
        )
        for part in toml.get("weighting", [])
    )

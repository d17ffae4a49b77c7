"""Small studies for tests, written as readings with codes instead of index arrays."""

from __future__ import annotations

import numpy as np

from comparisons.analysis.study import Decision, Property, Readings, Study, Trial

PLAIN = {
    "unit": None, "specimen": None, "rater": None, "gauge": None, "run": None, "bound": "=", "live": True,
    "why_not": "", "overdue": False, "order": float("nan"), "day": "",
}  # fmt: skip
BOUND = {"<": -1, "=": 0, ">": 1}


def reading(trial, product, value, **more) -> dict:
    """One reading; `unit`, `specimen`, `rater` are codes, `gauge` is a Gauge, `run` a run's code."""
    return PLAIN | {"trial": trial, "product": product, "value": value} | more


def readings_of(trial, product, values, **more) -> list[dict]:
    """One reading for each of `values`; with `units` a code for each of them."""
    units = more.pop("units", [None] * len(values))
    return [reading(trial, product, v, unit=u, **more) for v, u in zip(values, units, strict=True)]


def study(rows, trials, properties, products=None, *, gauges=(), specimen_units=None, **more) -> Study:
    """A study from a list of readings. Reading codes are r0001, r0002, ... unless a row brings `code`.

    specimen_units: specimen code -> unit code, for specimens whose readings name no unit.
    """
    products = tuple(products or dict.fromkeys(r["product"] for r in rows))
    trials, properties = tuple(trials), {p.code: p for p in properties}
    specimen_units = dict(specimen_units or {})
    unit_product = {r["unit"]: r["product"] for r in rows if r["unit"]}
    for r in rows:
        if r["specimen"] and r["unit"]:
            specimen_units.setdefault(r["specimen"], r["unit"])
        elif r["specimen"]:
            specimen_units.setdefault(r["specimen"], None)
            if specimen_units[r["specimen"]]:
                unit_product.setdefault(specimen_units[r["specimen"]], r["product"])
    units = tuple(unit_product)
    specimens = tuple(specimen_units)
    raters = tuple(dict.fromkeys(r["rater"] for r in rows if r["rater"]))
    gauges = tuple(dict.fromkeys([*gauges, *(r["gauge"] for r in rows if r["gauge"])]))
    runs = {t.code: [run.code for run in t.runs] for t in trials}

    def index(table, key):
        return np.array([-1 if r[key] is None else table.index(r[key]) for r in rows], dtype=np.int32)

    codes = [r.get("code", f"r{i:04d}") for i, r in enumerate(rows, 1)]
    order = np.argsort(np.array(codes, dtype=object), kind="stable")
    columns = {
        "code": np.array(codes, dtype=object),
        "trial": np.array([[t.code for t in trials].index(r["trial"]) for r in rows], dtype=np.int32),
        "product": index(products, "product"),
        "unit": index(units, "unit"),
        "specimen": index(specimens, "specimen"),
        "rater": index(raters, "rater"),
        "gauge": index(gauges, "gauge"),
        "run": np.array(
            [-1 if r["run"] is None else runs[r["trial"]].index(r["run"]) for r in rows], dtype=np.int32
        ),
        "value": np.array([r["value"] for r in rows], dtype=float),
        "bound": np.array([BOUND[r["bound"]] for r in rows], dtype=np.int8),
        "live": np.array([r["live"] for r in rows], dtype=bool),
        "why_not": np.array([r["why_not"] for r in rows], dtype=object),
        "overdue": np.array([r["overdue"] for r in rows], dtype=bool),
        "order": np.array([r["order"] for r in rows], dtype=float),
        "day": np.array([r["day"] for r in rows], dtype=object),
    }
    return Study(
        **{
            "slug": "case", "currency": "EUR", "seed": 1, "decision": Decision(), "products": products,
            "properties": properties, "trials": trials, "units": units,
            "unit_product": np.array([products.index(unit_product[u]) for u in units], dtype=np.int32),
            "specimens": specimens,
            "specimen_unit": np.array(
                [-1 if specimen_units[x] is None else units.index(specimen_units[x]) for x in specimens],
                dtype=np.int32,
            ),
            "raters": raters, "gauges": gauges,
            "readings": Readings(**{name: column[order] for name, column in columns.items()}),
        } | more
    )  # fmt: skip


FORCE = Property("force", "quantity", "N", "more")
BREAK = Trial("break", "force", reading_unit="N")


def one_trial(values: dict, *, prop=FORCE, trial=BREAK, **more) -> Study:
    """A study of one trial: product -> values, or product -> {unit code: values}."""
    rows = []
    for product, given in values.items():
        if isinstance(given, dict):
            for unit, own in given.items():
                rows += [reading(trial.code, product, v, unit=f"{product}-{unit}") for v in own]
        else:
            rows += readings_of(trial.code, product, given)
    gauge = more.pop("gauge", None)
    for r in rows:
        r["gauge"] = gauge
    return study(rows, [trial], [prop], products=tuple(values), **more)


def row(document: dict, key: str, **where) -> dict:
    """The one row of `document[key]` whose fields equal `where`."""
    found = [r for r in document[key] if all(r[k] == v for k, v in where.items())]
    assert len(found) == 1, f"{len(found)} rows of {key} with {where}"
    return found[0]

"""A study in one fixed order, so that the order of rows in a file never reaches a result."""

from __future__ import annotations

from dataclasses import astuple, fields, replace

import numpy as np

from .study import Gauge, Readings, Study

READING_COLUMNS = tuple(f.name for f in fields(Readings))


def _order(keys: list) -> list[int]:
    return sorted(range(len(keys)), key=lambda i: keys[i])


def _gauge_key(gauge: Gauge) -> tuple:
    return tuple((v is not None, v if v is not None else "") for v in astuple(gauge))


def _renumber(index: np.ndarray, order: list[int]) -> np.ndarray:
    """`index` into a table, after its rows were put into `order`; -1 stays -1."""
    new = np.empty(len(order) + 1, dtype=np.int32)
    new[-1] = -1
    new[np.asarray(order, dtype=np.intp)] = np.arange(len(order), dtype=np.int32)
    return new[np.asarray(index, dtype=np.intp)]


def _by_code(rows: tuple, name: str) -> tuple:
    return tuple(sorted(rows, key=lambda row: getattr(row, name)))


def in_order(study: Study) -> Study:
    """The same study with every table sorted by code and every index following it.

    Runs stay as they come, in the order in which they were started.

    Gauges have no code and are sorted by all that they say. Two studies that differ only in the
    order of their rows come out equal.
    """
    products = _order(list(study.products))
    trials = _order([t.code for t in study.trials])
    units = _order(list(study.units))
    specimens = _order(list(study.specimens))
    raters = _order(list(study.raters))
    gauges = _order([_gauge_key(g) for g in study.gauges])

    r = study.readings
    codes = np.asarray(r.code, dtype=object)
    in_file_order = len(codes) < 2 or bool(np.all(codes[1:] >= codes[:-1]))
    rows = slice(None) if in_file_order else np.argsort(codes, kind="stable")
    columns = {name: np.asarray(getattr(r, name))[rows] for name in READING_COLUMNS}
    tables = {
        "product": products, "trial": trials, "unit": units,
        "specimen": specimens, "rater": raters, "gauge": gauges,
    }  # fmt: skip
    for name, order in tables.items():
        columns[name] = _renumber(columns[name], order)

    unit_product = _renumber(study.unit_product, products)[np.asarray(units, dtype=np.intp)]
    specimen_unit = _renumber(study.specimen_unit, units)[np.asarray(specimens, dtype=np.intp)]
    return replace(
        study,
        products=tuple(study.products[i] for i in products),
        trials=tuple(study.trials[i] for i in trials),
        units=tuple(study.units[i] for i in units),
        unit_product=unit_product,
        specimens=tuple(study.specimens[i] for i in specimens),
        specimen_unit=specimen_unit,
        raters=tuple(study.raters[i] for i in raters),
        gauges=tuple(study.gauges[i] for i in gauges),
        readings=Readings(**columns),
        claims=_by_code(study.claims, "code"),
        purchases=_by_code(study.purchases, "code"),
        criteria=_by_code(study.criteria, "id"),
        weightings=_by_code(study.weightings, "id"),
        awards=_by_code(study.awards, "code"),
    )

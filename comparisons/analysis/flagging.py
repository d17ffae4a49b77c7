"""Suspect values: flagged for people to look at, never dropped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .cells import Cells
from .study import Study
from .summary import Summaries
from .suspects import ESD_LEAST, GRUBBS_LEAST, esd, grubbs, grubbs_critical, unit_slip
from .values import BIT, Values

ALPHA = 0.01
MOST_HIDDEN = 10  # far values looked for in one unit: more would make the search quadratic
FAR = 1.5  # nearer to its siblings than this, no value is worth the full look
MOST_SLIPS = 2000  # a study with more is wrong as a whole, not value by value


def find_suspects(s: Summaries, notes) -> tuple[list[dict], Values]:
    """The `suspects` rows of the document, and the values with their rows flagged.

    Looked for: slips of unit or decimal point, values outside the property's plausible range, and far
    values by Grubbs' two-sided test at 1 %, within each unit and among unit means apart (from 15
    values on within a unit, by the generalised extreme studentised deviate).
    """
    study, v, cells = s.study, s.values, s.cells
    rows: list[dict] = []
    marked: set[int] = set()
    _slips(study, v, cells, rows, marked, notes)
    _far_values(s, rows, marked, notes)
    flags = v.flags.copy()
    flags[sorted(marked)] |= BIT["suspect"]
    rows.sort(key=lambda r: (r["trial"], r["product"], r["readings"], r["test"], r["unit"] or ""))
    return rows, replace(v, flags=flags)


def _codes(study: Study, v: Values, row: int) -> list[str]:
    """The readings behind one specimen value."""
    return [str(c) for c in study.readings.code[v.reading[v.start[row] : v.start[row + 1]]]]


def _row(study: Study, v: Values, row: int, test: str, text: str, **more) -> dict:
    t = int(v.trial[row])
    base = {
        "trial": study.trials[t].code, "product": study.products[v.product[row]],
        "unit": study.units[v.unit[row]] if v.unit[row] >= 0 else None,
        "specimen": study.specimens[v.specimen[row]] if v.specimen[row] >= 0 else None,
        "readings": _codes(study, v, row), "value": float(v.value[row]),
        "unit_of_measure": study.properties[study.trials[t].property].unit,
        "test": test, "level": "specimen", "text": text, "factor": None, "corrected": None,
        "statistic": None, "limit": None, "mean_with": None, "mean_without": None,
    }  # fmt: skip
    return base | more


def _means(v: Values, cells: Cells, i: int, left_out: np.ndarray) -> dict:
    """The cell's mean with all values and without some, each the mean of unit means; None with bounds."""
    rows = cells.own_rows(i)
    if cells.up[i] or cells.down[i]:
        return {"mean_with": None, "mean_without": None}
    keep = ~np.isin(rows, left_out)
    if not keep.any():
        return {"mean_with": float(cells.low[i]), "mean_without": None}
    unit = v.unit[rows] if cells.known[i] else np.zeros(len(rows), dtype=int)
    _, place = np.unique(unit[keep], return_inverse=True)
    each = np.bincount(place, v.value[rows][keep]) / np.bincount(place)
    return {"mean_with": float(cells.low[i]), "mean_without": float(each.mean())}


def _slips(study: Study, v: Values, cells: Cells, rows: list[dict], marked: set[int], notes) -> None:
    cell_of = np.repeat(np.arange(len(cells)), cells.n)
    quantity = np.array([study.properties[t.property].kind == "quantity" for t in study.trials] + [False])
    own = cells.rows
    if not len(own):
        return
    x = v.value[own]
    medians = _plain_medians(v, cells)
    # One or two values have no siblings to speak of: they are held against the trial's products.
    expected = medians.copy()
    for t in np.unique(cells.trial[cells.n <= 2]):
        few = (cells.trial == t) & (cells.n <= 2)
        expected[few] = np.median(medians[cells.trial == t])
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.abs(x / expected[cell_of])
    outside = (v.flags[own] & BIT["outside_plausible_range"]) > 0
    # Cheap look first: only a value far from its siblings or out of range is worth the full one.
    candidates = np.flatnonzero(quantity[v.trial[own]] & ((ratio > FAR) | (ratio < 1 / FAR) | outside))
    if len(candidates) > MOST_SLIPS:
        text = f"more than {MOST_SLIPS} values look like slips: the first are listed"
        notes.add("warning", "suspects", text)
        candidates = candidates[:MOST_SLIPS]
    for c in candidates.tolist():
        row, i = int(own[c]), int(cell_of[c])
        prop = study.properties[study.trials[int(v.trial[row])].property]
        mates = cells.own_rows(i)
        siblings = v.value[mates[mates != row]]
        if len(siblings) < 2:
            siblings = medians[(cells.trial == cells.trial[i]) & (np.arange(len(cells)) != i)]
        quantities = study.trials[int(v.trial[row])].quantities
        slip = unit_slip(x[c], siblings, (prop.plausible_low, prop.plausible_high), quantities=quantities)
        if slip is None and outside[c]:
            slip = unit_slip(x[c], [], (prop.plausible_low, prop.plausible_high), quantities=quantities)
        means = _means(v, cells, i, np.array([row]))
        if slip is not None:
            marked.add(row)
            text = "; or ".join((slip.words, *slip.others))
            means |= {"factor": slip.factor, "corrected": slip.corrected}
            rows.append(_row(study, v, row, "slip", text, **means))
            means = {**means, "factor": None, "corrected": None}
        if outside[c]:
            marked.add(row)
            low, high = ("" if b is None else f"{b:g}" for b in (prop.plausible_low, prop.plausible_high))
            text = f"outside the plausible range {low} to {high} {prop.unit}".rstrip()
            rows.append(_row(study, v, row, "plausible_range", text, **means))


def _plain_medians(v: Values, cells: Cells) -> np.ndarray:
    """Median of each cell's values, bounds taken as they stand."""
    cell = np.repeat(np.arange(len(cells)), cells.n)
    ordered = v.value[cells.rows][np.lexsort((v.value[cells.rows], cell))]
    start = cells.start[:-1]
    return (ordered[start + (cells.n - 1) // 2] + ordered[start + cells.n // 2]) / 2


def _far_values(s: Summaries, rows: list[dict], marked: set[int], notes) -> None:
    study, v, cells = s.study, s.values, s.cells
    if not len(cells):
        return
    # The most values that any test of the cell could take: of one unit, or means of units.
    most = np.maximum(np.maximum.reduceat(cells.group_size, cells.group_start[:-1]), cells.m)
    for t in np.unique(cells.trial).tolist():
        trial = study.trials[t]
        largest = most[cells.trial == t].max()
        if study.properties[trial.property].kind == "quantity" and largest < GRUBBS_LEAST:
            text = f"far values were not looked for: fewer than {GRUBBS_LEAST} values of any one unit"
            notes.add("info", trial.code, text)
    kinds = [study.properties[t.property].kind for t in study.trials]
    limits: dict[int, float] = {}
    tested = (most >= GRUBBS_LEAST) & (cells.up + cells.down == 0) & ~cells.flat
    for i in np.flatnonzero(tested).tolist():
        if kinds[int(cells.trial[i])] != "quantity":
            continue
        own, g = cells.own_rows(i), cells.groups(i)
        step = s.table[int(cells.trial[i]), int(cells.product[i])].resolution
        stops = np.cumsum(cells.group_size[g])
        for first, stop in zip(stops - cells.group_size[g], stops, strict=True):
            group = own[first:stop]
            if len(group) < GRUBBS_LEAST or not _worth_testing(v.value[group], limits):
                continue
            for index, r in _tested(v.value[group], step):
                row = int(group[index])
                marked.add(row)
                rows.append(_row(
                    study, v, row, r["test"], "far from the other specimens of its unit",
                    level="within_unit" if cells.known[i] else "specimens", statistic=r["statistic"],
                    limit=r["limit"], **_means(v, cells, i, np.array([row])),
                ))  # fmt: skip
        if cells.m[i] >= GRUBBS_LEAST:
            means = cells.group_low[g]
            for index, r in _tested(means, step):
                group = own[stops[index] - cells.group_size[g][index] : stops[index]]
                row = int(group[0])
                marked.update(group.tolist())
                codes = [code for one in group.tolist() for code in _codes(study, v, one)]
                rows.append(_row(
                    study, v, row, r["test"], "this unit's mean lies far from the other units'",
                    level="unit_means", specimen=None, readings=codes, value=float(means[index]),
                    statistic=r["statistic"], limit=r["limit"], **_means(v, cells, i, group),
                ))  # fmt: skip


def _worth_testing(x: np.ndarray, limits: dict[int, float]) -> bool:
    """Whether the farthest value reaches Grubbs' limit, or there are enough values for several to hide."""
    if len(x) >= ESD_LEAST:
        return True
    if len(x) not in limits:
        limits[len(x)] = grubbs_critical(len(x), ALPHA)
    away = np.abs(x - x.mean())
    sd = x.std(ddof=1)
    return bool(sd > 0 and away.max() > limits[len(x)] * sd * (1 - 1e-9))


def _tested(x: np.ndarray, resolution: float | None) -> list[tuple[int, dict]]:
    """Positions of far values in `x`, with the test's name, statistic and limit."""
    if len(x) >= ESD_LEAST:
        found = esd(x, max_outliers=min(MOST_HIDDEN, max(1, len(x) // 10)), alpha=ALPHA)
        far = list(found.indices or ())
        rest = float(np.median(np.delete(x, far)))
        step = (resolution or 0.0) * (1 + 1e-9)
        return [
            (i, {"test": "esd", "statistic": found.r[n], "limit": found.limits[n]})
            for n, i in enumerate(far) if abs(float(x[i]) - rest) > step
        ]  # fmt: skip
    found = grubbs(x, alpha=ALPHA, resolution=resolution)
    if not found.suspect:
        return []
    return [(found.index, {"test": "grubbs", "statistic": found.g, "limit": found.critical})]

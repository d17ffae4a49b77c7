"""From readings to specimen values.

A specimen value is what one specimen showed in one trial: its live readings averaged, the gauge's
known errors taken off, divided by measured dimensions where the trial normalises, in the unit of
the property. No specimen code: one reading is one specimen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .checked import LARGEST, SMALLEST
from .document import Ready, rounded_column
from .gauges import GaugeErrors
from .runs import not_judged
from .study import Study

FLAGS = (
    "averaged",
    "gauge_overdue",
    "gauge_corrected",
    "outside_gauge_range",
    "outside_plausible_range",
    "several_raters",
    "suspect",
)
BIT = {name: 1 << i for i, name in enumerate(FLAGS)}

NOT_LIVE = "replaced or voided"
TOO_LARGE = "too large to compute with"


@dataclass(frozen=True)
class Values:
    """Specimen values, one row each, sorted by trial, product, unit, specimen, rater, reading.

    trial, product, unit, specimen, rater, run: int arrays of indices into the study, -1 unknown.
    value: float in the property's unit, NaN where it cannot be computed. bound: -1 `<`, 0, 1 `>`.
    counted: bool; why_not: reason where not counted. flags: bit set of FLAGS.
    start: offset of each row's readings in `reading` (one more entry at the end).
    reading: row numbers in Study.readings.
    order: lowest order of measuring, NaN unknown; day: date of the first dated reading or "".
    link_*: what the gauges do to a value: row, gauge, and the change of the value for one unit of
    offset (link_offset) and for a relative error of one (link_gain) of that gauge. Dimensions included.
    """

    trial: np.ndarray
    product: np.ndarray
    unit: np.ndarray
    specimen: np.ndarray
    rater: np.ndarray
    run: np.ndarray
    value: np.ndarray
    bound: np.ndarray
    counted: np.ndarray
    why_not: np.ndarray
    flags: np.ndarray
    start: np.ndarray
    reading: np.ndarray
    order: np.ndarray
    day: np.ndarray
    link_row: np.ndarray
    link_gauge: np.ndarray
    link_offset: np.ndarray
    link_gain: np.ndarray

    def __len__(self) -> int:
        return len(self.trial)


def _reasons(study: Study, value: np.ndarray, kind: np.ndarray, notes) -> np.ndarray:
    """Why each reading does not count, "" where it does."""
    r = study.readings
    why = np.array(r.why_not, dtype=object)
    live = np.asarray(r.live, dtype=bool)
    blank = why == ""
    why[~live & blank] = NOT_LIVE
    why[live & blank & ~np.isfinite(r.value)] = "no number"
    why[(why == "") & ~(np.abs(value) <= LARGEST)] = TOO_LARGE
    open_ = why == ""
    why[open_ & (kind == "pass_fail") & (value != 0.0) & (value != 1.0)] = "neither pass nor fail"
    why[open_ & (kind == "certification")] = "a certification is looked up, not measured"
    for t, trial in enumerate(study.trials):
        prop = study.properties[trial.property]
        if prop.kind == "rating":
            low = -np.inf if prop.scale_low is None else prop.scale_low
            high = np.inf if prop.scale_high is None else prop.scale_high
            off = (r.trial == t) & (why == "") & ((value < low) | (value > high))
            why[off] = f"off the scale {low:g} to {high:g}"
        for product, reason in trial.absences.items():
            if reason in ("excluded", "not_applicable") and product in study.products:
                here = (r.trial == t) & (r.product == study.products.index(product)) & (why == "")
                if here.any():
                    why[here] = f"{product} is set down as {reason.replace('_', ' ')} in this trial"
    for row, reason in not_judged(study, why == "", notes).items():
        why[row] = reason
    return why


def _group(study: Study, rows: np.ndarray, rated: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Readings sorted so that those of one specimen value are neighbours, and where each value starts."""
    r = study.readings
    specimen = np.where(r.specimen[rows] >= 0, r.specimen[rows], -2 - rows)
    rater = np.where(rated[rows], r.rater[rows], -1)
    keys = (rows, rater, specimen, r.product[rows], r.trial[rows])
    order = np.lexsort(keys)
    rows = rows[order]
    if not len(rows):
        return rows, np.zeros(0, dtype=np.intp)
    new = np.zeros(len(rows), dtype=bool)
    new[0] = True
    for key in keys[1:]:
        key = key[order]
        new[1:] |= key[1:] != key[:-1]
    return rows, np.flatnonzero(new)


def _first_day(day: np.ndarray, start: np.ndarray, stop: np.ndarray) -> np.ndarray:
    """The earliest date of each group, "" where none of its readings is dated."""
    out = np.array(day[start], dtype=object)
    for i in np.flatnonzero(stop - start > 1):
        dated = [d for d in day[start[i] : stop[i]] if d]
        out[i] = min(dated) if dated else ""
    return out


def specimen_values(study: Study, gauges: GaugeErrors, notes) -> Values:
    """The specimen values of a study whose tables are in order (`canonical.in_order`).

    A value made of bounds is a bound; of exact values and bounds of one kind, too, since an average
    of at-least values is at least their average; of bounds of both kinds nothing follows, and the
    specimen does not count. A specimen passes where all its readings pass. Readings that do not
    count have a row of their own, with the reason.
    """
    r = study.readings
    trial_kind = np.array([study.properties[t.property].kind for t in study.trials], dtype=object)
    factor = np.array([t.result_factor for t in study.trials], dtype=float)
    kind = trial_kind[r.trial]
    quantity = kind == "quantity"
    gauge = np.where(quantity, r.gauge, -1)
    scale = factor[r.trial]
    with np.errstate(over="ignore", invalid="ignore"):
        corrected = gauges.correct(np.where(np.abs(r.value) <= LARGEST, r.value, np.nan), gauge)
        corrected = np.where(np.abs(corrected) < SMALLEST, 0.0, corrected)
        result = corrected * scale
    why = _reasons(study, result, kind, notes)
    counts = why == ""

    rows, start = _group(study, np.flatnonzero(counts), kind == "rating")
    stop = np.append(start[1:], len(rows))
    size = stop - start
    head = rows[start]
    x = result[rows]
    bound = np.where(quantity[rows], r.bound[rows], 0)
    if len(start):
        base = x[start]
        mean = base + np.add.reduceat(x - np.repeat(base, size), start) / size
        lowest = np.minimum.reduceat(x, start)
        value = np.where(kind[head] == "pass_fail", lowest, mean)
        up, down = np.maximum.reduceat(bound, start), np.minimum.reduceat(bound, start)
        flags = np.bitwise_or.reduceat(_reading_flags(study, gauge, rows), start)
        several = np.maximum.reduceat(r.rater[rows], start) != np.minimum.reduceat(r.rater[rows], start)
        order = np.fmin.reduceat(r.order[rows], start)
    else:
        value = np.zeros(0)
        up = down = flags = np.zeros(0, dtype=np.int64)
        several, order = np.zeros(0, dtype=bool), np.zeros(0)
    flags = flags | np.where(size > 1, BIT["averaged"], 0) | np.where(several, BIT["several_raters"], 0)
    mixed = (up > 0) & (down < 0)
    reasons = np.full(len(start), "", dtype=object)
    reasons[mixed] = "bounds of both kinds on one specimen"

    unit = _units(study, head)
    member = np.repeat(np.arange(len(start)), size)
    linked = gauge[rows] >= 0
    g = gauge[rows[linked]]
    slope = scale[rows[linked]] / size[member[linked]]
    values = Values(
        trial=r.trial[head], product=r.product[head], unit=unit, specimen=r.specimen[head],
        rater=np.where(several & (kind[head] != "rating"), -1, r.rater[head]), run=r.run[head],
        value=value, bound=np.where(up > 0, 1, down), counted=~mixed, why_not=reasons, flags=flags,
        start=np.append(start, len(rows)), reading=rows, order=order,
        day=_first_day(r.day[rows], start, stop),
        link_row=member[linked], link_gauge=g, link_offset=slope / gauges.gain[g],
        link_gain=slope * corrected[rows[linked]],
    )  # fmt: skip
    values = _divided(study, values, notes)
    values = _plausible(study, values)
    return _with_uncounted(study, values, np.flatnonzero(~counts), result, why)


def _units(study: Study, rows: np.ndarray) -> np.ndarray:
    """The unit of each reading: as named, else its specimen's."""
    r = study.readings
    unit, specimen = r.unit[rows].copy(), r.specimen[rows]
    from_specimen = (unit < 0) & (specimen >= 0)
    unit[from_specimen] = study.specimen_unit[specimen[from_specimen]]
    return unit


def _reading_flags(study: Study, gauge: np.ndarray, rows: np.ndarray) -> np.ndarray:
    r = study.readings
    flags = np.where(np.asarray(r.overdue, dtype=bool)[rows], BIT["gauge_overdue"], 0).astype(np.int64)
    if not study.gauges:
        return flags
    nan = np.nan
    low = np.array([nan if g.range_low is None else g.range_low for g in study.gauges])
    high = np.array([nan if g.range_high is None else g.range_high for g in study.gauges])
    moved = np.array([bool(g.offset) or g.gain not in (None, 1.0) for g in study.gauges])
    g = gauge[rows]
    known = g >= 0
    x = r.value[rows]
    outside = known & ((x < low[g]) | (x > high[g]))
    flags |= np.where(outside, BIT["outside_gauge_range"], 0)
    flags |= np.where(known & moved[g], BIT["gauge_corrected"], 0)
    return flags


def _dimension_trial(study: Study, t: int, dimension: str) -> int | str:
    """The trial that measured `dimension` for trial `t`, or why there is none.

    The one under the same condition; else the one as received; else the only one.
    """
    here = study.trials[t]
    found = [i for i, other in enumerate(study.trials) if other.property == dimension and i != t]
    found = [i for i in found if not study.trials[i].divide_by]
    for wanted in (here.condition, None):
        same = [i for i in found if study.trials[i].condition == wanted]
        if len(same) == 1:
            return same[0]
        if len(same) > 1:
            return f"several trials measure {dimension}"
    if len(found) == 1:
        return found[0]
    return f"several trials measure {dimension}" if found else f"no trial measures {dimension}"


def _divided(study: Study, v: Values, notes) -> Values:
    """Values of normalising trials divided by each specimen's own mean dimension."""
    value, counted, why = v.value.copy(), v.counted.copy(), v.why_not.copy()
    links = [(v.link_row, v.link_gauge, v.link_offset.copy(), v.link_gain.copy())]
    for t, trial in enumerate(study.trials):
        if not trial.divide_by:
            continue
        rows = np.flatnonzero((v.trial == t) & v.counted)
        specimen = v.specimen[rows]
        divisor = np.ones(len(rows))
        lacking = np.full(len(rows), "", dtype=object)
        lacking[specimen < 0] = "no specimen code, so no dimension of its own"
        parts = []
        for dimension in trial.divide_by:
            source = _dimension_trial(study, t, dimension)
            if isinstance(source, str):
                notes.add("warning", trial.code, f"cannot be divided by {dimension}: {source}")
                lacking[lacking == ""] = source
                continue
            d = np.flatnonzero((v.trial == source) & v.counted & (v.bound == 0) & (v.specimen >= 0))
            count = np.bincount(v.specimen[d], minlength=len(study.specimens) + 1)
            total = np.bincount(v.specimen[d], v.value[d], minlength=len(study.specimens) + 1)
            mean = np.divide(total, count, out=np.full(len(count), np.nan), where=count > 0)[specimen]
            lacking[(lacking == "") & np.isnan(mean)] = f"no {dimension} of this specimen"
            lacking[(lacking == "") & ~(mean > 0)] = f"{dimension} of this specimen is not above zero"
            with np.errstate(over="ignore", under="ignore"):
                divisor = divisor * mean
            parts.append((source, mean, count))
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            usable = (np.abs(v.value[rows] / divisor) <= LARGEST) & (divisor <= LARGEST) & (divisor >= SMALLEST)
        lacking[(lacking == "") & ~usable] = TOO_LARGE
        good = lacking == ""
        value[rows[good]] = v.value[rows[good]] / divisor[good]
        value[rows[~good]] = np.nan
        counted[rows[~good]] = False
        why[rows[~good]] = lacking[~good]
        links = _divided_links(study, v, links, rows[good], value, divisor[good], [
            (source, mean[good], count) for source, mean, count in parts
        ])  # fmt: skip
    row, gauge, offset, gain = (np.concatenate(c) for c in zip(*links, strict=True))
    return replace(
        v, value=value, counted=counted, why_not=why,
        link_row=row, link_gauge=gauge, link_offset=offset, link_gain=gain,
    )  # fmt: skip


def _divided_links(study, v, links, rows, value, divisor, parts):
    """Gauge links after division: a value's own shrink by the divisor, its dimensions' are added.

    d(F/w) = dF/w - (F/w) dw/w, and dw of a specimen is the mean over its dimension rows.
    """
    by_row = np.ones(len(v))
    by_row[rows] = divisor
    own_row, own_gauge, own_offset, own_gain = links[0]
    links[0] = (own_row, own_gauge, own_offset / by_row[own_row], own_gain / by_row[own_row])
    row_of = np.full(len(study.specimens) + 1, -1, dtype=np.intp)
    row_of[v.specimen[rows]] = rows
    for source, mean, count in parts:
        slope = np.zeros(len(v))
        slope[rows] = -value[rows] / mean
        use = (v.trial[v.link_row] == source) & v.counted[v.link_row] & (v.bound[v.link_row] == 0)
        use &= v.specimen[v.link_row] >= 0
        of = v.specimen[v.link_row[use]]
        target = row_of[of]
        hit = target >= 0
        weight = slope[target[hit]] / count[of[hit]]
        links.append((
            target[hit], v.link_gauge[use][hit],
            weight * v.link_offset[use][hit], weight * v.link_gain[use][hit],
        ))  # fmt: skip
    return links


def _plausible(study: Study, v: Values) -> Values:
    nan = np.nan
    limits = [study.properties[t.property] for t in study.trials]
    low = np.array([nan if p.plausible_low is None else p.plausible_low for p in limits] + [nan])
    high = np.array([nan if p.plausible_high is None else p.plausible_high for p in limits] + [nan])
    outside = (v.value < low[v.trial]) | (v.value > high[v.trial])
    return replace(v, flags=v.flags | np.where(outside, BIT["outside_plausible_range"], 0))


def _with_uncounted(study: Study, v: Values, rows: np.ndarray, value: np.ndarray, why: np.ndarray) -> Values:
    """The table with a row for each reading that does not count, all rows in their final order."""
    r = study.readings
    n, extra = len(v), len(rows)
    divides = np.array([bool(t.divide_by) for t in study.trials] + [False])
    joined = {
        "trial": r.trial[rows], "product": r.product[rows], "unit": _units(study, rows),
        "specimen": r.specimen[rows], "rater": r.rater[rows], "run": r.run[rows],
        "value": np.where(divides[r.trial[rows]], np.nan, value[rows]), "bound": r.bound[rows],
        "counted": np.zeros(extra, dtype=bool), "why_not": why[rows],
        "flags": np.zeros(extra, dtype=np.int64), "order": r.order[rows],
        "day": np.array(r.day[rows], dtype=object),
    }  # fmt: skip
    columns = {name: np.concatenate([getattr(v, name), new]) for name, new in joined.items()}
    size = np.append(np.diff(v.start), np.ones(extra, dtype=np.intp)).astype(np.intp)
    first = np.append(v.reading[v.start[:-1]], rows)
    order = np.lexsort(
        (first, columns["rater"], columns["specimen"], columns["unit"], columns["product"], columns["trial"])
    )
    place = np.empty(n + extra, dtype=np.intp)
    place[order] = np.arange(n + extra)
    all_readings = np.append(v.reading, rows)
    begin = np.append(v.start, len(v.reading) + np.arange(1, extra + 1))[:-1][order]
    start = np.concatenate([[0], np.cumsum(size[order])]).astype(np.intp)
    reading = all_readings[np.repeat(begin - start[:-1], size[order]) + np.arange(start[-1])]
    return Values(
        **{name: column[order] for name, column in columns.items()},
        start=start, reading=reading, link_row=place[v.link_row], link_gauge=v.link_gauge,
        link_offset=v.link_offset, link_gain=v.link_gain,
    )  # fmt: skip


def specimen_rows(study: Study, v: Values) -> list[dict]:
    """The `specimens` rows of the document, one for each row of `v`, in its order."""

    def names(table: tuple[str, ...], index: np.ndarray) -> list:
        lookup = (*table, None)
        return [lookup[i] for i in index.tolist()]

    sets = {bits: [f for f in FLAGS if bits & BIT[f]] for bits in np.unique(v.flags).tolist()}
    units = tuple(study.properties[t.property].unit for t in study.trials)
    runs = [tuple(run.code for run in t.runs) for t in study.trials]
    code = np.asarray(study.readings.code, dtype=object)[v.reading].tolist()
    start = v.start.tolist()
    marks = {-1: "<", 0: "=", 1: ">"}
    trial = v.trial.tolist()
    columns = zip(
        names(tuple(t.code for t in study.trials), v.trial), names(study.products, v.product),
        names(study.units, v.unit), names(study.specimens, v.specimen), names(study.raters, v.rater),
        v.run.tolist(), rounded_column(v.value), v.bound.tolist(), v.counted.tolist(), v.why_not.tolist(),
        v.flags.tolist(), rounded_column(v.order), v.day.tolist(), trial, strict=True,
    )  # fmt: skip
    return Ready([
        {
            "trial": t, "product": p, "unit": u, "specimen": s, "rater": rater,
            "run": runs[ti][run] if 0 <= run < len(runs[ti]) else None,
            "value": x, "bound": marks[b], "unit_of_measure": units[ti], "counted": c,
            "why_not": w or None, "flags": sets[f], "readings": code[start[i] : start[i + 1]],
            "order": o, "day": d or None,
        }
        for i, (t, p, u, s, rater, run, x, b, c, w, f, o, d, ti) in enumerate(columns)
    ])  # fmt: skip

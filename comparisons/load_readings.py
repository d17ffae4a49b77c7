"""The readings of a study's tables as arrays: values, chains, people, and the gauges in their states."""

from __future__ import annotations

from collections import Counter, defaultdict

import numpy as np

from specimens import units

from .analysis import study as s
from .folder.people import pseudonyms
from .folder.tables import Tables, number, passed, time, yes

_BOUNDS = {"": 0, "=": 0, "<": -1, ">": 1}


def index(codes) -> dict[str, int]:
    """Position of each code."""
    return {code: at for at, code in enumerate(codes)}


def as_float(value) -> float | None:
    """A cell's or a key's number as a float; None where it is blank."""
    if value in (None, ""):
        return None
    return float(number(value) if isinstance(value, str) else value)


class ReadingsLoader:
    """Builds the arrays of readings; on the way, the raters and the gauges in their calibration states."""

    def __init__(self, tables, trials, properties, product_at, unit_at, unit_product, specimen_at, specimen_unit):
        self.tables = tables
        self.trials = trials
        self.properties = properties
        self.property_of = {t.code: t.property for t in trials}
        self.corrections: tuple[s.Correction, ...] = ()
        self.typed_unit = {row["trial"]: row.get("reading_unit", "") for row in tables["trials"].rows()}
        self.product_at, self.unit_at = product_at, unit_at
        self.specimen_at, self.specimen_unit = specimen_at, specimen_unit
        self.gauges: list[s.Gauge] = []
        self.raters: tuple[str, ...] = ()
        self.first_taken: dict[str | None, object] = {}

    def load(self) -> s.Readings:
        column = self.tables["readings"].sorted().columns
        trial_at = index([t.code for t in self.trials])
        trial = np.array([trial_at[c] for c in column["trial"]], dtype=np.int32)
        specimen = np.array([self.specimen_at[c] if c else -1 for c in column["specimen"]], dtype=np.int32)
        unit = np.array([self.unit_at[c] if c else -1 for c in column["unit"]], dtype=np.int32)
        from_specimen = (unit < 0) & (specimen >= 0)
        unit[from_specimen] = self.specimen_unit[specimen[from_specimen]]
        taken = [time(text) if text else None for text in column["taken_at"]]
        day = [t.date().isoformat() if t else "" for t in taken]
        self._remember_first(column["trial"], taken)
        gauge, overdue = self._gauges(column["instrument"], column["trial"], day)
        value, unreadable = self._values(column)
        self._correct(column, value, day)
        live, why_not = self._chains(column, unreadable)
        return s.Readings(
            code=np.array(column["reading"], dtype=object),
            trial=trial,
            product=np.array([self.product_at[c] for c in column["product"]], dtype=np.int32),
            unit=unit,
            specimen=specimen,
            rater=self._rater_indices(column),
            gauge=gauge,
            run=self._runs(column),
            value=value,
            bound=np.array([_BOUNDS[b] for b in column["bound"]], dtype=np.int8),
            live=live,
            why_not=why_not,
            overdue=overdue,
            order=np.array([float(o) if o else np.nan for o in column["order"]]),
            day=np.array(day, dtype=object),
        )

    def _remember_first(self, trials: list[str], taken: list) -> None:
        """The first moment of each trial, and of the whole study under None."""
        for code, at in zip(trials, taken, strict=True):
            if at is not None:
                for key in (code, None):
                    if key not in self.first_taken or at < self.first_taken[key]:
                        self.first_taken[key] = at

    def _rater_indices(self, column) -> np.ndarray:
        names = pseudonyms(column["reading"], column["operator"], column["rater"])
        rating = {t.code for t in self.trials if self.properties[t.property].kind == "rating"}
        raters = [
            names.get((rater or operator) if trial in rating else rater)
            for rater, operator, trial in zip(column["rater"], column["operator"], column["trial"], strict=True)
        ]
        self.raters = tuple(sorted({r for r in raters if r}))
        at = index(self.raters)
        return np.array([at[r] if r else -1 for r in raters], dtype=np.int32)

    def _runs(self, column) -> np.ndarray:
        at = {(t.code, run.code): i for t in self.trials for i, run in enumerate(t.runs)}
        return np.array(
            [at[trial, run] if run else -1 for trial, run in zip(column["trial"], column["run"], strict=True)],
            dtype=np.int32,
        )

    def _values(self, column) -> tuple[np.ndarray, dict[int, str]]:
        """Values in each trial's reading unit; what says nothing in numbers is told by row."""
        by_code = {t.code: t for t in self.trials}
        known: dict[tuple[str, str, str], float | None] = {}
        values, unreadable = np.full(len(column["value"]), np.nan), {}
        for i, key in enumerate(zip(column["trial"], column["value"], column["unit_of_measure"], strict=True)):
            if key not in known:
                known[key] = self._value(by_code[key[0]], key[1], key[2])
            if known[key] is None:
                unreadable[i] = f"“{key[1][:20]}” is no number"
            else:
                values[i] = known[key]
        return values, unreadable

    def _correct(self, column, value: np.ndarray, days: list[str]) -> None:
        """Multiply the readings of a gauge found wrong by the stated factor, in place; count them.

        A reading without a day is not corrected: nobody can tell whether it was taken in that time.
        """
        counted: Counter = Counter()
        rows = self.tables["corrections"].sorted().rows()
        for row in (row for row in rows if not row["undone_at"]):
            factor = float(number(row["factor"]))
            for i, (instrument, day) in enumerate(zip(column["instrument"], days, strict=True)):
                if instrument != row["instrument"]:
                    continue
                trial = column["trial"][i]
                if self.properties[self.property_of[trial]].kind != "quantity":
                    continue
                if day and row["since"] <= day <= row["until"]:
                    value[i] *= factor
                    counted[trial, row["correction"], instrument, row["since"], row["until"], factor, ""] += 1
                elif not day:
                    counted[trial, row["correction"], instrument, row["since"], row["until"], factor, "undated"] += 1
        self.corrections = tuple(
            s.Correction(*key[:6], readings=n, undated=key[6] == "undated") for key, n in sorted(counted.items())
        )

    def _value(self, trial: s.Trial, text: str, unit: str) -> float | None:
        kind = self.properties[trial.property].kind
        if kind == "pass_fail":
            return float(passed(text))
        typed = number(text)
        if typed is None:
            return None
        unit = unit or self.typed_unit[trial.code] or trial.reading_unit
        if kind != "quantity" or unit == trial.reading_unit:
            return float(typed)
        return float(units.convert(typed, unit, trial.reading_unit))

    def _chains(self, column, unreadable: dict[int, str]) -> tuple[np.ndarray, np.ndarray]:
        """Which readings are live heads, and why the others (or uncounted heads) do not count.

        A head that is voided never brings back the reading that it replaced.
        """
        replaced_by = {old: new for new, old in zip(column["reading"], column["replaces"], strict=True) if old}
        uncounted = {
            (row["method"], row["mode"])
            for row in self.tables["failure_modes"].rows()
            if not yes(row.get("counts", ""))
        }
        method_of = {t.code: t.method for t in self.trials}
        live = np.ones(len(column["reading"]), dtype=bool)
        why_not = np.full(len(live), "", dtype=object)
        for i, (code, reason, mode, trial) in enumerate(zip(
            column["reading"], column["void_reason"], column["failure_mode"], column["trial"], strict=True
        )):
            if code in replaced_by:
                live[i], why_not[i] = False, f"replaced by {replaced_by[code]}"
            elif reason:
                live[i], why_not[i] = False, "void"
            elif mode and (method_of[trial], mode) in uncounted:
                why_not[i] = f"failure mode {mode} does not count"
            elif i in unreadable:
                why_not[i] = unreadable[i]
        return live, why_not

    def _gauges(self, instruments, trials, days) -> tuple[np.ndarray, np.ndarray]:
        """Index of each reading's gauge in the state it had that day, and whether that was past due."""
        states = _calibration_states(self.tables)
        rows = {row["instrument"]: row for row in self.tables["instruments"].rows()}
        reading_unit = {
            t.code: t.reading_unit if self.properties[t.property].kind == "quantity" else None
            for t in self.trials
        }
        chosen: dict[tuple[str, str, str], int] = {}
        made: dict[s.Gauge, int] = {}
        index = np.full(len(instruments), -1, dtype=np.int32)
        overdue = np.zeros(len(instruments), dtype=bool)
        for i, key in enumerate(zip(instruments, trials, days, strict=True)):
            if not key[0]:
                continue
            if key not in chosen:
                state = _state_on(states[key[0]], key[2])
                gauge = _gauge(rows[key[0]], state, reading_unit[key[1]])
                chosen[key] = made.setdefault(gauge, len(made))
            index[i] = chosen[key]
        ordered = sorted(made, key=lambda g: (g.instrument, g.unit, g.calibrated_on or ""))
        new_index = np.array([ordered.index(g) for g in made] or [0], dtype=np.int32)
        index = np.where(index >= 0, new_index[index], -1).astype(np.int32)
        self.gauges = ordered
        for i, (at, day) in enumerate(zip(index, days, strict=True)):
            overdue[i] = bool(at >= 0 and day and ordered[at].due_on and day > ordered[at].due_on)
        return index, overdue


def _calibration_states(tables: Tables) -> dict[str, list[dict[str, str]]]:
    """Each instrument's calibrations, oldest first; its own dates are the latest of them."""
    states = defaultdict(dict)
    for row in tables["instruments"].rows():
        states[row["instrument"]] = {}
        if row.get("calibrated_on"):
            states[row["instrument"]][row["calibrated_on"]] = {
                "calibrated_on": row["calibrated_on"], "due_on": row.get("due_on", "")
            }
    for row in tables["calibrations"].rows():
        earlier = states[row["instrument"]].get(row["calibrated_on"], {})
        states[row["instrument"]][row["calibrated_on"]] = row | {
            "due_on": row.get("due_on") or earlier.get("due_on", "")
        }
    return {code: [by_day[day] for day in sorted(by_day)] for code, by_day in states.items()}


def _state_on(states: list[dict[str, str]], day: str) -> dict[str, str]:
    """The last calibration up to that day (ISO text); of an unknown day, the latest."""
    past = [state for state in states if not day or state["calibrated_on"] <= day]
    return past[-1] if past else {}


def _gauge(row: dict[str, str], state: dict[str, str], unit: str | None) -> s.Gauge:
    """An instrument in one state, seen in `unit`; a blank unit of its own means that one.

    Without a unit (a stopwatch that decides pass or fail) its amounts say nothing of the reading.
    """
    dates = {"calibrated_on": state.get("calibrated_on") or None, "due_on": state.get("due_on") or None}
    if unit is None:
        return s.Gauge(instrument=row["instrument"], unit="", **dates)
    own = row.get("unit") or unit

    def amount(text: str | None, difference: bool = True) -> float | None:
        typed = number(text or "")
        if typed is None:
            return None
        return float(typed) if own == unit else float(units.convert(typed, own, unit, difference=difference))

    return s.Gauge(
        instrument=row["instrument"],
        unit=unit,
        resolution=amount(row.get("resolution")),
        accuracy_abs=amount(row.get("accuracy_abs")),
        accuracy_pct=as_float(row.get("accuracy_pct")),
        accuracy_basis=row.get("accuracy_basis") or None,
        full_scale=amount(row.get("range_high")),
        range_low=amount(row.get("range_low"), difference=False),
        range_high=amount(row.get("range_high"), difference=False),
        **dates,
        U=amount(state.get("U")),
        k=as_float(state.get("k")),
        offset=amount(state.get("offset")),
        gain=as_float(state.get("gain")),
    )



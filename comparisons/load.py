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
from .folder.people import pseudonyms
from .folder.tables import Tables, dimensions, number, only_revisions, passed, time, yes

_BOUNDS = {"": 0, "=": 0, "<": -1, ">": 1}
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
    product_at, unit_at = _index(products), _index(unit_codes)
    unit_product = np.array([product_at[row["product"]] for row in unit_rows], dtype=np.int32)
    specimen_unit = np.array([unit_at[row["unit"]] for row in specimen_rows], dtype=np.int32)
    loader = _Readings(tables, trials, properties, product_at, unit_at, unit_product,
                       _index(tuple(row["specimen"] for row in specimen_rows)), specimen_unit)
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


def _index(codes) -> dict[str, int]:
    return {code: at for at, code in enumerate(codes)}


def _float(value) -> float | None:
    if value in (None, ""):
        return None
    return float(number(value) if isinstance(value, str) else value)


def _int(text: str) -> int | None:
    return int(text) if text else None


def _decision(part: dict) -> s.Decision:
    default = s.Decision()
    return s.Decision(
        confidence=_float(part.get("confidence")) or default.confidence,
        rule=part.get("rule") or default.rule,
        rounding=part.get("rounding") or default.rounding,
        coverage=_float(part.get("coverage")) or default.coverage,
        price_cap=_float(part.get("price_cap")),
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
                name: _float(row.get(name))
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
                **{name: _float(row.get(name)) for name in ("price", "shipping", "packs", "items_per_pack")},
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
                **{name: _float(part.get(name)) for name in ("floor", "ceiling", "target", "band")},
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


class _Readings:
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
        trial_at = _index([t.code for t in self.trials])
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
        at = _index(self.raters)
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
        accuracy_pct=_float(row.get("accuracy_pct")),
        accuracy_basis=row.get("accuracy_basis") or None,
        full_scale=amount(row.get("range_high")),
        range_low=amount(row.get("range_low"), difference=False),
        range_high=amount(row.get("range_high"), difference=False),
        **dates,
        U=amount(state.get("U")),
        k=_float(state.get("k")),
        offset=amount(state.get("offset")),
        gain=_float(state.get("gain")),
    )



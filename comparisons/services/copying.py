"""Copying of what a comparison planned, claimed and measured into another one's programme.

Rows are copied as they stand; only what they point to changes. Codes stay; where the old comparison judged several
programmes they get the prefix that its exports give them.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from datetime import datetime

from comparisons.models import Comparison, Criterion, TrialPlan, Weight, Weighting
from comparisons.pages.carried import CARRIED
from specimens import models as sm
from specimens.models.base import CODE_LENGTH

BATCH = 2_000
OWN, NEW = "earlier", "new"  # codes of a trial's runs: that of readings without one, and that of new readings


def fields_of(row, *leave_out: str) -> dict:
    """A row's own columns as attribute names and values, without its key and those left out."""
    return {
        f.attname: getattr(row, f.attname)
        for f in row._meta.concrete_fields if not f.primary_key and f.name not in leave_out
    }  # fmt: skip


class Copy:
    """One copying. maps: table -> old key -> new key; count: how many rows of each were made.

    products: keys of the team's products that are kept.
    """

    def __init__(self, old: Comparison, new: Comparison, programme: sm.Programme, products: set[int]):
        self.old, self.new, self.programme, self.products = old, new, programme, products
        parts = list(old.parts.order_by("prefix", "id").values_list("programme_id", "prefix"))
        self.programmes = [key for key, _ in parts]
        self.prefix = {key: f"{prefix or key}." if len(parts) > 1 else "" for key, prefix in parts}
        self.maps: dict[str, dict[int, int]] = defaultdict(dict)
        self.count: Counter = Counter()

    def code(self, row) -> str:
        return (self.prefix[row.programme_id] + row.code)[:CODE_LENGTH]

    def path(self, programme: int, path: str) -> str:
        if self.prefix[programme] and path.startswith("files/"):
            return f"files/{self.prefix[programme][:-1]}/{path.removeprefix('files/')}"
        return path

    def _rows(self, model, **where):
        """Rows of the old programmes, those of the first programme first."""
        found = model.objects.filter(programme__in=self.programmes, **where).order_by("pk")
        return sorted(found, key=lambda row: self.programmes.index(row.programme_id))

    def _make(self, name: str, pairs) -> list:
        """Store new rows; pairs: (old row, new row). Returns the new ones."""
        pairs = list(pairs)
        made = type(pairs[0][1]).objects.bulk_create([new for _, new in pairs], batch_size=BATCH) if pairs else []
        self.maps[name] |= {old.pk: new.pk for (old, _), new in zip(pairs, made, strict=True)}
        self.count[name] += len(made)
        return made

    def _same(self, name: str, key: int | None) -> int | None:
        return None if key is None else self.maps[name].get(key)

    # -- the plan ----------------------------------------------------------------------------------------

    def plan(self) -> None:
        """Products, properties, conditions, methods, instruments, trials, criteria and weightings."""
        self._products()
        for name, model in (("properties", sm.Property), ("conditions", sm.Condition)):
            self._make(name, (
                (row, model(**fields_of(row, "programme", "code"), programme=self.programme, code=self.code(row)))
                for row in self._rows(model)
            ))  # fmt: skip
        self._methods()
        known: set[int] = set()
        instruments = []
        for row in self._rows(sm.ProgrammeInstrument):
            if row.instrument_id not in known:
                known.add(row.instrument_id)
                instruments.append((row, sm.ProgrammeInstrument(
                    programme=self.programme, instrument_id=row.instrument_id, code=self.code(row)
                )))  # fmt: skip
        self._make("instruments", instruments)
        self._trials()
        self._attachments("trial", "trials")
        self._criteria()

    def _products(self) -> None:
        first: dict[int, sm.ProgrammeProduct] = {}
        twice: list[sm.ProgrammeProduct] = []
        for row in self._rows(sm.ProgrammeProduct, product__in=self.products):
            twice.append(row) if row.product_id in first else first.setdefault(row.product_id, row)
        self._make("products", (
            (row, sm.ProgrammeProduct(
                programme=self.programme, product_id=row.product_id, code=self.code(row), notes=row.notes
            ))
            for row in first.values()
        ))  # fmt: skip
        self.maps["products"] |= {row.pk: self.maps["products"][first[row.product_id].pk] for row in twice}

    def _methods(self) -> None:
        first: dict[int, sm.MethodInProgramme] = {}
        rows = self._rows(sm.MethodInProgramme)
        for row in rows:
            first.setdefault(row.method_id, row)
        self._make("methods", (
            (row, sm.MethodInProgramme(programme=self.programme, method_id=row.method_id, code=self.code(row)))
            for row in first.values()
        ))  # fmt: skip
        made = {row.pk: self.maps["methods"][first[row.method_id].pk] for row in rows}
        through = sm.MethodInProgramme.revisions.through
        listed = {
            (made[key], revision)
            for key, revision in through.objects.filter(methodinprogramme__in=made).values_list(
                "methodinprogramme", "methodrevision"
            )
        }
        through.objects.bulk_create(
            through(methodinprogramme_id=method, methodrevision_id=revision) for method, revision in sorted(listed)
        )
        modes: dict[tuple, tuple] = {}
        found = sm.FailureMode.objects.filter(method__in=made).select_related("method").order_by("pk")
        for row in found:
            code = self.prefix[row.method.programme_id] + row.code
            modes.setdefault((made[row.method_id], code), (row, sm.FailureMode(
                method_id=made[row.method_id], code=code, name=row.name, counts=row.counts
            )))  # fmt: skip
        self._make("failure_modes", modes.values())

    def _trials(self) -> None:
        rows = self._rows(sm.Trial)
        left = {row.pk: row for row in rows}
        while left:
            wave = [row for row in left.values() if row.baseline_id not in left]
            self._make("trials", (
                (row, sm.Trial(
                    **fields_of(row, "programme", "code", "property", "condition", "baseline", "seed"),
                    programme=self.programme, code=self.code(row), property_id=self.maps["properties"][row.property_id],
                    condition_id=self._same("conditions", row.condition_id),
                    baseline_id=self._same("trials", row.baseline_id),
                ))
                for row in wave
            ))  # fmt: skip
            for row in wave:
                del left[row.pk]
        self._make("dimensions", (
            (row, sm.TrialDimension(
                trial_id=self.maps["trials"][row.trial_id], property_id=self.maps["properties"][row.property_id],
                position=row.position,
            ))
            for row in sm.TrialDimension.objects.filter(trial__in=rows)
        ))  # fmt: skip
        TrialPlan.objects.bulk_create(
            TrialPlan(**fields_of(row, "trial", "starts_on"), trial_id=self.maps["trials"][row.trial_id])
            for row in TrialPlan.objects.filter(trial__in=rows)
        )

    def _criteria(self) -> None:
        criteria: dict[int, int] = {}
        for row in self.old.criteria.all():
            new = Criterion(**fields_of(row, "comparison", "trial", "certification"), comparison=self.new)
            new.trial_id = self._same("trials", row.trial_id)
            new.certification_id = self._same("properties", row.certification_id)
            new.save()
            criteria[row.pk] = new.pk
        for row in self.old.weightings.prefetch_related("weights"):
            new = Weighting.objects.create(**fields_of(row, "comparison"), comparison=self.new)
            Weight.objects.bulk_create(
                Weight(weighting=new, criterion_id=criteria[w.criterion_id], position=w.position, weight=w.weight)
                for w in row.weights.all()
            )

    # -- claims ------------------------------------------------------------------------------------------

    def claims(self) -> None:
        """The claims of the products that are kept, with the day on which they were seen, and their pictures."""
        pairs = []
        for row in self._rows(sm.Claim, product__product__in=self.products):
            new = sm.Claim(
                **fields_of(row, "programme", "code", "product", "property", "trial", "condition"),
                programme=self.programme, code=self.code(row), product_id=self.maps["products"][row.product_id],
                property_id=self.maps["properties"][row.property_id], trial_id=self._same("trials", row.trial_id),
                condition_id=self._same("conditions", row.condition_id),
            )  # fmt: skip
            pairs.append((row, new))
        self._make("claims", pairs)
        self._attachments("claim", "claims")
        self._attachments("product", "products")
        absences = sm.Absence.objects.filter(
            trial__in=self.maps["trials"], product__in=self.maps["products"],
            reason__in=["not_planned", "not_applicable"],
        )  # fmt: skip
        self._absences(absences)

    def _absences(self, found) -> None:
        there = set(sm.Absence.objects.filter(trial__programme=self.programme).values_list("trial", "product"))
        fresh = {}
        for row in found:
            key = self.maps["trials"][row.trial_id], self.maps["products"][row.product_id]
            if key not in there:
                fresh[key] = sm.Absence(trial_id=key[0], product_id=key[1], reason=row.reason, note=row.note)
        sm.Absence.objects.bulk_create(fresh.values())

    def _attachments(self, about: str, name: str) -> None:
        """The files about what was copied: rows of their own that hold the same bytes."""
        there = set(self.programme.attachments.values_list("path", flat=True))
        pairs = []
        for row in self._rows(sm.Attachment, about=about, **{f"{about}__in": list(self.maps[name])}):
            path = self.path(row.programme_id, row.path)
            if path in there:
                continue
            there.add(path)
            new = sm.Attachment(**fields_of(row, "programme", "path", about), programme=self.programme, path=path)
            setattr(new, f"{about}_id", self.maps[name][getattr(row, f"{about}_id")])
            pairs.append((row, new))
        self._make("files", pairs)

    # -- results -----------------------------------------------------------------------------------------

    def results(self, readings, pooled_because: str, now: datetime) -> int:
        """Readings with all that they rest on; how many. readings: a queryset of the old comparison's."""
        rows = self._whole_chains(list(readings.select_related("specimen", "run", "void").order_by("pk")))
        if not rows:
            return 0
        specimens = {row.specimen_id: row.specimen for row in rows if row.specimen_id}
        self._units({row.unit_id for row in rows if row.unit_id} | {s.unit_id for s in specimens.values()})
        self._make("specimens", (
            # A label at the bench leads to one specimen: the copy, whose work is done, gets none.
            (row, sm.Specimen(**fields_of(row, "programme", "unit", "code", "blind_code"), programme=self.programme,
                              unit_id=self.maps["units"][row.unit_id], code=self.code(row)))
            for row in specimens.values()
        ))  # fmt: skip
        exposures = sm.Exposure.objects.filter(specimen__in=list(specimens))
        sm.Exposure.objects.bulk_create((
            sm.Exposure(**fields_of(row, "specimen", "condition"), specimen_id=self.maps["specimens"][row.specimen_id],
                        condition_id=self.maps["conditions"][row.condition_id])
            for row in exposures
        ), batch_size=BATCH)  # fmt: skip
        self._attachments("specimen", "specimens")
        runs = self._runs(rows, pooled_because, now)
        self._readings(rows, runs)
        self._attachments("reading", "readings")
        self._corrections(rows)
        pairs = {(row.trial_id, row.product_id) for row in rows}
        lost = sm.Absence.objects.filter(
            trial__in={t for t, _ in pairs}, product__in={p for _, p in pairs}, reason__in=["lost", "excluded"]
        )
        self._absences([row for row in lost if (row.trial_id, row.product_id) in pairs])
        return len(rows)

    @staticmethod
    def _whole_chains(rows: list[sm.Reading]) -> list[sm.Reading]:
        """Without readings that replace, or are replaced by, one that is not carried over."""
        keys = {row.pk for row in rows}
        replaced_by = dict(
            sm.Reading.objects.filter(replaces__in=keys).values_list("replaces", "pk")
        )
        while True:
            kept = [
                row for row in rows
                if (row.replaces_id is None or row.replaces_id in keys)
                and (row.pk not in replaced_by or replaced_by[row.pk] in keys)
            ]
            if len(kept) == len(rows):
                return kept
            rows, keys = kept, {row.pk for row in kept}

    def _units(self, keys: set[int]) -> None:
        units = list(sm.Unit.objects.filter(pk__in=keys).order_by("pk"))
        bought = sm.Purchase.objects.filter(pk__in={u.purchase_id for u in units if u.purchase_id}).order_by("pk")
        self._make("purchases", (
            (row, sm.Purchase(
                **fields_of(row, "programme", "product", "code", "receipt"), programme=self.programme,
                product_id=self.maps["products"][row.product_id], code=self.code(row),
                receipt=self.path(row.programme_id, row.receipt),
            ))
            for row in bought
        ))  # fmt: skip
        self._attachments("purchase", "purchases")
        self._make("units", (
            (row, sm.Unit(
                programme=self.programme, product_id=self.maps["products"][row.product_id],
                purchase_id=self._same("purchases", row.purchase_id), code=self.code(row), lot=row.lot,
            ))
            for row in units
        ))  # fmt: skip

    def _runs(self, rows, pooled_because: str, now: datetime) -> dict[tuple, int]:
        """(old trial, old run or None) -> new run. Each trial gets one more, for what will be measured now."""
        days: dict[tuple, list[datetime]] = defaultdict(list)
        old_runs: dict[tuple, tuple[sm.Run | None, str]] = {}
        for row in rows:
            key = row.trial_id, row.run_id
            old_runs[key] = row.run, self.prefix[row.programme_id]
            if row.taken_at:
                days[key].append(row.taken_at)
        made: dict[tuple, int] = {}
        for (trial, run_key), (run, prefix) in sorted(old_runs.items(), key=lambda item: (item[0][0], item[0][1] or 0)):
            taken = days[trial, run_key]
            first = (run.started_at if run else None) or (min(taken) if taken else None)
            said = f"{CARRIED}“{self.old.title}” ({self.old.slug}){_when(taken)}. {run.reason if run else ''}".strip()
            made[trial, run_key] = sm.Run.objects.create(
                trial_id=self.maps["trials"][trial], code=(prefix + run.code)[:CODE_LENGTH] if run else OWN,
                started_at=first, started_at_text=first.isoformat(timespec="seconds") if first else "", reason=said,
                pooled_because=run.pooled_because if run else "",
                anchor_product_id=self._same("products", run.anchor_product_id) if run else None,
            ).pk  # fmt: skip
        for trial in {trial for trial, _ in made}:
            taken_codes = set(sm.Run.objects.filter(trial=self.maps["trials"][trial]).values_list("code", flat=True))
            code = next(c for n in range(1, 10_000) if (c := NEW if n == 1 else f"{NEW}-{n}") not in taken_codes)
            sm.Run.objects.create(
                trial_id=self.maps["trials"][trial], code=code, started_at=now,
                started_at_text=now.isoformat(timespec="seconds"), reason="Measured for this comparison.",
                pooled_because=pooled_because,
            )  # fmt: skip
        return made

    def _readings(self, rows, runs: dict[tuple, int]) -> None:
        left = {row.pk: row for row in rows}
        note = f"Carried over from {self.old.slug}, as it was taken there."
        while left:
            wave = [row for row in left.values() if row.replaces_id not in left]
            self._make("readings", (
                (row, sm.Reading(
                    **fields_of(row, "programme", "code", "trial", "product", "unit", "specimen", "run", "replaces",
                                "trace", "failure_mode", "note"),
                    programme=self.programme, code=self.code(row), trial_id=self.maps["trials"][row.trial_id],
                    product_id=self.maps["products"][row.product_id], unit_id=self._same("units", row.unit_id),
                    specimen_id=self._same("specimens", row.specimen_id), run_id=runs[row.trial_id, row.run_id],
                    replaces_id=self._same("readings", row.replaces_id),
                    trace=self.path(row.programme_id, row.trace),
                    failure_mode=self.prefix[row.programme_id] + row.failure_mode if row.failure_mode else "",
                    note=f"{row.note} {note}".strip(),
                ))
                for row in wave
            ))  # fmt: skip
            for row in wave:
                del left[row.pk]
        values = sm.ConvertedValue.objects.filter(reading__in=[row.pk for row in rows])
        sm.ConvertedValue.objects.bulk_create((
            sm.ConvertedValue(reading_id=self.maps["readings"][row.reading_id], value=row.value, unit=row.unit,
                              engine=row.engine, reason=row.reason)
            for row in values
        ), batch_size=BATCH)  # fmt: skip
        sm.Void.objects.bulk_create((
            sm.Void(**fields_of(row.void, "reading"), reading_id=self.maps["readings"][row.pk])
            for row in rows if getattr(row, "void", None) is not None
        ), batch_size=BATCH)  # fmt: skip

    def _corrections(self, rows) -> None:
        """A gauge's correction holds for the readings wherever they stand."""
        gauges = {row.instrument_id for row in rows if row.instrument_id}
        self._make("corrections", (
            (row, sm.ReadingCorrection(**fields_of(row, "programme", "code"), programme=self.programme,
                                       code=self.code(row)))
            for row in self._rows(sm.ReadingCorrection, instrument__in=gauges)
        ))  # fmt: skip


def _when(taken: list[datetime]) -> str:
    if not taken:
        return ""
    first, last = (f"{day.day} {day:%B %Y}" for day in (min(taken), max(taken)))
    return f", measured {first}" if first == last else f", measured {first} to {last}"

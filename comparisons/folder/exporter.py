"""From the database to the tables of a study folder, in a fixed number of queries whatever the size.

An evaluation loads from here as well. One comparison may judge several programmes: then every code is
`prefix.code`, and what is the team's (products, methods, instruments) keeps the code of the first
programme that knows it, so that one thing has one code.
"""

from __future__ import annotations

from collections import defaultdict
from decimal import Decimal

from django.core.files.base import ContentFile
from django.db.models import Case, Q, When
from django.db.models.fields.files import FieldFile

from specimens import models as sm

from .public import CleanPicture, cleaned, public_form
from .source import FileSource
from .spec import ABOUT, SPEC
from .tables import Table, Tables
from .write import write_folder, write_zip

CHUNK = 10_000
_CONTENT = sm.Attachment._meta.get_field("content")


class StoredFile(FileSource):
    """A file in the project's storage; its digest is the one kept when it was stored."""

    def __init__(self, content, sha256: str = ""):
        self.content = content
        if sha256:
            self._sha256 = sha256

    @property
    def size(self) -> int:
        return self.content.size

    def open(self):
        return self.content.storage.open(self.content.name, "rb")


CLEAN = "clean/1"  # folder of the cleaned pictures; the number rises when cleaning changes


def _kept_clean(path: str, source: StoredFile) -> FileSource | None:
    """The picture without metadata, made once and kept in the storage under the digest of the original."""
    storage = source.content.storage
    name = f"{CLEAN}/{source.sha256()}"
    if not storage.exists(name):
        clean = cleaned(path, source)
        if not isinstance(clean, CleanPicture):
            return clean
        storage.save(name, ContentFile(clean.read()))
    return StoredFile(FieldFile(None, _CONTENT, name))


def tables_from_db(comparison, public: bool = False) -> Tables:
    """The study of a comparison as its folder has it; `public` gives the form for readers.

    Hits the database: some thirty queries, whatever the size.
    """
    tables = _Export(comparison).tables()
    return public_form(tables, clean=_kept_clean) if public else tables


def plan_from_db(comparison) -> Tables:
    """Only what a comparison plans: products, properties, conditions, methods, trials, criteria, weightings.

    Hits the database: some fifteen queries, whatever the size.
    """
    export = _Export(comparison)
    export._products()
    export._properties_and_conditions()
    export._methods()
    export._trials()
    toml = export._comparison()
    return Tables({name: Table.from_rows(name, rows).sorted() for name, rows in export.rows.items()}, toml)


def _text(value) -> str:
    return "" if value is None else str(value)


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def _when(text: str, moment) -> str:
    """A time as typed; where it was not typed, as the server noted it."""
    return text or (moment.isoformat() if moment else "")


class _Export:
    def __init__(self, comparison):
        self.comparison = comparison
        parts = list(comparison.parts.order_by("prefix", "id").values_list("programme_id", "prefix"))
        self.programmes = [programme for programme, _ in parts]
        several = len(parts) > 1
        self.prefix = {p: f"{prefix or p}." if several else "" for p, prefix in parts}
        self.rank = {programme: i for i, programme in enumerate(self.programmes)}
        self.rows: dict[str, list] = defaultdict(list)
        self.code: dict[str, dict[int, str]] = defaultdict(dict)  # table -> primary key -> code

    def tables(self) -> Tables:
        self._products()
        self._purchases_and_units()
        self._properties_and_conditions()
        self._methods()
        self._trials()
        self._specimens()
        self._instruments()
        self._corrections()
        self._claims()
        readings = self._readings()
        files = self._files()
        comparison = self._comparison()
        made = {name: Table.from_rows(name, rows) for name, rows in self.rows.items()}
        made["readings"] = readings
        return Tables(
            {name: table.sorted() for name, table in made.items()},
            comparison,
            self.comparison.article.strip(),
            dict(self.comparison.package),
            files,
        )

    def _mine(self, model, *fields, by: str = "programme_id"):
        """Rows of the comparison's programmes, those of the first programme first."""
        found = model.objects.filter(**{f"{by}__in": self.programmes}).order_by("pk").values_list(by, *fields)
        return sorted(found, key=lambda row: self.rank[row[0]])

    def _coded(self, name: str, programme: int, pk: int, code: str) -> str:
        self.code[name][pk] = made = self.prefix[programme] + code
        return made

    def _products(self) -> None:
        fields = ("pk", "code", "notes", "product_id", "product__maker", "product__model", "product__variant")
        known: dict[int, str] = {}
        for programme, pk, code, notes, product, maker, model, variant in self._mine(
            sm.ProgrammeProduct, *fields
        ):
            if product in known:
                self.code["products"][pk] = known[product]
                continue
            known[product] = self._coded("products", programme, pk, code)
            self.rows["products"].append((known[product], maker, model, variant, notes))

    def _purchases_and_units(self) -> None:
        products = self.code["products"]
        fields = (
            "pk", "code", "product_id", "obtained", "seller", "bought_on", "price", "shipping", "currency",
            "packs", "items_per_pack", "content", "content_unit", "lot", "receipt",
        )  # fmt: skip
        for programme, pk, code, product, obtained, seller, bought_on, *rest in self._mine(
            sm.Purchase, *fields
        ):
            *rest, receipt = rest
            made = self._coded("purchases", programme, pk, code)
            self.rows["purchases"].append((
                made, products[product], obtained, seller, _text(bought_on), *map(_text, rest),
                self._path(programme, receipt),
            ))  # fmt: skip
        for programme, pk, code, product, purchase, lot in self._mine(
            sm.Unit, "pk", "code", "product_id", "purchase_id", "lot"
        ):
            made = self._coded("units", programme, pk, code)
            self.rows["units"].append(
                (made, products[product], self.code["purchases"].get(purchase, ""), lot)
            )

    def _properties_and_conditions(self) -> None:
        fields = (
            "pk", "code", "name", "kind", "unit", "better", "decimals", "plausible_low", "plausible_high",
            "tolerance_pct", "scale_low", "scale_high",
        )  # fmt: skip
        for programme, pk, code, *rest in self._mine(sm.Property, *fields):
            made = self._coded("properties", programme, pk, code)
            self.rows["properties"].append((made, *map(_text, rest)))
        fields = (
            "pk", "code", "name", "agent", "temperature", "temperature_unit", "duration", "duration_unit",
            "recovery", "recovery_unit",
        )  # fmt: skip
        for programme, pk, code, *rest in self._mine(sm.Condition, *fields):
            made = self._coded("conditions", programme, pk, code)
            self.rows["conditions"].append((made, *map(_text, rest)))

    def _methods(self) -> None:
        """Methods with the revisions that a programme lists, and those its trials use."""
        listed = self._mine(sm.MethodInProgramme, "pk", "code", "method_id")
        self.method: dict[int, str] = {}  # the team's method -> code
        part_of: dict[int, tuple[int, int]] = {}
        for programme, pk, code, method in listed:
            self.method.setdefault(method, self.prefix[programme] + code)
            part_of[pk] = (programme, method)
        used = (
            Q(programmes__programme_id__in=self.programmes) | Q(trials__programme_id__in=self.programmes)
            | Q(runs__trial__programme_id__in=self.programmes)
        )  # fmt: skip
        self.revision: dict[int, tuple[str, str]] = {}
        fields = ("standard", "relation", "departures", "cannot_show", "steps", "cautions")
        known = sm.MethodRevision.objects.filter(used).distinct()
        for pk, method, revision, title, hazardous, *rest in known.values_list(
            "pk", "method_id", "revision", "method__title", "hazardous", *fields
        ):
            # A trial may follow a method that its programme does not list under a code.
            code = self.method.setdefault(method, f"method-{method}")
            self.revision[pk] = (code, revision)
            self.rows["methods"].append((code, revision, title, *rest, _yes(hazardous)))
        for programme, method, code, name, counts in self._mine(
            sm.FailureMode, "method_id", "code", "name", "counts", by="method__programme_id"
        ):
            self.rows["failure_modes"].append(
                (self.method[part_of[method][1]], self.prefix[programme] + code, name, _yes(counts))
            )

    def _trials(self) -> None:
        properties, conditions = self.code["properties"], self.code["conditions"]
        divisors = defaultdict(list)
        for _programme, trial, prop in (
            sm.TrialDimension.objects.filter(trial__programme_id__in=self.programmes)
            .order_by("trial_id", "position")
            .values_list("trial__programme_id", "trial_id", "property_id")
        ):
            divisors[trial].append(properties[prop])
        fields = (
            "pk", "code", "property_id", "condition_id", "revision_id", "baseline_id", "paired",
            "reading_unit", "units_planned", "replicates", "blind", "seed",
        )  # fmt: skip
        trials = self._mine(sm.Trial, *fields)
        for programme, pk, code, *_ in trials:
            self._coded("trials", programme, pk, code)
        codes = self.code["trials"]
        for (
            _,
            pk,
            _,
            prop,
            condition,
            revision,
            baseline,
            paired,
            unit,
            planned,
            replicates,
            blind,
            seed,
        ) in trials:
            method, number = self.revision.get(revision, ("", ""))
            self.rows["trials"].append((
                codes[pk], properties[prop], conditions.get(condition, ""), method, number,
                codes.get(baseline, ""), _yes(paired), unit, "*".join(divisors[pk]), _text(planned),
                _text(replicates), _yes(blind), _text(seed),
            ))  # fmt: skip
        products = self.code["products"]
        for programme, pk, code, trial, started, text, reason, pooled, anchor, revision in self._mine(
            sm.Run, "pk", "code", "trial_id", "started_at", "started_at_text", "reason", "pooled_because",
            "anchor_product_id", "revision_id", by="trial__programme_id",
        ):  # fmt: skip
            made = self._coded("runs", programme, pk, code)
            _, number = self.revision.get(revision, ("", ""))
            self.rows["runs"].append(
                (codes[trial], made, _when(text, started), reason, pooled, products.get(anchor, ""), number)
            )
        for _, trial, product, reason, note in self._mine(
            sm.Absence, "trial_id", "product_id", "reason", "note", by="trial__programme_id"
        ):
            self.rows["absences"].append((codes[trial], products[product], reason, note))

    def _specimens(self) -> None:
        units, conditions = self.code["units"], self.code["conditions"]
        blind: set[str] = set()
        for programme, pk, code, unit, blind_code, planned, done in self._mine(
            sm.Specimen, "pk", "code", "unit_id", "blind_code", "order_planned", "order_done"
        ):
            made = self._coded("specimens", programme, pk, code)
            if blind_code in blind:  # two programmes may have labelled alike
                blind_code = self.prefix[programme] + blind_code
            if blind_code:
                blind.add(blind_code)
            self.rows["specimens"].append((made, units[unit], blind_code, _text(planned), _text(done)))
        specimens = self.code["specimens"]
        for _, specimen, condition, started, started_text, ended, ended_text, chamber, *actual in self._mine(
            sm.Exposure, "specimen_id", "condition_id", "started_at", "started_at_text", "ended_at",
            "ended_at_text", "chamber", "actual_low", "actual_high", "actual_unit",
            by="specimen__programme_id",
        ):  # fmt: skip
            self.rows["exposures"].append((
                specimens[specimen], conditions[condition], _when(started_text, started),
                _when(ended_text, ended), chamber, *map(_text, actual),
            ))  # fmt: skip

    def _instruments(self) -> None:
        """Instruments that a programme lists, and those its readings name without."""
        self.instrument: dict[int, str] = {}
        for programme, code, instrument in self._mine(sm.ProgrammeInstrument, "code", "instrument_id"):
            self.instrument.setdefault(instrument, self.prefix[programme] + code)
        read = sm.Reading.objects.filter(programme_id__in=self.programmes, instrument__isnull=False)
        for (instrument,) in read.order_by().values_list("instrument_id").distinct():
            self.instrument.setdefault(instrument, f"instrument-{instrument}")
        for _, instrument in self._mine(sm.ReadingCorrection, "instrument_id"):
            self.instrument.setdefault(instrument, f"instrument-{instrument}")
        fields = (
            "name", "serial", "unit", "range_low", "range_high", "resolution", "accuracy_pct",
            "accuracy_basis", "accuracy_abs", "calibrated_on", "due_on",
        )  # fmt: skip
        for pk, *rest in sm.Instrument.objects.filter(pk__in=self.instrument).values_list("pk", *fields):
            self.rows["instruments"].append((self.instrument[pk], *map(_text, rest)))
        fields = ("calibrated_on", "due_on", "U", "k", "offset", "gain", "certificate")
        for instrument, *rest in sm.Calibration.objects.filter(instrument_id__in=self.instrument).values_list(
            "instrument_id", *fields
        ):
            self.rows["calibrations"].append((self.instrument[instrument], *map(_text, rest)))

    def _corrections(self) -> None:
        for programme, code, instrument, since, until, factor, reason, undone, undone_text, why in self._mine(
            sm.ReadingCorrection, "code", "instrument_id", "since", "until", "factor", "reason", "undone_at",
            "undone_at_text", "undone_reason",
        ):  # fmt: skip
            self.rows["corrections"].append((
                self.prefix[programme] + code, self.instrument[instrument], _text(since), _text(until),
                _text(factor), reason, _when(undone_text, undone), why,
            ))  # fmt: skip

    def _claims(self) -> None:
        products, codes = self.code["products"], self.code
        fields = (
            "pk", "code", "product_id", "property_id", "trial_id", "condition_id", "of", "sense", "value",
            "low", "high", "tolerance_minus", "tolerance_plus", "unit", "scope", "source", "wording",
            "seen_on", "certification_state", "reference", "checked_on", "governs", "governs_reason",
            "not_tested_because",
        )  # fmt: skip
        for programme, pk, code, product, prop, trial, condition, *rest in self._mine(sm.Claim, *fields):
            *rest, governs, reason, untested = rest
            made = self._coded("claims", programme, pk, code)
            self.rows["claims"].append((
                made, products[product], codes["properties"][prop], codes["trials"].get(trial, ""),
                codes["conditions"].get(condition, ""), *map(_text, rest), _yes(governs), reason, untested,
            ))  # fmt: skip
        for _, product, at, at_text, text, published in self._mine(
            sm.MakerAnswer, "product_id", "received_at", "received_at_text", "text", "published",
            by="product__programme_id",
        ):  # fmt: skip
            row = (products[product], _when(at_text, at), text, _yes(published))
            if row not in self.rows["answers"]:  # two programmes may have kept one answer
                self.rows["answers"].append(row)

    def _readings(self) -> Table:
        """Column by column, in blocks: an object for each of 100,000 readings would cost the most of all."""
        voids = {
            reading: (_when(text, at), by, reason)
            for reading, at, text, by, reason in sm.Void.objects.filter(
                reading__programme_id__in=self.programmes
            ).order_by().values_list("reading_id", "voided_at", "voided_at_text", "voided_by", "reason")
        }  # fmt: skip
        fields = (
            "pk", "programme_id", "code", "trial_id", "product_id", "unit_id", "specimen_id", "value",
            "bound", "unit_of_measure", "operator", "rater", "instrument_id", "taken_at_text",
            "taken_untyped", "received_at_text", "received_untyped", "run_id", "order",
            "failure_mode", "trace", "decision", "replaces_id", "replace_reason", "note",
        )  # fmt: skip
        columns: dict[str, list] = {name: [] for name in fields}
        texts: dict[str, str] = {}  # one string for each distinct text
        # The moment itself only where no text was typed: making 100,000 of them takes half of the time.
        found = (
            sm.Reading.objects.filter(programme_id__in=self.programmes)
            .annotate(
                taken_untyped=Case(When(taken_at_text="", then="taken_at")),
                received_untyped=Case(When(received_at_text="", then="received_at")),
            )
            .order_by("pk")
            .values_list(*fields)
        )
        block: list[tuple] = []

        def take():
            for name, cells in zip(fields, zip(*block, strict=True), strict=True):
                if name in _REPEATED:
                    cells = [texts.setdefault(text, text) for text in cells]
                columns[name].extend(cells)
            block.clear()

        for row in found.iterator(chunk_size=CHUNK):
            block.append(row)
            if len(block) == CHUNK:
                take()
        if block:
            take()
        return self._readings_table(columns, voids)

    def _readings_table(self, c: dict[str, list], voids: dict[int, tuple[str, str, str]]) -> Table:
        prefixes = [self.prefix[p] for p in c["programme_id"]]
        codes = [prefix + code for prefix, code in zip(prefixes, c["code"], strict=True)]
        code_of = dict(zip(c["pk"], codes, strict=True))
        self.code["readings"] = code_of
        nothing = ("", "", "")
        void = [voids.get(pk, nothing) for pk in c["pk"]] if voids else [nothing] * len(codes)

        def named(name, known):
            return [known.get(pk, "") for pk in c[name]]

        def times(name):
            both = zip(c[f"{name}_at_text"], c[f"{name}_untyped"], strict=True)
            return [text or _when(text, at) for text, at in both]

        plain = {
            name: c[name]
            for name in (
                "value", "bound", "unit_of_measure", "operator", "rater", "order", "decision",
                "replace_reason", "note",
            )
        }  # fmt: skip
        return Table(SPEC["readings"], {
            "reading": codes,
            "trial": named("trial_id", self.code["trials"]),
            "product": named("product_id", self.code["products"]),
            "unit": named("unit_id", self.code["units"]),
            "specimen": named("specimen_id", self.code["specimens"]),
            "instrument": named("instrument_id", self.instrument),
            "run": named("run_id", self.code["runs"]),
            "replaces": named("replaces_id", code_of),
            "taken_at": times("taken"),
            "received_at": times("received"),
            "failure_mode": [p + m if m else "" for p, m in zip(prefixes, c["failure_mode"], strict=True)],
            "trace": [
                self._path(p, t) if t else "" for p, t in zip(c["programme_id"], c["trace"], strict=True)
            ],
            "voided_at": [v[0] for v in void],
            "voided_by": [v[1] for v in void],
            "void_reason": [v[2] for v in void],
            **plain,
        })  # fmt: skip

    def _path(self, programme: int, path: str) -> str:
        """A file's path; of several programmes, each has a folder of its own under files/."""
        if self.prefix[programme] and path.startswith("files/"):
            return f"files/{self.prefix[programme][:-1]}/{path.removeprefix('files/')}"
        return path

    def _files(self) -> dict[str, FileSource]:
        files = {}
        names = tuple(ABOUT)
        for programme, path, content, sha256, kind, caption, alt, about, *keys in self._mine(
            sm.Attachment, "path", "content", "sha256", "kind", "caption", "alt", "about",
            *(f"{name}_id" for name in names),
        ):  # fmt: skip
            key = dict(zip(names, keys, strict=True))[about]
            made = self._path(programme, path)
            self.rows["files"].append((made, about, self.code[ABOUT[about]][key], kind, caption, alt, sha256))
            files[made] = StoredFile(FieldFile(None, _CONTENT, content), sha256)
        return files

    def _comparison(self) -> dict:
        c = self.comparison
        made = {
            "slug": c.slug, "title": c.title, "question": c.question, "currency": c.currency, "seed": c.seed,
            "kind": c.kind,
        }  # fmt: skip
        plan = {
            "frozen_at": _when(c.plan_frozen_at_text, c.plan_frozen_at), "by": c.plan_frozen_by,
            "market_scan": c.market_scan, "inclusion": c.inclusion, "characteristics": c.characteristics,
            "tie_rule": c.tie_rule, "funding": c.funding,
        }  # fmt: skip
        decision = {
            "confidence": c.confidence, "rule": c.rule, "rounding": c.rounding, "coverage": c.coverage,
            "price_cap": c.price_cap,
        }  # fmt: skip
        for name, part in (("plan", plan), ("decision", decision)):
            if kept := _kept(part):
                made[name] = kept
        made = _kept(made)
        ids = {}
        made["criterion"] = []
        for row in c.criteria.order_by("position"):
            ids[row.pk] = row.code
            made["criterion"].append(_kept({
                "id": row.code, "name": row.name, "trial": self.code["trials"].get(row.trial_id),
                "cost": row.cost, "certification": self.code["properties"].get(row.certification_id),
                "measure": row.measure, "better": row.better, "floor": row.floor, "ceiling": row.ceiling,
                "target": row.target, "band": row.band, "value_function": row.value_function,
                "exponent": row.exponent, "must": row.must,
                "anchors_set_at": _when(row.anchors_set_at_text, row.anchors_set_at),
            }))  # fmt: skip
        weightings = {}
        made["weighting"] = []
        for row in c.weightings.order_by("position").prefetch_related("weights"):
            weightings[row.pk] = row.code
            weights = sorted(row.weights.all(), key=lambda w: (w.position, w.pk))
            made["weighting"].append({
                **_kept({"id": row.code, "name": row.name, "missing": row.missing}),
                "weights": {ids[w.criterion_id]: _plain(w.weight) for w in weights},
            })  # fmt: skip
        for code, name, weighting, product, reason in c.awards.order_by("code").values_list(
            "code", "name", "weighting_id", "product_id", "reason"
        ):
            self.rows["awards"].append(
                (code, name, weightings.get(weighting, ""), self.code["products"][product], reason)
            )
        for at, text, by, what, before, after, why in c.deviations.order_by("at", "id").values_list(
            "at", "at_text", "by", "what", "before", "after", "why"
        ):
            self.rows["deviations"].append((_when(text, at), by, what, before, after, why))
        self.rows["left_out"] = list(c.left_out.values_list("maker", "model", "variant", "why"))
        self.rows["limitations"] = list(c.limitations.values_list("point", "what", "reason"))
        return made


_REPEATED = frozenset(
    "value bound unit_of_measure operator rater taken_at_text received_at_text order failure_mode trace"
    " decision replace_reason note".split()
)


def _plain(value):
    """A number without the field's own type, equal to what comparison.toml gives."""
    return Decimal(str(value)) if isinstance(value, Decimal) else value


def _kept(part: dict) -> dict:
    return {name: _plain(value) for name, value in part.items() if value not in (None, "")}


__all__ = ["plan_from_db", "tables_from_db", "write_folder", "write_zip"]

"""From the tables of a study folder into the database: all of it, or nothing.

Everything is checked before (`read`); what is the team's is matched with the team's record (`team`).
"""

from __future__ import annotations

import re
import uuid
from collections import defaultdict
from pathlib import PurePosixPath

from django.core.files import File
from django.db import IntegrityError, connection, transaction

from comparisons import models as cm
from comparisons.services.record import record
from specimens import models as sm
from specimens.units import VERSION, reading_value

from .digest import content_digest
from .exporter import tables_from_db
from .faults import StudyError, quote
from .read import read_study
from .spec import ABOUT, SPEC
from .tables import Tables, date, dimensions, moment, only_revisions, whole, yes
from .team import Team
from .toml import SLUG

BATCH = 5_000
_PLAN_TEXTS = ("market_scan", "inclusion", "characteristics", "tie_rule", "funding")


def import_study(path, *, actor=None, slug: str | None = None):
    """Import a study folder or zip and return its Comparison; `slug` gives it another name.

    A study that is already here, with the same content, is returned as it is. Raises StudyError, with a
    line for each fault, where something is wrong; then nothing was written.
    """
    return import_tables(read_study(path), actor=actor, slug=slug)[0]


def import_tables(tables: Tables, *, actor=None, slug: str | None = None):
    """Import checked tables: (Comparison, whether it is new)."""
    if slug:
        if not SLUG.fullmatch(slug) or len(slug) > 80:
            raise StudyError(f"found the slug {quote(slug)}, expected lower-case letters, digits, - and _")
        tables = tables.replace(comparison=tables.comparison | {"slug": slug})
    slug = tables.comparison["slug"]
    hint = "to import it beside, give another name: --as NEW-SLUG"
    existing = cm.Comparison.objects.filter(slug=slug).first()
    if existing:
        if content_digest(tables_from_db(existing)) == content_digest(tables):
            return existing, False
        raise StudyError(f"found a comparison {quote(slug)} with other content, expected a new name; {hint}")
    if sm.Programme.objects.filter(slug=slug).exists():
        raise StudyError(f"found a test programme {quote(slug)}, expected a new name; {hint}")
    stored: list[tuple] = []
    try:
        with transaction.atomic():
            return _Import(tables, actor, stored).run(), True
    except IntegrityError as error:
        _forget(stored)
        raise StudyError(
            f"the database refused the study ({error}), expected one without conflicts; nothing was written"
        ) from error
    except BaseException:
        _forget(stored)
        raise


def _forget(stored: list[tuple]) -> None:
    """Take back the files of an import that failed: the database's transaction does not hold them."""
    for storage, name in stored:
        storage.delete(name)


class _Import:
    def __init__(self, tables: Tables, actor, stored: list[tuple]):
        self.tables, self.actor, self.stored = tables, actor, stored
        self.pk: dict[str, dict[str, int]] = defaultdict(dict)  # table -> code -> primary key

    def run(self):
        toml = self.tables.comparison
        self.programme = sm.Programme.objects.create(slug=toml["slug"], name=toml["title"])
        self._team()
        self._programme_things()
        self._trials()
        self._claims()
        self._corrections()
        self._readings()
        self._files()
        comparison = self._comparison(toml)
        record(
            self.actor,
            "imported a study",
            comparison=comparison,
            programme=self.programme,
            thing="comparison",
            code=toml["slug"],
            after={
                "rows": {name: len(table) for name, table in self.tables.items() if len(table)},
                "files": len(self.tables.files),
                "instruments_updated": self.updated,
            },
            changes_draft=True,
        )
        return comparison

    def _team(self) -> None:
        """The programme's own codes for what is the team's."""
        team = Team(self.tables)
        self.updated, self.revisions = team.updated, team.revisions
        self.pk["instruments"] = team.instruments
        self._make(
            "products",
            sm.ProgrammeProduct,
            [
                {
                    "programme_id": self.programme.pk, "code": row["product"], "notes": row["notes"],
                    "product_id": team.products[row["maker"], row["model"], row["variant"]],
                }
                for row in self.tables["products"].rows()
            ],
        )  # fmt: skip
        by_code = defaultdict(list)
        for (code, _), revision in team.revisions.items():
            by_code[code].append(revision)
        for code, found in by_code.items():
            listed = sm.MethodInProgramme.objects.create(
                programme=self.programme, method_id=found[0].method_id, code=code
            )
            listed.revisions.set(found)
            self.pk["methods"][code] = listed.pk
        sm.FailureMode.objects.bulk_create(
            sm.FailureMode(
                method_id=self.pk["methods"][row["method"]], code=row["mode"], name=row["name"],
                counts=yes(row["counts"]),
            )
            for row in self.tables["failure_modes"].rows()
        )  # fmt: skip
        sm.ProgrammeInstrument.objects.bulk_create(
            sm.ProgrammeInstrument(programme_id=self.programme.pk, instrument_id=pk, code=code)
            for code, pk in team.instruments.items()
        )

    def _make(self, name: str, model, values: list[dict]) -> None:
        """Rows of one table; their primary keys by code."""
        made = model.objects.bulk_create([model(**row) for row in values], batch_size=BATCH)
        self.pk[name] = {row.code: row.pk for row in made}

    def _coded(self, name: str, model, of: dict[str, str] | None = None, **more) -> None:
        """Rows whose columns are fields of the model under one name, `of` excepted (field -> column)."""
        spec = SPEC[name]
        fields = {"code": spec.key[0], **(of or {})}
        values = []
        for row in self.tables[name].rows():
            made = {"programme_id": self.programme.pk}
            for column in spec.columns:
                field = next((f for f, c in fields.items() if c == column.name), column.name)
                text = row[column.name]
                if column.table and column.name != spec.key[0]:
                    made[f"{column.name}_id"] = self.pk[column.table].get(text)
                elif column.kind == "number":
                    made[field] = text or None
                elif column.kind == "integer":
                    made[field] = whole(text)
                elif column.kind == "date":
                    made[field] = date(text)
                elif column.kind == "yesno":
                    made[field] = yes(text)
                else:
                    made[field] = text
            values.append(made)
        self._make(name, model, values)

    def _programme_things(self) -> None:
        self._coded("purchases", sm.Purchase)
        self._coded("units", sm.Unit)
        self._coded("properties", sm.Property, {"kind": "reading"})
        self._coded("conditions", sm.Condition)
        self._coded("specimens", sm.Specimen, {"blind_code": "code"})
        sm.Exposure.objects.bulk_create(
            [
                sm.Exposure(
                    specimen_id=self.pk["specimens"][row["specimen"]],
                    condition_id=self.pk["conditions"][row["condition"]],
                    started_at=moment(row["started_at"]), started_at_text=row["started_at"],
                    ended_at=moment(row["ended_at"]), ended_at_text=row["ended_at"],
                    chamber=row["chamber"], actual_low=row["actual_low"] or None,
                    actual_high=row["actual_high"] or None, actual_unit=row["actual_unit"],
                )
                for row in self.tables["exposures"].rows()
            ],
            batch_size=BATCH,
        )  # fmt: skip

    def _trials(self) -> None:
        only = only_revisions(self.tables["methods"])
        rows = {row["trial"]: row for row in self.tables["trials"].rows()}
        for wave in waves(list(rows), [row["baseline"] for row in rows.values()]):
            made = sm.Trial.objects.bulk_create(self._trial(rows[code], only) for code in wave)
            self.pk["trials"] |= {trial.code: trial.pk for trial in made}
        sm.TrialDimension.objects.bulk_create(
            sm.TrialDimension(
                trial_id=self.pk["trials"][code], property_id=self.pk["properties"][divisor], position=i
            )
            for code, row in rows.items()
            for i, divisor in enumerate(dimensions(row["divide_by"]))
        )
        products, trials = self.pk["products"], self.pk["trials"]
        runs = sm.Run.objects.bulk_create(
            sm.Run(
                trial_id=trials[row["trial"]], code=row["run"], started_at=moment(row["started_at"]),
                started_at_text=row["started_at"], reason=row["reason"], pooled_because=row["pooled_because"],
                anchor_product_id=products.get(row["anchor_product"]),
                revision=self._run_revision(rows[row["trial"]], row["revision"]),
            )
            for row in self.tables["runs"].rows()
        )  # fmt: skip
        keys = zip(self.tables["runs"]["trial"], self.tables["runs"]["run"], strict=True)
        self.run_pk = dict(zip(keys, (run.pk for run in runs), strict=True))
        sm.Absence.objects.bulk_create(
            sm.Absence(
                trial_id=trials[row["trial"]], product_id=products[row["product"]], reason=row["reason"],
                note=row["note"],
            )
            for row in self.tables["absences"].rows()
        )  # fmt: skip

    def _run_revision(self, trial: dict, revision: str) -> sm.MethodRevision | None:
        return self.revisions[trial["method"], revision] if revision else None

    def _trial(self, row: dict, only: dict[str, str]) -> sm.Trial:
        revision = self.revisions.get((row["method"], row["revision"] or only.get(row["method"], "")))
        return sm.Trial(
            programme_id=self.programme.pk, code=row["trial"],
            property_id=self.pk["properties"][row["property"]],
            condition_id=self.pk["conditions"].get(row["condition"]),
            revision=revision, baseline_id=self.pk["trials"].get(row["baseline"]), paired=yes(row["paired"]),
            reading_unit=row["reading_unit"], units_planned=whole(row["units_planned"]),
            replicates=whole(row["replicates"]), blind=yes(row["blind"]), seed=whole(row["seed"]),
        )  # fmt: skip

    def _claims(self) -> None:
        self._coded("claims", sm.Claim)
        sm.MakerAnswer.objects.bulk_create(
            sm.MakerAnswer(
                product_id=self.pk["products"][row["product"]], received_at=moment(row["received_at"]),
                received_at_text=row["received_at"], text=row["text"], published=yes(row["published"]),
            )
            for row in self.tables["answers"].rows()
        )  # fmt: skip

    def _corrections(self) -> None:
        sm.ReadingCorrection.objects.bulk_create(
            sm.ReadingCorrection(
                programme_id=self.programme.pk, code=row["correction"],
                instrument_id=self.pk["instruments"][row["instrument"]], since=date(row["since"]),
                until=date(row["until"]), factor=row["factor"], reason=row["reason"], made_by=self.actor,
                undone_at=moment(row["undone_at"]), undone_at_text=row["undone_at"],
                undone_reason=row["undone_reason"],
            )
            for row in self.tables["corrections"].rows()
        )  # fmt: skip

    # --- readings

    def _readings(self) -> None:
        """In waves along `replaces`: the database refuses a reading that replaces one not there yet."""
        table = self.tables["readings"]
        row_of = table.index()
        self.kinds = self._kinds()
        self.converted: dict[tuple, tuple[float | None, str]] = {}
        self.moments: dict[str, object] = {}
        analysed = 0
        for wave in waves(table["reading"], table["replaces"]):
            for start in range(0, len(wave), BATCH):
                self._some_readings(table, [row_of[code] for code in wave[start : start + BATCH]])
                if len(self.pk["readings"]) >= max(BATCH, 8 * analysed):
                    analysed = len(self.pk["readings"])
                    _analyse(sm.Reading)
        self.moments.clear()
        self.converted.clear()

    def _kinds(self) -> dict[str, tuple[str, str]]:
        """Trial -> (kind of reading, unit in which its readings are)."""
        properties = {row["property"]: row for row in self.tables["properties"].rows()}
        return {
            row["trial"]: (
                properties[row["property"]]["reading"],
                row["reading_unit"] or properties[row["property"]]["unit"],
            )
            for row in self.tables["trials"].rows()
        }

    def _moment(self, text: str):
        if not text:
            return None
        if text not in self.moments:
            self.moments[text] = moment(text)
        return self.moments[text]

    def _some_readings(self, table, rows: list[int]) -> None:
        c, pk = table.columns, self.pk
        readings = [
            sm.Reading(
                programme_id=self.programme.pk, code=c["reading"][i], trial_id=pk["trials"][c["trial"][i]],
                product_id=pk["products"][c["product"][i]], unit_id=pk["units"].get(c["unit"][i]),
                specimen_id=pk["specimens"].get(c["specimen"][i]), value=c["value"][i], bound=c["bound"][i],
                unit_of_measure=c["unit_of_measure"][i], operator=c["operator"][i], rater=c["rater"][i],
                instrument_id=pk["instruments"].get(c["instrument"][i]),
                taken_at=self._moment(c["taken_at"][i]), taken_at_text=c["taken_at"][i],
                received_at=self._moment(c["received_at"][i]), received_at_text=c["received_at"][i],
                run_id=self.run_pk.get((c["trial"][i], c["run"][i])), order=c["order"][i],
                failure_mode=c["failure_mode"][i], trace=c["trace"][i], decision=c["decision"][i],
                replaces_id=pk["readings"].get(c["replaces"][i]), replace_reason=c["replace_reason"][i],
                note=c["note"][i],
            )
            for i in rows
        ]  # fmt: skip
        sm.Reading.objects.bulk_create(readings, batch_size=BATCH)
        pk["readings"].update((reading.code, reading.pk) for reading in readings)
        sm.ConvertedValue.objects.bulk_create(
            [self._converted(reading.pk, c, i) for reading, i in zip(readings, rows, strict=True)],
            batch_size=BATCH,
        )
        sm.Void.objects.bulk_create(
            sm.Void(
                reading_id=pk["readings"][c["reading"][i]], voided_at=self._moment(c["voided_at"][i]),
                voided_at_text=c["voided_at"][i], voided_by=c["voided_by"][i], reason=c["void_reason"][i],
            )
            for i in rows
            if c["void_reason"][i]
        )  # fmt: skip

    def _converted(self, reading: int, c: dict, i: int) -> sm.ConvertedValue:
        kind, unit = self.kinds[c["trial"][i]]
        key = (kind, c["value"][i], c["unit_of_measure"][i], unit)
        if key not in self.converted:
            self.converted[key] = reading_value(*key)
        value, reason = self.converted[key]
        return sm.ConvertedValue(
            reading_id=reading, value=value, unit="" if kind == "pass_fail" else unit, engine=VERSION,
            reason=reason[:200],
        )  # fmt: skip

    # --- files, and the comparison

    def _files(self) -> None:
        for row in self.tables["files"].rows():
            source = self.tables.files[row["file"]]
            suffix = PurePosixPath(row["file"]).suffix.lower()
            suffix = suffix if re.fullmatch(r"\.[a-z0-9]{1,8}", suffix) else ""
            attachment = sm.Attachment(
                programme=self.programme, path=row["file"], sha256=source.sha256(), kind=row["kind"],
                caption=row["caption"], alt=row["alt"], about=row["about"],
                **{f"{row['about']}_id": self.pk[ABOUT[row["about"]]][row["code"]]},
            )  # fmt: skip
            with source.open() as stream:
                # Under a name of ours: the folder's own may be anything.
                attachment.content.save(f"{uuid.uuid4().hex}{suffix}", File(stream), save=False)
            self.stored.append((attachment.content.storage, attachment.content.name))
            attachment.save(force_insert=True)

    def _comparison(self, toml: dict):
        plan, decision = toml.get("plan", {}), toml.get("decision", {})
        comparison = cm.Comparison.objects.create(
            **{name: toml.get(name, "") for name in ("slug", "title", "question", "currency", "kind")},
            seed=toml["seed"],
            plan_frozen_at=moment(plan.get("frozen_at", "")),
            plan_frozen_at_text=plan.get("frozen_at", ""),
            plan_frozen_by=plan.get("by", ""),
            **{name: plan.get(name, "") for name in _PLAN_TEXTS},
            confidence=decision.get("confidence"),
            rule=decision.get("rule", ""),
            rounding=decision.get("rounding", ""),
            coverage=decision.get("coverage"),
            price_cap=decision.get("price_cap"),
            article=self.tables.article,
            package=self.tables.package,
        )
        cm.ComparisonProgramme.objects.create(comparison=comparison, programme=self.programme)
        criteria = cm.Criterion.objects.bulk_create(
            self._criterion(comparison, i, row) for i, row in enumerate(toml.get("criterion", []))
        )
        criterion_pk = {criterion.code: criterion.pk for criterion in criteria}
        weightings = cm.Weighting.objects.bulk_create(
            cm.Weighting(
                comparison=comparison, code=row["id"], position=i, name=row.get("name", ""),
                missing=row.get("missing", ""),
            )
            for i, row in enumerate(toml.get("weighting", []))
        )  # fmt: skip
        weighting_pk = {weighting.code: weighting.pk for weighting in weightings}
        cm.Weight.objects.bulk_create(
            cm.Weight(
                weighting_id=weighting_pk[row["id"]],
                criterion_id=criterion_pk[code],
                position=i,
                weight=weight,
            )
            for row in toml.get("weighting", [])
            for i, (code, weight) in enumerate(row["weights"].items())
        )
        cm.Award.objects.bulk_create(
            cm.Award(
                comparison=comparison, code=row["award"], name=row["name"], reason=row["reason"],
                weighting_id=weighting_pk.get(row["weighting"]),
                product_id=self.pk["products"][row["product"]],
            )
            for row in self.tables["awards"].rows()
        )  # fmt: skip
        cm.LeftOut.objects.bulk_create(
            cm.LeftOut(comparison=comparison, **row) for row in self.tables["left_out"].rows()
        )
        cm.Limitation.objects.bulk_create(
            cm.Limitation(comparison=comparison, **row) for row in self.tables["limitations"].rows()
        )
        cm.Deviation.objects.bulk_create(
            cm.Deviation(
                comparison=comparison, at=moment(row["at"]), at_text=row["at"], by=row["by"],
                what=row["what"], before=row["from"], after=row["to"], why=row["why"],
            )
            for row in self.tables["deviations"].rows()
        )  # fmt: skip
        return comparison

    def _criterion(self, comparison, position: int, row: dict):
        kind = next(kind for kind in ("trial", "cost", "certification") if row.get(kind))
        return cm.Criterion(
            comparison=comparison, code=row["id"], position=position, kind=kind,
            trial_id=self.pk["trials"].get(row.get("trial")),
            certification_id=self.pk["properties"].get(row.get("certification")),
            anchors_set_at=moment(row.get("anchors_set_at", "")),
            anchors_set_at_text=row.get("anchors_set_at", ""),
            must=row.get("must"),
            **{name: row.get(name, "") for name in ("name", "cost", "measure", "better", "value_function")},
            **{name: row.get(name) for name in ("floor", "ceiling", "target", "band", "exponent")},
        )  # fmt: skip


def _analyse(model) -> None:
    """Let PostgreSQL count what was just written.

    The triggers look each new reading up by (programme, code). Planned for an empty table, that look-up
    goes by the programme alone and walks through all that was imported, again for each row.
    """
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(f'ANALYZE "{model._meta.db_table}"')


def waves(codes: list[str], rests_on: list[str]) -> list[list[str]]:
    """The codes in waves: each after the one that it rests on. There must be no circle."""
    below = {code: other for code, other in zip(codes, rests_on, strict=True) if other}
    depth: dict[str, int] = {}
    for code in codes:
        path = []
        while code not in depth and code in below:
            path.append(code)
            code = below[code]
        depth.setdefault(code, 0)
        for passed in reversed(path):
            depth[passed] = depth[below[passed]] + 1
    found: list[list[str]] = [[] for _ in range(max(depth.values(), default=-1) + 1)]
    for code in codes:
        found[depth[code]].append(code)
    return found


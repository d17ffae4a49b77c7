"""What rests on a gauge that was found wrong: readings, results, awards, sentences and editions, by comparison."""

from __future__ import annotations

import csv
import io
import zipfile
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date

from django.core.cache import cache
from django.db.models import Count, Max, Min, Q

from comparisons.models import Award, Comparison, ComparisonProgramme, Criterion, Edition, EditionNotice, Weight
from comparisons.pages.words import typeset
from specimens.bench.context import trial_name
from specimens.models import (
    Claim,
    InstrumentFault,
    ProgrammeProduct,
    ReadingCorrection,
    Trial,
    TrialDimension,
)

from .faults import readings_of

DIRECT = "read with it"


@dataclass
class RestingTrial:
    """A trial whose results may be wrong. key: its code in the results document; why: how it rests on the readings."""

    key: str
    name: str
    why: str
    readings: int = 0
    counted: int = 0  # neither voided nor replaced
    undated: int = 0
    first: date | None = None
    last: date | None = None
    products: list[tuple[str, int]] = field(default_factory=list)  # name, readings


@dataclass
class Resting:
    """All that rests on one fault in one comparison."""

    comparison: Comparison
    trials: list[RestingTrial] = field(default_factory=list)
    criteria: list[str] = field(default_factory=list)
    weightings: list[str] = field(default_factory=list)
    awards: list[str] = field(default_factory=list)
    claims: list[str] = field(default_factory=list)
    sentences: list[tuple[int, str]] = field(default_factory=list)  # line of the article, words
    editions: list[Edition] = field(default_factory=list)
    programmes: list[dict] = field(default_factory=list)  # programme, readings, corrections

    @property
    def readings(self) -> int:
        return sum(trial.readings for trial in self.trials)


def resting_on(fault: InstrumentFault) -> list[Resting]:
    """What rests on a fault, comparison by comparison. Some fifteen queries, and the packages of editions once."""
    rows = list(
        readings_of(fault).order_by().values("programme", "trial", "product").annotate(
            n=Count("pk"), counted=Count("pk", filter=Q(void__isnull=True, replaced_by__isnull=True)),
            undated=Count("pk", filter=Q(taken_at__isnull=True)), first=Min("taken_at"), last=Max("taken_at"),
        )  # fmt: skip
    )
    programmes = {row["programme"] for row in rows}
    trials = {t.pk: t for t in Trial.objects.filter(programme__in=programmes).select_related("property", "condition")}
    why = _reached({row["trial"] for row in rows}, trials)
    known = ProgrammeProduct.objects.filter(programme__in=programmes).select_related("product")
    names = {p.pk: f"{p.product.maker} {p.product.model}" for p in known}
    editions = editions_that_rest_on(fault)
    notices = defaultdict(list)
    for notice in EditionNotice.objects.filter(fault=fault).select_related("lifted_by").order_by("put_at"):
        notices[notice.edition_id].append(notice)
    corrections = defaultdict(list)
    for row in ReadingCorrection.objects.filter(fault=fault).select_related("made_by", "undone_by"):
        corrections[row.programme_id].append(row)
    parts: dict[Comparison, list[ComparisonProgramme]] = defaultdict(list)
    judged = ComparisonProgramme.objects.filter(comparison__parts__programme__in=programmes).distinct()
    for part in judged.select_related("comparison", "programme").order_by("comparison__title", "prefix", "id"):
        parts[part.comparison].append(part)
    weights = list(
        Weight.objects.filter(weighting__comparison__in=parts).select_related("weighting", "criterion")
    )
    criteria = list(Criterion.objects.filter(comparison__in=parts))
    awards = list(Award.objects.filter(comparison__in=parts).select_related("weighting", "product__product"))
    claims = list(
        Claim.objects.filter(programme__in=programmes, property__trials__in=list(why)).distinct()
        .select_related("product__product", "property")
    )  # fmt: skip
    found = []
    for comparison, own in parts.items():
        prefix = {p.programme_id: f"{p.prefix or p.programme_id}." if len(own) > 1 else "" for p in own}
        one = Resting(comparison)
        for pk, reason in why.items():
            trial = trials[pk]
            if trial.programme_id in prefix:
                one.trials.append(_trial(trial, prefix[trial.programme_id], reason, rows, names))
        one.trials.sort(key=lambda trial: (trial.why != DIRECT, trial.name))
        scored = [
            c for c in criteria
            if c.comparison_id == comparison.pk and (c.trial_id in why or c.cost == "per_usable")
        ]
        one.criteria = [str(c) for c in scored]
        weighed = {
            w.weighting_id: str(w.weighting) for w in weights
            if w.criterion_id in {c.pk for c in scored} and w.weight > 0
        }
        one.weightings = sorted(weighed.values())
        one.awards = [
            f"{a.name or a.code}: {a.product}" for a in awards
            if a.comparison_id == comparison.pk and _award_rests(a, scored, weighed)
        ]
        one.claims = [
            f"{c.product.product.maker} {c.product.product.model}, {c.property} ({c.code})" for c in claims
            if c.programme_id in prefix and (c.trial_id is None or c.trial_id in why)
        ]
        one.sentences = _sentences(comparison, one, [prefix[c.programme_id] + c.code for c in claims
                                                     if c.programme_id in prefix])  # fmt: skip
        one.editions = [e for e in editions if e.comparison_id == comparison.pk]
        for edition in one.editions:
            edition.told = notices[edition.pk]
        one.programmes = [
            {"programme": p.programme, "corrections": corrections[p.programme_id],
             "readings": sum(row["n"] for row in rows if row["programme"] == p.programme_id),
             "corrected": any(c.undone_at is None for c in corrections[p.programme_id])}
            for p in own if p.programme_id in programmes
        ]  # fmt: skip
        found.append(one)
    return found


def _reached(direct: set[int], trials: dict[int, Trial]) -> dict[int, str]:
    """Every trial whose result rests on readings of these trials, and why it does."""
    why = {pk: DIRECT for pk in direct}
    measured = {trials[pk].property_id for pk in direct}
    divided = TrialDimension.objects.filter(trial__in=trials, property__in=measured).select_related("property")
    for dimension in divided:
        why.setdefault(dimension.trial_id, f"divided by {str(dimension.property).lower()}")
    for pk, trial in trials.items():
        if trial.baseline_id in why:
            why.setdefault(pk, f"its change is against {trial_name(trials[trial.baseline_id]).lower()}")
    return why


def _trial(trial: Trial, prefix: str, why: str, rows: list[dict], names: dict[int, str]) -> RestingTrial:
    own = [row for row in rows if row["trial"] == trial.pk]
    days = [row[end].date() for row in own for end in ("first", "last") if row[end]]
    return RestingTrial(
        prefix + trial.code, typeset(trial_name(trial)), why, sum(row["n"] for row in own),
        sum(row["counted"] for row in own), sum(row["undated"] for row in own), min(days, default=None),
        max(days, default=None),
        sorted((names[row["product"]], row["n"]) for row in own),
    )  # fmt: skip


def _award_rests(award: Award, scored: list[Criterion], weighed: dict[int, str]) -> bool:
    codes = {c.code for c in scored}
    if award.code in codes or award.code.removeprefix("best-in-") in codes:
        return True
    return award.weighting_id in weighed if award.weighting_id else bool(weighed)


def _sentences(comparison: Comparison, one: Resting, claims: list[str]) -> list[tuple[int, str]]:
    """Passages of the draft's article that print or state something of these trials, claims or rankings."""
    from comparisons.pages.article import Article
    from comparisons.pages.references import Broken, parse

    touched = {
        "trial": {trial.key for trial in one.trials}, "claim": set(claims),
        "weighting": set(comparison.weightings.values_list("code", flat=True)) if one.weightings else set(),
    }  # fmt: skip
    found = []
    for reference in Article(comparison.article).found if comparison.article else []:
        if reference.kind not in ("value", "holds"):
            continue
        try:
            read = parse(reference.href)
        except Broken:
            continue
        slots = dict(zip(read.form.slots, read.codes, strict=True))
        if any(slots.get(slot) in codes for slot, codes in touched.items()):
            found.append((reference.line, reference.text or reference.href))
    return found


def editions_that_rest_on(fault: InstrumentFault) -> list[Edition]:
    """The editions whose frozen study holds a reading that the fault may have made wrong, the newest first.

    Each package is opened once for a fault; what was found is kept, since neither ever changes.
    """
    codes = defaultdict(set)
    for programme, code in readings_of(fault).order_by().values_list("programme_id", "code"):
        codes[programme].add(code)
    if not codes:
        return []
    prefixes = defaultdict(list)
    for comparison, programme, prefix in ComparisonProgramme.objects.filter(
        comparison__parts__programme__in=codes
    ).distinct().values_list("comparison_id", "programme_id", "prefix"):
        prefixes[comparison].append((programme, prefix or str(programme)))
    editions = list(
        Edition.objects.filter(comparison__in=prefixes).select_related("comparison", "withdrawal")
        .defer("package", "results", "page").order_by("comparison__title", "-number")
    )  # fmt: skip
    keys = {edition.pk: f"rests:{fault.pk}:{edition.package_sha256}" for edition in editions}
    kept = cache.get_many(keys.values())
    found = []
    for edition in editions:
        rests = kept.get(keys[edition.pk])
        if rests is None:
            package = Edition.objects.values_list("package", flat=True).get(pk=edition.pk)
            inside = readings_in(bytes(package))
            rests = any(
                code in inside or f"{prefix}.{code}" in inside
                for programme, prefix in prefixes[edition.comparison_id] for code in codes.get(programme, ())
            )
            cache.set(keys[edition.pk], rests, None)
        if rests:
            found.append(edition)
    return found


def readings_in(package: bytes) -> set[str]:
    """The codes of the readings in a study zip."""
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        name = next((n for n in archive.namelist() if n == "readings.csv" or n.endswith("/readings.csv")), None)
        if name is None:
            return set()
        text = io.StringIO(archive.read(name).decode("utf-8-sig"))
    rows = csv.reader(text)
    at = next(rows).index("reading")
    return {row[at] for row in rows if len(row) > at}


def reading_rows(fault: InstrumentFault):
    """Every reading that may be wrong, one row each, for a table to take away."""
    yield ("programme", "reading", "trial", "product", "specimen", "value", "unit", "taken_at", "counts")
    rows = readings_of(fault).order_by("programme__slug", "code").values_list(
        "programme__slug", "code", "trial__code", "product__code", "specimen__code", "value", "bound",
        "unit_of_measure", "trial__reading_unit", "trial__property__unit", "taken_at_text", "taken_at",
        "void", "replaced_by",
    )  # fmt: skip
    for row in rows.iterator(chunk_size=2000):
        programme, code, trial, product, specimen, value, bound, typed, own, of_property, text, at, void, later = row
        state = "voided" if void else "replaced" if later else "yes"
        yield (
            programme, code, trial, product, specimen or "", f"{bound if bound in '<>' else ''}{value}",
            typed or own or of_property, text or (at.isoformat() if at else ""), state,
        )  # fmt: skip


__all__ = ["Resting", "RestingTrial", "editions_that_rest_on", "reading_rows", "readings_in", "resting_on"]

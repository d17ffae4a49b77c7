"""Starting a comparison: its programme, and what it takes out of the library."""

from __future__ import annotations

import secrets

from django.db import transaction

from comparisons.models import Comparison, ComparisonProgramme, Criterion, TrialPlan, Weight, Weighting
from specimens import models as sm

from . import editing
from .deviating import deviate
from .library import REVISION, Kind, Trial, library
from .plan_checks import in_words
from .products import as_code, free_code
from .record import record
from .roles import require_preparer

# Addresses under /desk/ that are no comparison's.
RESERVED = frozenset({"new", "search", "instruments", "methods", "record"})
DECISION = {"confidence": "0.95", "rule": "probability", "rounding": "absolute", "coverage": "0.95"}
EVERYONE = "all"


def free_slug(title: str) -> str:
    """An address made of a title that no comparison and no programme has. Two queries."""
    wanted = as_code(title, "comparison")[:60].strip("-") or "comparison"
    taken = RESERVED | set(Comparison.objects.filter(slug__startswith=wanted).values_list("slug", flat=True))
    taken |= set(sm.Programme.objects.filter(slug__startswith=wanted).values_list("slug", flat=True))
    return free_code(wanted, taken)


def start(
    actor, *, title: str, question: str, currency: str, kind: str = "", template: str = "", trials=(), texts=None
) -> Comparison:
    """A new comparison with its programme; from the library the chosen trials of one kind of product.

    template: the kind's id, or "". trials: codes of its trials; those that they rest on come along. Criteria are
    made for what is measured and for the price, without anchors, and one weighting in which all weigh alike:
    the planner sets them before the plan is frozen. Raises Invalid, NotAllowed.
    """
    require_preparer(actor, "start a comparison")
    with transaction.atomic():
        comparison = make(actor, title=title, question=question, currency=currency, kind=kind, texts=texts or {})
        programme = comparison.parts.get().programme
        taken: list[str] = []
        if found := library().kinds.get(template):
            if not comparison.characteristics:
                comparison.characteristics = found.characteristics
                comparison.save(update_fields=["characteristics"])
            made = take(programme, found, trials)
            taken = [trial.code for trial in made]
            _criteria(comparison, made)
        record(
            actor, "started", comparison=comparison, programme=programme, thing="comparison", code=comparison.slug,
            after={"title": title, "question": question, "currency": currency, "template": template, "trials": taken},
            changes_draft=True,
        )  # fmt: skip
        return comparison


def make(actor, *, title, question, currency, kind="", texts=None, based_on=None) -> Comparison:
    """The rows of a comparison and its programme of the same address; inside a transaction, without a record."""
    slug = free_slug(title)
    comparison = Comparison(
        slug=slug, title=title.strip(), question=question.strip(), currency=currency.strip().upper(),
        kind=kind.strip(), seed=secrets.randbelow(2**31), based_on=based_on, **(DECISION | (texts or {})),
    )  # fmt: skip
    in_words(lambda: editing.check(comparison))
    comparison.save()
    programme = sm.Programme.objects.create(slug=slug, name=comparison.title)
    ComparisonProgramme.objects.create(comparison=comparison, programme=programme)
    return comparison


def take(programme: sm.Programme, kind: Kind, codes) -> list[sm.Trial]:
    """Trials of the library, with what they rest on, as rows of the programme; what is there already serves again.

    Inside a transaction. A method that the team has by that title is taken in its own latest wording.
    """
    made: dict[str, sm.Trial] = {}
    wanted = kind.with_needs(codes)
    for one in _baselines_first(wanted):
        prop = _property(programme, one.property)
        revision = _method(programme, one.method) if one.method else None
        condition = take_condition(programme, one.condition) if one.condition else None
        row = one.row
        trial = sm.Trial(
            programme=programme, property=prop, condition=condition, revision=revision,
            baseline=made.get(row.get("baseline", "")), paired=row.get("paired", False),
            reading_unit=row.get("reading_unit", ""), units_planned=row.get("units"),
            replicates=row.get("replicates"), blind=row.get("blind", False),
            code=free_code(one.code, set(programme.trials.values_list("code", flat=True))),
        )  # fmt: skip
        editing.check(trial)
        trial.save()
        for i, code in enumerate(row.get("divide_by", [])):
            sm.TrialDimension.objects.create(
                trial=trial, property=_property(programme, kind.properties[code]), position=i
            )
        TrialPlan.objects.create(
            trial=trial, typical_cv=row.get("cv"), per_specimen=row.get("per_specimen"),
            per_specimen_unit=row.get("per_specimen_unit", ""), hands_on=row.get("hands_on"),
        )  # fmt: skip
        made[one.code] = trial
    for prop in kind.properties.values():  # certifications have no trial; they come along with the kind
        if prop["reading"] == "certification":
            _property(programme, prop)
    return [made[one.code] for one in wanted]


def _baselines_first(trials: list[Trial]) -> list[Trial]:
    placed: dict[str, Trial] = {}

    def place(one: Trial):
        for other in trials:
            if other.code in one.needs and other.code not in placed:
                place(other)
        placed.setdefault(one.code, one)

    for one in trials:
        place(one)
    return list(placed.values())


def _property(programme: sm.Programme, row: dict) -> sm.Property:
    same = programme.properties.filter(name=row["name"], kind=row["reading"], unit=row.get("unit", "")).first()
    if same:
        return same
    taken = set(programme.properties.values_list("code", flat=True))
    made = sm.Property(
        programme=programme, code=free_code(row["code"], taken), name=row["name"], kind=row["reading"],
        unit=row.get("unit", ""), better=row.get("better", "neither"), decimals=row.get("decimals"),
        **{n: row.get(n) for n in ("plausible_low", "plausible_high", "tolerance_pct", "scale_low", "scale_high")},
    )  # fmt: skip
    editing.check(made)
    made.save()
    return made


def take_condition(programme: sm.Programme, row: dict) -> sm.Condition:
    """A condition of the library in the programme; one of that name serves again. Inside a transaction."""
    same = programme.conditions.filter(name=row["name"]).first()
    if same:
        return same
    taken = set(programme.conditions.values_list("code", flat=True))
    numbers = {n: row.get(n) for n in ("temperature", "duration", "recovery")}
    made = sm.Condition(
        programme=programme, code=free_code(row["code"], taken), name=row["name"], agent=row.get("agent", ""),
        **numbers, **{f"{n}_unit": row.get(f"{n}_unit", "") for n in numbers},
    )  # fmt: skip
    editing.check(made)
    made.save()
    return made


def take_conditioning(programme: sm.Programme, row: dict) -> sm.Condition:
    """A conditioning with the method that says how it is done and what to beware of. Inside a transaction."""
    condition = take_condition(programme, row)
    _method(programme, row | {"code": f"conditioning-{row['code']}", "relation": "own"})
    return condition


def _method(programme: sm.Programme, row: dict) -> sm.MethodRevision:
    method, new = sm.Method.objects.get_or_create(title=row["title"])
    revision = None if new else latest_revision(method)
    if revision is None:
        hazardous = row.get("hazardous", False)
        cautions = row.get("cautions", "")
        revision = sm.MethodRevision(
            method=method, revision=REVISION, standard=row.get("standard", ""), relation=row.get("relation", ""),
            departures=row.get("departures", ""), cannot_show=row.get("cannot_show", ""), steps=row.get("steps", ""),
            cautions=f"{cautions} {library().stop}" if hazardous else cautions, hazardous=hazardous,
        )  # fmt: skip
        editing.check(revision)
        revision.save()
    listed = list_method(programme, revision, row["code"])
    for mode in row.get("modes", []):
        sm.FailureMode.objects.get_or_create(
            method=listed, code=mode["code"], defaults={"name": mode["name"], "counts": mode["counts"]}
        )
    return revision


def list_method(programme: sm.Programme, revision: sm.MethodRevision, code: str = "") -> sm.MethodInProgramme:
    """The method among those of the programme, with this revision on its list. Inside a transaction."""
    listed = programme.methods.filter(method=revision.method).first()
    if listed is None:
        taken = set(programme.methods.values_list("code", flat=True))
        wanted = code or as_code(revision.method.title, "method")[:40].strip("-")
        listed = sm.MethodInProgramme.objects.create(
            programme=programme, method=revision.method, code=free_code(wanted, taken)
        )
    listed.revisions.add(revision)
    return listed


def latest_revision(method: sm.Method) -> sm.MethodRevision | None:
    """The wording of a method that was written last."""
    return method.revisions.order_by("-pk").first()


def _criteria(comparison: Comparison, trials: list[sm.Trial]) -> None:
    """A criterion for each trial whose result is better one way, one for the price, and weights alike."""
    divisors = set(sm.TrialDimension.objects.filter(trial__in=trials).values_list("property", flat=True))
    rows = []
    for trial in trials:
        if trial.property.better in ("neither", "") or trial.property_id in divisors:
            continue
        condition = f", {trial.condition.name[:1].lower()}{trial.condition.name[1:]}" if trial.condition else ""
        rows.append(Criterion(
            kind="trial", code=trial.code, name=f"{trial.property.name}{condition}"[:200], trial=trial,
            **({"better": "target", "target": "0"} if trial.baseline and trial.property.kind == "quantity" else {}),
        ))  # fmt: skip
    rows.append(Criterion(kind="cost", cost="per_item", code=free_code("price", {r.code for r in rows}), name="Price"))
    weighting = Weighting.objects.create(
        comparison=comparison, code=EVERYONE, name="All readers", position=0, missing="renormalise"
    )
    for i, row in enumerate(rows):
        row.comparison, row.position = comparison, i
        editing.check(row)
        row.save()
        Weight.objects.create(weighting=weighting, criterion=row, position=i, weight="1")


def add_from_library(
    actor, comparison: Comparison, programme: sm.Programme, *, trials=(), conditionings=(), why: str = ""
) -> list:
    """More out of the library. trials: (kind's id, code) pairs; conditionings: codes. No criteria are made.

    Returns the trials and conditions that were added. Raises NotAllowed, and NotReady where the plan is frozen and
    no reason is given for new trials.
    """
    require_preparer(actor, "change the plan")
    with transaction.atomic():
        made: list = []
        every = library().every()
        wanted: dict[str, list[str]] = {}
        for kind, code in trials:
            if kind in every and code in every[kind].trials:
                wanted.setdefault(kind, []).append(code)
        for kind, codes in wanted.items():
            added = take(programme, every[kind], codes)
            for trial in added:
                deviate(actor, programme, f"trial {trial.code}", "none", str(trial.property), why)
            made += added
        for code in conditionings:
            if row := library().conditionings.get(code):
                made.append(take_conditioning(programme, row))
        if made:
            record(
                actor, "took from the library", comparison=comparison, programme=programme, thing="plan",
                after={"added": [one.code for one in made]}, why=why.strip(), changes_draft=True,
            )  # fmt: skip
        return made

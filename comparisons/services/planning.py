"""The plan of a comparison: its rows, its weights, its freezing, and a method that changes under way.

Rows go through `editing` (two people at once, the frozen plan, the record) and are kept only where the plan still
agrees with the study folder's rules (`plan_checks`).
"""

from __future__ import annotations

import hashlib
import json

from django.db import DatabaseError, transaction
from django.utils import timezone

from comparisons.models import Comparison, Criterion, TrialPlan, Weight, Weighting
from specimens import models as sm
from specimens.bench import context, errors, runs

from . import editing
from .deviating import deviate, deviate_one
from .errors import NotReady, Refused, Stale
from .plan_checks import in_words, keeping_the_rules
from .products import as_code, free_code
from .record import hold_still, lock_programme, record
from .roles import require_preparer

EXPECTED = ("typical_cv", "wanted_difference", "per_specimen", "per_specimen_unit", "hands_on", "starts_on")
_ANCHORS = ("trial", "cost", "certification", "measure", "better", "floor", "ceiling", "target", "band",
            "value_function", "exponent")  # fmt: skip
TABLES = {
    sm.Property: "properties", sm.Condition: "conditions", sm.Trial: "trials", Criterion: "criterion",
    Weighting: "weighting",
}  # fmt: skip
FIELDS = {"method": "revision", "divide_by": "_dimensions", "reading": "kind"}


def judged(comparison: Comparison | None, programme: sm.Programme | None) -> Comparison:
    """The comparison whose plan a row belongs to."""
    return comparison or programme.comparisons.order_by("pk").first()


# -- rows ------------------------------------------------------------------------------------------------


def create(actor, row, *, comparison=None, programme=None, thing: str, why: str = ""):
    """Add a row to the plan, with a code made of its name where it has none. Raises Invalid, NotReady."""
    require_preparer(actor, f"add a {thing}")
    new_code = hasattr(row, "code") and not row.code

    def do():
        row.pk, row._state.adding = None, True
        with transaction.atomic():
            _hold(comparison, programme)
            if new_code:
                row.code = _code(row)
            if hasattr(row, "position") and row.position is None:
                last = type(row).objects.filter(comparison=row.comparison).order_by("-position").first()
                row.position = last.position + 1 if last else 0
            if isinstance(row, Criterion):
                _stamp(row)
            return editing.create(
                actor, row, comparison=comparison, programme=programme, thing=thing, why=why
            )  # fmt: skip

    try:
        return _kept(row, do, comparison, programme)
    except Refused:
        row.pk = None
        raise


def save(actor, row, values: dict, *, seen: str, comparison=None, programme=None, thing: str, why: str = ""):
    """Change a row of the plan. Raises Changed, Invalid, NotReady. Moved anchors get the time of the change."""

    def do():
        before = editing.state(type(row)._default_manager.get(pk=row.pk)) if isinstance(row, Criterion) else {}
        with transaction.atomic():
            now = editing.save(
                actor, row, values, seen=seen, comparison=comparison, programme=programme, thing=thing, why=why
            )  # fmt: skip
            if isinstance(now, Criterion) and any(before[n] != editing.state(now)[n] for n in _ANCHORS):
                _stamp(now)
                now.save(update_fields=["anchors_set_at", "anchors_set_at_text"])
            return now

    return _kept(row, do, comparison, programme)


def remove(actor, row, *, comparison=None, programme=None, thing: str, why: str = "") -> None:
    """Take a row out of the plan; NotReady where something rests on it or the plan would no longer hold."""
    key = row.pk

    def do():
        row.pk = key  # where this is done a second time, the first was taken back
        with transaction.atomic():
            _hold(comparison, programme)
            if isinstance(row, sm.Trial):
                if n := row.readings.count():
                    raise NotReady(f"“{row.code}” stays: {n} {'reading rests' if n == 1 else 'readings rest'} on it.")
                deviate(actor, row.programme, f"trial {row.code}", row.code, "none", why)
                row.absences.all().delete()
            if isinstance(row, sm.MethodInProgramme):
                if used := row.programme.trials.filter(revision__method=row.method).count():
                    raise NotReady(f"“{row.code}” stays: {used} trials use it.")
                row.failure_modes.all().delete()
            if isinstance(row, Criterion):
                _without_weight(row)
            editing.remove(actor, row, comparison=comparison, programme=programme, thing=thing, why=why)

    try:
        keeping_the_rules(judged(comparison, programme), do)
    except editing.Invalid as invalid:
        raise NotReady(f"“{getattr(row, 'code', row)}” stays. {invalid}") from invalid


def _without_weight(row: Criterion) -> None:
    left = Weight.objects.filter(weighting__comparison=row.comparison).exclude(criterion=row)
    for weighting in row.comparison.weightings.filter(weights__criterion=row):
        if not any(weight.weight > 0 for weight in left.filter(weighting=weighting)):
            raise NotReady(
                f"“{row}” stays: the weighting “{weighting}” gives weight to nothing else. Change its weights first."
            )


def _kept(row, do, comparison, programme):
    where = judged(comparison, programme)
    if type(row) not in TABLES:
        return in_words(do)
    return keeping_the_rules(where, do, table=TABLES[type(row)], code=row.code, fields=FIELDS)


def _hold(comparison, programme) -> None:
    if comparison is not None:
        hold_still(comparison)
    if programme is not None:
        lock_programme(programme)


def _code(row) -> str:
    siblings = {
        "programme": lambda: type(row).objects.filter(programme=row.programme),
        "comparison": lambda: type(row).objects.filter(comparison=row.comparison),
        "method": lambda: type(row).objects.filter(method=row.method),
    }
    names = {f.name for f in row._meta.concrete_fields}
    owner = next(name for name in siblings if name in names)
    taken = set(siblings[owner]().values_list("code", flat=True))
    if isinstance(row, sm.Trial):
        text = " ".join(filter(None, [row.property.code, row.condition.code if row.condition else ""]))
    else:
        text = getattr(row, "name", "")
    return free_code(as_code(text, type(row)._meta.model_name), taken)


def _stamp(row: Criterion) -> None:
    """The server's time at which the anchors were set; without anchors there is none."""
    given = any(getattr(row, name) is not None for name in ("floor", "ceiling", "target"))
    row.anchors_set_at = timezone.now() if given else None
    row.anchors_set_at_text = row.anchors_set_at.isoformat(timespec="seconds") if given else ""


# -- trials ----------------------------------------------------------------------------------------------


def trial_extras(trial: sm.Trial) -> dict:
    """What a trial's form shows beside the trial's own columns: dimensions in order, and what it will take."""
    dims = [one.property for one in trial.divide_by.select_related("property")] if trial.pk else []
    plan = (TrialPlan.objects.filter(trial=trial).first() if trial.pk else None) or TrialPlan()
    return {"_dimensions": dims, "_expected": {name: getattr(plan, name) for name in EXPECTED}}


def extras_mark(trial: sm.Trial) -> str:
    """The fingerprint of a trial's extras."""
    return _mark(_said(trial_extras(trial)))


def _said(extras: dict) -> dict:
    return {
        "divide_by": "*".join(one.code for one in extras["_dimensions"]),
        **{name: editing.plain(value) for name, value in extras["_expected"].items() if value not in (None, "")},
    }


def _mark(said: dict) -> str:
    return hashlib.sha256(json.dumps(said, sort_keys=True, default=str).encode()).hexdigest()[:16]


def create_trial(actor, row: sm.Trial, *, comparison=None, programme=None, thing: str = "trial", why: str = ""):
    """Add a trial with its dimensions (`row._dimensions`) and what it is expected to take (`row._expected`)."""
    require_preparer(actor, "add a trial")
    extras = {"_dimensions": list(getattr(row, "_dimensions", [])), "_expected": getattr(row, "_expected", {})}
    new_code = not row.code

    def do():
        row.pk, row._state.adding = None, True
        with transaction.atomic():
            _hold(comparison, programme)
            if new_code:
                row.code = _code(row)
            _list_method(row)
            made = editing.create(
                actor, row, comparison=comparison, programme=programme, thing=thing, why=why
            )  # fmt: skip
            deviate(actor, made.programme, f"trial {made.code}", "none", str(made.property), why)
            _store_extras(actor, made, {"_dimensions": [], "_expected": {}}, extras)
            return made

    try:
        return _kept(row, do, comparison, programme)
    except Refused:
        row.pk = None
        raise


# What of a trial readers are told of where it changes after the plan was frozen.
_TOLD = {"property": "property", "condition": "condition", "revision": "method", "baseline": "baseline",
         "paired": "paired", "units_planned": "units planned",
         "replicates": "replicates of each unit"}  # fmt: skip


def save_trial(actor, row: sm.Trial, values: dict, *, seen: str, comparison=None, programme=None,
               thing: str = "trial", why: str = ""):  # fmt: skip
    """Change a trial, its dimensions and what it is expected to take. `seen` may carry the mark of the extras."""
    values = dict(values)
    extras = {"_dimensions": list(values.pop("_dimensions")), "_expected": values.pop("_expected")}
    seen, _, seen_extras = seen.partition(".")
    if values.get("baseline") is not None and values["baseline"].pk == row.pk:
        raise editing.Invalid({"baseline": ["A trial cannot be its own baseline: choose another one."]})

    def do():
        with transaction.atomic():
            _hold(comparison, programme)
            stored = sm.Trial.objects.get(pk=row.pk)
            before, said = trial_extras(stored), {n: editing.plain(getattr(stored, n)) for n in _TOLD}
            now = editing.save(
                actor, row, values, seen=seen, comparison=comparison, programme=programme, thing=thing, why=why
            )  # fmt: skip
            if seen_extras and _mark(_said(before)) != seen_extras:
                theirs, yours = _said(before), _said(extras)
                raise editing.Changed(stored, [
                    editing.Difference(name, name.replace("_", " "), str(theirs.get(name, "nothing")),
                                       str(yours.get(name, "nothing")))
                    for name in {**theirs, **yours} if theirs.get(name) != yours.get(name)
                ])  # fmt: skip
            for name, label in _TOLD.items():
                after = editing.plain(getattr(now, name))
                if said[name] != after:
                    deviate(actor, now.programme, f"trial {now.code}, {label}", _words(said[name]), _words(after), why)
            _list_method(now)
            _store_extras(actor, now, before, extras)
            return now

    return _kept(row, do, comparison, programme)


def _words(value) -> str:
    return {None: "nothing", "": "nothing", True: "yes", False: "no"}.get(value, str(value))


def _list_method(trial: sm.Trial) -> None:
    """A method that a trial uses is among those of the programme."""
    if trial.revision is not None:
        from .starting import list_method

        list_method(trial.programme, trial.revision)


def _store_extras(actor, trial: sm.Trial, before: dict, after: dict) -> None:
    old, new = _said(before), _said(after)
    if old == new:
        return
    if old["divide_by"] != new["divide_by"]:
        try:
            with transaction.atomic():
                trial.divide_by.all().delete()
                for i, prop in enumerate(after["_dimensions"]):
                    sm.TrialDimension.objects.create(trial=trial, property=prop, position=i)
        except DatabaseError as error:
            told = "What readings are divided by stays: readings rest on it."
            raise editing.Invalid({"_dimensions": [told]}) from error
    plan = TrialPlan.objects.filter(trial=trial).first() or TrialPlan(trial=trial)
    for name in EXPECTED:
        value = after["_expected"].get(name)
        setattr(plan, name, value if value is not None or not name.endswith("_unit") else "")
    in_words(lambda: editing.check(plan))
    plan.save()
    record(
        actor, "changed" if before["_expected"] else "planned", programme=trial.programme, thing="trial",
        code=trial.code, before={n: old[n] for n in old if old[n] != new.get(n)},
        after={n: new[n] for n in new if new[n] != old.get(n)}, changes_draft=old["divide_by"] != new["divide_by"],
    )  # fmt: skip


def use_revision(
    actor, trial: sm.Trial, revision: sm.MethodRevision, *, reason: str, repeat: bool, equivalent: str = "",
    why: str = "",
) -> sm.Run:
    """Go on with another wording of the method: a new run under it. Raises NotReady, NotAllowed.

    Readings stay with the wording they were made under. repeat: what was measured is put on the bench's list again.
    equivalent: why results of both wordings may stand in one table; it is published. Without it the runs are not
    pooled: one of them is judged.
    """
    require_preparer(actor, "change the method of a trial")
    if trial.revision is None or revision.method_id != trial.revision.method_id:
        raise NotReady("Choose another revision of the trial's own method. For another method, plan another trial.")
    if not reason.strip():
        raise NotReady("Say what has changed in the method: readers see it beside the run.")
    with transaction.atomic():
        lock_programme(trial.programme)
        if not trial.readings.exists():
            raise NotReady("Nothing was read in this trial yet: choose the revision in the trial itself.")
        bench = context.load(trial.programme.slug, trial.code)
        last = bench.run
        if revision.pk == (last.revision_id or trial.revision_id if last else trial.revision_id):
            raise NotReady(f"Revision {revision.revision} is in use already.")
        wish = runs.Wanted(
            bench, reason.strip(), "repeat" if repeat else "none", None, pooled_because=equivalent.strip()
        )  # fmt: skip
        try:
            run = runs.start(wish, actor=actor, at=timezone.now())
        except errors.Refused as refused:
            raise NotReady(str(refused)) from refused
        run.revision = revision
        run.save(update_fields=["revision"])
        from .starting import list_method

        list_method(trial.programme, revision)
        former = last.revision if last and last.revision_id else trial.revision
        deviate(
            actor, trial.programme, f"trial {trial.code}, method from run {run.code} on",
            f"revision {former.revision}", f"revision {revision.revision}", why.strip() or reason,
        )  # fmt: skip
        record(
            actor, "changed the method", programme=trial.programme, thing="run", code=f"{trial.code} {run.code}",
            before={"revision": former.revision},
            after={"revision": revision.revision, "why equivalent": equivalent.strip()}, why=reason.strip(),
            changes_draft=True,
        )  # fmt: skip
        return run


def state_equivalence(actor, run: sm.Run, text: str, *, seen: str) -> sm.Run:
    """Say (or take back) why a run may be pooled with those before it; it is published."""
    return editing.save(
        actor, run, {"pooled_because": text.strip()}, seen=seen, programme=run.trial.programme, thing="run"
    )  # fmt: skip


def absences_seen(trial: sm.Trial) -> str:
    """What a form carries to tell whether the absences changed since it was shown."""
    rows = sorted(trial.absences.values_list("product_id", "reason", "note"))
    return hashlib.sha256(json.dumps(rows).encode()).hexdigest()[:32]


def set_absences(actor, trial: sm.Trial, wanted: dict[int, tuple[str, str]], *, seen: str, why: str = "") -> int:
    """Say of each product (key) why it is missing from the trial: (reason, note), reason "" where it is not.

    Returns how many changed. Stale where they are not as they were seen. NotReady where a product with
    readings would be left out as never planned.
    """
    require_preparer(actor, "change a trial")
    with transaction.atomic():
        lock_programme(trial.programme)
        if absences_seen(trial) != seen:
            raise Stale("Somebody changed these while you had them open: look at what is stored, then save again.")
        there = {one.product_id: one for one in trial.absences.all()}
        read = set(trial.readings.values_list("product", flat=True))
        before, after = {}, {}
        for product in trial.programme.products.filter(pk__in=wanted):
            reason, note = wanted[product.pk]
            old = there.get(product.pk)
            if (reason, note.strip() if reason else "") == ((old.reason, old.note) if old else ("", "")):
                continue
            if reason in ("not_planned", "not_applicable") and product.pk in read:
                raise NotReady(f"{product} was read in this trial: it is lost or excluded, with a note.")
            if reason == "excluded" and not note.strip():
                raise NotReady(f"Say in a note why {product} is excluded: readers see it.")
            before[product.code] = f"{old.reason} {old.note}".strip() if old else "planned"
            after[product.code] = f"{reason} {note}".strip() if reason else "planned"
            if old:
                old.delete()
            if reason:
                row = sm.Absence(trial=trial, product=product, reason=reason, note=note.strip())
                editing.check(row)
                row.save()
            deviate(
                actor, trial.programme, f"trial {trial.code}, {product.code}", before[product.code],
                after[product.code], why,
            )  # fmt: skip
        if after:
            record(
                actor, "changed", programme=trial.programme, thing="absences", code=trial.code, before=before,
                after=after, why=why, changes_draft=True,
            )  # fmt: skip
        return len(after)


# -- weights ---------------------------------------------------------------------------------------------


def weights_of(weighting: Weighting) -> dict[int, object]:
    """criterion -> weight, as stored. One query."""
    return dict(weighting.weights.values_list("criterion", "weight")) if weighting.pk else {}


def weights_mark(weighting: Weighting) -> str:
    return _mark({str(k): str(v) for k, v in weights_of(weighting).items()})


def save_weighting(actor, row: Weighting, values: dict, *, seen: str = "", comparison=None, programme=None,
                   thing: str = "weighting", why: str = ""):  # fmt: skip
    """Store a weighting, new or changed, with its weights (`values["_weights"]`: criterion -> number or None)."""
    require_preparer(actor, "change weights")
    values = dict(values)
    wanted = {k: v for k, v in values.pop("_weights").items() if v is not None}
    if not any(v > 0 for v in wanted.values()):
        raise editing.Invalid({"": ["Give at least one criterion a weight above 0."]})
    seen, _, seen_weights = seen.partition(".")
    new = row.pk is None

    def do():
        with transaction.atomic():
            _hold(comparison, programme)
            if new:
                row.pk, row._state.adding = None, True
                for name, value in values.items():
                    setattr(row, name, value)
                last = comparison.weightings.order_by("-position").first()
                row.position = last.position + 1 if last else 0
                row.code = _code(row)
                now = editing.create(actor, row, comparison=comparison, thing=thing, why=why)
                before = {}
            else:
                stored = Weighting.objects.get(pk=row.pk)
                now = editing.save(actor, row, values, seen=seen, comparison=comparison, thing=thing, why=why)
                before = weights_of(now)
                if seen_weights and weights_mark(now) != seen_weights:
                    names = dict(comparison.criteria.values_list("pk", "name"))
                    raise editing.Changed(stored, [
                        editing.Difference(str(k), str(names.get(k, k)), str(before.get(k, "nothing")),
                                           str(wanted.get(k, "nothing")))
                        for k in {**before, **wanted} if str(before.get(k)) != str(wanted.get(k))
                    ])  # fmt: skip
            _store_weights(actor, now, before, wanted, comparison, why, new)
            return now

    return keeping_the_rules(comparison, do, table="weighting", code=row.code)


def create_weighting(actor, row: Weighting, *, comparison=None, programme=None, thing="weighting", why=""):
    """As save_weighting, for a new row whose attributes hold the values."""
    values = {"name": row.name, "missing": row.missing, "_weights": row._weights}
    return save_weighting(actor, row, values, comparison=comparison, thing=thing, why=why)


def _store_weights(actor, weighting, before, wanted, comparison, why, new: bool) -> None:
    criteria = {c.pk: c for c in comparison.criteria.all()}
    old, fresh = {}, {}
    for key in {**before, **wanted}:
        if str(before.get(key)) == str(wanted.get(key)) or key not in criteria:
            continue
        name = criteria[key].code
        old[name], fresh[name] = str(before.get(key, "none")), str(wanted.get(key, "none"))
        stored = Weight.objects.filter(weighting=weighting, criterion_id=key).first()
        if key not in wanted:
            stored.delete()
        else:
            stored = stored or Weight(weighting=weighting, criterion_id=key, position=criteria[key].position)
            stored.weight = wanted[key]
            editing.check(stored)
            stored.save()
    if not fresh:
        return
    if not new:
        for name in fresh:
            deviate_one(actor, comparison, f"weight of {name} in {weighting.code}", old[name], fresh[name], why)
    record(
        actor, "weighed", comparison=comparison, thing="weighting", code=weighting.code, before=old, after=fresh,
        why=why, changes_draft=True,
    )  # fmt: skip

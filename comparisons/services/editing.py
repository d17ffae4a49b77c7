"""Changing one thing on the desk, with two people at it: the second is told what the first changed.

A form carries the fingerprint of what it showed. `save` compares it with the row as it is now; where
they differ it writes nothing and raises `Changed`, which holds the other's values beside the typed ones.
What belongs to the frozen plan (directions, anchors, weights, the decision rule, the tie rule) changes
only with a reason, and becomes a dated deviation that readers see.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass

from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.db import DatabaseError, IntegrityError, models, transaction
from django.db.models import ProtectedError
from django.utils import timezone

from comparisons.models import Comparison, Criterion, Deviation, Weight, Weighting
from specimens.models import Condition, FailureMode, Programme, Property

from .errors import NotReady, Refused, Stale
from .record import hold_still, lock_programme, record
from .roles import require_preparer

# What a frozen plan holds, by model.
PLANNED: dict[type[models.Model], tuple[str, ...]] = {
    Property: ("better", "tolerance_pct"),
    Condition: (
        "agent", "temperature", "temperature_unit", "duration", "duration_unit", "recovery", "recovery_unit",
    ),
    FailureMode: ("counts",),
    Comparison: ("confidence", "rule", "rounding", "coverage", "price_cap", "tie_rule"),
    Criterion: (
        "trial", "cost", "certification", "measure", "better", "floor", "ceiling", "target", "band",
        "value_function", "exponent", "must",
    ),
    Weighting: ("missing",),
    Weight: ("weight",),
}  # fmt: skip


@dataclass(frozen=True)
class Difference:
    """One field that two people changed: what it was when the form was shown is not known, only both ends."""

    field: str
    label: str
    theirs: str
    yours: str


class Changed(Stale):
    """Somebody else changed the same thing meanwhile. Nothing was written."""

    def __init__(self, row: models.Model, differences: list[Difference], by: str = ""):
        self.row, self.differences, self.by = row, differences, by
        who = by or "Somebody else"
        told = "; ".join(f"{d.label}: now “{d.theirs[:80]}”" for d in differences) or "what was shown is not stored now"
        super().__init__(f"{who} changed this while you had it open ({told}). Look at both, then save again.")


class Invalid(NotReady):
    """Values that may not be: field name ("" for the whole) -> one line each."""

    def __init__(self, errors: dict[str, list[str]]):
        self.errors = errors
        super().__init__(" ".join(line for lines in errors.values() for line in lines))


def plain(value):
    """A field's value as JSON can hold it and a person can read it: rows by their name."""
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, models.Model):
        return str(getattr(value, "code", "") or value)
    if hasattr(value, "isoformat"):
        return value.isoformat()
    if isinstance(value, dict | list):
        return value
    return str(value)


def state(row: models.Model, fields=None) -> dict:
    """The row's own columns (or some of them) as plain values."""
    chosen = [f for f in row._meta.concrete_fields if not f.primary_key and (fields is None or f.name in fields)]
    return {f.name: plain(getattr(row, f.attname)) for f in chosen}


def fingerprint(row: models.Model, fields=None) -> str:
    """What a form carries to tell whether the row, or the fields that it shows, changed since."""
    text = json.dumps(state(row, fields), sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def save(
    actor,
    row: models.Model,
    values: dict,
    *,
    seen: str,
    comparison: Comparison | None = None,
    programme: Programme | None = None,
    thing: str,
    why: str = "",
    changes_draft: bool = True,
    verb: str = "changed",
):
    """Write `values` into the row and the record. Returns the row as stored; no event where nothing changed.

    `seen`: the fingerprint over exactly the fields in `values` as the form showed them. Changed: the row
    is not as it was seen. Invalid: the values may not be. NotReady: the plan is frozen and no reason is given.
    """
    require_preparer(actor, f"change a {thing}")
    with transaction.atomic():
        _hold(comparison, programme)
        now = type(row)._default_manager.select_for_update().filter(pk=row.pk).first()
        if now is None:
            raise Stale(f"This {thing} was removed meanwhile: go back and look at the list.")
        if fingerprint(now, values) != seen:
            raise Changed(now, _differences(now, values), _who(comparison, programme, thing, now))
        before = _shown(now, values)
        for name, value in values.items():
            setattr(now, name, value)
        after = _shown(now, values)
        moved = {name for name in values if before[name] != after[name]}
        if not moved:
            return now
        check(now)
        _plan_changes(actor, now, {n: before[n] for n in moved}, {n: after[n] for n in moved},
                      comparison, programme, thing, why)  # fmt: skip
        _write(now.save)
        record(
            actor, verb, comparison=comparison, programme=programme, thing=thing, code=_code(now),
            before={n: before[n] for n in sorted(moved)}, after={n: after[n] for n in sorted(moved)}, why=why,
            changes_draft=changes_draft,
        )  # fmt: skip
        return now


def create(
    actor,
    row: models.Model,
    *,
    comparison: Comparison | None = None,
    programme: Programme | None = None,
    thing: str,
    why: str = "",
    changes_draft: bool = True,
    verb: str = "added",
):
    """Store a new row and its line in the record. Invalid where it may not be."""
    require_preparer(actor, f"add a {thing}")
    with transaction.atomic():
        _hold(comparison, programme)
        check(row)
        if type(row) in (Criterion, Weighting, Weight):
            _plan_changes(actor, row, {"": "none"}, {"": str(row)}, comparison, programme, thing, why)
        _write(row.save)
        record(
            actor, verb, comparison=comparison, programme=programme, thing=thing, code=_code(row),
            after={k: v for k, v in _shown(row).items() if v not in (None, "")}, why=why,
            changes_draft=changes_draft,
        )  # fmt: skip
        return row


def remove(
    actor,
    row: models.Model,
    *,
    comparison: Comparison | None = None,
    programme: Programme | None = None,
    thing: str,
    why: str = "",
    changes_draft: bool = True,
) -> None:
    """Take a row away; NotReady, saying what rests on it, where something does."""
    require_preparer(actor, f"remove a {thing}")
    with transaction.atomic():
        _hold(comparison, programme)
        before, code = {k: v for k, v in _shown(row).items() if v not in (None, "")}, _code(row)
        if type(row) in (Criterion, Weighting, Weight):
            _plan_changes(actor, row, {"": str(row)}, {"": "none"}, comparison, programme, thing, why)
        try:
            with transaction.atomic():
                if not type(row)._default_manager.select_for_update().filter(pk=row.pk).exists():
                    raise Stale(f"This {thing} was removed meanwhile: go back and look at the list.")
                row.delete()
        except ProtectedError as error:
            kinds: dict[str, int] = {}
            for other in error.protected_objects:
                name = str(other._meta.verbose_name_plural)
                kinds[name] = kinds.get(name, 0) + 1
            rests = ", ".join(f"{name} ({count})" for name, count in sorted(kinds.items()))
            raise NotReady(
                f"“{code}” stays: {rests} rest on it. Remove those first, where they may be removed."
            ) from error
        except DatabaseError as error:
            raise NotReady(f"“{code}” stays: {_reason(error)}.") from error
        record(
            actor, "removed", comparison=comparison, programme=programme, thing=thing, code=code, before=before,
            why=why, changes_draft=changes_draft,
        )  # fmt: skip


def check(row: models.Model) -> None:
    """Invalid, with a line for each field, where the row breaks a rule of its model."""
    try:
        row.full_clean()
    except ValidationError as error:
        found = {("" if name == NON_FIELD_ERRORS else name): list(lines) for name, lines in error.message_dict.items()}
        raise Invalid(found) from error


def _write(store) -> None:
    try:
        with transaction.atomic():
            store()
    except (IntegrityError, DatabaseError) as error:
        raise Refused(f"The database refuses this: {_reason(error)}.") from error


def _reason(error: Exception) -> str:
    return str(error).splitlines()[0].rstrip(".")


def _hold(comparison: Comparison | None, programme: Programme | None) -> None:
    if comparison is not None:
        hold_still(comparison)
    if programme is not None:
        lock_programme(programme)


def _shown(row: models.Model, fields=None) -> dict:
    """Values for the record: rows that are pointed to by name, not by number."""
    chosen = [f for f in row._meta.concrete_fields if not f.primary_key and (fields is None or f.name in fields)]
    return {f.name: plain(getattr(row, f.name)) for f in chosen}


def _code(row: models.Model) -> str:
    return str(getattr(row, "code", "") or getattr(row, "slug", "") or row)[:200]


def _differences(now: models.Model, values: dict) -> list[Difference]:
    found = []
    shown = _shown(now, values)
    for name, value in values.items():
        theirs, yours = shown[name], plain(value)
        if theirs != yours and not (theirs in (None, "") and yours in (None, "")):
            label = str(now._meta.get_field(name).verbose_name)
            found.append(Difference(name, label, _words(theirs), _words(yours)))
    return found


def _words(value) -> str:
    return {None: "nothing", "": "nothing", True: "yes", False: "no"}.get(value, str(value))


def _who(comparison, programme, thing: str, row: models.Model) -> str:
    from comparisons.models import Event

    event = (
        Event.objects.filter(comparison=comparison, programme=programme, thing=thing, code=_code(row))
        .order_by("-id").only("actor_name").first()
    )  # fmt: skip
    return event.actor_name if event else ""


def _plan_changes(actor, row, before: dict, after: dict, comparison, programme, thing: str, why: str) -> None:
    """Write what changes of a frozen plan into the deviations of each comparison that froze it."""
    planned = PLANNED.get(type(row), ())
    moved = [name for name in after if name == "" or name in planned]
    if not moved:
        return
    frozen = Comparison.objects.filter(plan_frozen_at__isnull=False)
    if comparison is not None:
        frozen = frozen.filter(pk=comparison.pk)
    elif programme is not None:
        frozen = frozen.filter(parts__programme=programme)
    for one in frozen:
        if not why.strip():
            raise NotReady("The plan is frozen: write why you change it. Readers will see the change and the reason.")
        at = timezone.now()
        for name in moved:
            what = f"{thing} {_code(row)}" + (f", {row._meta.get_field(name).verbose_name}" if name else "")
            Deviation.objects.create(
                comparison=one, at=at, at_text=at.isoformat(timespec="seconds"), by=actor.get_username()[:100],
                what=what[:300], before=_words(before[name]), after=_words(after[name]), why=why.strip(),
            )  # fmt: skip

"""Voids: a reading declared void with a reason. The reading stays in sight."""

from __future__ import annotations

from specimens import roles
from specimens.models import Reading, Void

from . import context, finding, panels
from .entries import Entry, Outcome, note
from .errors import Refused
from .typed import words


def prepare(entry: Entry) -> tuple[context.Bench, Reading, str]:
    bench = context.by_key(entry.content.get("trial"), fresh=entry.second_look)
    reason = words(entry.content.get("reason"), "reason")
    if not reason:
        raise Refused("Say why the reading is void.")
    found = finding.reading(bench.programme, entry.content.get("reading"), "void")
    if found.trial_id != bench.trial.pk and found.trial_id not in {d.trial.pk for d in bench.dimensions}:
        raise Refused(f"The reading {found.code} is of another trial.")
    # whose account it is, not the name that the entry bears: names can be typed
    own = panels.rater_of(found) == entry.user.get_username()
    if not own and panels.raters_of(bench.trial) and not roles.may_plan(entry.user):
        raise Refused("The rating is another rater's: only they, signed in themselves, or the planner can void it.")
    return bench, found, reason


def _by(entry: Entry) -> str:
    return words(entry.content.get("operator") or entry.content.get("by"), "operator", 100) or entry.user.get_username()


def store(entry: Entry, prepared) -> Outcome:
    bench, reading, reason = prepared
    finding.lock(bench.programme)
    before = Void.objects.filter(reading=reading).first()
    if before is not None:
        return Outcome(f"It was void already: {before.reason}", trial=reading.trial, reading=reading)
    made(reading, entry, reason, _by(entry))
    text = ""
    if replacing := Reading.objects.filter(replaces=reading).first():
        text = f"It had been replaced by {replacing.code}, which still counts."
    return Outcome(text, trial=bench.trial, reading=reading, more={"reading": reading.code})


def made(reading: Reading, entry: Entry, reason: str, by: str) -> Void:
    """Void a reading and write it into the record."""
    void = Void.objects.create(
        reading=reading, voided_at=entry.tablet_at or entry.received_at, voided_by=by, reason=reason,
        voided_at_text=entry.tablet_text or entry.received_at.isoformat(timespec="seconds"),
    )  # fmt: skip
    note(
        entry.user, "voided", programme=reading.programme, thing="reading", code=reading.code,
        after={"by": by}, why=reason,
    )  # fmt: skip
    return void

"""Cautions of a hazardous method, confirmed before the work starts. The confirmation is on the record."""

from __future__ import annotations

from . import context
from .entries import Entry, Outcome, note
from .errors import Refused
from .typed import shown


def prepare(entry: Entry) -> context.Bench:
    bench = context.by_key(entry.content.get("trial"), fresh=entry.second_look)
    revision = bench.trial.revision
    if revision is None or not revision.cautions:
        raise Refused("The method of this trial has no cautions to confirm.")
    if entry.content.get("revision") not in (None, "", revision.revision):
        raise Refused(
            f"Found the revision {shown(entry.content['revision'])} confirmed; the method is now at "
            f"{revision.revision}: load the page again and read its cautions."
        )
    return bench


def store(entry: Entry, bench: context.Bench) -> Outcome:
    revision = bench.trial.revision
    note(
        entry.user, "confirmed cautions", programme=bench.programme, thing="trial", code=bench.trial.code,
        changes_draft=False, after={"method": str(revision.method), "revision": revision.revision},
    )  # fmt: skip
    return Outcome(trial=bench.trial, kept={"cautions": revision.cautions})

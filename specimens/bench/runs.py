"""Runs: a change of method or rig midway opens a new one; what is repeated in it makes them comparable."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.db.models import Min
from django.utils import timezone

from specimens.models import BenchPlan, ProgrammeProduct, Reading, Run, Specimen

from . import context, finding, planning
from .entries import Entry, Outcome, note
from .errors import Refused
from .typed import shown, words

CARRY = {
    "repeat": "all products are measured again in the new run",
    "anchor": "one product is measured again, to join the runs by it",
    "none": "nothing is repeated: the runs stand apart",
}


@dataclass
class Wanted:
    bench: context.Bench
    reason: str
    carry: str
    anchor: ProgrammeProduct | None
    same: bool = False
    pooled_because: str = ""


def wanted(bench: context.Bench, content: dict) -> Wanted:
    """What a new run is to be, checked. Raises Refused."""
    reason = words(content.get("reason"), "reason")
    if not reason:
        raise Refused("Say what has changed: a new run needs its reason.")
    carry = content.get("carry") or "none"
    if carry not in CARRY:
        raise Refused(f"Found {shown(carry)}, expected one of {', '.join(CARRY)}.")
    anchor = None
    if carry == "anchor":
        code = content.get("anchor")
        anchor = ProgrammeProduct.objects.filter(
            programme=bench.programme, code=code if isinstance(code, str) and "\x00" not in code else ""
        ).first()
        if anchor is None:
            raise Refused("Name the anchor product: one that was measured before and is measured again now.")
    pooled = words(content.get("pooled_because"), "reason for pooling")
    return Wanted(bench, reason, carry, anchor, bool(content.get("same_specimens")), pooled)


def start(plan: Wanted, *, actor, at: datetime, at_text: str = "") -> Run:
    """Open a new run; inside a transaction.

    Readings made before belong to the first run, which is written down now where it was not yet.
    """
    bench = plan.bench
    finding.lock(bench.programme)
    runs = list(Run.objects.filter(trial=bench.trial))
    before = Reading.objects.filter(trial=bench.trial)
    first = before.aggregate(first=Min("taken_at"))["first"]
    if not runs and before.exists():
        began = first if first is None or first < at else None
        runs.append(Run.objects.create(
            trial=bench.trial, code="r1", started_at=began, reason="First run.",
            started_at_text=began.isoformat(timespec="seconds") if began else "",
        ))  # fmt: skip
    taken = {run.code for run in runs}
    code = next(f"r{n}" for n in range(len(runs) + 1, len(runs) + 1000) if f"r{n}" not in taken)
    made = Run.objects.create(
        trial=bench.trial, code=code, started_at=at, started_at_text=at_text or at.isoformat(timespec="seconds"),
        reason=plan.reason, pooled_because=plan.pooled_because, anchor_product=plan.anchor,
    )  # fmt: skip
    measured = Specimen.objects.filter(readings__trial=bench.trial).select_related("unit__product").distinct()
    if plan.anchor is not None:
        measured = measured.filter(unit__product=plan.anchor)
    if plan.carry != "none":
        seed = BenchPlan.objects.filter(trial=bench.trial).values_list("seed", flat=True).first() or 0
        planning.repeat(bench, code, list(measured.order_by("code")), same=plan.same, seed=seed)
    note(
        actor, "opened a run", programme=bench.programme, thing="run", code=code, why=plan.reason,
        after={"trial": bench.trial.code, "carry": plan.carry, "anchor": plan.anchor.code if plan.anchor else ""},
    )  # fmt: skip
    return made


def open_run(bench: context.Bench, content: dict, *, actor) -> Run:
    """Open a run from the planner's page. Raises Refused."""
    plan = wanted(bench, content)
    with transaction.atomic():
        return start(plan, actor=actor, at=timezone.now())


def prepare(entry: Entry) -> Wanted:
    return wanted(context.by_key(entry.content.get("trial"), fresh=entry.second_look), entry.content)


def store(entry: Entry, plan: Wanted) -> Outcome:
    run = start(plan, actor=entry.user, at=entry.at, at_text=entry.tablet_text if entry.skew is None else "")
    return Outcome(
        f"Run {run.code} is open: {CARRY[plan.carry]}.", trial=plan.bench.trial, more={"run": run.code}
    )

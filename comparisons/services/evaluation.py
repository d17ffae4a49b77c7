"""Evaluating a comparison: what stands, asking for it, and doing it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.db import connection, transaction

from comparisons.analysis import ENGINE, SCHEMA
from comparisons.models import Comparison, Evaluation, Job, Standing
from comparisons.models.editions import JobKind, JobStatus

from .errors import NotReady
from .record import hold_still, last_draft_event, record
from .roles import require_preparer

if TYPE_CHECKING:
    from comparisons.folder.tables import Tables


@dataclass(frozen=True)
class StandingView:
    """What a page needs to know about a comparison's results.

    `evaluation` is the last that held (None where there is none); its document is fetched on first use.
    `fresh`: nothing has changed since. `job`: the evaluation that waits, runs, or failed last (else None).
    """

    evaluation: Evaluation | None
    fresh: bool
    job: Job | None
    approval_digest: str = ""
    event_id: int = 0


def standing(comparison: Comparison) -> StandingView:
    """Where a comparison's evaluation stands, in three small queries; the inputs are not read."""
    row = (
        Standing.objects.select_related("evaluation").defer("evaluation__document")
        .filter(comparison=comparison).first()
    )
    fresh = bool(
        row
        and (row.evaluation.engine, row.evaluation.schema) == (ENGINE, SCHEMA)
        and row.event_id >= last_draft_event(comparison)
    )
    job = Job.objects.filter(comparison=comparison, kind=JobKind.EVALUATE).order_by("-id").first()
    if job and (job.status == JobStatus.DONE or (job.status == JobStatus.FAILED and fresh)):
        job = None
    if row is None:
        return StandingView(None, False, job)
    return StandingView(row.evaluation, fresh, job, row.approval_digest, row.event_id)


def ask_for_evaluation(comparison: Comparison, *, actor) -> Job:
    """Put an evaluation of the draft as it stands into the queue; one that waits already is returned."""
    from comparisons import jobs

    require_preparer(actor, "ask for an evaluation")
    with transaction.atomic():
        key = f"event-{last_draft_event(comparison)}"
        job, made = jobs.enqueue(JobKind.EVALUATE, comparison, key, actor)
        if made:
            record(actor, "asked for an evaluation", comparison=comparison, thing="job", code=str(job.pk))
    return job


@dataclass(frozen=True)
class State:
    """A comparison's public form at one moment: its tables, their digests, and the last event in them."""

    tables: Tables
    inputs_digest: str
    approval_digest: str
    event_id: int


def read_state(comparison: Comparison) -> State:
    """Read a comparison whole, in its public form, as it was at one moment."""
    from comparisons.folder.digest import approval_digest, inputs_digest
    from comparisons.folder.exporter import tables_from_db

    with transaction.atomic():
        hold_still(comparison)  # waits for changes under way; what comes later has a later number
        event_id = last_draft_event(comparison)
    with _snapshot():
        # afresh: the row that the caller holds may be older than this moment
        tables = tables_from_db(Comparison.objects.get(pk=comparison.pk), public=True)
    return State(tables, inputs_digest(tables), approval_digest(tables), event_id)


@contextmanager
def _snapshot() -> Iterator[None]:
    """All reads inside see one moment, and no writer is kept waiting for them."""
    if connection.in_atomic_block:  # part of a larger transaction, which decides
        yield
    elif connection.vendor == "sqlite":
        connection.ensure_connection()
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")  # `atomic` would take the write lock
            try:
                yield
            finally:
                cursor.execute("ROLLBACK")
    else:
        with transaction.atomic():
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            yield


def require_sound(tables: Tables) -> None:
    """NotReady where a draft breaks a rule that a study folder would be refused for."""
    from comparisons.folder.cells import check_cells
    from comparisons.folder.checks import check_study
    from comparisons.folder.faults import Faults

    faults = Faults()
    for table in tables.values():
        check_cells(table, faults)
    check_study(tables, faults, set())
    if faults:
        first, more = faults.lines()[0], len(faults) - 1
        and_more = f" (and {more} more)" if more else ""
        raise NotReady(f"The draft cannot be evaluated yet: {first}{and_more}")


def compute(tables: Tables) -> dict:
    """The results document of a study's tables. NotReady, with what is wrong, where it cannot be read."""
    from comparisons.analysis import evaluate
    from comparisons.load import study_from_tables

    try:
        study = study_from_tables(tables)
    except ValueError as error:
        raise NotReady(f"The study cannot be evaluated yet: {error}") from error
    return evaluate(study)


def run_evaluation(
    comparison: Comparison, *, actor=None, fence: Callable[[], None] | None = None
) -> Evaluation:
    """Evaluate the draft as it stands and make the outcome the standing one.

    An evaluation of the same inputs by the same engine and schema is used again: nothing is computed.
    `fence` is called inside the transaction that writes; it raises where the work was taken over.
    NotReady, with what is wrong, where the study cannot be evaluated.
    """
    from comparisons.analysis import dumps

    state = read_state(comparison)
    require_sound(state.tables)
    key = {
        "comparison": comparison, "inputs_digest": state.inputs_digest, "engine": ENGINE, "schema": SCHEMA,
    }
    evaluation = Evaluation.objects.filter(**key).first()
    text, cpu_s = "", None
    if evaluation is None:
        started = time.process_time()
        document = compute(state.tables)
        cpu_s = time.process_time() - started
        text = dumps(document).decode()
    with transaction.atomic():
        if fence is not None:
            fence()
        _lock_comparison(comparison)
        evaluation = evaluation or Evaluation.objects.filter(**key).first()
        if evaluation is None:
            evaluation = Evaluation.objects.create(**key, document=text, cpu_s=cpu_s)
            record(
                actor, "evaluated", comparison=comparison, thing="evaluation", code=str(evaluation.pk),
                after={"inputs_digest": state.inputs_digest, "engine": ENGINE},
            )
        now = Standing.objects.filter(comparison=comparison).first()
        if now is None or now.event_id <= state.event_id:  # a slower, older run does not win
            Standing.objects.update_or_create(
                comparison=comparison,
                defaults={
                    "evaluation": evaluation, "event_id": state.event_id,
                    "approval_digest": state.approval_digest,
                },
            )
    return evaluation


def _lock_comparison(comparison: Comparison) -> None:
    Comparison.objects.select_for_update(no_key=True).values_list("pk").get(pk=comparison.pk)

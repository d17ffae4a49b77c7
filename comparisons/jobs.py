"""The work queue: rows of `Job`, claimed by conditional update, held by a lease, fenced by a token.

The row is the truth. A worker claims it by one conditional update that puts its own token and a lease in;
while it works, a thread renews the lease. What the work writes goes into the database in one transaction
with the row's end, and only while the row still holds that token: a worker that was taken for dead and
comes back writes nothing. A worker that does die leaves a lease that runs out, and the row is claimed
again, three times at most. Times are the database's own, so that machines need not agree on theirs.
"""

from __future__ import annotations

import logging
import secrets
import threading
import traceback
from collections.abc import Callable
from contextlib import contextmanager
from datetime import timedelta
from functools import partial
from pathlib import Path

from django.conf import settings
from django.db import (
    DatabaseError,
    IntegrityError,
    InterfaceError,
    OperationalError,
    close_old_connections,
    connection,
    transaction,
)
from django.db.models import F, Q
from django.db.models.functions import Now

from .models import Comparison, Job
from .models.editions import JobKind, JobStatus
from .services.errors import Refused

log = logging.getLogger("evenhand.jobs")

LEASE_S = 60
RENEW_S = 15
SWEEP_S = 60
MAX_ATTEMPTS = 3
RETRY_AFTER_S = 5  # times the attempts so far
LOST = (OperationalError, InterfaceError, ConnectionError, TimeoutError)
OPEN = (JobStatus.WAITING, JobStatus.RUNNING)
STOPPED = "stopped"


class LostLease(Exception):
    """Another worker has the job now: this one writes nothing."""


class Stop(BaseException):
    """The process was told to stop: the job in hand goes back to the queue."""


def enqueue(kind: str, comparison: Comparison, key: str, actor=None) -> tuple[Job, bool]:
    """The open job of this kind and key, and whether it was made now; part of the caller's transaction.

    Once that is committed a broker is told, where there is one; a worker process looks for itself.
    """
    for _ in range(3):
        open_jobs = Job.objects.filter(kind=kind, comparison=comparison, key=key, status__in=OPEN)
        if job := open_jobs.first():
            return job, False
        try:
            with transaction.atomic():
                job = Job.objects.create(kind=kind, comparison=comparison, key=key, requested_by=actor)
        except IntegrityError:
            continue  # somebody else made it, and it may be done already
        transaction.on_commit(partial(ring, job.pk))
        return job, True
    raise OperationalError("the work queue is busy: try again")


def ring(job_id: int) -> bool:
    """Tell the broker of a job, where there is one; whether it was told. Never raises, never hangs.

    A job that no broker knows of stays in its row and is rung again by the next sweep.
    """
    if not settings.REDIS_URL:
        return False
    try:
        from .tasks import run_job

        run_job.delay(job_id)
    except Exception as error:  # a lost broker raises many kinds
        log.warning("job %s: the broker was not reached (%s); it waits for the next sweep", job_id, error)
        return False
    return True


def _free() -> Q:
    """Rows that may be claimed: waiting and due, or held by a worker that has not renewed its lease."""
    due = Q(lease_until__isnull=True) | Q(lease_until__lt=Now())
    return Q(status=JobStatus.WAITING) & due | Q(status=JobStatus.RUNNING, lease_until__lt=Now())


def free():
    """The jobs that wait for a worker, oldest first."""
    return Job.objects.filter(_free()).order_by("id")


def claim(job_id: int | None = None) -> Job | None:
    """Take this job, or the oldest that is free, with a token of one's own; None where there is none."""
    while True:
        candidates = free().filter(attempts__lt=MAX_ATTEMPTS)
        if job_id is not None:
            candidates = candidates.filter(pk=job_id)
        found = candidates.values_list("pk", flat=True).first()
        if found is None:
            return None
        token = secrets.token_hex(16)
        taken = Job.objects.filter(_free(), pk=found, attempts__lt=MAX_ATTEMPTS).update(
            status=JobStatus.RUNNING, token=token, lease_until=Now() + timedelta(seconds=LEASE_S),
            attempts=F("attempts") + 1, started_at=Now(), finished_at=None, error="",
        )
        if taken:
            return Job.objects.select_related("comparison", "requested_by").get(pk=found)
        if job_id is not None:
            return None


def _held(job: Job):
    return Job.objects.filter(pk=job.pk, token=job.token, status=JobStatus.RUNNING)


def renew(job: Job) -> bool:
    """Extend the lease of a job in hand; whether it is still in hand."""
    return bool(_held(job).update(lease_until=Now() + timedelta(seconds=LEASE_S)))


def finish(job: Job) -> None:
    """End a job in hand: the fence. Called in the transaction that writes what the job made.

    LostLease, and so nothing is written, where another worker has it by now.
    """
    if not _held(job).update(status=JobStatus.DONE, lease_until=None, finished_at=Now()):
        raise LostLease


def give_back(job: Job) -> None:
    """Put a job in hand back to the queue as if it had not been taken."""
    _held(job).update(
        status=JobStatus.WAITING, token="", lease_until=None, started_at=None, attempts=F("attempts") - 1
    )


def _retry_later(job: Job, error: str) -> None:
    """Back to the queue after a passing trouble, or failed after the last attempt."""
    if job.attempts >= MAX_ATTEMPTS:
        _fail(job, error)
        return
    wait = timedelta(seconds=RETRY_AFTER_S * job.attempts)
    _held(job).update(status=JobStatus.WAITING, token="", lease_until=Now() + wait, error=error)


def _fail(job: Job, error: str) -> None:
    _held(job).update(status=JobStatus.FAILED, lease_until=None, finished_at=Now(), error=error)


def _evaluate(job: Job) -> None:
    from .services.evaluation import run_evaluation

    run_evaluation(job.comparison, actor=job.requested_by, fence=partial(finish, job))


def _publish(job: Job) -> None:
    from .services.publishing import publish

    publish(job.comparison, actor=job.requested_by, fence=partial(finish, job))


def _report(job: Job) -> None:
    from .services.reports import make_report

    make_report(job.comparison.editions.get(number=int(job.key.rpartition("-")[2])), fence=partial(finish, job))


HANDLERS: dict[str, Callable[[Job], None]] = {
    JobKind.EVALUATE: _evaluate, JobKind.PUBLISH: _publish, JobKind.REPORT: _report,
}  # fmt: skip


@contextmanager
def _renewing(job: Job):
    """Renew the lease from a thread while the work goes on."""
    done = threading.Event()

    def keep():
        try:
            while not done.wait(RENEW_S):
                try:
                    if not renew(job):
                        return
                except DatabaseError as error:  # the next one may get through before the lease runs out
                    log.warning("job %s: the lease was not renewed (%s)", job.pk, error)
                    connection.close()
        finally:
            connection.close()

    thread = threading.Thread(target=keep, name=f"lease-{job.pk}", daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join(timeout=RENEW_S)


def work_on(job: Job, *, renewing: bool = True) -> Job:
    """Do a claimed job and write how it ended; returns the row as it stands afterwards.

    A refusal or a fault fails it at once, with one line that says why; a passing trouble with the
    database or the network puts it back, three attempts in all.
    """
    try:
        if renewing:
            with _renewing(job):
                HANDLERS[job.kind](job)
        else:
            HANDLERS[job.kind](job)
    except LostLease:
        log.warning("job %s: another worker took it over, nothing was written", job.pk)
    except Refused as refusal:
        _fail(job, str(refusal))
    except LOST as error:
        log.warning("job %s: %s", job.pk, error)
        close_old_connections()
        _retry_later(job, _one_line(error))
    except Exception as error:
        log.error("job %s failed\n%s", job.pk, traceback.format_exc())
        _fail(job, _one_line(error))
    except BaseException:  # told to stop: nothing half done stays, the next worker starts afresh
        if not connection.in_atomic_block:
            connection.close()
        give_back(job)
        raise
    job.refresh_from_db()
    return job


def _one_line(error: Exception) -> str:
    text = " ".join(str(error).split())
    return f"{type(error).__name__}: {text}"[:500]


def run(job_id: int) -> Job | None:
    """Claim and do one job; None where it is not to be had (done, held by another, gone)."""
    job = claim(job_id)
    return work_on(job) if job else None


def run_inline(job: Job) -> Job:
    """Do a job here and now, for commands and tests; returns its row. A row in other hands is left alone."""
    claimed = claim(job.pk)
    if claimed is None:
        job.refresh_from_db()
        return job
    # inside a transaction a second connection would not see the row
    return work_on(claimed, renewing=not connection.in_atomic_block)


def drain(stop: threading.Event | None = None) -> list[Job]:
    """Do all that waits now; the rows as they ended."""
    ended = []
    while not (stop and stop.is_set()):
        job = claim()
        if job is None:
            break
        ended.append(work_on(job))
    return ended


def sweep() -> list[int]:
    """Pick up what died: fail what used up its attempts, and say which rows wait for somebody.

    Returns the ids of all rows that are free, oldest first.
    """
    Job.objects.filter(_free(), attempts__gte=MAX_ATTEMPTS).update(
        status=JobStatus.FAILED, lease_until=None, finished_at=Now(),
        error=f"The worker stopped in mid-work {MAX_ATTEMPTS} times: look at its log, then ask again.",
    )
    return list(free().values_list("pk", flat=True))


def sweep_and_ring() -> int:
    """A sweep where a broker carries the ids: rows that it has lost are rung again. How many were rung."""
    rung = 0
    for job_id in sweep():
        if not ring(job_id):
            break  # the broker is away; the next sweep tries again
        rung += 1
    return rung


def sign_of_life() -> Path:
    """The file that the worker process of this machine touches while it lives."""
    return settings.DATA_DIR / "worker-alive"

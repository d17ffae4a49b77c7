"""What happens at the same time, played with threads and real connections; called in a process of its own."""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor

from django.db import connection, transaction

from comparisons import jobs
from comparisons.models import Comparison, Event, Job
from comparisons.services import evaluation
from comparisons.services.record import record
from specimens.models import Property

LONGEST_S = 60


def _closing(work):
    def call(*arguments):
        try:
            return work(*arguments)
        finally:
            connection.close()

    return call


def claims(workers: int = 8, count: int = 60) -> dict:
    """Workers drain one queue at once: how often each job was claimed, and how many effects there are."""
    comparison = Comparison.objects.get()
    for n in range(count):
        jobs.enqueue("evaluate", comparison, f"event-{n}")

    def handler(job):
        with transaction.atomic():
            Event.objects.create(actor_name="worker", verb="worked", code=str(job.pk))
            jobs.finish(job)

    jobs.HANDLERS = {"evaluate": handler}
    together = threading.Barrier(workers)

    @_closing
    def work(_):
        together.wait(LONGEST_S)
        return len(jobs.drain())

    with ThreadPoolExecutor(workers) as pool:
        done = list(pool.map(work, range(workers)))
    return {
        "done": sum(done),
        "attempts": sorted(set(Job.objects.values_list("attempts", flat=True))),
        "effects": Event.objects.filter(verb="worked").count(),
        "statuses": sorted(set(Job.objects.values_list("status", flat=True))),
    }


def one_key(workers: int = 8) -> dict:
    """The same job is asked for by many at once: how many rows, and how many say that they made it."""
    comparison = Comparison.objects.get()
    together = threading.Barrier(workers)

    @_closing
    def ask(_):
        together.wait(LONGEST_S)
        with transaction.atomic():
            return jobs.enqueue("evaluate", comparison, "event-1")[1]

    with ThreadPoolExecutor(workers) as pool:
        made = list(pool.map(ask, range(workers)))
    return {"rows": Job.objects.count(), "made": sum(made)}


def same_evaluation(workers: int = 4) -> dict:
    """Several run the same evaluation at once: one row, and everybody gets it."""
    comparison = Comparison.objects.get()
    together = threading.Barrier(workers)

    @_closing
    def run(_):
        together.wait(LONGEST_S)
        return evaluation.run_evaluation(comparison).pk

    with ThreadPoolExecutor(workers) as pool:
        found = set(pool.map(run, range(workers)))
    return {"evaluations": len(found), "fresh": evaluation.standing(comparison).fresh}


def change_under_way() -> dict:
    """A change is not committed yet when an evaluation reads: it waits, and then knows of it.

    A later change by somebody else commits first; by numbers alone it would hide the earlier one.
    """
    comparison = Comparison.objects.get()
    programme = comparison.programmes.get()
    recorded, go = threading.Event(), threading.Event()
    seen = {}

    @_closing
    def slow_change():
        with transaction.atomic():
            seen["slow"] = record(None, "slow", programme=programme, changes_draft=True).pk
            recorded.set()
            go.wait(LONGEST_S)

    @_closing
    def read():
        seen["read"] = evaluation.read_state(comparison).event_id

    slow, reader = threading.Thread(target=slow_change), threading.Thread(target=read)
    slow.start()
    recorded.wait(LONGEST_S)
    seen["quick"] = record(None, "quick", comparison=comparison, changes_draft=True).pk
    reader.start()
    deadline = time.monotonic() + LONGEST_S
    while time.monotonic() < deadline and not _somebody_waits():
        time.sleep(0.02)
    seen["waited"] = reader.is_alive() and _somebody_waits()
    go.set()
    slow.join(LONGEST_S)
    reader.join(LONGEST_S)
    return seen


def _somebody_waits() -> bool:
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM pg_locks WHERE NOT granted")
        return cursor.fetchone()[0] > 0


def change_while_reading() -> dict:
    """Somebody commits a change between two queries of a read: the read sees the moment it began."""
    comparison = Comparison.objects.get()
    code = Property.objects.order_by("pk").values_list("code", flat=True)[0]
    before = Property.objects.get(code=code).name
    queries = []

    def change(execute, sql, params, many, context):
        result = execute(sql, params, many, context)
        if "comparisons_comparison" in sql and "specimens" not in sql and "FOR" not in sql:
            queries.append(sql)
            if len(queries) == 1:
                thread = threading.Thread(target=_closing(rename))
                thread.start()
                thread.join(LONGEST_S)
        return result

    def rename():
        Property.objects.filter(code=code).update(name="Renamed meanwhile")

    with connection.execute_wrapper(change):
        with evaluation._snapshot():
            Comparison.objects.get()
            from comparisons.folder.exporter import tables_from_db

            tables = tables_from_db(comparison, public=True)
    names = dict(zip(tables["properties"]["property"], tables["properties"]["name"], strict=True))
    return {
        "seen": names[code] == before, "changed": Property.objects.get(code=code).name == "Renamed meanwhile",
        "in_transaction": connection.in_atomic_block,
    }  # fmt: skip

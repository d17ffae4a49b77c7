"""Celery's part: it carries a row's id, nothing else. What a job does is in `comparisons.jobs`."""

from __future__ import annotations

import logging
import threading

from celery import bootsteps
from django.db import close_old_connections

from config.celery import app

from . import jobs

log = logging.getLogger("evenhand.jobs")


@app.task(name="comparisons.run_job")
def run_job(job_id: int) -> None:
    """Do the job of this row, unless it is done, gone, or in another worker's hands."""
    jobs.run(job_id)


class Sweeper(bootsteps.StartStopStep):
    """Rings waiting rows again: at each (re)connection to the broker, and every minute.

    A broker that was killed has lost its messages; the rows are still there.
    """

    requires = ("celery.worker.consumer.tasks:Tasks",)

    def __init__(self, parent, **options):
        self.wake = threading.Event()
        self.thread = None
        super().__init__(parent, **options)

    def start(self, parent):
        if self.thread is None:
            self.thread = threading.Thread(target=self._sweep, name="sweeper", daemon=True)
            self.thread.start()
        self.wake.set()

    def stop(self, parent):
        """Nothing: the thread outlives a lost connection, and the process does not wait for it."""

    def _sweep(self):
        while True:
            self.wake.wait(jobs.SWEEP_S)
            self.wake.clear()
            try:
                jobs.sweep_and_ring()
            except Exception as error:  # the database may be away for a while
                log.warning("the sweep did not get through: %s", error)
            finally:
                close_old_connections()


app.steps["consumer"].add(Sweeper)

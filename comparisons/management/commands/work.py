"""The worker process."""

import logging
import os
import signal
import time

from django.db import close_old_connections, connection

from comparisons import jobs
from comparisons.management.base import LineCommand, no
from comparisons.management.stopping import Stopping
from comparisons.models.editions import JobStatus

log = logging.getLogger("evenhand.jobs")

POLL_S = 0.5
ALIVE_EVERY_S = 5
DATABASE_AWAY_S = 5
NICENESS = 10


class Command(LineCommand):
    help = (
        "Does the work that pages ask for: evaluations and publications. One job at a time, at low priority. "
        "`serve` starts one; with several machines start one on each. Ctrl-C or SIGTERM stops it at once and "
        "puts the job in hand back."
    )

    def add_arguments(self, parser):
        parser.add_argument("--once", action="store_true", help="do what waits now, then end")

    def handle(self, *, once, **options):
        self.stop = Stopping()
        self.busy = False
        if self._called_from_command_line:
            os.nice(NICENESS)
            for number in (signal.SIGTERM, signal.SIGINT):
                signal.signal(number, self._told_to_stop)
        if once:
            self._once()
        else:
            self._loop()

    def _told_to_stop(self, number, frame):
        self.stop.set()
        if self.busy:
            self.busy = False
            raise jobs.Stop

    def _once(self):
        jobs.sweep()
        ended = []
        while not self.stop.is_set() and (job := self._next()):
            ended.append(job)
            self.stdout.write(f"{job.kind} {job.comparison.slug}: {job.error or job.status}")
        failed = sum(job.status == JobStatus.FAILED for job in ended)
        if failed:
            raise no(f"{failed} of {len(ended)} jobs failed: see the lines above")

    def _loop(self):
        sweep_at = alive_at = 0.0
        while not self.stop.is_set():
            now = time.monotonic()
            try:
                if now >= alive_at:
                    jobs.sign_of_life().touch()
                    alive_at = now + ALIVE_EVERY_S
                if now >= sweep_at:
                    jobs.sweep()
                    sweep_at = now + jobs.SWEEP_S
                if self._next():
                    continue
            except jobs.LOST as error:
                log.warning("the database is away (%s); trying again in %s s", error, DATABASE_AWAY_S)
                connection.close()
                self.stop.wait(DATABASE_AWAY_S)
            except OSError as error:
                log.warning("the data folder cannot be written: %s", error)
                self.stop.wait(DATABASE_AWAY_S)
            close_old_connections()
            self.stop.wait(POLL_S)

    def _next(self):
        """Do the oldest free job; its row as it ended, None where there is none or we were told to stop."""
        job = jobs.claim()
        if job is None:
            return None
        try:
            self.busy = True
            if self.stop.is_set():  # told between the claim and this line
                raise jobs.Stop
            return jobs.work_on(job)
        except jobs.Stop:
            connection.close()
            jobs.give_back(job)
            return None
        finally:
            self.busy = False

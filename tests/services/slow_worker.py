"""A worker whose jobs last until the test lets them go, and whose leases are short.

Run as `python -m tests.services.slow_worker LEASE_S RENEW_S`. A job in hand touches `started-PID` in the
data folder and goes on when `go` is there; then it writes one event, fenced, as a real job would.
"""

from __future__ import annotations

import os
import sys
import time

import django


def main() -> None:
    django.setup()
    from django.conf import settings
    from django.core.management import execute_from_command_line
    from django.db import transaction

    from comparisons import jobs
    from comparisons.models import Event

    jobs.LEASE_S, jobs.RENEW_S = float(sys.argv[1]), float(sys.argv[2])

    def slow(job):
        (settings.DATA_DIR / f"started-{os.getpid()}").touch()
        while not (settings.DATA_DIR / "go").exists():
            time.sleep(0.02)
        with transaction.atomic():
            Event.objects.create(actor_name="worker", verb="worked", code=str(job.pk))
            jobs.finish(job)

    jobs.HANDLERS = dict.fromkeys(jobs.HANDLERS, slow)
    execute_from_command_line(["manage.py", "work"])


if __name__ == "__main__":
    main()

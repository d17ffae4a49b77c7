"""Say whether everything is well."""

import os
import tempfile
import time
from datetime import UTC, datetime

from django.conf import settings
from django.db import DatabaseError, connection
from django.db.models import Min
from django.db.models.functions import Now
from django.utils import timezone

from comparisons import jobs
from comparisons.management.base import CommandError, LineCommand, no
from comparisons.management.commands.serve import require_migrations
from comparisons.models import Job
from comparisons.models.editions import JobStatus
from specimens import guards

LATE_S = 60  # a job that waits this long has been forgotten
SILENT_S = 30  # the worker shows itself every five seconds
CLOCK_OFF_S = 5
BROKER_S = 1.0


class Unwell(Exception):
    """What is wrong and what to do, in one line."""


class Command(LineCommand):
    help = "Checks the database, its guards, the data folder, the worker and its queue, Redis and the clock."
    requires_system_checks = []

    def handle(self, **options):
        checks = [
            ("database", database), ("guards", triggers), ("data folder", data_folder), ("queue", queue),
            ("worker", worker), ("clock", clock),
        ]  # fmt: skip
        if settings.REDIS_URL:
            checks.insert(3, ("redis", redis))
        bad = 0
        for name, check in checks:
            try:
                self.stdout.write(f"ok    {name}: {check()}")
            except (Unwell, CommandError) as trouble:
                bad += 1
                self.stdout.write(f"wrong {name}: {trouble}")
            except DatabaseError as error:
                bad += 1
                self.stdout.write(f"wrong {name}: {' '.join(str(error).split())}: see that the database runs")
        if bad:
            raise no(f"{bad} of {len(checks)} checks failed")


def database() -> str:
    require_migrations()
    return f"{connection.display_name}, up to date"


def triggers() -> str:
    if lacking := guards.missing():
        raise Unwell(f"{len(lacking)} guards are missing, {lacking[0]} first: run python manage.py migrate")
    return "readings, editions and the record cannot be changed"


def data_folder() -> str:
    try:
        with tempfile.NamedTemporaryFile(dir=settings.DATA_DIR) as file:
            file.write(b"x")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise Unwell(
            f"{settings.DATA_DIR} cannot be written ({error.strerror}): give this account the right to"
        ) from None
    return f"{settings.DATA_DIR} can be written"


def queue() -> str:
    waiting = jobs.free()
    oldest = waiting.aggregate(oldest=Min("created_at"))["oldest"]
    if oldest is None:
        return "nothing waits"
    count = waiting.count()
    age = int((timezone.now() - oldest).total_seconds())
    if age > LATE_S:
        raise Unwell(f"{count} jobs wait, the oldest for {age} s: start the worker (serve, or work)")
    return f"{count} jobs wait, the oldest for {age} s"


def worker() -> str:
    if Job.objects.filter(status=JobStatus.RUNNING, lease_until__gte=Now()).exists():
        return "at work"
    if settings.REDIS_URL:
        from config.celery import app

        try:
            answers = app.control.ping(timeout=BROKER_S)
        except Exception as error:  # a lost broker raises many kinds
            raise Unwell(f"the broker was not reached ({error}): see that Redis runs") from None
        if not answers:
            raise Unwell("no Celery worker answers: start one (serve)")
        return f"{len(answers)} answer"
    try:
        silent = time.time() - jobs.sign_of_life().stat().st_mtime
    except FileNotFoundError:
        raise Unwell("never seen: start it (serve, or work)") from None
    if silent > SILENT_S:
        raise Unwell(f"last seen {int(silent)} s ago: start it (serve, or work)")
    return f"seen {int(silent)} s ago"


def redis() -> str:
    import redis as client

    try:
        broker = client.Redis.from_url(
            settings.REDIS_URL, socket_connect_timeout=BROKER_S, socket_timeout=BROKER_S
        )
        broker.ping()
    except (client.RedisError, OSError, ValueError) as error:
        raise Unwell(f"not reached ({error}): see that Redis runs and that REDIS_URL is right") from None
    return "answers"


def clock() -> str:
    if settings.TIME_ZONE != "UTC" or not settings.USE_TZ:
        raise Unwell(f"the zone is {settings.TIME_ZONE}, expected UTC: set TIME_ZONE to UTC")
    with connection.cursor() as cursor:
        cursor.execute("SELECT CURRENT_TIMESTAMP")
        (now,) = cursor.fetchone()
    if isinstance(now, str):
        now = datetime.fromisoformat(now)
    now = now if now.tzinfo else now.replace(tzinfo=UTC)
    off = abs((timezone.now() - now).total_seconds())
    if off > CLOCK_OFF_S:
        raise Unwell(f"it is {off:.0f} s from the database's: set both by a time server")
    return "UTC, and the same as the database's"

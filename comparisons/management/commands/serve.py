"""Serve the app."""

import socket
import sys

from django.conf import settings
from django.db import connections
from django.db.migrations.executor import MigrationExecutor

from comparisons.management.base import LineCommand, cannot, no
from comparisons.management.static import collect_if_needed
from comparisons.management.supervisor import Child, Supervisor

WEB_PROCESSES, WEB_THREADS = 2, 4
NICENESS = 10


class Command(LineCommand):
    help = (
        "Serves the app: the web server, and the worker that does what pages ask for (with REDIS_URL a "
        "Celery worker). Ctrl-C or SIGTERM stops both in order; a worker that dies is started again."
    )

    def add_arguments(self, parser):
        parser.add_argument(
            "--bind", default="127.0.0.1:8000", metavar="ADDRESS:PORT",
            help="where to listen (default: %(default)s)",
        )

    def handle(self, *, bind, **options):
        check_bind(bind)
        require_migrations()
        collect_if_needed()
        connections.close_all()
        self.stdout.write(f"Serving {settings.PUBLIC_URL} on {bind}; Ctrl-C stops.")
        self.stdout.flush()
        status = Supervisor([web(bind), worker()]).run()
        if status:
            raise no("The web server ended by itself: see the lines above")


def web(bind: str) -> Child:
    return Child(
        "the web server",
        [
            sys.executable, "-m", "gunicorn", "config.wsgi", "--chdir", str(settings.BASE_DIR), "--bind",
            bind, "--worker-class", "gthread", "--workers", str(WEB_PROCESSES), "--threads",
            str(WEB_THREADS), "--no-control-socket", "--log-level", "warning",
        ],
        essential=True,
    )  # fmt: skip


def worker() -> Child:
    if settings.REDIS_URL:
        command = [
            sys.executable, "-m", "celery", "--quiet", "--workdir", str(settings.BASE_DIR), "--app",
            "config.celery", "worker", "--concurrency", "1", "--loglevel", "warning", "--without-gossip",
            "--without-mingle",
        ]  # fmt: skip
        return Child("the Celery worker", command, niceness=NICENESS)
    return Child("the worker", [sys.executable, str(settings.BASE_DIR / "manage.py"), "work"])


def split_bind(bind: str) -> tuple[str, int]:
    """("127.0.0.1", 8000) from "127.0.0.1:8000"; an error that says the form where it has another."""
    host, _, port = bind.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not host or not port.isdigit() or not 0 < int(port) < 65536:
        raise cannot(f"--bind: found “{bind}”, expected an address and a port such as 127.0.0.1:8000")
    return host, int(port)


def check_bind(bind: str) -> None:
    """An error in one line, now, rather than a web server's log."""
    host, port = split_bind(bind)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as trial:
        trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            trial.bind((host, port))
        except OSError as error:
            raise cannot(f"Cannot listen on {bind} ({error.strerror}): choose another with --bind") from error


def require_migrations() -> None:
    """An error where the database lacks migrations of this version."""
    executor = MigrationExecutor(connections["default"])
    if executor.migration_plan(executor.loader.graph.leaf_nodes()):
        raise cannot("The database is not up to date: run python manage.py migrate, then serve")

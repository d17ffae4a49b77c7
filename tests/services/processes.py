"""A project of its own for tests that start real processes: a data folder, and what runs in it."""

from __future__ import annotations

import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import psycopg
from psycopg.rows import dict_row

ROOT = Path(__file__).resolve().parents[2]
LONGEST_S = 240  # a bound, not an expectation: the machine may be busy
OURS = {"DEBUG", "SECRET_KEY", "PUBLIC_URL", "REDIS_URL", "DATABASE_URL", "BEHIND_PROXY", "EVENHAND_DATA"}
PRELUDE = """
import json, django
django.setup()
from comparisons import jobs
from comparisons.models import *
from specimens.models import *
from django.contrib.auth.models import User
def say(value): print(json.dumps(value, default=str))
"""


def wait_until(condition: Callable[[], object], what: str, longest_s: float = LONGEST_S):
    """The condition's first true value; the test fails where there is none in good time."""
    deadline = time.monotonic() + longest_s
    while time.monotonic() < deadline:
        if value := condition():
            return value
        time.sleep(0.05)
    raise AssertionError(f"waited {longest_s} s for {what}")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def children_of(pid: int) -> list[int]:
    try:
        return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except FileNotFoundError:
        return []


def command_of(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode()
    except (FileNotFoundError, ProcessLookupError):
        return ""


class Project:
    """A data folder with the environment that points to it; `close` ends every process started here."""

    def __init__(self, data: Path, **variables: str):
        self.data = data
        known = {name: value for name, value in os.environ.items() if name not in OURS}
        known.pop("DJANGO_ALLOW_ASYNC_UNSAFE", None)
        ours = {"EVENHAND_DATA": str(data), "DJANGO_SETTINGS_MODULE": "config.settings"}
        self.environment = known | ours | {"OPENBLAS_NUM_THREADS": "1"} | variables
        self.processes: list[subprocess.Popen] = []

    def manage(self, *arguments: str, status: int | None = 0) -> subprocess.CompletedProcess:
        """Run a command to its end; `status` is the one expected (None: any)."""
        done = subprocess.run(
            [sys.executable, "manage.py", *arguments], cwd=ROOT, env=self.environment, capture_output=True,
            text=True, timeout=LONGEST_S,
        )  # fmt: skip
        told = f"{arguments}: {done.returncode}\n{done.stdout}{done.stderr}"
        assert status is None or done.returncode == status, told
        return done

    def python(self, code: str, longest_s: float = LONGEST_S):
        """Run code in a process of this project; what it last said with `say(value)`."""
        done = subprocess.run(
            [sys.executable, "-c", PRELUDE + code], cwd=ROOT, env=self.environment, capture_output=True,
            text=True, timeout=longest_s,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout.splitlines()[-1]) if done.stdout.strip() else None

    def start(self, *command: str) -> subprocess.Popen:
        """Start a Python process; what it prints goes to `log(process)`."""
        path = self.data / f"process-{len(self.processes)}.log"
        with path.open("w") as out:
            process = subprocess.Popen(
                [sys.executable, *command], cwd=ROOT, env=self.environment, stdout=out,
                stderr=subprocess.STDOUT,
            )  # fmt: skip
        process.log = path
        self.processes.append(process)
        return process

    def log(self, process: subprocess.Popen) -> str:
        return process.log.read_text()

    def close(self) -> None:
        for process in self.processes:
            if process.poll() is None:
                process.send_signal(signal.SIGCONT)
                process.terminate()
        for process in self.processes:
            try:
                process.wait(15)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()

    # the queue, seen from outside

    def add(self, key: str = "event-1") -> int:
        return self.python(f"say(jobs.enqueue('evaluate', Comparison.objects.get(), {key!r})[0].pk)")

    def rows(self, sql: str) -> list[dict]:
        """What the database answers, asked without the app: cheap enough to ask often."""
        if url := self.environment.get("DATABASE_URL"):
            with psycopg.connect(url, row_factory=dict_row) as connection:
                return connection.execute(sql).fetchall()
        connection = sqlite3.connect(self.data / "evenhand.sqlite3", timeout=20)
        try:
            connection.row_factory = sqlite3.Row
            return [dict(row) for row in connection.execute(sql)]
        finally:
            connection.close()

    def job(self, job_id: int) -> dict:
        return self.rows(f"SELECT * FROM comparisons_job WHERE id = {job_id}")[0]

    def effects(self) -> list[int]:
        """The jobs that wrote what they made, once for each time."""
        found = self.rows("SELECT code FROM comparisons_event WHERE verb = 'worked' ORDER BY id")
        return [int(row["code"]) for row in found]

    def wait_for(self, job_id: int, status: str) -> dict:
        return wait_until(
            lambda: (row := self.job(job_id))["status"] == status and row, f"job {job_id} to be {status}"
        )

"""A signal stops the server and the worker whenever it comes, also in the midst of their waiting."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from comparisons.management.commands.work import Command
from comparisons.management.stopping import Stopping
from comparisons.management.supervisor import Supervisor

ROOT = Path(__file__).resolve().parents[2]
# A handler in every tenth of a millisecond falls on every step of waiting, sooner or later.
STORM = """
import signal, sys
from {module} import {name}
word = {name}()
signal.signal(signal.SIGALRM, lambda *_: word.set())
signal.setitimer(signal.ITIMER_REAL, 1e-4, 1e-4)
for _ in range(100_000):
    word.wait(0.001)
print("through")
"""


def through(module: str, name: str) -> bool:
    code = STORM.format(module=module, name=name)
    try:
        done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=20)
    except subprocess.TimeoutExpired:
        return False
    return done.stdout.strip() == "through"


def test_a_storm_of_signals_locks_nothing():
    assert through("comparisons.management.stopping", "Stopping")


def test_server_and_worker_wait_in_this_way():
    assert isinstance(Supervisor([]).stop, Stopping)
    command = Command()
    command._loop = lambda: None
    command.handle(once=False)
    assert isinstance(command.stop, Stopping)


def test_waiting_ends_with_the_time_or_the_word():
    word = Stopping()
    assert not word.wait(0) and not word.is_set()
    word.set()
    assert word.wait(3600) and word.is_set()

"""Keeps the web server and the worker running: starts both, passes signals on, restarts a dead worker."""

from __future__ import annotations

import ctypes
import logging
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field

from .stopping import Stopping

log = logging.getLogger("evenhand.serve")

POLL_S = 0.2
GRACE_S = 25  # for requests and jobs in hand; less than the 30 s after which others lose patience
BACKOFF_S = (1, 2, 5, 10, 30, 60)
SETTLED_S = 60  # a worker that lived this long starts afresh in the list above
_PR_SET_PDEATHSIG = 1


@dataclass
class Child:
    """One process under supervision. `essential`: when it ends, everything ends."""

    name: str
    command: list[str]
    essential: bool = False
    niceness: int = 0
    process: subprocess.Popen | None = None
    deaths: int = 0
    started_at: float = 0.0
    start_at: float = field(default=0.0)

    def start(self) -> None:
        self.started_at = time.monotonic()
        # a group of its own: Ctrl-C reaches the supervisor alone, which then stops the children in order
        self.process = subprocess.Popen(self.command, process_group=0, preexec_fn=self._before_exec)

    def _before_exec(self) -> None:
        if self.niceness:
            os.nice(self.niceness)
        if _libc is not None:  # a supervisor that is killed leaves no orphan on the port
            _libc.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)

    def alive(self) -> bool:
        return self.process is not None and self.process.poll() is None


_libc = ctypes.CDLL(None) if sys.platform == "linux" else None


class Supervisor:
    """Runs children until told to stop, or until an essential one ends."""

    def __init__(self, children: list[Child]):
        self.children = children
        self.stop = Stopping()

    def run(self) -> int:
        """0 after a signal to stop; the status of an essential child that ended by itself (at least 1)."""
        before = {
            number: signal.signal(number, lambda *_: self.stop.set())
            for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
        }
        try:
            for child in self.children:
                child.start()
            while not self.stop.wait(POLL_S):
                for child in self.children:
                    if child.alive():
                        continue
                    if child.essential:
                        return max(1, abs(child.process.returncode))
                    self._revive(child)
            return 0
        finally:
            self._end_all()
            for number, handler in before.items():
                signal.signal(number, handler)

    def _revive(self, child: Child) -> None:
        now = time.monotonic()
        if child.process is not None:
            if now - child.started_at >= SETTLED_S:
                child.deaths = 0
            wait = BACKOFF_S[min(child.deaths, len(BACKOFF_S) - 1)]
            child.deaths += 1
            status = child.process.returncode
            log.warning("%s ended with status %s; starting it again in %s s", child.name, status, wait)
            child.process, child.start_at = None, now + wait
        elif now >= child.start_at:
            child.start()

    def _end_all(self) -> None:
        running = [child for child in self.children if child.alive()]
        for child in running:
            child.process.send_signal(signal.SIGTERM)
        deadline = time.monotonic() + GRACE_S
        for child in running:
            try:
                child.process.wait(max(0.0, deadline - time.monotonic()))
            except subprocess.TimeoutExpired:
                log.warning("%s did not stop in %s s: killed; its job is done again", child.name, GRACE_S)
                try:
                    os.killpg(child.process.pid, signal.SIGKILL)
                except ProcessLookupError:
                    pass
                child.process.wait()

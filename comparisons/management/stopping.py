"""A word to stop that a signal's handler may give at any moment."""

from __future__ import annotations

import time

LOOK_S = 0.2


class Stopping:
    """Set once, and then waiting is over.

    Not `threading.Event`: its `set` takes a lock that the main thread may hold in `wait` when the signal
    comes, and the handler runs in that very thread, so that both would wait for ever. Here nothing is locked.
    """

    def __init__(self):
        self._told = False

    def set(self) -> None:
        self._told = True

    def is_set(self) -> bool:
        return self._told

    def wait(self, seconds: float) -> bool:
        """Wait so long, or until told, seen within 0.2 s; whether told."""
        until = time.monotonic() + seconds
        while not self._told and (left := until - time.monotonic()) > 0:
            time.sleep(min(left, LOOK_S))
        return self._told

"""What a service may refuse. Each message is one line that says what to do."""

from __future__ import annotations


class Refused(Exception):
    """A service did not do what was asked; nothing was changed."""


class NotAllowed(Refused):
    """This person may not do this."""


class Stale(Refused):
    """What this rests on has changed meanwhile."""


class NotReady(Refused):
    """Something has to be done first."""

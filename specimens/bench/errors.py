"""What the bench may refuse. Each message is one line that says what was found and what to do."""

from __future__ import annotations


class Refused(Exception):
    """Not done, and not to be sent again as it is."""


class NotYet(Exception):
    """Something that this rests on has not arrived: to be sent again."""

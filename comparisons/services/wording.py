"""Words that people type: kept in one line of meaning, without what could make a page read otherwise."""

from __future__ import annotations

import unicodedata

from .errors import NotReady

LONGEST = 2000  # characters of a reason


def said(text: str, what: str, *, most: int = LONGEST, needed: str = "") -> str:
    """A typed text as it is kept: no control characters or marks of direction, one kind of line end.

    what: how the text is called in a refusal. needed: what to say where it is blank; "" where it may be.
    NotReady where it is too long, or blank and needed.
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    text = "".join(c for c in text if c in "\n\t" or unicodedata.category(c) not in ("Cc", "Cf", "Cs")).strip()
    if len(text) > most:
        raise NotReady(f"The {what} has {len(text)} characters, and {most} are the most: shorten it.")
    if needed and not text:
        raise NotReady(needed)
    return text

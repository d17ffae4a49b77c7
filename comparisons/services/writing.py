"""Writing: an article is stored with what it was before, and a photo for it is looked into and kept."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

from comparisons.models import Comparison
from specimens.models import Attachment, ProgrammeProduct, Trial

from . import attaching, editing
from .errors import NotReady
from .roles import require_preparer

LONGEST = 300_000  # characters: some hundred printed pages
LONGEST_WORDS = 1000  # characters of a caption or an alternative text
FIELD = ("article",)
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


def kept(text: str) -> str:
    """A text as it is stored: one kind of line end, no control characters, no blank lines around it."""
    return _CONTROL.sub("", text.replace("\r\n", "\n").replace("\r", "\n")).strip()


def seen_of(comparison: Comparison) -> str:
    """What the form carries to tell whether the article changed since."""
    return editing.fingerprint(comparison, FIELD)


def save_article(comparison: Comparison, *, actor, text: str, seen: str) -> Comparison:
    """Store the article. Changed where somebody else stored another meanwhile; NotReady where it is too long."""
    text = kept(text)
    if len(text) > LONGEST:
        raise NotReady(
            f"The article has {len(text)} characters, more than {LONGEST}: shorten it, or move tables into the data."
        )
    return editing.save(
        actor, comparison, {"article": text}, seen=seen, comparison=comparison, thing="article",
        verb="wrote the article",
    )  # fmt: skip


def add_picture(
    comparison: Comparison, *, actor, upload, about: str, caption: str, alt: str
) -> tuple[str, Attachment]:
    """Keep a photo for the article; its path in the study folder, and the row.

    upload: an uploaded file. about: what it shows, "product:ID" or "trial:ID" of one of the comparison's
    programmes. NotReady, in one line, where it is no picture, too large, or has no words.
    """
    require_preparer(actor, "add a photo")
    caption, alt = (" ".join(_CONTROL.sub("", text).split()) for text in (caption, alt))
    if upload is None:
        raise NotReady("Choose a photo first: a JPEG, PNG or WebP file.")
    if not alt:
        raise NotReady("Write in a sentence what the photo shows, for those who cannot see it.")
    if max(len(caption), len(alt)) > LONGEST_WORDS:
        raise NotReady(f"A caption and an alternative text have at most {LONGEST_WORDS} characters each.")
    made = attaching.attach(
        actor, _thing(comparison, about), upload, caption=caption, alt=alt, comparison=comparison
    )
    return path_of(comparison, made), made


def _thing(comparison: Comparison, about: str) -> ProgrammeProduct | Trial:
    kind, _, key = about.partition(":")
    model = {"product": ProgrammeProduct, "trial": Trial}.get(kind)
    if model is not None and key.isdecimal() and len(key) < 19:
        found = (
            model.objects.filter(pk=int(key), programme__parts__comparison=comparison)
            .select_related("programme").first()
        )
        if found is not None:
            return found
    raise NotReady("Say what the photo shows: choose one of the products or trials.")


def path_of(comparison: Comparison, attachment: Attachment) -> str:
    """Where a stored file lies in the study folder: with several programmes, each has a folder of its own."""
    parts = dict(comparison.parts.values_list("programme_id", "prefix"))
    if len(parts) < 2:
        return attachment.path
    prefix = parts[attachment.programme_id] or attachment.programme_id
    return f"files/{prefix}/{attachment.path.removeprefix('files/')}"


@dataclass(frozen=True)
class Hunk:
    """One place where two texts differ: pieces of each, as (words, whether the other lacks them)."""

    theirs: tuple[tuple[str, bool], ...]
    yours: tuple[tuple[str, bool], ...]


MOST_WORDS = 4000  # of one place: beyond, it is told as changed whole


def text_differences(theirs: str, yours: str) -> list[Hunk]:
    """Where two articles differ, paragraph by paragraph, and in each the words that only one has."""
    a, b = theirs.split("\n"), yours.split("\n")
    found = []
    for kind, a0, a1, b0, b1 in difflib.SequenceMatcher(None, a, b, autojunk=True).get_opcodes():
        if kind != "equal":
            first, second = "\n".join(a[a0:a1]).strip(), "\n".join(b[b0:b1]).strip()
            if first != second:
                found.append(_words_apart(first, second))
    return found


def _words_apart(first: str, second: str) -> Hunk:
    a, b = re.findall(r"\S+|\s+", first), re.findall(r"\S+|\s+", second)
    if not a or not b or len(a) + len(b) > MOST_WORDS:
        return Hunk(((first, True),) if a else (), ((second, True),) if b else ())
    left, right = [], []
    for kind, a0, a1, b0, b1 in difflib.SequenceMatcher(None, a, b, autojunk=False).get_opcodes():
        if a1 > a0:
            left.append(("".join(a[a0:a1]), kind != "equal"))
        if b1 > b0:
            right.append(("".join(b[b0:b1]), kind != "equal"))
    return Hunk(tuple(left), tuple(right))

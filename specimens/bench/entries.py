"""What tablets send: each entry taken once, by itself, and answered.

An entry has an id that the tablet made. A repeat gets the first answer; the same id with other content is
refused and reported, and the first is kept. Entries come in any order and any number of times.
"""

from __future__ import annotations

import hashlib
import json
import logging
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import DatabaseError, IntegrityError, OperationalError, transaction
from django.utils import timezone

from specimens.models import Conflict, Reading, Submission, Trial
from specimens.models.bench import ConflictKind, EntryKind, EntryStatus

from . import hooks
from .errors import NotYet, Refused
from .statements import Insert, Statement
from .typed import moment, shown, words

MOST_ENTRIES = 200
LONGEST_ENTRY = 20_000  # characters of canonical JSON, a photo's bytes left out
CLOCK_SLACK = timedelta(minutes=2)
ORDER = (  # within one message: what others rest on goes first
    EntryKind.CAUTIONS, EntryKind.RUN, EntryKind.EXPOSURE_START, EntryKind.READING, EntryKind.PHOTO,
    EntryKind.EXPOSURE_END, EntryKind.VOID,
)  # fmt: skip
NEW = Insert(Submission)
KNOWN = Statement(lambda key: Submission.objects.filter(pk=key).order_by().values_list("kind"), key=UUID)
log = logging.getLogger("evenhand.bench")


@dataclass
class Entry:
    """One entry as it came, and what is known of it before it is looked into.

    at: when it was made, the tablet's clock set right. tablet_at, tablet_text: as the tablet says.
    skew: how far the tablet's clock is ahead of the server's, where that is more than a moment.
    second_look: nothing that was kept from before is trusted. long_code: the short code is taken.
    """

    id: UUID
    kind: str
    content: dict
    digest: str
    tablet: str
    user: object
    received_at: datetime
    at: datetime
    tablet_at: datetime | None = None
    tablet_text: str = ""
    skew: timedelta | None = None
    second_look: bool = False
    long_code: bool = False


@dataclass
class Outcome:
    """What handling an entry came to. `text`: a remark for the person, "" where there is nothing to say."""

    text: str = ""
    trial: Trial | None = None
    reading: Reading | None = None
    more: dict = field(default_factory=dict)
    kept: dict = field(default_factory=dict)


def submit(user, tablet: object, entries: object, *, sent_at: object = None) -> dict:
    """Take what a tablet sends and answer for each entry. Raises Refused where the message is no such thing.

    user: who is signed in, allowed to enter. sent_at: the tablet's time of sending, from which the error
    of its clock is told.
    """
    if not isinstance(entries, list):
        raise Refused("Found no list of entries, expected {\"tablet\": ..., \"entries\": [...]}.")
    if len(entries) > MOST_ENTRIES:
        raise Refused(f"Found {len(entries):,} entries: send at most {MOST_ENTRIES} at a time.")
    tablet = words(tablet, "tablet", 80) or "unnamed"
    now = timezone.now()
    skew = _skew(sent_at, now)
    answers: list[dict | None] = [None] * len(entries)
    for at in sorted(range(len(entries)), key=lambda i: _turn(entries[i])):
        answers[at] = _take(user, tablet, entries[at], now, skew)
    return {"answers": answers, "server_time": timezone.now().isoformat()}


def _skew(sent_at: object, now: datetime) -> timedelta | None:
    try:
        sent, _ = moment(sent_at, "time of sending")
    except Refused:
        return None
    return sent - now if abs(sent - now) > CLOCK_SLACK else None


def _turn(entry: object) -> tuple[int, bool, str]:
    """Where an entry's turn is in its message: by kind, then by the tablet's time."""
    if not isinstance(entry, dict):
        return len(ORDER), False, ""
    kind, made_at = entry.get("kind"), entry.get("taken_at") or entry.get("made_at")
    # a reading that replaces another goes after it
    later = bool(entry.get("replaces"))
    turn = ORDER.index(kind) if isinstance(kind, str) and kind in ORDER else len(ORDER)
    return turn, later, made_at if isinstance(made_at, str) else ""


def canonical(content: dict) -> str:
    """An entry as text: equal entries give equal text, whatever the order of their keys."""
    return json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def _known(entry: Entry) -> Submission | None:
    """What came under this id before. One query, or two where something did."""
    return Submission.objects.get(pk=entry.id) if KNOWN.rows(key=entry.id) else None


def _take(user, tablet: str, content: object, now: datetime, skew: timedelta | None) -> dict:
    """One entry's answer. Nothing that one entry does reaches another."""
    try:
        entry = _entry(user, tablet, content, now, skew)
    except Refused as refusal:
        told = content.get("id") if isinstance(content, dict) else None
        return {"id": told if isinstance(told, str) else "", "status": "refused", "text": str(refusal)}
    known = _known(entry)
    if known is not None:
        return _again(known, entry)
    try:
        return _store_or_again(entry)
    except OperationalError:
        log.exception("entry %s could not be stored now", entry.id)
        return _later(entry, "The server is busy: this is sent again by itself.")
    except Exception:  # noqa: BLE001  (one entry's trouble must not cost the others their answers)
        log.exception("entry %s could not be taken", entry.id)
        return _later(entry, "The server has trouble with this entry and keeps being asked: tell your operator.")


def _entry(user, tablet, content, now, skew) -> Entry:
    if not isinstance(content, dict):
        raise Refused("Found something that is no entry.")
    try:
        key = UUID(content["id"]) if isinstance(content.get("id"), str) else None
    except ValueError:
        key = None
    if key is None:
        raise Refused(f"Found the id {shown(content.get('id'))}, expected a UUID made on the tablet.")
    try:
        text = canonical(content)
        text.encode()
    except (ValueError, RecursionError):
        raise Refused("The entry holds text that cannot be kept: type it again.") from None
    kind = content.get("kind")
    entry = Entry(
        id=key, kind=kind if isinstance(kind, str) and kind in EntryKind.values else EntryKind.OTHER, content=content,
        digest=hashlib.sha256(text.encode()).hexdigest(), tablet=tablet, user=user, received_at=now, at=now, skew=skew,
    )  # fmt: skip
    try:
        entry.tablet_at, entry.tablet_text = moment(content.get("taken_at") or content.get("made_at"), "time")
    except Refused:
        return entry
    entry.at = entry.tablet_at - skew if skew else entry.tablet_at
    # Nothing was done after it came here, whatever a clock says.
    entry.at = min(entry.at, now)
    return entry


def _again(known: Submission, entry: Entry) -> dict:
    """A repeat: the first answer; or, with other content, a refusal that the planner sees."""
    if known.digest == entry.digest:
        status = "already" if known.status == EntryStatus.STORED else "refused"
        return {**known.answer, "status": status}
    text = "This id was stored before with other content. The first is kept; what came now is not counted."
    if known.trial_id is not None:
        try:
            with transaction.atomic():
                Conflict.objects.get_or_create(
                    digest=hashlib.sha256(f"{entry.id}{entry.digest}".encode()).hexdigest(),
                    defaults={
                        "trial_id": known.trial_id, "kind": ConflictKind.OTHER_CONTENT, "first_id": known.reading_id,
                        "specimen_id": known.reading.specimen_id if known.reading else None,
                        "content": kept_content(entry),
                    },
                )  # fmt: skip
        except DatabaseError:
            log.exception("the other content of entry %s could not be noted", entry.id)
    log.warning("entry %s came again from tablet %s with other content", entry.id, entry.tablet)
    return {**known.answer, "status": "differs", "text": text}


def kept_content(entry: Entry) -> dict:
    """The entry for the record: without a photo's bytes, and cut where it is out of all proportion."""
    content = {name: value for name, value in entry.content.items() if name != "data"}
    text = canonical(content)
    if len(text) > LONGEST_ENTRY or "\\u0000" in text:
        return {"id": str(entry.id), "kind": str(entry.content.get("kind"))[:40], "cut": text[:500].replace("\\", "/")}
    return content


def _store(entry: Entry) -> dict:
    from . import handlers

    try:
        if len(canonical({k: v for k, v in entry.content.items() if k != "data"})) > LONGEST_ENTRY:
            raise Refused("The entry is out of all proportion: type it again, shorter.")
        handle = handlers.OF_KIND.get(entry.kind)
        if handle is None:
            raise Refused(f"Found an entry of the kind {shown(entry.content.get('kind'))}, which is not known.")
        prepared = _prepared(handle, entry)
        with transaction.atomic():
            outcome = handle.store(entry, prepared)
            answer = {"id": str(entry.id), "status": "stored", "text": outcome.text, **outcome.more}
            _keep(entry, EntryStatus.STORED, answer, outcome)
        return answer
    except NotYet as wait:
        return _later(entry, str(wait))
    except Refused as refusal:
        return _refuse(entry, str(refusal))
    except ValidationError as error:
        return _refuse(entry, " ".join(error.messages))


def _store_or_again(entry: Entry) -> dict:
    """Store; where somebody else stored the same thing at this very moment, look again."""
    for _ in range(2):
        try:
            return _store(entry)
        except IntegrityError:
            log.warning("entry %s met another, or a rule of the database", entry.id, exc_info=True)
            entry.second_look = entry.long_code = True
            known = _known(entry)
            if known is not None:
                return _again(known, entry)
    return _refuse(entry, "The database did not take this: tell the planner, and type it again.")


def _later(entry: Entry, text: str) -> dict:
    return {"id": str(entry.id), "status": "later", "text": text}


def _prepared(handle, entry: Entry):
    """What the handler makes of the entry; it is refused only by what the database says now."""
    try:
        return handle.prepare(entry)
    except Refused:
        if entry.second_look:
            raise
        entry.second_look = True
        return handle.prepare(entry)


def _refuse(entry: Entry, text: str) -> dict:
    """Refused, and kept on the record: what was typed at the bench is never lost."""
    answer = {"id": str(entry.id), "status": "refused", "text": text}
    try:
        with transaction.atomic():
            _keep(entry, EntryStatus.REFUSED, answer, Outcome(trial=_trial_named(entry)))
    except IntegrityError:
        known = _known(entry)
        return _again(known, entry) if known else answer
    return answer


def _trial_named(entry: Entry) -> Trial | None:
    key = entry.content.get("trial")
    programme, slash, code = key.partition("/") if isinstance(key, str) and len(key) <= 200 else ("", "", "")
    return Trial.objects.filter(programme__slug=programme, code=code).first() if slash and "\x00" not in key else None


def _keep(entry: Entry, status: str, answer: dict, outcome: Outcome) -> Submission:
    return NEW.row(
        id=entry.id, kind=entry.kind, status=status, tablet=entry.tablet, digest=entry.digest,
        content=kept_content(entry) | outcome.kept, answer=answer, user=entry.user, trial=outcome.trial,
        reading=outcome.reading, tablet_time=entry.tablet_at, tablet_time_text=entry.tablet_text,
        done_at=entry.at, received_at=entry.received_at,
    )  # fmt: skip


def note(entry_user, verb: str, *, programme, thing: str, code: str, changes_draft: bool = True, **more) -> None:
    """Write what was done into the record, in the transaction in which it is done."""
    hooks.call(
        "record", entry_user, verb, programme=programme, thing=thing, code=code, changes_draft=changes_draft, **more
    )

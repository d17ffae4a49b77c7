"""Photos from the bench: looked into, not believed; kept under a name of ours."""

from __future__ import annotations

import base64
import binascii
import hashlib
import io
import uuid
from dataclasses import dataclass

from django.core.files.base import ContentFile

from specimens.models import Attachment, Programme, Reading, Specimen, Trial

from . import context, finding, pack
from .entries import Entry, Outcome, note
from .errors import Refused
from .typed import words

MOST_BYTES = 8 * 2**20
MOST_PIXELS = 25_000_000
FORMATS = {"JPEG": ("jpg", "image/jpeg"), "PNG": ("png", "image/png"), "WEBP": ("webp", "image/webp")}
TYPES = dict(FORMATS.values())  # extension -> content type


@dataclass
class Photo:
    data: bytes
    suffix: str
    width: int
    height: int


def look_at(data: bytes) -> Photo:
    """A photo by its content, whatever it calls itself. Raises Refused with one line."""
    from PIL import Image

    if len(data) > MOST_BYTES:
        raise Refused(f"The photo has {len(data) / 2**20:.0f} MB: at most {MOST_BYTES // 2**20} MB are kept.")
    too_many = Refused(f"The photo has more than {MOST_PIXELS // 10**6} million pixels: take it smaller.")
    try:
        with Image.open(io.BytesIO(data), formats=list(FORMATS)) as image:
            width, height = image.size
            if width * height > MOST_PIXELS:
                raise too_many
            image.load()  # a header alone is no photo
            suffix = FORMATS[image.format][0]
    except Refused:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise too_many from None
    except Exception:  # noqa: BLE001  (a damaged or forged picture has many faces)
        raise Refused("The file is no photo that can be read: expected a JPEG, PNG or WebP picture.") from None
    return Photo(data, suffix, width, height)


def keep(
    photo: Photo, *, programme: Programme, folder: str, name: str, kind: str = "photo", caption: str = "",
    alt: str = "", **about,
) -> Attachment:
    """Store a photo about one thing (`reading=`, `specimen=` or `trial=`), under a name of ours."""
    thing = next(iter(about))
    made = Attachment(
        programme=programme, path=f"files/{folder}/{name}-{uuid.uuid4().hex[:8]}.{photo.suffix}", kind=kind,
        caption=caption, alt=alt, sha256=hashlib.sha256(photo.data).hexdigest(), about=thing, **about,
    )  # fmt: skip
    made.content.save(f"{uuid.uuid4().hex}.{photo.suffix}", ContentFile(photo.data), save=False)
    made.save(force_insert=True)
    return made


@dataclass
class Prepared:
    bench: context.Bench
    photo: Photo
    specimen: Specimen
    reading: Reading | None
    caption: str


def prepare(entry: Entry) -> Prepared:
    content = entry.content
    bench = context.by_key(content.get("trial"), fresh=entry.second_look)
    data = content.get("data")
    if not isinstance(data, str) or len(data) > MOST_BYTES * 4 // 3 + 8:
        raise Refused(f"Found no photo, or one of more than {MOST_BYTES // 2**20} MB.")
    try:
        raw = base64.b64decode(data.rpartition(",")[2], validate=True)
    except (binascii.Error, ValueError):
        raise Refused("The photo did not arrive whole: take it again.") from None
    photo = look_at(raw)
    reading = None
    if content.get("entry"):
        reading = finding.reading(bench.programme, content["entry"], "shown in a photo")
    named = content.get("specimen")
    specimen = reading.specimen if reading and reading.specimen else finding.specimen(bench.programme, named)
    return Prepared(bench, photo, specimen, reading, words(content.get("caption"), "caption"))


def store(entry: Entry, p: Prepared) -> Outcome:
    about = {"reading": p.reading} if p.reading else {"specimen": p.specimen}
    made = keep(
        p.photo, programme=p.bench.programme, folder="photos", name=p.reading.code if p.reading else p.specimen.code,
        caption=p.caption, **about,
    )  # fmt: skip
    note(
        entry.user, "added a photo", programme=p.bench.programme, thing="file", code=made.path,
        after={"specimen": pack.label(p.specimen), "sha256": made.sha256},
    )  # fmt: skip
    return Outcome(trial=p.bench.trial, reading=p.reading, kept={"sha256": made.sha256, "path": made.path})


def content_type(attachment: Attachment) -> str | None:
    """The type under which a kept picture may be shown; None where it is none of ours."""
    return TYPES.get(attachment.content.name.rpartition(".")[2].lower())


def anchor(trial: Trial, step: str, data: bytes, *, name: str, alt: str, actor) -> Attachment:
    """A photo that shows what a step of a rating scale looks like. Raises Refused."""
    photo = look_at(data)
    made = keep(
        photo, programme=trial.programme, folder="anchors", name=f"{trial.code}-{step}",
        kind=f"{pack.ANCHOR}{step}", caption=name, alt=alt, trial=trial,
    )  # fmt: skip
    note(
        actor, "added an anchor", programme=trial.programme, thing="file", code=made.path,
        after={"trial": trial.code, "step": step, "sha256": made.sha256},
    )  # fmt: skip
    return made

"""Photos from the bench: looked into, not believed; drawn anew, and kept under a name of ours.

What is kept is the picture alone: where and with which camera it was taken (EXIF), comments, previews and
whatever else hangs on the file stay behind, for pictures go out with a published study.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import io
import uuid
from dataclasses import dataclass

from django.core.files.base import ContentFile
from django.db import transaction

from specimens.models import Attachment, Programme, Reading, Specimen, Trial

from . import context, finding, pack
from .entries import Entry, Outcome, note
from .errors import Refused
from .typed import words

MOST_BYTES = 8 * 2**20
MOST_PIXELS = 25_000_000
FORMATS = {"JPEG": "jpg", "PNG": "png", "WEBP": "webp"}
# a JPEG with further pictures behind the first, as many phones write it, opens as MPO
SUFFIXES = FORMATS | {"MPO": "jpg"}
TYPES = {"jpg": "image/jpeg", "png": "image/png", "webp": "image/webp"}
QUALITY = 90  # own choice: no loss to be seen at the size of a page


@dataclass
class Photo:
    data: bytes
    suffix: str
    width: int
    height: int


def look_at(
    data: bytes, *, most_bytes: int = MOST_BYTES, most_pixels: int = MOST_PIXELS, longest: int | None = None
) -> Photo:
    """A photo by its content, whatever it calls itself, without anything but the picture. Raises Refused.

    longest: the most pixels that its longer side keeps; a larger one is drawn smaller.
    """
    from PIL import Image, ImageOps

    if len(data) > most_bytes:
        raise Refused(f"The photo has {len(data) / 2**20:.0f} MB: at most {most_bytes // 2**20} MB are kept.")
    too_many = Refused(f"The photo has more than {most_pixels // 10**6} million pixels: take it smaller.")
    try:
        with Image.open(io.BytesIO(data), formats=list(FORMATS)) as image:
            width, height = image.size
            if width * height > most_pixels:
                raise too_many
            suffix = SUFFIXES[image.format]
            if longest is not None:
                image.draft(None, (longest, longest))  # a JPEG is read smaller, not read whole and shrunk
            image.load()  # a header alone is no photo
            clean = _drawn(ImageOps.exif_transpose(_within(image, longest)), suffix)
            width, height = clean.size
    except Refused:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise too_many from None
    except Exception:  # noqa: BLE001  (a damaged or forged picture has many faces)
        raise Refused("The file is no photo that can be read: expected a JPEG, PNG or WebP picture.") from None
    out = io.BytesIO()
    clean.save(out, "JPEG" if suffix == "jpg" else suffix.upper(), quality=QUALITY)
    return Photo(out.getvalue(), suffix, width, height)


def _within(image, longest: int | None):
    """The picture with neither side longer than that; itself where it fits."""
    from PIL import Image

    if longest is None or max(image.size) <= longest:
        return image
    if image.mode in ("P", "1"):  # colours by number cannot be averaged
        image = image.convert("RGBA" if image.has_transparency_data else "RGB")
    image.thumbnail((longest, longest), Image.Resampling.LANCZOS)
    return image


def _drawn(image, suffix: str):
    """The picture alone, in sRGB, in a mode that its format knows."""
    from PIL import Image, ImageCms

    profile = image.info.get("icc_profile")
    wanted = "L" if image.mode in ("1", "L", "I;16") else "RGB"
    if suffix != "jpg" and image.has_transparency_data:
        wanted = "RGBA"
    if profile and image.mode in ("RGB", "CMYK") and wanted == "RGB":
        try:
            image = ImageCms.profileToProfile(
                image, ImageCms.ImageCmsProfile(io.BytesIO(profile)), ImageCms.createProfile("sRGB"), outputMode="RGB"
            )
        except (ImageCms.PyCMSError, OSError, ValueError):
            pass  # a damaged profile costs the picture no more than its exact shades
    clean = Image.new(wanted, image.size)
    clean.paste(image.convert(wanted))
    return clean


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
    with transaction.atomic():
        finding.lock(trial.programme)
        made = keep(
            photo, programme=trial.programme, folder="anchors", name=f"{trial.code}-{step}",
            kind=f"{pack.ANCHOR}{step}", caption=name, alt=alt, trial=trial,
        )  # fmt: skip
        note(
            actor, "added an anchor", programme=trial.programme, thing="file", code=made.path,
            after={"trial": trial.code, "step": step, "sha256": made.sha256},
        )  # fmt: skip
    return made

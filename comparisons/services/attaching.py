"""Files that belong to something: photos that readers may see, receipts that they never see.

What a file is, its content says, not its name. A photo is drawn anew, upright, in sRGB, at a size for
pages, without place, camera and owner. A receipt is evidence and is kept byte for byte; nothing that hangs
on a purchase is ever public (`folder.digest.is_public`). Bytes never change: another file is another row.
"""

from __future__ import annotations

import hashlib
import io
import uuid
import zipfile
from dataclasses import dataclass

from django.core.files.base import ContentFile
from django.db import transaction

from comparisons.folder.digest import is_public
from comparisons.models import Comparison, Edition
from specimens.bench import errors, photos
from specimens.models import Attachment, Claim, ProgrammeProduct, Purchase, Reading, Specimen, Trial

from . import editing
from .errors import NotReady
from .record import lock_programme, record
from .roles import require_preparer

MOST_BYTES = 30 * 2**20
MOST_PIXELS = 80_000_000
LONGEST = 3000  # own choice: a page shows at most half of it, a print at 254 dots per inch is 30 cm wide
LONGEST_TEXT = 2000
RECEIPT = "receipt"
PHOTO = "photo"

ABOUT = {
    ProgrammeProduct: "product", Purchase: "purchase", Claim: "claim", Specimen: "specimen", Reading: "reading",
    Trial: "trial",
}  # fmt: skip


@dataclass(frozen=True)
class Kept:
    """What is stored of an upload: its bytes and the ending of its name."""

    data: bytes
    suffix: str


def looked_at(upload, *, receipt: bool = False) -> Kept:
    """What is kept of an uploaded file (anything with `read` and `size`). NotReady, in one line, where nothing is."""
    if upload.size > MOST_BYTES:
        raise NotReady(
            f"The file has {upload.size / 2**20:.0f} MB, expected at most {MOST_BYTES // 2**20} MB:"
            " choose a smaller one."
        )
    upload.seek(0)
    data = upload.read()
    if not data:
        raise NotReady("The file is empty: choose another one.")
    if receipt and data.startswith(b"%PDF-"):
        return Kept(data, "pdf")
    try:
        photo = photos.look_at(data, most_bytes=MOST_BYTES, most_pixels=MOST_PIXELS, longest=LONGEST)
    except errors.Refused as refusal:
        expected = " A receipt may also be a PDF." if receipt else ""
        raise NotReady(f"{refusal}{expected}") from refusal
    return Kept(data if receipt else photo.data, photo.suffix)


def attach(
    actor,
    thing,
    upload,
    *,
    kind: str = PHOTO,
    caption: str = "",
    alt: str = "",
    comparison: Comparison | None = None,
) -> Attachment:
    """Store a file about a product, purchase, claim, specimen, reading or trial of a programme.

    kind `receipt`: kept as it is, never public; anything else is a photo. Raises NotReady, Refused.
    """
    require_preparer(actor, "add a file")
    programme = thing.trial.programme if isinstance(thing, Reading) else thing.programme
    kept = looked_at(upload, receipt=kind == RECEIPT)
    about = ABOUT[type(thing)]
    folder = "receipts" if kind == RECEIPT else "photos"
    made = Attachment(
        programme=programme, path=f"files/{folder}/{thing.code}-{uuid.uuid4().hex[:8]}.{kept.suffix}", kind=kind,
        caption=caption.strip(), alt=alt.strip(), sha256=hashlib.sha256(kept.data).hexdigest(), about=about,
        **{about: thing},
    )  # fmt: skip
    _check_texts(made)
    with transaction.atomic():
        lock_programme(programme)
        made.content.save(f"{uuid.uuid4().hex}.{kept.suffix}", ContentFile(kept.data), save=False)
        name, storage = made.content.name, made.content.storage
        try:
            with transaction.atomic():
                made.save(force_insert=True)
                if kind == RECEIPT and isinstance(thing, Purchase) and not thing.receipt:
                    thing.receipt = made.path
                    thing.save(update_fields=["receipt"])
                record(
                    actor, f"added a {kind}"[:40], comparison=comparison, programme=programme, thing="file",
                    code=made.path[:200], after={about: thing.code, "sha256": made.sha256},
                    changes_draft=is_public(about, kind),
                )  # fmt: skip
        except BaseException:
            storage.delete(name)
            raise
    return made


def describe(actor, attachment: Attachment, *, caption: str, alt: str, seen: str, comparison=None) -> Attachment:
    """Change what is written under a picture and what is read out in its place. Raises editing.Changed."""
    values = {"caption": caption.strip(), "alt": alt.strip()}
    return editing.save(
        actor, attachment, values, seen=seen, comparison=comparison, programme=attachment.programme, thing="file",
        changes_draft=is_public(attachment.about, attachment.kind),
    )  # fmt: skip


def remove(actor, attachment: Attachment, *, comparison=None) -> None:
    """Take a file away, where nothing rests on it: no published edition, no article, no rating scale."""
    require_preparer(actor, "remove a file")
    with transaction.atomic():
        lock_programme(attachment.programme)
        if why := _rests_on(attachment):
            raise NotReady(f"This file stays: {why}.")
        storage, name = attachment.content.storage, attachment.content.name
        record(
            actor, "removed a file", comparison=comparison, programme=attachment.programme, thing="file",
            code=attachment.path[:200],
            before={attachment.about: getattr(attachment, attachment.about).code, "kind": attachment.kind,
                    "caption": attachment.caption, "sha256": attachment.sha256},
            changes_draft=is_public(attachment.about, attachment.kind),
        )  # fmt: skip
        if attachment.purchase_id and attachment.purchase.receipt == attachment.path:
            other = (
                Attachment.objects.filter(purchase=attachment.purchase_id, kind=RECEIPT).exclude(pk=attachment.pk)
                .order_by("pk").first()
            )  # fmt: skip
            attachment.purchase.receipt = other.path if other else ""
            attachment.purchase.save(update_fields=["receipt"])
        attachment.delete()
        transaction.on_commit(lambda: storage.delete(name))


def _check_texts(attachment: Attachment) -> None:
    for name in ("caption", "alt"):
        text = getattr(attachment, name)
        if len(text) > LONGEST_TEXT:
            raise NotReady(f"The {name} has {len(text):,} characters, expected at most {LONGEST_TEXT:,}.")
        if "\x00" in text:
            raise NotReady(f"The {name} holds a character that no text has: type it anew.")


def _rests_on(attachment: Attachment) -> str:
    """What rests on a file, in words; "" where nothing does."""
    if attachment.about in ("reading", "specimen"):
        return "what was seen at the bench is kept"
    if attachment.about == "trial" and attachment.kind != PHOTO:
        return "a rating scale is shown by it"
    judged = Comparison.objects.filter(parts__programme=attachment.programme)
    for one in judged:
        if attachment.path in one.article:
            return f"the article of “{one.title}” shows it; take it out there first"
    editions = Edition.objects.filter(comparison__in=judged)
    if attachment.kind == RECEIPT or not is_public(attachment.about, attachment.kind):
        first = editions.order_by("published_at").first()
        return f"edition {first.number} of “{first.comparison.title}” rests on the purchase it proves" if first else ""
    for edition in editions.only("number", "package", "comparison").select_related("comparison").iterator(1):
        with zipfile.ZipFile(io.BytesIO(bytes(edition.package))) as package:
            if any(name == attachment.path or name.endswith("/" + attachment.path) for name in package.namelist()):
                return f"edition {edition.number} of “{edition.comparison.title}” shows it"
    return ""

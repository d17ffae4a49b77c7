"""A maker's private link: the facts about their own product before publication, and their answer on the record.

The link holds a secret drawn by chance that is shown once; the database keeps its digest alone. It ends on a day
that is set with it, or when somebody takes it back.
"""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from comparisons.models import Comparison, MakerLink
from specimens.models import MakerAnswer, ProgrammeProduct

from .errors import NotReady, Refused, Stale
from .record import lock_programme, record
from .roles import require_editor, require_preparer
from .wording import said

DAYS, MOST_DAYS = 14, 90
LONGEST_ANSWER = 5000
MOST_ANSWERS = 50  # to one product: beyond, somebody plays with the link
SECRET_BYTES = 32
MAKER = "the maker, by private link"


class NoLink(Refused):
    """No link that is open has this secret: it never was, it ended, or it was taken back. Which, is not said."""

    def __init__(self, known: bool):
        self.known = known
        super().__init__("This link is not open.")


def digest_of(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def make_link(
    comparison: Comparison, product: ProgrammeProduct, *, actor, days: str | int = DAYS, note: str = ""
) -> tuple[MakerLink, str]:
    """A new link for one product's maker, and its secret, which nobody is shown again.

    days: for how many it is open. note: to whom it is given. NotReady where they are no number of days from 1 to 90.
    """
    require_preparer(actor, "make a link for a maker")
    text = str(days).strip()
    if not (text.isascii() and text.isdecimal() and len(text) < 4 and 1 <= int(text) <= MOST_DAYS):
        raise NotReady(f"Found “{text[:20]}”, expected for how many days it is open, from 1 to {MOST_DAYS}.")
    note = " ".join(said(note, "note", most=200).split())
    if not comparison.parts.filter(programme=product.programme_id).exists():
        raise NotReady("This product is not part of the comparison.")
    token = secrets.token_urlsafe(SECRET_BYTES)
    now = timezone.now()
    with transaction.atomic():
        link = MakerLink.objects.create(
            comparison=comparison, product=product, secret_sha256=digest_of(token), note=note, made_by=actor,
            made_at=now, expires_at=now + timedelta(days=int(text)),
        )  # fmt: skip
        record(
            actor, "made a link for a maker", comparison=comparison, thing="maker link", code=str(link.pk),
            after={"product": product.code, "expires_at": link.expires_at.isoformat(timespec="minutes"), "note": note},
        )  # fmt: skip
    return link, token


def revoke(link: MakerLink, *, actor) -> MakerLink:
    """Take a link back: whoever has it finds nothing there any more."""
    require_preparer(actor, "take a maker’s link back")
    with transaction.atomic():
        link = MakerLink.objects.select_for_update(of=("self",)).select_related("comparison", "product").get(pk=link.pk)
        if link.revoked_at is not None:
            raise Stale("This link was taken back already.")
        link.revoked_at, link.revoked_by = timezone.now(), actor
        link.save(update_fields=["revoked_at", "revoked_by"])
        record(
            actor, "took a maker’s link back", comparison=link.comparison, thing="maker link", code=str(link.pk),
            before={"product": link.product.code, "expires_at": link.expires_at.isoformat(timespec="minutes")},
        )  # fmt: skip
    return link


def link_of(token: str) -> MakerLink:
    """The open link with this secret. NoLink where there is none, with whether there ever was one."""
    link = (
        MakerLink.objects.filter(secret_sha256=digest_of(token))
        .select_related("comparison", "product__product", "product__programme").first()
    )  # fmt: skip
    if link is None or link.revoked_at is not None or link.expires_at <= timezone.now():
        raise NoLink(known=link is not None)
    return link


def opened(link: MakerLink) -> None:
    """Note when a link was opened first, and last: at most once a minute, so that a page that is read over and over
    does not write each time."""
    now = timezone.now()
    if link.last_opened_at is None or now - link.last_opened_at > timedelta(minutes=1):
        MakerLink.objects.filter(pk=link.pk).update(first_opened_at=link.first_opened_at or now, last_opened_at=now)


def answer(token: str, text: str) -> MakerAnswer:
    """Keep what a maker answers through their link: plain text that stays as it is, published if an editor says so.

    NoLink where the link is not open; NotReady where the answer is blank, too long, the last one again, or one too
    many.
    """
    link = link_of(token)
    text = said(text, "answer", most=LONGEST_ANSWER, needed="Write your answer first.")
    with transaction.atomic():
        lock_programme(link.product.programme)
        link = link_of(token)  # it may have been taken back meanwhile
        before = list(link.product.answers.order_by("-received_at").values_list("text", flat=True))
        if before and before[0] == text:
            raise NotReady("This is your last answer again: it is kept already.")
        if len(before) >= MOST_ANSWERS:
            raise NotReady("No more answers fit here: write to the team that sent you this link.")
        now = timezone.now()
        made = MakerAnswer.objects.create(
            product=link.product, received_at=now, received_at_text=now.isoformat(timespec="microseconds"), text=text
        )
        record(
            None, "answered", comparison=link.comparison, programme=link.product.programme, thing="maker answer",
            code=link.product.code, after={"text": text}, by=MAKER,
        )  # fmt: skip
    return made


def set_published(row: MakerAnswer, *, actor, published: bool, comparison: Comparison | None = None) -> MakerAnswer:
    """Publish an answer beside its product with the next edition, or take it out of it."""
    require_editor(actor, "decide whether an answer is published")
    with transaction.atomic():
        programme = row.product.programme
        lock_programme(programme)
        row = MakerAnswer.objects.select_for_update(of=("self",)).select_related("product__programme").get(pk=row.pk)
        if row.published == published:
            raise Stale(f"This answer is {'published' if published else 'not published'} already.")
        row.published = published
        row.save(update_fields=["published"])
        record(
            actor, "published an answer" if published else "took an answer out", programme=programme,
            comparison=comparison, thing="maker answer", code=row.product.code, before={"published": not published},
            after={"published": published, "received_at": row.received_at_text}, changes_draft=True,
        )  # fmt: skip
    return row


def products_of(comparison: Comparison) -> list[tuple[str, ProgrammeProduct]]:
    """The comparison's products with the code that its study gives each: one product has one, that of the first
    programme that knows it."""
    parts = list(comparison.parts.order_by("prefix", "id").values_list("programme_id", "prefix"))
    prefix = {pk: f"{name or pk}." if len(parts) > 1 else "" for pk, name in parts}
    rank = {pk: at for at, (pk, _) in enumerate(parts)}
    rows = ProgrammeProduct.objects.filter(programme__in=prefix).select_related("product").order_by("pk")
    found: dict[int, tuple[str, ProgrammeProduct]] = {}
    for row in sorted(rows, key=lambda row: rank[row.programme_id]):
        found.setdefault(row.product_id, (prefix[row.programme_id] + row.code, row))
    return sorted(found.values(), key=lambda pair: str(pair[1]))


def code_in(comparison: Comparison, product: ProgrammeProduct) -> str:
    """What the comparison's study calls a product of one of its programmes; "" where it has none of that name."""
    return next((code for code, row in products_of(comparison) if row.product_id == product.product_id), "")


def links_of(comparison: Comparison) -> list[MakerLink]:
    """A comparison's links, the newest first, each with whether it is open."""
    now: datetime = timezone.now()
    links = list(comparison.maker_links.select_related("product__product", "made_by", "revoked_by"))
    for link in links:
        link.is_open = link.revoked_at is None and link.expires_at > now
    return links


def answers_of(comparison: Comparison) -> list[MakerAnswer]:
    """What makers answered on products of a comparison, the newest first."""
    own = Q(product__programme__parts__comparison=comparison)
    return list(MakerAnswer.objects.filter(own).select_related("product__product").order_by("-received_at"))

"""Which edition answers an address: the newest, the one with the number, or the last that has what is asked for.

One query for what is known of a comparison's editions, at most one more for the frozen parts that are needed.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import dataclass, field

from django.conf import settings
from django.core.cache import cache
from django.db.models import F, FilteredRelation, Q
from django.db.models.functions import Length
from django.http import Http404
from django.urls import reverse

from comparisons.models import Edition
from comparisons.pages.outline import outline

FACTS = (
    "number", "published_at", "sha256", "package_sha256", "results_sha256", "page_sha256", "correction",
    "correction_why", "corrects_since",
)  # fmt: skip
OUTLINE = "outline:1"  # a change of what is kept in short takes a new number


def known(slug: str) -> list[dict]:
    """What is known of each edition of a comparison, the newest first; 404 where nothing is published. One query.

    Beside the frozen facts: `withdrawn` and `withdrawn_at` where it was taken back, `notices`, the sentences that
    stand above it while something is in doubt, and `corrected_by`, the later editions that say what is wrong with it.
    """
    rows = (
        Edition.objects.filter(comparison__slug=slug)
        .annotate(open_notice=FilteredRelation("notices", condition=Q(notices__lifted_at__isnull=True)))
        .order_by("-number", "open_notice__put_at", "open_notice__id")
        .values(
            *FACTS, zip_bytes=Length("package"), page_bytes=Length("page"), results_bytes=Length("results"),
            withdrawn=F("withdrawal__reason"), withdrawn_at=F("withdrawal__withdrawn_at"),
            notice=F("open_notice__text"),
        )
    )  # fmt: skip
    editions: dict[int, dict] = {}
    for row in rows:
        notice = row.pop("notice")
        one = editions.setdefault(row["number"], row | {"notices": []})
        one["notices"] += [notice] if notice else []
    if not editions:
        raise Http404("no such published comparison")
    found = list(editions.values())
    for one in found:
        one["corrected_by"] = [
            later for later in found
            if later["corrects_since"] is not None and later["corrects_since"] <= one["number"] < later["number"]
        ]
        one["instead"] = next((other for other in found if not other["withdrawn"]), None)  # where this one is withdrawn
    return found


def state_of(editions: Iterable[dict]) -> str:
    """A digest of what pages say of these editions: what is frozen, and what was said of them since."""
    told = [[e["sha256"], e["withdrawn"], str(e["withdrawn_at"]), e["notices"]] for e in editions]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:32]


def numbered(editions: list[dict], number: int | None) -> list[dict]:
    """The edition with this number, or all where none is asked for; 404 for a number that is not there."""
    if number is None:
        return editions
    found = [e for e in editions if e["number"] == number]
    if not found:
        raise Http404("no such edition")
    return found


def outlines(digests: Iterable[str]) -> dict[str, dict]:
    """Of these editions (by digest) those that are kept in short."""
    found = cache.get_many([f"{OUTLINE}:{digest}" for digest in digests])
    return {key.rpartition(":")[2]: value for key, value in found.items()}


def keep(digest: str, page: dict) -> dict:
    """An edition in short, kept for the next reader: it never changes."""
    short = outline(page)
    cache.set(f"{OUTLINE}:{digest}", short, None)
    return short


@dataclass
class Found:
    """The edition that answers. `parts`: frozen parts by name where they were read already."""

    slug: str
    edition: dict
    editions: list[dict]
    outline: dict
    parts: dict[str, bytes] = field(default_factory=dict)

    @property
    def newest(self) -> dict:
        return self.editions[0]

    @property
    def newer(self) -> dict | None:
        """The newest edition, where it is another."""
        return self.newest if self.newest["number"] > self.edition["number"] else None

    @property
    def etag_parts(self) -> tuple[str, str]:
        return self.edition["sha256"], state_of(self.editions)

    def read(self, *names: str) -> list[bytes]:
        """Frozen parts byte for byte; those not read yet cost one query together."""
        if missing := [name for name in names if name not in self.parts]:
            rows = Edition.objects.filter(comparison__slug=self.slug, number=self.edition["number"])
            self.parts |= {name: bytes(part) for name, part in rows.values(*missing).get().items()}
        return [self.parts[name] for name in names]

    def load(self, *names: str) -> list[dict]:
        """Frozen parts, parsed."""
        return [json.loads(part) for part in self.read(*names)]


def find(
    slug: str,
    number: int | None,
    has: Callable[[dict], bool] = lambda short: True,
    *,
    parts: tuple[str, ...] = ("page",),
    or_newest: bool = False,
) -> Found:
    """The newest edition (or the one with the number) for whose short form `has` is true.

    parts: what the caller will print from. or_newest: where no edition has it, the newest answers. 404 where none
    does. Pages are read one by one from the newest on, in one query, and no further than needed.
    """
    editions = known(slug)
    among = numbered(editions, number)
    kept = outlines(e["sha256"] for e in among)
    open_ = [e for e in among if e["sha256"] not in kept or has(kept[e["sha256"]])]
    if open_ and open_[0]["sha256"] in kept:
        return Found(slug, open_[0], editions, kept[open_[0]["sha256"]])
    if or_newest and among[0] not in open_:
        open_ = [among[0], *open_]
    first = None
    by_number = {e["number"]: e for e in open_}
    rows = (
        Edition.objects.filter(comparison__slug=slug, number__in=list(by_number))
        .order_by("-number")
        .values_list("number", *parts)
        .iterator(chunk_size=1)
    )
    if open_:
        with closing(rows):
            for found, *read in rows:
                edition = by_number[found]
                held = dict(zip(parts, (bytes(part) for part in read), strict=True))
                short = kept.get(edition["sha256"]) or keep(edition["sha256"], json.loads(held["page"]))
                one = Found(slug, edition, editions, short, held)
                first = first or one
                if has(short):
                    return one
    if or_newest and first is not None:
        return first
    raise Http404("no edition has it")


def newest_editions() -> list[dict]:
    """The newest edition of each published comparison, the newest first. One query."""
    return list(
        Edition.objects.filter(next__isnull=True)
        .order_by("-published_at", "-id")
        .values(
            "id", "number", "published_at", "sha256", "correction", slug=F("comparison__slug"),
            withdrawn=F("withdrawal__reason"),
        )
    )  # fmt: skip


def in_short(editions: list[dict]) -> list[dict]:
    """Each edition with what its frozen page says in short. One query for those not kept from before.

    editions: rows with `id` and `sha256`.
    """
    found = outlines(e["sha256"] for e in editions)
    missing = [e["id"] for e in editions if e["sha256"] not in found]
    if missing:
        rows = Edition.objects.filter(pk__in=missing).values_list("sha256", "page").iterator(chunk_size=10)
        found |= {digest: keep(digest, json.loads(bytes(page))) for digest, page in rows}
    return [e | found[e["sha256"]] for e in editions]


def address(name: str, *args) -> str:
    """An address in full."""
    return settings.PUBLIC_URL + reverse(name, args=args)

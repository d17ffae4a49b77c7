"""The front page, kinds, search, the feed of editions and corrections, and the map of the site."""

from __future__ import annotations

from urllib.parse import parse_qsl

from django.conf import settings
from django.contrib.sitemaps import Sitemap
from django.contrib.syndication.views import Feed
from django.db.models import F
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.feedgenerator import Atom1Feed
from django.utils.text import slugify
from django.views.decorators.http import require_safe

from comparisons.models import Edition
from comparisons.published_search import LONGEST, MOST_FOUND, look_for

from .freshness import fresh, tag, unchanged
from .public_finding import address, in_short, newest_editions

IN_FEED = 30  # editions; older ones stay on each comparison's page of editions


def kinds_of(items: list[dict]) -> list[dict]:
    """The kinds of product that are compared, with how many comparisons each has."""
    found: dict[str, dict] = {}
    for item in items:
        if code := slugify(item["kind"], allow_unicode=True):
            found.setdefault(code, {"code": code, "name": item["kind"], "n": 0})["n"] += 1
    return sorted(found.values(), key=lambda one: one["name"].casefold())


@require_safe
def front(request, kind: str | None = None):
    """Every published comparison by its newest edition, the newest first; or those of one kind."""
    newest = newest_editions()
    etag = tag("front", kind, *((e["sha256"], e["withdrawn"]) for e in newest))
    if kind is None and (response := unchanged(request, etag)) is not None:
        return response
    items = in_short(newest)
    kinds = kinds_of(items)
    chosen = next((one for one in kinds if one["code"] == kind), None)
    if kind is not None:
        if chosen is None:
            raise Http404("nothing of this kind is published")
        if (response := unchanged(request, etag)) is not None:
            return response
        items = [item for item in items if slugify(item["kind"], allow_unicode=True) == kind]
    return fresh(render(request, "public/front.html", {
        "items": items, "kinds": kinds, "chosen": chosen,
        "canonical": address("kind", kind) if kind is not None else address("front"),
    }), etag)  # fmt: skip


PLACES = {"comparison": "comparison", "product": "product", "property": "comparison", "method": "method"}
HEADS = {"comparison": "Comparisons", "product": "Products", "property": "Properties", "method": "Methods"}


@require_safe
def search(request):
    """What is published under the words of the address: comparisons, products, properties, methods."""
    asked = _asked(request.META.get("QUERY_STRING", "")[: 20 * LONGEST])  # no query is longer: the rest is not read
    rows, words = look_for(asked)
    more = len(rows) > MOST_FOUND
    rows = rows[:MOST_FOUND]
    editions = {row["sha256"]: {"id": row["edition_id"], "sha256": row["sha256"]} for row in rows}
    titles = {one["sha256"]: one["title"] for one in in_short(list(editions.values()))}
    groups: dict[str, list[dict]] = {}
    for row in rows:
        args = [row["slug"], row["code"]] if row["kind"] in ("product", "method") else [row["slug"]]
        place = reverse(PLACES[row["kind"]], args=args)
        groups.setdefault(row["kind"], []).append({
            "name": row["name"], "url": f"{place}#{row['code']}" if row["kind"] == "property" else place,
            "where": "" if row["kind"] == "comparison" else titles.get(row["sha256"], ""),
        })  # fmt: skip
    html = render_to_string("public/search.html", {
        "query": asked, "cut": len(asked) >= LONGEST, "words": words, "more": more, "n": len(rows),
        "groups": [{"name": HEADS[kind], "rows": found} for kind, found in groups.items()],
    })  # fmt: skip
    etag = tag("search", html)
    return unchanged(request, etag) or fresh(HttpResponse(html), etag)


def _asked(query: str) -> str:
    found = next((value for key, value in parse_qsl(query) if key == "q"), "")
    return " ".join("".join(c if c.isprintable() else " " for c in found).split())[:LONGEST]


class Editions(Feed):
    """Editions, corrections and withdrawals of all comparisons, the newest first, as Atom."""

    feed_type = Atom1Feed
    title = "Evenhand: editions and corrections"
    subtitle = "Each comparison as it is published, what was corrected and why, and what was taken back."

    def link(self):
        return address("front")

    def feed_url(self):
        return address("feed")

    def feed_guid(self):
        return address("feed")

    def items(self):
        rows = Edition.objects.order_by("-published_at", "-id").values(
            "id", "number", "published_at", "sha256", "correction", "correction_why", "corrects_since",
            slug=F("comparison__slug"), withdrawn=F("withdrawal__reason"), withdrawn_at=F("withdrawal__withdrawn_at"),
        )[:IN_FEED]  # fmt: skip
        told = in_short(list(rows))
        entries = [e | {"what": "edition", "at": e["published_at"]} for e in told]
        entries += [e | {"what": "withdrawal", "at": e["withdrawn_at"]} for e in told if e["withdrawn"]]
        return sorted(entries, key=lambda e: e["at"], reverse=True)

    def item_title(self, item):
        if item["what"] == "withdrawal":
            return f"Withdrawn: {item['title']}, edition {item['number']}"
        head = "Correction: " if item["correction"] else ""
        return f"{head}{item['title']}, edition {item['number']}"

    def item_description(self, item):
        if item["what"] == "withdrawal":
            return f"Taken back: {item['withdrawn']}"
        told = []
        if item["correction"]:
            since = item["corrects_since"]
            told.append(f"Corrected, wrong since edition {since}: {item['correction']} {item['correction_why']}")
        return " ".join([*told, item["lead"], item["sure"]])

    def item_link(self, item):
        return address("edition", item["slug"], item["number"])

    def item_guid(self, item):
        tail = "#withdrawn" if item["what"] == "withdrawal" else ""
        return f"urn:sha256:{item['sha256']}{tail}"

    item_guid_is_permalink = False

    def item_pubdate(self, item):
        return item["at"]

    item_updateddate = item_pubdate


@require_safe
def feed(request):
    """The feed, with an entity tag like a page."""
    response = Editions()(request)
    etag = tag("feed", response.content)
    return unchanged(request, etag) or fresh(response, etag)


class Published(Sitemap):
    """Every public page of the newest editions."""

    limit = 50_000  # what one file may hold by the sitemaps protocol 0.9 (from memory)
    protocol = settings.PUBLIC_URL.partition("://")[0]

    def items(self):
        found = [{"path": reverse("front"), "at": None}]
        items = in_short(newest_editions())
        found += [{"path": reverse("kind", args=[kind["code"]]), "at": None} for kind in kinds_of(items)]
        for one in items:
            slug, at = one["slug"], one["published_at"]
            paths = [reverse(name, args=[slug]) for name in ("comparison", "data", "editions")]
            paths += [reverse("product", args=[slug, code]) for code in one["products"]]
            paths += [reverse("method", args=[slug, code]) for code in one["methods"]]
            found += [{"path": path, "at": at} for path in paths]
        return found

    def location(self, item):
        return item["path"]

    def lastmod(self, item):
        return item["at"]

    def get_domain(self, site=None):
        return settings.PUBLIC_URL.partition("://")[2]



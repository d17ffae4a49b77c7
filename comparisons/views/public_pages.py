"""Pages beside the comparison's own: products, side by side, methods, data, editions. From frozen editions alone."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from itertools import pairwise

from django.core.cache import cache
from django.http import Http404, HttpResponse
from django.template.defaultfilters import filesizeformat
from django.template.loader import render_to_string
from django.urls import reverse
from django.views.decorators.clickjacking import xframe_options_exempt
from django.views.decorators.http import require_safe

from comparisons.folder.spec import SPEC
from comparisons.models import Edition
from comparisons.pages import codebook, machine
from comparisons.pages.changed import changed
from comparisons.pages.method import method_page
from comparisons.pages.product import product_page
from comparisons.pages.side_by_side import asked_for, side_by_side

from .freshness import fresh, lasting, look, tag, unchanged
from .public_finding import Found, address, find, known, numbered, state_of
from .public_machine import facts, shared


def _answer(request, found: Found, parts: tuple, template: str, context):
    """A page of one edition: 304 where the reader has it, kept where it was printed before, else printed.

    parts: what tells this page apart from others of the edition. context: a callable, called only to print.
    """
    etag = tag(template, *found.etag_parts, *parts)
    if (response := unchanged(request, etag)) is not None:
        return response
    key = f"{template}:{hashlib.sha256(repr((found.etag_parts, parts)).encode()).hexdigest()}:{look()}"
    html = cache.get(key)
    if html is None:
        html = render_to_string(template, _surroundings(found) | context())
        cache.set(key, html, None)
    return fresh(HttpResponse(html), etag)


def _surroundings(found: Found) -> dict:
    slug, edition = found.slug, found.edition
    number = edition["number"]
    return {
        "slug": slug,
        "edition": edition,
        "editions": found.editions,
        "newer": found.newer,
        "title": found.outline["title"],
        "edition_url": reverse("edition", args=[slug, number]),
        "files_base": reverse("edition", args=[slug, number]),
    }


@require_safe
def product(request, slug: str, product: str, number: int | None = None):
    """Everything about one product, from the last edition that has it or the one with the number."""
    found = find(slug, number, lambda short: product in short["products"], parts=("page", "results"))

    def context():
        page, results = found.load("page", "results")
        told = product_page(page, results, product)
        own = facts(slug, found.edition)
        return {
            "page": page,
            "product": told,
            "dropped": number is None and found.newer,
            "canonical": address("product", slug, product),
            "ld": machine.product_graph(page, told, own),
            "shared": shared(
                slug, found.edition, title=f"{told['full_name']}: {page['title']}", text=page["question"],
                url=address("product", slug, product),
            ),
        }  # fmt: skip

    return _answer(request, found, (product, number), "public/product.html", context)


@require_safe
def beside(request, slug: str, number: int | None = None):
    """Two or three products side by side, as the address names them: from the last edition that has them all."""
    codes, remarks = asked_for(request.META.get("QUERY_STRING", ""))
    found = find(
        slug, number, lambda short: set(codes) <= set(short["products"]), parts=("page", "results"), or_newest=True
    )
    here = [code for code in codes if code in found.outline["products"]]
    unknown = len(codes) - len(here)

    def context():
        page, results = found.load("page", "results")
        said = list(remarks)
        if unknown:
            said.append(f"{'One product' if unknown == 1 else f'{unknown} products'} of this address: not found here.")
        return {
            "page": page,
            "chosen": here,
            "remarks": said,
            "dropped": number is None and found.newer,
            "side": side_by_side(page, results, here) if len(here) > 1 else None,
            "choose_url": reverse("side-by-side", args=[slug]) if number is None
            else reverse("edition-side-by-side", args=[slug, number]),
            "query": "&".join(f"p={code}" for code in here),
            "canonical": address("side-by-side", slug),
        }  # fmt: skip

    parts = (tuple(here), tuple(remarks), unknown, number)
    return _answer(request, found, parts, "public/side_by_side.html", context)


@require_safe
def method(request, slug: str, method: str, number: int | None = None):
    """One method with its revisions, from the last edition that has it or the one with the number."""
    found = find(slug, number, lambda short: method in short["methods"])

    def context():
        (page,) = found.load("page")
        return {
            "page": page,
            "method": method_page(page, method),
            "dropped": number is None and found.newer,
            "canonical": address("method", slug, method),
        }

    return _answer(request, found, (method, number), "public/method.html", context)


@require_safe
def data(request, slug: str, number: int | None = None):
    """What may be taken away and how it is checked: files with digests, licence, citation, code book."""
    found = find(slug, number, parts=("page", "package"))

    def context():
        files = cache.get(key := f"tables:{found.edition['package_sha256']}")
        if files is None:
            files = _tables(found.read("package", "page")[0])
            cache.set(key, files, None)
        (page,) = found.load("page")
        edition = found.edition
        own = facts(slug, edition)
        return {
            "page": page,
            "tables": files["tables"],
            "others": files["others"],
            "zip_size": filesizeformat(edition["zip_bytes"]),
            "results_size": filesizeformat(edition["results_bytes"]),
            "page_size": filesizeformat(edition["page_bytes"]),
            "permanent": address("edition", slug, edition["number"]),
            "embed_url": address("embed", slug),
            "codebook": [
                {"name": name, "meaning": codebook.table_meaning(name), "columns": codebook.columns(name)}
                for name in SPEC
                if any(one["name"] == name for one in files["tables"])
            ],
            "canonical": address("data", slug),
            "ld": {"@context": machine.CONTEXT, **machine.dataset(page, own)},
        }

    return _answer(request, found, (number,), "public/data.html", context)


def _tables(package: bytes) -> dict:
    """The tables in a study zip with rows, size and digest, and the other files by name and size."""
    zipped = zipfile.ZipFile(io.BytesIO(package))
    tables, others = [], []
    for info in zipped.infolist():
        name = info.filename.rpartition("/")[2].removesuffix(".csv")
        if info.is_dir():
            continue
        if info.filename.endswith(".csv") and name in SPEC:
            content = zipped.read(info)
            rows = sum(1 for _ in csv.reader(io.StringIO(content.decode("utf-8-sig")))) - 1
            tables.append({
                "name": name, "file": f"{name}.csv", "rows": rows, "size": filesizeformat(info.file_size),
                "sha256": hashlib.sha256(content).hexdigest(),
            })  # fmt: skip
        else:
            others.append({"name": info.filename, "size": filesizeformat(info.file_size)})
    order = {name: i for i, name in enumerate(SPEC)}
    return {"tables": sorted(tables, key=lambda one: order[one["name"]]), "others": others}


@require_safe
def editions(request, slug: str):
    """All editions of a comparison: when, what changed in numbers, what was corrected and why, what was withdrawn."""
    all_ = known(slug)
    etag = tag("editions", state_of(all_))
    if (response := unchanged(request, etag)) is not None:
        return response
    key = f"editions:{state_of(all_)}:{look()}"
    html = cache.get(key)
    if html is None:
        told, newest = _changes(slug, all_)
        html = render_to_string("public/editions.html", {
            "slug": slug, "title": newest["title"], "editions": [e | {"changed": told.get(e["number"])} for e in all_],
            "edition": all_[0], "canonical": address("editions", slug),
        })  # fmt: skip
        cache.set(key, html, None)
    return fresh(HttpResponse(html), etag)


def _changes(slug: str, editions: list[dict]) -> tuple[dict[int, dict], dict]:
    """What changed with each edition but the first, and the newest page's title. One query for what is not kept."""
    pairs = {f"changed:1:{old['sha256']}:{new['sha256']}": (old, new) for new, old in pairwise(editions)}
    titles = f"title:{editions[0]['sha256']}"
    kept = cache.get_many([*pairs, titles])
    needed = {e["number"] for key, pair in pairs.items() if key not in kept for e in pair}
    needed |= set() if titles in kept else {editions[0]["number"]}
    if needed:
        rows = Edition.objects.filter(comparison__slug=slug, number__in=needed).order_by("-number")
        later = None  # (number, page): two pages at a time are held, not all
        made = {}
        for number, raw in rows.values_list("number", "page").iterator(chunk_size=1):
            page = json.loads(bytes(raw))
            if number == editions[0]["number"]:
                made[titles] = {"title": page["title"]}
            if later and later[0] == number + 1:
                old, new = (next(e for e in editions if e["number"] == n) for n in (number, number + 1))
                made[f"changed:1:{old['sha256']}:{new['sha256']}"] = changed(page, later[1])
            later = number, page
        cache.set_many(made, None)
        kept |= made
    return {new["number"]: kept[key] for key, (_, new) in pairs.items()}, kept[titles]


@require_safe
def edition_page(request, slug: str, number: int):
    """The page document of an edition, byte for byte as frozen."""
    from .public import _sent

    return _sent(request, slug, number, "page", "application/json")


@require_safe
def edition_table(request, slug: str, number: int, table: str):
    """One table of an edition's study, byte for byte as in the zip."""
    (edition,) = numbered(known(slug), number)
    if table not in SPEC:
        raise Http404("no such table")
    etag = f'"{edition["package_sha256"]}-{table}"'
    if (response := unchanged(request, etag)) is not None:
        return response
    zipped = zipfile.ZipFile(io.BytesIO(_part(slug, number, "package")))
    name = next((n for n in zipped.namelist() if n.rpartition("/")[2] == f"{table}.csv"), None)
    if name is None:
        raise Http404("this study has no such table")
    response = HttpResponse(zipped.read(name), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{slug}-edition-{number}-{table}.csv"'
    return lasting(response, etag)


def _part(slug: str, number: int, name: str) -> bytes:
    return bytes(Edition.objects.filter(comparison__slug=slug, number=number).values_list(name, flat=True).get())


@xframe_options_exempt
@require_safe
def embed(request, slug: str):
    """The newest ranking for a frame on the team's own site; which sites may hold it is a setting."""
    from csp.decorators import csp_replace
    from django.conf import settings

    @csp_replace({"frame-ancestors": ["'self'", *settings.EMBED_ORIGINS]})
    def answer(request):
        found = find(slug, None)
        asked = request.GET.get("weighting", "")[:100]

        def context():
            (page,) = found.load("page")
            rankings = page["rankings"]
            chosen = next((one for one in rankings if one["id"] == asked), rankings[0] if rankings else None)
            return {"page": page, "ranking": chosen, "canonical": address("comparison", slug)}

        # an unknown weighting shows the first, and is not kept apart
        known_ids = found.outline["weightings"]
        return _answer(request, found, (asked if asked in known_ids else "",), "public/embed.html", context)

    return answer(request)



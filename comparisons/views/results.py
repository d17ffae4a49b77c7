"""What was found: the draft's results whole, trial by trial, claims, changes; its files; and the bench as it stands."""

from __future__ import annotations

import mimetypes

from django.core.cache import cache
from django.http import FileResponse, Http404, HttpResponse, JsonResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_safe

from comparisons.pages import trial_sheet
from comparisons.pages.dots import ASIDE, COUNTED, DOUBT, NEW, draw_order
from comparisons.pages.promises import ORDER
from specimens.bench import progress
from specimens.models import Attachment, Programme

from . import sheets
from .desk import draft_page, members_only, place_of
from .listing import Choice, Column, Listing, options
from .stages import stages

KEPT_S = 24 * 3600
SHOWN_PICTURES = frozenset({"image/png", "image/jpeg", "image/webp", "image/gif"})
LONGEST_KEY = 240
MOST_KEPT = 20  # pages of one table
PART = "X-Part"  # a script asks for the part of the page that changed


@members_only
@require_safe
def results(request, slug: str):
    """The trials, and the results of the draft whole, as they would be published."""
    place = place_of(request.user, slug)
    told = stages(request.user, [place])[slug]
    whole, open_in, charts, counts = _whole(place)
    rows = [
        {"key": trial.key, "name": trial.name, "done": trial.done, "open": open_in.get(trial.key, ""),
         "planned": "" if trial.planned is None else trial.planned}
        for trial in told.trials
    ]  # fmt: skip
    return render(request, "desk/results.html", {
        "place": place, "trials": rows, "whole": mark_safe(whole), "charts": charts, "counts": counts,
    })  # fmt: skip


def _whole(place) -> tuple[str, dict[str, str], bool, str]:
    """The results as HTML, what is open in each trial, whether there are charts, how much was tested. Kept.

    Nothing in it depends on who looks.
    """
    key = f"whole:{place.slug}:{place.evaluation_id}:{place.event_id}"
    kept = cache.get(key)
    if kept is None:
        page = draft_page(place)
        html = render_to_string("desk/_whole.html", {
            "place": place, "page": page, "pictures": pictures(place), "charts_base": f"/desk/{place.slug}/charts/",
            "files_base": f"/desk/{place.slug}/", "drafting": True,
        })  # fmt: skip
        kept = html, _open_in(place, page), bool(page and page["charts"]), page["counts"] if page else ""
        cache.set(key, kept, KEPT_S)
    return kept


def _open_in(place, page) -> dict[str, str]:
    """In each trial, how many values are in doubt and how many readings are set aside."""
    from comparisons.pages.numbers import counted

    told = {}
    for table in (page or {}).get("trials", []):
        found = sheets.found_in(place, table["trial"])
        doubts = len({tuple(row["readings"]) for row in found.get("suspects") or []})
        aside = sum(1 for row in found.get("specimens") or [] if not row["counted"])
        parts = [counted(doubts, "value") + " in doubt"] if doubts else []
        parts += [counted(aside, "reading") + " set aside"] if aside else []
        told[table["trial"]] = ", ".join(parts)
    return told


def pictures(place) -> list[dict]:
    """The draft's files in order: pictures to be shown, and the rest to be saved."""
    parts = {programme: prefix for programme, _, prefix in sheets.parts_of(place)}
    rows = Attachment.objects.filter(programme__in=parts).order_by("programme", "path").values(
        "programme", "path", "caption", "alt", "about", "kind"
    )
    made = []
    for row in rows:
        path = _public_path(row["path"], parts[row["programme"]])
        made.append({
            "address": reverse("desk-file", args=[place.slug, path.removeprefix("files/")]),
            "name": path.removeprefix("files/"), "caption": row["caption"], "described": bool(row["alt"]),
            "alt": row["alt"] or row["caption"] or "", "shown": _kind(path) in SHOWN_PICTURES,
            "about": " of a ".join(part for part in (row["kind"], row["about"]) if part),
        })  # fmt: skip
    return made


def _public_path(path: str, prefix: str) -> str:
    """A file's path as the study folder has it: of several programmes, each has a folder of its own."""
    if prefix and path.startswith("files/"):
        return f"files/{prefix[:-1]}/{path.removeprefix('files/')}"
    return path


def _kind(path: str) -> str:
    return mimetypes.guess_type(path)[0] or ""


# The first bytes of the pictures that are shown: what a file is named says nothing of what it holds.
_SIGNATURES = (
    (b"\x89PNG\r\n\x1a\n", 0, "image/png"), (b"\xff\xd8\xff", 0, "image/jpeg"), (b"GIF8", 0, "image/gif"),
    (b"WEBP", 8, "image/webp"),
)  # fmt: skip


def _kind_of(content) -> str:
    head = content.read(16)
    content.seek(0)
    return next((kind for mark, at, kind in _SIGNATURES if head[at : at + len(mark)] == mark), "")


@members_only
@require_safe
def file(request, slug: str, path: str):
    """A file of the draft, for the team alone: pictures are shown, everything else is handed over for saving."""
    place = place_of(request.user, slug)
    found = None
    if "\x00" not in path:
        for programme, _, prefix in sheets.parts_of(place):
            own = path
            if prefix:
                if not path.startswith(f"{prefix[:-1]}/"):
                    continue
                own = path[len(prefix) :]
            found = found or Attachment.objects.filter(
                programme=programme, path__in=[f"files/{own}", own]
            ).first()
    if found is None:
        raise Http404("no such file")
    try:
        content = found.content.open("rb")
    except OSError as error:
        raise Http404("the file is not in the storage") from error
    kind = _kind_of(content)
    response = FileResponse(
        content, content_type=kind or "application/octet-stream", as_attachment=not kind,
        filename=path.rsplit("/", 1)[-1],
    )  # fmt: skip
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response


STATES = [(COUNTED, "counted"), (DOUBT, "counted, in doubt"), (ASIDE, "set aside"), (NEW, "not evaluated yet")]
_COLUMNS = (
    Column("product", "Product", lambda row: (row["product"], row["place"])),
    Column("unit", "Unit", lambda row: row["unit"]),
    Column("specimen", "Specimen", lambda row: row["specimen"]),
    Column("value", "Value", lambda row: row["value"], number=True), Column("typed", "As typed"),
    Column("who", "Who", lambda row: row["who"]), Column("at", "When", lambda row: row["at"]),
    Column("gauge", "Gauge", lambda row: row["gauge"]), Column("order", "Order", lambda row: row["order"], number=True),
    Column("run", "Run", lambda row: row["run"]), Column("state", "State", lambda row: row["state"]),
)  # fmt: skip


def _keeps_state(row: dict, value: str) -> bool:
    return row["state"] == value or (value == COUNTED and row["state"] == DOUBT)


@members_only
@require_safe
def trial(request, slug: str, trial: str):
    """Every specimen of one trial: dots by product, in order, in a table; what is in doubt; what is set aside."""
    place = place_of(request.user, slug)
    sheet = sheets.sheet(place, trial)
    rows = sheet["rows"]
    states = {row["state"] for row in rows}
    shown = [(value, words) for value, words in STATES if value in states or (value == COUNTED and DOUBT in states)]
    listing = Listing(request.GET, request.path, _COLUMNS, (
        Choice("product", "Product", list(sheet["about"].products.items()), lambda r, v: r["product_code"] == v),
        Choice("unit", "Unit", options(row["unit"] for row in rows), lambda r, v: r["unit"] == v),
        Choice("gauge", "Gauge", options(row["gauge"] for row in rows), lambda r, v: r["gauge"] == v),
        Choice("person", "Person", options(name for row in rows for name in row["who"].split(", ")),
               lambda r, v: v in r["who"].split(", ")),
        Choice("run", "Run", options(row["run"] for row in rows), lambda r, v: r["run"] == v),
        Choice("state", "Counted", shown, _keeps_state),
    ), sort="product", anchor="#specimens")  # fmt: skip

    def context() -> dict:
        kept = listing.filtered(rows)
        page = listing.page(listing.arranged(kept))
        return {
            "place": place, "sheet": sheet, "listing": listing, "page": page, "table": _drawn(sheet, kept, listing),
            "order": _in_order(sheet, kept), "rows": page["rows"], "n_all": len(rows), "at": request.path,
        }  # fmt: skip

    part = _part(place, listing, "desk/_trial_rows.html", context)
    if request.headers.get(PART):
        return HttpResponse(part)
    return render(request, "desk/trial.html", {
        "place": place, "sheet": sheet, "part": part, "chart": reverse("desk-trial-chart", args=[slug, trial]),
        "order": 'class="in-order"' in part,
    })  # fmt: skip


def _part(place, listing: Listing, template: str, context) -> str:
    """The part of a page that filters and sorting change. Nothing in it depends on who looks, so that it is kept
    for the draft's state; of filtered ones, which are many, none is."""
    key = f"part:{place.evaluation_id}:{place.event_id}:{listing.address(page=listing.number, sort=listing.sorting)}"
    keeps = not listing.chosen and listing.number <= MOST_KEPT and len(key) <= LONGEST_KEY
    part = cache.get(key) if keeps else None
    if part is None:
        part = render_to_string(template, context())
        if keeps:
            cache.set(key, part, KEPT_S)
    return mark_safe(part)


def _drawn(sheet: dict, kept: list[dict], listing: Listing) -> list[dict]:
    """The dot plot of what is kept; as it was kept where nothing was filtered."""
    if not listing.chosen:
        return sheet["table"]
    codes = {row["product_code"] for row in kept}
    table = [row for row in sheet["table"] if row["code"] in codes]
    if set(listing.chosen) == {"product"}:
        return table
    return trial_sheet.drawn_rows(sheet["about"], sheet["found"], kept, table, sheet["axis_at"], sheet["kinds"])


def _in_order(sheet: dict, kept: list[dict]) -> str:
    points = [
        (row["order"], trial_sheet.dot_of(row, sheet["about"])) for row in kept
        if row["order"] is not None and row["value"] is not None
    ]  # fmt: skip
    if sheet["about"].kind == "pass_fail":
        return ""
    runs = [(run["first"], run["code"]) for run in sheet["runs"] if run["first"] is not None]
    return draw_order(points, runs, sheet["unit"])


@members_only
@require_safe
def trial_chart(request, slug: str, trial: str):
    """The trial's dots for exploring."""
    return JsonResponse(trial_sheet.figure(sheets.sheet(place_of(request.user, slug), trial)))


_JUDGED = (
    Column("product", "Claim", lambda row: row["name"]), Column("property", "Property", lambda row: row["group"]),
    Column("measured", "Measured"), Column("line", "Range line"),
    Column("deviation", "Deviation", lambda row: row["deviation_pct"], number=True),
    Column("chance", "Meets it", lambda row: row["p"], number=True),
    Column("statement", "The claim", lambda row: ORDER.get(row["kind"], 5)),
)  # fmt: skip
_STATEMENTS = (
    ("fail", "misses"), ("conditional_fail", "misses, but too close to be sure"),
    ("conditional_pass", "holds, but too close to be sure"), ("pass", "holds"), ("none", "no statement"),
    ("certification", "certifications"),
)  # fmt: skip


@members_only
@require_safe
def judged(request, slug: str):
    """Every claim against its measurement, with its statement in words."""
    place = place_of(request.user, slug)
    rows = sheets.judged(place)
    kinds = {row["kind"] for row in rows}
    listing = Listing(request.GET, request.path, _JUDGED, (
        Choice("statement", "Statement", [one for one in _STATEMENTS if one[0] in kinds], lambda r, v: r["kind"] == v),
        Choice("product", "Product", options(row["name"] for row in rows), lambda r, v: r["name"] == v),
        Choice("property", "Property", options(row["group"] for row in rows), lambda r, v: r["group"] == v),
    ))  # fmt: skip
    return _grouped(request, place, listing, rows, "judged")


_CHANGES = (
    Column("product", "Product", lambda row: row["name"]), Column("property", "Trial", lambda row: row["group"]),
    Column("change", "Change", lambda row: row["pct"], number=True), Column("line", "Range line"),
    Column("tested", "Tested"), Column("told", "Remarks"),
)  # fmt: skip


@members_only
@require_safe
def changes(request, slug: str):
    """What each condition did to each product, in percent of its own baseline."""
    place = place_of(request.user, slug)
    rows = sheets.changes(place)
    listing = Listing(request.GET, request.path, _CHANGES, (
        Choice("product", "Product", options(row["name"] for row in rows), lambda r, v: r["name"] == v),
        Choice("trial", "Trial", options(row["group"] for row in rows), lambda r, v: r["group"] == v),
    ))  # fmt: skip
    return _grouped(request, place, listing, rows, "changes")


def _grouped(request, place, listing: Listing, rows: list[dict], name: str):
    """A table in the groups of the results page, or in one where it is sorted by a column."""

    def context() -> dict:
        page = listing.page(listing.arranged(listing.filtered(rows)))
        return {
            "place": place, "listing": listing, "page": page, "rows": page["rows"], "grouped": not listing.sort,
            "n_all": len(rows), "at": request.path,
        }  # fmt: skip

    part = _part(place, listing, f"desk/_{name}_rows.html", context)
    if request.headers.get(PART):
        return HttpResponse(part)
    return render(request, f"desk/{name}.html", {"place": place, "part": part})


@members_only
@require_safe
def bench(request, slug: str):
    """The bench as the desk sees it: progress that keeps itself up to date, and the ways to its pages."""
    place = place_of(request.user, slug)
    parts = sheets.parts_of(place)
    programmes = {one.slug: one for one in Programme.objects.filter(pk__in=[pk for pk, *_ in parts])}
    asked = request.GET.get("programme", "")
    chosen = programmes.get(asked) or next((programmes[slug] for _, slug, _ in parts), None)
    told = progress.of_programme(chosen) if chosen else {}
    all_trials = stages(request.user, [place])[place.slug].trials
    trials = [one for one in all_trials if chosen and one.programme == chosen.slug]
    return render(request, "desk/bench.html", {
        "place": place, "programme": chosen, "programmes": list(programmes.values()), **told, "trials": trials,
        "at_the_bench": any(one.ordered for one in trials) or not any(one.done for one in trials),
    })  # fmt: skip

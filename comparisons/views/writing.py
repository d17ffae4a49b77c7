"""The article on the desk: writing, picking values and ties, photos, and what it says against the results."""

from __future__ import annotations

import json

from django.contrib import messages
from django.core.cache import cache
from django.http import JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from comparisons.models import Comparison, Evaluation
from comparisons.pages import picking
from comparisons.pages.article import Article
from comparisons.pages.live import Live, light
from comparisons.pages.names import Names
from comparisons.pages.references import HOLDS, VALUE, Broken
from comparisons.services import writing
from comparisons.services.editing import Changed
from comparisons.services.errors import Refused
from comparisons.services.roles import can_prepare
from specimens.models import ProgrammeProduct, Trial

from .desk import KEPT_S, members_only, place_of
from .standings import Place

_SCHEMES = {"value": VALUE, "tie": HOLDS}


def live_of(place: Place) -> Live:
    """What references of the draft's article come to; kept for an evaluation and a state of the draft."""
    key = f"live:{place.slug}:{place.evaluation_id}:{place.event_id}"
    live = cache.get(key)
    if live is None:
        from comparisons.folder.exporter import tables_from_db

        document = {}
        if place.evaluation_id is not None:
            document = json.loads(Evaluation.objects.values_list("document", flat=True).get(pk=place.evaluation_id))
        tables = tables_from_db(Comparison.objects.get(pk=place.pk), public=True)
        live = Live(Names(light(tables)), document)
        cache.set(key, live, KEPT_S)
    return live


def _told(place: Place, live: Live, text: str) -> dict:
    """The preview of a text, and what is to look at in it."""
    article = Article(text[: writing.LONGEST], live)
    points, lines = article.points(), set()
    for point in points:  # another page may lead to a line
        point["anchor"] = "" if point["line"] in lines else f"line-{point['line']}"
        lines.add(point["line"])
    return {
        "place": place,
        "html": article.html(drafting=True, base=reverse("desk-results", args=[place.slug])),
        "article_title": article.title,
        "stops": [point for point in points if point["stops"]],
        "looks": [point for point in points if not point["stops"]],
        "counted": sum(1 for found in article.found if found.shown is not None and found.kind != "picture"),
        "files_base": f"/desk/{place.slug}/",
        "unevaluated": not live.evaluated,
    }


def _shown(request, place: Place, *, text: str, seen: str, status: int = 200, picked=None, clash=None, fault=""):
    live = live_of(place)
    typed = request.POST if request.method == "POST" else {}
    parts = Comparison.objects.get(pk=place.pk).parts.values("programme")
    writes, choices = can_prepare(request.user), picking.choices(live)
    return render(request, "desk/article.html", {
        **_told(place, live, text),
        "text": text, "seen": seen, "picked": picked, "clash": clash, "fault": fault, "writes": writes,
        "choices": choices, "picker": _filled(choices, typed, fault), "longest": writing.LONGEST,
        "pictures": [
            {"path": path, "name": path.removeprefix("files/"), "caption": row["caption"], "alt": row["alt"]}
            for path, row in sorted(live.pictures.items())
        ],
        "subjects": _subjects(parts) if writes else [],
        "unsaved": request.method == "POST",
        "kept_as": f"article {place.slug} {request.user.pk}",
    }, status=status)  # fmt: skip


def _filled(choices: dict, typed, fault: str) -> dict:
    """The picker as it was left: what was chosen in it, and a photo's words where it was not stored."""
    filled = {
        do: {
            "what": typed.get(f"{do}-what", ""),
            "slots": [slot | {"chosen": typed.get(f"{do}-{slot['slot']}", "")} for slot in choices["slots"]],
        }
        for do in _SCHEMES
    }
    do = typed.get("do", "")
    photo = {name: typed.get(f"photo-{name}", "") for name in ("about", "alt", "caption")}
    return filled | {
        "open": do, "words": typed.get("tie-words", "") if fault or do != "tie" else "",
        "photo": photo if fault or do != "upload" else {},
    }  # fmt: skip


def _subjects(parts) -> list[dict]:
    """What a new photo can be said to show."""
    products = ProgrammeProduct.objects.filter(programme__in=parts).select_related("product").order_by("product__maker")
    named = [{"value": f"product:{row.pk}", "name": str(row.product)} for row in products]
    trials = Trial.objects.filter(programme__in=parts).order_by("code").values_list("pk", "code")
    return [
        {"label": "Products", "options": named},
        {"label": "Trials", "options": [{"value": f"trial:{pk}", "name": code} for pk, code in trials]},
    ]


def _inserted(text: str, at: str, piece: str, *, apart: bool) -> str:
    """The text with a piece at a place (a count of UTF-16 units, as a browser has it; else at the end)."""
    if at.isdecimal() and len(at) < 10:
        raw = text.encode("utf-16-le", "surrogatepass")
        before, after = raw[: 2 * int(at)], raw[2 * int(at) :]
        before, after = (part.decode("utf-16-le", "replace") for part in (before, after))
    else:
        before, after = text.rstrip(), ""
    if apart:
        before = before.rstrip("\n") + "\n\n" if before.strip() else ""
        after = "\n\n" + after.lstrip("\n") if after.strip() else "\n"
    else:
        before += "" if not before or before[-1].isspace() or before[-1] in "([“" else " "
    return before + piece + after


@members_only
@require_http_methods(["GET", "HEAD", "POST"])
def article(request, slug: str):
    """The article of a draft: shown, previewed, added to, saved. What was typed always comes back."""
    place = place_of(request.user, slug)
    if request.method != "POST":
        row = Comparison.objects.only("article").get(pk=place.pk)
        return _shown(request, place, text=row.article, seen=writing.seen_of(row))
    text = request.POST.get("text", "").replace("\r\n", "\n").replace("\x00", "")
    seen, do = request.POST.get("seen", "")[:64], request.POST.get("do", "save")
    comparison = Comparison.objects.get(pk=place.pk)
    try:
        if do == "save":
            writing.save_article(comparison, actor=request.user, text=text, seen=seen)
            messages.success(request, "Saved.")
            return redirect("desk-article", slug=slug)
        if do in _SCHEMES:
            picked = _pick(request.POST, live_of(place), do)
            text = _inserted(text, request.POST.get("at", ""), picked.markdown, apart=False)
            return _shown(request, place, text=text, seen=seen, picked=picked)
        if do in ("picture", "upload"):
            path, alt, caption = _picture(request, place, comparison, do)
            piece = picking.picture(path, alt, caption)
            text = _inserted(text, request.POST.get("at", ""), piece, apart=True)
            picked = picking.Picked(piece, path, "")
            return _shown(request, place_of(request.user, slug), text=text, seen=seen, picked=picked)
        return _shown(request, place, text=text, seen=seen)
    except Changed as changed:
        clash = {
            "by": changed.by, "theirs": changed.row.article,
            "hunks": writing.text_differences(changed.row.article, writing.kept(text)),
        }  # fmt: skip
        seen = writing.seen_of(changed.row)
        return _shown(request, place_of(request.user, slug), text=text, seen=seen, clash=clash, status=409)
    except (Refused, Broken) as refusal:
        told = str(refusal)
        told = f"{told[:1].upper()}{told[1:]}{'' if told.endswith('.') else '.'}"
        return _shown(request, place, text=text, seen=seen, fault=told, status=422)


def _pick(typed, live: Live, do: str) -> picking.Picked:
    codes = {slot: typed.get(f"{do}-{slot}", "") for slot in picking.SLOTS}
    said = typed.get("tie-words", "")[:1000] if do == "tie" else ""
    return picking.pick(live, _SCHEMES[do], typed.get(f"{do}-what", ""), codes, said)


def _picture(request, place: Place, comparison: Comparison, do: str) -> tuple[str, str, str]:
    """The picture to insert: path, alternative text, caption."""
    typed = request.POST
    if do == "upload":
        path, made = writing.add_picture(
            comparison, actor=request.user, upload=request.FILES.get("photo"), about=typed.get("photo-about", ""),
            caption=typed.get("photo-caption", ""), alt=typed.get("photo-alt", ""),
        )  # fmt: skip
        return path, made.alt, made.caption
    row = live_of(place).pictures.get(typed.get("picture-path", ""))
    if row is None:
        raise Broken("choose one of the study’s pictures first")
    return row["file"], row["alt"], row["caption"]


@members_only
@require_POST
def preview(request, slug: str):
    """A text as it would be printed, with marks and what is to look at: the part of the page that a script renews."""
    place = place_of(request.user, slug)
    text = request.POST.get("text", "").replace("\r\n", "\n").replace("\x00", "")
    return render(request, "desk/_article_told.html", _told(place, live_of(place), text))


@members_only
@require_safe
def pick(request, slug: str):
    """One value, tie or picture as the text to insert, or why there is none (for the script of the picker)."""
    place, do = place_of(request.user, slug), request.GET.get("do", "")
    try:
        if do == "picture":
            row = live_of(place).pictures.get(request.GET.get("picture-path", ""))
            if row is None:
                raise Broken("choose one of the study’s pictures first")
            made = picking.picture(row["file"], row["alt"], row["caption"])
            return JsonResponse({"markdown": made, "text": row["caption"], "aside": "", "apart": True})
        if do not in _SCHEMES:
            raise Broken("choose first what to insert")
        picked = _pick(request.GET, live_of(place), do)
    except Broken as broken:
        return JsonResponse({"why": f"{str(broken)[:1].upper()}{str(broken)[1:]}."})
    return JsonResponse({"markdown": picked.markdown, "text": picked.text, "aside": picked.aside})

"""The bench as tablets know it: the list, a trial's page and pack, what is submitted, pictures, the web app."""

from __future__ import annotations

import hashlib
import json
from functools import cache, partial
from math import isfinite
from pathlib import Path

from django.conf import settings
from django.contrib import messages
from django.http import FileResponse, Http404, JsonResponse
from django.http.request import RawPostDataException, RequestDataTooBig, UnreadablePostError
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.csrf import ensure_csrf_cookie
from django.views.decorators.http import require_POST, require_safe

from specimens import roles
from specimens.bench import codes, entries, listing, pack, photos
from specimens.bench.errors import Refused
from specimens.models import Attachment, Specimen

from .access import api, members, private, refuse, trial_or_404


@members
@require_safe
def trials(request):
    """The trials that are under way, with what is done and what is due."""
    return render(request, "bench/list.html", {
        "programmes": listing.programmes(), "may_plan": roles.may_plan(request.user),
    })  # fmt: skip


@members
@ensure_csrf_cookie
@require_safe
def trial(request, programme: str, code: str):
    """The page on which readings are entered; it works on without network once it was opened."""
    bench = trial_or_404(programme, code)
    return render(request, "bench/entry.html", {
        "pack": pack.build(bench, request.user), "programme": bench.programme, "trial": bench.trial,
    })  # fmt: skip


@api(roles.may_look)
@private
@require_safe
def pack_json(request, programme: str, code: str):
    """The pack of a trial; unchanged packs answer 304."""
    bench = trial_or_404(programme, code)
    document = pack.build(bench, request.user)
    answer = JsonResponse(document)
    answer["ETag"] = f'"{document["etag"]}"'
    return answer


@members
@require_safe
def scanned(request, code: str):
    """Where the QR code on a label leads: the trial's page at that specimen."""
    code = code.replace("\0", "")
    tidy = codes.tidy(code)
    found = list(
        Specimen.objects.filter(blind_code__in={code, tidy}).exclude(blind_code="")
        .select_related("programme", "unit")[:20]
    )  # fmt: skip
    if not found:
        messages.error(request, codes.why_wrong(tidy))
        return redirect("bench")
    choices = listing.pages_of(found)
    if len(choices) == 1:
        return redirect(choices[0]["address"])
    if not choices:
        messages.error(request, f"The specimen {tidy} is planned in no trial yet.")
        return redirect("bench")
    return render(request, "bench/which.html", {"code": tidy, "choices": choices})


@api(lambda user: user.is_active)
@require_safe
def me(request):
    """Who is signed in, and a token for posting: a tablet asks after it was signed out."""
    return JsonResponse({
        "username": request.user.get_username(), "may_enter": roles.may_enter(request.user),
        "csrf": get_token(request), "server_time": timezone.now().isoformat(),
    })  # fmt: skip


def _no_constant(name: str):
    raise ValueError(f"found {name}, which is no JSON number")


def _number(text: str, kind: type) -> float | int | str:
    """A JSON number; one beyond all proportion stays text, which its own entry is refused for and no other."""
    if len(text) > 30:
        return text
    number = kind(text)
    return number if isfinite(number) else text


_parse = partial(
    json.loads, parse_constant=_no_constant, parse_int=partial(_number, kind=int),
    parse_float=partial(_number, kind=float),
)  # fmt: skip


@api(roles.may_enter)
@require_POST
def submit(request):
    """Entries from a tablet: each taken once and answered."""
    try:
        document = _parse(request.body)
        if not isinstance(document, dict):
            raise ValueError("found no object")
    except RequestDataTooBig:
        return refuse("More than 10 MB in one message: send fewer entries, one photo at a time.", 413)
    except (UnreadablePostError, RawPostDataException):
        return refuse("The message broke off: send it again.", 503)
    except (ValueError, RecursionError):
        return refuse('Found no JSON such as {"tablet": ..., "entries": [...]}.', 400)
    try:
        answer = entries.submit(
            request.user, document.get("tablet"), document.get("entries"), sent_at=document.get("sent_at")
        )
    except Refused as refusal:
        return refuse(str(refusal), 400)
    return JsonResponse(answer)


@members
@require_safe
def picture(request, key: int):
    """A photo of the bench, for members, inert: its type is that of its content as it was looked into."""
    attachment = get_object_or_404(Attachment, pk=key)
    content_type = photos.content_type(attachment)
    if content_type is None:
        raise Http404("no picture")
    answer = FileResponse(attachment.content.open("rb"), content_type=content_type)
    answer["Content-Disposition"] = "inline"
    answer["Content-Security-Policy"] = "default-src 'none'; sandbox"
    answer["X-Content-Type-Options"] = "nosniff"
    answer["Cache-Control"] = "private, max-age=86400"
    return answer


# --- the web app


def _digest() -> str:
    """Changes when anything that the bench's pages are made of changes."""
    root = Path(settings.BASE_DIR) / "templates"
    found = [root / "base.html"]
    for pattern in ("assets/js/bench/*", "assets/css/*.css", "assets/vendor/idb*", "bench/*.html", "bench/*.js"):
        found += sorted(root.glob(pattern))
    total = hashlib.sha256()
    for path in found:
        if path.is_file():
            total.update(path.name.encode() + b"\0" + path.read_bytes())
    return total.hexdigest()[:16]


_kept_digest = cache(_digest)


def version() -> str:
    return _digest() if settings.DEBUG else _kept_digest()


@require_safe
def worker(request):
    """The service worker. It is asked for without a session, too, and must never be kept."""
    answer = render(request, "bench/sw.js", {"version": version()}, content_type="text/javascript; charset=utf-8")
    answer["Cache-Control"] = "no-cache"
    answer["Service-Worker-Allowed"] = reverse("bench")
    return answer


@require_safe
def manifest(request):
    answer = render(request, "bench/manifest.webmanifest", content_type="application/manifest+json")
    answer["Cache-Control"] = "no-cache"
    return answer

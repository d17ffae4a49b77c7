"""Who comes in at the bench: pages for members, JSON that says 401 instead of leading away."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import cache_control, never_cache
from django.views.decorators.csrf import csrf_exempt, csrf_protect

from specimens import roles
from specimens.bench import context
from specimens.bench.errors import Refused

private = cache_control(private=True, no_cache=True)


def members(view):
    """A page for signed-in members of the team; everybody else finds nothing here, or the way to sign in."""

    @login_required
    @never_cache
    @wraps(view)
    def guarded(request, *args, **kwargs):
        if not roles.may_look(request.user):
            raise Http404("not for this account")
        return view(request, *args, **kwargs)

    return guarded


def planners(view):
    """A page on which only planners and editors change things; others may look."""

    @members
    @wraps(view)
    def guarded(request, *args, **kwargs):
        if request.method == "POST" and not roles.may_plan(request.user):
            raise Http404("not for this account")
        return view(request, *args, **kwargs)

    return guarded


def enterers(view):
    """A page on which bench members change things; an operator without a role may look."""

    @members
    @wraps(view)
    def guarded(request, *args, **kwargs):
        if request.method == "POST" and not roles.may_enter(request.user):
            raise Http404("not for this account")
        return view(request, *args, **kwargs)

    return guarded


def api(may):
    """JSON for tablets: 401 for one who is signed out, so that nothing that waits is lost; 403 without the role."""

    def decorate(view):
        @never_cache
        @wraps(view)
        def guarded(request, *args, **kwargs):
            if not request.user.is_authenticated:
                return refuse("Signed out: sign in again. What waits on this tablet is kept.", 401)
            if not may(request.user):
                return refuse("This account has no role at the bench: ask your operator.", 403)
            return view(request, *args, **kwargs)

        return guarded

    return decorate


def refuse(text: str, status: int) -> JsonResponse:
    return JsonResponse({"error": text, "sign_in": reverse("sign-in")}, status=status)


def trial_or_404(programme: str, code: str) -> context.Bench:
    found = context.load(programme, code) if "\x00" not in code else None
    if found is None:
        raise Http404("no such trial")
    return found


def attempt(request, do, to: str, **where):
    """Call a service and go to a page, with what was done or why not in one line.

    `do` returns the line, or (line, page to go to instead).
    """
    try:
        done = do()
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        if done:
            messages.success(request, done)
    return redirect(to, **where)


FORM_BYTES = 200_000  # what a form takes beside its file


def at_most(most: int, too_large: Callable[[int], str]):
    """Refuse a body by its announced size before any of it is read; `too_large` makes the one line.

    The check for forged forms reads the body, so it comes after this one.
    """

    def decorate(view):
        inner = csrf_protect(view)

        @csrf_exempt
        @wraps(view)
        def guarded(request, *args, **kwargs):
            try:
                size = int(request.META.get("CONTENT_LENGTH") or 0)
            except ValueError:
                size = most + FORM_BYTES + 1
            if request.method == "POST" and size > most + FORM_BYTES:
                return render(request, "bench/refused.html", {"text": too_large(size)}, status=413)
            return inner(request, *args, **kwargs)

        return guarded

    return decorate


def reads_comma(request) -> bool:
    """Whether the person's language writes decimals with a comma."""
    from specimens.bench.typed import reads_comma as by_language

    return by_language(request.META.get("HTTP_ACCEPT_LANGUAGE", ""))


def posted_file(request, name: str = "file"):
    """The uploaded file's name and bytes. Raises Refused where none came."""
    found = request.FILES.get(name)
    if found is None:
        raise Refused("Choose a file.")
    return found.name, found.read()

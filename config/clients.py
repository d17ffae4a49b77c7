"""Whom a request comes from."""

from __future__ import annotations

from ipaddress import ip_address

from django.conf import settings


def address_of(request) -> str:
    """The address of the client, for counting wrong passwords.

    Behind a proxy the connection is always the proxy's, so that one stranger would lock a name for
    everybody: there it is the last entry of X-Forwarded-For, the one that the proxy itself appended.
    What stands before that is the client's own claim. Without a word of that kind: the connection's.
    """
    peer = request.META.get("REMOTE_ADDR", "")
    if not settings.BEHIND_PROXY:
        return peer
    word = request.META.get("HTTP_X_FORWARDED_FOR", "").rsplit(",", 1)[-1].strip()
    if word.startswith("["):
        word = word[1:].split("]", 1)[0]
    elif word.count(":") == 1:
        word = word.split(":", 1)[0]
    try:
        return str(ip_address(word))
    except ValueError:
        return peer

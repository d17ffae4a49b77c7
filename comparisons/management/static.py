"""Collecting static files when they have changed, and only then: compressing them takes seconds."""

from __future__ import annotations

import hashlib
import os

import django
from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.core.management import call_command


def collect_if_needed() -> bool:
    """Collect the static files into STATIC_ROOT unless it holds them already; whether it was done.

    While developing (DEBUG) they are served from where they lie.
    """
    if settings.DEBUG:
        return False
    mark = settings.DATA_DIR / "static-collected"
    now = _fingerprint()
    if mark.exists() and mark.read_text() == now and settings.STATIC_ROOT.is_dir():
        return False
    call_command("collectstatic", interactive=False, verbosity=0)
    mark.write_text(now)
    return True


def _fingerprint() -> str:
    digest = hashlib.sha256(django.__version__.encode())
    for finder in get_finders():
        for path, storage in sorted(finder.list([]), key=lambda found: found[0]):
            stat = os.stat(storage.path(path))
            digest.update(f"{path} {stat.st_size} {stat.st_mtime_ns}\n".encode())
    return digest.hexdigest()

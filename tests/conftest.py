"""What every test may use."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Playwright's synchronous interface runs an event loop in the test's own thread.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")

import pytest

ROLES = ("bench", "planner", "editor")


@pytest.fixture(autouse=True)
def _data_folder(settings, tmp_path):
    """Files that a test stores go to a folder of its own."""
    settings.MEDIA_ROOT = tmp_path / "files"
    settings.STORAGES = {
        "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    }


@pytest.fixture(autouse=True)
def _no_report(request, monkeypatch):
    """Setting a PDF takes a second or more: only tests that are marked `report` have it made."""
    if not request.node.get_closest_marker("report"):
        monkeypatch.setattr("comparisons.services.publishing.ask_for_report", lambda *_args, **_named: None)


@pytest.fixture(autouse=True, scope="session")
def _flush_without_guards():
    """The flush between transactional tests empties append-only tables, so it lifts their guards."""
    from django.contrib.auth.models import Group
    from django.core.management.commands import flush

    from specimens import guards

    handle = flush.Command.handle

    def flush_unguarded(self, **options):
        with guards.lifted(options["database"]):
            done = handle(self, **options)
        # The roles are rows that a migration made; the flush took them along.
        for name in ROLES:
            Group.objects.using(options["database"]).get_or_create(name=name)
        return done

    patch = pytest.MonkeyPatch()
    patch.setattr(flush.Command, "handle", flush_unguarded)
    yield
    patch.undo()

"""System checks that tell the operator what is wrong and what to type."""

from __future__ import annotations

from django.conf import settings
from django.core.checks import Error, Tags, Warning, register
from django.db import DatabaseError, connections


@register(Tags.database)
def guards_are_in_place(app_configs, databases, **kwargs):
    """A database without its triggers would let readings and editions be changed."""
    from . import guards

    problems = []
    for using in databases or []:
        try:
            if "specimens_reading" not in connections[using].introspection.table_names():
                continue  # not migrated yet
            lacking = guards.missing(using)
        except DatabaseError:
            continue
        if lacking:
            problems.append(
                Error(
                    f"The database lacks {len(lacking)} of the guards that keep readings and editions "
                    f"unchanged, {lacking[0]} first.",
                    hint="Run: python manage.py migrate",
                    id="specimens.E001",
                )
            )
    return problems


@register()
def clock_is_utc(app_configs, **kwargs):
    if settings.TIME_ZONE != "UTC" or not settings.USE_TZ:
        return [Error("The clock zone must be UTC.", hint="Set TIME_ZONE to UTC.", id="specimens.E002")]
    return []


@register(deploy=True)
def data_folder_is_ours(app_configs, **kwargs):
    """The secret key lies in the data folder: no other account may read it."""
    path = settings.DATA_DIR / "secret-key"
    if path.exists() and path.stat().st_mode & 0o077:
        return [Warning(f"{path} can be read by others.", hint=f"Run: chmod 600 {path}", id="specimens.W001")]
    return []

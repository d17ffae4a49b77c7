"""What the database itself refuses, beyond what constraints can say: triggers.

Models declare what they need, and this module alone writes the SQL:

- `append_only = True`: no UPDATE, no DELETE, no TRUNCATE, and no INSERT over an existing key (SQLite's
  INSERT OR REPLACE gets past a delete trigger).
- `must_match = [("trial__programme", "programme"), ...]`: what a foreign key points to agrees with the
  row's own column. A row that is not there yet matches nothing, so a chain cannot close on itself.
- `fixed = [fields]`: these columns keep their first value. `kept = True`: no DELETE.
- `locked_by_readings = [fields]`: these columns keep their value once a reading rests on the row.

Triggers are installed after every migrate, since a migration on SQLite that remakes a table drops
them silently; a system check and `check_health` say when one is missing.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from django.apps import apps
from django.db import connections, models, transaction

PREFIX = "guard_"
LONGEST_NAME = 63  # bytes; PostgreSQL cuts longer identifiers


def guarded_models() -> list[type[models.Model]]:
    """The models that declare a guard, whichever app they belong to."""
    return [
        model
        for model in apps.get_models()
        if getattr(model, "append_only", False) or getattr(model, "must_match", None)
        or getattr(model, "locked_by_readings", None) or getattr(model, "fixed", None) or getattr(model, "kept", False)
    ]


def _column(model, field: str) -> str:
    return model._meta.get_field(field).column


def _words(model) -> str:
    return str(model._meta.verbose_name_plural)


def _rests_on(model, row: str) -> str:
    """SQL: does a reading rest on this row (`row` is OLD or NEW)?"""
    readings, trials = "specimens_reading", "specimens_trial"
    name = model._meta.model_name
    if name == "property":
        return (f"EXISTS (SELECT 1 FROM {readings} r JOIN {trials} t ON r.trial_id = t.id "
                f"WHERE t.property_id = {row}.id)")
    if name == "trialdimension":
        return f"EXISTS (SELECT 1 FROM {readings} r WHERE r.trial_id = {row}.trial_id)"
    if name == "unit":
        return (f"(EXISTS (SELECT 1 FROM {readings} r WHERE r.unit_id = {row}.id) OR EXISTS (SELECT 1 FROM "
                f"{readings} r JOIN specimens_specimen s ON r.specimen_id = s.id WHERE s.unit_id = {row}.id))")
    if name == "methodrevision":
        return (f"(EXISTS (SELECT 1 FROM {readings} r JOIN {trials} t ON r.trial_id = t.id WHERE t.revision_id = "
                f"{row}.id) OR EXISTS (SELECT 1 FROM {readings} r JOIN specimens_run n ON r.run_id = n.id "
                f"WHERE n.revision_id = {row}.id))")
    column = {
        "trial": "trial_id", "specimen": "specimen_id", "programmeproduct": "product_id", "run": "run_id",
    }[name]
    return f"EXISTS (SELECT 1 FROM {readings} r WHERE r.{column} = {row}.id)"


def _rules(model, differs: str) -> Iterator[tuple[str, str, str, str]]:
    """(name, event, condition or "", message) of each row-level guard of a model."""
    table = model._meta.db_table
    words = _words(model)
    if getattr(model, "append_only", False):
        yield "no_update", "UPDATE", "", f"{words} are never changed"
        yield "no_delete", "DELETE", "", f"{words} are never deleted"
        unique = [
            [_column(model, f) for f in rule.fields]
            for rule in model._meta.constraints
            if isinstance(rule, models.UniqueConstraint) and not rule.condition
        ]
        unique += [[f.column] for f in model._meta.fields if f.unique]
        clash = " OR ".join(
            f"EXISTS (SELECT 1 FROM {table} o WHERE "
            + " AND ".join(f'o."{column}" = NEW."{column}"' for column in columns) + ")"
            for columns in unique
        )
        yield "no_replace", "INSERT", clash, f"{words} are never replaced: this key is already there"
    if fields := getattr(model, "fixed", None):
        changed = " OR ".join(
            f'NEW."{_column(model, f)}" {differs} OLD."{_column(model, f)}"' for f in fields
        )
        yield "fixed", "UPDATE", changed, f"{words}: {', '.join(fields)} never change"
    if getattr(model, "kept", False):
        yield "kept", "DELETE", "", f"{words} are never deleted"
    for path, own in getattr(model, "must_match", []):
        foreign, target = path.split("__")
        key = model._meta.get_field(foreign)
        remote = key.remote_field.model
        condition = (
            f'NEW."{key.column}" IS NOT NULL AND (SELECT o."{_column(remote, target)}" FROM '
            f'{remote._meta.db_table} o WHERE o.id = NEW."{key.column}") {differs} NEW."{_column(model, own)}"'
        )
        message = f"{words}: the {foreign} belongs to another {target}"
        for event in ("INSERT", "UPDATE"):
            yield f"{event.lower()[:3]}_{foreign}_{target}", event, condition, message
    if fields := getattr(model, "locked_by_readings", None):
        changed = " OR ".join(
            f'NEW."{_column(model, f)}" {differs} OLD."{_column(model, f)}"' for f in fields
        )
        message = f"{words}: {', '.join(fields)} keep their value, since readings rest on them"
        yield "locked_update", "UPDATE", f"({changed}) AND {_rests_on(model, 'OLD')}", message
        if model._meta.model_name == "trialdimension":
            yield "locked_insert", "INSERT", _rests_on(model, "NEW"), message
            yield "locked_delete", "DELETE", _rests_on(model, "OLD"), message


def _statements(connection) -> dict[str, tuple[str, list[str]]]:
    """Trigger name -> (its table, the SQL that makes it)."""
    sqlite = connection.vendor == "sqlite"
    differs = "IS NOT" if sqlite else "IS DISTINCT FROM"
    made: dict[str, tuple[str, list[str]]] = {}
    for model in guarded_models():
        table = model._meta.db_table
        for name, event, condition, message in _rules(model, differs):
            trigger = f"{PREFIX}{table}_{name}"
            if sqlite:
                when = f"WHEN {condition} " if condition else ""
                parts = [
                    f'CREATE TRIGGER "{trigger}" BEFORE {event} ON "{table}" FOR EACH ROW {when}'
                    f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
                ]
            else:
                parts = _postgresql(trigger, table, event, condition, message)
            made[trigger] = (table, parts)
        if not sqlite and getattr(model, "append_only", False):
            trigger, message = f"{PREFIX}{table}_no_truncate", f"{_words(model)} are never deleted"
            made[trigger] = (table, _postgresql(trigger, table, "TRUNCATE", "", message, level="STATEMENT"))
    if too_long := [name for name in made if len(name) > LONGEST_NAME]:
        raise ValueError(f"trigger names longer than PostgreSQL keeps: {too_long}")
    return made


def _postgresql(trigger, table, event, condition, message, level="ROW") -> list[str]:
    body = f"RAISE EXCEPTION '{message}' USING ERRCODE = 'integrity_constraint_violation';"
    if condition:
        body = f"IF {condition} THEN {body} END IF;"
    result = "OLD" if event == "DELETE" else "NEW"
    return [
        f'CREATE OR REPLACE FUNCTION "{trigger}"() RETURNS trigger LANGUAGE plpgsql AS '
        f"$guard$ BEGIN {body} RETURN {result if level == 'ROW' else 'NULL'}; END $guard$",
        f'CREATE TRIGGER "{trigger}" BEFORE {event} ON "{table}" FOR EACH {level} EXECUTE FUNCTION "{trigger}"()',
    ]


def _present(connection) -> dict[str, str]:
    """Trigger name -> table, of the guards that the database holds now."""
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT name, tbl_name FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'guard_%'")
        else:
            cursor.execute(
                "SELECT t.tgname, c.relname FROM pg_trigger t JOIN pg_class c ON t.tgrelid = c.oid "
                "WHERE NOT t.tgisinternal AND t.tgname LIKE 'guard_%'"
            )
        return {name: table for name, table in cursor.fetchall()}


def missing(using: str = "default") -> list[str]:
    """Names of guards that the database lacks."""
    connection = connections[using]
    return sorted(_statements(connection).keys() - _present(connection).keys())


def drop(using: str = "default") -> None:
    connection = connections[using]
    with connection.cursor() as cursor:
        for name, table in _present(connection).items():
            on = f' ON "{table}"' if connection.vendor == "postgresql" else ""
            cursor.execute(f'DROP TRIGGER IF EXISTS "{name}"{on}')


def install(using: str = "default") -> None:
    """Drop and make every guard."""
    connection = connections[using]
    with transaction.atomic(using=using), connection.cursor() as cursor:
        drop(using)
        for _table, parts in _statements(connection).values():
            for statement in parts:
                cursor.execute(statement)


def reinstall(using: str = "default", **_signal) -> None:
    """After migrate: the guards, made anew once the tables that they speak of are there."""
    tables = set(connections[using].introspection.table_names())
    if all(model._meta.db_table in tables for model in guarded_models()):
        install(using)


@contextmanager
def lifted(using: str = "default"):
    """Without guards, for the flush between tests and for nothing else."""
    drop(using)
    try:
        yield
    finally:
        install(using)

"""Queries that every reading asks, put into SQL once.

Building the SQL of a query costs the ORM several times what the database takes to answer it, and a tablet
waits for its answer (measured by tests/benchmarks/bench_submit.py: by the ORM alone a reading took three
times as long). A `Statement` is written as a queryset like any other; its SQL is made at the first use
for each kind of database, and asked again with other values. Rows come as the database gives them: ask
for numbers and texts, or pass a moment through `moment`.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from uuid import UUID

from django.db import connection
from django.db.models import AutoField, Model, QuerySet
from django.db.models.sql import InsertQuery
from django.utils.dateparse import parse_datetime


class Statement:
    """One query with named values: `Statement(lambda trial: Run.objects.filter(trial_id=trial)..., trial=int)`.

    `make` gets a stand-in for each value and returns a queryset of `values_list`; each value must reach the
    SQL unchanged, as whole numbers, texts and UUIDs do.
    """

    def __init__(self, make: Callable[..., QuerySet], **kinds: type):
        self.make, self.kinds = make, kinds
        self.compiled: dict[str, tuple[str, list]] = {}

    def _compile(self) -> tuple[str, list]:
        """The SQL, and its parameters with names in the place of stand-ins."""
        stand_in = {name: _stand_in(kind, i) for i, (name, kind) in enumerate(self.kinds.items())}
        sql, parameters = self.make(**stand_in).query.get_compiler(connection=connection).as_sql()
        names = {_adapted(value): name for name, value in stand_in.items()}
        known = (int, str, UUID)
        slots = [(names[p], None) if isinstance(p, known) and p in names else (None, p) for p in parameters]
        if lacking := set(stand_in) - {name for name, _ in slots}:
            raise ValueError(f"these values do not reach the SQL unchanged: {sorted(lacking)}")
        return sql, slots

    def rows(self, **values) -> list[tuple]:
        """All rows, with these values. One query."""
        known = self.compiled.get(connection.vendor)
        if known is None:
            known = self.compiled[connection.vendor] = self._compile()
        sql, slots = known
        with connection.cursor() as cursor:
            cursor.execute(sql, [fixed if name is None else _adapted(values[name]) for name, fixed in slots])
            return cursor.fetchall()


def _stand_in(kind: type, i: int):
    """A value that stands in no query of ours by chance."""
    if kind is UUID:
        return UUID(int=(0x9E3779B97F4A7C15 << 64) + i)
    return -(9_100_000 + i) if kind is int else f"\ue000stand-in {i}"


def _adapted(value):
    """A value as the database's driver takes it."""
    if isinstance(value, UUID) and not connection.features.has_native_uuid_field:
        return value.hex
    return value


def moment(value) -> datetime:
    """A moment as a row has it: text on SQLite, which is in UTC."""
    found = parse_datetime(value) if isinstance(value, str) else value
    return found if found.tzinfo else found.replace(tzinfo=UTC)


class Insert:
    """One row into a model's table, its SQL made once; what `Model.save` of a new row comes to, without signals.

    `row` gives the instance its key and returns it.
    """

    def __init__(self, model: type[Model]):
        self.model = model
        self.compiled: dict[str, tuple[str, bool]] = {}

    def _fields(self) -> list:
        return [field for field in self.model._meta.local_concrete_fields if not isinstance(field, AutoField)]

    def _compile(self, instance: Model) -> tuple[str, bool]:
        """The SQL, and whether the database says the key of the new row."""
        query = InsertQuery(self.model)
        query.insert_values(self._fields(), [instance])
        compiler = query.get_compiler(connection=connection)
        own_key = isinstance(self.model._meta.pk, AutoField)
        compiler.returning_fields = [self.model._meta.pk] if own_key else None
        ((sql, _),) = compiler.as_sql()
        return sql, own_key

    def row(self, **values) -> Model:
        """Store a new row with these values. One query. IntegrityError where the database refuses it."""
        instance = self.model(**values)
        known = self.compiled.get(connection.vendor)
        if known is None:
            known = self.compiled[connection.vendor] = self._compile(instance)
        sql, own_key = known
        values = [field.get_db_prep_save(field.pre_save(instance, True), connection) for field in self._fields()]
        with connection.cursor() as cursor:
            cursor.execute(sql, values)
            if own_key:
                instance.pk = cursor.fetchone()[0]
        instance._state.adding, instance._state.db = False, connection.alias
        return instance

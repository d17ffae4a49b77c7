"""Every field of every model is in the full export, or is listed here as private with a reason.

Each field is changed in the database, one at a time, and the export has to change with it.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from django.apps import apps
from django.db import DatabaseError, models, transaction

from comparisons.folder import toml
from comparisons.folder.digest import content_digest
from comparisons.folder.exporter import tables_from_db
from comparisons.folder.importer import import_study
from comparisons.models import Comparison
from specimens import guards
from specimens.fields import NumberField
from specimens.models import Instrument, Method, MethodInProgramme, Product, Programme

from . import rich

RECORD = "a record of what was done here, not a part of the study"
PRIVATE = {
    "specimens.Programme": {"slug": "the comparison's", "name": "its title", "created_at": "ours"},
    "specimens.ConvertedValue": {"*": "rebuilt from the reading"},
    "specimens.Attachment": {
        "content": "a name of ours in the storage; the bytes are exported",
        "about": "says which of the keys is set, and that one is exported",
    },
    "specimens.BenchPlace": {"*": "the bench's plan; the order is exported with specimens and readings"},
    "specimens.BenchPlan": {"*": "the bench's plan; seed and numbers are exported with the trial"},
    "specimens.Submission": {"*": RECORD},
    "specimens.Conflict": {"*": RECORD},
    "specimens.ChamberLog": {"*": "the range that it tells is exported with each exposure"},
    "specimens.Stay": {"*": "the bench's own of an exposure; a departure is exported as a deviation"},
    "specimens.TraceReduction": {"*": "told in words in the reading's decision; the trace is exported"},
    "specimens.InstrumentFault": {"*": RECORD},
    "specimens.ReadingCorrection": {"fault": RECORD, "made_at": RECORD, "made_by": RECORD, "undone_by": RECORD},
    "comparisons.TrialPlan": {"*": "what the planner reckoned with; no result rests on it"},
    "comparisons.ProductPlan": {"*": "what the planner reckoned with; no result rests on it"},
    "comparisons.MakerLink": {"*": "a private link"},
    "comparisons.Withdrawal": {"*": RECORD},
    "comparisons.EditionNotice": {"*": RECORD},
    "comparisons.EditionReport": {"*": "the edition's page as a PDF"},
    "comparisons.PublishedText": {"*": "made again from the edition's page"},
    "comparisons.Criterion": {"kind": "says which of trial, cost and certification is set"},
    "comparisons.Comparison": {
        "created_at": "ours", "budget": "the team's own", "starts_on": "the team's own", "based_on": RECORD,
    },
    "comparisons.ComparisonProgramme": {"prefix": "shows only where there are several programmes"},
    "comparisons.Evaluation": {"*": RECORD},
    "comparisons.ApprovalRequest": {"*": RECORD},
    "comparisons.Approval": {"*": RECORD},
    "comparisons.Edition": {"*": RECORD},
    "comparisons.Job": {"*": RECORD},
    "comparisons.Standing": {"*": RECORD},
    "comparisons.Event": {"*": RECORD},
}


def fields() -> list[tuple[type[models.Model], models.Field]]:
    found = []
    for app in ("specimens", "comparisons"):
        for model in apps.get_app_config(app).get_models():
            private = PRIVATE.get(model._meta.label, {})
            found += [
                (model, field)
                for field in model._meta.concrete_fields
                if "*" not in private and field.name not in private and not field.primary_key
            ]
    return found


def others(field: models.Field, value) -> list:
    """Other values that the field may take, the likeliest to be allowed first."""
    if isinstance(field, models.ForeignKey):
        keys = field.remote_field.model.objects.exclude(pk=value).values_list("pk", flat=True)
        return [*keys, *([None] if field.null else [])]
    if isinstance(field, models.BooleanField):
        return [not value]
    if isinstance(field, NumberField):
        return ["7.25", "3", "0.5", "20.5"]
    if isinstance(field, models.DateTimeField):
        return [(value or datetime(2026, 1, 1, tzinfo=UTC)) + timedelta(days=d) for d in (1, 400)]
    if isinstance(field, models.DateField):
        return [(value or date(2026, 1, 1)) + timedelta(days=d) for d in (1, 400, -400)]
    if isinstance(field, models.IntegerField):
        return [(value or 0) + 17]
    if isinstance(field, models.JSONField):
        return [{"description": "other"}]
    if field.choices:
        return [choice for choice, _ in field.choices if choice != value]
    return [f"{value}x", f"x{value}"[: field.max_length], "USD", "less", "max", "lowest", "linear"]


@pytest.fixture
def study(db):
    comparison = import_study(rich.zipped())
    Programme.objects.create(slug="other", name="Other")
    Product.objects.create(maker="Other", model="Other")
    Method.objects.create(title="Other")
    Instrument.objects.create(name="Other")
    Comparison.objects.create(slug="other", title="Other", question="Why?", currency="EUR")
    with guards.lifted():
        yield comparison


def state(comparison) -> tuple[str, str]:
    """The export's content; comparison.toml also as text, where the order of weights shows."""
    tables = tables_from_db(Comparison.objects.get(pk=comparison.pk))
    return content_digest(tables), toml.write(tables.comparison)


def shows(comparison, before: tuple, model, row, field) -> bool:
    """Whether some change of this field of this row shows in the export."""
    changes = [{field.attname: value} for value in others(field, getattr(row, field.attname))]
    if any(f.name == f"{field.name}_text" for f in model._meta.fields):
        # A time shows by its text; the moment itself where none was typed.
        changes = [{**change, f"{field.name}_text": ""} for change in changes]
    for change in changes:
        try:
            with transaction.atomic():
                model.objects.filter(pk=row.pk).update(**change)
                after = state(comparison)
                transaction.set_rollback(True)
        except DatabaseError:
            continue  # a constraint forbids this value: try another
        except KeyError:
            return True  # what the row belonged to misses it: the export did read the field
        if after != before:
            return True
    return False


def test_every_field_is_exported_or_listed_as_private(study):
    before = state(study)
    silent = []
    for model, field in fields():
        rows = model.objects.all()[:12]
        assert rows, f"the rich study has no {model._meta.label}"
        if not any(shows(study, before, model, row, field) for row in rows):
            silent.append(f"{model._meta.label}.{field.name}")
    assert silent == []
    assert state(study) == before


def test_relations_of_many_to_many_are_exported(study):
    """Those with a model of their own are among the fields above."""
    own = [
        field
        for model in apps.get_app_config("specimens").get_models()
        for field in model._meta.many_to_many
        if field.remote_field.through._meta.auto_created
    ]
    assert [str(field) for field in own] == ["specimens.MethodInProgramme.revisions"]
    before = state(study)
    pull = MethodInProgramme.objects.get(code="pull")
    pull.revisions.remove(pull.revisions.get(revision="3"))
    assert state(study) != before


def test_what_is_listed_as_private_exists():
    for label, private in PRIVATE.items():
        names = {field.name for field in apps.get_model(label)._meta.get_fields()}
        assert set(private) - {"*"} <= names

"""The team's methods: their wordings, and the programmes that list them.

A wording on which readings rest stays; what changes is written as a new revision, and trials go over to it one by
one (`planning.use_revision`). Whatever programme lists a wording is told on its record.
"""

from __future__ import annotations

from django.db import transaction

from specimens.models import Method, MethodRevision, Programme, Reading

from . import editing
from .plan_checks import in_words
from .record import lock_programme, record
from .roles import require_preparer
from .starting import list_method


def rests_on(revision: MethodRevision) -> bool:
    """Whether readings rest on a wording: in a trial that names it, or in a run under it. Two queries at most."""
    return (
        Reading.objects.filter(trial__revision=revision).exists()
        or Reading.objects.filter(run__revision=revision).exists()
    )


def new_method(actor, row: MethodRevision, *, programme: Programme | None = None) -> MethodRevision:
    """A new method with its first wording (`row._title` is the method's title), in a programme where one is given."""
    require_preparer(actor, "write a method")
    with transaction.atomic():
        method = Method(title=row._title)
        editing.check(method)
        method.save()
        row.method, row.pk = method, None
        in_words(lambda: editing.check(row))
        row.save()
        if programme is not None:
            lock_programme(programme)
            list_method(programme, row)
        record(
            actor, "added", programme=programme, thing="method", code=str(row)[:200], after=_texts(row),
            changes_draft=programme is not None,
        )  # fmt: skip
        return row


def new_revision(actor, row: MethodRevision, **_named) -> MethodRevision:
    """A further wording of a method. Trials keep the one they have until somebody takes them over."""
    require_preparer(actor, "write a method")
    with transaction.atomic():
        row.pk = None
        if row.method.revisions.filter(revision=row.revision).exists():
            raise editing.Invalid({"revision": [f"There is a revision {row.revision} already: give this one another."]})
        in_words(lambda: editing.check(row))
        row.save()
        record(actor, "added", thing="method", code=str(row)[:200], after=_texts(row))
        return row


def save_revision(actor, row: MethodRevision, values: dict, *, seen: str, **_named) -> MethodRevision:
    """Change a wording. Raises Changed, Invalid; what readings rest on stays."""
    require_preparer(actor, "change a method")

    def do():
        with transaction.atomic():
            programmes = Programme.objects.filter(methods__revisions=row).order_by("pk").distinct()
            for programme in programmes:
                lock_programme(programme)
            before = editing.state(MethodRevision.objects.get(pk=row.pk), values)
            now = editing.save(actor, row, values, seen=seen, thing="method", changes_draft=False)
            after = editing.state(now, values)
            if before != after:
                moved = [name for name in values if before[name] != after[name]]
                for programme in programmes:
                    record(
                        actor, "changed", programme=programme, thing="method", code=str(now)[:200],
                        before={n: before[n] for n in moved}, after={n: after[n] for n in moved}, changes_draft=True,
                    )  # fmt: skip
            return now

    return in_words(do)


def list_in(actor, programme: Programme, revision: MethodRevision) -> None:
    """Take a wording of the team into a programme's list."""
    require_preparer(actor, "change the plan")
    with transaction.atomic():
        lock_programme(programme)
        list_method(programme, revision)
        record(
            actor, "added", programme=programme, thing="method", code=str(revision)[:200],
            after={"method": revision.method.title, "revision": revision.revision}, changes_draft=True,
        )  # fmt: skip


def _texts(row: MethodRevision) -> dict:
    return {k: v for k, v in editing.state(row).items() if v not in (None, "", False) and k != "method"}

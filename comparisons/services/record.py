"""The record: services write what they did here, in the transaction in which they did it."""

from __future__ import annotations

from django.db import connection, transaction
from django.db.models import OuterRef, Q, Subquery

from comparisons.models import Comparison, Event
from specimens.models import Programme

NOBODY = "command line"


def record(
    actor,
    verb: str,
    *,
    comparison: Comparison | None = None,
    programme: Programme | None = None,
    thing: str = "",
    code: str = "",
    before=None,
    after=None,
    why: str = "",
    changes_draft: bool = False,
    by: str = "",
) -> Event:
    """Write one event. `before` and `after` are plain JSON, without secrets. `by`: who did it, without an account.

    An event that changes the draft takes the lock of what it is about first, so that such events are
    numbered in the order in which they become visible: `hold_still` relies on it.
    """
    # what fails here fails what it is a record of: no savepoint between the two
    with transaction.atomic(savepoint=False):
        if changes_draft:
            if comparison is not None:
                _lock(Comparison, [comparison.pk])
            if programme is not None:
                _lock(Programme, [programme.pk])
        return Event.objects.create(
            actor=actor,
            actor_name=actor.get_username() if actor is not None else by or NOBODY,
            verb=verb,
            changes_draft=changes_draft,
            comparison=comparison,
            programme=programme,
            thing=thing,
            code=code,
            before=before,
            after=after,
            why=why,
        )


def _lock(model, keys) -> None:
    if not connection.features.has_select_for_update:
        return  # a transaction on SQLite holds every row from its beginning
    # no_key: rows that merely point here may still be added meanwhile
    list(model.objects.select_for_update(no_key=True).filter(pk__in=keys).order_by("pk").values_list("pk"))


def hold_still(comparison: Comparison) -> None:
    """Lock a comparison and its programmes until the transaction ends: no event changes the draft."""
    _lock(Comparison, [comparison.pk])
    _lock(Programme, list(comparison.parts.values_list("programme_id", flat=True)))


def lock_programme(programme: Programme) -> None:
    """Lock one programme until the transaction ends."""
    _lock(Programme, [programme.pk])


def last_draft_event(comparison: Comparison) -> int:
    """The number of the last event that changed the draft or one of its programmes; 0 where none. 1 query."""
    draft = Event.objects.filter(changes_draft=True).order_by("-id").values("id")
    rows = Comparison.objects.filter(pk=comparison.pk).values_list(
        Subquery(draft.filter(comparison=OuterRef("pk"))[:1]),
        Subquery(draft.filter(programme=OuterRef("parts__programme"))[:1]),
    )
    return max((number for row in rows for number in row if number), default=0)


def draft_events(comparison: Comparison, *, after: int = 0):
    """The events that changed the draft or one of its programmes, after the event of that number."""
    programmes = comparison.parts.values("programme_id")
    return Event.objects.filter(changes_draft=True, id__gt=after).filter(
        Q(comparison=comparison) | Q(programme__in=programmes)
    )

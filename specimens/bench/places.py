"""Places in a trial's order, and whether the work at them is done."""

from __future__ import annotations

from django.db.models import CharField, Exists, ExpressionWrapper, F, OuterRef, Q

from specimens.models import Reading


def measured() -> Exists:
    """For a queryset of places: whether the specimen has a reading that stands, in the place's run, by its rater."""
    text = CharField()
    live = (
        Reading.objects.filter(
            trial=OuterRef("trial"), specimen=OuterRef("specimen"), replaced_by__isnull=True, void__isnull=True
        )
        .alias(
            place_run=ExpressionWrapper(OuterRef("run"), text), place_rater=ExpressionWrapper(OuterRef("rater"), text)
        )
        .filter(Q(place_run="") | Q(run__code=F("place_run")))
        .filter(Q(place_rater="") | Q(rater=F("place_rater")) | Q(rater="", operator=F("place_rater")))
    )
    return Exists(live)

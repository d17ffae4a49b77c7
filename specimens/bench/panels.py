"""Panels: several people rate the same specimens, each in an order of their own and without the others.

What one rater gave stays hidden from the others until every rater has rated every specimen, third looks
too. Two ratings of one specimen that lie three steps or more apart are not averaged away: both raters are
asked to look once more, and the planner sees the pair.
"""

from __future__ import annotations

from django.db.models import Q

from specimens import roles
from specimens.models import BenchPlace, Conflict, Reading, Trial
from specimens.models.bench import ConflictKind

from .places import measured

APART_STEPS = 3
AGAIN = "Ratings of this specimen lie far apart. Look at it once more, with the anchors beside it."
AGAIN_REASON = "third look: ratings lay far apart"


def raters_of(trial: Trial) -> list[str]:
    """The raters of a trial's panel, by name; [] where it has none. One query."""
    names = BenchPlace.objects.filter(trial=trial).exclude(rater="").order_by("rater")
    return list(names.values_list("rater", flat=True).distinct())


def live_ratings(trial: Trial) -> list[Reading]:
    """The ratings that count, oldest first. One query."""
    found = Reading.objects.filter(
        trial=trial, replaced_by__isnull=True, void__isnull=True, specimen__isnull=False
    )
    return list(found.select_related("converted", "specimen", "run").order_by("pk"))


def rater_of(reading: Reading) -> str:
    return reading.rater or reading.operator


def is_complete(trial: Trial) -> bool:
    """Whether every rater of the panel has rated all that was planned for them, third looks too. Three queries."""
    planned = set(BenchPlace.objects.filter(trial=trial).exclude(rater="").values_list("specimen_id", "rater"))
    given = {(r.specimen_id, rater_of(r)) for r in live_ratings(trial)}
    return bool(planned) and planned <= given and not looks_asked(trial)


def unfinished(programmes) -> dict[int, str]:
    """The panels of these programmes in which ratings are still to come: trial -> its code. Three queries.

    programmes: keys, or a query of them. A rating that a third look is asked for is still to come.
    """
    trials = Trial.objects.filter(programme__in=programmes)
    waiting = BenchPlace.objects.filter(trial__in=trials).exclude(rater="").alias(done=measured()).filter(done=False)
    found = dict(waiting.order_by("trial").values_list("trial", "trial__code").distinct())
    open_ = Conflict.objects.filter(trial__in=trials, kind=ConflictKind.APART, seen_at__isnull=True).filter(
        Q(first__replaced_by__isnull=True) | Q(second__replaced_by__isnull=True)
    )
    return found | dict(open_.order_by("trial").values_list("trial", "trial__code").distinct())


def held_from(user, programmes) -> list[str]:
    """Codes of the unfinished panels whose results this person must not see yet; [] where nothing is held.

    Held from all who may rate there: the panel's own raters, whatever their role, and bench members, who
    are asked to join one. Planners and editors who do not rate in it see its ratings as they come in.
    """
    open_ = unfinished(programmes)
    if open_ and roles.may_plan(user):
        own = BenchPlace.objects.filter(trial__in=open_, rater=user.get_username()).order_by()
        open_ = {key: open_[key] for key in own.values_list("trial", flat=True).distinct()}
    return sorted(set(open_.values()))


def find_apart(trial: Trial, specimen: int) -> Conflict | None:
    """The pair of a specimen's ratings that lie farthest apart, noted once where that is three steps or more.

    Looked for once all raters of the panel have rated this specimen. Several queries.
    """
    planned = set(
        BenchPlace.objects.filter(trial=trial, specimen=specimen).exclude(rater="").values_list("rater", flat=True)
    )
    ratings = [r for r in live_ratings(trial) if r.specimen_id == specimen and r.converted.value is not None]
    if len(ratings) < 2 or not planned <= {rater_of(r) for r in ratings}:
        return None
    low, high = min(ratings, key=lambda r: r.converted.value), max(ratings, key=lambda r: r.converted.value)
    if high.converted.value - low.converted.value < APART_STEPS:
        return None
    if Conflict.objects.filter(trial=trial, specimen=specimen, kind=ConflictKind.APART).exists():
        return None  # asked once; what they gave after the third look stands
    return Conflict.objects.create(
        trial=trial, specimen_id=specimen, kind=ConflictKind.APART, first=low, second=high
    )


def looks_asked(trial: Trial) -> dict[tuple[int, str], str]:
    """(specimen, rater) -> words, of the raters who are asked for another look. One query."""
    open_ = Conflict.objects.filter(trial=trial, kind=ConflictKind.APART, seen_at__isnull=True)
    asked = {}
    for conflict in open_.select_related("first__replaced_by", "second__replaced_by"):
        for reading in (conflict.first, conflict.second):
            if not hasattr(reading, "replaced_by"):
                asked[conflict.specimen_id, rater_of(reading)] = AGAIN
    return asked

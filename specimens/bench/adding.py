"""More specimens for a trial that is planned already: after a loss, or where the plan was too small to tell."""

from __future__ import annotations

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from specimens.models import BenchPlace, BenchPlan, Specimen

from . import hooks
from .context import Bench
from .entries import note
from .errors import Refused
from .finding import lock
from .ordering import shuffled
from .planning import MOST_SPECIMENS, available_units, key_of, new_specimens
from .typed import words


def add(bench: Bench, units: list[int], of_each: int, reason: object, *, actor) -> list[BenchPlace]:
    """New specimens of these units (by key), in a random block of their own after all others. Raises Refused.

    In a panel every rater gets them, each in an order of their own. Where the plan is frozen, readers see
    it as a dated deviation.
    """
    why = words(reason, "reason")
    if not why:
        raise Refused("Say why more specimens are added.")
    if bench.trial.paired:
        raise Refused("A paired trial measures the specimens of its baseline: add them there.")
    wanted = set(units)
    with transaction.atomic():
        lock(bench.programme)
        plan = BenchPlan.objects.filter(trial=bench.trial).first()
        if plan is None:
            raise Refused("This trial is not planned yet: plan it first.")
        chosen = [unit for unit in available_units(bench) if unit.pk in wanted]
        if not chosen or len(chosen) != len(wanted):
            raise Refused("Choose the units to take them from, of those that are listed.")
        if not 1 <= of_each <= 1000 or len(chosen) * of_each > MOST_SPECIMENS:
            raise Refused(f"Add from 1 to 1000 of each unit, at most {MOST_SPECIMENS:,} in all.")
        before = BenchPlace.objects.filter(trial=bench.trial)
        count, batch = before.values("specimen").distinct().count(), _batches(before) + 1
        specimens = new_specimens(bench, [unit for unit in chosen for _ in range(of_each)])
        made = BenchPlace.objects.bulk_create(_places(bench, before, specimens, key_of(bench, plan.seed), batch))
        if not made[0].rater:
            for place in made:
                place.specimen.order_planned = str(place.position)
            Specimen.objects.bulk_update([place.specimen for place in made], ["order_planned"])
        hooks.call(
            "deviate", bench.programme, at=timezone.now(), by=actor.get_username(),
            what=f"trial {bench.trial.code}, specimens", before=str(count), after=str(count + len(specimens)), why=why,
        )  # fmt: skip
        note(
            actor, "added specimens", programme=bench.programme, thing="trial", code=bench.trial.code, why=why,
            before={"specimens": count}, after={"specimens": count + len(specimens), "units": [u.code for u in chosen]},
        )  # fmt: skip
    return made


def _batches(places) -> int:
    return places.filter(block__startswith="added ").values("block").distinct().count()


def _places(bench: Bench, before, specimens: list[Specimen], key: str, batch: int) -> list[BenchPlace]:
    """A random block after the last place, for each rater where there is a panel."""
    of_code = {one.code: one for one in specimens}
    last = dict(before.order_by().values_list("rater").annotate(Max("position")))
    raters = sorted(rater for rater in last if rater) or [""]
    return [
        BenchPlace(
            trial=bench.trial, specimen=of_code[code], rater=rater, position=last[rater] + i, block=f"added {batch}"
        )
        for rater in raters
        for i, code in enumerate(shuffled(sorted(of_code), key, "added", batch, rater), 1)
    ]

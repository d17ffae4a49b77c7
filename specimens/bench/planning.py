"""Planning a trial's bench work: specimens with blind codes, in a seeded order, in blocks."""

from __future__ import annotations

import secrets
from collections import Counter
from dataclasses import dataclass, field

from django.db import transaction
from django.db.models import Count, Max, Q
from django.utils import timezone

from specimens.models import (
    Absence,
    BenchPlace,
    BenchPlan,
    Reading,
    Specimen,
    Unit,
)
from specimens.models.base import CODE_LENGTH
from specimens.models.bench import Blocking, Holds
from specimens.models.trials import AbsenceReason

from . import codes, hooks
from .context import Bench
from .entries import note
from .errors import Refused
from .finding import lock
from .ordering import Piece, by_day, by_unit, in_one, shuffled

MOST_SPECIMENS = 5000
MOST_RATERS = 50
LEFT_OUT = (AbsenceReason.NOT_PLANNED, AbsenceReason.NOT_APPLICABLE, AbsenceReason.EXCLUDED)


@dataclass
class Wishes:
    """What a planner asks for. `units`: keys of the units to take specimens from; [] takes all there are.

    existing: take the specimens that the units already have, instead of cutting new ones.
    """

    replicates: int
    units: list[int] = field(default_factory=list)
    seed: int | None = None
    blocking: str = Blocking.UNIT
    days: int | None = None
    raters: list[str] = field(default_factory=list)
    existing: bool = False
    per_specimen: object = None
    per_specimen_unit: str = ""
    allowance_pct: object = None
    unit_holds: str = Holds.ITEM


def available_units(bench: Bench) -> list[Unit]:
    """The units that the trial may take specimens from: of products that are not left out. Two queries."""
    left_out = Absence.objects.filter(trial=bench.trial, reason__in=LEFT_OUT).values("product")
    found = Unit.objects.filter(programme=bench.programme).exclude(product__in=left_out)
    found = found.annotate(cut=Count("specimens")).select_related("product__product", "purchase")
    return list(found.order_by("product__code", "code"))


def chosen_units(bench: Bench, wishes: Wishes) -> list[Unit]:
    """The units asked for; by default the first `units_planned` of each product that were not measured yet.

    Units with readings in the trial were measured elsewhere, such as those whose results were carried over
    from an earlier programme: they count, and are not measured again unless they are asked for.
    """
    units = available_units(bench)
    if wishes.units:
        wanted = set(wishes.units)
        units = [unit for unit in units if unit.pk in wanted]
        if len(units) != len(wanted):
            raise Refused("A unit was chosen that this trial cannot use: load the page again.")
        return units
    measured = set(Reading.objects.filter(trial=bench.trial).values_list("specimen__unit", "unit").distinct())
    measured = {pk for pair in measured for pk in pair}
    fresh = [unit for unit in units if unit.pk not in measured]
    if bench.trial.units_planned is None:
        return fresh
    taken: Counter = Counter(unit.product_id for unit in units if unit.pk in measured)
    chosen = []
    for unit in fresh:
        if taken[unit.product_id] < bench.trial.units_planned:
            taken[unit.product_id] += 1
            chosen.append(unit)
    return chosen


def make(bench: Bench, wishes: Wishes, *, actor) -> list[BenchPlace]:
    """Make the specimens and their order, once for a trial. Raises Refused.

    Writes specimens with blind codes, their places (for each rater of a panel an order of their own), the
    plan itself, and the record. A seed that is not given is drawn, and kept.
    """
    _check(bench, wishes)
    seed = wishes.seed
    if seed is None:
        seed = bench.trial.seed if bench.trial.seed is not None else secrets.randbelow(2**31)
    with transaction.atomic():
        lock(bench.programme)
        if BenchPlace.objects.filter(trial=bench.trial).exists():
            raise Refused(
                "This trial is planned already. To measure more, add specimens to it; to measure again after a change,"
                " open a new run."
            )
        units = chosen_units(bench, wishes)
        specimens = _specimens(bench, wishes, units)
        blocks = _blocks(specimens, key_of(bench, seed), wishes)
        places = _placed(bench, blocks, specimens)
        if wishes.raters:
            places = [
                place for rater in wishes.raters for place in _placed_for(bench, specimens, seed, rater)
            ]
        made = BenchPlace.objects.bulk_create(places)
        _keep_order(made, wishes)
        BenchPlan.objects.create(
            trial=bench.trial, seed=seed, replicates=wishes.replicates, blocking=wishes.blocking,
            days=wishes.days if wishes.blocking == Blocking.DAY else None, per_specimen=wishes.per_specimen,
            per_specimen_unit=wishes.per_specimen_unit, allowance_pct=wishes.allowance_pct,
            unit_holds=wishes.unit_holds, made_by=actor,
        )  # fmt: skip
        _tell(bench, wishes, seed, units, len(specimens), actor)
    return made


def _check(bench: Bench, wishes: Wishes) -> None:
    if not 1 <= wishes.replicates <= 1000:
        raise Refused(f"Found {wishes.replicates} replicates: plan from 1 to 1000 of each unit.")
    if wishes.blocking not in Blocking.values:
        raise Refused("Choose how the order is blocked.")
    if wishes.blocking == Blocking.DAY and not 1 <= (wishes.days or 0) <= 366:
        raise Refused("Say over how many days the work is spread, 1 to 366.")
    if len(wishes.raters) > MOST_RATERS or len(set(wishes.raters)) != len(wishes.raters):
        raise Refused(f"Name each rater once, at most {MOST_RATERS}.")
    if wishes.raters and bench.property.kind != "rating":
        raise Refused(f"A panel rates; {bench.property} is no rating.")
    if wishes.seed is not None and not 0 <= wishes.seed < 2**63:
        raise Refused("A seed is a whole number from 0 on.")


def _specimens(bench: Bench, wishes: Wishes, units: list[Unit]) -> list[Specimen]:
    """The specimens to be placed, with their units: of the baseline, those there are, or new ones."""
    if not units:
        raise Refused("There is no unit to take specimens from: enter the units that were bought first.")
    if bench.trial.paired:
        return _of_baseline(bench)
    if wishes.existing:
        found = Specimen.objects.filter(unit__in=units).select_related("unit__product").order_by("code")
        taken: Counter = Counter()
        chosen = []
        for specimen in found:
            if taken[specimen.unit_id] < wishes.replicates:
                taken[specimen.unit_id] += 1
                chosen.append(specimen)
        if not chosen:
            raise Refused("The chosen units have no specimens yet: let new ones be made.")
        _give_codes([one for one in chosen if not one.blind_code])
        return chosen
    if len(units) * wishes.replicates > MOST_SPECIMENS:
        raise Refused(f"{len(units) * wishes.replicates:,} specimens are too many: at most {MOST_SPECIMENS:,}.")
    return new_specimens(bench, [unit for unit in units for _ in range(wishes.replicates)])


def _of_baseline(bench: Bench) -> list[Specimen]:
    """A paired trial measures the very specimens of its baseline."""
    baseline = bench.trial.baseline
    left_out = Absence.objects.filter(trial=bench.trial, reason__in=LEFT_OUT).values("product")
    found = Specimen.objects.filter(Q(places__trial=baseline) | Q(readings__trial=baseline)).distinct()
    found = list(found.exclude(unit__product__in=left_out).select_related("unit__product").order_by("code"))
    if not found:
        raise Refused(f"This trial measures the specimens of {baseline}, which has none yet: plan that one first.")
    _give_codes([one for one in found if not one.blind_code])
    return found


def new_specimens(bench: Bench, units: list[Unit]) -> list[Specimen]:
    """One new specimen for each unit in the list (a unit may stand there several times). Three queries."""
    taken = set(Specimen.objects.filter(programme=bench.programme).values_list("code", flat=True))
    labels = codes.make(len(units), _labels())
    numbers: Counter = Counter()
    made = []
    for unit, label in zip(units, labels, strict=True):
        code = ""
        while not code or code in taken:
            numbers[unit.pk] += 1
            end = f"-{bench.trial.code}-{numbers[unit.pk]}"
            code = f"{unit.code[: CODE_LENGTH - len(end)]}{end}"[-CODE_LENGTH:].lstrip("._-")
        taken.add(code)
        made.append(Specimen(programme=bench.programme, unit=unit, code=code, blind_code=label))
    return Specimen.objects.bulk_create(made)


def _labels() -> set[str]:
    """All blind codes there are, of every programme: a label leads to one specimen."""
    return set(Specimen.objects.exclude(blind_code="").values_list("blind_code", flat=True))


def _give_codes(specimens: list[Specimen]) -> None:
    for specimen, label in zip(specimens, codes.make(len(specimens), _labels()), strict=True):
        specimen.blind_code = label
    Specimen.objects.bulk_update(specimens, ["blind_code"])


def key_of(bench: Bench, seed: int) -> str:
    """What an order hangs on: two trials of one seed and the same specimens have orders of their own."""
    return f"{seed}:{bench.trial.code}"


def _blocks(specimens: list[Specimen], seed: str, wishes: Wishes) -> list[list[str]]:
    pieces = [Piece(one.code, one.unit.product.code, one.unit.code) for one in specimens]
    if wishes.blocking == Blocking.UNIT:
        return by_unit(pieces, seed)
    if wishes.blocking == Blocking.DAY:
        return by_day(pieces, seed, wishes.days)
    return in_one(pieces, seed)


def _placed(bench: Bench, blocks: list[list[str]], specimens: list[Specimen]) -> list[BenchPlace]:
    of_code = {one.code: one for one in specimens}
    word = {1: ""}.get(len(blocks), "block")
    places, position = [], 0
    for k, block in enumerate(blocks, 1):
        for code in block:
            position += 1
            places.append(BenchPlace(
                trial=bench.trial, specimen=of_code[code], position=position, block=f"{word} {k}" if word else ""
            ))
    return places


def _placed_for(bench: Bench, specimens: list[Specimen], seed: int, rater: str) -> list[BenchPlace]:
    """A rater's own order, which hangs on the seed and the rater's name alone."""
    of_code = {one.code: one for one in specimens}
    return [
        BenchPlace(trial=bench.trial, specimen=of_code[code], rater=rater, position=i)
        for i, code in enumerate(shuffled(sorted(of_code), key_of(bench, seed), "rater", rater), 1)
    ]


def _keep_order(places: list[BenchPlace], wishes: Wishes) -> None:
    """The planned order goes to the specimens, too, from where it is exported; a panel has several."""
    if wishes.raters:
        return
    fresh = []
    for place in places:
        if place.specimen.order_planned is None:
            place.specimen.order_planned = str(place.position)
            fresh.append(place.specimen)
    Specimen.objects.bulk_update(fresh, ["order_planned"])


def _tell(bench: Bench, wishes: Wishes, seed: int, units: list[Unit], count: int, actor) -> None:
    trial = bench.trial
    before = {"replicates": trial.replicates, "seed": trial.seed}
    per_product = Counter(unit.product_id for unit in units)
    if trial.replicates not in (None, wishes.replicates):
        hooks.call(
            "deviate", bench.programme, at=timezone.now(), by=actor.get_username(),
            what=f"trial {trial.code}, replicates of each unit", before=str(trial.replicates),
            after=str(wishes.replicates), why="",
        )  # fmt: skip
    trial.replicates, trial.seed = wishes.replicates, seed
    if trial.units_planned is None and per_product:
        trial.units_planned = max(per_product.values())
    trial.save(update_fields=["replicates", "seed", "units_planned"])
    note(
        actor, "planned bench work", programme=bench.programme, thing="trial", code=trial.code, before=before,
        after={"specimens": count, "seed": seed, "blocking": wishes.blocking, "raters": wishes.raters},
    )  # fmt: skip


def add_rater(bench: Bench, rater: str, *, actor) -> list[BenchPlace]:
    """Give one more rater an order of their own over the panel's specimens. Raises Refused."""
    with transaction.atomic():
        lock(bench.programme)
        raters = set(
            BenchPlace.objects.filter(trial=bench.trial).exclude(rater="").values_list("rater", flat=True)
        )
        plan = BenchPlan.objects.filter(trial=bench.trial).first()
        if not raters or plan is None:
            raise Refused("This trial has no panel: plan it with its raters.")
        if not rater or rater in raters or len(raters) >= MOST_RATERS:
            raise Refused(f"Name a rater who is not on the panel yet, at most {MOST_RATERS} in all.")
        specimens = Specimen.objects.filter(places__trial=bench.trial).select_related("unit__product").distinct()
        made = BenchPlace.objects.bulk_create(_placed_for(bench, list(specimens), plan.seed, rater))
        note(
            actor, "added a rater", programme=bench.programme, thing="trial", code=bench.trial.code,
            after={"rater": rater},
        )  # fmt: skip
    return made


def repeat(bench: Bench, run: str, specimens: list[Specimen], *, same: bool, seed: int) -> list[BenchPlace]:
    """Places in a new run for specimens that were measured before; inside a transaction.

    same: the very specimens again (the test leaves them whole); else new ones from the same units.
    """
    again = specimens if same else new_specimens(bench, [one.unit for one in specimens])
    order = shuffled(sorted(one.code for one in again), key_of(bench, seed), "run", run)
    of_code = {one.code: one for one in again}
    last = BenchPlace.objects.filter(trial=bench.trial, rater="").aggregate(last=Max("position"))["last"] or 0
    return BenchPlace.objects.bulk_create(
        BenchPlace(trial=bench.trial, specimen=of_code[code], run=run, position=last + i, block=f"run {run}")
        for i, code in enumerate(order, 1)
    )

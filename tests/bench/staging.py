"""A bench for tests: a programme with trials of every kind, ready to be planned. Invented; no product is meant."""

from __future__ import annotations

import itertools
import uuid
from dataclasses import dataclass, field
from datetime import date, timedelta

from django.contrib.auth.models import Group, User
from django.utils import timezone

from specimens.bench import context, planning
from specimens.models import (
    BenchPlace,
    Condition,
    FailureMode,
    Instrument,
    Method,
    MethodInProgramme,
    MethodRevision,
    Product,
    Programme,
    ProgrammeInstrument,
    ProgrammeProduct,
    Property,
    Purchase,
    Trial,
    TrialDimension,
    Unit,
)

_count = itertools.count(1)


@dataclass
class Stage:
    """One programme: three products with two units each, and trials of every kind."""

    programme: Programme
    products: dict[str, ProgrammeProduct] = field(default_factory=dict)
    trials: dict[str, Trial] = field(default_factory=dict)
    people: dict[str, User] = field(default_factory=dict)
    tablet: str = "tablet-1"

    def bench(self, code: str) -> context.Bench:
        return context.load(self.programme.slug, code)

    def plan(self, code: str, **wishes) -> list[BenchPlace]:
        wanted = planning.Wishes(**{"replicates": 2, "seed": 7, **wishes})
        return planning.make(self.bench(code), wanted, actor=self.people["planner"])

    def entry(self, code: str, specimen, value="12.5", **changes) -> dict:
        """A reading entry as a tablet makes it."""
        return {
            "id": str(uuid.uuid4()), "kind": "reading", "trial": f"{self.programme.slug}/{code}",
            "specimen": getattr(specimen, "blind_code", specimen), "value": value, "made_at": stamp(),
        } | changes

    def other(self, kind: str, code: str, **changes) -> dict:
        return {
            "id": str(uuid.uuid4()), "kind": kind, "trial": f"{self.programme.slug}/{code}", "made_at": stamp(),
        } | changes


def stamp(**ago) -> str:
    """A tablet's time, so long ago, with its zone."""
    return (timezone.localtime() - timedelta(**ago)).isoformat(timespec="milliseconds")


def person(name: str, *roles: str, **more) -> User:
    user = User.objects.create_user(name, **more)
    user.groups.set(Group.objects.filter(name__in=roles))
    return user


def make_stage(people: bool = True) -> Stage:
    n = next(_count)
    stage = Stage(Programme.objects.create(slug=f"clamps-{n}", name="Clamps"))
    if people:
        stage.people = {
            "bench": person("bea", "bench"), "other": person("ben", "bench"), "planner": person("pat", "planner"),
            "editor": person("edi", "editor"), "stranger": person("sam"),
            "operator": User.objects.create_superuser("olga"),
        }  # fmt: skip
    for i, code in enumerate(("alder", "birch", "cedar")):
        product = ProgrammeProduct.objects.create(
            programme=stage.programme, code=code,
            product=Product.objects.create(maker=f"{code.title()}fen", model=f"C{n}"),
        )
        stage.products[code] = product
        bought = Purchase.objects.create(
            programme=stage.programme, product=product, code=f"{code}-p1", obtained="bought", packs="1",
            items_per_pack="10", content=("0.5", "0.5", "0.1")[i], content_unit="m",
        )
        for u in (1, 2):
            Unit.objects.create(programme=stage.programme, product=product, purchase=bought, code=f"{code}-{u}")
    _methods_and_gauges(stage)
    _trials(stage)
    return stage


def _methods_and_gauges(stage: Stage) -> None:
    n = next(_count)
    method = Method.objects.create(title=f"Pull {n}")
    revision = MethodRevision.objects.create(
        method=method, revision="2", steps="1. Close the shield.\n2. Pull.", hazardous=True,
        cautions="Shield closed; eye protection on. Follow the local rules for loads under tension.",
    )
    own = MethodInProgramme.objects.create(programme=stage.programme, method=method, code="pull")
    own.revisions.add(revision)
    FailureMode.objects.create(method=own, code="slip", name="slipped off", counts=True)
    FailureMode.objects.create(method=own, code="jaw", name="broke in the jaw", counts=False)
    stage.revision = revision
    soon = date.today() + timedelta(days=200)
    for code, unit, low, high, step, due in (
        ("stand", "N", "5", "500", "0.1", soon), ("old", "N", "1", "50", "0.1", date(2026, 1, 1)),
        ("calliper", "mm", "0", "150", "0.01", soon),
    ):
        gauge = Instrument.objects.create(
            name=f"{code} {n}", serial=f"S{n}", unit=unit, range_low=low, range_high=high, resolution=step,
            calibrated_on=min(due, date.today()) - timedelta(days=165), due_on=due,
        )
        ProgrammeInstrument.objects.create(programme=stage.programme, instrument=gauge, code=code)


def _trials(stage: Stage) -> None:
    programme = stage.programme

    def prop(code, kind, unit="", **more):
        return Property.objects.create(programme=programme, code=code, name=code.title(), kind=kind, unit=unit, **more)

    force = prop("force", "quantity", "N", better="more", decimals=1, plausible_low="2", plausible_high="400")
    width = prop("width", "quantity", "mm", decimals=2, plausible_low="5", plausible_high="50")
    peel = prop("peel", "quantity", "N/cm", better="more", plausible_low="0.5", plausible_high="60")
    edge = prop("edge", "rating", "step", better="more", scale_low="1", scale_high="9")
    holds = prop("holds", "pass_fail")
    oven = Condition.objects.create(
        programme=programme, code="oven", name="72 h at 70 °C", agent="air, fan oven", temperature="70",
        temperature_unit="degC", duration="72", duration_unit="h", recovery="24", recovery_unit="h",
    )

    def trial(code, of, **more):
        stage.trials[code] = Trial.objects.create(
            programme=programme, code=code, property=of, units_planned=2, replicates=2, **more
        )
        return stage.trials[code]

    trial("force", force)
    trial("pull", force, revision=stage.revision, blind=True)
    trial("width", width)
    divided = trial("peel", peel, reading_unit="N")
    TrialDimension.objects.create(trial=divided, property=width, position=0)
    trial("edge", edge, blind=True)
    trial("holds", holds)
    trial("aged", force, condition=oven, revision=stage.revision, baseline=stage.trials["force"])

"""Small, valid things for tests that need rows rather than a whole study."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from django.contrib.auth.models import Group, User

from comparisons.models import Comparison, ComparisonProgramme, Criterion
from specimens.models import (
    Product,
    Programme,
    ProgrammeProduct,
    Property,
    Purchase,
    Reading,
    Specimen,
    Trial,
    Unit,
)

_numbers = itertools.count(1)


@dataclass
class Bench:
    """One programme with one product, unit, specimen, property and trial."""

    programme: Programme
    product: ProgrammeProduct
    purchase: Purchase
    unit: Unit
    specimen: Specimen
    property: Property
    trial: Trial

    def reading(self, value="12.5", **changes) -> Reading:
        fields = {
            "programme": self.programme, "trial": self.trial, "product": self.product, "unit": self.unit,
            "specimen": self.specimen, "code": f"r{next(_numbers)}", "value": value,
        } | changes
        return Reading.objects.create(**fields)


def make_bench(slug: str | None = None) -> Bench:
    n = next(_numbers)
    programme = Programme.objects.create(slug=slug or f"programme-{n}", name="Ties")
    product = ProgrammeProduct.objects.create(
        programme=programme, code="alder", product=Product.objects.create(maker="Alderfen", model=f"A{n}")
    )
    purchase = Purchase.objects.create(
        programme=programme, product=product, code="alder-shop", obtained="bought", price="4.50", currency="EUR"
    )
    unit = Unit.objects.create(programme=programme, product=product, purchase=purchase, code="alder-1")
    specimen = Specimen.objects.create(programme=programme, unit=unit, code="alder-1-a")
    prop = Property.objects.create(programme=programme, code="strength", kind="quantity", unit="N", better="more")
    trial = Trial.objects.create(programme=programme, code="strength-dry", property=prop)
    return Bench(programme, product, purchase, unit, specimen, prop, trial)


def make_comparison(bench: Bench, slug: str | None = None) -> Comparison:
    comparison = Comparison.objects.create(
        slug=slug or f"comparison-{next(_numbers)}", title="Ties", question="Which holds?", currency="EUR"
    )
    ComparisonProgramme.objects.create(comparison=comparison, programme=bench.programme)
    Criterion.objects.create(comparison=comparison, code="strength", position=0, kind="trial", trial=bench.trial)
    return comparison


def make_user(name: str, *roles: str) -> User:
    user = User.objects.create_user(name, password="a long enough word")
    user.groups.set(Group.objects.filter(name__in=roles))
    return user

"""What to cut from which unit, how much material that takes, and what is missing of what was bought."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from decimal import Decimal

from specimens import units
from specimens.models import BenchPlace, BenchPlan, Programme, Purchase, Unit
from specimens.models.bench import Holds

from .context import Bench, fits
from .pack import label
from .planning import available_units

DIGITS = 4


@dataclass(frozen=True)
class Material:
    """What one specimen takes, with what is lost on top; `holds`: whether a unit is an item or a pack."""

    amount: Decimal | None = None
    unit: str = ""
    allowance_pct: Decimal = Decimal(0)
    holds: str = Holds.ITEM

    @property
    def per_specimen(self) -> Decimal | None:
        return None if self.amount is None else self.amount * (1 + self.allowance_pct / 100)


@dataclass
class Cut:
    """One unit's line: what is cut from it. Amounts are texts with their unit; "" where not known."""

    unit: str
    product: str
    lot: str
    pieces: list[tuple[str, str]] = field(default_factory=list)  # (code on the label, what for)
    takes: str = ""
    holds: str = ""
    lacks: str = ""
    why_unknown: str = ""

    @property
    def count(self) -> int:
        return len(self.pieces)

    @property
    def told(self) -> list[tuple[str, str]]:
        """The codes with what each is for; those that must not be told as one line for each trial."""
        hidden = Counter(what for code, what in self.pieces if not code)
        return [piece for piece in self.pieces if piece[0]] + [
            ("", f"{count} for {what}, which is blind: the codes are on the planner's list")
            for what, count in sorted(hidden.items())
        ]  # fmt: skip


@dataclass
class Missing:
    """A product of which something is missing, in words."""

    product: str
    text: str


def material_of(plan: BenchPlan) -> Material:
    return Material(plan.per_specimen, plan.per_specimen_unit, plan.allowance_pct or Decimal(0), plan.unit_holds)


def amount_text(number: Decimal, unit: str) -> str:
    rounded = Decimal(f"{float(number):.{DIGITS}g}")
    return f"{rounded:f} {units.parse_unit(unit).symbol}"


def held(purchase: Purchase | None, material: Material) -> tuple[Decimal | None, str]:
    """What one unit of a purchase holds, in the unit of `material`; None with the reason."""
    if material.amount is None:
        return None, ""
    if purchase is None:
        return None, "not known: the unit names no purchase"
    items = Decimal(1)
    if material.holds == Holds.PACK:
        if purchase.items_per_pack is None:
            return None, f"not known: {purchase} does not say how many items a pack has"
        items = Decimal(purchase.items_per_pack)
    if fits(material.unit, "count"):
        return items, ""
    if purchase.content is None:
        return None, f"not known: {purchase} does not say what an item holds"
    if not fits(material.unit, purchase.content_unit):
        return None, f"not known: {purchase} is bought by {units.kind_name(purchase.content_unit)}"
    return items * units.convert(Decimal(purchase.content), purchase.content_unit, material.unit), ""


def cut_of(unit: Unit, pieces: list[tuple[str, str, Material]]) -> Cut:
    """One unit's line from what is cut from it: (code, what for, material) of each specimen."""
    row = Cut(unit.code, str(unit.product), unit.lot or (unit.purchase.lot if unit.purchase else ""))
    row.pieces = [(code, what) for code, what, _ in pieces]
    known = [material for _, _, material in pieces if material.per_specimen is not None]
    if not known:
        return row
    first = known[0]
    if any(not fits(material.unit, first.unit) for material in known):
        row.why_unknown = "not added up: the trials take it in different kinds of unit"
        return row
    takes = sum((units.convert(m.per_specimen, m.unit, first.unit) for m in known), Decimal(0))
    # where a trial does not say what a specimen takes, the sum is a least one
    row.takes = f"{'at least ' if len(known) < len(pieces) else ''}{amount_text(takes, first.unit)}"
    holds, why = held(unit.purchase, first)
    if holds is None:
        row.why_unknown = why
        return row
    row.holds = amount_text(holds, first.unit)
    if takes > holds:
        row.lacks = amount_text(takes - holds, first.unit)
    return row


def preview(bench: Bench, chosen: list[Unit], replicates: int, material: Material) -> list[Cut]:
    """What a plan that is not made yet would take."""
    return [cut_of(unit, [("", bench.trial.code, material)] * replicates) for unit in chosen]


def of_programme(programme: Programme, trial: int | None = None, *, blind_told: bool = True) -> list[Cut]:
    """What to cut for all plans of a programme, or for one trial; each specimen once. Three queries.

    A specimen that several trials measure is cut for the one that was planned first. blind_told: whether
    the codes of blind trials stand beside their units, which tells the product.
    """
    plans = {
        plan.trial_id: plan
        for plan in BenchPlan.objects.filter(trial__programme=programme).select_related("trial")
    }
    order = {key: i for i, key in enumerate(sorted(plans, key=lambda key: (plans[key].made_at, key)))}
    places = BenchPlace.objects.filter(trial__programme=programme).select_related(
        "trial", "specimen__unit__product__product", "specimen__unit__purchase"
    )
    first: dict[int, BenchPlace] = {}
    blind = set()
    for place in sorted(places, key=lambda p: (order.get(p.trial_id, len(order)), p.trial_id, p.position)):
        first.setdefault(place.specimen_id, place)
        if place.trial.blind and not blind_told:
            blind.add(place.specimen_id)
    pieces: dict[int, list] = defaultdict(list)
    unit_of: dict[int, Unit] = {}
    for place in first.values():
        if trial is not None and place.trial_id != trial:
            continue
        plan = plans.get(place.trial_id)
        unit = place.specimen.unit
        unit_of[unit.pk] = unit
        pieces[unit.pk].append((
            "" if place.specimen_id in blind else label(place.specimen), plan.trial.code if plan else "",
            material_of(plan) if plan else Material(),
        ))  # fmt: skip
    rows = [cut_of(unit_of[key], found) for key, found in pieces.items()]
    return sorted(rows, key=lambda row: (row.product, row.unit))


def missing(bench: Bench, cuts: list[Cut]) -> list[Missing]:
    """What has to be bought or entered before all can be cut: units that are planned, and material. Four queries."""
    found = []
    wanted = bench.trial.units_planned
    if wanted:
        have: dict[str, int] = defaultdict(int)
        names: dict[str, str] = {}
        for unit in available_units(bench):
            have[unit.product.code] += 1
        left_out = set(bench.trial.absences.exclude(reason="lost").values_list("product__code", flat=True))
        for product in bench.programme.products.select_related("product"):
            names[product.code] = str(product)
        for code, name in sorted(names.items()):
            if code not in left_out and have[code] < wanted:
                count = wanted - have[code]
                found.append(Missing(
                    name, f"{count} unit{'s' if count > 1 else ''} missing: {wanted} planned, {have[code]} entered"
                ))  # fmt: skip
    found += [
        Missing(row.product, f"{row.lacks} missing of unit {row.unit}: it holds {row.holds}, {row.takes} are needed")
        for row in cuts if row.lacks
    ]  # fmt: skip
    return found

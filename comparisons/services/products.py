"""Products of a programme, how their items were obtained, and the items themselves.

The price that is stored is that of a whole purchase; what one item comes to is computed from it
(`analysis.costs`). Purchases and units with readings stay; a supplied or lent product is marked wherever
readers meet its name (`pages.names`), which nobody can switch off.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

from django.db import transaction

from comparisons.models import Comparison
from specimens.models import Product, Programme, ProgrammeProduct, Purchase, Reading, Specimen, Unit
from specimens.models.base import CODE_LENGTH

from . import editing
from .errors import NotReady
from .record import lock_programme, record
from .roles import require_preparer
from .row_checks import cells_of, check_row

MOST_UNITS_AT_ONCE = 200


# -- codes -----------------------------------------------------------------------------------------------


def as_code(text: str, fallback: str) -> str:
    """A code made of a name: lower case, without marks; `fallback` where nothing is left.

    >>> as_code("Ørsund & Çelik", "p"), as_code("Nº 5/b", "p"), as_code("鋼", "p")
    ('orsund-celik', 'no-5-b', 'p')
    """
    text = unicodedata.normalize("NFKD", text.translate(_PLAIN)).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", text).strip("-")[: CODE_LENGTH - 20].strip("-") or fallback


_PLAIN = str.maketrans({"ø": "o", "Ø": "O", "æ": "ae", "Æ": "Ae", "ß": "ss", "ł": "l", "Ł": "L", "đ": "d", "Đ": "D"})


def free_code(wanted: str, taken) -> str:
    """The code itself, or with the first number that makes it free."""
    if wanted not in taken:
        return wanted
    return next(code for n in range(2, 10**6) if (code := f"{wanted}-{n}") not in taken)


def product_code(programme: Programme, maker: str, model: str) -> str:
    """A code for a product: its maker's name, with the model where the maker is there already."""
    taken = set(programme.products.values_list("code", flat=True))
    short = as_code(maker, "product")
    return short if short not in taken else free_code(as_code(f"{maker} {model}", "product"), taken)


def unit_codes(product: ProgrammeProduct, count: int) -> list[str]:
    """So many free codes for units of a product, counted on from the last: alder-1, alder-2 ..."""
    taken = set(product.programme.units.values_list("code", flat=True))
    own = re.compile(re.escape(product.code) + r"-(?:u)?([0-9]{1,6})")
    n = max((int(m[1]) for code in taken if (m := own.fullmatch(code))), default=0)
    made = []
    while len(made) < count:
        n += 1
        if (code := f"{product.code}-{n}") not in taken:
            made.append(code)
    return made


def purchase_code(product: ProgrammeProduct) -> str:
    taken = set(product.programme.purchases.values_list("code", flat=True))
    n = product.purchases.count() + 1
    return free_code(f"{product.code}-b{n}", taken)


# -- products --------------------------------------------------------------------------------------------


def known_products(programme: Programme):
    """The team's products that this programme does not test yet."""
    return Product.objects.exclude(programmes__programme=programme)


def add_product(
    actor,
    programme: Programme,
    *,
    comparison: Comparison | None = None,
    known: Product | None = None,
    maker: str = "",
    model: str = "",
    variant: str = "",
    notes: str = "",
) -> ProgrammeProduct:
    """Take a product into the programme: one of the team's list, or a new one. Raises Invalid, NotReady."""
    require_preparer(actor, "add a product")
    with transaction.atomic():
        lock_programme(programme)
        if known is None:
            maker, model, variant = (" ".join(text.split()) for text in (maker, model, variant))
            known = _the_same(maker, model, variant)
        new = known is None
        if new:
            known = Product(maker=maker, model=model, variant=variant)
            editing.check(known)
        if not new and programme.products.filter(product=known).exists():
            raise NotReady(f"“{known}” is among the products already.")
        row = ProgrammeProduct(
            programme=programme, product=known, notes=notes.strip(),
            code=product_code(programme, known.maker, known.model),
        )  # fmt: skip
        check_row(programme, "products", cells_of(row, "products"), {"product": ""})
        if new:
            known.save()
            row.product = known
        return editing.create(
            actor, row, comparison=comparison, programme=programme, thing="product", verb="added"
        )  # fmt: skip


def _the_same(maker: str, model: str, variant: str) -> Product | None:
    """The team's product of that name. One that differs in capitals alone is the same thing typed otherwise."""
    found = list(Product.objects.filter(maker__iexact=maker, model__iexact=model, variant__iexact=variant)[:2])
    return found[0] if found else None


def rename_product(actor, product: Product, values: dict, *, seen: str, programme: Programme, comparison=None):
    """Change maker, model or variant of a product of the team; every draft that shows it is told."""
    require_preparer(actor, "change a product")
    with transaction.atomic():
        others = Programme.objects.filter(products__product=product).exclude(pk=programme.pk).order_by("pk")
        for other in others:
            lock_programme(other)
        before = editing.state(product, values)
        saved = editing.save(
            actor, product, values, seen=seen, comparison=comparison, programme=programme, thing="product"
        )  # fmt: skip
        after = editing.state(saved, values)
        if after != before:
            for other in others:
                record(actor, "changed", programme=other, thing="product", code=str(saved)[:200], before=before,
                       after=after, changes_draft=True)  # fmt: skip
        return saved


# -- purchases -------------------------------------------------------------------------------------------


def add_purchase(
    actor, purchase: Purchase, *, comparison: Comparison | None = None, units: int = 0, lots: list[str] | None = None
) -> Purchase:
    """Store a purchase and number the items of it that will be tested as units."""
    require_preparer(actor, "add a purchase")
    with transaction.atomic():
        lock_programme(purchase.programme)
        if not purchase.code:
            purchase.code = purchase_code(purchase.product)
        check_purchase(purchase)
        made = editing.create(
            actor, purchase, comparison=comparison, programme=purchase.programme, thing="purchase"
        )  # fmt: skip
        if units:
            add_units(actor, purchase.product, units, purchase=made, lot=made.lot, comparison=comparison)
        return made


def change_purchase(actor, purchase: Purchase, values: dict, *, seen: str, comparison=None, why: str = "") -> Purchase:
    """Change a purchase. That a maker supplied or lent something is taken back only with a reason."""
    with transaction.atomic():
        lock_programme(purchase.programme)
        stored = Purchase.objects.get(pk=purchase.pk)
        given = stored.obtained != "bought" and values.get("obtained") == "bought"
        if given and not why.strip():
            raise editing.Invalid({
                "why": [f"It was {stored.get_obtained_display()}, and readers are told so: write why that was wrong."]
            })
        changed = Purchase.objects.get(pk=purchase.pk)
        for name, value in values.items():
            setattr(changed, name, value)
        check_purchase(changed)
        return editing.save(
            actor, purchase, values, seen=seen, comparison=comparison, programme=purchase.programme,
            thing="purchase", why=why,
        )  # fmt: skip


def check_purchase(purchase: Purchase) -> None:
    """Raise Invalid where a purchase breaks a rule of the study folder, or a day lies ahead."""
    cells = cells_of(purchase, "purchases") | {"receipt": ""}
    check_row(purchase.programme, "purchases", cells, {"purchase": "", "product": ""}, replacing={purchase.code})


# -- units -----------------------------------------------------------------------------------------------


def add_units(
    actor,
    product: ProgrammeProduct,
    count: int,
    *,
    purchase: Purchase | None = None,
    lot: str = "",
    comparison: Comparison | None = None,
) -> list[Unit]:
    """Number so many physical items of a product; their codes count on from the last."""
    require_preparer(actor, "add units")
    if not 1 <= count <= MOST_UNITS_AT_ONCE:
        raise editing.Invalid({
            "units": [f"Found {count}, expected a number of items from 1 to {MOST_UNITS_AT_ONCE}."]
        })
    with transaction.atomic():
        lock_programme(product.programme)
        made = [
            Unit(programme=product.programme, product=product, purchase=purchase, code=code, lot=lot.strip())
            for code in unit_codes(product, count)
        ]
        check_row(product.programme, "units", cells_of(made[0], "units"), {"unit": "", "product": ""})
        for unit in made:
            editing.check(unit)
            unit.save()
        record(
            actor, "added", comparison=comparison, programme=product.programme, thing="units",
            code=made[0].code if count == 1 else f"{made[0].code} to {made[-1].code}"[:200],
            after={"product": product.code, "purchase": purchase.code if purchase else "", "lot": lot,
                   "codes": [unit.code for unit in made]},
            changes_draft=True,
        )  # fmt: skip
        return made


# -- taking away -----------------------------------------------------------------------------------------


def readings_on(row) -> int:
    """How many readings rest on a product, a purchase or a unit. One query, or two."""
    if isinstance(row, ProgrammeProduct):
        return row.readings.count()
    units = [row.pk] if isinstance(row, Unit) else list(row.units.values_list("pk", flat=True))
    specimens = Specimen.objects.filter(unit__in=units)
    return Reading.objects.filter(unit__in=units).count() + Reading.objects.filter(
        unit__isnull=True, specimen__in=specimens
    ).count()


def remove(actor, row, *, comparison: Comparison | None = None) -> None:
    """Take away a product, a purchase or a unit on which nothing rests. NotReady, in one line, where something does."""
    thing = {ProgrammeProduct: "product", Purchase: "purchase", Unit: "unit"}[type(row)]
    require_preparer(actor, f"remove a {thing}")
    with transaction.atomic():
        lock_programme(row.programme)
        if n := readings_on(row):
            instead = (
                "Say in the plan why it is left out of a trial instead." if thing == "product"
                else "Void the readings with a reason instead."
            )  # fmt: skip
            raise NotReady(
                f"“{row.code}” stays: {n} {'reading rests' if n == 1 else 'readings rest'} on it, and readings are"
                f" never deleted. {instead}"
            )
        editing.remove(actor, row, comparison=comparison, programme=row.programme, thing=thing)


# -- what is said of them --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Prices:
    """What one item of a purchase comes to: texts, blank where they cannot be told, with the reason."""

    item: str = ""
    content: str = ""
    why: str = ""


def prices(purchase: Purchase) -> Prices:
    """Price per item and per content of one purchase, shipping in. No query."""
    from comparisons.analysis import study
    from comparisons.analysis.costs import per_item
    from comparisons.pages.numbers import money, symbol

    if purchase.obtained != "bought":
        return Prices(why=f"{purchase.get_obtained_display()}: no price to compare")
    if purchase.price is None:
        return Prices(why="no price is written down")

    def number(value):
        return None if value is None else float(value)

    each = per_item(study.Purchase(
        code="", product="", obtained="bought", price=number(purchase.price), shipping=number(purchase.shipping),
        packs=number(purchase.packs), items_per_pack=number(purchase.items_per_pack),
        content=number(purchase.content),
    ))  # fmt: skip
    if each is None:
        return Prices(why="the price or a count cannot be used")
    content = ""
    if purchase.content:
        content = f"{money(each / float(purchase.content), purchase.currency)} per {symbol(purchase.content_unit)}"
    return Prices(item=money(each, purchase.currency), content=content)


def purchase_points(programme: Programme) -> list[dict]:
    """What a check before publication asks about products and purchases: kind, text, stops, product. 5 queries."""
    products = list(programme.products.select_related("product").prefetch_related("purchases", "units"))
    currency = programme.comparisons.order_by("pk").values_list("currency", flat=True).first()
    found = []

    def point(kind, product, text, stops=False):
        found.append({"kind": kind, "text": text, "stops": stops, "product": product.code, "code": product.code})

    for product in products:
        purchases, units = list(product.purchases.all()), list(product.units.all())
        if not purchases:
            point("no_purchase", product, f"{product}: how it was obtained is not written down")
        if not units:
            point("no_units", product, f"{product}: no unit is numbered")
        loose = [unit.code for unit in units if unit.purchase_id is None]
        if loose and purchases:
            point("loose_units", product, f"{product}: {', '.join(loose)} came from no purchase that is written down")
        for one in purchases:
            if one.currency and currency and one.currency != currency:
                point("other_currency", product, f"{product}: purchase {one.code} is in {one.currency}, the comparison "
                      f"reckons in {currency}", True)  # fmt: skip
            if one.obtained == "bought" and one.price is None:
                point("no_price", product, f"{product}: purchase {one.code} has no price")
            if one.obtained == "bought" and not one.receipt:
                point("no_receipt", product, f"{product}: purchase {one.code} has no receipt")
    return found

"""What a product costs: per item, per content, per usable amount; from bought rows alone."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

from .checked import number
from .study import Purchase, Study
from .summary import Summaries

MEASURES = ("per_item", "per_content", "per_usable")


@dataclass(frozen=True)
class Price:
    """Typical (median) and lowest cost over the bought purchases; None with a reason."""

    typical: float | None = None
    lowest: float | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Cost:
    """The costs of one product, in the study's currency. n: bought rows with a usable price."""

    product: str
    n: int
    per_item: Price
    per_content: Price
    per_usable: Price
    flags: tuple[str, ...] = ()

    def of(self, measure: str) -> Price:
        """The cost by that measure: per_item, per_content or per_usable."""
        return getattr(self, measure)


def per_item(purchase: Purchase) -> float | None:
    """(price + shipping) / (packs x items per pack); None where the price or a count cannot be used.

    A blank shipping is nothing to pay, a blank count is one.
    """
    packs = 1.0 if purchase.packs is None else number(purchase.packs)
    items = 1.0 if purchase.items_per_pack is None else number(purchase.items_per_pack)
    price = number(purchase.price)
    shipping = 0.0 if purchase.shipping is None else number(purchase.shipping)
    if price is None or shipping is None or price < 0 or not (packs and packs > 0 and items and items > 0):
        return None
    return _per(_per(price + shipping, packs), items)


def _per(amount: float | None, by: float | None) -> float | None:
    """amount/by; None where either is absent or the quotient is nothing that can be computed with."""
    if amount is None or not by:
        return None
    return number(amount / by)


def _price(amounts: list[float], reason: str) -> Price:
    if not amounts:
        return Price(reason=reason)
    return Price(typical=float(median(amounts)), lowest=float(min(amounts)))


def usable_trial(study: Study) -> int | str:
    """The trial that measures how much of an item's content can be used, or why there is none.

    `Study.usable_trial` where it is given; else the only trial as received of a more-is-better
    quantity in the unit of the content.
    """
    if study.usable_trial is not None:
        for i, trial in enumerate(study.trials):
            if trial.code == study.usable_trial:
                return i
        return f"no trial {study.usable_trial}"
    if not study.content_unit:
        return "no content is given"
    found = []
    for i, trial in enumerate(study.trials):
        prop = study.properties[trial.property]
        more = prop.kind == "quantity" and prop.better == "more" and prop.unit == study.content_unit
        if more and trial.condition is None:
            found.append(i)
    if len(found) == 1:
        return found[0]
    return "several trials could be the usable amount" if found else "no trial measures the usable amount"


def costs_of(s: Summaries) -> list[Cost]:
    """The costs of every product, in the study's order.

    Only what was bought as a customer would counts: a supplied or lent item has no price to compare.
    """
    study = s.study
    usable = usable_trial(study)
    bought: dict[str, list[Purchase]] = {p: [] for p in study.products}
    other: dict[str, int] = dict.fromkeys(study.products, 0)
    for row in study.purchases:
        if row.product not in bought:
            continue
        if row.obtained == "bought":
            bought[row.product].append(row)
        else:
            other[row.product] += 1
    out = []
    for p, product in enumerate(study.products):
        rows = [(x, per_item(x)) for x in bought[product]]
        priced = [(x, c) for x, c in rows if c is not None]
        if priced:
            reason = ""
        elif rows:
            reason = "no price that can be used"
        else:
            reason = "not bought, only supplied or lent" if other[product] else "no purchase is recorded"
        item = _price([c for _, c in priced], reason)
        each = [y for x, c in priced if (y := _per(c, number(x.content))) is not None and y >= 0]
        content = _price(each, reason or "no content is given")
        out.append(Cost(
            product=product, n=len(priced), per_item=item, per_content=content,
            per_usable=_usable(s, usable, p, item, reason),
            flags=tuple(
                flag for flag, on in (
                    ("one_purchase", len(priced) == 1), ("price_left_out", len(priced) < len(rows)),
                ) if on
            ),
        ))  # fmt: skip
    return out


def _usable(s: Summaries, trial: int | str, p: int, item: Price, reason: str) -> Price:
    if isinstance(trial, str):
        return Price(reason=reason or trial)
    amount = s.table[trial, p].mean
    if item.typical is None or item.lowest is None:
        return Price(reason=reason)
    if amount is None or not amount > 0:
        return Price(reason="the usable amount was not measured")
    return Price(typical=_per(item.typical, amount), lowest=_per(item.lowest, amount))


def cost_rows(study: Study, costs: list[Cost]) -> list[dict]:
    """The `costs` rows of the document; `per_...` is the typical cost, `per_..._lowest` the lowest."""
    rows = []
    for c in costs:
        row: dict = {"product": c.product, "currency": study.currency, "n": c.n}
        row["content_unit"] = study.content_unit or None
        reasons = {}
        for measure in MEASURES:
            price = c.of(measure)
            row[measure] = price.typical
            row[f"{measure}_lowest"] = price.lowest
            if price.reason:
                reasons[measure] = price.reason
        row["reasons"] = reasons
        row["reason"] = reasons.get("per_item")
        row["flags"] = list(c.flags)
        rows.append(row)
    return rows

"""Ties: whether the results carry what a sentence says.

A comparison is carried by the trial's own test of all pairs, with its error rate for the whole family
(`differences`); a change by its interval; a claim by its statement; a lead or an award by the rule that it
is bound to. What is undecided carries nothing, and no sentence rests on a product that has no result.
"""

from __future__ import annotations

from . import words
from .live import Live, change_texts, held_by
from .numbers import chance, counted, money, percent, with_unit, write
from .references import Broken, Shown

_OTHERS = 4  # how many products a reason names before it stops


def _many(live: Live, codes) -> str:
    named = sorted(live.names.product(code) for code in codes)
    if len(named) > _OTHERS:
        return f"{', '.join(named[:_OTHERS])} and {len(named) - _OTHERS} more"
    return words.listed(named)


def better_of(live: Live, trial: str) -> int:
    """1 where more of a trial's property is better, -1 where less is. Broken where neither is."""
    prop = live.names.properties.get(live.names.property_of(trial), {})
    better = prop.get("better") or ("more" if prop.get("reading") == "pass_fail" else "")
    if better not in ("more", "less"):
        raise Broken(
            f"{words.BETTER.get(better, 'no direction is stated')}: no product is better here by being greater; "
            "say which is greater instead"
        )
    return 1 if better == "more" else -1


def _method(live: Live, trial: str) -> str:
    test = live.tests.get(trial) or {}
    level = f", {percent(test['level'])}" if test.get("level") else ""
    return f"{test.get('method') or ''}{level}"


def _sign(live: Live, what: str, trial: str) -> int:
    """The sign that a difference has to have."""
    if what in ("better", "worse", "best", "worst"):
        return better_of(live, trial) * (1 if what in ("better", "best") else -1)
    return 1 if what in ("more", "greatest") else -1


def _difference(live: Live, what: str, trial: str, a: str, b: str) -> Shown:
    pair, names = live.pair(trial, a, b), live.names
    decided, sign = pair["decided"], 0 if what == "none" else _sign(live, what, trial)
    both = f"{names.product(a)} and {names.product(b)}"
    texts = live.pair_texts(trial, pair) if pair["difference"] is not None else ("", "")
    aside = "; ".join(part for part in ("difference " + texts[0] if texts[0] else "", texts[1], _method(live, trial))
                      if part)  # fmt: skip
    if decided == "too_few_to_tell":
        raise Broken(f"too few were tested to tell {both} apart{_why(names, pair)}")
    if what == "none":
        if decided != "no_difference_shown":
            raise Broken(f"a difference between {both} is shown: {texts[0]}")
        return Shown("", f"no difference shown: {aside}", f"trial-{trial}", _one_unit(live, trial, a, b))
    if decided != "different":
        raise Broken(f"no difference is shown between {both}{_why(names, pair)}")
    if pair["difference"] * sign <= 0:
        raise Broken(f"the difference shown is the other way round: {names.product(a)} less {names.product(b)} is "
                     f"{texts[0]}")  # fmt: skip
    return Shown("", aside, f"trial-{trial}", _one_unit(live, trial, a, b))


def _one_unit(live: Live, trial: str, *products: str) -> str:
    """Which of these products a sentence knows one unit of, so that it tells of that unit alone."""
    single = [p for p in products if "one_unit" in (live.summaries.get((trial, p)) or {}).get("flags", ())]
    return f"one unit only of {_many(live, single)} was tested" if single else ""


def _why(names, pair: dict) -> str:
    return f" ({names.said(pair['reason'])})" if pair.get("reason") else ""


def _measured(live: Live, trial: str) -> list[str]:
    """The products with a result in a trial."""
    return [
        product for product in live.names.products
        if (live.summaries.get((trial, product)) or live.passes.get((trial, product)) or {}).get("n")
    ]  # fmt: skip


def _untested(live: Live, trial: str) -> str:
    """What a sentence on all products should say: which of them this trial did not measure."""
    measured = set(_measured(live, trial))
    without = [
        product for product in live.names.products
        if product not in measured
        and (live.summaries.get((trial, product)) or live.passes.get((trial, product)) or {}).get("absence")
        != "not_applicable"
    ]  # fmt: skip
    if not without:
        return ""
    return f"{_many(live, without)} {'has' if len(without) == 1 else 'have'} no result in this trial"


def _most(live: Live, what: str, trial: str, product: str) -> Shown:
    sign, measured = _sign(live, what, trial), _measured(live, trial)
    if product not in measured:
        raise Broken(f"{live.names.product(product)} has no result in this trial")
    others = [other for other in measured if other != product]
    if not others:
        raise Broken("no other product has a result in this trial")
    beyond, open_, few = [], [], []
    for other in others:
        pair = live.pair(trial, product, other)
        if pair["decided"] == "different":
            if pair["difference"] * sign <= 0:
                beyond.append(other)
        else:
            (few if pair["decided"] == "too_few_to_tell" else open_).append(other)
    if beyond:
        raise Broken(f"{_many(live, beyond)} {'is' if len(beyond) == 1 else 'are'} shown to lie beyond it")
    reasons = [f"no difference is shown from {_many(live, open_)}"] if open_ else []
    reasons += [f"too few were tested to tell it from {_many(live, few)}"] if few else []
    if reasons:
        raise Broken("; ".join(reasons))
    aside = f"shown against {'the other' if len(others) == 1 else f'each of the {len(others)} others'} tested"
    partly = "; ".join(part for part in (_untested(live, trial), _one_unit(live, trial, product)) if part)
    return Shown("", f"{aside}; {_method(live, trial)}", f"trial-{trial}", partly)


def _change(live: Live, what: str, trial: str, product: str) -> Shown:
    row = live.changes.get((trial, product))
    if row is None or row["change_pct"] is None or not row["ci_pct"]:
        raise Broken((row or {}).get("reason") or "the results hold no change of it with a range")
    places, said, tested = change_texts(row)
    text = with_unit(write(row["change_pct"], places, signed=True), "percent")
    low, high = row["ci_pct"]
    found = "fell" if high < 0 else "rose" if low > 0 else "none"
    if found != what:
        shown = {"fell": "a loss is shown", "rose": "a gain is shown", "none": "no change is shown"}[found]
        raise Broken(f"{shown}: {text}, {said}")
    return Shown("", f"{text}, {said}; {tested}", f"change-{trial}")


def _passed(live: Live, what: str, trial: str, product: str) -> Shown:
    row = live.passes.get((trial, product))
    if row is None or not row["n"]:
        raise Broken(f"{live.names.product(product)} has no result in this trial")
    told = f"{row['passed']} of {row['n']} passed"
    if what == "none" and row["passed"]:
        raise Broken(told)
    if what != "none" and row["passed"] < row["n"]:
        raise Broken(told)
    partly = ""
    if what == "only":
        others = [p for p in _measured(live, trial) if p != product]
        if not others:
            raise Broken("no other product was tried in this trial")
        too = [p for p in others if live.passes[trial, p]["passed"] == live.passes[trial, p]["n"]]
        if too:
            raise Broken(f"all of {_many(live, too)} passed, too")
        partly = _untested(live, trial)
    promise = (row.get("words") or "").partition(": ")[2]
    return Shown("", "; ".join(part for part in (told, promise) if part), f"trial-{trial}", partly)


_STATEMENT = {
    "holds": "pass", "unsure-holds": "conditional_pass", "unsure-misses": "conditional_fail", "misses": "fail",
    "only-holds": "pass", "only-misses": "fail",
}  # fmt: skip
_OTHER_SIDE = {"only-holds": ("fail", "conditional_fail"), "only-misses": ("pass", "conditional_pass")}


def _anchor(row: dict) -> str:
    kind = "yes" if row["sense"] == "yes" else row["of"]
    return f"claims-{row['property']}-{row['trial'] or 'untested'}-{kind}"


def _passed_over(row: dict) -> bool:
    """A claim that is not judged since another source of its maker counts."""
    return bool(row.get("conflict")) and row["conflict"] != "sources disagree"


def _claim(live: Live, what: str, claim: str) -> Shown:
    row, names = live.claims.get(claim), live.names
    if row is None or row.get("kind") == "certification":
        raise Broken("the results hold no statement on it")
    if row["statement"] != _STATEMENT[what]:
        reason = "another source of the maker counts" if _passed_over(row) else row["reason"]
        raise Broken(f"the results say of it: {words.statement(row['statement'], reason)}")
    aside = f"claimed {names.claimed(claim)}"
    if row["p_conform"] is not None:
        aside += f"; {chance(row['p_conform'])} likely to be met"
    if what in _OTHER_SIDE:
        kin = [
            other for other in live.claims.values()
            if other.get("kind") != "certification" and other["product"] != row["product"] and not _passed_over(other)
            and all(other[key] == row[key] for key in ("property", "trial", "of"))
        ]  # fmt: skip
        if not kin:
            raise Broken("no other product has such a claim")
        against = [other for other in kin if other["statement"] not in _OTHER_SIDE[what]]
        if against:
            told = "; ".join(
                f"of {names.product(other['product'])} the results say: "
                f"{words.statement(other['statement'], other['reason'])}" for other in against[:_OTHERS]
            )  # fmt: skip
            raise Broken(told)
    return Shown("", aside, _anchor(row))


def _claims(live: Live, what: str, product: str) -> Shown:
    rows = [
        row for row in live.claims.values()
        if row["product"] == product and row.get("kind") != "certification" and not _passed_over(row)
    ]  # fmt: skip
    if not rows:
        raise Broken("no claim on it is recorded")
    against = [row for row in rows if (row["statement"] != "pass" if what == "all" else
               row["statement"] not in ("pass", "conditional_pass"))]  # fmt: skip
    if against:
        told = "; ".join(
            f"{live.names.property(row['property'])}, {live.names.claimed(row['claim'])}: "
            f"{words.statement(row['statement'], row['reason'])}" for row in against[:_OTHERS]
        )  # fmt: skip
        raise Broken(told)
    return Shown("", f"{counted(len(rows), 'claim')} judged", "claims")


def _certification(live: Live, what: str, claim: str) -> Shown:
    row = live.claims.get(claim)
    if row is None or row.get("kind") != "certification":
        raise Broken("this claim is no certification")
    told = words.certification(row.get("state"), row.get("reference"), row.get("checked_on"))
    if row.get("state") != what.replace("-", "_"):
        raise Broken(f"what is known of it: {told}")
    return Shown("", told, "claims")


def _score(live: Live, what: str, weighting: str, a: str, b: str) -> Shown:
    card, names = live.cards.get(weighting) or {}, live.names
    for code in (a, b):
        if gated := live.card_row(weighting, code).get("gated"):
            raise Broken(f"{names.product(code)} is held back: {held_by(live, {'gated': gated})}")
    p = ((card.get("beats") or {}).get(a) or {}).get(b)
    if p is None:
        raise Broken(names.said(card.get("beats_reason") or "") or "how sure this is was not drawn")
    asked = card.get("level") or 0.95
    if p < asked:
        raise Broken(f"the chance that {names.product(a)} scores higher is {chance(p)}; {percent(asked)} is asked for")
    return Shown("", f"chance {chance(p)}", f"ranking-{weighting}")


_LEADS = {"clear": ("clear winner",), "ahead": ("clear winner", "ahead"), "shared": ("shared lead",)}


def _lead(live: Live, what: str, weighting: str, product: str) -> Shown:
    card, names = live.cards.get(weighting) or {}, live.names
    row = live.card_row(weighting, product)
    winner = card.get("winner")
    if not winner:
        raise Broken("how sure the order is was not drawn: no winner can be named")
    if winner["word"] not in _LEADS[what] or product not in winner["products"]:
        raise Broken(f"the results say: {names.said(winner['text'] or winner['word'])}")
    p = f"chance of being first {chance(row['p_best'])}" if row.get("p_best") is not None else ""
    tested = "among the units tested" if winner.get("among_units_tested") else ""
    partly = f"say “among the units tested” of {names.product(product)}" if tested else ""
    return Shown("", "; ".join(part for part in (p, tested) if part), f"ranking-{weighting}", partly)


def _award(live: Live, what: str, weighting: str, product: str) -> Shown:
    rule, names = what.replace("-", "_"), live.names
    rows = [row for row in live.awards if row["rule"] == rule and row["weighting"] in (weighting, None)]
    for row in rows:
        if row["product"] == product and row["supported"]:
            p = f"chance {chance(row['p'])}" if row.get("p") is not None else ""
            tested = "among the units tested" if row.get("among_units_tested") else ""
            partly = f"say “among the units tested” of {names.product(product)}" if tested else ""
            return Shown("", "; ".join(part for part in (p, tested) if part), "awards", partly)
    own = next((row for row in rows if row["product"] == product and row.get("why")), None)
    told = own or next((row for row in rows if row["by"] == "numbers"), None)
    if told is not None and told["product"] and told["product"] != product:
        raise Broken(f"by the numbers it goes to {names.product(told['product'])}")
    raise Broken(f"the numbers do not support this award: {names.said((told or {}).get('why') or 'there is none')}")


def _prices(live: Live, *codes: str) -> list[float]:
    for code in codes:
        if (live.costs.get(code) or {}).get("per_item") is None:
            raise Broken(f"the price of {live.names.product(code)} is not known")
    return [live.costs[code]["per_item"] for code in codes]


def _price(live: Live, what: str, a: str, b: str) -> Shown:
    first, second = _prices(live, a, b)
    told = f"{money(first, live.costs[a]['currency'])} against {money(second, live.costs[b]['currency'])}"
    if (what == "less" and not first < second) or (what == "same" and first != second):
        raise Broken(f"typical prices of one: {told}")
    return Shown("", f"typical price of one: {told}", "costs")


def _cheapest(live: Live, what: str, product: str) -> Shown:
    (own,) = _prices(live, product)
    known = {code: row["per_item"] for code, row in live.costs.items() if row["per_item"] is not None}
    if len(known) < 2:
        raise Broken("no other price is known")
    as_cheap = [code for code, price in known.items() if code != product and price <= own]
    if as_cheap:
        raise Broken(f"{_many(live, as_cheap)} {'costs' if len(as_cheap) == 1 else 'cost'} as little or less")
    without = [code for code in live.names.products if code not in known]
    partly = f"{_many(live, without)} {'has' if len(without) == 1 else 'have'} no price" if without else ""
    return Shown("", f"typical price of one: {money(own, live.costs[product]['currency'])}", "costs", partly)


TIES = {
    "difference": _difference, "most": _most, "change": _change, "passed": _passed, "claim": _claim,
    "claims": _claims, "certification": _certification, "score": _score, "lead": _lead, "award": _award,
    "price": _price, "cheapest": _cheapest,
}  # fmt: skip
__all__ = ["TIES", "better_of"]

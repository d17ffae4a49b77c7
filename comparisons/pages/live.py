"""Live values: what a reference of an article comes to by the results as they are now.

Digits are those of the tables (`numbers`, and the table makers of `measured`, `promises`, `ranking`): one number
is never written in two ways on one page.
"""

from __future__ import annotations

from collections.abc import Iterable

from comparisons.folder.digest import is_public
from comparisons.folder.spec import SPEC
from comparisons.folder.tables import Table, Tables

from . import words
from .figures import robust_places
from .measured import n_text
from .names import Names
from .numbers import (
    chance,
    counted,
    digits_of,
    likely,
    money,
    ordinal,
    percent,
    significant,
    with_unit,
    write,
)
from .promises import claim_places, deviation_text, interval_of, why_none
from .ranking import interval_of_places, score_places
from .references import Broken, Reference, Shown
from .scoring import cards

PICTURES = (".png", ".jpg", ".jpeg", ".webp", ".gif")
# What no reference and no check of a text reads: left out of what is kept for the desk.
HEAVY = ("readings", "specimens", "exposures")


def light(tables: Tables) -> Tables:
    """The tables without those that no text rests on, and without the files' bytes."""
    return tables.replace({name: Table(SPEC[name]) for name in HEAVY}, files={})


class Live:
    """The results of a study, looked up by the codes of references. Keeps nothing that is large."""

    def __init__(self, names: Names, document: dict):
        self.names = names
        self.evaluated = bool(document)
        self.stored = {row["file"]: row for row in names.tables["files"].rows()}
        self.pictures = {  # those that readers may see
            path: row for path, row in self.stored.items()
            if is_public(row["about"], row["kind"]) and path.lower().endswith(PICTURES)
        }  # fmt: skip
        self.summaries = _keyed(document.get("summaries"), "trial", "product")
        self.passes = _keyed(document.get("pass_fail"), "trial", "product")
        self.changes = _keyed(document.get("changes"), "trial", "product")
        self.ratings = _keyed(document.get("ratings"), "trial")
        self.claims = _keyed(document.get("claims"), "claim")
        self.costs = _keyed(document.get("costs"), "product")
        self.cards = {card["weighting"]: card for card in cards(names, document)}
        self.awards = document.get("awards") or []
        self.decision = document.get("decision") or {}
        self.tests = {}
        self.pairs: dict[tuple[str, str, str], dict] = {}
        for row in document.get("differences") or []:
            self.tests[row["trial"]] = {key: value for key, value in row.items() if key != "pairs"}
            for pair in row.get("pairs") or []:
                self.pairs[row["trial"], pair["a"], pair["b"]] = pair
        self.values = sum(1 for row in document.get("specimens") or [] if row["counted"])

    def show(self, reference: Reference) -> Shown:
        """A reference's value or its tie. Broken, saying why, where there is none or it does not hold."""
        from .ties import TIES

        self._known(reference)
        if not self.evaluated:
            raise Broken("there are no results yet: evaluate the draft")
        if reference.form.scheme == "holds":
            return TIES[reference.form.kind](self, reference.what, *reference.codes)
        return VALUES[reference.form.kind](self, reference.what, *reference.codes)

    def _known(self, reference: Reference) -> None:
        for slot, code in zip(reference.form.slots, reference.codes, strict=True):
            known, thing = {
                "trial": (self.names.trials, "trial"), "product": (self.names.products, "product"),
                "other": (self.names.products, "product"), "claim": (self.names.claims, "claim"),
                "weighting": (self.names.weightings, "weighting"),
            }[slot]  # fmt: skip
            if code not in known:
                raise Broken(f"this study has no {thing} “{code}”")
        if "other" in reference.form.slots and len(set(reference.codes[-2:])) == 1:
            raise Broken("a product cannot be compared with itself")

    def pair(self, trial: str, a: str, b: str) -> dict:
        """What the results say of a less b, turned round where they hold b less a."""
        if (found := self.pairs.get((trial, a, b))) is not None:
            return found
        other = self.pairs.get((trial, b, a))
        if other is None:
            reason = (self.tests.get(trial) or {}).get("reason")
            raise Broken(f"the results do not compare these two here{f': {reason}' if reason else ''}")
        difference, ci = other["difference"], other["ci"]
        return other | {
            "difference": None if difference is None else -difference,
            "ci": None if ci is None else [-ci[1], -ci[0]],
        }

    def card_row(self, weighting: str, product: str) -> dict:
        card = self.cards.get(weighting)
        row = next((row for row in card["products"] if row["product"] == product), None) if card else None
        if row is None:
            raise Broken("there is no score of it")
        return row

    def pair_texts(self, trial: str, pair: dict) -> tuple[str, str]:
        """A difference with its unit, and its likely range, in digits by that range."""
        scale, prop = (self.tests.get(trial) or {}).get("scale") or "", self.names.property_of(trial)
        factor, unit = (100, "percentage points") if scale == "share" else (1, self.names.unit(prop))
        unit = unit or ("step" if "rating" in scale else "")
        y, ci = pair["difference"] * factor, [end * factor for end in pair["ci"]] if pair["ci"] else None
        half = (ci[1] - ci[0]) / 2 if ci else None
        places = max(0, digits_of(y, half, self.names.decimals(prop)))
        text = with_unit(write(y, places, signed=True), unit)
        return text, with_unit(likely(*ci, places, signed=True), unit) if ci else ""


def _keyed(rows: Iterable[dict] | None, *keys: str) -> dict:
    return {tuple(row[key] for key in keys) if len(keys) > 1 else row[keys[0]]: row for row in rows or []}


def _joined(*parts: str) -> str:
    return "; ".join(part for part in parts if part)


def _absent(row: dict | None, otherwise: str = "no result") -> Broken:
    row = row or {}
    return Broken(words.ABSENCES.get(row.get("absence") or "") or row.get("reason") or otherwise)


def _summary(live: Live, what: str, trial: str, product: str) -> Shown:
    row, names = live.summaries.get((trial, product)), live.names
    if row is None and (trial, product) in live.passes:
        raise Broken("this trial counts what passes: pick how many passed")
    if row is None or not row["n"]:
        raise _absent(row, "it was not measured in this trial")
    prop, rating = names.property_of(trial), row["kind"] == "rating"
    decimals, unit = names.decimals(prop), names.unit(prop)
    mean, spread = row["mean"], row["U"]
    places = digits_of(mean, spread, decimals)
    top = names.scale(prop)[1] if rating else None
    if rating:
        places = min(places, 2)
    tested = counted(row["n"], "rating") if rating else n_text(row["n"], row.get("units"))
    ends = (mean - spread, mean + spread) if mean is not None and spread is not None else (None, None)
    if rating and ends[0] is not None:
        low, high = names.scale(prop)
        ends = (ends[0] if low is None else max(low, ends[0]), ends[1] if high is None else min(high, ends[1]))
    said = with_unit(likely(*ends, places), unit)
    middle = robust_places(row, places, decimals)

    def amount(value, digits: int) -> str:
        if value is None:
            raise Broken(row["reason"] or ("some specimens gave only a bound" if row.get("n_bounds") else "no value"))
        text = write(value, digits)
        return f"{text} of {write(top)}" if top is not None else with_unit(text, unit)

    def own(value) -> str:
        """A spread: two digits of its own."""
        if value is None:
            raise Broken(row["reason"] or "spread not known")
        return with_unit(write(value, significant(value, 2) if value else 0), unit or ("step" if rating else ""))

    if what == "mean" and mean is None:
        bound = next(((w, row[k]) for k, w in (("low", "at least"), ("high", "at most")) if row[k] is not None), None)
        if bound is None:
            raise _absent(row)
        text = f"{bound[0]} {with_unit(write(bound[1], places), unit)}"
    elif what == "mean":
        text = amount(mean, places)
    elif what == "likely":
        if not said:
            raise Broken(row["reason"] or "its range is not known")
        text = said.removeprefix("likely ")
    elif what == "median" and rating:
        text = amount((live.ratings.get(trial, {}).get("medians") or {}).get(product), 1)
    elif what in ("median", "min", "max"):
        text = amount(row[what], 1 if rating else middle)
    elif what in ("sd", "U"):
        text = own(row[what])
    elif what == "n":
        text = tested if rating else counted(row["n"], "specimen")
    else:
        if row.get("units") is None:
            raise Broken("units were not recorded")
        text = counted(row["units"], "unit")
    about = tested if what not in ("n", "units") else ""
    beside = said if what == "mean" else ""
    return Shown(text, _joined(about, beside), f"trial-{trial}")


def _passed(live: Live, what: str, trial: str, product: str) -> Shown:
    row = live.passes.get((trial, product))
    if row is None or not row["n"]:
        raise _absent(row, "it was not tried in this trial")
    promise = (row.get("words") or "").partition(": ")[2]
    if what == "promise" and not promise:
        raise Broken("the results do not say what share would pass")
    text = {"passed": f"{row['passed']} of {row['n']}", "share": percent(row["share"]), "promise": promise}[what]
    tested = n_text(row["n"], row.get("units"))
    return Shown(text, _joined(tested, promise if what != "promise" else ""), f"trial-{trial}")


def change_texts(row: dict) -> tuple[int, str, str]:
    """Decimals, likely range and counts of a change, as in the table of changes."""
    ci = row["ci_pct"]
    places = max(0, min(digits_of(row["change_pct"], (ci[1] - ci[0]) / 2 if ci else None, 1), 2))
    said = with_unit(likely(*ci, places, signed=True), "percent") if ci else ""
    return places, said, f"{counted(row['n'], 'specimen')} after, {row['n_baseline']} before"


def _change(live: Live, what: str, trial: str, product: str) -> Shown:
    row = live.changes.get((trial, product))
    if row is None:
        raise Broken("this trial has no trial before it: there is no change" if trial not in {
            t for t, _ in live.changes} else "no result")  # fmt: skip
    y = row["change_pct"]
    if y is None:
        raise _absent({"absence": live.summaries.get((trial, product), {}).get("absence"), **row})
    places, said, tested = change_texts(row)
    if what == "loss" and not y < 0 or what == "gain" and not y > 0:
        raise Broken(f"there is no {what}: the change is {write(y, places, signed=True)}\u00a0%")
    if what == "likely":
        if not said:
            raise Broken("its range is not known")
        return Shown(said.removeprefix("likely "), tested, f"change-{trial}")
    text = write(y, places, signed=True) if what == "change" else write(abs(y), places)
    return Shown(with_unit(text, "percent"), _joined(tested, said), f"change-{trial}")


def _difference(live: Live, what: str, trial: str, a: str, b: str) -> Shown:
    pair = live.pair(trial, a, b)
    if pair["difference"] is None:
        raise Broken(pair["reason"] or "no result")
    text, said = live.pair_texts(trial, pair)
    if what == "likely":
        if not said:
            raise Broken(pair["reason"] or "its range is not known")
        text, said = said.removeprefix("likely "), text
    names = live.names
    return Shown(text, _joined(f"{names.product(a)} less {names.product(b)}", said), f"trial-{trial}")


def _claim(live: Live, what: str, claim: str) -> Shown:
    row, names = live.claims.get(claim), live.names
    if row is None:
        raise Broken("the results do not hold this claim")
    if row.get("kind") == "certification":
        text = words.certification(row.get("state"), row.get("reference"), row.get("checked_on"))
        if what != "statement":
            raise Broken("a certification has a statement and no number")
        return Shown(text, "", "claims")
    kind = "yes" if row["sense"] == "yes" else row["of"]
    unit = "percent" if kind == "change" else names.unit(row["property"])
    interval, places = interval_of(row), claim_places(names, row)
    said = with_unit(likely(*interval, places, signed=kind == "change"), unit) if interval else ""
    claimed = f"claimed {names.claimed(claim)}"
    anchor = f"claims-{row['property']}-{row['trial'] or 'untested'}-{kind}"
    if what == "claimed":
        return Shown(names.claimed(claim), names.product(row["product"]), anchor)
    if what == "statement":
        return Shown(words.statement(row["statement"], why_none(row)), claimed, anchor)
    if what == "chance":
        if row["p_conform"] is None:
            raise Broken(row["reason"] or "the results do not say how likely it is met")
        return Shown(chance(row["p_conform"]), claimed, anchor)
    if what == "measured":
        if kind == "yes":
            return _passed(live, "passed", row["trial"] or "", row["product"])
        if row["measured"] is None:
            raise Broken(row["reason"] or "not measured")
        text = with_unit(write(row["measured"], places, signed=kind == "change"), unit)
        return Shown(text, _joined(said, claimed), anchor)
    if row["deviation"] is None or kind == "yes" or (what == "deviation_pct" and row.get("deviation_pct") is None):
        raise Broken(row["reason"] or "there is no deviation from this claim")
    if what == "deviation_pct":
        text = with_unit(write(row["deviation_pct"], 1, signed=True), "percent")
    else:
        text = deviation_text(row, unit, places)
    return Shown(text, _joined(said, claimed), anchor)


def _cost(live: Live, what: str, product: str) -> Shown:
    row = live.costs.get(product)
    if row is None or row[what] is None:
        reasons = (row or {}).get("reasons") or {}
        raise Broken(reasons.get(what) or (row or {}).get("reason") or "its price is not known")
    text = money(row[what], row["currency"])
    if what.startswith("per_content") or what.startswith("per_usable"):
        text += f" per {row['content_unit']}"
    return Shown(text, f"from {counted(row['n'], 'purchase')}", "costs")


def _score(live: Live, what: str, weighting: str, product: str) -> Shown:
    row, card = live.card_row(weighting, product), live.cards[weighting]
    places = score_places(card)
    said = likely(*row["ci"], places) if row.get("ci") else ""
    held = f"held back: {held_by(live, row)}" if row.get("gated") else ""
    if what == "score":
        if row["score"] is None:
            raise Broken(row.get("reason") or "it has no score")
        return Shown(f"{write(row['score'], places)} of 100", _joined(said, held), f"ranking-{weighting}")
    found = {
        "likely": said.removeprefix("likely "),
        "place": ordinal(row["rank"]) if row.get("rank") else "",
        "places": interval_of_places(row.get("rank_interval")),
        "first": chance(row.get("p_best")),
    }[what]
    if not found:
        raise Broken(held or live.names.said(row.get("draws_reason") or row.get("reason") or "it has none"))
    ranked = sum(1 for r in card["products"] if r.get("rank"))
    about = f"of {counted(ranked, 'product')}" if what in ("place", "places") else live.names.weighting(weighting)
    return Shown(found, about, f"ranking-{weighting}")


def held_by(live: Live, row: dict) -> str:
    """The must-haves that a product misses, by name."""
    return words.listed([live.names.criterion(gate["criterion"]) for gate in row["gated"]])


def _count(live: Live, what: str) -> Shown:
    tables = live.names.tables
    if what == "values":
        return Shown(f"{write(live.values)} values", "of specimens", "results")
    n = len(tables[what])
    return Shown(counted(n, what[:-1]), "", {"purchases": "bought", "claims": "claims"}.get(what, "results"))


VALUES = {
    "summaries": _summary, "pass_fail": _passed, "changes": _change, "differences": _difference, "claims": _claim,
    "costs": _cost, "scorecards": _score, "counts": _count,
}  # fmt: skip

"""The answer, the rankings with how sure they are, and what they would change for."""

from __future__ import annotations

from . import words
from .names import Names
from .numbers import (
    GAP,
    aligned,
    chance,
    counted,
    digits_of,
    likely,
    money,
    ordinal,
    percent,
    write,
)
from .rangeline import Line, draw, draw_axis, fixed

# Chance of being the best from which the words are used; below the second, the lead is shared.
CLEAR, AHEAD = 0.975, 0.80
SHARED = 0.90  # the products that share a lead hold together at least this chance of being the best
SCORE_AXIS = (0.0, 100.0)


def rankings(names: Names, document: dict) -> list[dict]:
    """One ranking for each weighting, in the order of the comparison."""
    prices = {row["product"]: row.get("per_item") for row in document.get("costs") or []}
    return [_ranking(names, card, prices, document) for card in cards(names, document)]


def cards(names: Names, document: dict) -> list[dict]:
    """The scorecards in the comparison's own order of weightings."""
    order = {code: i for i, code in enumerate(names.weightings)}
    found = document.get("scorecards") or []
    return sorted(found, key=lambda card: (order.get(card["weighting"], len(order)), card["weighting"]))


def answer(names: Names, document: dict, made: list[dict]) -> dict:
    """What a reader sees first: the first weighting's leader with how sure it is, then the others."""
    if not made:
        return {"lead": "There is no ranking yet.", "sure": "No criteria are weighed in this comparison.", "others": [],
                "name": "", "awards": awards(names, document)}  # fmt: skip
    first, *others = made
    return {
        "name": first["name"],
        "lead": first["lead"],
        "sure": first["sure"],
        "others": [
            {"name": r["name"], "lead": r["lead"], "sure": r["sure"], "anchor": r["anchor"]} for r in others
        ],
        "awards": awards(names, document),
    }


def awards(names: Names, document: dict) -> list[dict]:
    """What the editor named, as told in the results document or, before that, in the study folder."""
    rows = document.get("awards") or [
        {
            "award": r["award"],
            "name": r["name"],
            "weighting": r["weighting"],
            "product": r["product"],
            "reason": r["reason"],
        }
        for r in names.tables["awards"].rows()
    ]
    return [
        {
            "name": row.get("name") or row.get("award", ""),
            "product": names.product(row["product"]),
            "weighting": names.weighting(row.get("weighting")) if row.get("weighting") else "",
            "reason": words.typeset(row.get("reason")),
        }
        for row in rows
    ]


def _ranking(names: Names, card: dict, prices: dict, document: dict) -> dict:
    code = card["weighting"]
    drawn = any(row.get("p_best") is not None for row in card["products"])
    in_order = sorted(
        (row for row in card["products"] if row.get("rank")),
        key=lambda row: (row["rank"], -(row["score"] or 0), row["product"]),
    )
    axis = fixed(*SCORE_AXIS)
    places = _places(card)
    lead, sure = lead_words(names, card, in_order, places)
    value = next((v for v in document.get("value") or [] if v["weighting"] == code), None)
    return {
        "id": code,
        "anchor": f"ranking-{code}",
        "name": names.weighting(code),
        "lead": lead,
        "sure": sure,
        "drawn": drawn,
        "axis": draw_axis(axis),
        "rows": [_row(names, row, axis, places, prices, drawn) for row in in_order],
        "unranked": [
            {"name": names.product(row["product"]), "reason": words.sentence(row.get("reason") or "no score")}
            for row in card["products"] if not row.get("rank") and not row.get("gated")
        ],
        "counts": _counts(names, card),
        "missing_rule": words.MISSING.get(card.get("missing_rule"), ""),
        "dropped": [
            words.sentence(f"{names.criterion(d['criterion'])} is left out: {d['reason']}") for d in card.get("dropped") or []
        ],
        "firmness": firmness(names, card, in_order),
        "value": _value(names, value, prices) if value else None,
        "chart": [
            {
                "product": names.product(row["product"]), "score": row["score"],
                "low": (row.get("ci") or [None, None])[0], "high": (row.get("ci") or [None, None])[1],
            }
            for row in in_order
        ],
    }  # fmt: skip


def _counts(names: Names, card: dict) -> str:
    """What counts how much, the weightiest first."""
    weights = sorted(card.get("weights", {}).items(), key=lambda item: (-item[1], names.criterion(item[0])))
    return words.sentence(words.listed([f"{names.criterion(c)} {percent(share)}" for c, share in weights]))


def _places(card: dict) -> int:
    """One number of decimals for all scores of a table, by their narrowest interval; at most one."""
    halves = [(row["ci"][1] - row["ci"][0]) / 2 for row in card["products"] if row.get("ci")]
    narrow = min((half for half in halves if half > 0), default=None)
    return max(0, min(1, digits_of(1, narrow, 1)))


def _row(names: Names, row: dict, axis, places: int, prices: dict, drawn: bool) -> dict:
    score, ci = row["score"], row.get("ci")
    text = write(score, places)
    said = likely(*ci, places) if ci else ""
    missing = [m for m in row.get("missing") or [] if not m.get("not_applicable")]
    if missing and not ci and row.get("score_low") is not None:
        said = f"{write(row['score_low'], places)} to {write(row['score_high'], places)} by what is missing"
    interval = row.get("rank_interval")
    words_of_line = f"{names.product(row['product'])}: {text} of 100{', ' + said if said else ''}"
    notes = [_missing(names, m) for m in row.get("missing") or []]
    return {
        "code": row["product"],
        "name": names.product(row["product"]),
        "variant": names.variant(row["product"]),
        "place": ordinal(row["rank"]),
        "score": aligned(text),
        "likely": said,
        "svg": draw(
            axis, Line(words_of_line, mean=score, low=ci[0] if ci else None, high=ci[1] if ci else None)
        ),
        "p_best": chance(row.get("p_best")) if drawn else "",
        "places": _interval_of_places(interval),
        "price": money(prices.get(row["product"]), names.currency),
        "notes": notes + words.flags(row.get("flags") or []),
    }


def _interval_of_places(interval) -> str:
    if not interval:
        return ""
    low, high = interval
    return ordinal(low) if low == high else f"{ordinal(low)} to {ordinal(high)}"


def _missing(names: Names, missing: dict) -> str:
    name = names.criterion(missing["criterion"])
    return f"no result for {name[:1].lower() + name[1:]}: {missing['reason']}"


def lead_words(names: Names, card: dict, in_order: list[dict], places: int = 1) -> tuple[str, str]:
    """Who leads, and how sure that is, each as one or two sentences.

    The words "clear winner", "ahead" and "shared lead" hang on the chance of being the best, and are
    used only where that was computed.
    """
    leaders = card.get("leaders") or [row["product"] for row in in_order if row["rank"] == 1]
    if not leaders:
        return "No product can be named.", words.sentence(card.get("reason") or "no product has a score")
    by_code = {row["product"]: row for row in card["products"]}
    first = by_code[leaders[0]]
    name = names.product(leaders[0])
    score = f"{write(first['score'], places)} of 100"
    known = [row for row in in_order if row.get("p_best") is not None]
    if not known:
        named = words.listed([names.product(code) for code in leaders])
        lead = f"{named} {'have' if len(leaders) > 1 else 'has'} the highest point score, {score}."
        gap = _gap(names, in_order, len(leaders), places)
        return lead, f"{gap}How sure this order is has not been computed yet, so it names no winner."
    best = max(known, key=lambda row: row["p_best"])
    unsettled = card.get("stands_with_missing") is False
    caveat = " A missing result could still change who leads, so no award rests on it." if unsettled else ""
    where = f"scores {score}{', ' + likely(*first['ci'], places) if first.get('ci') else ''}"
    p = best["p_best"]
    if p >= AHEAD and best["product"] == leaders[0]:
        word = "is the clear winner" if p >= CLEAR and not unsettled else "is ahead"
        lead = f"{name} {word}."
        return lead, f"The chance that it is truly first is {chance(p)}; it {where}.{caveat}"
    shared, held = [], 0.0
    for row in sorted(known, key=lambda row: (-row["p_best"], row["rank"])):
        if held >= SHARED:
            break
        shared.append(row)
        held += row["p_best"]
    if len(shared) == 1:
        return f"{name} is ahead by point score.", f"It {where}.{caveat}"
    chances = words.listed([f"{chance(row['p_best'])} for {names.product(row['product'])}" for row in shared])
    lead = f"{words.listed([names.product(row['product']) for row in shared])} share the lead."
    return lead, f"The chance of being truly first is {chances}; {name} {where}.{caveat}"


def _gap(names: Names, in_order: list[dict], leading: int, places: int) -> str:
    if len(in_order) <= leading:
        return ""
    second = in_order[leading]
    return f"{names.product(second['product'])} follows with {write(second['score'], places)}. "


def firmness(names: Names, card: dict, in_order: list[dict]) -> list[str]:
    """What the order hangs on, one sentence each: weights, single criteria, another way of counting."""
    leaders = card.get("leaders") or []
    said = []
    if card.get("stands_with_missing") is False:
        said.append(
            "A product with missing results could lead if these had come out well: no award rests on this order."
        )
    shift = card.get("smallest_shift")
    if isinstance(shift, dict):
        said += _shift(names, shift)
    changed: dict[tuple, list[str]] = {}
    for criterion, winners in (card.get("leave_one_out") or {}).items():
        winners = [winners] if isinstance(winners, str) else winners
        if winners and set(winners) != set(leaders):
            changed.setdefault(tuple(winners), []).append(names.criterion(criterion))
    for winners, criteria in changed.items():
        who = words.listed([names.product(w) for w in winners])
        said.append(f"Without {words.listed([f'“{c}”' for c in criteria], 'or')}, {who} would lead.")
    if card.get("leave_one_out") and leaders:
        which = "any other" if changed else "any one"
        said.append(f"Leaving out {which} criterion changes nothing about the lead.")
    share = {k: v for k, v in (card.get("winner_share_of_weights") or {}).items() if v}
    if share:
        top = sorted(share.items(), key=lambda item: -item[1])[:3]
        told = words.listed([f"{names.product(code)} leads under {chance(p)}" for code, p in top])
        said.append(f"Of all ways to weigh these criteria, {told}.")
    said += _rank_sum(names, card.get("rank_sum") or {}, leaders, in_order)
    return said


def _shift(names: Names, shift: dict) -> list[str]:
    if shift.get("words"):
        return [words.sentence(words.typeset(shift["words"]))]
    amount, rival = shift.get("shift"), shift.get("to") or shift.get("winner") or shift.get("product")
    if amount is None or not rival:
        return [words.sentence(shift["reason"])] if shift.get("reason") else []
    return [
        f"Moving {percent(amount, 1)} of the weight between criteria is the least that would put {names.product(rival)} first."
    ]


def _rank_sum(names: Names, sums: dict, leaders: list[str], in_order: list[dict]) -> list[str]:
    eligible = {row["product"] for row in in_order}
    known = {code: x for code, x in sums.items() if x is not None and code in eligible}
    if not known:
        return []
    least = min(known.values())
    first = sorted(code for code, x in known.items() if x == least)
    who = words.listed([names.product(code) for code in first])
    if set(first) & set(leaders):
        return [f"Adding up places instead of scores also puts {who} first."]
    return [
        f"Adding up places instead of scores would put {who} first. Places count a hair’s breadth as much as a "
        "landslide, so we go by the scores."
    ]


def _value(names: Names, value: dict, prices: dict) -> dict:
    """The products that nothing else beats in score without costing more, and the best under the price cap."""
    frontier = [
        {
            "name": names.product(point["product"]),
            "price": money(point["cost"], names.currency),
            "score": aligned(write(point["score"], 1)),
        }
        for point in value.get("frontier") or []
    ]
    cap, under = value.get("cap"), value.get("best_under_cap")
    under = [under] if isinstance(under, str) else under
    text = ""
    if cap is not None:
        limit = money(cap, names.currency)
        text = (
            words.sentence(value.get("reason"))
            if not under
            else (
                f"Under {limit} an item, {words.listed([names.product(code) for code in under])} "
                f"{'has' if len(under) == 1 else 'have'} the highest score"
                + (
                    f", with a chance of {chance(value['p'])} of being truly so."
                    if value.get("p") is not None
                    else "."
                )
            )
        )
    return {
        "frontier": frontier,
        "text": text,
        "unpriced": [names.product(code) for code in value.get("unpriced") or []],
        "reason": words.sentence(value.get("reason")) if not frontier else "",
    }


def gated(names: Names, document: dict) -> list[dict]:
    """The products that miss a must-have, each with every reason and, for a certification, its date."""
    found: dict[str, dict[str, str]] = {}
    for card in document.get("scorecards") or []:
        for row in card["products"]:
            for gate in row.get("gated") or []:
                gate = gate if isinstance(gate, dict) else {"criterion": gate, "reason": ""}
                found.setdefault(row["product"], {})[gate["criterion"]] = gate.get("reason") or ""
    scores = {
        row["product"]: row for card in cards(names, document)[:1] for row in card["products"]
    }
    rows = []
    for code, gates in sorted(found.items(), key=lambda item: names.product(item[0])):
        score = scores.get(code, {}).get("score")
        rows.append({
            "code": code,
            "name": names.product(code),
            "variant": names.variant(code),
            "reasons": [_gate(names, document, code, criterion, reason) for criterion, reason in gates.items()],
            "score": write(score, 1),
            "place": ordinal(scores[code]["rank_of_all"]) if scores.get(code, {}).get("rank_of_all") else "",
        })  # fmt: skip
    return rows


def _gate(names: Names, document: dict, product: str, criterion: str, reason: str) -> str:
    part = names.criteria.get(criterion, {})
    name = names.criterion(criterion)
    if part.get("certification"):
        claims = [
            c for c in document.get("claims") or []
            if c.get("kind") == "certification" and c["product"] == product and c["property"] == part["certification"]
        ]  # fmt: skip
        states = [
            words.certification(c.get("state"), c.get("reference"), c.get("checked_on")) for c in claims
        ]
        return words.sentence(f"{name}: {'; '.join(states) or reason or 'not looked for'}")
    return words.sentence(f"{name}: {reason or 'does not reach what is required'}")


def criteria(names: Names, document: dict) -> list[dict]:
    """How each criterion is scored: what scores nothing and what scores full, and when that was fixed."""
    rows = []
    order = {code: i for i, code in enumerate(names.criteria)}
    found = sorted(document.get("criteria") or [], key=lambda row: order.get(row["criterion"], len(order)))
    for row in found:
        part = names.criteria.get(row["criterion"], {})
        unit = row.get("unit") or ""
        if row["kind"] == "cost":
            unit = names.currency
        share = row["kind"] in ("share", "certification")

        def amount(value, unit=unit, share=share) -> str:
            if value is None:
                return ""
            if share:
                return percent(value)
            mark = {"percent": "%"}.get(unit, unit)
            return f"{write(value)}{GAP}{_symbol(mark)}" if mark else write(value)

        rows.append({
            "name": names.criterion(row["criterion"]),
            "source": _source(names, row, part),
            "better": words.BETTER.get(row.get("better") or "", ""),
            "floor": amount(row.get("floor")) if row["kind"] != "certification" else "",
            "ceiling": amount(row.get("ceiling")) if row["kind"] != "certification" else "",
            "target": (
                f"{amount(row['target'])}, give or take {amount(row.get('band') or 0)}"
                if row.get("target") is not None and row.get("better") == "target" else ""
            ),
            "form": {"logarithmic": "by its logarithm", "desirability": "by desirability"}.get(
                row.get("value_function"), "in proportion"
            ),
            "must": bool(row.get("must")),
            "set_at": words.day(row.get("anchors_set_at")),
            "notes": words.flags(row.get("flags") or []) + ([row["reason"]] if row.get("reason") else []),
            "weights": [
                percent(card.get("weights", {}).get(row["criterion"])) or "–"
                for card in cards(names, document)
            ],
        })  # fmt: skip
    return rows


def _symbol(unit: str) -> str:
    from .numbers import symbol

    return symbol(unit)


def _source(names: Names, row: dict, part: dict) -> str:
    if part.get("cost"):
        kind = {
            "per_item": "price per item",
            "per_content": "price per content",
            "per_usable": "price per usable amount",
        }
        return f"{part.get('measure') or 'typical'} {kind.get(part['cost'], part['cost'])}"
    if part.get("certification"):
        return names.property(part["certification"])
    measure = {"change": "change of ", "median": "median of ", "min": "least of ", "max": "greatest of "}
    return f"{measure.get(part.get('measure') or row['kind'], '')}{names.trial(part.get('trial', row.get('ref', '')))}"


__all__ = ["answer", "awards", "counted", "criteria", "firmness", "gated", "lead_words", "rankings"]

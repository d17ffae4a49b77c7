"""Who leads, how sure that is, and what the order hangs on: in sentences."""

from __future__ import annotations

from . import words
from .names import Names
from .numbers import chance, likely, percent, write

OTHERS = 4  # how many products a sentence names before it stops


def lead_words(names: Names, card: dict, in_order: list[dict], places: int = 1) -> tuple[str, str]:
    """Who leads, and how sure that is, each as one or two sentences.

    The words "clear winner", "ahead" and "shared lead" are those of the results document, which hang on
    draws. Where nothing was drawn only the point scores are told, and that they name no winner.
    """
    leaders = card.get("leaders") or [row["product"] for row in in_order if row["rank"] == 1]
    if not leaders:
        return "No winner can be named.", words.sentence(names.said(card.get("reason") or "no product has a score"))
    winner = card.get("winner")
    if not winner:
        return _by_points(names, in_order, leaders, places)
    by_code = {row["product"]: row for row in card["products"]}
    named = [code for code in winner["products"] if code in by_code]
    tested = ", among the units tested" if winner.get("among_units_tested") else ""
    if winner["word"] in ("clear winner", "ahead") and named:
        said = "is the clear winner" if winner["word"] == "clear winner" else "is ahead"
        row = by_code[named[0]]
        sure = f"The chance that it is truly first is {chance(row.get('p_best'))}. It {_scores(row, places)}."
        return f"{names.product(named[0])} {said}{tested}.", sure
    if winner["word"] == "shared lead" and named:
        chances = [
            f"{chance(by_code[code]['p_best'])} for {names.product(code)}"
            for code in named
            if by_code[code].get("p_best") is not None
        ]
        first = by_code[named[0]]
        sure = f"{names.product(named[0])} {_scores(first, places)}."
        if chances:
            sure = f"The chance of being truly first is {words.listed(chances)}. {sure}"
        return f"{words.listed([names.product(code) for code in named])} share the lead{tested}.", sure
    first = by_code[leaders[0]]
    sure = f"{names.product(leaders[0])} {_scores(first, places)}, more than any other"
    if first.get("p_best") is not None:
        sure += f", with a chance of {chance(first['p_best'])} to be truly first"
    could = [names.product(code) for code in winner.get("could_win") or []]
    if could:
        return (
            "No winner can be named.",
            f"{sure}. But {words.listed(could, 'or')} may lead once what is missing is known.",
        )
    return "No winner can be named.", f"{sure}. {words.sentence(names.said(winner['text']))}"


def _scores(row: dict, places: int) -> str:
    text = f"scores {write(row['score'], places)} of 100"
    return f"{text}, {likely(*row['ci'], places)}" if row.get("ci") else text


def _by_points(names: Names, in_order: list[dict], leaders: list[str], places: int) -> tuple[str, str]:
    first = next(row for row in in_order if row["product"] == leaders[0])
    named = words.listed([names.product(code) for code in leaders])
    verb = "have" if len(leaders) > 1 else "has"
    gap = ""
    if len(in_order) > len(leaders):
        second = in_order[len(leaders)]
        gap = f"{names.product(second['product'])} follows with {write(second['score'], places)}. "
    return (
        f"{named} {verb} the highest point score, {write(first['score'], places)} of 100.",
        f"{gap}How sure this order is has not been computed yet, so it names no winner.",
    )


def firmness(names: Names, card: dict, in_order: list[dict]) -> list[str]:
    """What the order hangs on, one sentence each: what is missing, weights, criteria, another way to count."""
    leaders = card.get("leaders") or []
    winner = card.get("winner") or {}
    said = []
    if winner.get("word") == "ahead" and winner.get("reasons"):
        reasons = "; ".join(names.said(reason) for reason in winner["reasons"])
        said.append(words.sentence(f"why it is not called a clear winner: {reasons}"))
    if card.get("stands_with_missing") is False:
        said.append("What is missing could change who leads, so no award rests on this order.")
    said += _opinions(names, card.get("without_opinions"))
    said += _shift(names, card.get("smallest_shift"))
    said += _left_out(names, card.get("leave_one_out") or {}, leaders)
    said += _weights(names, card)
    if any(row.get("order_changes") for row in (card.get("leave_product_out") or {}).values()):
        said.append("Leaving a product out changes the order of others, since some anchors are taken from the results.")
    said += _rank_sum(names, card, leaders, in_order)
    return said


def _opinions(names: Names, other: dict | None) -> list[str]:
    if not other:
        return []
    left = words.listed([f"“{names.criterion(code)}”" for code in other["left_out"]])
    who = words.listed([names.product(code) for code in other["products"]])
    outcome = {
        "clear winner": f"{who} is the clear winner",
        "ahead": f"{who} is ahead",
        "shared lead": f"{who} share the lead",
    }.get(other["word"] or "", "no winner can be named")
    return [f"Without {left}, which is the opinion of one or two raters, {outcome}."]


def _shift(names: Names, shift: dict | None) -> list[str]:
    """The least change of weights that would put another product level with the leader."""
    if not shift or not shift.get("leader"):
        return []
    leader = names.product(shift["leader"])
    if not shift.get("rival"):
        return (
            [f"No weights at all put another product level with {leader}."]
            if shift.get("reason") == "no weights do it"
            else []
        )
    moves = {True: [], False: []}
    for move in shift.get("moves") or []:
        text = f"“{names.criterion(move['criterion'])}” ({percent(move['from'])} to {percent(move['to'])})"
        moves[move["to"] > move["from"]].append(text)
    about = "about " if shift.get("approximate") else ""
    if not (moves[True] and moves[False]):
        return []
    return [
        f"{names.product(shift['rival'])} draws level with {leader} if {about}{percent(shift['shift'], 1)} of the "
        f"weight moves from {words.listed(moves[False])} to {words.listed(moves[True])}. "
        "No smaller change of weights does that."
    ]


def _left_out(names: Names, left_out: dict, leaders: list[str]) -> list[str]:
    changed: dict[tuple, list[str]] = {}
    for criterion, winners in left_out.items():
        if winners and set(winners) != set(leaders):
            changed.setdefault(tuple(winners), []).append(names.criterion(criterion))
    said = []
    for winners, criteria in changed.items():
        who = words.listed([names.product(w) for w in winners])
        said.append(f"Without {words.listed([f'“{c}”' for c in criteria], 'or')}, {who} would lead.")
    if left_out and leaders:
        which = "any other" if changed else "any one"
        said.append(f"Leaving out {which} criterion changes nothing about the lead.")
    return said


def _weights(names: Names, card: dict) -> list[str]:
    said = []
    for key, about in (
        ("winner_share_of_weights", "With weights a little off ours"),
        ("winner_share_of_all_weights", "Over all weights there could be"),
    ):
        shares = sorted((card.get(key) or {}).items(), key=lambda item: (-item[1], item[0]))
        told = [f"{names.product(code)} leads in {chance(p)}" for code, p in shares[:OTHERS] if p >= 0.01]
        if told:
            said.append(f"{about}, {words.listed(told)} of cases.")
    return said


def _rank_sum(names: Names, card: dict, leaders: list[str], in_order: list[dict]) -> list[str]:
    """The plain sum of places, which knows neither margins nor weights: told, never decisive."""
    eligible = {row["product"] for row in in_order}
    known = {code: x for code, x in (card.get("rank_sum") or {}).items() if x is not None and code in eligible}
    if not known:
        return []
    least = min(known.values())
    first = sorted(code for code, x in known.items() if x == least)
    who = words.listed([names.product(code) for code in first])
    if set(first) & set(leaders):
        return [f"Adding up places instead of scores also puts {who} first."]
    return [
        f"Adding up places instead of scores would put {who} first. A sum of places counts a hair’s breadth as much "
        "as a landslide and every criterion alike, so we go by the scores."
    ]

"""How likely each place is for each product, and what the draws behind it met with."""

from __future__ import annotations

from . import words
from .names import Names
from .numbers import GAP, chance, ordinal, percent, write

MOST_DRAWN = 40  # products in the chart, the first ones; the table has all
MOST_PLACES = 12  # places with a column of their own; later ones share the last
WORTH_TELLING = 0.01  # shares of draws below this are not remarked upon


def in_draws(share) -> str:
    """A share of draws in whole percent, for a table whose head says so; never printed as none or all.

    >>> in_draws(0.6413), in_draws(0.0004), in_draws(0.9999), in_draws(None)
    ('64', '< 1', '> 99', '')
    """
    if share is None:
        return ""
    if share < 0.01:
        return f"<{GAP}1"
    return f">{GAP}99" if share > 0.99 else write(100 * share, 0)


def places(names: Names, card: dict) -> dict | None:
    """Shares of draws by place, one row for each product that was drawn, the leader first; None without draws.

    heads: of the columns; rows: their texts with the likely places; chart: the same shares as numbers.
    """
    drawn = [row for row in card["products"] if row.get("p_rank")]
    if not drawn:
        return None
    drawn.sort(key=lambda row: (row["rank"], -(row["score"] or 0), row["product"]))
    n = max(len(row["p_rank"]) for row in drawn)
    shown = n if n <= MOST_PLACES else MOST_PLACES - 1
    heads = [ordinal(k + 1) for k in range(shown)] + ([f"{ordinal(shown + 1)} or later"] if shown < n else [])
    rows = []
    for row in drawn:
        shares = row["p_rank"][:shown] + ([max(0.0, 1.0 - sum(row["p_rank"][:shown]))] if shown < n else [])
        likely = row.get("rank_interval")
        rows.append({
            "code": row["product"],
            "name": names.product(row["product"]),
            "cells": [in_draws(p) for p in shares],
            "likely": between(likely),
            "shares": shares,
        })  # fmt: skip
    bars = [{"product": row["name"], "shares": row.pop("shares")} for row in rows]
    chart = {"heads": heads, "rows": bars[:MOST_DRAWN], "left_out": len(bars[MOST_DRAWN:])}
    return {"heads": heads, "rows": rows, "chart": chart, "notes": notes(names, card, drawn)}


def between(interval) -> str:
    """Two places as a reader says them; one where they are the same.

    >>> between([1, 3]), between([2, 2]), between(None)
    ('1st to 3rd', '2nd', '')
    """
    if not interval:
        return ""
    low, high = interval
    return ordinal(low) if low == high else f"{ordinal(low)} to {ordinal(high)}"


def error(card: dict) -> str:
    """The greatest Monte Carlo standard error of the card's shares, in points of percent."""
    found = [e for row in card["products"] for e in row.get("p_rank_mc") or []]
    found += [e for line in (card.get("beats_mc") or {}).values() for e in line.values() if e is not None]
    return write(100 * max(found), 2) if found else ""


def notes(names: Names, card: dict, drawn: list[dict]) -> list[str]:
    """What is to be known of the draws: how exact their shares are, and where the draws met a limit."""
    said = [
        f"Shares of {write(card['draws'], 0)} draws. Another run of as many would change a share by a "
        f"standard error of at most {error(card)} points."
    ]
    level = card.get("rank_level")
    if level:
        said.append(
            f"A likely place holds the middle {percent(level)} of draws of that product alone; "
            "those of several products need not come true together."
        )
    tied = [(r, r.get("p_tie_first") or 0.0) for r in drawn]
    tied = [f"{names.product(r['product'])} in {chance(p)}" for r, p in tied if p >= WORTH_TELLING]
    if tied:
        said.append(
            "Products that tie in a draw share their places equally. First together with others: "
            f"{words.listed(tied)} of draws."
        )
    short = [r for r in drawn if r.get("p_meets") is not None and r["p_meets"] < 1 - WORTH_TELLING]
    if short:
        told = words.listed([f"{names.product(r['product'])} in {chance(1 - r['p_meets'])}" for r in short])
        said.append(f"What is required is measured too, and is missed by {told} of draws; in those it has no place.")
    return said + _limits(names, card)


def _limits(names: Names, card: dict) -> list[str]:
    """Criteria whose draws pass an anchor or a physical limit, and those that were not drawn at all."""
    said = []
    found = card.get("drawn") or []
    clipped = [f"“{names.criterion(row['criterion'])}”" for row in found if row.get("clips")]
    if clipped:
        said.append(
            f"More than 5{GAP}% of draws of {words.listed(clipped)} lie beyond what scores 0 or 100: "
            "out there one product gains nothing on another."
        )
    cut = [
        f"“{names.criterion(row['criterion'])}” ({chance(row['truncated'])})"
        for row in found if (row.get("truncated") or 0) >= WORTH_TELLING
    ]  # fmt: skip
    if cut:
        said.append(f"Draws that no such quantity can take were cut back to its limit: {words.listed(cut)}.")
    said += [
        words.sentence(f"“{names.criterion(row['criterion'])}” is held at its value: {names.said(row['reason'])}")
        for row in card.get("not_drawn") or []
    ]
    return said


def nothing_drawn(names: Names, card: dict) -> str:
    """Why no chances are told, in one sentence; empty where they are, or where nothing was tried yet."""
    reason = card.get("draws_reason")
    return f"No chances are told: {names.said(reason)}." if reason and not card.get("draws") else ""


def beats_notes(names: Names, card: dict) -> str:
    """What the pairs count, or why there are none."""
    if card.get("beats"):
        return "Half of the draws in which two products tie counts for each of them."
    return words.sentence(names.said(card.get("beats_reason") or ""))

"""What the words for how sure a ranking is mean, with the limits that they rest on."""

from __future__ import annotations

from .names import Names
from .numbers import GAP, percent, write
from .places import error
from .scoring import cards


def glossary(names: Names, document: dict) -> list[dict]:
    """Terms with their meaning, as the evaluation applied them; empty where nothing was drawn."""
    drawn = [card for card in cards(names, document) if card.get("draws") and card.get("winner")]
    if not drawn:
        return []
    card = drawn[0]
    errors = [float(text) for text in map(error, drawn) if text]
    terms = _draws(card, write(max(errors), 2)) + _winners(card["winner"]["limits"]) + _weights(card)
    return [{"term": term, "text": text} for term, text in terms]


def _draws(card: dict, worst: str) -> list[tuple[str, str]]:
    draws, level, places = write(card["draws"], 0), percent(card["level"]), percent(card["rank_level"])
    return [
        (
            "Score",
            "Each result becomes a number from 0 to 100 between two fixed values, its anchors; the score is the mean "
            "of these by their weights. What is missing never counts as nothing unless that is said.",
        ),
        (
            "Likely range of a score",
            f"The middle {level} of draws, widened where needed to hold the score itself.",
        ),
        (
            "Chance of being first",
            f"In how many of {draws} draws a product ranks first. A draw lets everything that is uncertain fall anew: "
            "means, changes, shares, ratings, and for each gauge once what all that it measured have in common. "
            f"Products that tie share the place. The draws’ own standard error is at most {worst} points of percent.",
        ),
        (
            "Likely place",
            f"The middle {places} of draws of one product. It is that product’s own: the likely places of several "
            "products need not come true together.",
        ),
    ]


def _winners(limits: dict) -> list[tuple[str, str]]:
    clear, ahead = percent(limits["clear_winner"], 1), percent(limits["ahead"])
    best = percent(limits["comparison_with_the_best"])
    return [
        (
            "Clear winner",
            f"Alone in front with a chance of at least {clear}, whatever the missing results would have been, and no "
            f"rival is left that could be the best at {best} (comparison with the best, after Hsu 1984). The limit is "
            f"that high because one of two equal products reaches 95{GAP}% in up to one of ten studies.",
        ),
        ("Ahead", f"Alone in front with a chance of at least {ahead}, whatever the missing results would have been."),
        (
            "Shared lead",
            f"Nobody is ahead; these are the fewest products whose chances of being first add up to {ahead}.",
        ),
        (
            "No winner",
            "What is missing could name another: with the leader’s missing results at their least and its rivals’ at "
            "their greatest, the order turns.",
        ),
        (
            "Among the units tested",
            "One unit of a product was tested, or units were not told apart: how units differ is not known, so nothing "
            "is said of the product at large.",
        ),
        (
            "A limit is reached",
            f"Only from {write(limits['mc_errors'])} standard errors of the draws above it; within them the lower word "
            "is used.",
        ),
    ]


def _weights(card: dict) -> list[tuple[str, str]]:
    if not card.get("kappa"):
        return []
    kappa = card["kappa"]
    spread = write(100 * (0.25 * 0.75 / (kappa + 1)) ** 0.5, 1)
    return [
        (
            "Weights a little off ours",
            f"Weights that wander about ours (Dirichlet distribution, concentration {write(kappa)}): a weight of "
            f"25{GAP}% by a standard deviation of {spread}{GAP}%. A weight of nothing stays nothing.",
        ),
        (
            "Sum of places",
            "Each product’s places in every criterion added up, ties at their middle. It counts a hair’s breadth as "
            "much as a landslide and every criterion alike; it describes, and decides nothing.",
        ),
    ]

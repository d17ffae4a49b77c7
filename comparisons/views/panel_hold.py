"""Draft results and panels: who may still rate must not see what others gave."""

from __future__ import annotations

from dataclasses import replace

from comparisons.models import ComparisonProgramme
from specimens.bench import panels

from .standings import Place

WORDS = (
    "The results of this draft are kept from you until the panel of trial {trials} has rated everything: who may "
    "rate must not see the others’ ratings. Planners and editors who do not rate in it see them."
)


def held(user, place: Place) -> Place:
    """A comparison's place as this person may see it: without its draft results while they are kept from them.

    Two queries where no panel is under way.
    """
    parts = ComparisonProgramme.objects.filter(comparison__slug=place.slug)
    codes = panels.held_from(user, parts.values("programme"))
    if not codes:
        return place
    told = " ".join(filter(None, (place.trouble, WORDS.format(trials=", ".join(codes)))))
    return replace(place, evaluation_id=None, wants="", next="", request=None, trouble=told)


def kept_from(user, place: Place) -> str:
    """Why results are kept from this person, in words; "" where they are not."""
    parts = ComparisonProgramme.objects.filter(comparison__slug=place.slug)
    codes = panels.held_from(user, parts.values("programme"))
    return WORDS.format(trials=", ".join(codes)) if codes else ""

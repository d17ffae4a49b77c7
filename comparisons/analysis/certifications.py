"""Certifications: claims with a state instead of a number."""

from __future__ import annotations

from .study import Claim, Study

# From the surest to the least known; the surest of several claims of one certification counts.
STATES = ("verified", "not_found", "claimed", "not_claimed", "not_looked_for")

REASONS = {
    "not_found": "claimed, but could not be verified",
    "claimed": "claimed, not verified yet",
    "not_claimed": "not claimed",
    "not_looked_for": "not looked for yet",
}


def state_of(claim: Claim) -> str:
    """The state of one certification claim; without one, it has been claimed and no more."""
    return claim.certification_state if claim.certification_state in STATES else "claimed"


def states(study: Study, prop: str) -> dict[str, Claim | None]:
    """For each product the claim that settles the certification `prop`, None where there is none.

    A directory's answer (verified, or claimed but not found) outweighs what was only claimed.
    """
    best: dict[str, Claim | None] = dict.fromkeys(study.products)
    for claim in study.claims:
        if claim.property != prop or claim.product not in best:
            continue
        other = best[claim.product]
        if other is None or STATES.index(state_of(claim)) < STATES.index(state_of(other)):
            best[claim.product] = claim
    return best

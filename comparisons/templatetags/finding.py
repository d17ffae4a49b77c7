"""The ways between a comparison's pages."""

from __future__ import annotations

from django import template
from django.urls import NoReverseMatch, reverse

register = template.Library()

# name of the address, words, and the names of other addresses that belong to the part
SECTIONS = (
    ("desk-comparison", "Where it stands", ()), ("desk-plan", "Plan", ()), ("desk-products", "Products", ()),
    ("desk-claims", "Claims", ()), ("desk-bench", "Bench", ()),
    ("desk-results", "Results", ("desk-judged", "desk-changes")), ("desk-scorecard", "Scorecard", ()),
    ("desk-article", "Article", ()), ("desk-check", "Check", ("desk-makers",)), ("desk-editions", "Editions", ()),
    ("desk-record", "Record", ()),
)  # fmt: skip


def address_of(name: str, *args) -> str:
    """The address of a page; "" where there is none of that name."""
    try:
        return reverse(name, args=args)
    except NoReverseMatch:
        return ""


@register.filter
def sections_at(slug: str, path: str) -> list[dict]:
    """The parts of one comparison as (name, address, current): "page" where one is, "true" on a page below it."""
    found = []
    for name, words, others in SECTIONS:
        address = address_of(name, slug)
        if not address:
            continue
        current = "page" if path == address else ""
        below = [address_of(other, slug) for other in others] + ([address] if name != "desk-comparison" else [])
        if not current and any(one and path.startswith(one) for one in below):
            current = "true"
        found.append({"name": words, "address": address, "current": current})
    return found

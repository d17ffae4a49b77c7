"""Filters that print a page document. They compute nothing."""

from __future__ import annotations

from django import template
from django.utils.safestring import mark_safe

register = template.Library()


@register.filter
def drawing(svg):
    """A drawing of the page document, as it is; anything that is none is left out.

    The drawings are made by `comparisons.pages.rangeline`, which escapes every text that it puts in.
    """
    return mark_safe(svg) if isinstance(svg, str) and svg.startswith("<svg ") and svg.endswith("</svg>") else ""


@register.filter
def has(mapping, key) -> bool:
    """Whether a mapping has a key."""
    return bool(mapping) and key in mapping

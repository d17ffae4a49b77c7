"""Data for machines inside a page."""

from __future__ import annotations

import json

from django import template
from django.utils.safestring import mark_safe

register = template.Library()
# A data block ends at "</script" and may open a comment: no text may hold either.
_ESCAPES = {ord("<"): "\\u003C", ord(">"): "\\u003E", ord("&"): "\\u0026"}


@register.filter
def linked_data(node):
    """JSON-LD as a data block, which no browser runs."""
    text = json.dumps(node, ensure_ascii=False, allow_nan=False, separators=(",", ":")).translate(_ESCAPES)
    return mark_safe(f'<script type="application/ld+json">{text}</script>')

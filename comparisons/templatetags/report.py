"""The article of a page document, as it is printed on one page or another."""

from __future__ import annotations

from django import template
from django.utils.safestring import mark_safe

register = template.Library()


@register.filter
def with_files(html: str, base: str):
    """The article's HTML with its pictures' addresses under `base`.

    `comparisons.pages.article` has cleaned it: a picture is the only tag that begins like this, and text
    cannot begin a tag.
    """
    return mark_safe(str(html).replace('<img src="files/', f'<img src="{base}files/'))

"""What readers may look for in the newest editions. Derived from frozen pages: it can be made again at any time."""

from __future__ import annotations

from django.db import models

from specimens.models.base import filled, one_of

from .editions import Edition


class TextKind(models.TextChoices):
    COMPARISON = "comparison", "comparison"
    PRODUCT = "product", "product"
    PROPERTY = "property", "property"
    METHOD = "method", "method"


class PublishedText(models.Model):
    """One thing that an edition tells of, with the words by which it is found.

    `text` holds these words folded (no case, no accents), each with a space before it. On PostgreSQL an
    index of its full text search stands over it; SQLite looks through the rows, of which there are few.
    """

    edition = models.ForeignKey(Edition, on_delete=models.CASCADE, related_name="texts")
    kind = models.CharField(max_length=10, choices=TextKind.choices)
    code = models.CharField(max_length=200, blank=True, help_text="of the product or method; the anchor of a trial")
    name = models.TextField(help_text="as it is printed")
    text = models.TextField(help_text="folded words")

    class Meta:
        ordering = ["id"]
        constraints = [
            one_of("kind", TextKind, "published_text_kind_known"),
            models.UniqueConstraint(fields=["edition", "kind", "code"], name="published_text_once"),
            models.CheckConstraint(condition=filled("name"), name="published_text_says_something"),
        ]

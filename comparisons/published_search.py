"""Search over what is published: the words of the newest editions, written when an edition is, read by readers."""

from __future__ import annotations

import re
import unicodedata

from django.db import connection
from django.db.models import F, Func, Value

from .models import Edition, PublishedText
from .models.search import TextKind

_WORD = re.compile(r"[^\W_]+")
LONGEST = 200  # characters of a query that are read
MOST_WORDS = 8
MOST_FOUND = 100
ORDER = {kind: i for i, kind in enumerate(TextKind.values)}


def words_of(text: str) -> list[str]:
    """The words of a text as they are compared: without case and accents.

    >>> words_of("Überwurf K-280, 4.8 mm")
    ['uberwurf', 'k', '280', '4', '8', 'mm']
    """
    plain = unicodedata.normalize("NFKD", text.casefold())
    return _WORD.findall("".join(c for c in plain if not unicodedata.combining(c)))


def texts_of(page: dict) -> list[dict]:
    """What an edition's page tells of: rows of kind, code, name and the words by which each is found."""
    makers = {code: sheet["maker"] for code, sheet in (page.get("sheets") or {}).items()}
    relations = {row["anchor"]: row["relation"] for row in page["methods"]}
    found = [(TextKind.COMPARISON, "", page["title"], [page["question"], page["kind"]])]
    found += [
        (TextKind.PRODUCT, one["code"], one["name"], [makers.get(one["code"], ""), one["variant"], page["kind"]])
        for one in page["products"]
    ]
    found += [
        (TextKind.PROPERTY, table["anchor"], table["title"], [table["property"], table["condition"]])
        for table in page["trials"]
    ]
    methods: dict[str, tuple[str, list[str]]] = {}
    for row in page["methods"]:
        code = row["anchor"].removeprefix("method-").removesuffix(f"-{row['revision']}")
        methods.setdefault(code, (row["title"], []))[1].append(relations[row["anchor"]])
    found += [(TextKind.METHOD, code, title, more) for code, (title, more) in methods.items()]
    return [
        {"kind": str(kind), "code": code, "name": name,
         "text": "".join(f" {word}" for word in dict.fromkeys(words_of(" ".join([name, *more]))))}
        for kind, code, name, more in found
        if name
    ]  # fmt: skip


def index_edition(edition: Edition, page: dict) -> None:
    """Write what readers may look for in an edition, in place of what was written of earlier ones."""
    PublishedText.objects.filter(edition__comparison_id=edition.comparison_id).delete()
    PublishedText.objects.bulk_create(PublishedText(edition=edition, **row) for row in texts_of(page))


def look_for(query: str) -> tuple[list[dict], list[str]]:
    """(what begins with every word of a query, the words that were read). One query; none without words.

    Rows of kind, code, name, slug and edition's digest: comparisons first, then products, properties and methods.
    """
    asked = words_of(query[:LONGEST])[:MOST_WORDS]
    if not asked:
        return [], []
    rows = PublishedText.objects.filter(edition__next__isnull=True)
    rows = _on_postgresql(rows, asked) if connection.vendor == "postgresql" else _anywhere(rows, asked)
    found = rows.values(
        "kind", "code", "name", "edition_id", slug=F("edition__comparison__slug"), sha256=F("edition__sha256")
    )
    return sorted(found[: MOST_FOUND + 1], key=lambda row: ORDER[row["kind"]]), asked


def _on_postgresql(rows, asked: list[str]):
    from django.contrib.postgres.search import SearchQuery, SearchVectorField

    # The expression of the index, to the letter: PostgreSQL uses an index only for its own expression.
    vector = Func(
        F("text"), template="to_tsvector('simple'::regconfig, %(expressions)s)", output_field=SearchVectorField()
    )
    raw = " & ".join(f"'{word}':*" for word in asked)
    return rows.annotate(vector=vector).filter(vector=SearchQuery(Value(raw), config="simple", search_type="raw"))


def _anywhere(rows, asked: list[str]):
    for word in asked:
        rows = rows.filter(text__contains=f" {word}")
    return rows

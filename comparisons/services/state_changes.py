"""What changed between two editions, or between an edition and the draft: numbers and texts, side by side."""

from __future__ import annotations

import csv
import io
import json
import tomllib
import zipfile
from collections.abc import Callable
from dataclasses import dataclass

from django.core.cache import cache

from comparisons.models import Comparison, Edition, Evaluation
from comparisons.pages.between import Side, between

from .writing import Hunk, text_differences

VERSION = 1  # of what is kept: a change of its form takes a new number
KEPT_S = 7 * 24 * 3600
ARTICLE = "Article"
_PLAN = {
    "market_scan": "What else is on the market", "inclusion": "How products were chosen",
    "characteristics": "What matters to buyers", "tie_rule": "Where products are not shown to differ",
    "funding": "Who paid",
}  # fmt: skip
_METHOD = ("standard", "steps", "departures", "cannot_show", "cautions")


@dataclass(frozen=True)
class Changes:
    """What differs: `numbers` (see `pages.between`), and `texts` as (name, places that differ)."""

    numbers: dict
    texts: list[tuple[str, list[Hunk]]]

    @property
    def nothing(self) -> bool:
        return not self.numbers["changed"] and not self.texts


def of_editions(before: Edition, after: Edition) -> Changes:
    """What differs between two editions of a comparison. Their frozen parts are read once and what differs is kept."""
    key = f"state-changes:{VERSION}:{before.sha256}:{after.sha256}"
    found = cache.get(key)
    if found is None:
        found = _changes(_frozen(before), _frozen(after))
        cache.set(key, found, KEPT_S)
    return found


def since_edition(edition: Edition, comparison: Comparison, evaluation_id: int, event_id: int) -> Changes:
    """What differs between an edition and the draft as it was evaluated, with its texts as they are now."""
    key = f"state-changes:{VERSION}:{edition.sha256}:draft:{evaluation_id}:{event_id}"
    found = cache.get(key)
    if found is None:
        found = _changes(_frozen(edition), _draft(comparison, evaluation_id))
        cache.set(key, found, KEPT_S)
    return found


def _changes(before: tuple[Side, dict[str, str]], after: tuple[Side, dict[str, str]]) -> Changes:
    (old, old_texts), (new, new_texts) = before, after
    texts = []
    for name in [*new_texts, *(name for name in old_texts if name not in new_texts)]:
        hunks = text_differences(old_texts.get(name, ""), new_texts.get(name, ""))
        if hunks:
            texts.append((name, hunks))
    return Changes(between(old, new), texts)


def _frozen(edition: Edition) -> tuple[Side, dict[str, str]]:
    page, results, package = (
        bytes(part) for part in
        Edition.objects.filter(pk=edition.pk).values_list("page", "results", "package").get()
    )  # fmt: skip
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        names = {name.rpartition("/")[2]: name for name in archive.namelist() if "edition/" not in name}

        def read(name: str) -> str:
            return archive.read(names[name]).decode("utf-8-sig") if name in names else ""

        texts = texts_of(
            tomllib.loads(read("comparison.toml")), read("article.md"),
            lambda table: list(csv.DictReader(io.StringIO(read(f"{table}.csv")))),
        )  # fmt: skip
    return Side(json.loads(page), json.loads(results)), texts


def _draft(comparison: Comparison, evaluation_id: int) -> tuple[Side, dict[str, str]]:
    from comparisons.folder.exporter import tables_from_db
    from comparisons.page import build_page

    document = json.loads(Evaluation.objects.values_list("document", flat=True).get(pk=evaluation_id))
    tables = tables_from_db(comparison, public=True)
    page = build_page(tables, document, charts=False)
    texts = texts_of(tables.comparison, tables.article, lambda table: list(tables[table].rows()))
    return Side(page, document), texts


def texts_of(toml: dict, article: str, rows: Callable[[str], list[dict]]) -> dict[str, str]:
    """The texts of a study that readers see, by name. rows: gives a table's rows as dicts of cells."""
    plan = toml.get("plan", {})
    texts = {
        ARTICLE: article.strip(), "Title": toml.get("title", ""), "Question": toml.get("question", ""),
        **{words: plan.get(name, "") for name, words in _PLAN.items()},
        "Left out": "\n".join(
            f"{' '.join(part for part in (r['maker'], r['model'], r['variant']) if part)}: {r['why']}"
            for r in rows("left_out")
        ),
        "Limits": "\n".join(f"{r['what']} {r['reason']}" for r in rows("limitations")),
        "Makers’ answers": "\n".join(
            f"{r['product']}: {r['text']}" for r in rows("answers") if r["published"].lower() in ("yes", "true", "1")
        ),
        "Changes of the plan": "\n".join(
            f"{r['what']}: from {r['from'] or 'nothing'} to {r['to'] or 'nothing'}. {r['why']}"
            for r in rows("deviations")
        ),
    }  # fmt: skip
    for row in rows("methods"):
        texts[f"Method {row['title']}, revision {row['revision']}"] = "\n".join(
            row[column] for column in _METHOD if row.get(column)
        )
    return texts

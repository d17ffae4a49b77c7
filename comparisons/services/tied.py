"""What an article says against its results: nothing that they do not carry is asked for, approved or published."""

from __future__ import annotations

import json

from comparisons.folder.tables import Tables
from comparisons.models import Comparison, Evaluation
from comparisons.pages.article import Article
from comparisons.pages.live import Live
from comparisons.pages.names import Names

from .errors import NotReady
from .evaluation import read_state


def article_of(tables: Tables, document: dict | None) -> Article:
    """The article of a study, read against its results document (None: there are none yet)."""
    return Article(tables.article, Live(Names(tables), document or {}))


def article_points(tables: Tables, document: dict | None) -> list[dict]:
    """What an editor should look at in an article: dicts of kind, text, stops (bool) and line, in its order.

    tables: the study's, in its public form, since only what readers get may be shown. kind is tie-broken,
    value-broken or picture-unknown (these stop), tie-partly, picture-alt, number-loose or comparison-loose.
    """
    return article_of(tables, document).points()


def broken_ties(tables: Tables, document: dict | None) -> list[dict]:
    """The points of an article that stop approval and publication; [] where it says what the results carry."""
    return [point for point in article_points(tables, document) if point["stops"]]


def require_carried(comparison: Comparison, evaluation: Evaluation, tables: Tables | None = None) -> None:
    """NotReady where the article holds a tie, a value or a picture that the results do not carry.

    tables: the draft's in its public form, where the caller has read them already.
    """
    if tables is None:
        tables = read_state(comparison).tables
    if not tables.article:
        return
    broken = broken_ties(tables, json.loads(evaluation.document))
    if broken:
        more = f" (and {len(broken) - 1} more)" if len(broken) > 1 else ""
        raise NotReady(
            f"The article says what the results do not carry: line {broken[0]['line']}, {broken[0]['text']}{more} "
            "Rewrite it, or take the tie away, on the article’s page."
        )

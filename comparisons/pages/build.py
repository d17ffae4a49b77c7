"""The page document: everything that a published page says, as plain data. Templates print it."""

from __future__ import annotations

from comparisons.folder.tables import Tables

from . import background, limits, measured, method, product, promises, ranking, scoring, words
from .anchors import anchors
from .article import Article
from .awarded import awarded
from .bargain import bargain
from .charts import chart_names, figures
from .glossary import glossary
from .live import Live
from .names import Names
from .places import beats_notes, nothing_drawn, places
from .planning import plans
from .rangeline import legend
from .robustness import robustness
from .weighing import weighing

SCHEMA = "evenhand-page/1"


def build_page(tables: Tables, document: dict, *, charts: bool = True, drafting: bool = False) -> dict:
    """The page document of a study and its results document.

    tables: the study's tables, in the form (full or public) whose texts may be shown. document: what
    `comparisons.analysis.evaluate` gave for them. charts False names the Plotly figures and does not make
    them; drafting adds what only the team sees: uncertainty budgets, where to test next, how many
    units to test next, what to look at, and what a claim would come to if its source governed.
    Plain JSON types; numbers appear rounded by their uncertainty, as text, and in range lines.
    Nothing is computed that the results document does not hold, but for scores weighed anew (`weighing`), and
    no database is read.
    """
    names = Names(tables)
    findings = measured.Findings(names, document)
    made = ranking.rankings(names, document)
    for one, card in zip(made, scoring.cards(names, document), strict=True):
        one["place_shares"] = places(names, card)
        one["robustness"] = robustness(names, card)
        one["bargain"] = bargain(names, document, card)
        one["nothing_drawn"] = nothing_drawn(names, card)
        one["beats_note"] = beats_notes(names, card)
    trials = measured.trials(findings)
    article = Article(tables.article, Live(names, document))
    toml = tables.comparison
    page = {
        "schema": SCHEMA,
        "slug": toml.get("slug", ""),
        "title": words.typeset(toml.get("title", "")),
        "question": words.typeset(toml.get("question", "")),
        "kind": words.typeset(toml.get("kind", "")),
        "currency": names.currency,
        "products": [
            {"code": code, "name": names.product(code), "variant": names.variant(code)} for code in names.products
        ],
        "data": background.data(names, document),
        "answer": ranking.answer(names, document, made),
        "rankings": made,
        "criteria": scoring.criteria(names, document),
        "weightings": [r["name"] for r in made],
        "weighing": weighing(names, document),
        "awards": awarded(names, document, drafting=drafting),
        "anchors": anchors(names, document),
        "glossary": glossary(names, document),
        "gated": ranking.gated(names, document),
        "missed": promises.missed(findings),
        "claims": promises.claims(findings, drafting=drafting),
        "certifications": promises.certifications(names, document),
        "trials": trials,
        "changes": measured.changes(findings),
        "costs": background.costs(names, document),
        "methods": background.methods(names),
        "conditions": background.conditions(names, findings),
        "instruments": background.instruments(names),
        "purchases": background.purchases(names),
        "plan": background.plan(names, document),
        "absences": background.absences(names, document),
        "set_aside": background.set_aside(names, document),
        "notes": background.notes(names, document),
        "answers": background.answers(names),
        "limitations": limits.limitations(names),
        "corrections": limits.corrections(names),
        "article": article.html(drafting=drafting),
        "article_title": article.title,
        "counts": counts(names, document),
        "unscored": any(not table["scored"] for table in trials),
        "legend": legend(),
    }
    for table in (*page["rankings"], *page["claims"], *page["trials"], *page["changes"]):
        table["parts"] = parts(table["rows"])
    if drafting:
        page["budgets"] = background.budgets(names, document)
        page["next_tests"] = scoring.next_tests(names, document)
        page["plans"] = plans(names, document)
        page["to_look_at"] = background.to_look_at(names, document)
    if not drafting:  # the pages that an edition has beside the comparison's own
        page["sheets"] = product.sheets(names, document)
        page["method_sheets"] = method.sheets(names, findings)
    page["charts"] = figures(page) if charts else dict.fromkeys(chart_names(page))
    return page


def counts(names: Names, document: dict) -> str:
    """How much was tested, in one line."""
    from .numbers import counted, write

    specimens = sum(1 for row in document.get("specimens") or [] if row["counted"])
    units = len(names.tables["units"])
    return words.listed([
        counted(len(names.products), "product"), counted(units, "unit"),
        f"{write(specimens)} {'value' if specimens == 1 else 'values'} of specimens",
    ])  # fmt: skip


def parts(rows: list[dict]) -> int:
    """How many digits after the decimal sign a column of aligned numbers makes room for."""
    cells = (row.get("score") or row.get("measured") or row.get("value") or {} for row in rows)
    return max(0, min(5, max((len(cell.get("part", "")) - 1 for cell in cells), default=0)))

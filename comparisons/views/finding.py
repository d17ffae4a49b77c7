"""Search over everything on the desk, in a fixed number of queries on either database."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import urlencode

from django.db.models import Q, QuerySet
from django.shortcuts import render
from django.views.decorators.http import require_safe

from comparisons.models import Comparison, ComparisonProgramme
from comparisons.templatetags.finding import address_of
from specimens.bench.context import trial_name
from specimens.models import (
    BenchPlace,
    Claim,
    Instrument,
    MethodRevision,
    ProgrammeProduct,
    Property,
    Purchase,
    Reading,
    Specimen,
    Trial,
    Unit,
)

from .desk import members_only

MOST = 15  # of one kind; more are told by their number being cut
LEAST, LONGEST, WORDS = 2, 100, 6
AROUND = 60  # characters on either side of what was found in a text


@dataclass(frozen=True)
class Home:
    """A comparison of a programme, and how its results name the programme's codes."""

    slug: str
    title: str
    prefix: str


def _homes() -> dict[int, Home]:
    """programme -> the comparison under which it is found: the latest. One query."""
    rows = list(
        ComparisonProgramme.objects.order_by("comparison", "prefix")
        .values_list("programme", "comparison", "comparison__slug", "comparison__title", "prefix")
    )  # fmt: skip
    parts: dict[int, int] = defaultdict(int)
    for _, comparison, *_ in rows:
        parts[comparison] += 1
    return {
        programme: Home(slug, title, f"{prefix or programme}." if parts[comparison] > 1 else "")
        for programme, comparison, slug, title, prefix in rows
    }


def matching(words: list[str], *fields: str) -> Q:
    """Rows in which every word stands in one of the fields, whatever its case.

    SQLite folds the case of ASCII letters alone, so other words are looked for in the usual cases too.
    """
    condition = Q()
    for word in words:
        forms = {word} if word.isascii() else {word, word.lower(), word.upper(), word.capitalize()}
        condition &= Q.create([(f"{field}__icontains", form) for field in fields for form in sorted(forms)], Q.OR)
    return condition


def asked_words(text: str) -> list[str]:
    """The words that are looked for: at most WORDS of them, none longer than LONGEST."""
    return [word[:LONGEST] for word in text.replace("\x00", " ").split()][:WORDS]


def excerpt(text: str, words: list[str]) -> str:
    """What stands around the first word that is found in a text."""
    folded = text.casefold()
    at = min((place for word in words if (place := folded.find(word.casefold())) >= 0), default=0)
    start, end = max(0, at - AROUND), min(len(text), at + AROUND)
    cut = " ".join(text[start:end].split())
    return f"{'…' if start else ''}{cut}{'…' if end < len(text) else ''}"


class Search:
    """One search. `groups`: (name, hits, whether there are more); a hit: words, under, address."""

    def __init__(self, words: list[str]):
        self.words = words
        self.homes = _homes()
        self.groups: list[dict] = []

    def run(self) -> list[dict]:
        """Everything that is found, group by group. One query for each kind of thing, two more for specimens."""
        self._comparisons()
        self._bought()
        self._planned()
        self._told()
        self._specimens()
        self._readings()
        return self.groups

    def _comparisons(self) -> None:
        rows = Comparison.objects.filter(matching(self.words, "title", "question", "slug", "kind"))
        self._add("Comparisons", rows.only("slug", "title", "question"), lambda row: (
            row.title, row.question, address_of("desk-comparison", row.slug)
        ))  # fmt: skip
        rows = Comparison.objects.filter(matching(self.words, "article"))
        self._add("Articles", rows.only("slug", "title", "article"), lambda row: (
            row.title, excerpt(row.article, self.words), self._page("desk-article", row.slug)
        ))  # fmt: skip

    def _bought(self) -> None:
        rows = ProgrammeProduct.objects.filter(
            matching(self.words, "product__maker", "product__model", "product__variant", "code")
        ).select_related("product")
        rows = rows.order_by("product__maker", "product__model", "programme")
        self._add("Products", rows, lambda row: (
            str(row.product), self._of(row, row.code), self._page_of(row, "desk-products", "desk-product")
        ))  # fmt: skip
        rows = Purchase.objects.filter(matching(self.words, "code", "seller", "lot", "receipt"))
        rows = rows.select_related("product__product").order_by("-programme", "code")
        self._add("Purchases", rows, lambda row: (
            f"{row.product}, {row.code}", self._of(row, row.seller),
            self._page_of(row, "desk-products", "desk-purchase"),
        ))  # fmt: skip
        rows = Unit.objects.filter(matching(self.words, "code", "lot")).select_related("product__product")
        self._add("Units", rows.order_by("-programme", "code"), lambda row: (
            row.code, self._of(row, str(row.product)), self._page_of(row, "desk-products", "desk-unit")
        ))  # fmt: skip

    def _planned(self) -> None:
        rows = Trial.objects.filter(
            matching(self.words, "code", "property__name", "property__code", "condition__name", "condition__code")
        ).exclude(property__kind="certification").select_related("property", "condition")
        self._add("Trials", rows.order_by("-programme", "code"), lambda row: (
            trial_name(row), self._of(row, row.code), self._trial(row.programme_id, row.code)
        ))  # fmt: skip
        rows = Property.objects.filter(matching(self.words, "name", "code")).order_by("-programme", "code")
        self._add("Properties", rows, lambda row: (
            str(row), self._of(row, row.code), self._page_of(row, "desk-plan")
        ))  # fmt: skip
        rows = MethodRevision.objects.filter(
            matching(self.words, "method__title", "standard", "steps", "cautions", "departures", "cannot_show")
        ).select_related("method")
        self._add("Methods", rows.order_by("method__title", "revision"), lambda row: (
            f"{row.method}, revision {row.revision}", row.standard, address_of("desk-methods")
        ))  # fmt: skip
        rows = Instrument.objects.filter(matching(self.words, "name", "serial") | Q(pk__in=self._instrument_codes()))
        self._add("Instruments", rows, lambda row: (str(row), "", address_of("desk-instruments")))

    def _told(self) -> None:
        rows = Claim.objects.filter(
            matching(self.words, "wording", "source", "code", "reference", "not_tested_because", "governs_reason")
        ).select_related("product__product", "property")
        self._add("Claims", rows.order_by("-programme", "code"), lambda row: (
            f"{row.product}, {row.property}", self._of(row, row.wording or row.source or row.code),
            self._page_of(row, "desk-claims"),
        ))  # fmt: skip

    def _readings(self) -> None:
        """Readings by the beginning of their code: there may be a hundred thousand of them."""
        if len(self.words) == 1:
            rows = Reading.objects.filter(code__istartswith=self.words[0]).select_related("trial__property")
            rows = rows.order_by("-pk")
            self._add("Readings", rows, lambda row: (
                row.code, self._of(row, _shown_value(row)),
                self._trial(row.programme_id, row.trial.code),
            ))  # fmt: skip

    def _instrument_codes(self):
        from specimens.models import ProgrammeInstrument

        return ProgrammeInstrument.objects.filter(matching(self.words, "code")).values("instrument")

    def _specimens(self) -> None:
        """Specimens by their code or the code on their label; each leads to the trial that measures it."""
        rows = list(
            Specimen.objects.filter(matching(self.words, "code", "blind_code")).select_related("unit__product__product")
            .order_by("-programme", "code")[: MOST + 1]
        )  # fmt: skip
        keys = [row.pk for row in rows]
        trial = dict(BenchPlace.objects.filter(specimen__in=keys).values_list("specimen", "trial__code"))
        trial |= dict(Reading.objects.filter(specimen__in=keys).order_by("-pk").values_list("specimen", "trial__code"))
        self._put("Specimens", rows, lambda row: (
            row.code, self._of(row, ", ".join(part for part in (
                f"label {row.blind_code}" if row.blind_code else "", str(row.unit.product)) if part)),
            self._trial(row.programme_id, trial[row.pk], unit=row.unit.code) if row.pk in trial
            else self._page_of(row, "desk-bench"),
        ))  # fmt: skip

    def _add(self, name: str, found: QuerySet, told: Callable) -> None:
        self._put(name, list(found[: MOST + 1]), told)

    def _put(self, name: str, rows: list, told: Callable) -> None:
        if rows:
            hits = [dict(zip(("words", "under", "address"), told(row), strict=True)) for row in rows[:MOST]]
            self.groups.append({"name": name, "hits": hits, "more": len(rows) > MOST})

    def _of(self, row, text: str) -> str:
        """What is told beside a hit: the text, and in which comparison."""
        home = self.homes.get(row.programme_id)
        return ", ".join(part for part in (text[:200], home.title if home else "in no comparison yet") if part)

    def _page(self, name: str, slug: str) -> str:
        return address_of(name, slug) or address_of("desk-comparison", slug)

    def _page_of(self, row, name: str, own: str = "") -> str:
        """The page of a comparison, or the row's own where there is one of the name `own`."""
        home = self.homes.get(row.programme_id)
        if home is None:
            return address_of("bench")
        # where a comparison has several programmes, codes alone do not name a row
        return (own and not home.prefix and address_of(own, home.slug, row.code)) or self._page(name, home.slug)

    def _trial(self, programme: int, code: str, unit: str = "") -> str:
        home = self.homes.get(programme)
        if home is None:
            return address_of("bench")
        query = f"?{urlencode({'unit': home.prefix + unit})}#specimens" if unit else ""
        return address_of("desk-trial", home.slug, home.prefix + code) + query


@members_only
@require_safe
def search(request):
    """Everything on the desk that holds the words that were typed, kind by kind."""
    asked = request.GET.get("q", "").replace("\x00", "")[:200].strip()
    words = asked_words(asked)
    enough = sum(map(len, words)) >= LEAST
    groups = Search(words).run() if enough else []
    return render(request, "desk/search.html", {"searched": asked, "enough": enough, "groups": groups})


def _shown_value(row: Reading) -> str:
    """What was read; a rating is not told: who searches may still have to rate."""
    if row.trial.property.kind == "rating":
        return "a rating"
    return f"{row.value} {row.unit_of_measure}".strip()

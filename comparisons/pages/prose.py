"""What the sentences of an article say on their own: numbers that look like results, and comparing words.

Nothing here stops anybody. It points at what a reader would take for a result and what no reference holds to
the data. A number that the study itself states (in a claim, a condition, a method, a name, the question) is no
result, and neither is anything inside quotation marks, a quotation, or code.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation

from .names import Names
from .numbers import symbol

_END = re.compile(r"(?<![.!?…])[.!?…]++[”\"’)\]]*+(?=\s|$)")
_NUMBER = r"[−+-]?(?<![\w.,])\d[\d\u202f\u00a0]*(?:[.,]\d+)?"
_QUOTED = re.compile(r"“[^”]{0,400}”|\"[^\"\n]{0,400}\"")
_COUNT = "one|two|three|four|five|six|seven|eight|nine|ten|eleven|twelve|all|both|none"
_PLACE = re.compile(
    r"\b(?:(?:first|second|third|fourth|fifth|sixth|seventh|eighth|ninth|tenth|last|\d{1,3}(?:st|nd|rd|th))"
    r"\s+(?:place\b|out\s+of\b|of\s+(?:the\s+)?(?:\d+|two|three|four|five|six|seven|eight|nine|ten|eleven|twelve)\b)"
    r"|place\s+\d+\b|ranked\s+\w+|number\s+one\b)",
    re.I,
)
_OF = re.compile(rf"\b(?:\d+|{_COUNT})\s+(?:out\s+)?of\s+(?:the\s+|our\s+)?(?:\d+|{_COUNT})\b", re.I)
_ADJECTIVES = (
    "strong weak stiff soft hard heavy light long short thick thin wide broad narrow fast slow quick cheap dear high "
    "low large small big great tough smooth rough sharp dull bright dark loud quiet warm hot cool cold safe clean "
    "sticky easy firm tight loose steady brittle simple dense deep clear rich poor fine few pricey"
).split()


def _grades(adjective: str) -> list[str]:
    """Comparative and superlative in their usual spelling: big, bigger, biggest; easy, easier, easiest."""
    stem = adjective
    if stem.endswith("y"):
        stem = stem[:-1] + "i"
    elif stem.endswith("e"):
        stem = stem[:-1]
    elif re.search(r"[^aeiou][aeiou][bdgmnpt]$", stem):
        stem += stem[-1]
    return [f"{stem}er", f"{stem}est"]


_GRADED = "|".join(g for adjective in _ADJECTIVES for g in _grades(adjective))
_COMPARING = re.compile(
    rf"\b(?<!no )(?<!at )(?:{_GRADED}|better|best|worse|worst|superior|inferior|unmatched|unbeaten|outperform(?:s|ed)?|"
    r"beats?|beaten|wins?|won|winner|outlasts?|outlasted|leads(?!\s+to\b)|tops|"
    r"only\s+one\s+(?:that|which|whose|who|to|of|in)\b|the\s+only\s+(?!way\b|thing\b)\w+|no\s+other|"
    r"none\s+of\s+the\s+others|the\s+(?:most|least)\s+(?!of\b|likely\b)\w{4,}|"
    r"(?:more|less)\s+\w{4,}\s+than|(?:twice|half|double)\s+(?:as|the))\b",
    re.I,
)


@dataclass
class Passage:
    """One run of text of an article: its line, its words, and where in them references stand."""

    line: int
    text: str = ""
    held: list[tuple[int, int, str]] = field(default_factory=list)  # from, to, scheme


@dataclass(frozen=True)
class Loose:
    kind: str  # number or comparison
    found: str
    sentence: str
    line: int


def known_numbers(names: Names) -> frozenset[tuple[Decimal, str]]:
    """Numbers with a unit that the study states itself, so that they are no results of it."""
    tables, found = names.tables, set()
    look = _with_unit(_units(names))
    texts = [str(names.toml.get(key, "")) for key in ("title", "question", "kind")]
    for name, columns in {
        "products": ("model", "variant", "notes"), "conditions": ("name", "agent"), "claims": ("wording",),
        "methods": ("title", "steps", "cautions", "departures", "cannot_show", "standard"),
        "properties": ("name",), "instruments": ("name",), "left_out": ("model", "variant", "why"),
    }.items():  # fmt: skip
        for column in columns:
            texts += tables[name][column]
    for text in texts:
        found |= {key for match in look.finditer(text) if (key := _key(match)) is not None}
    for row in tables["claims"].rows():
        unit = symbol(row["unit"] or ("percent" if row["of"] == "change" else names.unit(row["property"])))
        for column in ("value", "low", "high", "tolerance_minus", "tolerance_plus"):
            if row[column]:
                found.add((abs(Decimal(row[column])), unit))
    for row in tables["conditions"].rows():
        for column in ("temperature", "duration", "recovery"):
            if row[column]:
                found.add((abs(Decimal(row[column])), symbol(row[f"{column}_unit"])))
    return frozenset(found)


def _units(names: Names) -> list[str]:
    """Symbols and spellings of the units that results of this study have."""
    own = {names.currency, "%", "percent", "per cent"}
    for table, columns in {
        "properties": ("unit",), "trials": ("reading_unit",), "claims": ("unit",), "instruments": ("unit",),
        "purchases": ("content_unit",),
    }.items():  # fmt: skip
        for column in columns:
            for unit in set(names.tables[table][column]):
                own |= {unit, symbol(unit)}
    return sorted((unit for unit in own if unit), key=len, reverse=True)


def _with_unit(units: list[str]) -> re.Pattern:
    spelled = "|".join(re.escape(unit) for unit in units)
    return re.compile(rf"(?P<number>{_NUMBER})\s?(?P<unit>{spelled})(?![\w/·*^²³])")


def _key(match: re.Match) -> tuple[Decimal, str] | None:
    text = re.sub(r"[\s\u202f\u00a0]", "", match["number"]).replace("−", "-").replace(",", ".")
    unit = "percent" if match["unit"] == "per cent" else match["unit"]
    try:
        return abs(Decimal(text)), symbol(unit)
    except InvalidOperation:
        return None


def sentences(text: str) -> Iterator[tuple[int, int]]:
    """Where the sentences of a text begin and end; a point inside a number or a word ends none.

    >>> [ "We pulled. It held 4.8 mm."[a:b] for a, b in sentences("We pulled. It held 4.8 mm.")]
    ['We pulled.', 'It held 4.8 mm.']
    """
    start = 0
    for end in [*(match.end() for match in _END.finditer(text)), len(text)]:
        part = text[start:end]
        if part.strip():
            yield start + len(part) - len(part.lstrip()), end - (len(part) - len(part.rstrip()))
        start = end


def loose(names: Names, passages: Iterable[Passage]) -> list[Loose]:
    """What looks like a result or compares products, and is tied to nothing, sentence by sentence."""
    look, known = _with_unit(_units(names)), known_numbers(names)
    found = []
    for passage in passages:
        text = _QUOTED.sub(lambda m: "\u00b7" * len(m.group()), passage.text)
        for start, end in sentences(text):
            held = [span for span in passage.held if span[0] < end and span[1] > start]
            said = " ".join(passage.text[start:end].split())
            numbers = [
                m for m in look.finditer(text, start, end)
                if _key(m) not in known and not _overlaps(m, passage.held)
            ]  # fmt: skip
            numbers += [
                m for pattern in (_PLACE, _OF) for m in pattern.finditer(text, start, end)
                if not _overlaps(m, passage.held)
            ]  # fmt: skip
            if numbers:
                numbers.sort(key=lambda m: m.start())
                words = "”, “".join(dict.fromkeys(" ".join(m.group().split()) for m in numbers))
                found.append(Loose("number", words, said, passage.line))
            if any(scheme == "holds" for _, _, scheme in held):
                continue
            comparing = [m.group() for m in _COMPARING.finditer(text, start, end) if not _overlaps(m, passage.held)]
            if comparing:
                words = "”, “".join(dict.fromkeys(" ".join(word.split()) for word in comparing))
                found.append(Loose("comparison", words, said, passage.line))
    return found


def _overlaps(match: re.Match, held) -> bool:
    return any(a < match.end() and b > match.start() for a, b, _ in held)

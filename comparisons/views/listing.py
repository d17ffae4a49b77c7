"""Tables that are sorted and filtered by their address: they work without a script, and can be linked to."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from urllib.parse import urlencode

from django.http import QueryDict

PAGE = 100
LONGEST = 200


@dataclass(frozen=True)
class Column:
    """A column. key: in the address; sort: what its rows are sorted by (None: not sortable)."""

    key: str
    words: str
    sort: Callable[[dict], object] | None = None
    number: bool = False


@dataclass(frozen=True)
class Choice:
    """A filter. keep: whether a row passes for a chosen value; options: (value, words)."""

    key: str
    words: str
    options: Sequence[tuple[str, str]]
    keep: Callable[[dict, str], bool] = field(default=lambda row, value: True)


def options(values) -> list[tuple[str, str]]:
    """The distinct values of a column as options, in order."""
    return [(value, value) for value in sorted({value for value in values if value})]


class Listing:
    """Rows as an address asks for them: filtered, sorted, one page of them.

    What the address asks and is not offered is left aside, so that an old link never breaks.
    """

    def __init__(self, asked: QueryDict, path: str, columns: Sequence[Column], choices: Sequence[Choice], *,
                 sort: str = "", anchor: str = ""):  # fmt: skip
        self.path, self.columns, self.choices, self.anchor = path, columns, choices, anchor
        self.first_sort = sort
        self.asked = {key: asked.get(key, "")[:LONGEST] for key in (*(c.key for c in choices), "sort", "page")}
        self.chosen = {
            choice.key: value for choice in choices
            if (value := self.asked[choice.key]) and value in {option for option, _ in choice.options}
        }  # fmt: skip
        known = {column.key: column for column in columns if column.sort}
        wanted = self.asked["sort"] or sort
        self.down = wanted.startswith("-")
        self.sort = wanted.lstrip("-") if wanted.lstrip("-") in known else ""
        self.by = known.get(self.sort)

    def filtered(self, rows: list[dict]) -> list[dict]:
        for choice in self.choices:
            if (value := self.chosen.get(choice.key)) is not None:
                rows = [row for row in rows if choice.keep(row, value)]
        return rows

    def arranged(self, rows: list[dict]) -> list[dict]:
        """Sorted; what has nothing to sort by comes last, whichever way."""
        if self.by is None:
            return rows
        keyed = [(self.by.sort(row), row) for row in rows]
        there = [pair for pair in keyed if pair[0] is not None and pair[0] != ""]
        there.sort(key=lambda pair: pair[0], reverse=self.down)
        return [row for _, row in there] + [row for value, row in keyed if value is None or value == ""]

    def page(self, rows: list[dict]) -> dict:
        """One page of the rows, with the ways to the pages before and after it."""
        pages = max(1, -(-len(rows) // PAGE))
        number = min(self.number, pages)
        start = (number - 1) * PAGE
        return {
            "rows": rows[start : start + PAGE], "number": number, "pages": pages, "n": len(rows),
            "first": start + 1 if rows else 0, "last": min(start + PAGE, len(rows)),
            "before": self.address(page=number - 1) if number > 1 else "",
            "after": self.address(page=number + 1) if number < pages else "",
        }  # fmt: skip

    def address(self, **changes) -> str:
        """The same page with other parameters."""
        sort = f"{'-' if self.down else ''}{self.sort}" if self.sort else ""
        kept = self.chosen | ({"sort": sort} if sort and sort != self.first_sort else {})
        kept |= {key: str(value) for key, value in changes.items()}
        query = urlencode({key: value for key, value in kept.items() if value != ""})
        return f"{self.path}{'?' if query else ''}{query}{self.anchor}"

    @property
    def number(self) -> int:
        """The page that is asked for."""
        text = self.asked["page"]
        return max(int(text), 1) if text.isascii() and text.isdecimal() and len(text) < 9 else 1

    @property
    def sorting(self) -> str:
        return f"{'-' if self.down else ''}{self.sort}" if self.sort else ""

    @property
    def heads(self) -> list[dict]:
        """The columns' heads: where one is sorted by, the link turns it round."""
        made = []
        for column in self.columns:
            mine = column.key == self.sort
            turned = f"-{column.key}" if mine and not self.down else column.key
            made.append({
                "key": column.key, "words": column.words, "number": column.number,
                "address": self.address(sort=turned) if column.sort else "",
                "sorted": ("descending" if self.down else "ascending") if mine else "",
            })  # fmt: skip
        return made

    @property
    def filters(self) -> list[dict]:
        """The filters with what is chosen; those with nothing to choose are left out."""
        return [
            {"key": c.key, "words": c.words, "chosen": self.chosen.get(c.key, ""), "options": c.options}
            for c in self.choices if len(c.options) > 1 or c.key in self.chosen
        ]  # fmt: skip

    @property
    def kept_sort(self) -> str:
        """The sorting that a filter's form carries along."""
        return f"{'-' if self.down else ''}{self.sort}" if self.sort and self.asked["sort"] else ""

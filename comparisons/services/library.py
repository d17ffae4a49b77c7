"""The library that a plan may start from: kinds of product with their questions, properties, methods and trials.

It is data (`fixtures/method_templates.toml`), in our own words, and a starting point: whatever is taken from it
becomes the comparison's own rows, to be changed like any other.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from django.conf import settings

PATH = Path(settings.BASE_DIR) / "fixtures" / "method_templates.toml"
REVISION = "1"  # what the first wording of a method out of the library is called
SOURCES = {
    "standard": "from the standard's own text, scope or contents",
    "second hand": "from another party's page about the standard",
    "memory": "from memory: check before you quote it",
    "practice": "common practice, no source",
}


@dataclass(frozen=True)
class Trial:
    """One trial of the library with what belongs to it. Numbers are kept as text, as they will be stored."""

    code: str
    property: dict
    method: dict | None
    condition: dict | None
    row: dict
    needs: tuple[str, ...]  # other trials that it cannot do without: its baseline, its dimensions

    @property
    def name(self) -> str:
        name = self.property["name"]
        return f"{name}, {self.condition['name'][:1].lower()}{self.condition['name'][1:]}" if self.condition else name

    @property
    def cv_source(self) -> str:
        return SOURCES.get(self.row.get("cv_source", ""), "")

    @property
    def method_source(self) -> str:
        return SOURCES.get((self.method or {}).get("source", ""), "")


@dataclass(frozen=True)
class Kind:
    """A kind of product, or a set of trials for any kind (`questions` empty)."""

    id: str
    name: str
    questions: tuple[str, ...]
    characteristics: str
    properties: dict[str, dict]
    methods: dict[str, dict]
    conditions: dict[str, dict]
    trials: dict[str, Trial] = field(default_factory=dict)

    def with_needs(self, codes) -> list[Trial]:
        """These trials and what they cannot do without, in the library's order."""
        wanted, open_codes = set(), [code for code in codes if code in self.trials]
        while open_codes:
            code = open_codes.pop()
            if code not in wanted:
                wanted.add(code)
                open_codes += self.trials[code].needs
        return [trial for code, trial in self.trials.items() if code in wanted]


@dataclass(frozen=True)
class Library:
    """kinds and readings by id; conditionings by code."""

    kinds: dict[str, Kind]
    readings: dict[str, Kind]
    conditionings: dict[str, dict]
    stop: str

    def every(self) -> dict[str, Kind]:
        return self.kinds | self.readings

    def spreads(self) -> dict[tuple[str, str, str], str]:
        """(title of the method, code of the property, spread as written) -> where that spread comes from."""
        return {
            (trial.method["title"], trial.property["code"], trial.row["cv"]): trial.cv_source
            for kind in self.every().values() for trial in kind.trials.values() if trial.method and "cv" in trial.row
        }  # fmt: skip


@cache
def library() -> Library:
    """The library as it stands in the file; read once."""
    data = tomllib.loads(PATH.read_text("utf-8"))
    return Library(
        kinds={row["id"]: _kind(row) for row in data["kind"]},
        readings={row["id"]: _kind(row) for row in data["reading"]},
        conditionings={row["code"]: row for row in data["conditioning"]},
        stop=data["stop"],
    )


def _kind(row: dict) -> Kind:
    properties = {one["code"]: one for one in row.get("property", [])}
    methods = {one["code"]: one for one in row.get("method", [])}
    conditions = {one["code"]: one for one in row.get("condition", [])}
    dimension = {one["property"]: one["code"] for one in reversed(row["trial"])}
    trials = {}
    for one in row["trial"]:
        needs = [one["baseline"]] if one.get("baseline") else []
        needs += [dimension[code] for code in one.get("divide_by", [])]
        trials[one["code"]] = Trial(
            one["code"], properties[one["property"]], methods.get(one.get("method", "")),
            conditions.get(one.get("condition", "")), one, tuple(needs),
        )  # fmt: skip
    return Kind(
        row["id"], row["name"], tuple(row.get("questions", [])), row.get("characteristics", ""), properties, methods,
        conditions, trials,
    )  # fmt: skip

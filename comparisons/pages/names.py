"""What the codes of a study are called: products, trials, conditions, methods."""

from __future__ import annotations

import re
from collections import Counter, defaultdict

from comparisons.folder.tables import Tables, dimensions, number, only_revisions, whole, yes

from . import words
from .numbers import GAP, symbol, with_unit, write

_CODE = re.compile(r"[a-z0-9][a-z0-9._-]*[a-z0-9]|[a-z0-9]")


class Names:
    """Looks up a study's codes. A code that no table declares is called by itself."""

    def __init__(self, tables: Tables):
        self.tables = tables
        self.toml = tables.comparison
        self.currency = self.toml.get("currency", "")
        self.products = {row["product"]: row for row in tables["products"].rows()}
        self.properties = {row["property"]: row for row in tables["properties"].rows()}
        self.conditions = {row["condition"]: row for row in tables["conditions"].rows()}
        self.trials = {row["trial"]: row for row in tables["trials"].rows()}
        self.methods = {(row["method"], row["revision"]): row for row in tables["methods"].rows()}
        self.instruments = {row["instrument"]: row for row in tables["instruments"].rows()}
        self.claims = {row["claim"]: row for row in tables["claims"].rows()}
        self.criteria = {part["id"]: part for part in self.toml.get("criterion", [])}
        self.weightings = {part["id"]: part for part in self.toml.get("weighting", [])}
        self.marks = _marks(tables)
        named = Counter((row["maker"], row["model"]) for row in self.products.values())
        self._several = {code for code, row in self.products.items() if named[row["maker"], row["model"]] > 1}
        self._only = only_revisions(tables["methods"])
        self._properties_of = defaultdict(list)
        for code, row in self.trials.items():
            self._properties_of[row["property"]].append(code)

    def product(self, code: str) -> str:
        """Maker and model, with the variant where another product has both, and how it was obtained if not bought.

        That a maker supplied or lent a product stands beside its name wherever the name is printed: readers
        are to know it (16 CFR 255.5), and nobody has to think of it.
        """
        row = self.products.get(code)
        if row is None:
            return code
        parts = [row["maker"], row["model"], words.typeset(row["variant"]) if code in self._several else ""]
        mark = f"({self.marks[code]})" if code in self.marks else ""
        return " ".join(part for part in (*parts, mark) if part)

    def said(self, text: str) -> str:
        """A remark of the evaluation with product codes replaced by names."""
        return _CODE.sub(lambda m: self.product(m.group()) if m.group() in self.products else m.group(), text)

    def variant(self, code: str) -> str:
        """The variant; blank where the name says it already."""
        return "" if code in self._several else words.typeset(self.products.get(code, {}).get("variant", ""))

    def property(self, code: str) -> str:
        return words.typeset(self.properties.get(code, {}).get("name") or code)

    def unit(self, code: str) -> str:
        """The unit of a property, as in the study folder."""
        return self.properties.get(code, {}).get("unit", "")

    def decimals(self, code: str) -> int | None:
        return whole(self.properties.get(code, {}).get("decimals", ""))

    def scale(self, code: str) -> tuple[float | None, float | None]:
        """The ends of a rating scale."""
        row = self.properties.get(code, {})
        return tuple(
            None if (n := number(row.get(end, ""))) is None else float(n) for end in ("scale_low", "scale_high")
        )

    def condition(self, code: str | None) -> str:
        if not code:
            return "as received"
        row = self.conditions.get(code, {})
        return words.typeset(row.get("name") or code)

    def condition_of(self, trial: str) -> str:
        return self.condition(self.trials.get(trial, {}).get("condition"))

    def property_of(self, trial: str) -> str:
        return self.trials.get(trial, {}).get("property", "")

    def trial(self, code: str) -> str:
        """A trial by its property and, where the property was tried under several, its condition."""
        row = self.trials.get(code)
        if row is None:
            return code
        name = self.property(row["property"])
        if len(self._properties_of[row["property"]]) == 1 and not row["condition"]:
            return name
        return f"{name}, {_inside(self.condition(row['condition']))}"

    def criterion(self, code: str) -> str:
        part = self.criteria.get(code, {})
        return words.typeset(part.get("name")) or code

    def weighting(self, code: str | None) -> str:
        return words.typeset(self.weightings.get(code, {}).get("name")) or (code or "")

    def method_of(self, trial: str) -> tuple[str, str] | None:
        """Code and revision of a trial's method."""
        row = self.trials.get(trial, {})
        if not row.get("method"):
            return None
        return row["method"], row["revision"] or self._only.get(row["method"], "")

    def divided_by(self, trial: str) -> str:
        """What each reading of a trial is divided by, in words."""
        named = [self.property(code) for code in dimensions(self.trials.get(trial, {}).get("divide_by", ""))]
        return words.listed([name[:1].lower() + name[1:] for name in named])

    def baseline_of(self, trial: str) -> str:
        return self.trials.get(trial, {}).get("baseline", "")

    def blind(self, trial: str) -> bool:
        return yes(self.trials.get(trial, {}).get("blind", ""))

    def claimed(self, code: str) -> str:
        """A claim as its maker stated it, in the unit that was printed."""
        row = self.claims.get(code)
        if row is None:
            return code
        unit = row["unit"] or ("percent" if row["of"] == "change" else self.unit(row["property"]))
        return claim_text(row, unit)


def _marks(tables: Tables) -> dict[str, str]:
    """The products that their makers supplied or lent, with how it is said; the others were bought."""
    ways: dict[str, set[str]] = defaultdict(set)
    for row in tables["purchases"].rows():
        ways[row["product"]].add(row["obtained"])
    marks = {}
    for code, found in ways.items():
        given = [word for word in ("supplied", "lent") if word in found]
        if given:
            partly = "partly " if "bought" in found else ""
            marks[code] = f"{partly}{' and '.join(given)} by its maker"
    return marks


def _inside(text: str) -> str:
    """A name inside a sentence: its first letter small, unless it is a name or an abbreviation."""
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def claim_text(row: dict[str, str], unit: str) -> str:
    """A claim's limits in words: "at least 222 N", "4.8 mm, give or take 0.2 mm"."""

    def amount(column: str, signed: bool = False) -> str:
        return with_unit(write(number(row.get(column, "")), signed=signed), unit)

    of_change = row.get("of") == "change"
    sense = row["sense"]
    value = amount("value", of_change) or amount("low", of_change) or amount("high", of_change)
    if sense == "yes":
        text = "yes"
    elif sense == "at_least":
        text = f"at least {value}"
    elif sense == "at_most":
        text = f"at most {value}"
    elif sense == "between":
        text = f"{write(number(row['low']))} to {amount('high')}"
    else:
        text = f"{value}{_tolerance(row, unit)}"
    if of_change:
        text = f"change of {text}"
    return text + (", every item" if row.get("scope") == "every" else "")


def _tolerance(row: dict[str, str], unit: str) -> str:
    minus, plus = number(row.get("tolerance_minus", "")), number(row.get("tolerance_plus", ""))
    if minus is None and plus is None:
        return ""
    mark = f"{GAP}{symbol(unit)}" if symbol(unit) else ""
    if minus == plus:
        return f", give or take {write(plus)}{mark}"
    parts = [
        f"plus {write(plus)}" if plus is not None else "",
        f"minus {write(minus)}" if minus is not None else "",
    ]
    return f", {words.listed([part for part in parts if part])}{mark}"

"""Two states of a comparison side by side, number by number: what was printed before, what is now, the difference.

A state is a page document with its results document; of a draft, those as it was evaluated.
"""

from __future__ import annotations

from dataclasses import dataclass

from .apart import called
from .numbers import MINUS, money, write

NOTHING = "nothing"


@dataclass(frozen=True)
class Side:
    """One state: its page document and its results document."""

    page: dict
    results: dict


@dataclass(frozen=True)
class Cell:
    """One printed value: its text, what stands beside it, and the number behind it (None where there is none)."""

    text: str
    beside: str = ""
    number: float | None = None
    unit: str = ""


def between(before: Side, after: Side) -> dict:
    """What differs in numbers. groups: dicts of title, kind, rows (name, before, after, beside_before, beside_after,
    difference), same (how many rows are equal). changed, same: counts over all groups.

    Rows are compared as they were printed: what no reader can see differ is equal.
    """
    names = called(before.page) | called(after.page)
    groups = [
        *_scores(before, after, names),
        *_group("Awards", "awards", _awards(before, names), _awards(after, names)),
        *_tables(before, after, names, "trials", "summaries"),
        *_tables(before, after, names, "changes", "changes"),
        *_claims(before, after, names),
        *_group("Typical price of one", "prices", _prices(before, names), _prices(after, names)),
    ]
    return {
        "groups": [group for group in groups if group["rows"]],
        "changed": sum(len(group["rows"]) for group in groups),
        "same": sum(group["same"] for group in groups),
    }


def _group(title: str, kind: str, old: dict[str, Cell], new: dict[str, Cell]) -> list[dict]:
    """One table of what differs, by the order of the later state; [] where neither has a row."""
    keys = [*new, *(key for key in old if key not in new)]
    rows, same = [], 0
    for key in keys:
        a, b = old.get(key), new.get(key)
        if a is not None and b is not None and (a.text, a.beside, a.unit) == (b.text, b.beside, b.unit):
            same += 1
            continue
        rows.append({
            "name": key, "before": _said(a), "after": _said(b), "beside_before": a.beside if a else "",
            "beside_after": b.beside if b else "", "difference": _difference(a, b),
        })  # fmt: skip
    return [{"title": title, "kind": kind, "rows": rows, "same": same}] if keys else []


def _said(cell: Cell | None) -> str:
    if cell is None:
        return NOTHING
    return f"{cell.text}\u00a0{cell.unit}" if cell.unit else cell.text


def _difference(a: Cell | None, b: Cell | None) -> str:
    """After less before, in the finer of both roundings; "" where one has no number or the units differ."""
    if a is None or b is None or a.number is None or b.number is None or a.unit != b.unit:
        return ""
    places = max(_places(a.text), _places(b.text))
    text = write(b.number - a.number, places, signed=True)
    if not text.strip(f"+{MINUS}-0."):
        return f"less than {write(10.0**-places, places)}" if b.number != a.number else "0"
    return f"{text}\u00a0{b.unit}" if b.unit else text


def _places(text: str) -> int:
    return len(text.partition(".")[2].split()[0]) if "." in text else 0


def _joined(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def _scores(before: Side, after: Side, names: dict[str, str]):
    """Scores and places, one table for each weighting."""

    def of(side: Side) -> dict[str, tuple[str, dict[str, Cell]]]:
        numbers = {
            card["weighting"]: {row["product"]: row["score"] for row in card["products"]}
            for card in side.results.get("scorecards") or []
        }
        found = {}
        for ranking in side.page["rankings"]:
            cells = {}
            for row in ranking["rows"]:
                number = numbers.get(ranking["id"], {}).get(row["code"])
                beside = _joined(str(row["place"]), row["likely"])
                cells[names[row["code"]]] = Cell(row["score"]["text"], beside, number)
            found[ranking["id"]] = (ranking["name"], cells)
        return found

    old, new = of(before), of(after)
    for key in [*new, *(key for key in old if key not in new)]:
        title = (new.get(key) or old[key])[0]
        yield from _group(f"Score and place: {title}", "scores", *(s.get(key, ("", {}))[1] for s in (old, new)))


def _awards(side: Side, names: dict[str, str]) -> dict[str, Cell]:
    """Awards that stand, by the numbers or by the editor with a reason."""
    weightings = {one["id"]: one["name"] for one in side.page["rankings"]}
    found = {}
    for row in side.results.get("awards") or []:
        if not row["product"] or not (row["supported"] or row["by"] == "editor" and not row["refused"]):
            continue
        kind = {"best": "Best", "best-value": "Best value"}.get(row["award"], row["name"] or row["award"])
        where = _joined(kind, weightings.get(row["weighting"], row["weighting"] or ""), "by the editor"
                        if row["by"] == "editor" else "by the numbers")  # fmt: skip
        beside = "" if row["supported"] else "not carried by the numbers"
        found[where] = Cell(names.get(row["product"], row["product"]), beside)
    return found


def _tables(before: Side, after: Side, names: dict[str, str], part: str, document: str):
    """Results (or changes) of every product, one table for each trial."""

    def of(side: Side) -> dict[str, tuple[str, dict[str, Cell]]]:
        numbers: dict[tuple[str, str], float | None] = {}
        for row in side.results.get(document) or []:
            numbers[row["trial"], row["product"]] = row["change_pct" if document == "changes" else "mean"]
        if document == "summaries":
            for row in side.results.get("pass_fail") or []:
                numbers[row["trial"], row["product"]] = None
        found = {}
        for table in side.page[part]:
            cells = {}
            for row in table["rows"]:
                if row["absent"]:
                    cells[names[row["code"]]] = Cell(row["absent"])
                else:
                    number = numbers.get((table["trial"], row["code"]))
                    beside = _joined(row["likely"], row["n"])
                    cells[names[row["code"]]] = Cell(row["value"]["text"], beside, number, table["unit"])
            found[table["trial"]] = (table["title"], cells)
        return found

    old, new = of(before), of(after)
    head = "Change: " if part == "changes" else ""
    for key in [*new, *(key for key in old if key not in new)]:
        title = (new.get(key) or old[key])[0]
        yield from _group(f"{head}{title}", part, *(s.get(key, ("", {}))[1] for s in (old, new)))


def _claims(before: Side, after: Side, names: dict[str, str]):
    """Claims with what was measured and the statement, one table for each property and condition."""

    def of(side: Side) -> dict[str, tuple[str, dict[str, Cell]]]:
        numbers = {row["claim"]: row["measured"] for row in side.results.get("claims") or []}
        found = {}
        for table in side.page["claims"]:
            cells = {}
            for row in table["rows"]:
                who = names.get(row["product"], row["name"])
                measured = row["measured"]["text"]
                if measured and table["unit"]:
                    measured += f"\u00a0{table['unit']}"
                key = f"{who}: {row['claimed']}"
                if key in cells:  # two sources that say the same
                    key = f"{key} ({row['code']})"
                cells[key] = Cell(row["statement"], _joined(measured, row["likely"]), numbers.get(row["code"]))
            found[table["anchor"]] = (table["title"], cells)
        return found

    old, new = of(before), of(after)
    for key in [*new, *(key for key in old if key not in new)]:
        title = (new.get(key) or old[key])[0]
        for group in _group(f"Claims: {title}", "claims", *(s.get(key, ("", {}))[1] for s in (old, new))):
            for row in group["rows"]:
                row["difference"] = ""  # of words there is none; the measured values stand beside them
            yield group


def _prices(side: Side, names: dict[str, str]) -> dict[str, Cell]:
    return {
        names.get(row["product"], row["product"]): Cell(money(row["per_item"], row["currency"]), "", row["per_item"])
        for row in side.results.get("costs") or [] if row["per_item"] is not None
    }  # fmt: skip

"""How rules are checked: on distinct values, with rows looked for only where one is wrong."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from specimens.units import UnitError, parse_unit, require_kind

from .cells import number_reason, report
from .faults import Faults, quote
from .tables import Tables, dimensions, moment


def amount(text: str) -> Decimal | None:
    """A cell's number; None where it is blank or none."""
    return Decimal(text) if text and not number_reason(text) else None


def unit_reason(found: str, expected: str) -> str | None:
    """Why `found` does not convert into `expected`; None where it does, or where one is no unit at all."""
    try:
        parse_unit(found), parse_unit(expected)
    except UnitError:
        return None  # told where it stands
    try:
        require_kind(found, expected)
    except UnitError as error:
        return str(error)
    return None


class Check:
    """The tables under check, and ways to say what is wrong with a row."""

    def __init__(self, tables: Tables, faults: Faults, broken: set[str]):
        self.tables, self.faults, self.broken = tables, faults, broken
        self.properties = {row["property"]: row for row in tables["properties"].rows()}
        self.trials = {row["trial"]: row for row in tables["trials"].rows()}
        self.doubtful: set[str] = set()  # trials whose unit is wrong: their readings are not judged by it

    def add(self, name: str, index: int, column: str, text: str, rule: str = "") -> None:
        table = self.tables[name]
        self.faults.add(table.spec.file, table.line(index), column, text, rule)

    def pairs(self, name: str, columns: tuple[str, ...], at: str, test: Callable[..., str | None]) -> None:
        """Run a test on the distinct tuples of some columns; a fault in column `at` of each row it fails."""
        table = self.tables[name]
        cells = list(zip(*(table[column] for column in columns), strict=True))
        wrong = {found: why for found in set(cells) if (why := test(*found))}
        if wrong:
            report(table, at, cells, wrong, self.faults)

    def keys(self) -> None:
        for name, table in self.tables.items():
            if name == "deviations":
                continue  # one thing may change twice in the same way
            cells = list(zip(*(table[column] for column in table.spec.key), strict=True))
            if len(set(cells)) == len(cells):
                continue
            first: dict[tuple, int] = {}
            for i, key in enumerate(cells):
                if key in first:
                    self.add(
                        name,
                        i,
                        table.spec.key[0],
                        f"found {quote(' '.join(key))} again (first in row {table.line(first[key])}),"
                        " expected it once",
                        rule="again",
                    )
                else:
                    first[key] = i

    def references(self) -> None:
        for table in self.tables.values():
            for column in table.spec.columns:
                if not column.table or column.table in self.broken:
                    continue
                target = self.tables[column.table]
                known = set(target[target.spec.key[0]])
                wrong = {}
                for text in set(table[column.name]) - known - {""}:
                    codes = dimensions(text) if column.several else [text]
                    if unknown := [code for code in codes if code not in known]:
                        wrong[text] = (
                            f"found {quote(unknown[0])}, expected a code that {column.table}.csv has"
                        )
                if wrong:
                    report(table, column.name, table[column.name], wrong, self.faults)

    def ordered(self, name: str, low: str, high: str) -> None:
        """A fault where a low number lies above its high one."""

        def test(a, b):
            first, second = amount(a), amount(b)
            if first is not None and second is not None and first > second:
                return f"found {low} {a} above {high} {b}, expected {low} at most {high}"

        self.pairs(name, (low, high), low, test)

    def with_unit(self, name: str, value: str, unit: str, kind: str = "") -> None:
        """A fault where a number stands without its unit, or with one of another kind."""

        def test(number, text):
            if number and not text:
                return f"found {value} {quote(number)} without a unit, expected its unit in {unit}"
            if text and kind:
                return unit_reason(text, kind)

        self.pairs(name, (value, unit), unit, test)

    def together(self, name: str, column: str, needs: str, when: Callable[[str], bool], say: str) -> None:
        """A fault where `column` holds something that needs another column, and that is blank."""
        self.pairs(name, (column, needs), needs, lambda a, b: say if when(a) and not b else None)


def after(start: str, end: str) -> str | None:
    """Why an end may not follow a start: it lies before it. Cells that are no times are passed over."""
    try:
        if start and end and moment(end) < moment(start):
            return f"found {quote(end)}, expected a time that is not before {start}"
    except (ValueError, OverflowError):
        return None
    return None


def cycles(codes: list[str], nexts: list[str]) -> list[int]:
    """Rows whose chain (each code to the code it names) comes back to a code it has passed."""
    following = {code: after for code, after in zip(codes, nexts, strict=True) if after}
    state: dict[str, int] = {}  # 1: on the path being walked, 2: leads to an end, 3: leads into a circle
    for start in following:
        path, code = [], start
        while code in following and code not in state:
            state[code] = 1
            path.append(code)
            code = following[code]
        verdict = 3 if state.get(code) in (1, 3) else 2
        for passed in path:
            state[passed] = verdict
    return [i for i, code in enumerate(codes) if state.get(code) == 3]

"""Whether each cell of a table may stand there, by its column alone.

Work is done on the distinct texts of a column; only where one is wrong are its rows looked for.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from decimal import Decimal
from functools import lru_cache

from specimens.units import UnitError, parse_unit

from .faults import Faults, quote
from .source import unsafe
from .spec import LONGEST_NUMBER, Column
from .tables import CODE, DATE, NO, NUMBER, TIME, WHOLE, YES, Table, date, dimensions, moment

LONGEST_CELL = 131_072
LARGEST_WHOLE = 2**31 - 1
LARGEST_SEED = 2**63 - 1
YEARS = (1900, 2200)

Reason = str | None  # what is wrong with a text: "found ..., expected ..."; None where nothing is


def check_cells(table: Table, faults: Faults) -> None:
    """A fault for each cell that its column does not allow."""
    for column in table.spec.columns:
        cells = table.columns[column.name]
        wrong = {text: why for text in set(cells) if (why := _reason(column, text))}
        if wrong:
            report(table, column.name, cells, wrong, faults)


def report(table: Table, column: str, cells: Iterable, wrong: dict, faults: Faults) -> None:
    """A fault in each row whose cell (or tuple of cells) is among the wrong ones."""
    for i, cell in enumerate(cells):
        if cell in wrong:
            why = wrong[cell]
            faults.add(table.spec.file, table.line(i), column, why, rule=_rule(why))


def _rule(why: str) -> str:
    """What groups faults of one kind: what was expected, not what was found."""
    return why.partition(", expected ")[2] or why


def _reason(column: Column, text: str) -> Reason:
    if not text:
        return "found nothing, expected a value" if column.required else None
    if text[0] in "=+-@" and not NUMBER.fullmatch(text) and not (column.name == "bound" and text == "="):
        return (
            f"found {quote(text)}, expected text that does not start with {text[0]}"
            " (a spreadsheet would run it: put a word before it)"
        )
    limit = column.length or LONGEST_CELL
    if len(text) > limit:
        return f"found {len(text):,} characters, expected at most {limit:,}"
    return _BY_KIND[column.kind](column, text)


def _code(column: Column, text: str) -> Reason:
    if CODE.fullmatch(text):
        return None
    lower = text.lower()
    hint = f", such as {lower}" if CODE.fullmatch(lower) else ""
    return (
        f"found {quote(text)}, expected a code of lower-case letters, digits, dot, dash and underscore{hint}"
    )


def _text(column: Column, text: str) -> Reason:
    if column.several and not all(CODE.fullmatch(code) for code in dimensions(text)):
        return f"found {quote(text)}, expected codes joined by *, such as width*thickness"
    if column.name == "sha256" and not re.fullmatch(r"[0-9a-fA-F]{64}", text):
        return f"found {quote(text)}, expected 64 hexadecimal digits"
    if column.name == "currency" and not re.fullmatch(r"[A-Z]{3}", text):
        return f"found {quote(text)}, expected a currency's three capital letters, such as EUR (ISO 4217)"
    return None


def number_reason(text: str) -> Reason:
    """Why a text is no number that may stand in a study."""
    if not NUMBER.fullmatch(text):
        if re.fullmatch(r"[+-]?[0-9][0-9.,' ]*", text) and "," in text:
            return f"found {quote(text)}, expected a point and no comma in a number, such as 12.5"
        return f"found {quote(text)}, expected a number such as 12.5"
    if len(text) > LONGEST_NUMBER or abs(Decimal(text).adjusted()) > 300:
        return f"found {quote(text)}, expected a number of ordinary size"
    return None


def _number(column: Column, text: str) -> Reason:
    if why := number_reason(text):
        return why
    if column.least is not None:
        found, least = Decimal(text), Decimal(column.least)
        if found < least or (column.above and found == least):
            bound = "more than" if column.above else "at least"
            return f"found {quote(text)}, expected a number of {bound} {column.least}"
    return None


def _integer(column: Column, text: str) -> Reason:
    largest = LARGEST_SEED if column.name == "seed" else 32767 if column.name == "decimals" else LARGEST_WHOLE
    if not WHOLE.fullmatch(text) or int(text) > largest:
        return f"found {quote(text)}, expected a whole number such as 3"
    return None


def _date(column: Column, text: str) -> Reason:
    expected = f"found {quote(text)}, expected a date such as 2026-03-31"
    if not DATE.fullmatch(text):
        return expected
    try:
        day = date(text)
    except ValueError:
        return f"{expected}; there is no such day"
    return None if YEARS[0] <= day.year < YEARS[1] else f"{expected}, from {YEARS[0]} to {YEARS[1] - 1}"


def _time(column: Column, text: str) -> Reason:
    expected = f"found {quote(text)}, expected a time such as 2026-03-31T14:05:00+02:00"
    if not TIME.fullmatch(text):
        return expected
    try:
        found = moment(text)
    except (ValueError, OverflowError):
        return f"{expected}; there is no such moment"
    return None if YEARS[0] <= found.year < YEARS[1] else f"{expected}, from {YEARS[0]} to {YEARS[1] - 1}"


def _yesno(column: Column, text: str) -> Reason:
    if text.lower() in YES or text.lower() in NO:
        return None
    return f"found {quote(text)}, expected yes or no"


def _choice(column: Column, text: str) -> Reason:
    if text in column.choices:
        return None
    return f"found {quote(text)}, expected one of {', '.join(column.choices)}"


@lru_cache(maxsize=4096)
def _unit_reason(text: str) -> Reason:
    try:
        parse_unit(text)
    except UnitError as error:
        return str(error)
    return None


def _unit(column: Column, text: str) -> Reason:
    return _unit_reason(text)


def _path(column: Column, text: str) -> Reason:
    if why := unsafe(text):
        return f"found {quote(text)}, {why}"
    if not text.startswith("files/"):
        return f"found {quote(text)}, expected a path that starts with files/"
    return None


_BY_KIND: dict[str, Callable[[Column, str], Reason]] = {
    "code": _code,
    "text": _text,
    "number": _number,
    "integer": _integer,
    "date": _date,
    "time": _time,
    "yesno": _yesno,
    "choice": _choice,
    "unit": _unit,
    "path": _path,
}

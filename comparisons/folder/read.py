"""Reading a study folder or zip: all of it is looked at, and every fault is named at once."""

from __future__ import annotations

import codecs
import csv
import difflib
import json
import re
from collections.abc import Iterator

from . import toml
from .cells import check_cells
from .checks import check_study
from .faults import Faults, StudyError, quote
from .source import DAMAGED, FileSource, open_study
from .spec import SPEC, TableSpec
from .tables import Table, Tables

ARTICLE = "article.md"
PACKAGE = "datapackage.json"
MAX_LINE = 2**20  # characters; a row of a study is a thousandth of this
MAX_ROWS = 1_000_000
MAX_TEXT = 4 * 2**20  # bytes of article.md or datapackage.json
CHUNK = 10_000
# What datapackage.json says that export writes anew.
WRITTEN_ANEW = ("$schema", "name", "resources")

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_BOMS = [
    (codecs.BOM_UTF32_LE, "UTF-32"),
    (codecs.BOM_UTF32_BE, "UTF-32"),
    (codecs.BOM_UTF16_LE, "UTF-16"),
    (codecs.BOM_UTF16_BE, "UTF-16"),
]


def read_study(path) -> Tables:
    """The checked tables of a study folder, a zip file, or an open binary file that holds a zip.

    Raises StudyError with one line for each fault, all of them at once.
    """
    faults = Faults()
    tables = read_tables(path, faults)
    faults.raise_if_any()
    return tables


def read_tables(path, faults: Faults) -> Tables:
    """The tables as far as they can be read; what is wrong goes to `faults`."""
    files = open_study(path, faults)
    tables = Tables()
    broken = (
        set()
    )  # tables with rows or columns lost: what they lack is told once, not again by each reference
    for name, spec in SPEC.items():
        if spec.file in files:
            before = len(faults)
            tables[name] = _table(spec, files[spec.file], faults)
            if len(faults) > before:
                broken.add(name)
            check_cells(tables[name], faults)
        elif any(file == spec.file for file, _, _ in faults.kept):
            broken.add(name)  # there, but refused
        elif spec.required:
            faults.add(spec.file, None, "", "found no such file, expected one with a header row")
            broken.add(name)
    if toml.FILE in files:
        tables.comparison = toml.read(_bytes(files[toml.FILE], toml.FILE, toml.MAX_BYTES, faults), faults)
    else:
        faults.add(toml.FILE, None, "", "found no such file, expected one with slug, title and question")
    tables.article = _article(files, faults)
    tables.package = _package(files, faults)
    if tables.package.get("title") == tables.comparison.get("title"):
        tables.package.pop("title", None)  # export writes it anew
    tables.files = {path: source for path, source in files.items() if path.startswith("files/")}
    _refuse_strangers(files, faults)
    check_study(tables, faults, broken)
    return tables


def _refuse_strangers(files: dict[str, FileSource], faults: Faults) -> None:
    """A table under a slip of a name would be lost without a word."""
    known = {spec.file for spec in SPEC.values()}
    for path in sorted(files):
        if path.lower().endswith((".csv", ".toml")) and not path.startswith("files/"):
            if path not in known and path != toml.FILE:
                near = difflib.get_close_matches(path.rsplit("/", 1)[-1].lower(), sorted(known), n=1)
                hint = f", such as {near[0]}" if near else ""
                faults.add(path, None, "", f"found a table that is not known, expected a known name{hint}")


def _bytes(source: FileSource, file: str, limit: int, faults: Faults) -> bytes:
    try:
        if source.size > limit:
            faults.add(file, None, "", f"found {source.size:,} bytes, expected at most {limit:,}")
            return b""
        return source.read()
    except DAMAGED as error:
        faults.add(file, None, "", f"found a damaged file ({error}), expected one that can be read")
        return b""


def _decoded(data: bytes, file: str, faults: Faults) -> str:
    if name := _encoding(data[:256]):
        faults.add(file, None, "", f"found {name}, expected UTF-8: save it as UTF-8")
        return ""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        faults.add(file, None, "", f"found no UTF-8 (at byte {error.start}), expected UTF-8")
        return ""
    if found := _CONTROL.search(text):
        faults.add(file, None, "", f"found the control character U+{ord(found[0]):04X}, expected plain text")
        return ""
    return text


def _encoding(start: bytes) -> str:
    """The name of a wide encoding that a file's first bytes show; blank for others."""
    for mark, name in _BOMS:
        if start.startswith(mark):
            return name
    if len(start) >= 4 and start.count(0) * 3 > len(start):
        return "UTF-16 without a byte-order mark"
    return ""


def _article(files: dict[str, FileSource], faults: Faults) -> str:
    if ARTICLE not in files:
        return ""
    return _decoded(_bytes(files[ARTICLE], ARTICLE, MAX_TEXT, faults), ARTICLE, faults).strip()


def _package(files: dict[str, FileSource], faults: Faults) -> dict:
    if PACKAGE not in files:
        return {}
    text = _decoded(_bytes(files[PACKAGE], PACKAGE, MAX_TEXT, faults), PACKAGE, faults)
    if not text:
        return {}
    try:
        package = json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        faults.add(PACKAGE, None, "", f"found no valid JSON ({error}), expected a Data Package")
        return {}
    if not isinstance(package, dict):
        faults.add(PACKAGE, None, "", "found no JSON object, expected a Data Package")
        return {}
    if "\\u0000" in text:
        faults.add(PACKAGE, None, "", "found the character U+0000, expected plain text")
    return {key: value for key, value in package.items() if key not in WRITTEN_ANEW}


def _no_constant(text: str):
    raise ValueError(f"{text} is no JSON")


class _Unreadable(Exception):
    """The rest of a table cannot be read; the text says why."""


def _table(spec: TableSpec, source: FileSource, faults: Faults) -> Table:
    try:
        with source.open() as stream:
            return _parse(spec, stream, faults)
    except _Unreadable as error:
        faults.add(spec.file, error.args[0], "", error.args[1])
    except DAMAGED as error:
        faults.add(spec.file, None, "", f"found a damaged file ({error}), expected one that can be read")
    return Table(spec)


class _Lines:
    """Decoded lines of a table. A row of 200 MB is refused before it is in memory, be it one line or a

    quote that is never closed: `pending` counts what the row under way has taken, and whoever reads
    the rows sets it to 0 after each.
    """

    def __init__(self, stream):
        self.stream, self.pending, self.number = stream, 0, 1

    def __iter__(self) -> Iterator[str]:
        block = self.stream.read(256)
        if name := _encoding(block):
            raise _Unreadable(None, f"found {name}, expected UTF-8: save the table as CSV UTF-8")
        decoder = codecs.getincrementaldecoder("utf-8-sig")()
        rest = ""
        while True:
            *lines, rest = (rest + self._decode(decoder, block)).split("\n")
            for line in lines:
                self._take(len(line) + 1)
                yield line + "\n"
                self.number += 1
            if len(rest) > MAX_LINE:
                self._take(len(rest))
            if not block:
                break
            block = self.stream.read(2**18)
        if rest:
            self._take(len(rest))
            yield rest

    def _take(self, count: int) -> None:
        self.pending += count
        if self.pending > MAX_LINE:
            text = f"found a row of over {MAX_LINE:,} characters or a quote that is not closed"
            raise _Unreadable(self.number, f"{text}, expected a shorter row")

    def _decode(self, decoder, block: bytes) -> str:
        try:
            text = decoder.decode(block, final=not block)
        except UnicodeDecodeError as error:
            byte = error.object[error.start]
            raise _Unreadable(
                self.number + error.object.count(b"\n", 0, error.start),
                f"found a byte that is not UTF-8 (0x{byte:02X}), expected UTF-8: save the table as CSV UTF-8",
            ) from None
        if found := _CONTROL.search(text):
            raise _Unreadable(
                self.number + text.count("\n", 0, found.start()),
                f"found the control character U+{ord(found[0]):04X}, expected plain text",
            )
        return text


def _parse(spec: TableSpec, stream, faults: Faults) -> Table:
    text = _Lines(stream)
    reader = csv.reader(iter(text), strict=True)
    row = 0
    try:
        header = next(reader, None)
        row = 1
        if not header or not any(cell.strip() for cell in header):
            raise _Unreadable(1, "found no header row, expected the names of the columns")
        header = [cell.strip() for cell in header]
        places = _places(spec, header, faults)
        columns: dict[str, list[str]] = {name: [] for name in places}
        lines: list[int] = []
        gaps = False
        batch: list[list[str]] = []
        width = len(header)
        for cells in reader:
            row += 1
            text.pending = 0
            if len(cells) != width or not any(cells):
                if not any(cell.strip() for cell in cells):
                    gaps = True
                    continue
                found = f"found {len(cells)} cells, expected {width} as in the header"
                faults.add(spec.file, row, "", f'{found} (put " around a cell with a comma)', rule="width")
                gaps = True
                continue
            batch.append(cells)
            lines.append(row)
            if len(batch) == CHUNK:
                _append(columns, places, batch)
                batch = []
            if row > MAX_ROWS:
                raise _Unreadable(row, f"found more than {MAX_ROWS:,} rows, expected fewer")
        _append(columns, places, batch)
    except csv.Error as error:
        raise _Unreadable(row + 1, _csv_error(str(error))) from None
    return Table(spec, columns, lines if gaps else None)


def _csv_error(text: str) -> str:
    if "field larger" in text:
        return "found a long cell or a quote that is not closed, expected at most 131,072 characters"
    if "unexpected end" in text:
        return 'found a quote that is never closed, expected a closing " at the end of the cell'
    if "new-line" in text:
        return "found a line end of the old kind (CR alone), expected LF or CRLF: save the table as CSV UTF-8"
    return f'found no valid CSV ({text}), expected cells parted by commas, with " around those that hold one'


def _append(columns: dict[str, list[str]], places: dict[str, int], batch: list[list[str]]) -> None:
    if not batch:
        return
    turned = list(zip(*batch, strict=True))
    for name, place in places.items():
        # One string for each distinct text: most columns hold few, and memory stays small.
        trimmed = {text: text.strip() for text in set(turned[place])}
        columns[name].extend([trimmed[text] for text in turned[place]])


def _places(spec: TableSpec, header: list[str], faults: Faults) -> dict[str, int]:
    """Where each known column stands; a fault for each one that is unknown, missing or there twice."""
    places: dict[str, int] = {}
    if len(header) == 1 and len(spec.columns) > 1:
        for mark, name in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
            if mark in header[0]:
                raise _Unreadable(1, f"found columns parted by {name}, expected commas")
    for place, name in enumerate(header):
        if not name:
            faults.add(spec.file, 1, "", f"found no name over column {place + 1}, expected one")
        elif name in places:
            faults.add(spec.file, 1, name, "found this column twice, expected it once")
        elif name not in spec.by_name:
            near = difflib.get_close_matches(name.lower(), list(spec.by_name), n=1)
            hint = f", such as {near[0]}" if near else ""
            faults.add(
                spec.file,
                1,
                quote(name)[1:-1],
                f"found a column that is not known, expected one of the columns of {spec.file}{hint}",
            )
        else:
            places[name] = place
    for column in spec.columns:
        if column.required and column.name not in places:
            faults.add(spec.file, 1, column.name, "found no such column, expected it in the header row")
    return places


__all__ = ["StudyError", "read_study", "read_tables"]

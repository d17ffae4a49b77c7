"""Writing a study as a folder or a zip: the same study gives the same bytes."""

from __future__ import annotations

import csv
import io
import os
import shutil
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from . import package, toml
from .faults import StudyError
from .read import ARTICLE, PACKAGE
from .source import MB, FileSource, MemoryFile, unsafe
from .tables import Table, Tables

ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # a zip has no "no time"; this is its earliest


def csv_bytes(table: Table) -> bytes:
    """A table as CSV: all columns of the specification, rows in the order of their key, LF."""
    table = table.sorted()
    out = io.StringIO(newline="")
    # The writer does not see that a CR inside a cell needs quotes when rows end in LF.
    returns = any("\r" in text for cells in table.columns.values() for text in set(cells))
    quoting = csv.QUOTE_ALL if returns else csv.QUOTE_MINIMAL
    writer = csv.writer(out, lineterminator="\n", quoting=quoting)
    writer.writerow(table.columns)
    writer.writerows(zip(*table.columns.values(), strict=True))
    return out.getvalue().encode()


def contents(tables: Tables) -> Iterator[tuple[str, FileSource]]:
    """Each file of the study folder with its bytes, in a fixed order. Empty optional tables are left out."""
    described = {}
    for name, table in tables.items():
        if len(table) or table.spec.required:
            source = MemoryFile(csv_bytes(table))
            described[name] = (source.size, source.sha256())
            yield table.spec.file, source
    yield toml.FILE, MemoryFile(toml.write(tables.comparison).encode())
    if tables.article:
        yield ARTICLE, MemoryFile((tables.article + "\n").encode())
    for path in sorted(tables.files):
        if why := unsafe(path):
            raise StudyError(f"{path}: found a path that cannot be written, {why}")
        yield path, tables.files[path]
    comparison = tables.comparison
    yield PACKAGE, MemoryFile(
        package.describe(comparison["slug"], comparison["title"], tables.package, described)
    )


def write_zip(tables: Tables, fileobj: BinaryIO, extra: dict[str, bytes] | None = None) -> None:
    """The study as a zip: entries sorted, times fixed. `extra` are further files, such as `edition/`."""
    found = dict(contents(tables)) | {path: MemoryFile(data) for path, data in (extra or {}).items()}
    with zipfile.ZipFile(fileobj, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for path in sorted(found):
            info = zipfile.ZipInfo(path, ZIP_TIME)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.create_system = 3
            info.external_attr = 0o644 << 16
            with found[path].open() as source, archive.open(info, "w") as target:
                shutil.copyfileobj(source, target, MB)


def write_to(tables: Tables, path) -> None:
    """The study as a zip where the path ends in .zip, else as a folder; nothing that is there is replaced."""
    path = Path(path)
    if path.suffix.lower() != ".zip":
        return write_folder(tables, path)
    if path.exists():
        raise StudyError(f"{path}: found something there, expected a new path")
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}-", delete=False) as made:
        try:
            write_zip(tables, made)
            os.chmod(made.name, 0o644)
            os.replace(made.name, path)
        except BaseException:
            os.unlink(made.name)
            raise


def write_folder(tables: Tables, path) -> None:
    """The study as a folder, which must not be there yet or be empty. All of it or nothing."""
    path = Path(path)
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise StudyError(f"{path}: found something there, expected a new or empty folder")
    path.parent.mkdir(parents=True, exist_ok=True)
    made = Path(tempfile.mkdtemp(prefix=f".{path.name}-", dir=path.parent))
    try:
        for inner, source in contents(tables):
            target = made / inner
            target.parent.mkdir(parents=True, exist_ok=True)
            with source.open() as stream, open(target, "wb") as out:
                shutil.copyfileobj(stream, out, MB)
        made.chmod(0o755)
        if path.exists():
            path.rmdir()
        os.replace(made, path)
    except BaseException:
        shutil.rmtree(made, ignore_errors=True)
        raise

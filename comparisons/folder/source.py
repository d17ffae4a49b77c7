"""Where a study's files come from: a folder, a zip, memory; opened with care.

A study may come from a stranger. A path that climbs out, a link, a zip that unpacks to more than it
should: each is a fault, found before anything is read.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import stat
import struct
import zipfile
import zlib
from pathlib import Path
from typing import BinaryIO

from .faults import Faults, StudyError, quote

MB = 2**20
MAX_ENTRIES = 10_000
MAX_TOTAL = 1024 * MB
MAX_FILE = 100 * MB
MAX_DIRECTORY = 4 * MB
MAX_RATIO = 200
RATIO_FROM = MB
MAX_PATH = 300
DAMAGED = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, OSError)

_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
_IGNORED = {"Thumbs.db", "desktop.ini", "__MACOSX"}


class FileSource:
    """The bytes of one file, read when asked for."""

    size: int = 0

    def open(self) -> BinaryIO:
        raise NotImplementedError

    def read(self) -> bytes:
        with self.open() as stream:
            return stream.read()

    def sha256(self) -> str:
        """The SHA-256 of the bytes, in hexadecimal."""
        if not hasattr(self, "_sha256"):
            digest = hashlib.sha256()
            with self.open() as stream:
                while block := stream.read(MB):
                    digest.update(block)
            self._sha256 = digest.hexdigest()
        return self._sha256


class DiskFile(FileSource):
    def __init__(self, path: Path):
        self.path, self.size = path, path.stat().st_size

    def open(self):
        return open(self.path, "rb")


class ZipEntry(FileSource):
    def __init__(self, archive: zipfile.ZipFile, info: zipfile.ZipInfo):
        self.archive, self.info, self.size = archive, info, info.file_size

    def open(self):
        return self.archive.open(self.info)


class MemoryFile(FileSource):
    def __init__(self, data: bytes):
        self.data, self.size = data, len(data)

    def open(self):
        return io.BytesIO(self.data)


def unsafe(path: str) -> str:
    """Why a path inside a study may not be used; blank where it may."""
    if not path or len(path) > MAX_PATH:
        return f"expected a path of 1 to {MAX_PATH} characters"
    if _CONTROL.search(path):
        return "expected a path without control characters"
    if "\\" in path:
        return "expected a path with / between its parts"
    if path.startswith("/") or re.match(r"[A-Za-z]:", path):
        return "expected a path relative to the study folder"
    if any(part in ("", ".", "..") for part in path.split("/")):
        return "expected a path that stays inside the study folder"
    return ""


def open_study(path, faults: Faults) -> dict[str, FileSource]:
    """The files of a study by their paths, `/` between parts; faults where it is not safe to read.

    `path` is a folder, a zip file, or an open binary file that holds a zip. Hidden files, what desktops
    leave behind, and `edition/` are passed over. Raises StudyError where there is nothing to open.
    """
    if hasattr(path, "read"):
        return _from_zip(path, faults, "the zip")
    path = Path(path)
    if path.is_dir():
        return _from_folder(path, faults)
    if not path.is_file():
        raise StudyError(f"{path}: found nothing there, expected a study folder or a zip of one")
    return _from_zip(path, faults, path.name)


def _ignored(path: str) -> bool:
    parts = path.split("/")
    return any(part.startswith(".") or part in _IGNORED for part in parts) or parts[0] == "edition"


def _from_folder(root: Path, faults: Faults) -> dict[str, FileSource]:
    found, total, entries = {}, 0, 0
    for folder, names, files in os.walk(root):
        names.sort()
        for name in [*names, *sorted(files)]:
            full = Path(folder, name)
            path = full.relative_to(root).as_posix()
            mode = full.lstat().st_mode
            entries += 1
            if entries > MAX_ENTRIES:
                faults.add(root.name, None, "", f"found more than {MAX_ENTRIES:,} files, expected fewer")
                return found
            if stat.S_ISLNK(mode):
                faults.add(path, None, "", "found a link, expected the file itself: copy it into the folder")
            elif stat.S_ISDIR(mode) or _ignored(path):
                continue
            elif not stat.S_ISREG(mode):
                faults.add(path, None, "", "found a device or a pipe, expected a plain file")
            elif why := unsafe(path):
                faults.add(path, None, "", f"found the path {quote(path)}, {why}")
            else:
                found[path] = DiskFile(full)
                total += found[path].size
    _check_sizes(root.name, found, total, faults)
    return found


def _check_sizes(name: str, found: dict[str, FileSource], total: int, faults: Faults) -> None:
    for path, source in list(found.items()):
        if source.size > MAX_FILE:
            limit = f"expected at most {MAX_FILE // MB} MB"
            faults.add(path, None, "", f"found {source.size / MB:,.0f} MB, {limit}")
            del found[path]
    if total > MAX_TOTAL:
        faults.add(
            name,
            None,
            "",
            f"found {total / MB:,.0f} MB in all, expected at most {MAX_TOTAL // MB:,} MB",
        )


def _from_zip(path, faults: Faults, name: str) -> dict[str, FileSource]:
    try:
        _check_directory(path)
        archive = zipfile.ZipFile(path)
    except StudyError:
        raise
    except (*DAMAGED, struct.error, ValueError):
        raise StudyError(f"{name}: found no readable zip, expected a study folder or a zip of one") from None
    found: dict[str, FileSource] = {}
    total = 0
    infos = [info for info in archive.infolist() if not info.is_dir()]
    inner = _inner_folder([info.filename for info in infos])
    for info in infos:
        # orig_filename: ZipInfo cuts the other at a NUL and would hide what follows.
        path, why = info.orig_filename, unsafe(info.orig_filename)
        if stat.S_ISLNK(info.external_attr >> 16):
            why = "expected the file itself, found a link"
        elif info.flag_bits & 0x1:
            why = "expected a file without a password"
        if why:
            faults.add(name, None, "", f"found the path {quote(path)}, {why}", rule=why)
            continue
        path = path.removeprefix(inner)
        total += info.file_size
        if _ignored(path):
            continue
        if path in found:
            faults.add(name, None, "", f"found the path {quote(path)} twice, expected it once")
        elif info.file_size > RATIO_FROM and info.file_size > MAX_RATIO * max(info.compress_size, 1):
            faults.add(
                path,
                None,
                "",
                f"found a file that unpacks to more than {MAX_RATIO} times its size, expected ordinary data",
            )
        else:
            found[path] = ZipEntry(archive, info)
    _check_sizes(name, found, total, faults)
    return found


def _inner_folder(names: list[str]) -> str:
    """The one folder in which a zip keeps the study, where it does: "my-study/"; else blank."""
    if "comparison.toml" in names:
        return ""
    holders = [n for n in names if n.endswith("/comparison.toml") and n.count("/") == 1]
    return holders[0].removesuffix("comparison.toml") if len(holders) == 1 else ""


def _check_directory(path) -> None:
    """Refuse a zip whose directory is too large to be read into memory, before it is."""
    own = not hasattr(path, "read")
    stream = open(path, "rb") if own else path
    try:
        size = stream.seek(0, os.SEEK_END)
        stream.seek(max(0, size - 65_557))
        tail = stream.read()
        at = tail.rfind(b"PK\x05\x06")
        if at < 0 or len(tail) < at + 22:
            raise zipfile.BadZipFile
        entries, length = struct.unpack("<HL", tail[at + 10 : at + 16])
        if length > MAX_DIRECTORY or entries > MAX_ENTRIES:  # also 0xFFFF: a number that did not fit
            raise StudyError(f"the zip: found more than {MAX_ENTRIES:,} files, expected fewer")
        if tail[max(0, at - 20) : at].startswith(b"PK\x06\x07"):
            # Its own counts would win over those just looked at.
            raise StudyError("the zip: found the form for over 4 GB (zip64), expected an ordinary zip")
    finally:
        stream.close() if own else stream.seek(0)

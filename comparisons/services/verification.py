"""Verifying: an edition computed again from its own raw data, and what differs told.

Numbers agree within a relative 1e-8 (`comparisons.services.agreement`), digests exactly.
"""

from __future__ import annotations

import io
import json
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path

from comparisons.folder.faults import StudyError
from comparisons.models import Comparison, Edition

from .agreement import differences
from .errors import NotReady, Refused
from .evaluation import compute
from .publishing import ABOUT, PAGE, RESULTS, canonical, correction_told, manifest_sha256, page_builder, sha256

MAX_PART = 200 * 2**20


@dataclass(frozen=True)
class _Parts:
    """What an edition's package holds beside the study: the three files of `edition/`, as bytes."""

    results: bytes
    page: bytes
    about: dict


def verify_edition(edition: Edition) -> list[str]:
    """Recompute an edition, check its digests and its place in the chain; what differs, [] where nothing."""
    package, results, page = (_stored(part) for part in (edition.package, edition.results, edition.page))
    found = [
        f"{name}: its digest is not the stored one"
        for name, data, stored in (
            ("package", package, edition.package_sha256),
            ("results", results, edition.results_sha256),
            ("page", page, edition.page_sha256),
        )
        if sha256(data) != stored
    ]
    before = edition.previous
    previous = before.sha256 if before else None
    if manifest_sha256(
        edition.package_sha256, edition.results_sha256, edition.page_sha256, previous
    ) != edition.sha256:
        found.append("edition: its digest is not that of its parts and of the edition before")
    if edition.number != (before.number + 1 if before else 1):
        found.append(f"edition: number {edition.number} does not follow the edition before")
    try:
        tables, parts = _open(io.BytesIO(package), f"edition {edition.number}")
    except NotReady as refusal:
        return [*found, f"package: {refusal}"]
    except StudyError as error:
        return [*found, *(f"package: {line}" for line in error.lines)]
    for name, inside, outside in (("results", parts.results, results), ("page", parts.page, page)):
        if inside != outside:
            found.append(f"{name}: the package holds other bytes than the edition")
    for name, expected in (
        ("comparison", edition.comparison.slug), ("number", edition.number), ("previous", previous),
        ("correction", correction_told(edition)),
    ):
        if parts.about.get(name) != expected:
            found.append(f"{ABOUT}, {name}: {parts.about.get(name)!r}, expected {expected!r}")
    if edition.evaluation.document.encode() != results:
        found.append("results: not the evaluation that was approved")
    return found + _recompute(tables, parts)


def _stored(part) -> bytes:
    """The bytes of a stored part. SQLite hands out text where somebody has written text over them."""
    return part.encode() if isinstance(part, str) else bytes(part)


def verify_path(path) -> list[str]:
    """Recompute an edition from its package, a zip or a folder, without a database; what differs.

    NotReady where it is no edition; StudyError, with its lines, where the study cannot be read.
    """
    tables, parts = _open(Path(path), str(path))
    return _recompute(tables, parts)


def edition_sha256(path) -> str | None:
    """The digest of the edition that a package file holds, by its own word on the edition before.

    None for a folder: the digest is over the bytes of the zip as published.
    """
    path = Path(path)
    if path.is_dir():
        return None
    parts = _parts(path, str(path))
    with path.open("rb") as stream:
        package = sha256(stream.read())
    return manifest_sha256(package, sha256(parts.results), sha256(parts.page), parts.about.get("previous"))


def about_edition(source) -> dict:
    """What a package (a path, or an open zip) says of its edition; {} where that cannot be read."""
    try:
        return _parts(Path(source) if isinstance(source, str) else source, "package").about
    except NotReady:
        return {}


def whole_editions(comparison: Comparison):
    """A comparison's editions with what `verify_edition` reads."""
    return comparison.editions.select_related("evaluation", "previous", "comparison")


def latest_edition(comparison: Comparison) -> Edition:
    """The newest edition with all its parts; NotReady where nothing is published."""
    edition = whole_editions(comparison).order_by("-number").first()
    if edition is None:
        raise NotReady(f"“{comparison.slug}” has no edition yet: have it approved, then publish it.")
    return edition


def _open(source, name: str):
    from comparisons.folder.read import read_study

    parts = _parts(source, name)
    return read_study(source), parts


def _parts(source, name: str) -> _Parts:
    is_folder = isinstance(source, Path) and source.is_dir()
    inside = _folder_parts(source) if is_folder else _zip_parts(source, name)
    lacking = [part for part in (RESULTS, PAGE, ABOUT) if part not in inside]
    if lacking:
        raise NotReady(f"{name}: found no {lacking[0]}, expected the package of an edition (its study.zip).")
    try:
        about = json.loads(inside[ABOUT])
        if not isinstance(about, dict) or not isinstance(json.loads(inside[RESULTS]), dict):
            raise ValueError("no object")
        json.loads(inside[PAGE])
    except (ValueError, RecursionError) as error:
        raise NotReady(f"{name}: edition/ holds no valid JSON ({error}): get the package again.") from None
    return _Parts(inside[RESULTS], inside[PAGE], about)


def _folder_parts(folder: Path) -> dict[str, bytes]:
    found = {}
    for part in (RESULTS, PAGE, ABOUT):
        path = folder / part
        if path.is_file():
            if path.stat().st_size > MAX_PART:
                raise NotReady(f"{part}: too large for a part of an edition.")
            found[part] = path.read_bytes()
    return found


def inner_folder(names: list[str]) -> str:
    """The one folder in which a zip keeps the study, with its slash; blank where it lies at the top."""
    holders = [name for name in names if name.endswith("/comparison.toml") and name.count("/") == 1]
    if "comparison.toml" in names or len(holders) != 1:
        return ""
    return holders[0].removesuffix("comparison.toml")


def _zip_parts(source, name: str) -> dict[str, bytes]:
    found = {}
    try:
        with zipfile.ZipFile(source) as archive:
            names = archive.namelist()
            inner = inner_folder(names)
            for part in (RESULTS, PAGE, ABOUT):
                if inner + part in names:
                    if archive.getinfo(inner + part).file_size > MAX_PART:
                        raise NotReady(f"{part}: too large for a part of an edition.")
                    found[part] = archive.read(inner + part)
    except FileNotFoundError:
        raise NotReady(f"{name}: found nothing there, expected an edition's package or a slug.") from None
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, OSError) as error:
        raise NotReady(f"{name}: found no readable zip ({error}), expected an edition's package.") from None
    if hasattr(source, "seek"):
        source.seek(0)
    return found


def page_can_be_built_again(about: dict) -> bool:
    """Whether the builder here is the one that made the page; else its digest alone vouches for it."""
    return about.get("page_builder") == page_builder()


def _recompute(tables, parts: _Parts) -> list[str]:
    from comparisons.folder.digest import approval_digest, inputs_digest
    from comparisons.page import build_page

    published = json.loads(parts.results)
    about = parts.about
    # a page lists things in the order of the tables; a copy may have been saved in another
    tables = tables.replace({name: table.sorted() for name, table in tables.items()})
    found = [
        f"{ABOUT}, {name}: {about.get(name)!r}, expected {value!r}"
        for name, value in (
            ("results_sha256", sha256(parts.results)),
            ("page_sha256", sha256(parts.page)),
            ("inputs_digest", inputs_digest(tables)),
            ("approval_digest", approval_digest(tables)),
        )
        if about.get(name) != value
    ]
    try:
        document = compute(tables)
    except Refused as refusal:
        return [*found, f"results: {refusal}"]
    # through JSON, as published: numbers and keys in the same types
    found += differences(published, json.loads(canonical(document)))
    if page_can_be_built_again(about) and canonical(build_page(tables, published)) != parts.page:
        found.append("page: not the one that these data and results make")
    return found

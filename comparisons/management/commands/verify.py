"""Verify an edition."""

import io
import re
from pathlib import Path

from comparisons.analysis import ENGINE
from comparisons.folder.faults import StudyError
from comparisons.management.base import LineCommand, cannot, comparison_of, no
from comparisons.services.errors import NotReady
from comparisons.services.verification import (
    about_edition,
    edition_sha256,
    latest_edition,
    page_can_be_built_again,
    verify_edition,
    verify_path,
    whole_editions,
)


class Command(LineCommand):
    help = (
        "Computes an edition again from its own raw data and says whether it is equal, or what differs. "
        "Takes the slug of a comparison here, or the path of an edition's package (a zip, or the folder "
        "that it unpacks to), for which no database is needed."
    )
    requires_system_checks = []

    def add_arguments(self, parser):
        parser.add_argument("path_or_slug", metavar="PATH_OR_SLUG")
        which = parser.add_mutually_exclusive_group()
        which.add_argument("--edition", type=int, metavar="N", help="this edition (default: the latest)")
        which.add_argument("--all", action="store_true", help="every edition, and the chain that they form")

    def handle(self, *, path_or_slug, edition, all, **options):
        path = Path(path_or_slug)
        if path.exists() or "/" in path_or_slug or not re.fullmatch(r"[\w-]+", path_or_slug):
            if edition or all:
                raise cannot(f"{path_or_slug} is a path: --edition and --all need a comparison's slug")
            self._path(path)
        else:
            self._editions(comparison_of(path_or_slug), edition, all)

    def _path(self, path):
        try:
            equal = self._say(str(path), verify_path(path), about_edition(path))
            digest = edition_sha256(path)
        except NotReady as refusal:
            raise cannot(str(refusal)) from refusal
        except StudyError as error:
            raise cannot(f"{path}: the study cannot be read: {'; '.join(error.lines)}") from error
        if digest:
            self.stdout.write(f"SHA-256 {digest}")
        if not equal:
            raise no(f"{path}: not equal: do not rely on this copy, get the package again")

    def _editions(self, comparison, number, every):
        editions = whole_editions(comparison).order_by("number")
        if number:
            chosen = list(editions.filter(number=number))
            if not chosen:
                raise cannot(f"“{comparison.slug}” has no edition {number}: --all goes through those it has")
        else:
            latest = latest_edition(comparison)
            chosen = editions.iterator(chunk_size=1) if every else [latest]
        differ = []
        for edition in chosen:
            name = f"{comparison.slug}, edition {edition.number}"
            if not self._say(name, verify_edition(edition), about_edition(io.BytesIO(edition.package))):
                differ.append(str(edition.number))
            self.stdout.write(f"SHA-256 {edition.sha256}")
        if differ:
            raise no(f"{comparison.slug}: not equal: edition {', '.join(differ)}; hold what rests on it")

    def _say(self, name, found, about) -> bool:
        if about.get("engine") != ENGINE:
            self.stdout.write(f"{name}: made by engine {about.get('engine')}, verified with {ENGINE}")
        if not page_can_be_built_again(about):
            self.stdout.write(f"{name}: another version made its page, for which its digest alone vouches")
        if not found:
            self.stdout.write(f"{name}: equal")
            return True
        self.stdout.write(f"{name}: {len(found)} difference{'s' if len(found) > 1 else ''}")
        for line in found:
            self.stdout.write(f"  {line}")
        return False

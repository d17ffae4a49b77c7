"""Import a study folder."""

from pathlib import Path

from comparisons.management.base import LineCommand, cannot, no


class Command(LineCommand):
    help = (
        "Imports a study folder, or a zip of one: everything is checked first, every fault is named with "
        "file, row and column, and all is written or nothing."
    )

    def add_arguments(self, parser):
        parser.add_argument("path", metavar="PATH", help="the study folder or zip")
        parser.add_argument("--as", dest="slug", metavar="SLUG", help="import under this name")

    def handle(self, *, path, slug, **options):
        from comparisons.folder.faults import StudyError
        from comparisons.folder.importer import import_tables
        from comparisons.folder.read import read_study

        if not Path(path).exists():
            raise cannot(f"{path}: found nothing there, expected a study folder or a zip of one")
        try:
            tables = read_study(path)
            comparison, new = import_tables(tables, slug=slug)
        except StudyError as error:
            raise no("\n".join([*error.lines, "nothing was imported"])) from error
        except PermissionError as error:
            raise cannot(f"{error.filename}: may not be read: give this account the right to") from error
        if not new:
            self.stdout.write(f"{comparison.slug}: already here, with the same content")
            return
        counts = {name: len(tables[name]) for name in ("products", "trials", "claims", "readings")}
        self.stdout.write(
            f"{comparison.slug}: imported " + ", ".join(f"{count:,} {name}" for name, count in counts.items())
        )

"""Export a comparison as a study folder."""

from pathlib import Path

from comparisons.management.base import LineCommand, cannot, comparison_of, no


class Command(LineCommand):
    help = (
        "Writes a comparison as a study folder, or as a zip where PATH ends in .zip. Importing it gives the "
        "same study again. With --public: pseudonyms for people, no receipts, no private notes, no picture "
        "metadata."
    )

    def add_arguments(self, parser):
        parser.add_argument("slug", metavar="SLUG", help="the comparison's slug")
        parser.add_argument("path", metavar="PATH", help="a new or empty folder, or a new .zip")
        parser.add_argument("--public", action="store_true", help="the form for readers")

    def handle(self, *, slug, path, public, **options):
        from comparisons.folder.exporter import tables_from_db
        from comparisons.folder.faults import StudyError
        from comparisons.folder.write import write_to

        comparison = comparison_of(slug)
        try:
            write_to(tables_from_db(comparison, public=public), Path(path))
        except StudyError as error:
            raise no("\n".join(error.lines)) from error
        except OSError as error:
            raise cannot(f"{path}: cannot be written ({error.strerror}): give another path") from error
        self.stdout.write(f"{slug}: written to {path}")

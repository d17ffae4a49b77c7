"""Publish what was approved."""

from comparisons.management.base import LineCommand, comparison_of
from comparisons.services.publishing import publish


class Command(LineCommand):
    help = "Freezes what a second person approved as the comparison's next edition, and no more than that."

    def add_arguments(self, parser):
        parser.add_argument("slug", help="the comparison's slug")

    def handle(self, *, slug, **options):
        edition = publish(comparison_of(slug))
        self.stdout.write(f"{slug}: published edition {edition.number}, SHA-256 {edition.sha256}")

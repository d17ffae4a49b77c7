"""Evaluate a comparison."""

import json

from comparisons.management.base import LineCommand, comparison_of
from comparisons.services.evaluation import run_evaluation


class Command(LineCommand):
    help = "Evaluates a comparison as it stands. The same inputs are not computed twice."

    def add_arguments(self, parser):
        parser.add_argument("slug", help="the comparison's slug")
        parser.add_argument(
            "--json", action="store_true", help="print the results document (one line of canonical JSON)"
        )

    def handle(self, *, slug, **options):
        evaluation = run_evaluation(comparison_of(slug))
        if options["json"]:
            self.stdout.write(evaluation.document)
            return
        document = json.loads(evaluation.document)
        self.stdout.write(
            f"{slug}: evaluated by engine {evaluation.engine}, inputs {evaluation.inputs_digest[:12]}: "
            f"{len(document['summaries'])} summaries, {len(document['claims'])} claims, "
            f"{len(document['scorecards'])} scorecards, {len(document['notes'])} notes"
        )

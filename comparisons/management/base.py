"""How every command ends: 0 done, 1 no (refused, differs, unhealthy), 2 cannot; errors in one line."""

from __future__ import annotations

import os
import re
import sys

from django.core.management.base import BaseCommand, CommandError, SystemCheckError
from django.db import DatabaseError, OperationalError, ProgrammingError, connections

from comparisons.services.errors import Refused

NO, CANNOT = 1, 2


class LineCommand(BaseCommand):
    """A command whose errors are lines that say what to do, without a trace (unless --traceback asks)."""

    def run_from_argv(self, argv):
        self._called_from_command_line = True
        parser = self.create_parser(argv[0], argv[1])
        options = vars(parser.parse_args(argv[2:]))
        arguments = options.pop("args", ())
        if options.get("pythonpath"):
            sys.path.insert(0, options["pythonpath"])
        if options.get("settings"):
            os.environ["DJANGO_SETTINGS_MODULE"] = options["settings"]
        try:
            status = 0
            self.execute(*arguments, **options)
        except CommandError as error:
            if options["traceback"]:
                raise
            self.stderr.style_func = None
            self.stderr.write(str(error))
            status = CANNOT if isinstance(error, SystemCheckError) else error.returncode
        except KeyboardInterrupt:
            status = 130
        except BrokenPipeError:  # the reader of a pipe has seen enough
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            status = 0
        finally:
            try:
                connections.close_all()
            except DatabaseError:
                pass
        if status:
            sys.exit(status)

    def execute(self, *args, **options):
        try:
            return super().execute(*args, **options)
        except Refused as refusal:
            raise CommandError(str(refusal), returncode=NO) from refusal
        except ProgrammingError as error:
            raise CommandError(_database_line(error), returncode=CANNOT) from error
        except OperationalError as error:
            raise CommandError(_database_line(error), returncode=CANNOT) from error


def _database_line(error: Exception) -> str:
    text = " ".join(str(error).split())
    if re.search(r"no such (table|column)|(relation|column) .* does not exist", text):
        return f"The database is not up to date ({text}): run python manage.py migrate"
    return f"The database cannot be used ({text}): see that it runs and that DATABASE_URL is right"


def cannot(message: str) -> CommandError:
    """An error that ends the command with status 2."""
    return CommandError(message, returncode=CANNOT)


def no(message: str) -> CommandError:
    """An outcome that ends the command with status 1."""
    return CommandError(message, returncode=NO)


def comparison_of(slug: str):
    """The comparison of this slug; one line that names those there are, where there is none."""
    from comparisons.models import Comparison

    try:
        return Comparison.objects.get(slug=slug)
    except Comparison.DoesNotExist:
        known = list(Comparison.objects.order_by("slug").values_list("slug", flat=True)[:10])
        there = f"there are: {', '.join(known)}" if known else "there is none yet: import_study brings one in"
        raise cannot(f"Found no comparison “{slug}”; {there}") from None

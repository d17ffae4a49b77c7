#!/usr/bin/env python
"""Evenhand's command line."""

import os
import sys


def main():
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    # One thread per sum: more would change the last digits with the machine (inputs give the same bytes).
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        from django.core.management import execute_from_command_line
    except ModuleNotFoundError:
        print(
            f"{sys.executable} has no Django: type `. .venv/bin/activate` first, which `make demo` sets up",
            file=sys.stderr,
        )
        return 2

    execute_from_command_line(sys.argv)
    return 0


if __name__ == "__main__":
    sys.exit(main())

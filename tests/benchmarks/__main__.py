"""`make bench`: how long the heavy parts take, as ratios within one run.

Each module named bench_*.py here has `run()`, which prints its lines. Names on the command line choose.
"""

from __future__ import annotations

import importlib
import os
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent


def main(chosen: list[str]) -> int:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    names = sorted(path.stem for path in HERE.glob("bench_*.py"))
    wanted = [name for name in names if not chosen or name.removeprefix("bench_") in chosen]
    if not wanted:
        print(f"no such benchmark; there are: {', '.join(n.removeprefix('bench_') for n in names)}")
        return 2
    with tempfile.TemporaryDirectory() as folder:
        os.environ["EVENHAND_DATA"] = folder
        os.environ.pop("DATABASE_URL", None)
        import django

        django.setup()
        from django.core.management import call_command

        call_command("migrate", verbosity=0)
        for name in wanted:
            print(f"== {name.removeprefix('bench_')}", flush=True)
            importlib.import_module(f"tests.benchmarks.{name}").run()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

"""Import of 100,000 readings against the least that could be done with them.

The yardstick reads the same CSV with pandas and writes the same rows of the same model in one
bulk_create, into the same kind of database, with its triggers in place. Each side runs in a process of
its own; its imports are not counted. What counts is CPU time, which other work on the machine disturbs
least: with SQLite the database's is in it. Run: python -m tests.benchmarks.bench_import
"""

from __future__ import annotations

import json
import os
import random
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

READINGS = 100_000
ROUNDS = 3
AT_MOST_TIMES = 3.0
AT_MOST_MB = 500
ROOT = Path(__file__).parents[2]


def make_study(folder: Path, readings: int = READINGS) -> Path:
    """A study of 20 products in 10 trials; one reading in fifty is amended, one in a hundred void."""
    chance = random.Random(20260302)
    folder.mkdir(parents=True)
    products = [f"p{i:02}" for i in range(20)]
    trials = [f"t{i}" for i in range(10)]
    units = [f"{p}-u{i}" for p in products for i in range(5)]
    specimens = [f"{u}-s{i:03}" for u in units for i in range(20)]
    tables = {
        "products": ["product,maker,model", *(f"{p},Maker {p},Model {p}" for p in products)],
        "units": ["unit,product", *(f"{u},{u[:3]}" for u in units)],
        "properties": ["property,reading,unit,better", "force,quantity,N,more"],
        "conditions": ["condition,name", *(f"c{i},State {i}" for i in range(10))],
        "trials": ["trial,property,condition", *(f"{t},force,c{i}" for i, t in enumerate(trials))],
        "specimens": ["specimen,unit", *(f"{s},{s.rpartition('-')[0]}" for s in specimens)],
        "instruments": ["instrument,name,serial,unit", "stand,Stand,S-1,N"],
    }
    header = (
        "reading,trial,product,unit,specimen,value,bound,unit_of_measure,operator,instrument,taken_at,received_at,"
        "order,replaces,replace_reason,voided_at,voided_by,void_reason,note"
    )
    rows, last = [header], None
    for i in range(readings):
        code, day, second = f"r{i:06}", 1 + i // 5000, i % 28_800
        moment = f"2026-03-{day:02}T{8 + second // 3600:02}:{second % 3600 // 60:02}:{second % 60:02}"
        amended = last is not None and i % 50 == 1
        trial, specimen = last[1:] if amended else (chance.choice(trials), chance.choice(specimens))
        unit = chance.choice(("N", "lbf"))
        void = f"{moment}Z,op-1,dropped" if i % 100 == 7 else ",,"
        chain = f"{last[0]},typed wrongly" if amended else ","
        rows.append(
            f"{code},{trial},{specimen[:3]},{specimen.rpartition('-')[0]},{specimen},"
            f"{chance.gauss(200, 20):.2f},=,{unit},op-{i % 7},stand,"
            f"{moment}+01:00,{moment}+01:00,{i},{chain},{void},"
        )
        last = (code, trial, specimen)
    tables["readings"] = rows
    for name, lines in tables.items():
        (folder / f"{name}.csv").write_text("\n".join(lines) + "\n")
    (folder / "comparison.toml").write_text(
        'slug = "large"\ntitle = "Large"\nquestion = "Which?"\ncurrency = "EUR"\nseed = 1\n'
    )
    return folder


def run(rounds: int = ROUNDS) -> dict:
    """Print and return the ratio of CPU times (median of the rounds) and the peak memory of the import."""
    ratios, peaks = [], []
    with tempfile.TemporaryDirectory() as temporary:
        folder = make_study(Path(temporary) / "study")
        for turn in range(rounds):
            ours = _child("ours", folder, Path(temporary) / f"ours-{turn}")
            least = _child("least", folder, Path(temporary) / f"least-{turn}")
            ratios.append(ours["cpu"] / least["cpu"])
            peaks.append(ours["peak_mb"])
            print(
                f"import {ours['cpu']:.1f} s of CPU (took {ours['seconds']:.1f} s), pandas and bulk_create "
                f"{least['cpu']:.1f} (took {least['seconds']:.1f}): {ratios[-1]:.2f} times; "
                f"peak {ours['peak_mb']:.0f} MB (theirs {least['peak_mb']:.0f} MB)"
            )
    result = {"ratio": statistics.median(ratios), "peak_mb": max(peaks)}
    print(
        f"{READINGS:,} readings: {result['ratio']:.2f} times (at most {AT_MOST_TIMES:g}), "
        f"{result['peak_mb']:.0f} MB (at most {AT_MOST_MB})"
    )
    return result


def _child(side: str, folder: Path, data: Path) -> dict:
    data.mkdir()
    environment = os.environ | {"EVENHAND_DATA": str(data), "DJANGO_SETTINGS_MODULE": "config.settings"}
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.bench_import", side, str(folder)],
        cwd=ROOT, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode:
        raise RuntimeError(done.stderr)
    return json.loads(done.stdout.splitlines()[-1])


def _database() -> None:
    import django
    from django.core.management import call_command
    from django.db import connection

    django.setup()
    if connection.vendor == "sqlite":  # a file of its own, in the data folder of this process
        call_command("migrate", verbosity=0)
    else:
        connection.creation.create_test_db(verbosity=0, autoclobber=True)


class _Clock:
    def __init__(self):
        self.wall, self.cpu = time.perf_counter(), time.process_time()

    def taken(self) -> dict:
        return {"seconds": time.perf_counter() - self.wall, "cpu": time.process_time() - self.cpu}


def _ours(folder: Path) -> dict:
    from comparisons.folder.importer import import_study
    from specimens.units import parse_unit

    parse_unit("N")  # Pint's registry is made once in a process, like an import
    clock = _Clock()
    import_study(folder)
    return clock.taken()


def _least(folder: Path) -> dict:
    import pandas

    from comparisons.folder.importer import import_tables
    from comparisons.folder.read import read_study
    from comparisons.folder.spec import SPEC
    from comparisons.folder.tables import Table
    from specimens import models as sm

    tables = read_study(folder)
    import_tables(tables.replace({"readings": Table(SPEC["readings"])}))
    del tables
    programme = sm.Programme.objects.get().pk
    keys = {
        name: dict(model.objects.values_list("code", "pk"))
        for name, model in (
            ("trial", sm.Trial), ("product", sm.ProgrammeProduct), ("unit", sm.Unit),
            ("specimen", sm.Specimen),
        )
    }  # fmt: skip
    stand = sm.Instrument.objects.get().pk
    clock = _Clock()
    frame = pandas.read_csv(folder / "readings.csv", dtype=str, keep_default_na=False)
    taken = pandas.to_datetime(frame["taken_at"], utc=True).dt.to_pydatetime()
    received = pandas.to_datetime(frame["received_at"], utc=True).dt.to_pydatetime()
    sm.Reading.objects.bulk_create(
        [
            sm.Reading(
                programme_id=programme, code=row.reading, trial_id=keys["trial"][row.trial],
                product_id=keys["product"][row.product], unit_id=keys["unit"][row.unit],
                specimen_id=keys["specimen"][row.specimen], value=row.value, bound=row.bound,
                unit_of_measure=row.unit_of_measure, operator=row.operator, instrument_id=stand,
                taken_at=taken[i], taken_at_text=row.taken_at, received_at=received[i],
                received_at_text=row.received_at, order=row.order, note=row.note,
            )
            for i, row in enumerate(frame.itertuples(index=False))
        ]
    )  # fmt: skip
    return clock.taken()


if __name__ == "__main__":
    if len(sys.argv) == 1:
        outcome = run()
        sys.exit(outcome["ratio"] > AT_MOST_TIMES or outcome["peak_mb"] > AT_MOST_MB)
    _database()
    taken = {"ours": _ours, "least": _least}[sys.argv[1]](Path(sys.argv[2]))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps(taken | {"peak_mb": peak}))

"""Many tablets at the same time, with real connections: SQLite, and PostgreSQL where rows are locked one by one."""

from __future__ import annotations

import uuid
from pathlib import Path

import pytest

from tests.services.conftest import postgresql  # noqa: F401  (a fixture)
from tests.services.processes import Project
from tests.services.test_postgresql import database

pytestmark = pytest.mark.services

# Eight tablets send the same 40 readings at once, in orders of their own, with one more reading each of a
# specimen that all of them measure.
RACE = """
import random, threading, uuid
from concurrent.futures import ThreadPoolExecutor
from django.core.management import call_command
from django.db import connection
call_command("migrate", verbosity=0)
from specimens.bench import entries
from tests.bench.staging import make_stage
stage = make_stage()
places = stage.plan("force", replicates=10)
made = [stage.entry("force", place.specimen, str(20 + i)) for i, place in enumerate(places[:40])]
why = {"replaces": made[0]["id"], "replace_reason": "typo"}
amended = [stage.entry("force", places[0].specimen, str(50 + i), **why) for i in range(8)]
together = threading.Barrier(8)
def work(i):
    try:
        together.wait(60)
        own = stage.entry("force", places[50].specimen, "31")
        mixed = [*random.Random(i).sample(made, 40), own, amended[i]]
        seen = {}
        for turn in range(40):
            left = [entry for entry in mixed if seen.get(entry["id"]) not in ("stored", "already")]
            if not left:
                break
            for entry in left:
                answer = entries.submit(stage.people["bench"], f"tablet-{i}", [entry])["answers"][0]
                seen[entry["id"]] = answer["status"]
                if answer["status"] not in ("stored", "already", "later"):
                    raise AssertionError(answer)
        return [seen[entry["id"]] for entry in mixed]
    finally:
        connection.close()
with ThreadPoolExecutor(8) as pool:
    answers = list(pool.map(work, range(8)))
orders = [float(o) for o in Reading.objects.exclude(order="").values_list("order", flat=True)]
chain, last = 0, Reading.objects.get(value="20")
while hasattr(last, "replaced_by"):
    chain, last = chain + 1, last.replaced_by
say({
    "readings": Reading.objects.count(), "submissions": Submission.objects.count(),
    "stored": sum(statuses.count("stored") for statuses in answers),
    "others": sorted({s for statuses in answers for s in statuses} - {"stored", "already"}),
    "conflicts": Conflict.objects.filter(specimen=places[50].specimen).count(),
    "chain": chain, "converted": ConvertedValue.objects.count(),
})
"""


def check(project: Project) -> None:
    found = project.python(RACE)
    assert found == {
        "readings": 40 + 8 + 8, "submissions": 56, "stored": 56, "others": [], "conflicts": 7, "chain": 8,
        "converted": 56,
    }  # fmt: skip


def test_eight_tablets_at_once_on_sqlite(tmp_path: Path):
    project = Project(tmp_path)
    try:
        check(project)
    finally:
        project.close()


def test_eight_tablets_at_once_on_postgresql(postgresql, tmp_path: Path):  # noqa: F811
    project = Project(tmp_path, DATABASE_URL=database(postgresql, f"bench_{uuid.uuid4().hex}"))
    try:
        check(project)
    finally:
        project.close()

"""The same on PostgreSQL: migrations, guards, results equal to SQLite's, and several at the same time."""

from __future__ import annotations

import shutil
import uuid

import psycopg
import pytest

from comparisons.folder.public import public_form
from comparisons.folder.read import read_study
from comparisons.page import build_page
from comparisons.services.evaluation import compute
from comparisons.services.publishing import canonical, sha256
from specimens import guards

from .processes import ROOT, Project


@pytest.fixture(scope="session")
def on_postgresql(postgresql, tmp_path_factory):
    """A migrated database with the sprays in it, to copy from: its name."""
    url = database(postgresql, "template_sprays")
    project = Project(tmp_path_factory.mktemp("template"), DATABASE_URL=url)
    project.manage("migrate", "--verbosity", "0")
    project.manage("import_study", str(ROOT / "fixtures" / "insect-sprays"))
    return "template_sprays"


def database(server: str, name: str, template: str = "template0") -> str:
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}" TEMPLATE "{template}"')
    return server.rsplit("/", 1)[0] + f"/{name}"


@pytest.fixture
def project(postgresql, on_postgresql, tmp_path):
    made = Project(tmp_path, DATABASE_URL=database(postgresql, f"test_{uuid.uuid4().hex}", on_postgresql))
    yield made
    made.close()


@pytest.fixture
def on_sqlite(prepared, tmp_path):
    data = tmp_path / "sqlite"
    shutil.copytree(prepared, data)
    return Project(data)


def sql(project, statement: str):
    with psycopg.connect(project.environment["DATABASE_URL"]) as connection:
        return connection.execute(statement)


APPEND_ONLY = sorted(
    model._meta.db_table for model in guards.guarded_models() if getattr(model, "append_only", False)
)


def test_every_guard_is_in_place(project):
    assert {
        "specimens_reading", "specimens_void", "comparisons_event", "comparisons_evaluation",
        "comparisons_edition", "comparisons_approval", "comparisons_approvalrequest", "comparisons_deviation",
    } <= set(APPEND_ONLY)  # fmt: skip
    assert project.python("from specimens import guards; say(guards.missing())") == []
    assert "ok    guards" in project.manage("check_health", status=None).stdout


@pytest.mark.parametrize("table", APPEND_ONLY)
def test_truncate_is_refused(project, table):
    with pytest.raises(psycopg.errors.IntegrityConstraintViolation, match="are never deleted"):
        sql(project, f"TRUNCATE {table} CASCADE")


@pytest.mark.parametrize("table", ["specimens_reading", "comparisons_event"])
def test_update_delete_and_upsert_are_refused(project, table):
    refused = psycopg.errors.IntegrityConstraintViolation
    with pytest.raises(refused, match="are never changed"):
        sql(project, f"UPDATE {table} SET id = id")
    with pytest.raises(refused, match="are never deleted"):
        sql(project, f"DELETE FROM {table}")
    with pytest.raises(refused, match="are never replaced"):
        upsert = "ON CONFLICT (id) DO UPDATE SET id = 0"
        sql(project, f"INSERT INTO {table} SELECT * FROM {table} LIMIT 1 {upsert}")


PUBLISH = """
from django.contrib.auth.models import Group
from comparisons.services import approval, evaluation, publishing
def person(name, role):
    user, _ = User.objects.get_or_create(username=name)
    user.groups.add(Group.objects.get(name=role))
    return user
comparison = Comparison.objects.get()
evaluation.run_evaluation(comparison)
request = approval.ask(comparison, actor=person('planner-a', 'planner'))
approval.decide(request, actor=person('editor-a', 'editor'), verdict='approved')
edition = publishing.publish(comparison)
say([edition.evaluation.inputs_digest, edition.results_sha256, edition.page_sha256, request.digest])
"""


def test_a_published_edition_is_the_same_and_is_kept_for_ever(project, on_sqlite):
    assert project.python(PUBLISH) == on_sqlite.python(PUBLISH)
    assert project.manage("verify", "insect-sprays").stdout.startswith("insect-sprays, edition 1: equal\n")
    refused = psycopg.errors.IntegrityConstraintViolation
    with pytest.raises(refused, match="editions are never changed"):
        sql(project, "UPDATE comparisons_edition SET correction = 'other'")
    with pytest.raises(refused, match="editions are never deleted"):
        sql(project, "DELETE FROM comparisons_edition")
    for table in ("comparisons_approval", "comparisons_approvalrequest", "comparisons_evaluation"):
        with pytest.raises(refused, match="are never changed"):
            sql(project, f"UPDATE {table} SET id = id")


def test_the_demo_comes_out_as_from_its_folder(postgresql, tmp_path):
    """Large, with every kind of property, file and condition: the database changes no byte of it."""
    project = Project(tmp_path, DATABASE_URL=database(postgresql, f"demo_{uuid.uuid4().hex}"))
    assert "published and verified: equal" in project.manage("demo", "--no-serve").stdout
    tables = public_form(read_study(ROOT / "fixtures" / "demo"))
    tables = tables.replace({name: table.sorted() for name, table in tables.items()})
    document = compute(tables)
    assert project.rows("SELECT results_sha256, page_sha256 FROM comparisons_edition") == [
        {
            "results_sha256": sha256(canonical(document)),
            "page_sha256": sha256(canonical(build_page(tables, document))),
        }
    ]


# at the same time


def test_eight_workers_claim_each_job_once(project):
    assert project.python("from tests.services import races; say(races.claims())") == {
        "done": 60, "attempts": [1], "effects": 60, "statuses": ["done"],
    }  # fmt: skip


def test_eight_that_ask_for_one_thing_get_one_job(project):
    assert project.python("from tests.services import races; say(races.one_key())") == {"rows": 1, "made": 1}


def test_one_evaluation_is_kept_of_several_at_once(project):
    said = project.python("from tests.services import races; say(races.same_evaluation())")
    assert said == {"evaluations": 1, "fresh": True}


def test_an_evaluation_waits_for_a_change_under_way(project):
    seen = project.python("from tests.services import races; say(races.change_under_way())")
    assert seen["waited"] is True
    assert seen["slow"] < seen["quick"] == seen["read"]


@pytest.mark.parametrize("kind", ["postgresql", "sqlite"])
def test_a_study_is_read_as_it_was_at_one_moment(project, on_sqlite, kind):
    where = project if kind == "postgresql" else on_sqlite
    said = where.python("from tests.services import races; say(races.change_while_reading())")
    assert said == {"seen": True, "changed": True, "in_transaction": False}


def test_the_races_end_the_same_on_sqlite(on_sqlite):
    races = "from tests.services import races\n"
    assert on_sqlite.python(races + "say(races.one_key())") == {"rows": 1, "made": 1}
    said = on_sqlite.python(races + "Job.objects.all().delete()\nsay(races.claims(4, 30))")
    assert said == {"done": 30, "attempts": [1], "effects": 30, "statuses": ["done"]}

"""The commands that evaluate, publish, verify and look after the server: what they print, how they end."""

from __future__ import annotations

import json
import os
import time
from datetime import timedelta

import pytest
from django.contrib.auth.models import User
from django.core.management import load_command_class
from django.db import connection
from django.utils import timezone

from comparisons import jobs
from comparisons.analysis import ENGINE
from comparisons.folder.importer import import_study
from comparisons.models import Edition, Evaluation, Job
from comparisons.models.editions import JobKind
from specimens import guards

from .test_verification import SPRAYS, publish_sprays, touch

pytestmark = pytest.mark.django_db


@pytest.fixture
def run(capsys, monkeypatch):
    """Run a command as the command line does: (status, standard output, error output)."""
    from django.db import connections

    monkeypatch.setattr(connections, "close_all", lambda: None)  # the test's own transaction is in there

    def call(name: str, *arguments: str):
        status = 0
        try:
            load_command_class("comparisons", name).run_from_argv(["manage.py", name, *map(str, arguments)])
        except SystemExit as end:
            status = end.code
        out = capsys.readouterr()
        return status, out.out, out.err

    return call


@pytest.fixture
def data(settings, tmp_path):
    settings.DATA_DIR = tmp_path
    return tmp_path


@pytest.mark.parametrize("name", ["evaluate", "publish", "verify", "check_health", "work", "serve", "demo"])
def test_each_command_has_help(run, name):
    status, out, _ = run(name, "--help")
    assert status == 0
    help_text = " ".join(load_command_class("comparisons", name).help.split())
    assert help_text[:40] in " ".join(out.split())


@pytest.mark.parametrize(
    "line",
    ["evaluate", "publish", "verify", "evaluate a b", "verify a --edition x", "verify a --edition 1 --all"],
)
def test_wrong_use_ends_with_2(run, line):
    assert run(*line.split())[0] == 2


def test_evaluate_prints_the_document(run):
    import_study(SPRAYS)
    status, out, err = run("evaluate", "insect-sprays", "--json")
    row = Evaluation.objects.get()
    assert (status, out, err) == (0, row.document + "\n", "")
    assert json.loads(out)["comparison"] == "insect-sprays"
    status, out, _ = run("evaluate", "insect-sprays")
    assert status == 0 and row.inputs_digest[:12] in out
    assert Evaluation.objects.count() == 1


@pytest.mark.parametrize("name", ["evaluate", "publish", "verify"])
def test_an_unknown_slug_is_told_with_those_there_are(run, name):
    status, out, err = run(name, "nothing")
    assert (status, out) == (2, "") and "import_study brings one in" in err
    import_study(SPRAYS)
    status, _, err = run(name, "nothing")
    assert (status, err) == (2, "Found no comparison “nothing”; there are: insect-sprays\n")


def test_publish_says_no_without_an_approval_and_publishes_once(run):
    import_study(SPRAYS)
    status, out, err = run("publish", "insect-sprays")
    assert (status, out) == (1, "") and err.startswith("Nobody has asked for approval")
    publish_sprays()
    status, _, err = run("publish", "insect-sprays")
    assert status == 1 and "published as edition 1" in err


def test_verify_a_slug_an_edition_and_all(run):
    import_study(SPRAYS)
    status, _, err = run("verify", "insect-sprays")
    assert status == 1 and "no edition yet" in err
    first, second = publish_sprays(), publish_sprays("More words.")
    assert run("verify", "insect-sprays") == (
        0, f"insect-sprays, edition 2: equal\nSHA-256 {second.sha256}\n", "",
    )  # fmt: skip
    assert first.sha256 in run("verify", "insect-sprays", "--edition", 1)[1]
    assert run("verify", "insect-sprays", "--edition", 3)[0] == 2
    status, out, _ = run("verify", "insect-sprays", "--all")
    assert status == 0 and out.count(": equal") == 2
    touch(first, page=b"{}")
    status, out, err = run("verify", "insect-sprays", "--all")
    assert status == 1
    assert "edition 1: " in out and "  page: its digest is not the stored one" in out
    assert err == "insect-sprays: not equal: edition 1; hold what rests on it\n"


def test_verify_a_path(run, tmp_path):
    path = tmp_path / "study.zip"
    edition = publish_sprays()
    path.write_bytes(bytes(edition.package))
    assert run("verify", path) == (0, f"{path}: equal\nSHA-256 {edition.sha256}\n", "")
    assert run("verify", path, "--all")[0] == 2
    status, out, err = run("verify", SPRAYS)
    assert (status, out) == (2, "") and "expected the package of an edition" in err
    status, _, err = run("verify", tmp_path / "gone.zip")
    assert status == 2 and "found nothing there" in err


def test_verify_says_when_other_versions_made_an_edition(run, monkeypatch):
    from comparisons.management.commands import verify
    from comparisons.services import verification

    publish_sprays()
    monkeypatch.setattr(verify, "ENGINE", "99.0.0")
    monkeypatch.setattr(verification, "page_builder", lambda: "another")
    status, out, _ = run("verify", "insect-sprays")
    assert status == 0
    assert f"made by engine {ENGINE}, verified with 99.0.0" in out
    assert "another version made its page" in out


@pytest.mark.parametrize("name", ["serve", "demo"])
@pytest.mark.parametrize("bind", ["8000", "127.0.0.1:x", ":8000", "127.0.0.1:0", "127.0.0.1:70000"])
def test_a_bind_that_is_none_is_told_in_one_line(run, name, bind):
    status, out, err = run(name, "--bind", bind)
    assert (status, out) == (2, "")
    assert err == f"--bind: found “{bind}”, expected an address and a port such as 127.0.0.1:8000\n"


# health


def health(run) -> tuple[int, dict[str, str]]:
    status, out, _ = run("check_health")
    said = {}
    for line in out.splitlines():
        head, text = line.split(": ", 1)
        verdict, name = head.split(None, 1)
        said[name] = f"{verdict} {text}"
    return status, said


def test_a_well_server_is_well(run, data):
    jobs.sign_of_life().touch()
    status, said = health(run)
    assert status == 0
    assert list(said) == ["database", "guards", "data folder", "queue", "worker", "clock"]
    assert all(text.startswith("ok ") for text in said.values())


def test_a_lost_guard_is_unwell(run, data):
    jobs.sign_of_life().touch()
    with connection.cursor() as cursor:
        cursor.execute('DROP TRIGGER "guard_comparisons_edition_no_update"')
    status, said = health(run)
    assert status == 1 and said["guards"].startswith("wrong 1 guards are missing")
    guards.install()


def test_a_worker_that_fell_silent_is_unwell_unless_it_is_at_work(run, data):
    status, said = health(run)
    assert status == 1 and said["worker"].startswith("wrong never seen")
    jobs.sign_of_life().touch()
    long_ago = time.time() - 3600
    os.utime(jobs.sign_of_life(), (long_ago, long_ago))
    status, said = health(run)
    assert status == 1 and said["worker"].startswith("wrong last seen 36")
    jobs.enqueue(JobKind.EVALUATE, import_study(SPRAYS), "event-1")
    jobs.claim()
    assert health(run)[1]["worker"] == "ok at work"


def test_a_job_that_nobody_fetches_is_unwell(run, data):
    jobs.sign_of_life().touch()
    job, _ = jobs.enqueue(JobKind.EVALUATE, import_study(SPRAYS), "event-1")
    assert health(run)[1]["queue"].startswith("ok 1 jobs wait")
    Job.objects.filter(pk=job.pk).update(created_at=timezone.now() - timedelta(minutes=5))
    status, said = health(run)
    assert status == 1 and said["queue"].startswith("wrong 1 jobs wait, the oldest for 30")


def test_a_data_folder_that_is_gone_is_unwell(run, settings, tmp_path):
    settings.DATA_DIR = tmp_path / "gone"
    status, said = health(run)
    assert status == 1 and "cannot be written" in said["data folder"]


def test_a_broker_that_is_away_is_unwell(run, data, settings):
    settings.REDIS_URL = "redis://127.0.0.1:1/0"  # port 1 is kept for a service that is not used any more
    jobs.sign_of_life().touch()
    status, said = health(run)
    assert status == 1 and said["redis"].startswith("wrong not reached")
    assert said["worker"].startswith("wrong ")


def test_another_zone_is_unwell(run, data, settings):
    settings.TIME_ZONE = "Europe/Oslo"
    assert health(run)[1]["clock"].startswith("wrong the zone is Europe/Oslo")


def test_work_once_does_what_waits(run, data):
    jobs.enqueue(JobKind.EVALUATE, import_study(SPRAYS), "event-1")
    assert run("work", "--once")[:2] == (0, "evaluate insect-sprays: done\n")
    assert Evaluation.objects.exists() and not Edition.objects.exists()


def test_an_account_is_made_with_its_roles_and_signs_in(client, capsys):
    from django.core.management import call_command

    call_command("account", "ada.b", "--role", "planner", "--role", "editor")
    told = capsys.readouterr().out.strip()
    assert told.startswith("ada.b: editor, planner; password ")
    password = told.rsplit(" ", 1)[1]
    answer = client.post("/sign-in/", {"username": "ada.b", "password": password})
    assert answer.status_code == 302
    call_command("account", "ada.b", "--role", "bench")
    assert capsys.readouterr().out.strip() == "ada.b: bench"
    assert [g.name for g in User.objects.get(username="ada.b").groups.all()] == ["bench"]


def test_an_account_without_a_role_or_with_a_strange_name_is_refused(capsys):
    from django.core.management import CommandError, call_command

    with pytest.raises(CommandError, match="--role"):
        call_command("account", "ada.b")
    with pytest.raises(CommandError, match="refused"):
        call_command("account", "ada b", "--role", "bench")
    assert not User.objects.filter(username__startswith="ada").exists()

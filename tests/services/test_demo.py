"""The demo command: everything on one machine, as often as one likes, and never over other work."""

from __future__ import annotations

import json
import shutil
import stat

import pytest

from comparisons.management.commands.demo import ACCOUNTS

from .processes import Project, free_port, wait_until
from .test_worker_process import get


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """A demo that was set up once, with what it printed."""
    project = Project(tmp_path_factory.mktemp("demo"))
    project.printed = project.manage("demo", "--no-serve", "--bind", "127.0.0.1:8123").stdout
    yield project
    project.close()


def passwords(printed: str) -> dict[str, str]:
    words = [line.split() for line in printed.splitlines()]
    return {line[0]: line[1] for line in words if line and line[0] in ACCOUNTS}


def test_it_prints_an_address_and_an_account_for_each_role(demo):
    assert "http://localhost:8123/c/cable-ties/" in demo.printed
    assert "http://localhost:8123/sign-in/" in demo.printed
    told = passwords(demo.printed)
    assert list(told) == ["bench", "planner", "editor", "second-editor", "operator"]
    assert len(set(told.values())) == 5 and all(len(word) >= 18 for word in told.values())
    signed_in = demo.python(
        "from django.contrib.auth.hashers import check_password\n"
        f"told = {told!r}\n"
        "say({u.username: [check_password(told[u.username], u.password), u.is_superuser,"
        " [g.name for g in u.groups.all()]] for u in User.objects.all()})"
    )
    assert signed_in == {
        name: [True, role is None, [role] if role else []] for name, role in ACCOUNTS.items()
    }  # fmt: skip


def test_its_edition_went_the_way_of_every_edition(demo):
    assert demo.rows("SELECT number FROM comparisons_edition") == [{"number": 1}]
    verbs = [row["verb"] for row in demo.rows("SELECT verb FROM comparisons_event ORDER BY id")]
    assert verbs == [
        "imported a study", "evaluated", "asked for approval", "approved", "published an edition",
        "imported a study", "planned bench work", "planned bench work",  # the next round, in a programme of its own
    ]  # fmt: skip
    people = demo.rows(
        "SELECT r.requested_by_id AS asked, a.approved_by_id AS approved FROM comparisons_approval a "
        "JOIN comparisons_approvalrequest r ON r.id = a.request_id"
    )
    assert people[0]["asked"] != people[0]["approved"]
    rows = demo.rows("SELECT kind, status FROM comparisons_job ORDER BY id")
    assert [(row["kind"], row["status"]) for row in rows] == [("publish", "done"), ("report", "waiting")]
    demo.manage("work", "--once")  # as the serving command's worker does
    assert demo.rows("SELECT pages FROM comparisons_editionreport")[0]["pages"] > 5
    assert demo.manage("verify", "cable-ties").stdout.startswith("cable-ties, edition 1: equal\n")


def test_a_next_round_waits_at_the_bench(demo):
    """Specimens with codes, in an order, in a programme of their own: the published comparison rests on none."""
    planned = demo.rows(
        "SELECT p.slug, t.code, count(*) AS n FROM specimens_benchplace b JOIN specimens_trial t ON t.id = b.trial_id "
        "JOIN specimens_programme p ON p.id = t.programme_id GROUP BY 1, 2 ORDER BY 2"
    )
    assert planned == [
        {"slug": "cable-ties-white", "code": "loop-dry", "n": 18},
        {"slug": "cable-ties-white", "code": "loop-soak", "n": 12},
    ]
    waiting = demo.python(
        "from specimens.bench import board, listing\n"
        "rows = {one['slug']: one for one in listing.programmes()}\n"
        "say([[row['code'] for row in rows['cable-ties-white']['open']], len(rows['cable-ties']['open']),"
        " [len(group.specimens) for group in board.to_start()]])"
    )
    assert waiting == [["loop-dry", "loop-soak"], 0, [12]]
    fresh = demo.python(
        "from comparisons.models import Comparison\nfrom comparisons.services import evaluation\n"
        "say(evaluation.standing(Comparison.objects.get(slug='cable-ties')).fresh)"
    )
    assert fresh is True, "nothing of the next round makes the published results stale"


def test_passwords_are_kept_for_this_account_alone(demo):
    path = demo.data / "demo-accounts.json"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert json.loads(path.read_text()) == passwords(demo.printed)
    record = json.dumps(demo.rows("SELECT before, after, why FROM comparisons_event"))
    assert not any(word in record for word in passwords(demo.printed).values())


def test_a_second_time_it_finds_all_of_it_there(demo):
    again = demo.manage("demo", "--no-serve", "--bind", "127.0.0.1:8123").stdout
    assert "is already here" in again and "verified: equal" in again
    assert passwords(again) == passwords(demo.printed)
    assert demo.rows("SELECT number FROM comparisons_edition") == [{"number": 1}]
    assert len(demo.rows("SELECT id FROM comparisons_comparison")) == 2
    assert len(demo.rows("SELECT id FROM specimens_benchplace")) == 30
    assert len(demo.rows("SELECT id FROM auth_user")) == len(ACCOUNTS)


def test_it_serves_under_the_address_that_it_prints(demo, collected):
    shutil.copytree(collected / "static", demo.data / "static", dirs_exist_ok=True)
    shutil.copy(collected / "static-collected", demo.data)
    port = free_port()
    server = demo.start("manage.py", "demo", "--bind", f"127.0.0.1:{port}")
    assert wait_until(lambda: get(port), "the demo to answer") < 500
    assert f"http://localhost:{port}/c/cable-ties/" in demo.log(server)
    server.terminate()
    assert server.wait(60) == 0
    assert "Traceback" not in demo.log(server)


def test_it_takes_no_folder_that_holds_other_work(project):
    refused = project.manage("demo", "--no-serve", status=2)
    assert "holds other work" in refused.stderr and refused.stderr.count("\n") == 1
    assert [row["username"] for row in project.rows("SELECT username FROM auth_user")] == ["planner-a"]


"""Fixtures that start services. A service that is not there fails the test; it never skips it."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
from pathlib import Path

import pytest

from .processes import Project, free_port, wait_until


def pytest_collection_modifyitems(items):
    here = Path(__file__).parent
    for item in items:
        if here in Path(item.fspath).parents:
            item.add_marker(pytest.mark.services)


@pytest.fixture(scope="session")
def prepared(tmp_path_factory) -> Path:
    """A data folder with a small real study in it and one planner; copied for each test."""
    folder = tmp_path_factory.mktemp("prepared")
    project = Project(folder)
    project.python(
        "from django.core.management import call_command\n"
        "from django.contrib.auth.models import Group\n"
        "from comparisons.folder.importer import import_study\n"
        "call_command('migrate', verbosity=0)\n"
        "import_study('fixtures/insect-sprays')\n"
        "planner = User.objects.create_user('planner-a')\n"
        "planner.groups.add(Group.objects.get(name='planner'))\n"
    )
    return folder


@pytest.fixture(scope="session")
def collected(prepared) -> Path:
    """The same folder with static files collected, which takes seconds; for tests that serve."""
    Project(prepared).python("from comparisons.management import static; static.collect_if_needed()")
    return prepared


@pytest.fixture
def make_project(prepared, tmp_path):
    """Makes projects on one data folder of the test's own."""
    data = tmp_path / "data"
    shutil.copytree(prepared, data)
    made = []

    def make(**variables: str) -> Project:
        made.append(Project(data, **variables))
        return made[-1]

    yield make
    for project in made:
        project.close()


@pytest.fixture
def project(make_project) -> Project:
    return make_project()


class RedisServer:
    """A real redis-server on a port of its own, that can be stopped, continued and killed."""

    def __init__(self, folder: Path):
        self.folder, self.port = folder, free_port()
        self.url = f"redis://127.0.0.1:{self.port}/0"
        self.process: subprocess.Popen | None = None

    def start(self) -> None:
        import redis

        self.process = subprocess.Popen(
            ["redis-server", "--port", str(self.port), "--bind", "127.0.0.1", "--save", "", "--appendonly",
             "no", "--dir", str(self.folder)],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        client = redis.Redis(port=self.port)

        def ours() -> bool:
            assert self.process.poll() is None, "redis-server ended at once"
            try:  # another server may have taken the port: then this one ends and that one would answer
                return client.info()["process_id"] == self.process.pid
            except redis.ConnectionError:
                return False

        wait_until(ours, "redis-server to answer")
        client.close()

    def kill(self) -> None:
        if self.process and self.process.poll() is None:
            self.process.kill()
            self.process.wait()


@pytest.fixture
def redis_server(tmp_path):
    server = RedisServer(tmp_path)
    server.start()
    yield server
    server.kill()


@pytest.fixture(scope="session")
def postgresql(tmp_path_factory):
    """The address of a throwaway PostgreSQL; as root it runs under the account `postgres`."""
    binaries = sorted(Path("/usr/lib/postgresql").glob("*/bin"))[-1]
    folder = tmp_path_factory.mktemp("postgresql")
    account = {}
    if os.geteuid() == 0:
        user = pwd.getpwnam("postgres")
        os.chown(folder, user.pw_uid, user.pw_gid)
        for parent in folder.parents:
            if parent.stat().st_uid == 0 and str(parent).startswith("/tmp/"):
                parent.chmod(parent.stat().st_mode | 0o011)  # the way down to it
        account = {"user": "postgres", "group": "postgres", "extra_groups": []}
    data, port = folder / "data", free_port()
    subprocess.run(
        [binaries / "initdb", "--pgdata", data, "--auth", "trust", "--username", "evenhand", "--encoding",
         "UTF8", "--locale", "C.UTF-8", "--no-sync"],
        check=True, capture_output=True, cwd=folder, **account,
    )  # fmt: skip
    log = (folder / "log").open("w")
    server = subprocess.Popen(
        [binaries / "postgres", "-D", data, "-p", str(port), "-k", str(folder), "-h", "127.0.0.1", "-F"],
        stdout=log, stderr=subprocess.STDOUT, cwd=folder, **account,
    )  # fmt: skip

    def ready() -> bool:
        assert server.poll() is None, (folder / "log").read_text()
        return subprocess.run(
            [binaries / "pg_isready", "-h", "127.0.0.1", "-p", str(port)], capture_output=True
        ).returncode == 0

    try:
        wait_until(ready, "PostgreSQL to answer")
        yield f"postgres://evenhand@127.0.0.1:{port}/postgres"
    finally:
        server.terminate()
        server.wait(30)
        log.close()

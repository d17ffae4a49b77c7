"""The worker as a real process: killed, frozen, told to stop, two at once; and the command that serves."""

from __future__ import annotations

import signal
import subprocess
import urllib.error
import urllib.request

from .processes import children_of, command_of, free_port, wait_until

LONG = ("30", "5")  # seconds of lease, and between renewals
SHORT = ("1.5", "0.2")


def slow_worker(project, lease=LONG):
    return project.start("-m", "tests.services.slow_worker", *lease)


def started(project, process):
    return wait_until((project.data / f"started-{process.pid}").exists, "the worker to take the job")


def let_go(project):
    (project.data / "go").touch()


def test_a_real_evaluation_goes_through_the_worker(project):
    worker = project.start("manage.py", "work")
    job_id = project.python(
        "from comparisons.services.evaluation import ask_for_evaluation\n"
        "say(ask_for_evaluation(Comparison.objects.get(), actor=User.objects.get(username='planner-a')).pk)"
    )
    row = project.wait_for(job_id, "done")
    assert (row["attempts"], row["error"]) == (1, "")
    assert project.python(
        "from comparisons.services.evaluation import standing\n"
        "say(standing(Comparison.objects.get()).fresh)"
    ) is True
    worker.terminate()
    assert worker.wait(30) == 0


def test_killed_in_mid_work_the_job_is_done_once_after_a_restart(project):
    first = slow_worker(project, SHORT)
    job_id = project.add()
    started(project, first)
    first.kill()
    first.wait()
    assert project.job(job_id)["status"] == "running"
    let_go(project)
    slow_worker(project, SHORT)
    row = project.wait_for(job_id, "done")
    assert row["attempts"] == 2
    assert project.effects() == [job_id]


def test_a_job_longer_than_its_lease_stays_with_its_worker(project):
    first = slow_worker(project, SHORT)
    job_id = project.add()
    started(project, first)
    second = slow_worker(project, SHORT)
    leases = set()

    def renewed():
        leases.add(project.job(job_id)["lease_until"])
        return len(leases) > 12  # renewed every 0.2 s: longer than one lease of 1.5 s

    wait_until(renewed, "the lease to be renewed")
    wait_until((project.data / "worker-alive").exists, "the second worker to look for work")
    let_go(project)
    row = project.wait_for(job_id, "done")
    assert row["attempts"] == 1
    assert project.effects() == [job_id]
    assert not (project.data / f"started-{second.pid}").exists()


def test_a_frozen_worker_that_comes_back_writes_nothing(project):
    frozen = slow_worker(project, SHORT)
    job_id = project.add()
    started(project, frozen)
    frozen.send_signal(signal.SIGSTOP)
    quick = slow_worker(project, SHORT)
    started(project, quick)  # the lease ran out
    let_go(project)
    assert project.wait_for(job_id, "done")["attempts"] == 2
    frozen.send_signal(signal.SIGCONT)
    wait_until(lambda: "another worker took it over" in project.log(frozen), "the frozen worker to notice")
    assert project.effects() == [job_id]
    assert project.job(job_id)["status"] == "done"


def test_told_to_stop_a_worker_ends_at_once_and_puts_its_job_back(project):
    worker = slow_worker(project)
    job_id = project.add()
    started(project, worker)
    worker.terminate()
    assert worker.wait(30) == 0
    row = project.job(job_id)
    assert (row["status"], row["attempts"], row["lease_until"]) == ("waiting", 0, None)
    assert project.effects() == []
    assert "Traceback" not in project.log(worker)


def test_two_workers_share_a_queue_and_do_each_job_once(project):
    ids = project.python(
        "c = Comparison.objects.get()\n"
        "say([jobs.enqueue('evaluate', c, f'event-{n}')[0].pk for n in range(40)])"
    )
    let_go(project)
    workers = [slow_worker(project), slow_worker(project)]
    left = "SELECT id FROM comparisons_job WHERE status <> 'done'"
    wait_until(lambda: not project.rows(left), "all jobs to be done")
    assert sorted(project.effects()) == ids
    assert project.rows("SELECT DISTINCT attempts FROM comparisons_job") == [{"attempts": 1}]
    assert all(worker.poll() is None for worker in workers)


def test_once_drains_the_queue_and_tells_of_failures(project):
    assert project.manage("work", "--once").stdout == ""
    job_id = project.add()
    assert "evaluate insect-sprays: done" in project.manage("work", "--once").stdout
    assert project.job(job_id)["status"] == "done"
    project.python("jobs.enqueue('publish', Comparison.objects.get(), 'approval-0')")
    failed = project.manage("work", "--once", status=1)
    assert "publish insect-sprays: Nobody has asked for approval" in failed.stdout
    assert failed.stderr.count("\n") == 1


def get(port: int) -> int | None:
    """The status that the web server answers with; None where nothing listens."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=10) as answer:
            return answer.status
    except urllib.error.HTTPError as error:
        return error.code
    except (urllib.error.URLError, ConnectionError):
        return None


def worker_of(server) -> int | None:
    return next((pid for pid in children_of(server.pid) if "manage.py work" in command_of(pid)), None)


def test_serve_keeps_a_web_server_and_a_worker_and_ends_both(collected, project):
    port = free_port()
    ill = project.manage("check_health", status=1)
    assert "wrong worker: never seen" in ill.stdout
    server = project.start("manage.py", "serve", "--bind", f"127.0.0.1:{port}")
    wait_until(lambda: get(port), "the web server to answer")
    first = wait_until(lambda: worker_of(server), "a worker")
    project.wait_for(project.add("event-a"), "done")
    well = project.manage("check_health")
    assert all(line.startswith("ok ") for line in well.stdout.splitlines())

    subprocess.run(["kill", "-9", str(first)], check=True)
    second = wait_until(lambda: (pid := worker_of(server)) != first and pid, "another worker")
    project.wait_for(project.add("event-b"), "done")

    taken = project.manage("serve", "--bind", f"127.0.0.1:{port}", status=2)
    assert f"Cannot listen on 127.0.0.1:{port}" in taken.stderr and taken.stderr.count("\n") == 1

    family = [server.pid, *children_of(server.pid)]
    server.terminate()
    assert server.wait(60) == 0
    assert get(port) is None
    assert not any(command_of(pid) for pid in family)
    assert second in family
    assert "Traceback" not in project.log(server)


def test_a_supervisor_that_is_killed_leaves_nothing_running(collected, project):
    port = free_port()
    server = project.start("manage.py", "serve", "--bind", f"127.0.0.1:{port}")
    wait_until(lambda: get(port) and worker_of(server), "the server and its worker")
    family = children_of(server.pid)
    server.kill()
    server.wait()
    wait_until(lambda: not any(command_of(pid) for pid in family), "its children to end")
    assert get(port) is None


def test_serve_asks_for_migrations_first(tmp_path, project):
    project.environment["EVENHAND_DATA"] = str(tmp_path / "empty")
    refused = project.manage("serve", "--bind", f"127.0.0.1:{free_port()}", status=2)
    assert refused.stderr == "The database is not up to date: run python manage.py migrate, then serve\n"

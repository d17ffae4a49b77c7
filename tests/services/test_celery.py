"""Celery over a real redis-server and a real worker process: an evaluation, and a broker that goes away."""

from __future__ import annotations

import signal

import redis

from .processes import free_port, wait_until

ASK = (
    "from comparisons.services.evaluation import ask_for_evaluation\n"
    "say(ask_for_evaluation(Comparison.objects.get(), actor=User.objects.get(username='planner-a')).pk)"
)
CHANGE = (
    "from comparisons.services.record import record\n"
    "record(None, 'changed', comparison=Comparison.objects.get(), changes_draft=True)\n"
)
# Far less than the hang of a broker that does not answer (over 45 s with Celery's own settings).
AT_ONCE_S = 30


def celery_worker(project):
    worker = project.start(
        "-m", "celery", "--quiet", "--app", "config.celery", "worker", "--concurrency", "1", "--loglevel",
        "info", "--without-gossip", "--without-mingle",
    )  # fmt: skip
    wait_until(lambda: "ready." in project.log(worker), "the Celery worker to be ready")
    return worker


def received(project, worker, job_id) -> bool:
    return "Task comparisons.run_job" in project.log(worker) and project.job(job_id)["status"] == "done"


def test_an_evaluation_goes_through_celery(make_project, redis_server):
    project = make_project(REDIS_URL=redis_server.url)
    worker = celery_worker(project)
    job_id = project.python(ASK)
    row = project.wait_for(job_id, "done")
    assert row["attempts"] == 1
    assert received(project, worker, job_id)
    assert project.rows("SELECT count(*) AS n FROM comparisons_evaluation") == [{"n": 1}]
    well = project.manage("check_health").stdout
    assert "ok    redis: answers" in well and "ok    worker: 1 answer" in well
    worker.terminate()
    assert worker.wait(60) == 0
    ill = project.manage("check_health", status=1).stdout
    assert "wrong worker: no Celery worker answers" in ill


def test_a_message_that_comes_twice_has_one_effect(make_project, redis_server):
    project = make_project(REDIS_URL=redis_server.url)
    job_id = project.python(ASK)
    project.python(f"for _ in range(5): assert jobs.ring({job_id})")
    worker = celery_worker(project)
    project.wait_for(job_id, "done")
    wait_until(lambda: project.log(worker).count("succeeded in") >= 6, "all messages to be taken")
    assert project.job(job_id)["attempts"] == 1
    assert project.rows("SELECT count(*) AS n FROM comparisons_event WHERE verb = 'evaluated'") == [{"n": 1}]


def test_a_killed_broker_answers_at_once_and_the_job_is_picked_up_later(make_project, redis_server):
    """Its queue is lost with it; the row is not."""
    project = make_project(REDIS_URL=redis_server.url)
    lost = project.python(ASK)  # no worker yet: the message lies in the queue
    assert redis.Redis(port=redis_server.port).llen("celery") == 1
    redis_server.kill()
    kept = project.python(CHANGE + ASK, longest_s=AT_ONCE_S)
    assert {project.job(lost)["status"], project.job(kept)["status"]} == {"waiting"}
    redis_server.start()
    assert redis.Redis(port=redis_server.port).llen("celery") == 0
    celery_worker(project)
    for job_id in (lost, kept):
        assert project.wait_for(job_id, "done")["attempts"] == 1


def test_a_broker_killed_under_a_running_worker_is_found_again(make_project, redis_server):
    project = make_project(REDIS_URL=redis_server.url)
    worker = celery_worker(project)
    redis_server.kill()
    job_id = project.python(ASK, longest_s=AT_ONCE_S)
    wait_until(lambda: "Connection" in project.log(worker), "the worker to notice")
    assert project.job(job_id)["status"] == "waiting"
    redis_server.start()
    assert project.wait_for(job_id, "done")["attempts"] == 1
    assert worker.poll() is None


def test_a_frozen_broker_answers_at_once_and_the_job_is_picked_up_later(make_project, redis_server):
    """Stopped, it takes connections and says nothing: the worst of its ways to fail."""
    project = make_project(REDIS_URL=redis_server.url)
    redis_server.process.send_signal(signal.SIGSTOP)
    try:
        job_id = project.python(ASK, longest_s=AT_ONCE_S)
        assert project.job(job_id)["status"] == "waiting"
        ill = project.manage("check_health", status=1).stdout
        assert "wrong redis: not reached" in ill
    finally:
        redis_server.process.send_signal(signal.SIGCONT)
    celery_worker(project)
    assert project.wait_for(job_id, "done")["attempts"] == 1


def test_a_worker_killed_in_mid_work_leaves_the_job_to_another(make_project, redis_server):
    """The lease runs out and the sweep of the next worker rings the row again."""
    project = make_project(REDIS_URL=redis_server.url)
    job_id = project.python(
        "from datetime import timedelta\nfrom django.utils import timezone\n" + ASK + "\njob = jobs.claim()\n"
        # as a worker leaves it that was killed: running, with a lease that nobody renews any more
        "Job.objects.filter(pk=job.pk).update(lease_until=timezone.now() - timedelta(seconds=1))\n"
        "say(job.pk)"
    )
    redis.Redis(port=redis_server.port).flushall()
    celery_worker(project)
    assert project.wait_for(job_id, "done")["attempts"] == 2


def test_serve_starts_a_celery_worker_where_there_is_a_broker(collected, make_project, redis_server):
    project = make_project(REDIS_URL=redis_server.url)
    server = project.start("manage.py", "serve", "--bind", f"127.0.0.1:{free_port()}")
    job_id = project.python(ASK)
    project.wait_for(job_id, "done")
    assert "ok    worker: 1 answer" in project.manage("check_health").stdout
    server.terminate()
    assert server.wait(90) == 0

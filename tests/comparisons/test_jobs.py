"""The work queue: one worker at a time, nothing lost, nothing done twice to effect."""

from __future__ import annotations

from datetime import timedelta
from functools import partial

import pytest
from django.db import IntegrityError, OperationalError, transaction
from django.utils import timezone

from comparisons import jobs
from comparisons.models import Event, Job
from comparisons.models.editions import JobKind, JobStatus
from comparisons.services.errors import NotReady
from tests.build import make_bench, make_comparison, make_user

pytestmark = pytest.mark.django_db


@pytest.fixture
def comparison():
    return make_comparison(make_bench())


@pytest.fixture
def does(monkeypatch):
    """Says what an evaluation job does in this test; by default it writes one event, fenced."""

    def put(handler=None):
        monkeypatch.setitem(jobs.HANDLERS, JobKind.EVALUATE, handler or effect)

    put()
    return put


def effect(job: Job) -> None:
    """What a job does to the database: the effect and the end of the job in one transaction."""
    with transaction.atomic():
        Event.objects.create(actor_name="worker", verb="worked", code=str(job.pk))
        jobs.finish(job)


def effects() -> int:
    return Event.objects.filter(verb="worked").count()


def add(comparison, key="event-1", actor=None) -> Job:
    return jobs.enqueue(JobKind.EVALUATE, comparison, key, actor)[0]


def expire(job: Job) -> None:
    """As if the worker had been silent for longer than its lease."""
    Job.objects.filter(pk=job.pk).update(lease_until=timezone.now() - timedelta(seconds=1))


def work(job: Job) -> Job:
    return jobs.work_on(job, renewing=False)


# asking


def test_two_open_jobs_of_one_key_are_one(comparison, does):
    planner = make_user("planner-a", "planner")
    first, made = jobs.enqueue(JobKind.EVALUATE, comparison, "event-1", planner)
    again, made_again = jobs.enqueue(JobKind.EVALUATE, comparison, "event-1", None)
    assert (made, made_again) == (True, False)
    assert again == first and first.requested_by == planner
    other_key, other_kind = add(comparison, "event-2"), jobs.enqueue(JobKind.PUBLISH, comparison, "event-1")[0]
    assert len({first.pk, other_key.pk, other_kind.pk}) == 3
    running = jobs.claim(first.pk)
    assert add(comparison) == first  # running still counts
    work(running)
    assert add(comparison) != first


def test_the_database_itself_refuses_a_second_open_job_of_one_key(comparison):
    job = add(comparison)
    with pytest.raises(IntegrityError), transaction.atomic():
        Job.objects.create(kind=job.kind, comparison=comparison, key=job.key)


def test_a_key_taken_by_somebody_faster_gives_their_job(comparison, monkeypatch):
    """The row of another request appears between the look and the insert."""
    theirs = add(comparison)
    first = type(Job.objects.all()).first
    looked = iter([None])
    monkeypatch.setattr(type(Job.objects.all()), "first", lambda self: next(looked, None) or first(self))
    assert jobs.enqueue(JobKind.EVALUATE, comparison, "event-1") == (theirs, False)


def test_the_broker_is_told_after_the_commit_and_never_of_what_was_rolled_back(
    comparison, monkeypatch, django_capture_on_commit_callbacks
):
    rung = []
    monkeypatch.setattr(jobs, "ring", rung.append)
    with django_capture_on_commit_callbacks(execute=True):
        job = add(comparison)
        assert rung == []
    assert rung == [job.pk]
    with django_capture_on_commit_callbacks(execute=True) as callbacks:
        with pytest.raises(RuntimeError), transaction.atomic():
            add(comparison, "event-2")
            raise RuntimeError
    assert callbacks == [] and rung == [job.pk]
    assert not Job.objects.filter(key="event-2").exists()


@pytest.mark.parametrize("error", [ConnectionError("refused"), RuntimeError("no result backend"), OSError()])
def test_a_broker_that_is_away_leaves_the_row_waiting(comparison, settings, monkeypatch, error):
    from comparisons.tasks import run_job

    def delay(job_id):
        raise error

    settings.REDIS_URL = "redis://nowhere/0"
    monkeypatch.setattr(run_job, "delay", delay)
    job = add(comparison)
    assert jobs.ring(job.pk) is False
    assert jobs.sweep_and_ring() == 0
    assert Job.objects.get().status == JobStatus.WAITING


def test_a_sweep_rings_every_row_that_waits(comparison, settings, monkeypatch, does):
    from comparisons.tasks import run_job

    told = []
    settings.REDIS_URL = "redis://somewhere/0"
    monkeypatch.setattr(run_job, "delay", told.append)
    waiting, dead, alive, done = (add(comparison, f"event-{n}") for n in range(4))
    expire(jobs.claim(dead.pk))
    jobs.claim(alive.pk)
    work(jobs.claim(done.pk))
    assert jobs.sweep_and_ring() == 2
    assert told == [waiting.pk, dead.pk]


def test_without_a_broker_nobody_is_told(comparison, settings):
    settings.REDIS_URL = ""
    assert jobs.ring(add(comparison).pk) is False


# claiming


def test_the_oldest_is_claimed_first_and_only_once(comparison):
    first, second = add(comparison, "event-1"), add(comparison, "event-2")
    one, two = jobs.claim(), jobs.claim()
    assert [one.pk, two.pk] == [first.pk, second.pk]
    assert jobs.claim() is None
    assert jobs.claim(first.pk) is None
    assert one.token and two.token and one.token != two.token
    assert (one.status, one.attempts) == (JobStatus.RUNNING, 1)
    assert one.lease_until > timezone.now() and one.started_at is not None


def test_of_two_workers_that_see_one_row_one_gets_it(comparison, monkeypatch):
    """Both looked before either claimed: the conditional update decides."""
    add(comparison)
    mine = jobs.claim()
    look, looks = jobs.free, iter([Job.objects.all()])  # the row as the slower worker saw it
    monkeypatch.setattr(jobs, "free", lambda: next(looks, None) or look())
    assert jobs.claim() is None
    assert Job.objects.get().token == mine.token and Job.objects.get().attempts == 1


def test_what_a_handler_did_and_its_end_are_one(comparison, does):
    def half(job):
        with transaction.atomic():
            Event.objects.create(actor_name="worker", verb="worked")
            jobs.finish(job)
            raise ValueError("the pen broke")

    does(half)
    job = work(jobs.claim(add(comparison).pk))
    assert effects() == 0
    assert job.status == JobStatus.FAILED


def test_a_job_ends_done(comparison, does):
    job = work(jobs.claim(add(comparison).pk))
    assert (job.status, job.error, job.lease_until, job.attempts) == (JobStatus.DONE, "", None, 1)
    assert job.finished_at >= job.started_at
    assert effects() == 1
    assert jobs.run(job.pk) is None  # told twice of one row
    assert effects() == 1


def test_a_row_that_is_gone_ends_quietly():
    assert jobs.run(987_654) is None


# dying


def test_a_lease_that_ran_out_is_claimed_again_and_the_first_worker_writes_nothing(comparison, does):
    add(comparison)
    slow = jobs.claim()
    assert jobs.renew(slow)
    assert jobs.claim() is None
    expire(slow)
    quick = jobs.claim()
    assert (quick.pk, quick.attempts) == (slow.pk, 2) and quick.token != slow.token
    assert not jobs.renew(slow)
    assert work(slow).status == JobStatus.RUNNING  # the row is the other's
    assert effects() == 0
    assert work(quick).status == JobStatus.DONE
    assert work(slow).status == JobStatus.DONE
    assert effects() == 1


@pytest.mark.parametrize("error", [NotReady("no"), OperationalError("locked"), ValueError("bad")])
def test_a_worker_that_lost_its_job_does_not_mark_it_either(comparison, does, error):
    def fails(job):
        raise error

    add(comparison)
    slow = jobs.claim()
    expire(slow)
    quick = jobs.claim()
    does(fails)
    work(slow)
    row = Job.objects.get()
    assert (row.status, row.token, row.error) == (JobStatus.RUNNING, quick.token, "")


def test_a_job_that_kills_its_worker_three_times_fails_and_says_so(comparison, does):
    job = add(comparison)
    for attempt in (1, 2, 3):
        assert jobs.sweep() == [job.pk]
        dead = jobs.claim()
        assert dead.attempts == attempt
        assert jobs.sweep() == []  # its lease holds
        expire(dead)
        if attempt < 3:
            assert Job.objects.get().status == JobStatus.RUNNING
    assert jobs.claim() is None
    assert jobs.sweep() == []
    job.refresh_from_db()
    assert job.status == JobStatus.FAILED
    assert "3 times" in job.error and job.finished_at
    assert add(comparison) != job  # asking again is allowed


def test_passing_trouble_is_tried_again_later_and_three_times_at_most(comparison, does):
    def locked(job):
        raise OperationalError("database is locked")

    does(locked)
    job = add(comparison)
    for attempt in (1, 2):
        row = work(jobs.claim(job.pk))
        assert (row.status, row.attempts) == (JobStatus.WAITING, attempt)
        assert row.error == "OperationalError: database is locked"
        assert row.lease_until > timezone.now()
        assert jobs.claim() is None and jobs.sweep() == []  # not due yet
        expire(row)
        assert jobs.sweep() == [job.pk]
    assert work(jobs.claim(job.pk)).status == JobStatus.FAILED


@pytest.mark.parametrize(
    ("error", "line"),
    [
        (NotReady("Ask for approval first."), "Ask for approval first."),
        (ValueError("a number\nover two lines"), "ValueError: a number over two lines"),
    ],
)
def test_what_will_not_pass_fails_at_once_with_one_line(comparison, does, error, line):
    def fails(job):
        raise error

    does(fails)
    row = work(jobs.claim(add(comparison).pk))
    assert (row.status, row.attempts, row.error) == (JobStatus.FAILED, 1, line)


def test_a_worker_told_to_stop_puts_its_job_back_untouched(comparison, does):
    def interrupted(job):
        with transaction.atomic():
            Event.objects.create(actor_name="worker", verb="worked")
            raise jobs.Stop

    does(interrupted)
    job = add(comparison)
    with pytest.raises(jobs.Stop):
        work(jobs.claim())
    job.refresh_from_db()
    assert (job.status, job.attempts, job.token, job.lease_until) == (JobStatus.WAITING, 0, "", None)
    assert effects() == 0
    does()
    assert [j.status for j in jobs.drain()] == [JobStatus.DONE]
    assert effects() == 1


# here and now


def test_inline_work_leaves_a_row_in_other_hands_alone(comparison, does):
    job = add(comparison)
    theirs = jobs.claim()
    assert jobs.run_inline(job).status == JobStatus.RUNNING
    assert effects() == 0
    jobs.give_back(theirs)
    assert jobs.run_inline(job).status == JobStatus.DONE
    assert effects() == 1


def test_draining_does_all_that_waits_in_order(comparison, does):
    order = []
    does(lambda job: (order.append(job.key), jobs.finish(job)))
    for n in (3, 1, 2):
        add(comparison, f"event-{n}")
    assert [job.status for job in jobs.drain()] == [JobStatus.DONE] * 3
    assert order == ["event-3", "event-1", "event-2"]
    assert jobs.drain() == []


def test_each_kind_of_job_calls_its_service_with_the_fence(comparison, monkeypatch):
    from comparisons.models import Edition
    from comparisons.services import evaluation, publishing, reports

    called = []

    def service(name, comparison, *, actor, fence):
        called.append((name, comparison, actor))
        fence()

    monkeypatch.setattr(evaluation, "run_evaluation", partial(service, "evaluation"))
    monkeypatch.setattr(publishing, "publish", partial(service, "publish"))
    edition = Edition(comparison=comparison, number=7)
    monkeypatch.setattr(reports, "make_report", partial(service, "report", actor=None))
    monkeypatch.setattr(type(comparison.editions), "get", lambda _self, number: edition if number == 7 else None)
    planner = make_user("planner-a", "planner")
    for kind in JobKind:
        jobs.enqueue(kind, comparison, "report-7" if kind == JobKind.REPORT else "k", planner)
    assert [job.status for job in jobs.drain()] == [JobStatus.DONE] * 3
    assert called == [
        ("evaluation", comparison, planner), ("publish", comparison, planner), ("report", edition, None),
    ]  # fmt: skip
    assert set(jobs.HANDLERS) == set(JobKind)

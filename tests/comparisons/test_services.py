"""Evaluating, approving, publishing: each refusal, and what stays for ever."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from pathlib import Path

import pytest
from django.contrib.auth.models import AnonymousUser, Group, User
from django.db import DatabaseError, connection, transaction

from comparisons import jobs
from comparisons.folder.importer import import_study
from comparisons.models import (
    Approval,
    ApprovalRequest,
    Award,
    Comparison,
    Edition,
    Evaluation,
    Event,
    Job,
    Standing,
)
from comparisons.models.editions import JobKind, JobStatus
from comparisons.services import approval, evaluation, publishing
from comparisons.services.errors import NotAllowed, NotReady, Stale
from comparisons.services.record import last_draft_event, record
from specimens.models import Purchase
from tests.build import make_bench, make_comparison

pytestmark = pytest.mark.django_db
SPRAYS = Path(__file__).resolve().parents[2] / "fixtures" / "insect-sprays"


@pytest.fixture
def cast():
    roles = {
        "bench-a": ["bench"], "planner-a": ["planner"], "editor-a": ["editor"], "editor-b": ["editor"],
        "gone-a": ["editor"],
    }  # fmt: skip
    people = {name: User.objects.create_user(name, is_active=name != "gone-a") for name in roles}
    for name, groups in roles.items():
        people[name].groups.set(Group.objects.filter(name__in=groups))
    people["operator-a"] = User.objects.create_superuser("operator-a")
    return people


@pytest.fixture
def comparison() -> Comparison:
    return import_study(SPRAYS)


@pytest.fixture
def evaluated(comparison) -> Comparison:
    evaluation.run_evaluation(comparison)
    return comparison


@pytest.fixture
def request_(evaluated, cast):
    return approval.ask(evaluated, actor=cast["planner-a"])


def edit(comparison, actor, article="Another word.") -> None:
    """What a desk service does: the change and its event in one transaction."""
    with transaction.atomic():
        before = comparison.article
        comparison.article = article
        comparison.save(update_fields=["article"])
        record(
            actor, "edited the article", comparison=comparison, before=before, after=article,
            changes_draft=True,
        )


def approve(comparison, cast, asks="planner-a", approves="editor-a") -> Approval:
    evaluation.run_evaluation(comparison)
    request = approval.ask(comparison, actor=cast[asks])
    return approval.decide(request, actor=cast[approves], verdict="approved")


def publish(comparison, cast, **people) -> Edition:
    approve(comparison, cast, **people)
    return publishing.publish(comparison)


# evaluating


def test_what_stands_is_told_without_reading_the_inputs(comparison, django_assert_num_queries):
    with django_assert_num_queries(2):  # the standing row, the last job
        view = evaluation.standing(comparison)
    assert (view.evaluation, view.fresh, view.job) == (None, False, None)
    made = evaluation.run_evaluation(comparison)
    with django_assert_num_queries(3):  # and the last event that changed the draft
        view = evaluation.standing(comparison)
    assert (view.evaluation, view.fresh, view.job) == (made, True, None)
    assert json.loads(view.evaluation.document)["inputs_digest"] == made.inputs_digest


def test_an_event_that_changes_the_draft_or_its_programme_makes_it_stale(evaluated, cast):
    other = make_comparison(make_bench())
    record(None, "looked", comparison=evaluated)
    record(None, "changed", comparison=other, programme=other.programmes.get(), changes_draft=True)
    assert evaluation.standing(evaluated).fresh
    event = record(None, "read", programme=evaluated.programmes.get(), changes_draft=True)
    assert last_draft_event(evaluated) == event.pk
    assert not evaluation.standing(evaluated).fresh
    evaluation.run_evaluation(evaluated)
    assert evaluation.standing(evaluated).fresh
    edit(evaluated, cast["planner-a"])
    assert not evaluation.standing(evaluated).fresh


def test_an_evaluation_by_another_engine_is_not_fresh(evaluated, monkeypatch):
    monkeypatch.setattr(evaluation, "ENGINE", "99.0.0")
    assert not evaluation.standing(evaluated).fresh


def test_the_same_inputs_are_not_computed_twice(evaluated, cast, monkeypatch):
    first = Standing.objects.get().approval_digest

    def compute(tables):
        raise AssertionError("computed again")

    monkeypatch.setattr(evaluation, "compute", compute)
    edit(evaluated, cast["planner-a"])
    again = evaluation.run_evaluation(evaluated)
    assert Evaluation.objects.get() == again
    assert Standing.objects.get().approval_digest != first  # the article is part of what is approved
    evaluated.seed = 99
    evaluated.save()
    with pytest.raises(AssertionError, match="computed again"):
        evaluation.run_evaluation(evaluated)


def test_the_document_says_what_it_rests_on(evaluated):
    row = Evaluation.objects.get()
    document = json.loads(row.document)
    assert document["comparison"] == "insect-sprays"
    assert (document["engine"], document["schema"]) == (row.engine, row.schema)
    assert document["inputs_digest"] == row.inputs_digest
    assert publishing.canonical(document).decode() == row.document


def test_an_older_run_that_ends_later_does_not_win(comparison, cast, monkeypatch):
    older = evaluation.read_state(comparison)
    edit(comparison, cast["planner-a"])
    evaluation.run_evaluation(comparison)
    now = Standing.objects.get()
    monkeypatch.setattr(evaluation, "read_state", lambda comparison: older)
    evaluation.run_evaluation(comparison)
    after = Standing.objects.get()
    assert (after.event_id, after.approval_digest) == (now.event_id, now.approval_digest)


def test_a_fence_that_fell_leaves_nothing_written(comparison):
    def fence():
        raise jobs.LostLease

    with pytest.raises(jobs.LostLease):
        evaluation.run_evaluation(comparison, fence=fence)
    assert not Evaluation.objects.exists() and not Standing.objects.exists()
    assert not Event.objects.filter(verb="evaluated").exists()


def test_a_draft_that_breaks_a_rule_is_refused_with_the_rule(comparison):
    programme = comparison.programmes.get()
    Purchase.objects.create(
        programme=programme, product=programme.products.first(), code="shop", obtained="bought", price="4",
        currency="JPY",
    )
    with pytest.raises(NotReady, match="purchases.csv.*currency: found “JPY”"):
        evaluation.run_evaluation(comparison)


def test_asking_for_an_evaluation_puts_one_row_into_the_queue(comparison, cast):
    job = evaluation.ask_for_evaluation(comparison, actor=cast["planner-a"])
    assert evaluation.ask_for_evaluation(comparison, actor=cast["editor-a"]) == job
    assert Job.objects.count() == 1 and evaluation.standing(comparison).job == job
    edit(comparison, cast["planner-a"])
    assert evaluation.ask_for_evaluation(comparison, actor=cast["planner-a"]) != job
    assert [j.status for j in jobs.drain()] == [JobStatus.DONE] * 2
    view = evaluation.standing(comparison)
    assert view.fresh and view.job is None
    assert Event.objects.filter(verb="asked for an evaluation").count() == 2


def test_an_evaluation_that_failed_is_told_until_one_succeeds(comparison, cast):
    Comparison.objects.filter(pk=comparison.pk).update(currency="JPY")
    purchase = Purchase.objects.create(
        programme=comparison.programmes.get(), product=comparison.programmes.get().products.first(),
        code="shop", obtained="bought", price="4", currency="EUR",
    )
    evaluation.ask_for_evaluation(comparison, actor=cast["planner-a"])
    jobs.drain()
    job = evaluation.standing(comparison).job
    assert job.status == JobStatus.FAILED and "found “EUR”" in job.error
    purchase.delete()
    evaluation.run_evaluation(comparison)
    assert evaluation.standing(comparison).job is None


# who may ask and decide


@pytest.mark.parametrize("name", ["bench-a", "operator-a", "gone-a", None])
def test_who_does_not_prepare_asks_for_nothing(evaluated, cast, name):
    actor = cast.get(name, AnonymousUser())
    with pytest.raises(NotAllowed, match="planner or an editor"):
        approval.ask(evaluated, actor=actor)
    with pytest.raises(NotAllowed, match="planner or an editor"):
        evaluation.ask_for_evaluation(evaluated, actor=actor)
    assert not Job.objects.exists() and approval.open_request(evaluated) is None


@pytest.mark.parametrize("verdict", ["approved", "returned"])
@pytest.mark.parametrize("name", ["bench-a", "planner-a", "operator-a", "gone-a", None])
def test_who_is_no_editor_decides_nothing(request_, cast, name, verdict):
    with pytest.raises(NotAllowed, match="Only an editor"):
        approval.decide(request_, actor=cast.get(name, AnonymousUser()), verdict=verdict, reason="because")
    assert not Approval.objects.exists()


def test_nobody_decides_on_what_they_asked_for(evaluated, cast):
    request = approval.ask(evaluated, actor=cast["editor-a"])
    for verdict in ("approved", "returned"):
        with pytest.raises(NotAllowed, match="You asked"):
            approval.decide(request, actor=cast["editor-a"], verdict=verdict, reason="because")
    given = approval.decide(request, actor=cast["editor-b"], verdict="approved")
    assert given.approved_by == cast["editor-b"]


def test_the_database_itself_refuses_one_person_in_both_roles(request_, cast):
    with pytest.raises(DatabaseError), transaction.atomic():
        Approval.objects.create(
            request=request_, verdict="approved", requested_by=cast["planner-a"],
            approved_by=cast["planner-a"],
        )
    # nor by naming somebody else as the one who asked
    with pytest.raises(DatabaseError), transaction.atomic():
        Approval.objects.create(
            request=request_, verdict="approved", requested_by=cast["editor-b"], approved_by=cast["planner-a"]
        )


def test_an_editor_who_changed_the_draft_returns_it_but_does_not_approve_it(comparison, cast):
    edit(comparison, cast["editor-a"])
    evaluation.run_evaluation(comparison)
    request = approval.ask(comparison, actor=cast["planner-a"])
    with pytest.raises(NotAllowed, match="You changed this draft"):
        approval.decide(request, actor=cast["editor-a"], verdict="approved")
    approval.decide(request, actor=cast["editor-a"], verdict="returned", reason="The article repeats itself.")


def test_a_reading_that_an_editor_entered_counts_as_a_change(comparison, cast):
    record(cast["editor-a"], "entered a reading", programme=comparison.programmes.get(), changes_draft=True)
    evaluation.run_evaluation(comparison)
    request = approval.ask(comparison, actor=cast["planner-a"])
    with pytest.raises(NotAllowed, match="You changed this draft"):
        approval.decide(request, actor=cast["editor-a"], verdict="approved")
    assert approval.decide(request, actor=cast["editor-b"], verdict="approved")


def test_changes_before_the_last_edition_are_past(comparison, cast):
    edit(comparison, cast["editor-a"], "The first words.")
    publish(comparison, cast, approves="editor-b")
    edit(comparison, cast["planner-a"], "The second words.")
    assert publish(comparison, cast, asks="planner-a", approves="editor-a").number == 2


def test_a_change_after_the_approval_counts_for_the_next_edition(comparison, cast):
    """The editor changes the draft and changes it back while the approved state waits to be published."""
    words = comparison.article
    approve(comparison, cast, approves="editor-b")
    edit(comparison, cast["editor-a"], "Other words.")
    edit(comparison, cast["editor-a"], words)
    publishing.publish(comparison)  # the digest is the approved one again
    edit(comparison, cast["editor-a"], "Other words.")
    evaluation.run_evaluation(comparison)
    request = approval.ask(comparison, actor=cast["planner-a"])
    with pytest.raises(NotAllowed, match="You changed this draft"):
        approval.decide(request, actor=cast["editor-a"], verdict="approved")


# what must be ready


def test_approval_is_asked_for_a_fresh_evaluation_only(comparison, cast):
    with pytest.raises(NotReady, match="evaluate it"):
        approval.ask(comparison, actor=cast["planner-a"])
    evaluation.run_evaluation(comparison)
    edit(comparison, cast["planner-a"])
    with pytest.raises(NotReady, match="evaluate it"):
        approval.ask(comparison, actor=cast["planner-a"])


def test_an_award_against_the_numbers_needs_a_reason_that_readers_will_see(comparison, cast):
    """Beall (1942): of the six sprays F left most insects alive."""
    programme = comparison.programmes.get()
    worst = programme.products.order_by("code").last()  # spray F
    award = Award.objects.create(comparison=comparison, code="best", name="Best", product=worst)
    evaluation.run_evaluation(comparison)
    with pytest.raises(NotReady, match="do not carry the award “best”.*write the reason"):
        approval.ask(comparison, actor=cast["planner-a"])
    award.reason = "Sold everywhere, and the others were out of stock."
    award.save()
    record(cast["planner-a"], "gave a reason", comparison=comparison, changes_draft=True)
    evaluation.run_evaluation(comparison)
    assert approval.ask(comparison, actor=cast["planner-a"]).pk


def test_one_state_is_asked_for_once(evaluated, cast, request_):
    with pytest.raises(NotReady, match="waits for approval already"):
        approval.ask(evaluated, actor=cast["editor-b"])
    approval.decide(request_, actor=cast["editor-a"], verdict="approved")
    with pytest.raises(NotReady, match="approved already"):
        approval.ask(evaluated, actor=cast["planner-a"])
    publishing.publish(evaluated)
    with pytest.raises(NotReady, match="published already"):
        approval.ask(evaluated, actor=cast["planner-a"])


def test_what_was_returned_may_be_asked_for_again(evaluated, cast, request_):
    with pytest.raises(NotReady, match="Say why"):
        approval.decide(request_, actor=cast["editor-a"], verdict="returned", reason="  ")
    returned = approval.decide(request_, actor=cast["editor-a"], verdict="returned", reason=" Too short. ")
    assert returned.reason == "Too short."
    assert not Job.objects.exists()
    with pytest.raises(NotReady, match="returned"):
        publishing.publish(evaluated)
    assert approval.ask(evaluated, actor=cast["planner-a"]) == approval.open_request(evaluated)


def test_a_request_is_decided_once(request_, cast):
    approval.decide(request_, actor=cast["editor-a"], verdict="approved")
    with pytest.raises(NotReady, match="decided already"):
        approval.decide(request_, actor=cast["editor-b"], verdict="returned", reason="late")
    with pytest.raises(DatabaseError), transaction.atomic():
        Approval.objects.create(
            request=request_, verdict="approved", requested_by=cast["planner-a"], approved_by=cast["editor-b"]
        )


def test_a_word_that_is_no_verdict_is_refused(request_, cast):
    with pytest.raises(NotReady, match="approved"):
        approval.decide(request_, actor=cast["editor-a"], verdict="maybe")


def test_what_changed_since_it_was_asked_is_not_approved(evaluated, cast, request_):
    edit(evaluated, cast["planner-a"])
    with pytest.raises(Stale, match="has changed since approval was asked"):
        approval.decide(request_, actor=cast["editor-a"], verdict="approved")
    evaluation.run_evaluation(evaluated)  # fresh again, but not what was asked about
    with pytest.raises(Stale, match="has changed since approval was asked"):
        approval.decide(request_, actor=cast["editor-a"], verdict="approved")
    newer = approval.ask(evaluated, actor=cast["planner-a"])
    with pytest.raises(Stale, match="newer request"):
        approval.decide(request_, actor=cast["editor-a"], verdict="approved")
    assert approval.decide(newer, actor=cast["editor-a"], verdict="approved").verdict == "approved"


def test_an_approval_stands_until_the_draft_changes_or_it_is_published(evaluated, cast):
    assert approval.standing_approval(evaluated) is None
    given = approve(evaluated, cast)
    assert approval.standing_approval(evaluated) == given
    edit(evaluated, cast["planner-a"])
    assert approval.standing_approval(evaluated) is None
    with pytest.raises(Stale, match="changed since it was approved"):
        publishing.publish(evaluated)
    again = approve(evaluated, cast)
    assert approval.standing_approval(evaluated) == again
    publishing.publish(evaluated)
    assert approval.standing_approval(evaluated) is None


# publishing


def test_nothing_is_published_without_an_approval(evaluated, cast):
    with pytest.raises(NotReady, match="Nobody has asked"):
        publishing.publish(evaluated)
    approval.ask(evaluated, actor=cast["planner-a"])
    with pytest.raises(NotReady, match="Nobody has decided"):
        publishing.publish(evaluated)


def test_an_approval_is_published_once(evaluated, cast):
    assert publish(evaluated, cast).number == 1
    with pytest.raises(NotReady, match="published as edition 1"):
        publishing.publish(evaluated)
    with pytest.raises(DatabaseError), transaction.atomic():
        row = Edition.objects.get()
        row.pk, row.number, row.previous_id, row.sha256 = None, 2, row.pk, "0" * 64
        row.save()


def test_a_change_behind_the_record_is_found_at_publication(evaluated, cast):
    """No event tells of it, so only the digest can."""
    approve(evaluated, cast)
    Comparison.objects.filter(pk=evaluated.pk).update(article="Slipped in.")
    with pytest.raises(Stale, match="changed since it was approved"):
        publishing.publish(evaluated)
    assert not Edition.objects.exists()


def test_an_edition_that_came_in_between_is_noticed(evaluated, cast):
    approve(evaluated, cast)
    with pytest.raises(Stale, match="in between"):
        publishing.publish(evaluated, fence=lambda: publishing.publish(evaluated))
    assert Edition.objects.count() == 0  # one transaction: neither half of it stays
    assert publishing.publish(evaluated).number == 1


def test_approving_publishes_through_the_queue(evaluated, cast, request_):
    approval.decide(request_, actor=cast["editor-a"], verdict="approved")
    job = Job.objects.get(kind=JobKind.PUBLISH)
    assert job.requested_by == cast["editor-a"]
    assert jobs.run_inline(job).status == JobStatus.DONE
    edition = Edition.objects.get()
    event = Event.objects.filter(verb=approval.PUBLISHED).get()
    assert event.actor == cast["editor-a"] and event.after["sha256"] == edition.sha256
    verbs = list(Event.objects.order_by("id").values_list("verb", flat=True))
    assert verbs[-3:] == ["asked for approval", "approved", event.verb]


def test_an_edition_is_one_chain_of_digests(comparison, cast):
    first = publish(comparison, cast)
    edit(comparison, cast["planner-a"])
    second = publish(comparison, cast)
    assert (first.number, first.previous, second.number, second.previous) == (1, None, 2, first)
    for edition in (first, second):
        parts = {
            name: hashlib.sha256(bytes(getattr(edition, name))).hexdigest()
            for name in ("package", "results", "page")
        }
        for name, digest in parts.items():
            assert getattr(edition, f"{name}_sha256") == digest
        manifest = parts | {"previous": edition.previous.sha256 if edition.previous else None}
        text = json.dumps(manifest, sort_keys=True, separators=(",", ":"))
        assert edition.sha256 == hashlib.sha256(text.encode()).hexdigest()
    assert bytes(first.results) == bytes(second.results)  # an article changes no result
    assert first.package_sha256 != second.package_sha256


def test_a_package_holds_the_public_study_and_names_nobody(comparison, cast):
    edition = publish(comparison, cast)
    with zipfile.ZipFile(io.BytesIO(bytes(edition.package))) as archive:
        inside = {name: archive.read(name) for name in archive.namelist()}
    assert inside["edition/results.json"] == bytes(edition.results)
    assert inside["edition/page.json"] == bytes(edition.page)
    about = json.loads(inside["edition/edition.json"])
    assert (about["number"], about["previous"]) == (1, None)
    assert about["published_at"] == edition.published_at.strftime("%Y-%m-%dT%H:%M:%SZ")
    assert (about["asked_by"], about["approved_by"]) == ("planner", "editor")
    assert about["results_sha256"] == edition.results_sha256
    assert "comparison.toml" in inside and "readings.csv" in inside
    for name in cast:
        assert not any(name.encode() in data for data in inside.values())


def test_the_same_approved_state_gives_the_same_bytes(evaluated, cast):
    approve(evaluated, cast)
    made = []
    for _ in range(2):
        with pytest.raises(RuntimeError), transaction.atomic():
            edition = publishing.publish(evaluated)
            made.append((edition.results_sha256, edition.page_sha256))
            raise RuntimeError
    assert made[0] == made[1]


# for ever


def raw(sql: str, *values) -> None:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql, values)


@pytest.mark.parametrize(
    ("model", "text"),
    [(Edition, "correction"), (Approval, "reason"), (ApprovalRequest, "note"), (Evaluation, "document")],
)
def test_what_is_published_is_not_changed_by_orm_or_sql(comparison, cast, model, text):
    publish(comparison, cast)
    row = model.objects.get()
    table = model._meta.db_table
    words = model._meta.verbose_name_plural
    setattr(row, text, "Changed.")
    with pytest.raises(DatabaseError, match=f"{words} are never changed"), transaction.atomic():
        row.save()
    with pytest.raises(DatabaseError, match="never changed"), transaction.atomic():
        model.objects.update(**{text: "Changed."})
    with pytest.raises(DatabaseError, match="never changed"), transaction.atomic():
        model.objects.bulk_update([row], [text])
    with pytest.raises(DatabaseError, match="never changed"):
        raw(f"UPDATE {table} SET {text} = 'Changed.'")
    with pytest.raises(DatabaseError), transaction.atomic():
        model.objects.all()._raw_delete("default")
    with pytest.raises(DatabaseError, match="never deleted"):
        raw(f"DELETE FROM {table}")
    columns = [field.column for field in model._meta.fields]
    values = list(model.objects.values_list(*columns).get())
    values[columns.index(text)] = "Changed."
    names, marks = ", ".join(f'"{c}"' for c in columns), ", ".join(["%s"] * len(columns))
    with pytest.raises(DatabaseError, match="never replaced"):
        raw(f"INSERT OR REPLACE INTO {table} ({names}) VALUES ({marks})", *values)
    assert getattr(model.objects.get(), text) != "Changed."

"""Editions on the desk: corrections, withdrawals, and any two states side by side."""

from __future__ import annotations

import io
import json
import zipfile
from decimal import Decimal

import pytest
from django.db import DatabaseError, connection, transaction
from django.test.utils import CaptureQueriesContext

from comparisons import jobs
from comparisons.models import Award, Event, Withdrawal
from comparisons.pages.between import Side, between
from comparisons.services import approval, corrections, evaluation, publishing, state_changes, verification
from comparisons.services.errors import NotAllowed, NotReady
from comparisons.services.record import record
from specimens.models import Purchase, Reading
from tests.public.small_study import import_small
from tests.public.staging import publish
from tests.settling import settle

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"


@pytest.fixture
def strings(cast):
    return import_small()


@pytest.fixture
def first(strings, cast):
    return publish(strings, cast)


@pytest.fixture
def editor(client, cast):
    client.force_login(cast["editor"], backend=BACKEND)
    return client


def rewrite(comparison, actor, article: str) -> None:
    comparison.article = article
    comparison.save(update_fields=["article"])
    record(actor, "wrote the article", comparison=comparison, changes_draft=True)


def read_again(comparison, actor, product: str, more: Decimal) -> None:
    """Every pull of a product is amended by a reading that much higher."""
    for old in Reading.objects.filter(programme__parts__comparison=comparison, trial__code="pull",
                                      product__code=product).order_by("pk"):  # fmt: skip
        new = Reading.objects.get(pk=old.pk)
        new.pk, new.code, new.replaces = None, f"{old.code}-b", old
        new.value, new.replace_reason = str(Decimal(old.value) + more), "The gauge was not at zero."
        new.save(force_insert=True)
    record(actor, "amended readings", programme=comparison.programmes.get(), changes_draft=True)


def correct(comparison, cast, **correction):
    """One more edition, which corrects earlier ones."""
    settle(comparison, cast["planner"])
    request = approval.ask(comparison, actor=cast["planner"], **correction)
    approval.decide(request, actor=cast["editor"], verdict="approved")
    assert [job.status for job in jobs.drain() if job.kind == "publish"] == ["done"]
    return comparison.editions.first()


CORRECTION = {"correction": "The pulls of p00 were too low.", "why": "The gauge was not at zero.", "since": "1"}


# -- corrections -----------------------------------------------------------------------------------------


def test_a_correction_is_carried_to_the_edition_and_its_package(strings, first, cast):
    read_again(strings, cast["planner"], "p00", Decimal(5))
    second = correct(strings, cast, **CORRECTION)
    assert (second.number, second.correction, second.correction_why, second.corrects_since) == (
        2, CORRECTION["correction"], CORRECTION["why"], 1,
    )  # fmt: skip
    with zipfile.ZipFile(io.BytesIO(bytes(second.package))) as archive:
        about = json.loads(archive.read("edition/edition.json"))
    assert about["correction"] == {"what": CORRECTION["correction"], "why": CORRECTION["why"], "since": 1}
    assert verification.verify_edition(second) == []
    event = Event.objects.filter(verb="asked for approval").order_by("-id").first()
    assert event.after["correction"] == CORRECTION["correction"]


def test_an_edition_without_a_correction_says_nothing_of_one(first):
    with zipfile.ZipFile(io.BytesIO(bytes(first.package))) as archive:
        assert "correction" not in json.loads(archive.read("edition/edition.json"))
    assert verification.verify_edition(first) == []


def test_a_correction_that_differs_from_its_package_is_found(strings, first, cast):
    """Somebody with the database in hand puts other words beside what was published."""
    from specimens import guards

    read_again(strings, cast["planner"], "p00", Decimal(5))
    second = correct(strings, cast, **CORRECTION)
    with guards.lifted("default"):
        type(second).objects.filter(pk=second.pk).update(correction="Nothing was wrong.")
    second.refresh_from_db()
    assert any("correction" in line for line in verification.verify_edition(second))


def test_earlier_editions_say_by_which_they_were_corrected(strings, first, cast):
    rewrite(strings, cast["planner"], "Second words.")
    publish(strings, cast)
    read_again(strings, cast["planner"], "p00", Decimal(5))
    correct(strings, cast, **CORRECTION | {"since": "2"})
    told = {edition.number: edition for edition in corrections.editions_told(strings)}
    assert [other.number for other in told[2].corrected_by] == [3]
    assert told[1].corrected_by == [] and told[3].corrected_by == []


@pytest.mark.parametrize("missing", ["correction", "why", "since"])
def test_a_correction_is_whole_or_not_at_all(strings, first, cast, missing):
    rewrite(strings, cast["planner"], "Second words.")
    settle(strings, cast["planner"])
    with pytest.raises(NotReady, match="what, why, and since which edition|choose the first one"):
        approval.ask(strings, actor=cast["planner"], **CORRECTION | {missing: " "})


def test_the_draft_is_approved_with_its_correction_by_somebody_else(strings, first, cast):
    rewrite(strings, cast["editor"], "The editor's own words.")
    settle(strings, cast["planner"])
    request = approval.ask(strings, actor=cast["planner"], **CORRECTION)
    with pytest.raises(NotAllowed, match="You changed this draft"):
        approval.decide(request, actor=cast["editor"], verdict="approved")
    approval.decide(request, actor=cast["second-editor"], verdict="approved")


# -- withdrawals -----------------------------------------------------------------------------------------


def test_an_edition_is_withdrawn_once_with_a_reason_and_never_erased(strings, first, cast):
    for name in ("planner", "bench-member", "operator"):
        with pytest.raises(NotAllowed):
            corrections.withdraw(cast[name], first, reason="x")
    with pytest.raises(NotReady, match="Say why it is withdrawn"):
        corrections.withdraw(cast["editor"], first, reason=" \n ")
    made = corrections.withdraw(cast["editor"], first, reason="The wrong strings were pulled.")
    assert made.withdrawn_by == cast["editor"]
    event = Event.objects.get(verb="withdrew an edition")
    assert (event.code, event.why, event.changes_draft) == ("1", "The wrong strings were pulled.", False)
    with pytest.raises(NotReady, match="withdrawn already, by editor: The wrong strings"):
        corrections.withdraw(cast["second-editor"], first, reason="again")
    with pytest.raises(DatabaseError), transaction.atomic():
        Withdrawal.objects.all()._raw_delete("default")
    assert verification.verify_edition(first) == []


def test_what_a_withdrawn_edition_says_is_not_published_again(strings, first, cast):
    words = strings.article
    corrections.withdraw(cast["editor"], first, reason="It was wrong.")
    with pytest.raises(NotReady, match="edition 1 says, which was withdrawn"):
        approval.ask(strings, actor=cast["planner"])
    rewrite(strings, cast["planner"], "Other words.")
    publish(strings, cast)
    rewrite(strings, cast["planner"], words)
    evaluation.run_evaluation(strings)
    with pytest.raises(NotReady, match="edition 1 says, which was withdrawn"):
        approval.ask(strings, actor=cast["planner"])


def test_an_edition_that_is_withdrawn_while_its_words_wait_stops_them(strings, first, cast):
    """The draft says again what edition 1 says, and waits for approval, when edition 1 is withdrawn."""
    words = strings.article
    rewrite(strings, cast["planner"], "Other words.")
    publish(strings, cast)
    rewrite(strings, cast["planner"], words)
    evaluation.run_evaluation(strings)
    request = approval.ask(strings, actor=cast["planner"])
    corrections.withdraw(cast["editor"], first, reason="It was wrong.")
    with pytest.raises(NotReady, match="edition 1 says, which was withdrawn"):
        approval.decide(request, actor=cast["second-editor"], verdict="approved")


def test_one_withdrawn_between_approval_and_publication_stops_it(strings, first, cast):
    words = strings.article
    rewrite(strings, cast["planner"], "Other words.")
    publish(strings, cast)
    rewrite(strings, cast["planner"], words)
    evaluation.run_evaluation(strings)
    approval.decide(
        approval.ask(strings, actor=cast["planner"]), actor=cast["second-editor"], verdict="approved"
    )
    corrections.withdraw(cast["editor"], first, reason="It was wrong.")
    with pytest.raises(NotReady, match="which was withdrawn"):
        publishing.publish(strings)


def test_withdrawing_by_its_form(editor, strings, first):
    answer = editor.post("/desk/strings/editions/1/withdraw/", {"reason": " "})
    assert answer.status_code == 422 and "Say why it is withdrawn" in answer.content.decode()
    answer = editor.post("/desk/strings/editions/1/withdraw/", {"reason": "<b>Wrong</b> strings."}, follow=True)
    html = answer.content.decode()
    assert "Edition 1 is withdrawn." in html and "&lt;b&gt;Wrong&lt;/b&gt; strings." in html
    assert "Withdraw edition 1" not in html
    assert editor.post("/desk/strings/editions/9/withdraw/", {"reason": "x"}).status_code == 404
    assert editor.get("/c/strings/editions/1/").status_code == 200  # it stays readable


def test_an_edition_that_is_withdrawn_says_so_to_readers(client, strings, first, cast):
    corrections.withdraw(cast["editor"], first, reason="The wrong strings were pulled.")
    for path in ("/c/strings/", "/c/strings/editions/1/", "/"):
        html = client.get(path).content.decode()
        assert "ithdrawn" in html and "The wrong strings were pulled." in html, path


def test_a_corrected_edition_says_so_to_readers(client, strings, first, cast):
    before = client.get("/c/strings/editions/1/")
    read_again(strings, cast["planner"], "p00", Decimal(5))
    correct(strings, cast, **CORRECTION)
    answer = client.get("/c/strings/editions/1/", headers={"if-none-match": before["ETag"]})
    html = answer.content.decode()
    assert answer.status_code == 200 and CORRECTION["correction"] in html and CORRECTION["why"] in html
    html = client.get("/c/strings/").content.decode()
    assert CORRECTION["correction"] in html and CORRECTION["why"] in html


def test_a_notice_stands_above_an_edition_until_it_is_lifted(client, strings, first, cast):
    from datetime import date

    from comparisons.models import EditionNotice
    from comparisons.services import instruments
    from specimens.models import Instrument

    instruments.record_fault(cast["planner"], Instrument.objects.get(), since=date(2026, 1, 1), what="Wrong.")
    with CaptureQueriesContext(connection) as captured:
        html = client.get("/c/strings/").content.decode()
    assert "was found wrong on" in html and len(captured) <= 2
    instruments.lift_notice(cast["editor"], EditionNotice.objects.get(), reason="It was right.")
    assert "was found wrong on" not in client.get("/c/strings/").content.decode()


# -- side by side ----------------------------------------------------------------------------------------


def test_numbers_before_after_and_their_difference(strings, first, cast):
    """Each pull of p00 is 5 N higher: by hand its mean is, and nothing else of the trial moves."""
    read_again(strings, cast["planner"], "p00", Decimal(5))
    second = correct(strings, cast, **CORRECTION)
    told = state_changes.of_editions(first, second)
    groups = {group["title"]: group for group in told.numbers["groups"]}
    (row,) = groups["Breaking force, as received"]["rows"]
    assert row["name"] == "Ullvane String 00" and row["difference"] == "+5.0\u00a0N"
    assert row["before"] == "60.6\u00a0N" and row["after"] == "65.6\u00a0N"
    assert groups["Breaking force, as received"]["same"] == 1
    assert any(title.startswith("Score and place") for title in groups)
    assert any(title.startswith("Claims") for title in groups)
    assert told.texts == []


def test_prices_and_awards_are_compared(strings, first, cast):
    Purchase.objects.filter(code="p00-shop").update(price="9.00")
    record(cast["planner"], "changed a price", programme=strings.programmes.get(), changes_draft=True)
    card = json.loads(bytes(first.results))["scorecards"][0]
    leader = card["leaders"][0]
    product = strings.programmes.get().products.get(code=leader)
    Award.objects.create(comparison=strings, code="tidy", name="Tidiest", product=product, reason="It lies flat.")
    record(cast["planner"], "named an award", comparison=strings, changes_draft=True)
    second = publish(strings, cast)
    groups = {group["title"]: group for group in state_changes.of_editions(first, second).numbers["groups"]}
    (row,) = groups["Typical price of one"]["rows"]
    assert "0.45" in row["before"] and "0.90" in row["after"] and row["difference"].startswith("+0.45")
    award = next(row for row in groups["Awards"]["rows"] if "Tidiest" in row["name"])
    assert award["before"] == "nothing" and award["beside_after"] == "not carried by the numbers"


def test_equal_states_differ_in_nothing(first):
    side = Side(json.loads(bytes(first.page)), json.loads(bytes(first.results)))
    found = between(side, side)
    assert found["changed"] == 0 and found["groups"] == [] and found["same"] > 10


def test_words_that_were_taken_out_and_put_in(editor, strings, first, cast):
    rewrite(strings, cast["planner"], "# Strings\n\nWe pulled *most of them* twice. <script>x</script>")
    publish(strings, cast)
    html = editor.get("/desk/strings/editions/1/against/2/").content.decode()
    assert "<del>" in html and "<ins>" in html and "taken out: " in html and "put in: " in html
    assert "&lt;script&gt;x&lt;/script&gt;" in html and "<script>x" not in html
    assert "*them*" in html and "of them* twice." in html and "No printed number differs" in html


def test_limits_methods_and_plans_are_texts_too(strings, first, cast):
    strings.funding = "The team paid for all of it."
    strings.save()
    record(cast["planner"], "changed the plan", comparison=strings, changes_draft=True)
    second = publish(strings, cast)
    told = dict(state_changes.of_editions(first, second).texts)
    assert set(told) == {"Who paid", "Limits"}


def test_the_draft_against_an_edition(editor, strings, first, cast):
    read_again(strings, cast["planner"], "p00", Decimal(5))
    html = editor.get("/desk/strings/editions/1/against/draft/").content.decode()
    assert "Stale." in html  # its numbers are those of the last evaluation
    evaluation.run_evaluation(strings)
    html = editor.get("/desk/strings/editions/1/against/draft/").content.decode()
    assert "Stale." not in html and "+5.0\u00a0N" in html


def test_two_editions_that_are_chosen_by_a_form(editor, first):
    answer = editor.get("/desk/strings/editions/compare/", {"before": "1", "after": "draft"})
    assert answer["Location"] == "/desk/strings/editions/1/against/draft/"
    answer = editor.get("/desk/strings/editions/compare/", {"before": "1", "after": "1"})
    assert answer["Location"] == "/desk/strings/editions/1/against/1/"
    unknown = {}, {"before": "x", "after": "1"}, {"before": "1", "after": "-1"}, {"before": "9" * 30, "after": "1"}
    for asked in unknown:
        assert editor.get("/desk/strings/editions/compare/", asked).status_code == 404
    for path in ("2/against/1", "1/against/2", "0/against/1"):
        assert editor.get(f"/desk/strings/editions/{path}/").status_code == 404


def test_editions_list_takes_as_many_queries_however_many_there_are(editor, strings, first, cast):
    def queries() -> int:
        editor.get("/desk/strings/editions/")
        with CaptureQueriesContext(connection) as captured:
            editor.get("/desk/strings/editions/")
        assert not any('"comparisons_edition"."package"' in query["sql"] for query in captured)
        return len(captured)

    one = queries()
    for n in range(3):
        rewrite(strings, cast["planner"], f"Words {n}.")
        publish(strings, cast)
    assert queries() == one


def test_nothing_is_published_yet(editor, strings):
    html = editor.get("/desk/strings/editions/").content.decode()
    assert "Nothing is published yet" in html

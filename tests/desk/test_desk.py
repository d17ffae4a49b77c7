"""The desk: where comparisons stand, the draft's results, and the way from there to an edition."""

from __future__ import annotations

import json
import re

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext

from comparisons import jobs
from comparisons.folder.importer import import_tables
from comparisons.models import Approval, ApprovalRequest, Edition, Job, Standing
from comparisons.models.editions import JobStatus
from comparisons.services import approval, evaluation
from comparisons.services.record import record
from comparisons.views.standings import places
from tests.public.small_study import import_small, small_study, table
from tests.public.staging import evaluated, published
from tests.public.test_public_pages import Outline
from tests.settling import settle

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"


@pytest.fixture
def signed_in(client, cast):
    def sign_in(name: str):
        client.force_login(cast[name], backend=BACKEND)
        return client

    return sign_in


def stands(user, slug="strings") -> tuple[str, str, str]:
    (place,) = places(user, slug)
    return place.state, place.next, place.wants


def touch(comparison, actor) -> None:
    record(actor, "changed something", comparison=comparison, changes_draft=True)


def text_of(response) -> str:
    assert response.status_code == 200
    return " ".join("".join(Outline(response.content.decode()).text).split())


def test_each_state_is_told_with_the_next_thing_to_do(cast):
    planner, editor, second, bench = (cast[n] for n in ("planner", "editor", "second-editor", "bench-member"))
    comparison = import_small()
    assert stands(planner) == ("Not evaluated yet", "Evaluate", "evaluate")
    assert stands(bench) == ("Not evaluated yet", "A planner or an editor evaluates", "")
    job = evaluation.ask_for_evaluation(comparison, actor=planner)
    assert stands(planner) == ("Waiting to be evaluated", "Wait for the results", "")
    Job.objects.filter(pk=job.pk).update(status=JobStatus.RUNNING)
    assert stands(planner)[0] == "Being evaluated"
    Job.objects.filter(pk=job.pk).update(status=JobStatus.WAITING)
    jobs.drain()
    assert stands(planner) == ("Evaluated", "Read the results, then ask for approval", "ask")
    touch(comparison, bench)
    assert stands(planner) == ("Changed since it was evaluated", "Evaluate again", "evaluate")
    settle(comparison, planner)
    request = approval.ask(comparison, actor=editor)
    assert stands(second) == ("Waits for approval", "Decide", "decide")
    assert stands(editor) == ("Waits for approval", "Another editor decides", "")
    assert stands(planner) == ("Waits for approval", "An editor decides", "")
    approval.decide(request, actor=second, verdict="returned", reason="The claim of p00 is a typo.")
    assert stands(planner)[:2] == ("Returned", "Put it right, evaluate, and ask again")
    touch(comparison, planner)
    comparison.article = "Better."
    comparison.save(update_fields=["article"])
    settle(comparison, planner)
    request = approval.ask(comparison, actor=planner)
    approval.decide(request, actor=second, verdict="approved")
    assert stands(planner) == ("Approved, being published", "Wait for the edition", "")
    jobs.drain()
    assert stands(planner) == ("Published as edition 1", "", "")
    touch(comparison, planner)
    assert stands(planner)[0] == "Changed since it was evaluated"


def test_work_that_failed_is_told_with_its_reason(cast, signed_in, monkeypatch):
    comparison = import_small()
    evaluation.ask_for_evaluation(comparison, actor=cast["planner"])

    def fails(job):
        raise ValueError("the study has no legs")

    monkeypatch.setitem(jobs.HANDLERS, "evaluate", fails)
    jobs.drain()
    assert stands(cast["planner"]) == ("Not evaluated yet", "Put right what is wrong, then evaluate", "evaluate")
    text = text_of(signed_in("planner").get("/desk/strings/"))
    assert "The evaluation failed. ValueError: the study has no legs" in text


def test_the_list_says_where_everything_stands(cast, signed_in):
    published(cast)
    import_small("cords")
    text = text_of(signed_in("planner").get("/desk/"))
    assert "Strings, cords cords At the bench 32 of 32 specimens measured in 4 trials Not evaluated yet" in text
    assert "Published edition 1," in text and "Published as edition 1" in text
    assert text.index("Strings, cords") < text.index("Strings, strings")  # what asks for something comes first


def queries(client, path: str) -> list[str]:
    cache.clear()
    with CaptureQueriesContext(connection) as caught:
        assert client.get(path).status_code == 200
    return [q["sql"] for q in caught.captured_queries]


def test_the_list_takes_a_fixed_number_of_queries(cast, signed_in):
    published(cast)
    import_small("cords")
    client = signed_in("planner")
    few = queries(client, "/desk/")
    # session, user, the user's roles; comparisons, standings, jobs, requests; programmes, last events; and of
    # what is counted: products, trials, places, readings, absences, claims, comparisons
    assert len(few) == 16, few
    for i in range(6):
        import_small(f"more-{i}")
    evaluated("laces")
    assert len(queries(client, "/desk/")) == 16
    with CaptureQueriesContext(connection) as again:
        client.get("/desk/")
    assert len(again) == 9  # what was counted is kept until the record names a later event


PAGES = ["", "results/", "results/pull/", "results/lit/", "results/knot/", "judged/", "changes/", "bench/",
         "record/", "scorecard/", "state/"]  # fmt: skip


@pytest.mark.parametrize("path", [*(f"/desk/{{}}/{page}" for page in PAGES), "/api/comparisons/{}/draft/"])
def test_a_draft_takes_a_fixed_number_of_queries(cast, signed_in, path):
    evaluated("cords", products=2, per_unit=1)
    evaluated("laces", products=6, units=3, per_unit=4)
    client = signed_in("planner")
    few, many = queries(client, path.format("cords")), queries(client, path.format("laces"))
    assert len(few) == len(many), (few, many)


def test_the_draft_page_is_built_once_for_a_state(cast, signed_in):
    comparison = evaluated()
    client = signed_in("planner")
    first = queries(client, "/desk/strings/results/pull/")
    with CaptureQueriesContext(connection) as caught:
        client.get("/desk/strings/results/pull/")
    sql = [q["sql"] for q in caught.captured_queries]
    assert len(sql) < len(first) - 20
    # nothing large is read again: neither the document nor readings
    assert not [q for q in sql if q.startswith('SELECT "specimens_reading"') or '"document"' in q], sql
    touch(comparison, cast["bench-member"])
    with CaptureQueriesContext(connection) as changed:
        client.get("/desk/strings/results/pull/")
    assert len(changed) > len(caught)


def test_the_results_page_holds_the_documents_numbers(cast, signed_in):
    evaluated()
    document = json.loads(Standing.objects.get().evaluation.document)
    text = text_of(signed_in("bench-member").get("/desk/strings/results/"))
    for row in document["summaries"]:
        assert f"{row['mean']:.1f}"[:3] in text
    assert "To look at before you ask for approval" in text
    assert "Uncertainty budgets" in text
    # a bench member is offered nothing to decide
    assert "<form" not in signed_in("bench-member").get("/desk/strings/").content.decode().split("</header>")[2]


def test_stale_results_are_marked(cast, signed_in):
    comparison = evaluated()
    client = signed_in("planner")
    assert "Stale." not in text_of(client.get("/desk/strings/"))
    touch(comparison, cast["bench-member"])
    for page in ("", "scorecard/", "results/", "results/pull/", "judged/", "changes/"):
        assert "Stale." in text_of(client.get(f"/desk/strings/{page}")), page


def test_evaluating_goes_to_the_queue_and_the_page_waits(cast, signed_in):
    import_small()
    client = signed_in("planner")
    page = client.get("/desk/strings/")
    assert "Next: Evaluate." in text_of(page)
    assert "No results yet" in text_of(client.get("/desk/strings/results/"))
    answer = client.post("/desk/strings/evaluate/", follow=True)
    html = answer.content.decode()
    assert "The evaluation is under way." in html
    assert 'data-waits="/desk/strings/state/"' in html and "js/waiting.js" in html
    assert 'href="/desk/strings/">Look again</a>' in html  # the way without a script
    assert client.get("/desk/strings/state/").json() == {"waiting": True, "state": "Waiting to be evaluated"}
    jobs.drain()
    assert client.get("/desk/strings/state/").json() == {"waiting": False, "state": "Evaluated"}
    again = client.get("/desk/strings/").content.decode()
    assert "data-waits" not in again and "js/waiting.js" not in again


def test_asking_and_approving_take_two_people(cast, signed_in):
    settle(evaluated(), cast["planner"])
    client = signed_in("editor")
    html = client.get("/desk/strings/").content.decode()
    assert '<a href="/desk/strings/check/">Look at what is open, then ask for approval</a>' in html
    html = client.post("/desk/strings/ask/", {"note": "Ready."}, follow=True).content.decode()
    assert "An editor is asked to approve this state." in html
    request = ApprovalRequest.objects.get()
    decision = {"request": request.pk, "verdict": "approved", "reason": ""}
    html = client.post("/desk/strings/decide/", decision, follow=True).content.decode()
    assert "You asked for this approval: another editor has to decide on it." in html
    assert not Approval.objects.exists()
    client = signed_in("second-editor")
    page = client.get("/desk/strings/").content.decode()
    assert "Ready." in page and f'name="request" value="{request.pk}"' in page
    html = client.post("/desk/strings/decide/", decision, follow=True).content.decode()
    assert "Approved: the edition is being published." in html
    jobs.drain()
    assert Edition.objects.get().number == 1
    assert "Published as edition 1" in text_of(client.get("/desk/strings/"))


def test_returning_needs_a_reason_and_shows_it(cast, signed_in):
    comparison = evaluated()
    settle(comparison, cast["planner"])
    request = approval.ask(comparison, actor=cast["planner"])
    client = signed_in("editor")
    decision = {"request": request.pk, "verdict": "returned", "reason": " "}
    answer = client.post("/desk/strings/decide/", decision, follow=True)
    assert "Say why you return it, so that it can be put right." in text_of(answer)
    client.post("/desk/strings/decide/", decision | {"reason": "A claim lacks its photo."})
    assert "editor returned it: A claim lacks its photo." in text_of(signed_in("planner").get("/desk/strings/"))


@pytest.mark.parametrize(
    ("verb", "name", "line"),
    [
        ("evaluate", "bench-member", "Only a planner or an editor can ask for an evaluation"),
        ("ask", "bench-member", "Only a planner or an editor can ask for approval"),
        ("ask", "planner", "The draft has changed since it was evaluated"),
    ],
)
def test_a_refusal_is_one_clear_line(cast, signed_in, verb, name, line):
    touch(evaluated(), cast["bench-member"])
    answer = signed_in(name).post(f"/desk/strings/{verb}/", follow=True)
    html = answer.content.decode()
    assert len(re.findall(r'role="alert"', html)) == 1
    assert line in " ".join("".join(Outline(html).text).split())


@pytest.mark.parametrize("shown", ["", "x", "0", "99999999999999999999"])
def test_a_request_that_is_none_is_not_found(cast, signed_in, shown):
    evaluated()
    answer = signed_in("editor").post("/desk/strings/decide/", {"request": shown, "verdict": "approved"})
    assert answer.status_code == 404


def test_a_request_of_another_comparison_is_not_found(cast, signed_in):
    evaluated("cords")
    comparison = evaluated()
    settle(comparison, cast["planner"])
    request = approval.ask(comparison, actor=cast["planner"])
    answer = signed_in("editor").post("/desk/cords/decide/", {"request": request.pk, "verdict": "approved"})
    assert answer.status_code == 404
    assert not Approval.objects.exists()


def test_charts_of_the_draft_hold_its_numbers(cast, signed_in):
    evaluated()
    document = json.loads(Standing.objects.get().evaluation.document)
    client = signed_in("planner")
    figure = client.get("/desk/strings/charts/ranking-all.json").json()
    ranked = sorted((r for r in document["scorecards"][0]["products"] if r["rank"]), key=lambda r: r["rank"])
    assert figure["data"][0]["x"] == [r["score"] for r in ranked]
    assert client.get("/desk/strings/charts/none.json").status_code == 404


def test_a_claim_of_disagreeing_sources_is_previewed(cast, signed_in):
    tables = small_study()
    claims = list(tables["claims"].rows())
    claims.append(claims[0] | {"claim": "p00-shop", "value": "40", "source": "shop listing"})
    comparison, _new = import_tables(tables.replace({"claims": table("claims", claims)}))
    evaluation.run_evaluation(comparison)
    text = text_of(signed_in("editor").get("/desk/strings/results/"))
    assert text.count("No statement: sources disagree") == text.count("if this source governed:") == 2
    assert "String 00: sources disagree on breaking force, and none governs." in text


def test_drafts_are_never_kept_by_others(cast, signed_in):
    evaluated()
    client = signed_in("planner")
    for path in ("/desk/", "/desk/record/", "/desk/search/?q=pull", *(f"/desk/strings/{page}" for page in PAGES)):
        response = client.get(path)
        assert "no-store" in response["Cache-Control"] and "private" in response["Cache-Control"]
        outline = Outline(response.content.decode())
        assert not [attrs for _, attrs in outline.elements if "style" in attrs]
        assert "unsafe" not in response["Content-Security-Policy"]


def test_an_unknown_comparison(signed_in):
    client = signed_in("planner")
    for path in (*(f"/desk/none/{page}" for page in PAGES), "/api/comparisons/none/draft/"):
        assert client.get(path).status_code == 404
    for verb in ("evaluate", "ask", "decide"):
        assert client.post(f"/desk/none/{verb}/").status_code == 404


def test_the_api_tells_what_is_published_and_the_draft_to_the_team(client, cast, signed_in):
    edition = published(cast)
    touch(edition.comparison, cast["bench-member"])
    (told,) = client.get("/api/comparisons/").json()
    assert told["slug"] == "strings" and told["edition"] == 1 and told["sha256"] == edition.sha256
    answer = client.get("/api/comparisons/strings/results/")
    assert answer.content == bytes(edition.results)
    again = client.get("/api/comparisons/strings/results/", headers={"if-none-match": answer["ETag"]})
    assert again.status_code == 304
    assert client.get("/api/comparisons/none/results/").status_code == 404
    draft = signed_in("planner").get("/api/comparisons/strings/draft/").json()
    assert draft["fresh"] is False
    assert draft["results"] == json.loads(bytes(edition.results))


@pytest.mark.parametrize("path", ["/api/comparisons/", "/api/comparisons/strings/results/"])
def test_the_public_api_takes_two_queries_at_most(client, cast, path):
    published(cast)
    few = queries(client, path)
    published(cast, "cords")
    assert len(queries(client, path)) == len(few) <= 2

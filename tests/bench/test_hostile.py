"""Forged and clumsy messages: what is of another programme, borrowed names, markup, numbers beyond proportion."""

from __future__ import annotations

import json
import re

import pytest
from django.test import Client

from specimens.bench import cutting, pack
from specimens.models import Attachment, Reading, Submission, Void
from tests.bench.staging import make_stage
from tests.bench.test_photos import coded, picture


@pytest.fixture
def other(stage):
    """Another programme of the same team, with a reading."""
    made = make_stage(people=False)
    made.people = stage.people
    return made


def signed_in(stage, who) -> Client:
    client = Client()
    client.force_login(stage.people[who], backend="django.contrib.auth.backends.ModelBackend")
    return client


def test_what_is_of_another_programme_cannot_be_named(stage, other, send):
    ours, theirs = stage.plan("force"), other.plan("force")
    entry = other.entry("force", theirs[0].specimen, "20")
    send(entry)
    named = [entry["id"], Reading.objects.get().code]
    why = {"replace_reason": "typo", "reason": "typo"}
    forged = [
        stage.entry("force", theirs[0].specimen, "21"),
        *(stage.entry("force", ours[0].specimen, "21", replaces=key, **why) for key in named),
        *(stage.other("void", "force", reading=key, **why) for key in named),
        stage.other("photo", "force", specimen=ours[0].specimen.blind_code, entry=entry["id"], data=coded(picture())),
        stage.other("exposure_start", "aged", specimens=[theirs[0].specimen.blind_code], confirmed=True),
    ]  # fmt: skip
    assert [answer["status"] for answer in send(*forged)] == ["refused"] * len(forged)
    assert (Reading.objects.count(), Void.objects.count(), Attachment.objects.count()) == (1, 0, 0)


def test_a_run_of_another_trial_is_not_taken_for_ones_own(stage, send):
    ours = stage.plan("force")
    stage.plan("pull")
    first, second = (stage.other("run", code, reason="new jaws", carry="none") for code in ("force", "pull"))
    send(first, second)
    (answer,) = send(stage.entry("force", ours[0].specimen, "20", run=second["id"]))
    assert (answer["status"], "another trial" in answer["text"]) == ("refused", True)


def test_a_reading_in_a_run_that_was_refused_is_kept_and_told(stage, send):
    places = stage.plan("force")
    run = stage.other("run", "force", reason="", carry="none")
    entry = stage.entry("force", places[0].specimen, "20", run=run["id"])
    assert [answer["status"] for answer in send(run, entry)] == ["refused", "stored"]
    assert "new run that it was taken in was refused" in Reading.objects.get().decision


MARKUP = "<script>alert(1)</script><img src=x onerror=alert(2)>"


def test_markup_that_is_typed_stays_text(stage, send):
    """In notes, reasons, names of tablets, raters, files and decisions, on every page that shows them."""
    places = stage.plan("force")
    stage.plan("edge", raters=["bea", MARKUP[:90]])
    entries = [
        stage.entry("force", place.specimen, value, note=MARKUP, decision=MARKUP, operator=MARKUP[:90])
        for place, value in zip(places, ("20", "21", "x" + MARKUP), strict=False)
    ]
    send(*entries, tablet=MARKUP[:70])
    void = stage.other("void", "force", reading=entries[0]["id"], reason=MARKUP)
    send(void, stage.other("run", "force", reason=MARKUP))
    slug, client = stage.programme.slug, signed_in(stage, "planner")
    seen = ""
    for path in (
        "/bench/", f"/bench/trials/{slug}/force/", f"/bench/plan/{slug}/force/", f"/bench/plan/{slug}/edge/",
        f"/bench/progress/{slug}/", f"/bench/plan/{slug}/edge/sheet/", f"/bench/plan/{slug}/force/labels/",
    ):
        page = client.get(path)
        assert page.status_code == 200
        seen += page.content.decode()
    assert "alert(1)" in seen and "<script>alert" not in seen and "<img src=x" not in seen


@pytest.mark.parametrize("number", ["1e400", "-1e400", "9" * 10_000, "1" + "0" * 400 + ".5"])
def test_a_bare_number_beyond_proportion_costs_the_other_entries_nothing(stage, number):
    """JSON has no largest number; its own entry is refused, and is kept on the record as it was typed."""
    places = stage.plan("force")
    bad, good = stage.entry("force", places[0].specimen), stage.entry("force", places[1].specimen, "20")
    text = json.dumps({"tablet": "t", "entries": [bad | {"value": "VALUE", "order": 1}, good]})
    body = text.replace('"VALUE"', number)
    answer = signed_in(stage, "bench").post("/bench/submit/", body, content_type="application/json")
    assert [one["status"] for one in answer.json()["answers"]] == ["refused", "stored"]
    kept = Submission.objects.get(pk=bad["id"])
    assert kept.status == "refused" and number[:20] in json.dumps(kept.content)


def test_200_entries_are_taken_and_201_are_not(stage, send):
    places = stage.plan("force", replicates=40)
    entries = [stage.entry("force", place.specimen, "20") for place in places[:200]]
    assert {answer["status"] for answer in send(*entries)} == {"stored"}
    assert "at most 200" in send(*entries, entries[0] | {"id": "x"}, status=400)["error"]


def test_what_does_not_count_is_no_sibling_to_suspect_by(stage, send):
    """Readings that broke in the jaw, which the method does not count, say nothing of what is usual."""
    alder = [p.specimen for p in stage.plan("pull", replicates=6) if p.specimen.unit.product == stage.products["alder"]]
    send(*(stage.entry("pull", one, value, failure_mode="jaw") for one, value in
           zip(alder, ("3.1", "3.2", "3.0", "3.1"), strict=False)))
    (answer,) = send(stage.entry("pull", alder[4], "31"))
    assert "factor" not in [slip["kind"] for slip in answer["slips"]]
    send(*(stage.entry("pull", one, "31") for one in alder[5:7]))
    (answer,) = send(stage.entry("pull", alder[7], "3.1"))
    assert "factor" in [slip["kind"] for slip in answer["slips"]]


def test_the_list_of_cuts_does_not_unblind_who_measures(stage):
    """A bench member reads how many to cut of a blind trial, and the planner which code goes on which unit."""
    blind = {place.specimen.blind_code for place in stage.plan("pull")}
    told = {place.specimen.blind_code for place in stage.plan("force")}
    page = {who: signed_in(stage, who).get(f"/bench/cut/{stage.programme.slug}/").content.decode()
            for who in ("bench", "planner")}
    shown = {who: set(re.findall(r"\b[0-9A-Z]{5}\b", text)) for who, text in page.items()}
    assert blind | told <= shown["planner"]
    assert told <= shown["bench"] and not blind & shown["bench"]
    assert "2 for pull, which is blind" in page["bench"]
    assert sum(row.count for row in cutting.of_programme(stage.programme, blind_told=False)) == 24


def test_no_page_tells_a_bench_member_the_product_of_a_blind_specimen(stage, send):
    places = stage.plan("pull")
    send(*(stage.entry("pull", place.specimen, "20") for place in places[:3]))
    slug, client = stage.programme.slug, signed_in(stage, "bench")
    makers = {str(product.product) for product in stage.products.values()} | set(stage.products)
    for path in (
        f"/bench/trials/{slug}/pull/", f"/bench/plan/{slug}/pull/", f"/bench/plan/{slug}/pull/labels/",
        f"/bench/plan/{slug}/pull/sheet/", f"/bench/progress/{slug}/", f"/bench/traces/{slug}/pull/",
        "/bench/conditioning/",
    ):
        text = client.get(path).content.decode()
        assert not [maker for maker in makers if maker in text], path
    assert pack.build(stage.bench("pull"), stage.people["bench"])["products"] == []

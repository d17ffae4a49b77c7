"""Panels: own orders, blind to one another, and a third look where ratings lie far apart."""

from __future__ import annotations

import pytest
from django.test import Client

from comparisons.models import ComparisonProgramme, Event
from comparisons.services.evaluation import run_evaluation
from specimens.bench import pack, panels, planning
from specimens.bench.errors import Refused
from specimens.models import Conflict, Reading, Void
from tests.public.small_study import import_small


@pytest.fixture
def places(stage):
    return stage.plan("edge", raters=["bea", "ben", "pat"])


def own(places, rater):
    return [place.specimen for place in places if place.rater == rater]


def get(stage, who, path):
    client = Client()
    client.force_login(stage.people[who], backend="django.contrib.auth.backends.ModelBackend")
    return client.get(path)


def test_each_rater_has_all_specimens_in_an_order_of_their_own(stage, places):
    orders = {rater: own(places, rater) for rater in ("bea", "ben", "pat")}
    assert len(places) == 36
    assert {frozenset(order) for order in orders.values()} == {frozenset(orders["bea"])}
    assert orders["bea"] != orders["ben"] != orders["pat"] != orders["bea"]


def test_a_rater_sees_own_ratings_only(stage, send, places):
    specimen = own(places, "bea")[0]
    send(stage.entry("edge", specimen, "3"))
    send(stage.entry("edge", specimen, "7"), by="other")
    for who, value in (("bench", "3"), ("other", "7")):
        document = pack.build(stage.bench("edge"), stage.people[who])
        assert document["panel"]
        assert [reading["value"] for reading in document["readings"]] == [value]
        assert sum(row["done"] for row in document["specimens"]) == 1
        assert all(row["hint"] == "" and "group" not in row and row["code"] == "" for row in document["specimens"])
    assert pack.build(stage.bench("edge"), stage.people["planner"])["readings"] == []


def test_nobody_sees_ratings_on_the_pages_until_all_are_in(stage, send, places):
    slug = stage.programme.slug
    rated = [*own(places, "bea")]
    for specimen in rated:
        send(stage.entry("edge", specimen, "8.25"))
        send(stage.entry("edge", specimen, "8.75"), by="other")
    for path in (f"/bench/progress/{slug}/", f"/bench/plan/{slug}/edge/"):
        page = get(stage, "planner", path).content.decode()
        assert "8.25" not in page and "8.75" not in page
        assert "hidden until" in page
    for specimen in rated:
        send(stage.entry("edge", specimen, "8"), by="planner")
    assert panels.is_complete(stage.trials["edge"])
    assert "8.25" in get(stage, "planner", f"/bench/progress/{slug}/").content.decode()


def test_two_raters_three_steps_apart_are_asked_for_another_look(stage, send, places):
    specimen = own(places, "bea")[0]
    first = stage.entry("edge", specimen, "3")
    send(first)
    send(stage.entry("edge", specimen, "5"), by="planner")
    assert not Conflict.objects.exists(), "not before all have rated it"
    (answer,) = send(stage.entry("edge", specimen, "6"), by="other")
    assert "another look" in answer["text"]
    pair = Conflict.objects.get()
    assert (pair.kind, pair.first.value, pair.second.value) == ("apart", "3", "6")
    asked = []
    for who in ("bench", "other", "planner"):
        rows = pack.build(stage.bench("edge"), stage.people[who])["specimens"]
        asked.append([row["blind_code"] for row in rows if row["again"]])
    assert asked == [[specimen.blind_code], [specimen.blind_code], []]
    words = pack.build(stage.bench("edge"), stage.people["bench"])["specimens"]
    assert not any("6" in row["again"] for row in words), "the other's rating is not told"
    send(stage.entry("edge", specimen, "4", replaces=first["id"], replace_reason=panels.AGAIN_REASON))
    mine = pack.build(stage.bench("edge"), stage.people["bench"])["specimens"]
    assert not any(row["again"] for row in mine)
    assert Conflict.objects.count() == 1, "asked once: what they give then stands"
    live = sorted(r.value for r in panels.live_ratings(stage.trials["edge"]))
    assert live == ["4", "5", "6"], "no rating was averaged or dropped"


def test_a_third_look_is_taken_without_the_others_ratings(stage, send, places):
    """Until both have looked again, or the planner has settled it, the panel is not done, and nothing is shown."""
    slug = stage.programme.slug
    first, *rest = own(places, "bea")
    given = {who: stage.entry("edge", first, value) for who, value in (("bench", "2.25"), ("other", "7.75"))}
    for who, entry in given.items():
        send(entry, by=who)
    send(stage.entry("edge", first, "5"), by="planner")
    for specimen in rest:
        for who in ("bench", "other", "planner"):
            send(stage.entry("edge", specimen, "5"), by=who)
    trial = stage.trials["edge"]

    def shown() -> bool:
        pages = [get(stage, "bench", path).content.decode() for path in
                 (f"/bench/progress/{slug}/", f"/bench/plan/{slug}/edge/")]
        return any(value in page for page in pages for value in ("2.25", "7.75"))

    assert (panels.is_complete(trial), panels.unfinished([stage.programme.pk]), shown()) == (
        False, {trial.pk: "edge"}, False,
    )  # fmt: skip
    why = {"replace_reason": panels.AGAIN_REASON}
    send(stage.entry("edge", first, "6", replaces=given["bench"]["id"], **why))
    assert not panels.is_complete(trial) and not shown()
    send(stage.entry("edge", first, "7", replaces=given["other"]["id"], **why), by="other")
    assert panels.is_complete(trial) and panels.unfinished([stage.programme.pk]) == {}
    assert shown(), "what was given first stays in sight"


def test_what_was_refused_or_came_twice_does_not_tell_a_rating(stage, send, places):
    slug = stage.programme.slug
    specimen, entry = own(places, "bea")[0], stage.entry("edge", own(places, "bea")[0], "3.125")
    send(entry, stage.entry("edge", specimen, "11.375"))
    send(entry | {"value": "4.625"})
    page = get(stage, "other", f"/bench/progress/{slug}/").content.decode()
    plan = get(stage, "planner", f"/bench/plan/{slug}/edge/").content.decode()
    assert not [value for value in ("3.125", "11.375", "4.625") if value in page + plan]


def test_results_of_a_draft_are_kept_from_those_who_may_rate(stage, send, places):
    """A bench member, and whoever is on the panel, sees none; a planner or an editor beside it does."""
    assert {who: panels.held_from(stage.people[who], [stage.programme.pk]) for who in stage.people} == {
        "bench": ["edge"], "other": ["edge"], "planner": ["edge"], "editor": [], "stranger": ["edge"],
        "operator": ["edge"],
    }  # fmt: skip
    for rater, who in (("bea", "bench"), ("ben", "other"), ("pat", "planner")):
        for specimen in own(places, rater):
            send(stage.entry("edge", specimen, "5"), by=who)
    assert not any(panels.held_from(person, [stage.programme.pk]) for person in stage.people.values())


def test_the_desk_says_why_results_are_kept_back(stage, send, places, client):
    """No page, figure or document of the draft shows ratings of a panel that is under way to who may rate."""
    comparison = import_small("strings")
    ComparisonProgramme.objects.create(comparison=comparison, programme=stage.programme, prefix="x-")
    run_evaluation(comparison)
    paths = ("/desk/strings/", "/desk/strings/results/", "/desk/strings/scorecard/", "/api/comparisons/strings/draft/")

    def answers(who):
        client.force_login(stage.people[who], backend="django.contrib.auth.backends.ModelBackend")
        return [client.get(path, follow=True) for path in paths]

    for who in ("bench", "planner"):
        found = answers(who)
        assert [answer.status_code for answer in found] == [200, 200, 200, 404]
        for answer in found[:3]:
            assert answer.context.get("page") is None
            assert "panel of trial edge" in " ".join(answer.content.decode().split())
    assert [answer.status_code for answer in answers("editor")] == [200] * 4


def test_the_record_says_that_somebody_rated_and_not_what(stage, send, places):
    send(stage.entry("edge", own(places, "bea")[0], "3.125", note="a burr"))
    event = Event.objects.get(verb="measured")
    assert (event.after, event.actor, event.changes_draft) == ({"trial": "edge"}, stage.people["bench"], True)


def test_a_rating_sent_in_by_another_account_is_told(stage, send, places):
    entry = stage.entry("edge", own(places, "bea")[0], "3", operator="bea", rater="bea")
    (answer,) = send(entry, by="other")
    assert (answer["status"], [slip["kind"] for slip in answer["slips"]]) == ("stored", ["other_account"])
    assert "sent in by ben" in Reading.objects.get().decision


def test_nobody_voids_anothers_rating_under_a_borrowed_name(stage, send, places):
    entry = stage.entry("edge", own(places, "bea")[0], "3")
    send(entry)
    void = stage.other("void", "edge", reading=entry["id"], reason="not mine", operator="bea")
    assert "another rater's" in send(void, by="other")[0]["text"]
    assert not Void.objects.exists()


def test_two_steps_apart_are_not_far(stage, send, places):
    specimen = own(places, "bea")[0]
    for who, value in (("bench", "3"), ("planner", "4"), ("other", "5")):
        send(stage.entry("edge", specimen, value), by=who)
    assert not Conflict.objects.exists()


def test_a_second_rating_by_the_same_rater_is_kept_and_does_not_count(stage, send, places):
    """A study may hold one live rating of a specimen by a rater: a second would spoil its export."""
    specimen = own(places, "bea")[0]
    send(stage.entry("edge", specimen, "3"))
    (answer,) = send(stage.entry("edge", specimen, "4"), tablet="tablet-2")
    assert "both readings are kept" in answer["text"]
    assert sorted(Reading.objects.values_list("value", flat=True)) == ["3", "4"]
    assert Void.objects.get().reading.value == "4"
    assert Conflict.objects.get().kind == "twice"


def test_different_raters_of_one_specimen_are_no_conflict(stage, send, places):
    specimen = own(places, "bea")[0]
    send(stage.entry("edge", specimen, "3"))
    (answer,) = send(stage.entry("edge", specimen, "4"), by="other", tablet="tablet-2")
    assert answer["slips"] == []
    assert not Conflict.objects.exists()


def test_only_the_rater_or_a_planner_voids_a_rating(stage, send, places):
    entry = stage.entry("edge", own(places, "bea")[0], "3")
    send(entry)
    void = stage.other("void", "edge", reading=entry["id"], reason="not mine")
    assert "another rater's" in send(void, by="other")[0]["text"]
    assert send(stage.other("void", "edge", reading=entry["id"], reason="wrong sample"))[0]["status"] == "stored"


def test_somebody_who_is_not_on_the_panel_is_told(stage, send, places):
    (answer,) = send(stage.entry("edge", own(places, "bea")[0], "3"), by="editor")
    assert "edi is not on this panel" in answer["text"]


def test_one_more_rater_gets_an_order_of_their_own(stage, places):
    made = planning.add_rater(stage.bench("edge"), "edi", actor=stage.people["planner"])
    assert [place.position for place in made] == list(range(1, 13))
    assert {place.specimen for place in made} == set(own(places, "bea"))
    with pytest.raises(Refused, match="not on the panel yet"):
        planning.add_rater(stage.bench("edge"), "edi", actor=stage.people["planner"])


def test_a_panel_only_rates(stage):
    with pytest.raises(Refused, match="no rating"):
        stage.plan("force", raters=["bea"])

"""Panels: own orders, blind to one another, and a third look where ratings lie far apart."""

from __future__ import annotations

import pytest
from django.test import Client

from specimens.bench import pack, panels, planning
from specimens.bench.errors import Refused
from specimens.models import Conflict, Reading, Void


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

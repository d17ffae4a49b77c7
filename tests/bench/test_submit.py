"""What tablets send is taken once, whatever is doubled, reordered or replayed; nothing is lost."""

from __future__ import annotations

import random
import uuid
from datetime import datetime, timedelta

import pytest
from django.db import OperationalError
from django.test import Client
from django.utils import timezone

from comparisons.models import Event
from specimens.bench import entries, readings
from specimens.models import Conflict, Reading, Specimen, Submission, Void
from tests.bench.staging import stamp


@pytest.fixture
def places(stage):
    return stage.plan("force")


def test_a_reading_is_stored_as_typed_with_who_when_and_which_gauge(stage, send, places):
    specimen = places[0].specimen
    at = stamp(minutes=2)
    entry = stage.entry(
        "force", specimen, "3.40", unit="lbf", instrument="stand", note="by the window", made_at=at, bound=">"
    )
    (answer,) = send(entry)
    assert answer["status"] == "stored"
    reading = Reading.objects.get()
    assert answer["reading"] == reading.code == f"b-{uuid.UUID(entry['id']).hex[:12]}"
    assert (reading.value, reading.unit_of_measure, reading.bound) == ("3.40", "lbf", ">")
    assert (reading.operator, reading.note) == ("bea", "by the window")
    assert reading.instrument.name.startswith("stand")
    assert (reading.specimen, reading.unit, reading.product) == (
        specimen, specimen.unit, specimen.unit.product
    )  # fmt: skip
    assert reading.taken_at_text == at
    assert reading.received_at > reading.taken_at
    assert reading.converted.value == pytest.approx(3.40 * 4.4482216152605)  # NIST SP 811, B.8
    assert reading.converted.unit == "N"
    event = Event.objects.filter(verb="measured").get()
    assert (event.code, event.actor_name, event.changes_draft) == (reading.code, "bea", True)


def test_200_readings_doubled_and_reordered_are_200(stage, send):
    """Messages of all sizes, some lost before and some after the server took them, all sent again at random."""
    chance = random.Random(20260302)
    plan = stage.plan("force", replicates=34, blocking="none")[:200]
    made = [
        stage.entry("force", place.specimen, str(10 + i / 10), made_at=stamp(seconds=400 - i))
        for i, place in enumerate(plan)
    ]
    waiting = {entry["id"]: entry for entry in made}
    seen: dict[str, set[str]] = {entry["id"]: set() for entry in made}
    while waiting:
        batch = chance.choices(list(waiting.values()), k=chance.randint(1, 60))  # with repeats in one message
        batch += chance.choices(made, k=10)  # and some that were answered long ago
        chance.shuffle(batch)
        answers = send(*batch)
        if chance.random() < 0.4:
            continue  # the answer is lost on its way: the tablet sends again
        for entry, answer in zip(batch, answers, strict=True):
            assert answer["id"] == entry["id"]
            seen[entry["id"]].add(answer["status"])
            waiting.pop(entry["id"], None)
    assert all(statuses <= {"stored", "already"} for statuses in seen.values())
    assert Reading.objects.count() == Submission.objects.count() == 200
    assert {(r.specimen_id, r.value) for r in Reading.objects.all()} == {
        (place.specimen_id, entry["value"]) for place, entry in zip(plan, made, strict=True)
    }
    in_order = sorted(Reading.objects.all(), key=lambda r: float(r.order))
    assert [r.value for r in in_order] == [entry["value"] for entry in made], "the order in which they were taken"
    assert len({r.order for r in in_order}) == 200
    assert not Conflict.objects.exists()


def test_a_repeat_gets_the_first_answer(stage, send, places):
    entry = stage.entry("force", places[0].specimen, "4000")
    (first,) = send(entry)
    (again,) = send(dict(reversed(entry.items())))  # the same content in another order of keys
    assert again == first | {"status": "already"}
    assert "plausible" in first["text"]


def test_a_replay_with_other_content_is_refused_reported_and_the_first_kept(stage, send, places):
    entry = stage.entry("force", places[0].specimen, "12.5")
    send(entry)
    (answer,) = send(entry | {"value": "99"}, tablet="tablet-2")
    assert answer["status"] == "differs"
    assert "other content" in answer["text"]
    (answer,) = send(entry | {"value": "99"}, tablet="tablet-2")
    assert answer["status"] == "differs"
    assert Reading.objects.get().value == "12.5"
    conflict = Conflict.objects.get()  # reported once, however often it comes
    assert conflict.kind == "other_content"
    assert conflict.content["value"] == "99"
    assert conflict.first.value == "12.5"
    assert send(entry)[0]["status"] == "already"


def test_two_tablets_that_measured_one_specimen_keep_both(stage, send, places):
    specimen = places[0].specimen
    send(stage.entry("force", specimen, "12.5"))
    (answer,) = send(stage.entry("force", specimen, "12.9"), by="other", tablet="tablet-2")
    assert answer["status"] == "stored"
    assert "measured already by bea" in answer["text"]
    assert "planner" in answer["text"]
    assert [r.value for r in Reading.objects.order_by("pk")] == ["12.5", "12.9"]
    conflict = Conflict.objects.get()
    assert (conflict.first.value, conflict.second.value, conflict.specimen) == ("12.5", "12.9", specimen)
    assert conflict.seen_at is None


def test_a_repeat_on_purpose_by_one_person_is_told_and_is_no_conflict(stage, send, places):
    specimen = places[0].specimen
    send(stage.entry("force", specimen, "12.5"))
    (answer,) = send(stage.entry("force", specimen, "12.6", decision="repeat on purpose"))
    assert [slip["kind"] for slip in answer["slips"]] == ["already"]
    assert not Conflict.objects.exists()
    assert Reading.objects.get(value="12.6").decision.endswith("Decided: repeat on purpose")


def test_one_entry_that_is_nonsense_costs_the_others_nothing(stage, send, places):
    good = [stage.entry("force", place.specimen, "12.5") for place in places[:3]]
    bad = stage.entry("force", places[3].specimen, "twelve")
    answers = send(good[0], bad, good[1], {"id": "no uuid", "kind": "reading"}, 7, good[2])
    assert [a["status"] for a in answers] == ["stored", "refused", "stored", "refused", "refused", "stored"]
    assert Reading.objects.count() == 3


def test_what_is_refused_is_kept_on_the_record(stage, send, places):
    entry = stage.entry("force", places[0].specimen, "1,5", note="keep me")
    (answer,) = send(entry)
    sent = Submission.objects.get()
    assert (sent.status, sent.content["note"], sent.trial) == ("refused", "keep me", stage.trials["force"])
    assert sent.answer["text"] == answer["text"]
    assert send(entry)[0] == answer, "the same again: the same answer"


BAD = {
    "text in a number": ("twelve", "no number"),
    "a comma": ("1,5", "with a point, not a comma"),
    "nothing": ("", "blank"),
    "beyond all proportion": ("1e400", "out of all proportion"),
    "next to nothing": ("1e-999", "out of all proportion"),
    "not a number": ("NaN", "no number"),
    "infinite": ("inf", "no number"),
    "10,000 digits": ("1" * 10_000, "10,000 characters"),
    "underscores": ("1_000", "no number"),
    "other digits": ("１２", "no number"),
    "a formula": ("=1+1", "no number"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_value_that_is_none_is_refused_in_words(stage, send, places, name):
    value, says = BAD[name]
    (answer,) = send(stage.entry("force", places[0].specimen, value))
    assert answer["status"] == "refused"
    assert says in answer["text"]
    assert len(answer["text"]) < 200
    assert not Reading.objects.exists()


@pytest.mark.parametrize("value", ["1.5", "1.50", ".5", "12.", "-3", "+4", "1e2", "0"])
def test_a_number_is_kept_as_typed(stage, send, places, value):
    (answer,) = send(stage.entry("force", places[0].specimen, value))
    assert answer["status"] == "stored"
    assert Reading.objects.get().value == value


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"unit": "mm"}, "a length, expected a force"),
        ({"unit": "lb"}, "write lbf if a force is meant"),
        ({"unit": "parsnip"}, "not known"),
        ({"instrument": "calliper"}, "expected an instrument for Force in N"),
        ({"instrument": "none such"}, "There is no instrument"),
        ({"failure_mode": "jaw"}, "expected one that the trial's method codes"),
        ({"bound": ">="}, "expected >, < or none"),
        ({"specimen": "K7FHX"}, "mistyped"),
        ({"specimen": "no-such-one"}, "cannot stand"),
        ({"specimen": None}, "expected the code on its label"),
        ({"trial": "clamps/none"}, "There is no trial"),
        ({"trial": 7}, "There is no trial"),
        ({"value": 12.5}, "did not come as text"),
        ({"note": "x" * 5000}, "at most 2,000"),
        ({"note": "a\x00b"}, "cannot be kept"),
        ({"replaces": "b-none", "replace_reason": "typo"}, "There is no reading"),
        ({"run": "r7"}, "There is no run"),
        ({"dimensions": [{"trial": "width", "value": "20"}]}, "Found the dimension"),
        ({"kind": "photograph"}, "not known"),
        ({"note": "x" * 30_000}, "out of all proportion"),
    ],
)
def test_what_does_not_fit_is_refused_in_words(stage, send, places, change, says):
    (answer,) = send(stage.entry("force", places[0].specimen) | change)
    assert answer["status"] == "refused"
    assert says in answer["text"]
    assert not Reading.objects.exists()


def test_messages_that_are_none_are_refused(stage, client):
    client.force_login(stage.people["bench"], backend="django.contrib.auth.backends.ModelBackend")

    def post(body, content_type="application/json"):
        answer = client.generic("POST", "/bench/submit/", body, content_type=content_type)
        return answer.status_code, answer.json()["error"]

    assert post(b"{")[0] == 400
    assert post(b"[1]")[0] == 400
    assert post(b'{"entries": [NaN]}')[0] == 400
    assert post(b"[" * 100_000)[0] == 400
    status, text = post(b'{"tablet": "t", "entries": 7}')
    assert (status, "Found no list of entries" in text) == (400, True)
    status, text = post(b'{"tablet": "t", "entries": [' + b",".join([b"{}"] * 201) + b"]}")
    assert (status, "at most 200" in text) == (400, True)
    status, text = post(b'{"tablet": "' + b"x" * (11 * 2**20) + b'"}')
    assert (status, "10 MB" in text) == (413, True)


# --- sessions and roles


def test_an_expired_session_gets_401_as_json_and_loses_nothing(stage, send, places, client):
    entry = stage.entry("force", places[0].specimen)
    answer = client.post("/bench/submit/", {"tablet": "t", "entries": [entry]}, content_type="application/json")
    assert answer.status_code == 401
    assert answer["Content-Type"] == "application/json"
    assert "kept" in answer.json()["error"]
    assert answer.json()["sign_in"] == "/sign-in/"
    assert not Submission.objects.exists()
    assert client.get("/bench/me.json").status_code == 401
    assert send(entry)[0]["status"] == "stored", "signed in again, the very same entry is taken"


@pytest.mark.parametrize(
    ("who", "status"), [("stranger", 403), ("operator", 403), ("bench", 200), ("planner", 200), ("editor", 200)]
)
def test_who_may_submit(stage, send, places, who, status):
    send(stage.entry("force", places[0].specimen), by=who, status=status)
    assert Reading.objects.count() == (1 if status == 200 else 0)


def test_no_forged_form_gets_through(stage, places):
    client = Client(enforce_csrf_checks=True)
    client.force_login(stage.people["bench"], backend="django.contrib.auth.backends.ModelBackend")
    body = {"tablet": "t", "entries": [stage.entry("force", places[0].specimen)]}
    assert client.post("/bench/submit/", body, content_type="application/json").status_code == 403
    token = client.get("/bench/me.json").json()["csrf"]
    good = client.post("/bench/submit/", body, content_type="application/json", headers={"X-CSRFToken": token})
    assert good.json()["answers"][0]["status"] == "stored"


def test_another_account_may_deliver_what_one_person_measured(stage, send, places):
    send(stage.entry("force", places[0].specimen, by="bea", operator="bea"), by="other")
    assert Reading.objects.get().operator == "bea"
    assert Submission.objects.get().user.username == "ben"


# --- clocks and order


def test_a_wrong_clock_is_told_and_both_times_are_kept(stage, send, places):
    ahead = timedelta(hours=3)
    sent_at = (timezone.now() + ahead).isoformat()
    made_at = (timezone.now() + ahead - timedelta(minutes=9)).isoformat()
    first = stage.entry("force", places[0].specimen, "11", made_at=made_at)
    (answer,) = send(first, sent_at=sent_at)
    assert "the tablet's clock is 180 min ahead of the server's" in answer["text"].lower()
    sent = Submission.objects.get()
    assert sent.tablet_time_text == first["made_at"] == Reading.objects.get().taken_at_text
    assert abs((sent.tablet_time - sent.done_at) - ahead) < timedelta(seconds=5)
    assert abs((timezone.now() - sent.received_at).total_seconds()) < 60


def test_the_order_is_that_of_measuring_even_where_clocks_are_wrong_and_readings_late(stage, send, places):
    now = timezone.now()


    def taken(place, value, **ago):
        return stage.entry("force", place.specimen, value, made_at=(now - timedelta(**ago)).isoformat())

    early = taken(places[3], "11", minutes=30)
    middle = taken(places[1], "12", minutes=20, hours=5)
    late = taken(places[0], "13", minutes=10)
    send(late)
    send(early)
    send(middle, tablet="slow clock", sent_at=(now - timedelta(hours=5)).isoformat())
    by_order = sorted(Reading.objects.all(), key=lambda r: float(r.order))
    assert [r.value for r in by_order] == ["11", "12", "13"]
    assert str(Specimen.objects.get(pk=places[1].specimen_id).order_done) == Reading.objects.get(value="12").order


def test_readings_of_one_moment_keep_the_order_in_which_they_came(stage, send, places):
    at = stamp(minutes=1)
    send(*(stage.entry("force", place.specimen, str(20 + i), made_at=at) for i, place in enumerate(places[:6])))
    send(stage.entry("force", places[6].specimen, "26", made_at=at))
    by_order = sorted(Reading.objects.all(), key=lambda r: float(r.order))
    assert [(r.value, r.order) for r in by_order] == [(str(20 + i), str(1 + i)) for i in range(7)]


def test_a_time_that_is_none_does_not_cost_the_reading(stage, send, places):
    (answer,) = send(stage.entry("force", places[0].specimen, made_at="yesterday"))
    assert answer["status"] == "stored"
    reading = Reading.objects.get()
    assert datetime.fromisoformat(reading.taken_at_text) == reading.received_at.replace(microsecond=0)


def test_the_actual_order_is_kept_when_somebody_jumps_ahead(stage, send, places):
    for i, at in enumerate((4, 0, 2)):
        send(stage.entry("force", places[at].specimen, f"{20 + i}", made_at=stamp(minutes=10 - i)))
    assert [places[at].specimen.order_planned for at in (4, 0, 2)] == ["5", "1", "3"]
    done = [str(Specimen.objects.get(pk=places[at].specimen_id).order_done) for at in (4, 0, 2)]
    assert done == ["1", "2", "3"]


# --- voids, amendments, dimensions


def test_a_void_keeps_the_reading_in_sight(stage, send, places):
    entry = stage.entry("force", places[0].specimen)
    send(entry)
    void = stage.other("void", "force", reading=entry["id"], reason="slipped out of the grip", operator="ben")
    assert send(void)[0]["status"] == "stored"
    assert send(void)[0]["status"] == "already"
    kept = Void.objects.get()
    assert (kept.reason, kept.voided_by, kept.reading.value) == ("slipped out of the grip", "ben", "12.5")
    (twice,) = send(stage.other("void", "force", reading=kept.reading.code, reason="again"))
    assert (twice["status"], "void already" in twice["text"]) == ("stored", True)
    assert Void.objects.count() == 1


def test_a_void_that_comes_before_its_reading_waits(stage, send, places):
    entry = stage.entry("force", places[0].specimen)
    void = stage.other("void", "force", reading=entry["id"], reason="wrong one")
    assert send(void)[0]["status"] == "later"
    assert not Submission.objects.exists()
    send(entry)
    assert send(void)[0]["status"] == "stored"


def test_in_one_message_what_others_rest_on_goes_first(stage, send, places):
    entry = stage.entry("force", places[0].specimen)
    void = stage.other("void", "force", reading=entry["id"], reason="wrong one")
    better = stage.entry("force", places[0].specimen, "13", replaces=entry["id"], replace_reason="typo")
    answers = send(void, better, entry)
    assert [a["status"] for a in answers] == ["stored"] * 3
    assert [a["id"] for a in answers] == [void["id"], better["id"], entry["id"]], "answers in the order of entries"


@pytest.mark.parametrize("reason", ["", "   ", None])
def test_a_void_and_an_amendment_need_a_reason(stage, send, places, reason):
    entry = stage.entry("force", places[0].specimen)
    send(entry)
    assert send(stage.other("void", "force", reading=entry["id"], reason=reason))[0]["status"] == "refused"
    amend = stage.entry("force", places[0].specimen, "13", replaces=entry["id"], replace_reason=reason)
    assert send(amend)[0]["status"] == "refused"


def test_an_amendment_replaces_and_the_old_one_stays(stage, send, places):
    entry = stage.entry("force", places[0].specimen, "125")
    send(entry)
    send(stage.entry("force", places[0].specimen, "12.5", replaces=entry["id"], replace_reason="decimal point"))
    new = Reading.objects.get(value="12.5")
    assert (new.replaces.value, new.replace_reason) == ("125", "decimal point")
    assert not Conflict.objects.exists()


def test_two_tablets_that_amend_one_reading_form_one_chain(stage, send, places):
    entry = stage.entry("force", places[0].specimen, "125")
    send(entry)
    for tablet, value in (("tablet-1", "12.5"), ("tablet-2", "12.6")):
        amend = stage.entry("force", places[0].specimen, value, replaces=entry["id"], replace_reason="decimal point")
        assert send(amend, tablet=tablet)[0]["status"] == "stored"
    last = Reading.objects.get(value="12.6")
    assert last.replaces.value == "12.5"
    assert last.replaces.replaces.value == "125"
    assert Conflict.objects.get().second == last


def test_an_amendment_of_another_specimens_reading_is_refused(stage, send, places):
    entry = stage.entry("force", places[0].specimen)
    send(entry)
    wrong = stage.entry("force", places[1].specimen, replaces=entry["id"], replace_reason="typo")
    assert "another specimen" in send(wrong)[0]["text"]


def test_dimensions_come_first_and_are_readings_of_their_own_trial(stage, send):
    place = stage.plan("peel")[0]
    rows = [{"trial": "width", "value": "19.80", "unit": "mm", "instrument": "calliper"}]
    (answer,) = send(stage.entry("peel", place.specimen, "40", dimensions=rows, instrument="stand"))
    assert answer["status"] == "stored"
    width = Reading.objects.get(trial=stage.trials["width"])
    assert (width.value, width.unit_of_measure, width.specimen) == ("19.80", "mm", place.specimen)
    assert width.instrument.name.startswith("calliper")
    assert answer["slips"] == []


def test_without_its_dimension_a_specimen_stays_uncounted_and_one_is_told(stage, send):
    place = stage.plan("peel")[0]
    (answer,) = send(stage.entry("peel", place.specimen, "40"))
    assert "uncounted until its Width is measured" in answer["text"]


def test_a_dimension_that_is_no_number_refuses_the_whole_entry(stage, send):
    place = stage.plan("peel")[0]
    (answer,) = send(stage.entry("peel", place.specimen, "40", dimensions=[{"trial": "width", "value": "wide"}]))
    assert (answer["status"], Reading.objects.count()) == ("refused", 0)


def test_pass_and_fail_and_ratings(stage, send):
    holds, edge = stage.plan("holds"), stage.plan("edge")
    assert send(stage.entry("holds", holds[0].specimen, "pass"))[0]["status"] == "stored"
    assert send(stage.entry("holds", holds[1].specimen, "perhaps"))[0]["status"] == "refused"
    assert send(stage.entry("holds", holds[1].specimen, "fail", bound=">"))[0]["status"] == "refused"
    assert send(stage.entry("edge", edge[0].specimen, "4"))[0]["status"] == "stored"
    assert "from 1 to 9" in send(stage.entry("edge", edge[1].specimen, "12"))[0]["text"]
    assert Reading.objects.get(value="pass").converted.value == 1.0


def test_a_product_that_the_plan_leaves_out_has_no_reading(stage, send, places):
    from specimens.models import Absence

    specimen = next(p.specimen for p in places if p.specimen.unit.product.code == "cedar")
    Absence.objects.create(trial=stage.trials["force"], product=stage.products["cedar"], reason="not_planned")
    (answer,) = send(stage.entry("force", specimen))
    assert (answer["status"], "not planned in this trial" in answer["text"]) == ("refused", True)


# --- what may go wrong in the server


def test_somebody_stores_the_same_id_at_the_very_moment(stage, send, places, monkeypatch):
    """Between the look for the id and the insert: the database's own guard decides, and the answer is the first."""
    entry = stage.entry("force", places[0].specimen)
    store = readings.store

    def overtaken(sent, prepared):
        monkeypatch.setattr("specimens.bench.handlers.OF_KIND", original)
        other = entries.submit(stage.people["other"], "tablet-2", [entry])
        assert other["answers"][0]["status"] == "stored"
        return store(sent, prepared)

    from specimens.bench import handlers

    original = dict(handlers.OF_KIND)
    changed = original | {"reading": handlers.Handler(readings.prepare, overtaken)}
    monkeypatch.setattr("specimens.bench.handlers.OF_KIND", changed)
    (answer,) = send(entry)
    # In a test both share one transaction, which is undone as a whole: then the second try stores it.
    assert answer["status"] == "stored"
    assert send(entry)[0]["status"] == "already"
    assert Reading.objects.count() == 1


@pytest.mark.parametrize("trouble", [OperationalError("database is locked"), RuntimeError("a fault of ours")])
def test_trouble_in_the_server_keeps_the_entry_on_the_tablet(stage, send, places, monkeypatch, trouble):
    from specimens.bench import handlers

    def fails(entry, prepared):
        raise trouble

    changed = handlers.OF_KIND | {"reading": handlers.Handler(readings.prepare, fails)}
    entry = stage.entry("force", places[0].specimen)
    with monkeypatch.context() as patch:
        patch.setattr("specimens.bench.handlers.OF_KIND", changed)
        assert send(entry)[0]["status"] == "later"
    assert not Submission.objects.exists()
    assert send(entry)[0]["status"] == "stored"


def test_submissions_are_never_changed(stage, send, places):
    from django.db import IntegrityError, transaction

    send(stage.entry("force", places[0].specimen))
    with pytest.raises(IntegrityError), transaction.atomic():
        Submission.objects.update(tablet="other")
    with pytest.raises(IntegrityError), transaction.atomic():
        Submission.objects.all().delete()

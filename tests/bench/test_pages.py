"""The bench's pages: who may see and do what, without script, in a fixed number of queries."""

from __future__ import annotations

import re

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import get_resolver, reverse

from specimens.bench import codes
from specimens.models import BenchPlan, Conflict, Exposure, Run, Specimen
from tests.bench.staging import make_stage, stamp

ROLES = ("nobody", "stranger", "bench", "planner", "editor", "operator")
OPEN = dict.fromkeys(ROLES, 200)
TEAM = {"nobody": 302, "stranger": 404, "bench": 200, "planner": 200, "editor": 200, "operator": 200}
PLAN = {"nobody": 302, "stranger": 404, "bench": 404, "planner": 302, "editor": 302, "operator": 404}
ENTER = {"nobody": 302, "stranger": 404, "bench": 302, "planner": 302, "editor": 302, "operator": 404}
API = {"nobody": 401, "stranger": 403, "bench": 200, "planner": 200, "editor": 200, "operator": 200}
T = "trial"  # arguments: of one trial
P = "programme"
# name: (arguments, method, answer by role)
TABLE = {
    "bench": ((), "get", TEAM),
    "bench-me": ((), "get", API | {"stranger": 200}),
    "bench-trial": (T, "get", TEAM),
    "bench-pack": (T, "get", API),
    "bench-scan": ("code", "get", TEAM | dict.fromkeys(("bench", "planner", "editor", "operator"), 302)),
    "bench-submit": ((), "post", API | {"operator": 403}),
    "bench-file": ("none", "get", TEAM | dict.fromkeys(("bench", "planner", "editor", "operator"), 404)),
    "bench-worker": ((), "get", OPEN),
    "bench-manifest": ((), "get", OPEN),
    "bench-plan": (T, "get", TEAM),
    "bench-run": (T, "post", PLAN),
    "bench-more": (T, "post", PLAN),
    "bench-rater": (T, "post", PLAN),
    "bench-anchor": (T, "post", PLAN),
    "bench-conflict": (T, "post", PLAN),
    "bench-labels": (T, "get", TEAM),
    "bench-sheet": (T, "get", TEAM),
    "bench-cut": (P, "get", TEAM),
    "bench-conditioning": ((), "get", TEAM),
    "bench-exposure-start": ((), "post", ENTER),
    "bench-exposure-end": ((), "post", ENTER),
    "bench-exposure-correct": ((), "post", ENTER),
    "bench-conditioning-past": ((), "get", TEAM),
    "bench-chamber-log": ((), "post", ENTER),
    "bench-calendar": ((), "get", dict.fromkeys(ROLES, 404)),  # without its key
    "bench-progress": (P, "get", TEAM),
    "bench-progress-part": (P, "get", TEAM),
    "bench-traces": (T, "get", TEAM),
    "bench-trace": ("trial none", "get", TEAM | dict.fromkeys(("bench", "planner", "editor", "operator"), 404)),
    "bench-trace-chart": ("trial none", "get", TEAM | dict.fromkeys(("bench", "planner", "editor", "operator"), 404)),
}


def test_no_address_is_missing_from_the_table():
    named = {name for name in get_resolver().reverse_dict if isinstance(name, str)}
    assert {name for name in named if name.partition("-")[0] == "bench"} == set(TABLE)


def signed_in(stage, who, **more) -> Client:
    client = Client(**more)
    if who != "nobody":
        client.force_login(stage.people[who], backend="django.contrib.auth.backends.ModelBackend")
    return client


def arguments(stage, kind) -> dict:
    trial = {"programme": stage.programme.slug, "code": "force"}
    return {
        T: trial, P: {"programme": stage.programme.slug}, "none": {"key": 1}, "trial none": trial | {"key": 1},
        "code": {"code": "K7FHP"},
    }.get(kind, {})  # fmt: skip


@pytest.mark.parametrize("role", ROLES)
def test_who_may_see_and_do_what(stage, role):
    stage.plan("force")
    client = signed_in(stage, role)
    found = {}
    for name, (kind, method, _) in TABLE.items():
        message = {"data": {"tablet": "t", "entries": []}, "content_type": "application/json"}
        more = message if name == "bench-submit" else {}
        found[name] = getattr(client, method)(reverse(name, kwargs=arguments(stage, kind)), **more).status_code
    assert found == {name: answers[role] for name, (_, _, answers) in TABLE.items()}


@pytest.mark.parametrize("role", ["bench", "operator"])
def test_only_planners_change_a_plan(stage, role):
    address = reverse("bench-plan", kwargs=arguments(stage, T))
    assert signed_in(stage, role).post(address, {"replicates": "2"}).status_code == 404
    assert not BenchPlan.objects.exists()
    assert "A planner makes" in signed_in(stage, role).get(address).content.decode()


@pytest.mark.parametrize("name", [name for name, (_, method, _) in TABLE.items() if method == "post"])
def test_what_changes_things_takes_no_get_and_no_forged_form(stage, name):
    client = signed_in(stage, "planner", enforce_csrf_checks=True)
    address = reverse(name, kwargs=arguments(stage, TABLE[name][0]))
    assert client.get(address).status_code == 405
    assert client.post(address).status_code == 403


@pytest.mark.parametrize("name", ["bench-plan", "bench-traces"])
def test_pages_with_a_form_take_no_forged_one(stage, name):
    client = signed_in(stage, "planner", enforce_csrf_checks=True)
    assert client.post(reverse(name, kwargs=arguments(stage, T)), {"replicates": "2"}).status_code == 403


def test_pages_are_not_kept_by_shared_caches(stage):
    client = signed_in(stage, "bench")
    for name in ("bench", "bench-trial", "bench-pack", "bench-progress"):
        answer = client.get(reverse(name, kwargs=arguments(stage, TABLE[name][0])))
        assert "private" in answer["Cache-Control"]


# --- the forms, as a browser without script sends them


def test_a_trial_is_planned_by_its_form(stage):
    client = signed_in(stage, "planner")
    address = reverse("bench-plan", kwargs=arguments(stage, T))
    form = {
        "replicates": "3", "seed": "5", "blocking": "day", "days": "3", "per_specimen": "12.5",
        "per_specimen_unit": "mm", "allowance_pct": "4", "unit_holds": "pack",
    }  # fmt: skip
    preview = client.get(address, form)
    assert preview.context["total"] == 18
    assert {row.takes for row in preview.context["cuts"]} == {"39 mm"}  # 3 x 12.5 mm x 1.04
    assert not Specimen.objects.exists(), "working it out stores nothing"
    page = client.post(address, form, follow=True)
    assert [str(m) for m in page.context["messages"]] == ["Planned: 18 specimens, each with its code."]
    plan = BenchPlan.objects.get()
    assert (plan.seed, plan.blocking, plan.days, plan.unit_holds) == (5, "day", 3, "pack")
    assert str(plan.per_specimen) == "12.5"


def test_a_decimal_comma_in_a_form_is_read_by_the_persons_language(stage):
    address = reverse("bench-plan", kwargs=arguments(stage, T))
    form = {"per_specimen": "1,5", "per_specimen_unit": "mm", "replicates": "2"}
    german = signed_in(stage, "planner", headers={"Accept-Language": "de-AT,de;q=0.9"})
    english = signed_in(stage, "planner", headers={"Accept-Language": "en-GB"})
    assert {row.takes for row in german.get(address, form).context["cuts"]} == {"3 mm"}
    assert "part thousands" in english.get(address, form).context["problem"]


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"replicates": "two"}, "whole number"), ({"seed": "-1"}, "whole number"),
        ({"per_specimen": "3"}, "in which unit"),
        ({"per_specimen": "x", "per_specimen_unit": "mm"}, "no number"), ({"seed": "9" * 30}, "whole number"),
        ({"per_specimen": "3", "per_specimen_unit": "parsnip"}, "not known"), ({"replicates": "٣"}, "whole number"),
    ],
)  # fmt: skip
def test_what_is_wrong_in_a_form_is_said_in_one_line(stage, form, says):
    address = reverse("bench-plan", kwargs=arguments(stage, T))
    client = signed_in(stage, "planner")
    assert says in client.get(address, form).context["problem"]
    page = client.post(address, form, follow=True)
    assert says in [str(m) for m in page.context["messages"]][0]
    assert not BenchPlan.objects.exists()


def test_a_run_a_rater_and_a_pair_are_entered_by_forms(stage, send):
    places = stage.plan("force")
    for tablet in ("tablet-1", "tablet-2"):
        send(stage.entry("force", places[0].specimen), tablet=tablet)
    client = signed_in(stage, "planner")
    base = reverse("bench-plan", kwargs=arguments(stage, T))
    page = client.get(base)
    assert len(page.context["conflicts"]) == 1
    pair = page.context["conflicts"][0]["pk"]
    said = {"conflict": pair, "resolution": "the second was the right one"}
    page = client.post(f"{base}conflict/", said, follow=True)
    assert page.context["conflicts"] == []
    settled = Conflict.objects.get()
    assert (settled.seen_by.username, settled.resolution) == ("pat", "the second was the right one")
    for body, says in (
        (said, "settled already"), ({"conflict": "x"}, "whole number"), ({"conflict": pair}, "Say what you decided"),
    ):  # fmt: skip
        page = client.post(f"{base}conflict/", body, follow=True)
        assert says in [str(m) for m in page.context["messages"]][0]
    page = client.post(f"{base}run/", {"reason": "new jaws", "carry": "anchor", "anchor": "alder"}, follow=True)
    assert "Run r2 is open" in [str(m) for m in page.context["messages"]][0]
    assert Run.objects.get(code="r2").anchor_product.code == "alder"


def test_exposures_are_started_and_ended_by_forms(stage):
    places = stage.plan("aged")
    client = signed_in(stage, "bench")
    page = client.get("/bench/conditioning/")
    group = page.context["to_start"][0]
    body = {
        "condition": group.condition.pk, "specimen": [code for code, _ in group.specimens][:2],
        "scanned": places[5].specimen.blind_code.lower(), "chamber": "oven-1", "set_point": "70", "at": stamp(hours=80),
    }  # fmt: skip
    page = client.post("/bench/conditioning/start/", body, follow=True)
    assert "Read the cautions" in [str(m) for m in page.context["messages"]][0]
    page = client.post("/bench/conditioning/start/", body | {"confirmed": "yes"}, follow=True)
    assert "3 specimens went in" in [str(m) for m in page.context["messages"]][0]
    keys = list(Exposure.objects.values_list("pk", flat=True))
    text = page.content.decode()
    assert re.search(r'data-due="2\d{3}-', text) and "Overdue" in text
    out = {"exposure": keys, "actual_low": "69", "actual_high": "71"}
    page = client.post("/bench/conditioning/end/", out, follow=True)
    assert "72 h planned, 80 h done" in [str(m) for m in page.context["messages"]][0]
    assert {str(row.actual_high) for row in Exposure.objects.all()} == {"71"}


@pytest.mark.parametrize(
    ("where", "body", "says"),
    [
        ("start", {}, "Choose the condition"), ("start", {"condition": "x"}, "Choose the condition"),
        ("end", {}, "Choose the specimens"), ("end", {"exposure": ["7", "x"]}, "Choose the specimens"),
        ("log", {"exposure": "7"}, "Choose the specimens"),
    ],
)  # fmt: skip
def test_forms_that_say_nothing_are_answered_in_one_line(stage, where, body, says):
    page = signed_in(stage, "bench").post(f"/bench/conditioning/{where}/", body, follow=True)
    assert says in [str(m) for m in page.context["messages"]][0]


# --- labels, sheets, scanning


def test_labels_and_sheets_have_the_same_codes_and_do_not_tell_the_product(stage):
    places = stage.plan("pull")
    client = signed_in(stage, "bench")
    where = {"programme": stage.programme.slug, "code": "pull"}
    labels = client.get(reverse("bench-labels", kwargs=where))
    sheet = client.get(reverse("bench-sheet", kwargs=where))
    wanted = [place.specimen.blind_code for place in places]
    assert [row["code"] for row in labels.context["labels"]] == wanted
    assert [row["code"] for row in sheet.context["rows"]] == wanted
    for page in (labels, sheet):
        text = page.content.decode().lower()
        assert not any(product in text for product in stage.products)
        assert " style=" not in text
    assert labels.content.decode().count("<svg") == 12


def test_a_label_leads_to_its_specimen(stage):
    """The address that the QR code holds opens the page at the specimen; who is signed out signs in first."""
    from specimens.bench import labels

    place = stage.plan("force")[0]
    code = place.specimen.blind_code
    assert labels.address(code) == f"http://localhost:8000/bench/s/{code}/"
    answer = signed_in(stage, "bench").get(f"/bench/s/{code}/")
    assert answer["Location"] == f"/bench/trials/{stage.programme.slug}/force/#{code}"
    assert signed_in(stage, "nobody").get(f"/bench/s/{code}/")["Location"] == f"/sign-in/?next=/bench/s/{code}/"


def test_a_mistyped_code_is_refused_in_words(stage):
    place = stage.plan("force")[0]
    code = place.specimen.blind_code
    wrong = code[:-1] + next(c for c in codes.ALPHABET if c != code[-1])
    page = signed_in(stage, "bench").get(f"/bench/s/{wrong}/", follow=True)
    assert "mistyped" in [str(m) for m in page.context["messages"]][0]


def test_a_code_typed_in_small_letters_is_found(stage):
    code = stage.plan("force")[0].specimen.blind_code
    assert signed_in(stage, "bench").get(f"/bench/s/{code.lower()}/").status_code == 302


def test_a_specimen_of_several_trials_asks_which(stage):
    code = stage.plan("force")[0].specimen.blind_code
    stage.plan("holds", existing=True)
    page = signed_in(stage, "bench").get(f"/bench/s/{code}/")
    assert {choice["name"] for choice in page.context["choices"]} == {"Force", "Holds"}


def test_packs_that_have_not_changed_are_not_sent_again(stage, send):
    places = stage.plan("force")
    client = signed_in(stage, "bench")
    address = reverse("bench-pack", kwargs=arguments(stage, T))
    tag = client.get(address)["ETag"]
    assert client.get(address, headers={"If-None-Match": tag}).status_code == 304
    send(stage.entry("force", places[0].specimen))
    changed = client.get(address, headers={"If-None-Match": tag})
    assert changed.status_code == 200 and changed.json()["readings"][0]["value"] == "12.5"


def test_a_voided_specimen_comes_up_again_and_one_that_is_lost_does_not(stage, send):
    from specimens.models import Absence

    places = stage.plan("force")
    entry = stage.entry("force", places[0].specimen)
    send(entry, stage.other("void", "force", reading=entry["id"], reason="slipped"))
    lost = places[1].specimen.unit.product
    Absence.objects.create(trial=stage.trials["force"], product=lost, reason="lost")
    rows = signed_in(stage, "bench").get(reverse("bench-pack", kwargs=arguments(stage, T))).json()["specimens"]
    assert [(row["done"], row["state"]) for row in rows[:2]] == [
        (False, "lost" if places[0].specimen.unit.product == lost else ""), (False, "lost")
    ]


def test_a_blind_pack_does_not_tell_the_product(stage):
    stage.plan("pull")
    where = {"programme": stage.programme.slug, "code": "pull"}
    text = signed_in(stage, "bench").get(reverse("bench-pack", kwargs=where)).content.decode().lower()
    assert not any(product in text for product in stage.products)


# --- progress


def test_progress_tells_who_measured_what_when(stage, send):
    places = stage.plan("force")
    send(stage.entry("force", places[0].specimen, "12.5", made_at=stamp(hours=2)))
    send(stage.entry("force", places[1].specimen, "nonsense"), by="other")
    send(stage.entry("force", places[1].specimen, "13"), by="other", tablet="tablet-2")
    page = signed_in(stage, "planner").get(f"/bench/progress/{stage.programme.slug}/")
    (line,) = page.context["lines"]
    assert (line.done, line.planned, line.left) == (2, 12, 10)
    assert [(row["operator"], row["n"]) for row in page.context["people"]] == [("bea", 1), ("ben", 1)]
    newest = page.context["latest"][0]
    assert (newest["who"], newest["tablet"], newest["value"]) == ("ben", "tablet-2", "13 N")
    assert page.context["latest"][1]["late"], "what waited on the tablet is told"
    assert page.context["refused"][0]["typed"] == "nonsense"
    part = signed_in(stage, "planner").get(f"/bench/progress/{stage.programme.slug}/part/").content.decode()
    assert "<html" not in part and "nonsense" in part


def test_what_was_measured_is_drawn_in_the_order_in_which_it_was_done(stage, send):
    places = stage.plan("force")
    for i, at in enumerate((0, 2, 1, 3, 0)):  # the first once more at the end
        send(stage.entry("force", places[at].specimen, str(20 + i), made_at=stamp(minutes=20 - i)))
    page = signed_in(stage, "planner").get(reverse("bench-plan", kwargs=arguments(stage, T)))
    plot = page.context["plot"]
    assert (plot["n"], plot["jumped"]) == (5, 1)
    assert [point["y"] for point in plot["points"]] == sorted((p["y"] for p in plot["points"]), reverse=True)
    assert [point["x"] for point in plot["points"]] == sorted(p["x"] for p in plot["points"])
    assert "1 specimen taken before the planned turn" in page.content.decode()


# --- the web app


def test_the_worker_and_the_manifest(stage):
    client = Client()
    worker = client.get("/bench/sw.js")
    assert worker["Content-Type"].startswith("text/javascript")
    assert (worker["Cache-Control"], worker["Service-Worker-Allowed"]) == ("no-cache", "/bench/")
    manifest = client.get("/bench/manifest.webmanifest")
    assert manifest["Content-Type"] == "application/manifest+json"
    assert manifest.json()["scope"] == "/bench/"


# --- queries


def queries(client, address) -> int:
    client.get(address)
    with CaptureQueriesContext(connection) as caught:
        assert client.get(address).status_code == 200
    return len(caught)


# Each page begins with three: session, user, roles.
PAGES = {
    "bench": ((), 6),  # places counted, conflicts counted, trials
    "bench-trial": (T, 14),  # as the pack
    # trial, dimensions, raters, places, readings, their entries, runs, products, instruments, people, absences
    "bench-pack": (T, 14),
    "bench-plan": (T, 18),
    "bench-labels": (T, 7),  # trial, dimensions, raters, places
    "bench-sheet": (T, 7),  # the same
    "bench-cut": (P, 6),  # programme, plans, places
    "bench-conditioning": ((), 9),  # exposures, what was read, what is planned; places, begun, cautions
    "bench-conditioning-past": ((), 5),  # when batches came out, their exposures
    # programme, places counted, readings counted, trials, panels and third looks, people, latest, conflicts, refused
    "bench-progress": (P, 13),
    "bench-traces": (T, 8),  # trial, dimensions, places, traces, own rule
}


def fill(stage, send, replicates):
    places = stage.plan("force", replicates=replicates)
    stage.plan("aged", replicates=replicates)
    condition = stage.trials["aged"].condition
    for place in stage.bench("aged").trial.places.all()[: replicates * 2]:
        Exposure.objects.create(
            specimen=place.specimen, condition=condition, started_at="2026-03-01T00:00Z", chamber=str(place.pk)
        )
        Exposure.objects.create(
            specimen=place.specimen, condition=condition, started_at="2026-02-01T00:00Z", chamber=str(place.pk),
            started_at_text="February", ended_at="2026-02-04T00:00Z",
        )  # fmt: skip
    send(*(stage.entry("force", place.specimen, f"{20 + i % 3}") for i, place in enumerate(places[: replicates * 3])))
    for place in places[:replicates]:
        send(stage.entry("force", place.specimen, "21"), tablet="tablet-2")


def test_pages_take_a_fixed_number_of_queries(stage, send):
    other = make_stage(people=False)
    other.people = stage.people
    fill(stage, send, 1)
    client = signed_in(stage, "planner")

    def counted(of) -> dict[str, int]:
        return {
            name: queries(client, reverse(name, kwargs=arguments(of, kind))) for name, (kind, _) in PAGES.items()
        }

    few = counted(stage)
    fill(other, send, 15)
    many = counted(other)
    assert few == many
    assert many == {name: pinned for name, (_, pinned) in PAGES.items()}


def test_a_reading_takes_a_fixed_number_of_queries(stage, send):
    """However many were stored before: session, user, roles; the id, the place with its specimen, runs, siblings;
    other readings of the specimen, the last order; reading, converted value, event, order done, submission.

    What is kept of the trial for some seconds was asked for before.
    """
    places = stage.plan("force", replicates=20)
    client = signed_in(stage, "bench")

    def counted(place) -> int:
        body = {"tablet": "t", "entries": [stage.entry("force", place.specimen, "12.5", instrument="stand")]}
        with CaptureQueriesContext(connection) as caught:
            answer = client.post("/bench/submit/", body, content_type="application/json")
        assert answer.json()["answers"][0]["status"] == "stored"
        # PostgreSQL is asked for locks, too
        return sum("SAVEPOINT" not in query["sql"] and "FOR NO KEY" not in query["sql"] for query in caught)

    counted(places[0])
    few = counted(places[1])
    send(*(stage.entry("force", place.specimen, "12.6") for place in places[2:80]))
    assert counted(places[81]) == few
    assert few == 14

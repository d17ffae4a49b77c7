"""Every address by every role: one table, which fails where an address is missing from it."""

from __future__ import annotations

import pytest
from django.urls import get_resolver, reverse

from tests.public.staging import PASSWORD, evaluated

pytestmark = pytest.mark.django_db

ANYBODY = dict.fromkeys(("nobody", "stranger", "bench-member", "planner", "editor", "operator"), 200)
TEAM = {"nobody": 302, "stranger": 404, "bench-member": 200, "planner": 200, "editor": 200, "operator": 200}
# A service that refuses answers with one line on the page that it goes back to.
SENT = TEAM | {"bench-member": 302, "planner": 302, "editor": 302, "operator": 302}
ED = {"slug": "strings", "number": 1}
SLUG = {"slug": "strings"}
# name: (arguments, method, answer by role)
TABLE = {
    "front": ({}, "get", ANYBODY),
    "comparison": (SLUG, "get", ANYBODY),
    "edition": (ED, "get", ANYBODY),
    "edition-data": (ED, "get", ANYBODY),
    "edition-results": (ED, "get", ANYBODY),
    "edition-chart": (ED | {"name": "ranking-all"}, "get", ANYBODY),
    "edition-weights": (ED, "get", ANYBODY),
    "edition-file": (ED | {"path": "none.png"}, "get", dict.fromkeys(ANYBODY, 404)),
    "health": ({}, "get", ANYBODY),
    "robots": ({}, "get", ANYBODY),
    "sign-in": ({}, "get", {"nobody": 200} | dict.fromkeys(list(ANYBODY)[1:], 302)),
    "sign-out": ({}, "post", dict.fromkeys(ANYBODY, 302)),
    "desk": ({}, "get", TEAM),
    "desk-comparison": (SLUG, "get", TEAM),
    "desk-scorecard": (SLUG, "get", TEAM),
    "desk-state": (SLUG, "get", TEAM),
    "desk-chart": (SLUG | {"name": "ranking-all"}, "get", TEAM),
    "desk-evaluate": (SLUG, "post", SENT),
    "desk-ask": (SLUG, "post", SENT),
    "desk-decide": (SLUG, "post", dict.fromkeys(SENT, 404) | {"nobody": 302}),
    "api-comparisons": ({}, "get", ANYBODY),
    "api-results": (SLUG, "get", ANYBODY),
    "api-draft": (SLUG, "get", TEAM | {"nobody": 403}),
}


def test_no_address_is_missing_from_the_table():
    """The bench's addresses are in the table beside the bench's own tests."""
    named = {name for name in get_resolver().reverse_dict if isinstance(name, str)}
    assert {name for name in named if name.split("-")[0] != "bench"} == set(TABLE)


@pytest.fixture
def stage(edition):
    """A published comparison, and beside it a draft that strangers know nothing of."""
    evaluated("cords")


@pytest.mark.parametrize("role", list(ANYBODY))
def test_who_may_see_and_do_what(client, cast, stage, role):
    if role != "nobody":
        client.force_login(cast[role], backend="django.contrib.auth.backends.ModelBackend")
    found = {}
    for name, (arguments, method, _) in TABLE.items():
        if name == "sign-out":
            continue
        found[name] = getattr(client, method)(reverse(name, kwargs=arguments)).status_code
    found["sign-out"] = client.post(reverse("sign-out")).status_code
    assert found == {name: answers[role] for name, (_, _, answers) in TABLE.items()}


@pytest.mark.parametrize("name", [name for name, (_, method, _) in TABLE.items() if method == "get"])
def test_reading_pages_take_no_post(client, cast, stage, name):
    client.force_login(cast["planner"], backend="django.contrib.auth.backends.ModelBackend")
    if name == "sign-in":
        return  # it takes the form
    assert client.post(reverse(name, kwargs=TABLE[name][0])).status_code in {403, 405}


@pytest.mark.parametrize("name", [name for name, (_, method, _) in TABLE.items() if method == "post"])
def test_what_changes_things_takes_no_get_and_no_forged_form(cast, stage, name):
    from django.test import Client

    client = Client(enforce_csrf_checks=True)
    client.force_login(cast["planner"], backend="django.contrib.auth.backends.ModelBackend")
    address = reverse(name, kwargs=TABLE[name][0])
    assert client.get(address).status_code == 405
    answer = client.post(address)
    assert answer.status_code == 403
    assert "Nothing was changed." in answer.content.decode()


@pytest.fixture
def planner(cast):
    cast["planner"].set_password(PASSWORD)
    cast["planner"].save()
    return cast["planner"]


def test_the_sign_in_page_leads_to_where_one_wanted_to_go(client, planner):
    answer = client.get("/desk/cords/")
    assert answer["Location"] == "/sign-in/?next=/desk/cords/"
    page = client.get(answer["Location"]).content.decode()
    assert 'name="next" value="/desk/cords/"' in page
    done = client.post("/sign-in/", {"username": "planner", "password": PASSWORD, "next": "/desk/cords/"})
    assert done["Location"] == "/desk/cords/"


def test_a_wrong_password_is_told_in_one_line(client, planner):
    answer = client.post("/sign-in/", {"username": "planner", "password": "wrong"})
    assert answer.status_code == 200
    assert 'role="alert"' in answer.content.decode()


def test_no_open_redirect_after_sign_in(client, planner):
    answer = client.post("/sign-in/", {"username": "planner", "password": PASSWORD, "next": "https://example.org/"})
    assert answer["Location"] == "/desk/"

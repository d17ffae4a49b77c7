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
# A form that may not be stored comes back with what is wrong; of what is not there nobody is told more.
TOLD = {"nobody": 302, "stranger": 404} | dict.fromkeys(list(TEAM)[2:], 422)
NOTHING = dict.fromkeys(TEAM, 404) | {"nobody": 302}
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
    "kind": ({"kind": "none"}, "get", dict.fromkeys(ANYBODY, 404)),
    "search": ({}, "get", ANYBODY),
    "feed": ({}, "get", ANYBODY),
    "sitemap": ({}, "get", ANYBODY),
    "product": (SLUG | {"product": "p00"}, "get", ANYBODY),
    "edition-product": (ED | {"product": "p00"}, "get", ANYBODY),
    "side-by-side": (SLUG, "get", ANYBODY),
    "edition-side-by-side": (ED, "get", ANYBODY),
    "method": (SLUG | {"method": "pull-by-hand"}, "get", ANYBODY),
    "edition-method": (ED | {"method": "pull-by-hand"}, "get", ANYBODY),
    "data": (SLUG, "get", ANYBODY),
    "edition-data-page": (ED, "get", ANYBODY),
    "editions": (SLUG, "get", ANYBODY),
    "embed": (SLUG, "get", ANYBODY),
    "edition-page": (ED, "get", ANYBODY),
    "edition-table": (ED | {"table": "readings"}, "get", ANYBODY),
    "edition-picture": (ED, "get", ANYBODY),
    "health": ({}, "get", ANYBODY),
    "robots": ({}, "get", ANYBODY),
    "sign-in": ({}, "get", {"nobody": 200} | dict.fromkeys(list(ANYBODY)[1:], 302)),
    "sign-out": ({}, "post", dict.fromkeys(ANYBODY, 302)),
    "desk": ({}, "get", TEAM | {"stranger": 403}),  # it is where one lands: who has no role is told whom to ask
    "desk-search": ({}, "get", TEAM),
    "desk-team-record": ({}, "get", TEAM),
    "desk-team-record-csv": ({}, "get", TEAM),
    "desk-comparison": (SLUG, "get", TEAM),
    "desk-bench": (SLUG, "get", TEAM),
    "desk-results": (SLUG, "get", TEAM),
    "desk-trial": (SLUG | {"trial": "pull"}, "get", TEAM),
    "desk-trial-chart": (SLUG | {"trial": "pull"}, "get", TEAM),
    "desk-judged": (SLUG, "get", TEAM),
    "desk-changes": (SLUG, "get", TEAM),
    "desk-file": (SLUG | {"path": "none.png"}, "get", dict.fromkeys(TEAM, 404) | {"nobody": 302}),
    "desk-record": (SLUG, "get", TEAM),
    "desk-record-csv": (SLUG, "get", TEAM),
    "desk-article": (SLUG, "get", TEAM),
    "desk-article-preview": (SLUG, "post", TEAM),
    "desk-article-pick": (SLUG, "get", TEAM),
    "desk-new": ({}, "get", TEAM),
    "desk-methods": ({}, "get", TEAM),
    "desk-method-add": ({}, "get", TEAM),
    "desk-method": ({"pk": 0}, "get", NOTHING),
    "desk-method-revise": ({"pk": 0}, "get", NOTHING),
    "desk-method-revision": ({"pk": 0}, "get", NOTHING),
    "desk-plan": (SLUG, "get", TEAM),
    "desk-plan-freeze": (SLUG, "post", SENT),
    "desk-plan-effort": (SLUG, "get", TEAM),
    "desk-plan-calendar": (SLUG, "get", TEAM),
    "desk-plan-prices": (SLUG, "get", TEAM),
    "desk-plan-library": (SLUG, "get", TEAM),
    "desk-plan-text": (SLUG | {"part": "scope"}, "get", TEAM),
    "desk-plan-add": (SLUG | {"kind": "trials"}, "get", TEAM),
    "desk-plan-row": (SLUG | {"kind": "trials", "pk": 0}, "get", NOTHING),
    "desk-plan-remove": (SLUG | {"kind": "trials", "pk": 0}, "post", NOTHING),
    "desk-plan-revision": (SLUG | {"pk": 0}, "get", NOTHING),
    "desk-plan-absences": (SLUG | {"pk": 0}, "get", NOTHING),
    "desk-plan-equivalent": (SLUG | {"pk": 0}, "get", NOTHING),
    "desk-products": (SLUG, "get", TEAM),
    "desk-product-add": (SLUG, "get", TEAM),
    "desk-products-paste": (SLUG, "get", TEAM),
    "desk-product": (SLUG | {"code": "p00"}, "get", TEAM),
    "desk-product-name": (SLUG | {"code": "p00"}, "get", TEAM),
    "desk-product-notes": (SLUG | {"code": "p00"}, "get", TEAM),
    "desk-product-remove": (SLUG | {"code": "p00"}, "post", SENT),
    "desk-product-photo": (SLUG | {"code": "p00"}, "post", TOLD),
    "desk-purchase-add": (SLUG | {"code": "p00"}, "get", TEAM),
    "desk-purchase": (SLUG | {"code": "p00-shop"}, "get", TEAM),
    "desk-purchase-file": (SLUG | {"code": "p00-shop"}, "post", SENT),
    "desk-purchase-remove": (SLUG | {"code": "p00-shop"}, "post", SENT),
    "desk-units-add": (SLUG | {"code": "p00"}, "post", TOLD),
    "desk-unit": (SLUG | {"code": "p00-u0"}, "get", TEAM),
    "desk-unit-remove": (SLUG | {"code": "p00-u0"}, "post", SENT),
    "desk-attachment": (SLUG | {"pk": 0}, "get", NOTHING),
    "desk-attachment-remove": (SLUG | {"pk": 0}, "post", NOTHING),
    "desk-claims": (SLUG, "get", TEAM),
    "desk-claims-paste": (SLUG, "get", TEAM),
    "desk-claims-copy": (SLUG, "post", TOLD),
    "desk-claim-cell": (SLUG | {"product": "p00", "prop": "force"}, "get", TEAM),
    "desk-claim-counts": (SLUG | {"product": "p00", "prop": "force"}, "post", SENT),
    "desk-claim-column": (SLUG | {"prop": "force"}, "get", TEAM),
    "desk-claim-same": (SLUG | {"prop": "force"}, "post", SENT),
    "desk-claim": (SLUG | {"code": "p00-min"}, "get", TEAM),
    "desk-claim-photo": (SLUG | {"code": "p00-min"}, "post", SENT),
    "desk-claim-remove": (SLUG | {"code": "p01-min"}, "post", SENT),
    "desk-scorecard": (SLUG, "get", TEAM),
    "desk-state": (SLUG, "get", TEAM),
    "desk-chart": (SLUG | {"name": "ranking-all"}, "get", TEAM),
    "desk-evaluate": (SLUG, "post", SENT),
    "desk-check": (SLUG, "get", TEAM),
    "desk-reasons": (SLUG, "post", {"nobody": 302, "stranger": 404, "bench-member": 422, "planner": 302, "editor": 302,
                                    "operator": 422}),
    "desk-reasons-settled": (SLUG, "post", {"nobody": 302, "stranger": 404, "bench-member": 422, "planner": 302,
                                            "editor": 302, "operator": 422}),
    "desk-makers": (SLUG, "get", TEAM),
    "desk-maker-link": (SLUG, "post", TEAM | dict.fromkeys(list(TEAM)[2:], 422)),
    "desk-maker-revoke": (SLUG | {"pk": 0}, "post", NOTHING),
    "desk-maker-answer": (SLUG | {"pk": 0}, "post", NOTHING),
    "desk-maker-seen": (SLUG | {"code": "p00"}, "get", TEAM),
    "maker": ({"token": "no-such-link"}, "get", dict.fromkeys(ANYBODY, 404)),
    "desk-editions": (SLUG, "get", TEAM),
    "desk-editions-compare": (SLUG, "get", NOTHING),
    "edition-report": (ED, "get", dict.fromkeys(ANYBODY, 404)),  # none is made in this test
    "desk-edition-report": (ED, "post", SENT),
    "desk-withdraw": (ED, "post", TEAM | dict.fromkeys(list(TEAM)[2:], 422)),
    "desk-draft-changes": (SLUG | {"before": 1}, "get", TEAM),
    "desk-edition-changes": (SLUG | {"before": 1, "after": 1}, "get", TEAM),
    "desk-instruments": ({}, "get", TEAM),
    "desk-instrument-add": ({}, "get", TEAM),
    "desk-instrument": ({"pk": 0}, "get", NOTHING),
    "desk-instrument-change": ({"pk": 0}, "get", NOTHING),
    "desk-instrument-use": ({"pk": 0}, "post", NOTHING),
    "desk-calibration-add": ({"pk": 0}, "get", NOTHING),
    "desk-calibration": ({"pk": 0, "row": 0}, "get", NOTHING),
    "desk-fault-add": ({"pk": 0}, "get", NOTHING),
    "desk-fault": ({"pk": 0}, "get", NOTHING),
    "desk-fault-readings": ({"pk": 0}, "get", NOTHING),
    "desk-fault-close": ({"pk": 0}, "post", NOTHING),
    "desk-fault-correct": ({"pk": 0}, "post", NOTHING),
    "desk-correction-undo": ({"pk": 0}, "post", NOTHING),
    "desk-notice-lift": ({"pk": 0}, "post", NOTHING),
    "desk-ask": (SLUG, "post", {"nobody": 302, "stranger": 404} | dict.fromkeys(list(TEAM)[2:], 422)),
    "desk-decide": (SLUG, "post", dict.fromkeys(SENT, 404) | {"nobody": 302}),
    "api-comparisons": ({}, "get", ANYBODY),
    "api-results": (SLUG, "get", ANYBODY),
    "api-draft": (SLUG, "get", TEAM | {"nobody": 403}),
}
# Pages that take their own form: shown with what was typed where it is not accepted.
TAKE_FORMS = {
    "desk-new", "desk-method-add", "desk-method-revise", "desk-method-revision", "desk-plan-prices",
    "desk-plan-library", "desk-plan-text", "desk-plan-add", "desk-plan-row", "desk-plan-revision",
    "desk-plan-absences", "desk-plan-equivalent",
    "sign-in", "desk-article", "desk-product-add", "desk-products-paste", "desk-product-name", "desk-product-notes",
    "desk-purchase-add", "desk-purchase", "desk-unit", "desk-attachment", "desk-claims-paste", "desk-claim-cell",
    "desk-claim-column", "desk-claim", "maker", "desk-instrument-add", "desk-instrument-change", "desk-calibration-add",
    "desk-calibration", "desk-fault-add",
}  # fmt: skip


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
    if name in TAKE_FORMS:
        return
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


def test_the_desk_tells_an_account_without_a_role_whom_to_ask(client, cast):
    client.force_login(cast["stranger"], backend="django.contrib.auth.backends.ModelBackend")
    answer = client.get("/sign-in/", follow=True)
    page = answer.content.decode()
    assert answer.status_code == 403 and answer.redirect_chain == [("/desk/", 302)]
    assert "signed in as stranger" in page and "the operator" in page
    assert "/sign-in/" not in page  # no way round in a circle
    assert 'action="/sign-out/"' in page


@pytest.mark.parametrize(
    ("name", "to"), [("bench-member", "/bench/"), ("planner", "/desk/"), ("editor", "/desk/"), ("operator", "/desk/")]
)
def test_one_lands_where_one_works(client, cast, name, to):
    cast[name].set_password(PASSWORD)
    cast[name].save()
    assert client.post("/sign-in/", {"username": name, "password": PASSWORD})["Location"] == to


def test_a_wrong_password_is_told_in_one_line(client, planner):
    answer = client.post("/sign-in/", {"username": "planner", "password": "wrong"})
    assert answer.status_code == 200
    assert 'role="alert"' in answer.content.decode()


def test_no_open_redirect_after_sign_in(client, planner):
    answer = client.post("/sign-in/", {"username": "planner", "password": PASSWORD, "next": "https://example.org/"})
    assert answer["Location"] == "/desk/"

"""A maker's private link: what it shows and what it hides, when it is open, and answers on the record."""

from __future__ import annotations

import io
import json
import re
import zipfile
from datetime import timedelta

import pytest
from django.db import DatabaseError, connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from comparisons.models import Event, MakerLink
from comparisons.pages.maker import facts
from comparisons.services import evaluation, makers
from comparisons.services.errors import NotAllowed, NotReady, Stale
from specimens.models import MakerAnswer
from tests.public.small_study import import_small
from tests.public.staging import publish

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"


@pytest.fixture
def strings(cast):
    comparison = import_small(products=3)
    evaluation.run_evaluation(comparison)
    return comparison


@pytest.fixture
def product(strings):
    return strings.programmes.get().products.get(code="p00")


@pytest.fixture
def made(strings, product, cast):
    return makers.make_link(strings, product, actor=cast["planner"], note="The maker's office")


@pytest.fixture
def link(made):
    return made[0]


@pytest.fixture
def address(made):
    return reverse("maker", args=[made[1]])


@pytest.fixture
def editor(client, cast):
    client.force_login(cast["editor"], backend=BACKEND)
    return client


# -- the link --------------------------------------------------------------------------------------------


def test_only_the_digest_of_the_secret_is_kept(made, strings):
    link, token = made
    assert len(token) >= 43  # 32 bytes by chance, in base64
    stored = json.dumps(list(MakerLink.objects.values()) + list(Event.objects.values()), default=str)
    assert token not in stored and link.secret_sha256 in stored


def test_the_secret_is_shown_once(editor, strings):
    answer = editor.post("/desk/strings/makers/link/", {"product": "p01", "days": "7", "note": ""})
    html = answer.content.decode()
    (token,) = re.findall(r"/m/([\w-]{43})/", html)
    assert "no-store" in answer["Cache-Control"]
    assert token not in editor.get("/desk/strings/makers/").content.decode()
    assert Client().get(f"/m/{token}/").status_code == 200


@pytest.mark.parametrize("days", ["0", "91", "-1", "x", "", "1.5", "٣", "9" * 400])
def test_for_how_many_days(strings, product, cast, days):
    with pytest.raises(NotReady, match="from 1 to 90"):
        makers.make_link(strings, product, actor=cast["planner"], days=days)
    assert not MakerLink.objects.exists()


def test_who_makes_links(strings, product, cast):
    for name in ("bench-member", "operator", "stranger"):
        with pytest.raises(NotAllowed):
            makers.make_link(strings, product, actor=cast[name])


def test_a_product_of_another_comparison_gets_none(editor, strings, cast):
    other = import_small("cords", more=False)
    with pytest.raises(NotReady, match="not part of the comparison"):
        makers.make_link(strings, other.programmes.get().products.first(), actor=cast["planner"])
    answer = editor.post("/desk/strings/makers/link/", {"product": "none", "days": "7"})
    assert answer.status_code == 422 and "Choose a product" in answer.content.decode()


def test_a_link_says_nothing_of_why_it_is_not_open(client, made, strings, cast, address):
    link, token = made
    closed = []
    closed.append(client.get(reverse("maker", args=["x" * 43])))  # unknown
    closed.append(client.get(reverse("maker", args=[token[:-1] + ("A" if token[-1] != "A" else "B")])))  # tampered
    makers.revoke(link, actor=cast["editor"])
    closed.append(client.get(address))  # taken back
    past = timezone.now() - timedelta(days=20)
    MakerLink.objects.create(
        comparison=strings, product=link.product, secret_sha256=makers.digest_of("over"), made_by=cast["planner"],
        made_at=past, expires_at=past + timedelta(days=14),
    )
    closed.append(client.get(reverse("maker", args=["over"])))
    closed.append(client.post(reverse("maker", args=["over"]), {"answer": "Hello."}))
    closed.append(client.get(reverse("maker", args=["\u202e%00é"])))
    assert {answer.status_code for answer in closed} == {404}
    assert len({answer.content for answer in closed}) == 1
    assert all(answer["Referrer-Policy"] == "no-referrer" for answer in closed)
    assert not MakerAnswer.objects.filter(text="Hello.").exists()


def test_a_link_is_taken_back_once(link, cast):
    with pytest.raises(NotAllowed):
        makers.revoke(link, actor=cast["bench-member"])
    assert makers.revoke(link, actor=cast["planner"]).revoked_by == cast["planner"]
    with pytest.raises(Stale):
        makers.revoke(link, actor=cast["editor"])
    with pytest.raises(DatabaseError), transaction.atomic():
        MakerLink.objects.all()._raw_delete("default")


def test_many_wrong_links_from_one_place_rest(client, address):
    for n in range(9):
        client.get(f"/m/guess-{n}/")
    assert client.get(address).status_code == 404  # the right one rests as well, on the same page
    assert client.get(address, REMOTE_ADDR="192.0.2.7").status_code == 200


def test_what_is_guessed_is_not_kept(client, made):
    from axes.models import AccessAttempt

    client.get(f"/m/{made[1][:-1]}/")
    row = AccessAttempt.objects.get()
    assert row.path_info == "/m/" and made[1][:-1] not in json.dumps(list(AccessAttempt.objects.values()), default=str)


def test_old_links_do_not_count_as_guesses(client, made, address, cast):
    makers.revoke(made[0], actor=cast["editor"])
    for _ in range(12):
        assert client.get(address).status_code == 404
    from axes.models import AccessAttempt

    assert not AccessAttempt.objects.exists()


# -- the page --------------------------------------------------------------------------------------------


def test_the_page_is_nobody_elses_to_keep(client, address):
    answer = client.get(address)
    assert "no-store" in answer["Cache-Control"] and answer["Referrer-Policy"] == "no-referrer"
    assert "noindex" in answer["X-Robots-Tag"] and 'content="noindex"' in answer.content.decode()
    assert not answer.cookies


def test_it_shows_the_facts_about_this_product_alone(client, address, strings):
    html = client.get(address).content.decode()
    assert "Ullvane String 00" in html and "min. 62 N" in html and "Pulled by hand" in html and "Shop A" in html
    for other in ("String 01", "String 02", "p01", "p02", "lent by"):
        assert other not in html
    for word in ("rank", "score", "place", "best", "letter", "award"):
        assert not re.search(rf"\b{word}", html, re.I), word


def test_no_number_of_another_product_is_behind_the_page(strings):
    """Change every reading of the others: the facts stay the same, byte for byte."""
    from comparisons.folder.exporter import tables_from_db

    tables = tables_from_db(strings, public=True)
    document = json.loads(evaluation.standing(strings).evaluation.document)
    before = facts(tables, document, "p00")
    for rows in document.values():
        for row in rows if isinstance(rows, list) else []:
            if isinstance(row, dict) and row.get("product") in ("p01", "p02"):
                for key in ("mean", "value", "measured", "low", "high", "per_item", "change_pct"):
                    if isinstance(row.get(key), int | float):
                        row[key] = row[key] * 7 + 1
    assert json.dumps(facts(tables, document, "p00"), sort_keys=True) == json.dumps(before, sort_keys=True)
    assert facts(tables, document, "nobody") is None


def test_measurements_carry_their_uncertainty_and_numbers(strings):
    from comparisons.folder.exporter import tables_from_db

    document = json.loads(evaluation.standing(strings).evaluation.document)
    found = facts(tables_from_db(strings, public=True), document, "p00")
    (row,) = next(table for table in found["trials"] if table["trial"] == "pull")["rows"]
    assert row["value"]["text"] and row["likely"].startswith("likely ") and row["n"] == "4 specimens, 2 units"


def test_before_anything_is_evaluated_it_shows_what_was_noted(client, cast):
    comparison = import_small("cords")
    product = comparison.programmes.get().products.get(code="p00")
    _, token = makers.make_link(comparison, product, actor=cast["planner"])
    html = client.get(reverse("maker", args=[token])).content.decode()
    assert "Nothing is worked out yet" in html and "min. 62 N" in html


def test_opening_is_noted(client, link, address):
    client.get(address)
    link.refresh_from_db()
    assert link.first_opened_at and link.first_opened_at == link.last_opened_at


def test_it_works_by_a_form_alone_without_cookies(address):
    client = Client(enforce_csrf_checks=True)
    answer = client.post(address, {"answer": "We stand by all of it."}, headers={"origin": "null"})
    assert answer.status_code == 302
    page = client.get(answer["Location"].partition("#")[0])
    assert "Your answer is kept." in page.content.decode() and "We stand by all of it." in page.content.decode()


def test_the_page_takes_as_many_queries_whatever_the_size(client, cast):
    counts = []
    for slug, size in (("little", {}), ("large", {"products": 6, "units": 4})):
        comparison = import_small(slug, **size)
        evaluation.run_evaluation(comparison)
        product = comparison.programmes.get().products.first()
        _, token = makers.make_link(comparison, product, actor=cast["planner"])
        client.get(reverse("maker", args=[token]))
        with CaptureQueriesContext(connection) as captured:
            client.get(reverse("maker", args=[token]))
        counts.append(len(captured))
    assert counts[0] == counts[1] <= 10


# -- answers ---------------------------------------------------------------------------------------------


def test_an_answer_is_kept_word_for_word_and_on_the_record(made, product):
    row = makers.answer(made[1], " Line one.\r\nLine two. ")
    assert row.text == "Line one.\nLine two." and not row.published and row.product == product
    event = Event.objects.get(verb="answered")
    assert event.actor is None and event.actor_name == "the maker, by private link"
    assert not event.changes_draft and event.after == {"text": row.text}
    makers.answer(made[1], "And more.")
    assert product.answers.count() == 3  # one came with the study
    with pytest.raises(DatabaseError), transaction.atomic():
        MakerAnswer.objects.filter(pk=row.pk).update(text="Other words.")


@pytest.mark.parametrize(("text", "told"), [
    ("", "Write your answer first"), (" \x00\u202e ", "Write your answer first"),
    ("x" * 5001, "has 5001 characters, and 5000 are the most"), ("x" * 100_000, "has 100000 characters"),
])  # fmt: skip
def test_an_answer_that_is_not_taken_comes_back(client, address, product, text, told):
    before = product.answers.count()
    answer = client.post(address, {"answer": text})
    html = answer.content.decode()
    assert answer.status_code == 422 and told in html and product.answers.count() == before
    assert "no-store" in answer["Cache-Control"]


def test_scripts_are_text(client, address, product, editor):
    client.post(address, {"answer": "<script>alert(1)</script> & \u202efoo"})
    assert product.answers.latest("received_at").text == "<script>alert(1)</script> & foo"
    for path in (address, "/desk/strings/makers/"):
        html = editor.get(path).content.decode()
        assert "<script>alert" not in html and "&lt;script&gt;alert(1)&lt;/script&gt; &amp; foo" in html


def test_the_same_answer_twice_is_one(made, product):
    makers.answer(made[1], "We stand by it all.")
    with pytest.raises(NotReady, match="kept already"):
        makers.answer(made[1], "We stand by it all.")


def test_no_link_takes_answers_without_end(made, monkeypatch):
    monkeypatch.setattr(makers, "MOST_ANSWERS", 3)
    makers.answer(made[1], "one")
    makers.answer(made[1], "two")
    with pytest.raises(NotReady, match="No more answers fit"):
        makers.answer(made[1], "three")


def test_an_editor_publishes_an_answer_with_the_next_edition(editor, made, strings, cast):
    row = makers.answer(made[1], "The strap alone holds it.")
    first = publish(strings, cast)
    assert b"The strap alone holds it." not in bytes(first.page)
    toggle = reverse("desk-maker-answer", args=["strings", row.pk])
    assert editor.post(toggle, {"published": "yes"}).status_code == 302
    assert not evaluation.standing(strings).fresh
    event = Event.objects.get(verb="published an answer")
    assert event.changes_draft and event.before == {"published": False}
    evaluation.run_evaluation(strings)
    # who published the answer has changed the draft: another editor approves
    cast["editor"] = cast["second-editor"]
    second = publish(strings, cast)
    assert b"The strap alone holds it." in bytes(second.page)
    with zipfile.ZipFile(io.BytesIO(bytes(second.package))) as archive:
        assert "The strap alone holds it." in archive.read("answers.csv").decode()
    html = editor.post(toggle, {"published": "yes"}).content.decode()
    assert "published already" in html
    assert editor.post(toggle, {"published": "maybe"}).status_code == 404


def test_planners_do_not_publish_answers(made, cast):
    row = makers.answer(made[1], "Words.")
    with pytest.raises(NotAllowed):
        makers.set_published(row, actor=cast["planner"], published=True)


def test_the_team_sees_what_a_maker_sees(editor, strings):
    answer = editor.get("/desk/strings/makers/seen/p01/")
    html = answer.content.decode()
    assert "String 01" in html and "String 00" not in html and "<textarea" not in html
    assert editor.get("/desk/strings/makers/seen/none/").status_code == 404
    assert Client().get("/desk/strings/makers/seen/p01/").status_code == 302

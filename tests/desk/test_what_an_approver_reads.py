"""The desk before approval: all that will be published can be read there, and one finds one's way."""

from __future__ import annotations

import pytest

from comparisons.models import ApprovalRequest
from comparisons.services import approval
from comparisons.services.errors import NotReady
from tests.public.staging import evaluated
from tests.public.test_public_pages import Outline
from tests.settling import settle

from .test_desk import signed_in, text_of

__all__ = ["signed_in"]
pytestmark = pytest.mark.django_db


def test_what_is_approved_can_be_read_first(signed_in):
    """The page says that the article is approved with the results: it and the methods have to be there."""
    evaluated()
    response = signed_in("second-editor").get("/desk/strings/results/")
    text, outline = text_of(response), Outline(response.content.decode())
    assert "We pulled them all." in text  # the article
    assert "We stand by it." in text and "Not for print." not in text  # what makers answered
    assert "A string that breaks whips: wear eye protection." in text  # the method
    assert "Lent" in text and "4.50 EUR" in text  # the purchases
    ids = [attrs["id"] for _, attrs in outline.elements if attrs.get("id")]
    assert len(ids) == len(set(ids))
    places = {attrs["href"][1:] for attrs in outline.all("a") if attrs.get("href", "").startswith("#")}
    assert places and places <= set(ids)


@pytest.mark.parametrize("name", ["bench-member", "planner", "editor", "operator"])
def test_the_desk_leads_to_the_bench(signed_in, name):
    outline = Outline(signed_in(name).get("/desk/").content.decode())
    assert "/bench/" in {attrs.get("href") for attrs in outline.all("a")}


def test_comparisons_of_one_title_are_told_apart(signed_in):
    evaluated("strings")
    other = evaluated("cords")
    other.title = "Strings, strings"
    other.save()
    text = text_of(signed_in("planner").get("/desk/"))
    assert "Strings, strings strings " in text and "Strings, strings cords " in text


@pytest.mark.parametrize(("note", "kept"), [("a\x00b", "ab"), ("x" * 2001, "x" * 2000)])
def test_a_note_is_kept_as_a_database_can_hold_it(cast, note, kept):
    """PostgreSQL takes no NUL in text; the form's own limit is the server's too."""
    comparison = evaluated()
    settle(comparison, cast["planner"])
    request = approval.ask(comparison, actor=cast["planner"], note=note)
    assert ApprovalRequest.objects.get().note == request.note == kept


def test_a_reason_is_kept_as_a_database_can_hold_it(cast):
    comparison = evaluated()
    settle(comparison, cast["planner"])
    request = approval.ask(comparison, actor=cast["planner"])
    with pytest.raises(NotReady, match="Say why"):
        approval.decide(request, actor=cast["editor"], verdict="returned", reason=" \x00 ")
    done = approval.decide(request, actor=cast["editor"], verdict="returned", reason="no\x00" + "x" * 3000)
    assert done.reason == "no" + "x" * 1998

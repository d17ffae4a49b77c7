"""The editions page: what changed in numbers, what was wrong and why, what was taken back."""

from __future__ import annotations

import copy

import pytest

from comparisons.pages.changed import MOST, changed
from tests.public.frozen import demo, drop, freeze, parts_of, small
from tests.public.reading import cost, text_of

pytestmark = pytest.mark.django_db
PATH = "/c/strings/editions/"


def test_the_first_edition_alone(client, db):
    freeze(small())
    text = text_of(client, PATH)
    assert "Edition 1 2 March 2026, the newest" in text and "The first edition." in text


def test_an_edition_that_changes_nothing_says_so(client, db):
    freeze(small())
    freeze(small())
    assert "No number and no statement changed." in text_of(client, PATH)


def test_changes_are_told_as_they_were_printed(client, db):
    first = freeze(small())
    _, page, _ = parts_of(small())
    row = page["trials"][0]["rows"][0]
    old = row["value"]["text"]

    def edit(page):
        page["trials"][0]["rows"][0]["value"]["text"] = "77.7"
        page["claims"][0]["rows"][0]["statement"] = "holds, but too close to be sure"
        page["costs"]["rows"][0]["per_item"] = "9.99\u00a0EUR"
        page["answer"]["lead"] = "Nobody leads."

    freeze(small(), edit=edit, correction="Readings of the gauge.", correction_why="It was mis-set.", corrects_since=1)
    text = text_of(client, PATH)
    assert "Correction. Readings of the gauge." in text and "Why. It was mis-set." in text
    assert "Wrong since edition 1." in text
    assert f"Before: {page['answer']['lead']} Now: Nobody leads." in text
    assert "3 changes in numbers and statements" in text
    assert page["trials"][0]["title"] in text and f"{old} N" in text.replace("\u00a0", " ") and "77.7" in text
    assert "holds, but too close to be sure" in text and "9.99" in text
    assert first.sha256 in text


def test_dropped_and_new_products_are_named(client, db):
    freeze(small(products=3), edit=drop("p02"))
    freeze(small(products=3), edit=drop("p01"))
    text = text_of(client, PATH)
    assert "New: Ullvane String 02." in text and "No longer in it: Ullvane String 01" in text


def test_a_withdrawn_edition_stays_and_says_why(client, db):
    freeze(small(), withdrawn="Two products were mixed up.")
    freeze(small())
    text = text_of(client, PATH)
    assert "Two products were mixed up." in text and "Withdrawn on" in text
    assert "Two products were mixed up." not in text_of(client, "/c/strings/data/")


def test_equal_pages_differ_in_nothing_and_a_page_against_itself_edited_in_all_that_was_edited():
    _, page, _ = parts_of(demo())
    same = changed(page, copy.deepcopy(page))
    assert same["count"] == 0 and not same["groups"] and same["answer"] is None and not same["text"]
    other = copy.deepcopy(page)
    for table in other["trials"]:
        for row in table["rows"]:
            if row["value"]:
                row["value"]["text"] += "1"
    told = changed(page, other)
    rows = sum(bool(row["value"]) for table in page["trials"] for row in table["rows"])
    assert told["count"] == rows > MOST
    assert sum(len(group["rows"]) for group in told["groups"]) == MOST and told["more"] == rows - MOST


def test_a_change_of_the_text_alone_is_told(client, db):
    freeze(small())
    freeze(small(), edit=lambda page: page.update(article="<p>Other words.</p>"))
    assert "The report’s text did." in text_of(client, PATH)


def test_two_queries_however_many_editions_and_one_for_a_reader_who_has_it(client, db):
    for _ in range(5):
        freeze(small())
    assert len(cost(client, PATH)) == 2
    etag = client.get(PATH)["ETag"]
    assert len(cost(client, PATH, warm=True, headers={"if-none-match": etag})) == 1
    freeze(small())
    assert client.get(PATH, headers={"if-none-match": etag}).status_code == 200
    assert len(cost(client, PATH, warm=True)) == 1
    assert client.get("/c/nothing/editions/").status_code == 404

"""A product's page: everything of one product, from one frozen edition, for ever at one address."""

from __future__ import annotations

import doctest
import json

import pytest

from comparisons.pages import apart, machine, side_by_side
from comparisons.pages.apart import apart as told_apart
from tests.public.frozen import demo, drop, freeze, older, parts_of, small
from tests.public.reading import one_space, outline, text_of

pytestmark = pytest.mark.django_db
BASE = "/c/cable-ties/products"


@pytest.mark.parametrize("module", [apart, machine, side_by_side])
def test_examples_in_the_docstrings_hold(module):
    ran = doctest.testmod(module)
    assert ran.attempted and not ran.failed


@pytest.fixture
def ties(db):
    return freeze(demo())


@pytest.mark.parametrize("code", ["dorvenna", "yulbrake", "pellikost"])
def test_every_number_of_the_product_in_the_frozen_page_is_there(client, ties, code):
    page = json.loads(bytes(ties.page))
    text = text_of(client, f"{BASE}/{code}/")
    rows = [row for table in page["trials"] + page["changes"] for row in table["rows"] if row["code"] == code]
    assert rows
    for row in rows:
        told = [row["absent"]] if row["absent"] else [row["value"]["text"], row["likely"], row["n"]]
        assert all(one_space(part) in text for part in told), (row["name"], told)
    claims = [row for table in page["claims"] for row in table["rows"] if row["product"] == code]
    for row in claims:
        assert one_space(row["claimed"]) in text and row["wording"] in text
        assert (row["statement"][0].upper() + row["statement"][1:]) in text
        assert one_space(row["measured"]["text"]) in text
    for ranking in page["rankings"]:
        for row in ranking["rows"]:
            if row["code"] == code:
                assert f"{row['score']['text']} of 100" in text and one_space(row["likely"]) in text


def test_range_lines_and_their_axes_are_there(client, ties):
    page = json.loads(bytes(ties.page))
    drawn = sum(
        row["code"] == "dorvenna" and bool(row["svg"])
        for table in page["trials"] + page["changes"] + page["rankings"] for row in table["rows"]
    ) + sum(row["product"] == "dorvenna" and bool(row["svg"]) for t in page["claims"] for row in t["rows"])  # fmt: skip
    assert drawn > 10
    found = outline(client, f"{BASE}/dorvenna/").all("svg")
    assert sum(a.get("class") == "range" and a.get("role") == "img" for a in found) == drawn
    assert sum(a.get("class") == "axis" for a in found) == drawn


def test_how_it_was_obtained_is_told_with_what_was_supplied(client, ties):
    text = text_of(client, f"{BASE}/dorvenna/")
    assert "Bought at Shop A, 9 February 2026" in text and "8.98 EUR" in text and "07-25" in text
    assert "Not all of it was bought: supplied by" in text
    assert "Not all of it was bought" not in text_of(client, f"{BASE}/brellund/")


def test_what_it_is_held_back_by_and_what_it_missed(client, ties):
    held = text_of(client, f"{BASE}/miskefelt/")
    assert "Why it carries no recommendation" in held
    assert "Listed in the Tie Register: claimed; could not verify on 24 February 2026." in held
    missed = text_of(client, f"{BASE}/skarnfold/")
    assert "Promises that were missed" in missed
    assert "Loop tensile strength, as received: claimed at least 222 N" in missed
    assert "Why it carries no recommendation" not in text_of(client, f"{BASE}/brellund/")


def test_the_makers_answer_only_where_it_may_be_printed(client, ties):
    assert "Our figure of 222 N is for the strap" in text_of(client, f"{BASE}/skarnfold/")
    waiting = text_of(client, f"{BASE}/wendrigg/")
    assert "No answer of its maker is published." in waiting and "lot W1" not in waiting


def test_letters_are_told_in_words_as_the_results_decided(client, ties):
    results, page, _ = parts_of(demo())
    names = {one["code"]: one["name"] for one in page["products"]}
    for row in results["differences"]:
        for code in names:
            said = one_space(" ".join(told_apart(row, names, code)))
            shown, _, rest = said.partition("No difference shown from") if "No difference" in said else (said, "", "")
            for pair in row["pairs"]:
                if code in (pair["a"], pair["b"]):
                    other = names[pair["b"] if code == pair["a"] else pair["a"]]
                    assert one_space(other) in said
                    if pair["decided"] == "different":
                        higher = (pair["difference"] > 0) == (code == pair["a"])
                        head, _, tail = shown.partition("less")
                        assert other in (head if higher else tail), (row["trial"], code, other, said)
                    elif pair["decided"] == "no_difference_shown":
                        assert other in rest
    text = text_of(client, f"{BASE}/brellund/")
    (loop,) = [row for row in results["differences"] if row["trial"] == "loop-dry"]
    for sentence in told_apart(loop, names, "brellund"):
        assert one_space(sentence) in text


def test_a_dropped_product_keeps_its_address_and_says_so(client, db):
    freeze(small(products=3))
    freeze(small(products=3), edit=drop("p02"))
    text = text_of(client, "/c/strings/products/p02/")
    assert "This product is no longer part of this comparison." in text
    assert "Edition 1 of 2 March 2026 is the last that has it" in text
    _, page, _ = parts_of(small(products=3))
    for table in page["trials"]:
        for row in table["rows"]:
            assert row["code"] != "p02" or one_space(row["value"]["text"]) in text
    assert "no longer part" not in text_of(client, "/c/strings/products/p01/")
    assert client.get("/c/strings/editions/1/products/p02/").status_code == 200
    assert client.get("/c/strings/editions/2/products/p02/").status_code == 404


def test_a_newer_edition_is_told_on_an_older_ones_page(client, db):
    freeze(small())
    freeze(small(), correction="The price was wrong.", correction_why="A slip.", corrects_since=1)
    text = text_of(client, "/c/strings/editions/1/products/p00/")
    assert "A newer edition exists." in text and "It corrects: The price was wrong." in text
    new = text_of(client, "/c/strings/products/p00/")
    assert "A newer edition exists" not in new
    assert "This edition corrects an earlier one. The price was wrong." in new


def test_a_withdrawn_edition_says_so(client, db):
    freeze(small(), withdrawn="The gauge was wrong throughout.")
    for path in ("products/p00/", "methods/pull-by-hand/", "data/", "side-by-side/", "embed/", "editions/"):
        assert "The gauge was wrong throughout." in text_of(client, f"/c/strings/{path}"), path


def test_an_edition_from_before_there_were_product_pages_still_answers(client, db):
    freeze(small(), edit=older)
    text = text_of(client, "/c/strings/products/p00/")
    assert "This edition was frozen before it had a page for each product." in text
    assert "What was measured" in text and "min. 62 N" in text
    for path in ("methods/pull-by-hand/", "side-by-side/?p=p00&p=p01", "data/", "editions/", "embed/"):
        assert client.get(f"/c/strings/{path}").status_code == 200, path


def test_names_that_hold_markup_are_text(client, db):
    def edit(page):
        page["products"][0]["name"] = page["sheets"]["p00"]["maker"] = "<script>alert(1)</script> & \"Co\""
        page["title"] = "</script><img src=x onerror=alert(1)>"

    freeze(small(), edit=edit)
    side = "side-by-side/?p=p00&p=p01"
    for path in ("", "products/p00/", side, "methods/pull-by-hand/", "data/", "editions/", "embed/"):
        html = client.get(f"/c/strings/{path}").content.decode()
        assert "<script>alert" not in html and "<img src=x" not in html, path
        found = outline(client, f"/c/strings/{path}")
        assert not any("onerror" in attrs for _, attrs in found.elements)


@pytest.mark.parametrize(
    "path",
    [
        "/c/nothing/products/p00/", "/c/strings/products/p99/", "/c/strings/editions/999/products/p00/",
        "/c/strings/products/%3Cb%3E/", "/c/strings/products/P00/", "/c/strings/products/" + "x" * 3000 + "/",
        "/c/strings/editions/99999999999999999999/products/p00/",
    ],
)  # fmt: skip
def test_what_is_not_there_is_told_so(client, db, path):
    freeze(small())
    answer = client.get(path)
    assert answer.status_code == 404
    assert "There is nothing at this address" in answer.content.decode()

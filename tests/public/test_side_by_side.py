"""Two or three products side by side: chosen in the address, told apart only where the results do."""

from __future__ import annotations

from itertools import combinations

import pytest

from comparisons.pages.side_by_side import asked_for, side_by_side
from tests.public.frozen import demo, drop, freeze, parts_of, small
from tests.public.reading import cost, one_space, outline, text_of

pytestmark = pytest.mark.django_db
PATH = "/c/strings/side-by-side/"
CHOSEN = ["brellund", "skarnfold", "yulbrake"]


@pytest.fixture
def strings(db):
    return freeze(small(products=5))


def test_without_a_choice_there_is_a_form_with_every_product(client, strings):
    found = outline(client, PATH)
    boxes = [a for a in found.all("input") if a.get("type") == "checkbox"]
    assert [a["value"] for a in boxes] == ["p00", "p01", "p02", "p03", "p04"]
    assert {a["name"] for a in boxes} == {"p"} and not any("checked" in a for a in boxes)
    (form,) = found.all("form")
    assert form["method"] == "get" and form["action"] == PATH


def test_a_choice_is_shown_in_its_order_and_marked_in_the_form(client, strings):
    found = outline(client, f"{PATH}?p=p03&p=p01")
    text = one_space("".join(found.text))
    assert "Ullvane String 03 and Ullvane String 01" in text
    boxes = [a for a in found.all("input") if a.get("type") == "checkbox"]
    assert [a["value"] for a in boxes if "checked" in a] == ["p01", "p03"]
    assert "/c/strings/editions/1/side-by-side/?p=p03&p=p01" in [a.get("href") for a in found.all("a")]


def test_differences_are_told_exactly_where_the_results_show_them():
    results, page, _ = parts_of(demo())
    side = side_by_side(page, results, CHOSEN)
    titles = {table["trial"]: table["title"] for table in page["trials"]}
    shown = {(row["trial"], text) for row in side["shown"] for text in row["texts"]}
    pairs = [
        (titles[row["trial"]], pair)
        for row in results["differences"]
        for pair in row["pairs"]
        if {pair["a"], pair["b"]} <= set(CHOSEN)
    ]
    assert len(shown) == sum(pair["decided"] == "different" for _, pair in pairs) > 5
    names = {one["code"]: one["name"] for one in page["products"]}
    for title, pair in pairs:
        a, b = names[pair["a"]], names[pair["b"]]
        told = [text for trial, text in shown if trial == title and a in text and b in text]
        if pair["decided"] != "different":
            assert not told
            kind = side["not_shown"] if pair["decided"] == "no_difference_shown" else side["few"]
            assert any({row["a"], row["b"]} == {a, b} and title in row["trials"] for row in kind)
            continue
        (text,) = told
        first, second = (a, b) if pair["difference"] > 0 else (b, a)
        assert text.startswith(f"{first} ") and text.index(first) < text.index(second)
        size = text.rpartition(", by ")[2].split("\u00a0")[0]
        last = 10 ** -len(size.partition(".")[2])  # the value of its last place
        assert float(size) == pytest.approx(abs(pair["difference"]), abs=0.51 * last)


def test_the_tables_hold_the_rows_of_the_whole_tables(client, db):
    freeze(demo())
    _, page, _ = parts_of(demo())
    text = text_of(client, "/c/cable-ties/side-by-side/?" + "&".join(f"p={code}" for code in CHOSEN))
    for table in page["trials"]:
        for row in table["rows"]:
            if row["code"] in CHOSEN and not row["absent"]:
                assert one_space(row["value"]["text"]) in text and one_space(row["likely"]) in text


def test_no_difference_is_not_called_equality(client, strings):
    for a, b in combinations(["p00", "p01"], 2):
        text = text_of(client, f"{PATH}?p={a}&p={b}")
        assert "“not shown” does not mean equal" in text
        assert " equal to " not in text and "the same as" not in text


@pytest.mark.parametrize(
    ("query", "codes", "remarks"),
    [
        ("", [], 0),
        ("p=a&p=a&p=a", ["a"], 0),
        ("p=a&p=b&p=c&p=d", ["a", "b", "c"], 1),
        ("p=&p=a", ["a"], 0),
        ("q=a&x=b", [], 0),
        ("&".join(f"p=x{i}" for i in range(10_000)), ["x0", "x1", "x2"], 2),
        ("p=" + "a" * 100_000, [], 1),
        ("p=%FF%FE&p=b", ["\ufffd\ufffd", "b"], 0),
    ],
)
def test_what_an_address_asks_for(query, codes, remarks):
    found, said = asked_for(query)
    assert found == codes and len(said) == remarks


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("p=p00&p=nobody", "One product of this address: not found here."),
        ("p=%3Cscript%3Ealert(1)%3C/script%3E&p=p00&p=p01", "One product of this address: not found here."),
        ("p=p00&p=p01&p=p02&p=p03", "names more than 3 products"),
        ("&".join(f"p=x{i}" for i in range(10_000)), "too long"),
        ("p=%00&p=p01", "not found here"),
    ],
)
def test_an_address_that_asks_too_much_is_answered_in_one_line(client, strings, query, said):
    answer = client.get(f"{PATH}?{query}")
    html = answer.content.decode()
    assert answer.status_code == 200 and said in html
    assert "<script>alert" not in html and "alert(1)" not in html


def test_one_product_alone_asks_for_another(client, strings):
    text = text_of(client, f"{PATH}?p=p00")
    assert "Choose two or three" in text and "Where they differ" not in text


def test_a_shared_address_answers_after_a_product_was_dropped(client, db):
    freeze(small(products=3))
    freeze(small(products=3), edit=drop("p02"))
    text = text_of(client, f"{PATH}?p=p00&p=p02")
    assert "At least one of these is no longer part of this comparison." in text
    assert "Edition 1 of 2 March 2026 is the last that has them all" in text
    assert "Ullvane String 00 and Ullvane String 02" in text
    assert "Edition 2" in text_of(client, f"{PATH}?p=p00&p=p01")
    assert client.get("/c/strings/editions/2/side-by-side/?p=p00&p=p02").status_code == 200
    assert "not found here" in text_of(client, "/c/strings/editions/2/side-by-side/?p=p00&p=p02")


def test_at_most_two_queries_with_many_editions_whatever_is_asked(client, db):
    for _ in range(4):
        freeze(small(products=3))
    for query in ("", "p=p00&p=p01", "p=p00&p=nobody"):
        assert len(cost(client, f"{PATH}?{query}")) <= 2
        assert len(cost(client, f"{PATH}?{query}", warm=True)) <= 2
    client.get("/c/strings/editions/2/data/")  # some editions are known in short, others not
    assert len(cost(client, f"{PATH}?p=p00&p=nobody", warm=True)) <= 2


@pytest.mark.parametrize("path", ["/c/nothing/side-by-side/?p=a", "/c/strings/editions/999/side-by-side/?p=p00&p=p01"])
def test_what_is_not_published_is_not_there(client, strings, path):
    assert client.get(path).status_code == 404

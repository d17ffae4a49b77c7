"""A method's page: revision, standard, departures, cautions before steps, conditions, and what it was used for."""

from __future__ import annotations

import json

import pytest

from comparisons.pages.method import method_codes, method_page
from tests.public.frozen import demo, freeze, parts_of, small
from tests.public.reading import cost, one_space, text_of
from tests.public.small_study import table

pytestmark = pytest.mark.django_db
LOOP = "/c/cable-ties/methods/loop-pull/"


@pytest.fixture
def ties(db):
    return freeze(demo())


def test_what_the_study_says_of_a_method_is_there(client, ties):
    text = text_of(client, LOOP)
    (row,) = [row for row in demo()["methods"].rows() if row["method"] == "loop-pull"]
    assert f"Revision {row['revision']}" in text
    assert "Departs from IEC 62275." in text and one_space(row["departures"]) in text
    assert "What it cannot show" in text and one_space(row["cannot_show"]) in text
    assert one_space(row["cautions"]) in text
    assert "local fire, electrical and workplace codes" in text
    assert text.index(one_space(row["cautions"])) < text.index("Close the tie by hand on the split mandrel")
    assert "strap cut by the mandrel's edge: does not count" in text.lower().replace("’", "'")


def test_trials_conditions_as_logged_and_instruments(client, ties):
    text = text_of(client, LOOP)
    for part in (
        "Aged 168 h at 100 °C in air", "97 to 102 °C", "−22 to −19 °C", "Hand-wheel stand, 500 N cell",
        "Loop tensile strength, as received: 11 of 11 products measured",
        "Loop tensile strength, 4 h at −20 °C, pulled at once: 10 of 11 products measured",
    ):  # fmt: skip
        assert one_space(part) in text, part


def test_a_method_of_our_own_is_called_that(client, ties):
    assert "Our own method." in text_of(client, "/c/cable-ties/methods/size/")


def test_every_method_of_the_study_has_a_page(client, ties):
    codes = {row["method"] for row in demo()["methods"].rows()}
    assert codes == set(method_codes(json.loads(bytes(ties.page))))
    for code in codes:
        assert client.get(f"/c/cable-ties/methods/{code}/").status_code == 200


def test_a_revision_that_no_trial_used_is_told_apart():
    base = small()
    rows = list(base["methods"].rows())
    rows.append(rows[0] | {"revision": "2", "relation": "follows", "departures": ""})
    trials = [row | {"revision": "1" if row["method"] else ""} for row in base["trials"].rows()]
    changed = base.replace({"methods": table("methods", rows), "trials": table("trials", trials)})
    _, page, _ = parts_of(changed)
    found = method_page(page, "pull-by-hand")
    assert [row["revision"] for row in found["used"]] == ["1"]
    assert [row["revision"] for row in found["unused"]] == ["2"]
    assert found["unused"][0]["relation"] == "Follows ISO 2062."


def test_two_queries_one_where_the_reader_has_it(client, ties):
    assert len(cost(client, LOOP)) == 2
    etag = client.get(LOOP)["ETag"]
    assert client.get(LOOP, headers={"if-none-match": etag}).status_code == 304
    assert len(cost(client, LOOP, warm=True, headers={"if-none-match": etag})) == 1


@pytest.mark.parametrize(
    "path", ["methods/none/", "methods/%22%3E/", "editions/999/methods/loop-pull/", "methods/loop-pull/more/"]
)
def test_what_is_not_there_is_told_so(client, ties, path):
    assert client.get(f"/c/cable-ties/{path}").status_code == 404

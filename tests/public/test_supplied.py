"""What a maker supplied or lent says so wherever readers meet its name, and nothing takes that away."""

from __future__ import annotations

import re

import pytest

from comparisons.analysis import evaluate
from comparisons.load import study_from_tables
from comparisons.page import build_page
from tests.public.small_study import small_study, table
from tests.public.staging import publish

pytestmark = pytest.mark.django_db
MARKED = "Ullvane String 01 (lent by its maker)"


def page_of(tables):
    return build_page(tables, evaluate(study_from_tables(tables)), charts=True)


def texts(value):
    """Every text of a page document that readers get."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for one in value.values():
            yield from texts(one)
    elif isinstance(value, list):
        for one in value:
            yield from texts(one)


def with_purchases(*obtained: str):
    tables = small_study()
    rows = [
        {"purchase": f"p01-{n}", "product": "p01", "obtained": how, "price": "4" if how == "bought" else "",
         "currency": "EUR"}
        for n, how in enumerate(obtained)
    ]  # fmt: skip
    rows.append({"purchase": "p00-0", "product": "p00", "obtained": "bought", "price": "4", "currency": "EUR"})
    return tables.replace({"purchases": table("purchases", rows)})


def test_the_mark_stands_wherever_the_name_does():
    said = list(texts(page_of(small_study())))
    bare = [text for text in said if re.search(r"Ullvane String 01(?! \(lent by its maker\))", text)]
    assert bare == []
    assert len([text for text in said if MARKED in text]) > 10
    assert not any("String 00 (" in text for text in said)


@pytest.mark.parametrize("part", ["rankings", "claims", "trials", "changes", "costs", "purchases", "products"])
def test_each_part_of_the_page_has_it(part):
    assert MARKED in " ".join(texts(page_of(small_study())[part]))


@pytest.mark.parametrize(
    ("obtained", "mark"),
    [
        (("supplied",), "(supplied by its maker)"),
        (("lent", "supplied"), "(supplied and lent by its maker)"),
        (("bought", "supplied"), "(partly supplied by its maker)"),
        (("bought",), ""),
        ((), ""),
    ],
)
def test_what_the_mark_says(obtained, mark):
    name = next(p["name"] for p in page_of(with_purchases(*obtained))["products"] if p["code"] == "p01")
    assert name == f"Ullvane String 01 {mark}".strip()


def test_the_public_page_prints_it_in_each_section(client, cast, edition):
    page = client.get("/c/strings/").content.decode()
    for section in ("claims", "bought", "costs"):
        body = re.search(rf'<section id="{section}".*?</section>\s*(?=<section|</main|<footer|$)', page, re.S)
        assert body and MARKED in body[0], section
    assert not re.search(r"Ullvane String 01(?! \(lent by its maker\))", page)


def test_variants_of_one_model_are_told_apart():
    tables = small_study()
    colours = {"p00": "red", "p01": "blue"}
    rows = [{"product": p, "maker": "Ullvane", "model": "String", "variant": v} for p, v in colours.items()]
    page = page_of(tables.replace({"products": table("products", rows)}))
    assert [(p["name"], p["variant"]) for p in page["products"]] == [
        ("Ullvane String red", ""), ("Ullvane String blue (lent by its maker)", "")
    ]  # fmt: skip


# -- claims ----------------------------------------------------------------------------------------------


def claimed(*rows: dict):
    tables = small_study()
    base = {"product": "p00", "property": "force", "sense": "at_least", "unit": "N"}
    made = [{**base, "claim": f"c{n}", **row} for n, row in enumerate(rows)]
    return tables.replace({"claims": table("claims", made)})


def notes_of(page) -> dict[str, list[str]]:
    return {row["code"]: row["notes"] for part in page["claims"] for row in part["rows"]}


def test_sources_that_disagree_are_named_and_nothing_is_stated():
    page = page_of(claimed({"value": "62", "source": "package"}, {"value": "70", "source": "listing"}))
    rows = {row["code"]: row for part in page["claims"] for row in part["rows"]}
    assert rows["c0"]["statement"] == rows["c1"]["statement"] == "no statement: sources disagree"
    assert notes_of(page)["c0"][0] == "the maker’s sources disagree: “listing” says at least 70\u00a0N"
    assert rows["c0"]["deviation"] == ""


def test_the_source_that_counts_says_why_and_the_other_stays():
    page = page_of(claimed(
        {"value": "62", "source": "package", "governs": "yes", "governs_reason": "It came with the unit."},
        {"value": "70", "source": "listing"},
    ))  # fmt: skip
    notes = notes_of(page)
    assert "this source counts: It came with the unit." in notes["c0"]
    assert notes["c1"][0] == "“package” counts instead: It came with the unit."


def test_why_a_claim_is_not_tested_and_a_print_that_contradicts_itself_are_told():
    page = page_of(claimed(
        {"property": "knot", "value": "4", "unit": "", "condition": "heat",
         "not_tested_because": "No rig holds it at 70 degC."},
        {"value": "62", "wording": "62 N (1.4 lbf)"},
    ))  # fmt: skip
    notes = notes_of(page)
    assert "not tested, because: No rig holds it at 70 °C." in notes["c0"]
    assert any(note.startswith("printed in two units that do not agree: “62 N” and “1.4 lbf”") for note in notes["c1"])


def test_a_certification_that_was_not_found_is_no_accusation(cast):
    tables = claimed({"property": "mark", "sense": "yes", "unit": "", "certification_state": "not_found",
                      "checked_on": "2026-02-03", "source": "package", "wording": "the mark"})  # fmt: skip
    properties = [*tables["properties"].rows(), {"property": "mark", "name": "Mark", "reading": "certification"}]
    page = page_of(tables.replace({"properties": table("properties", properties)}))
    (row,) = page["certifications"][0]["rows"]
    assert row["state"] == "claimed; could not verify on 3 February 2026"
    for word in ("fake", "counterfeit", "false", "fraud", "forged"):
        assert not any(word in text.lower() for text in texts(page["certifications"]))


def test_a_purchase_that_changes_back_changes_the_next_edition_alone(cast, client):
    from specimens.models import Purchase
    from tests.public.small_study import import_small

    comparison = import_small("cords")
    publish(comparison, cast)
    Purchase.objects.filter(programme__slug="cords").update(obtained="bought", price="3.00")
    assert MARKED in client.get("/c/cords/editions/1/").content.decode()

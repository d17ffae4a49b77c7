"""Rows pasted from a spreadsheet: each wrong cell is named, and nothing is stored before all is right."""

from __future__ import annotations

import pytest
from django.urls import reverse

from comparisons.models import Event
from comparisons.services import pasting
from specimens.models import Claim, Product, ProgrammeProduct, Purchase, Unit
from tests.public.small_study import import_small

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"
HEAD = "Product\tProperty\tSense\tValue\tUnit\tSource\tWording\tSeen on\n"


@pytest.fixture
def strings(cast):
    return import_small(products=3)


@pytest.fixture
def programme(strings):
    return strings.parts.get().programme


@pytest.fixture
def planner(client, cast, strings):
    client.force_login(cast["planner"], backend=BACKEND)
    return client


def url(name: str) -> str:
    return reverse(name, args=["strings"])


def faults(kind, programme, text, **how) -> list[tuple]:
    return [(f["line"], f["column"], f["text"]) for f in pasting.read(kind, programme, text, **how).faults()]


def test_claims_are_looked_at_first_and_stored_at_once(planner, programme):
    text = HEAD + (
        "p00\tknot\tat least\t4\t\tpackage\t4 of 5\t2026-01-02\n"
        "Ullvane String 01\tHolds a knot\tat_most\t5\t\tlisting\t\t\n"
    )
    looked = planner.post(url("desk-claims-paste"), {"text": text, "decimal": "point"})
    page = looked.content.decode()
    assert "2 rows, all right" in page and "Nothing is stored yet" in page
    assert Claim.objects.count() == 3
    stored = planner.post(url("desk-claims-paste"), {"text": text, "decimal": "point", "store": "yes"}, follow=True)
    assert "2 claims stored." in stored.content.decode()
    claim = Claim.objects.get(code="p00-knot")
    assert (claim.sense, claim.value.text, claim.wording) == ("at_least", "4", "4 of 5")
    assert str(claim.seen_on) == "2026-01-02"
    event = Event.objects.get(verb="pasted")
    assert event.changes_draft and len(event.after["rows"]) == 2
    again = planner.post(url("desk-claims-paste"), {"text": text, "decimal": "point", "store": "yes"})
    assert again.status_code == 422 and "written down already as p00-knot" in again.content.decode()
    assert Claim.objects.count() == 5


def test_each_bad_cell_is_named(programme):
    text = HEAD + (
        "p00\tknot\tat least\tfour\t\tpackage\t\t2026-01-02\n"
        "p09\tknot\tat least\t4\t\tpackage\t\t2.1.2026\n"
        "p01\tforce\tmost\t4\tmm\t=1+1\t\t2999-01-01\n"
        "p02\tnothing\tat least\t4\n"
    )
    found = faults("claims", programme, text)
    assert (2, "value", "found “four”, expected a number such as 12.5") in found
    assert (3, "product", "found “p09”, expected the code or the name of a product of this comparison") in found
    assert [(line, column) for line, column, _ in found if line == 4] == [
        (4, "sense"), (4, "unit"), (4, "source"), (4, "seen on")
    ]  # fmt: skip
    assert any(line == 5 and column == "property" for line, column, _ in found)


def test_nothing_is_stored_while_a_cell_is_wrong_unless_its_row_is_left_out(planner, programme):
    text = HEAD + "p00\tknot\tat least\t4\np01\tknot\tat least\tmuch\n"
    form = {"text": text, "decimal": "point"}
    looked = planner.post(url("desk-claims-paste"), form).content.decode()
    assert "1 of 2 rows have a cell to mend" in looked and 'name="store"' not in looked
    refused = planner.post(url("desk-claims-paste"), form | {"store": "yes"})
    assert refused.status_code == 422 and not Claim.objects.filter(property__code="knot").exists()
    assert "nothing was stored" in refused.content.decode() and "much" in refused.content.decode()
    done = planner.post(url("desk-claims-paste"), form | {"leave_out": "yes"}, follow=True)
    assert "1 claim stored. 1 row was left out." in done.content.decode()
    assert list(Claim.objects.filter(property__code="knot").values_list("code", flat=True)) == ["p00-knot"]


@pytest.mark.parametrize(
    ("text", "how"),
    [
        ("product;property;sense;value\np00;force;at least;12,5\n", {"comma": True}),
        ("product\tproperty\tsense\tvalue\np00\tforce\tat least\t12,5\n", {"comma": True}),
        ("product,property,sense,value\np00,force,at least,12.5\n", {}),
        ("p00\tforce\tmin\t12.5\n", {}),
        ('\ufeffproduct,property,sense,value,wording\r\np00,force,at least,12.5,"says ""12.5 N"",\nno less"\r\n', {}),
        ("value;sense;property;product\n12.5;at least;force;p00\n", {"separator": "semicolon"}),
    ],
)
def test_separators_decimals_and_heads(programme, text, how):
    pasted = pasting.read("claims", programme, text, **how)
    assert (pasted.trouble, pasted.faults()) == ("", [])
    (cells,) = pasted.made
    assert (cells["product"], cells["property"], cells["sense"], cells["value"]) == ("p00", "force", "at_least", "12.5")


@pytest.mark.parametrize(
    ("cell", "comma", "said"),
    [
        ("12,5", False, "expected a point and no comma"),
        ("1.234,5", True, "expected a number such as 12,5"),
        ("1.234", True, "without a mark for thousands"),
        ("=2+2", False, "expected text that does not start with ="),
        ("1\x002", False, "does not print"),
        ("1e400", False, "expected a number of ordinary size"),
        ("<b>4</b>", False, "expected a number such as 12.5"),
    ],
)
def test_what_a_cell_may_not_hold(programme, cell, comma, said):
    (found,) = faults("claims", programme, HEAD + f"p00\tforce\tat least\t{cell}\n", comma=comma)
    assert found[:2] == (2, "value") and said in found[2]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "Nothing was pasted"),
        (" \n\t\n", "Nothing was pasted"),
        ("product\tproperty\tcolour\np00\tforce\tred\n", "Found the column “colour”"),
        ("product\tproduct\tproperty\n", "a column twice"),
        ("property\tsense\tvalue\nforce\tat least\t4\n", "no column “product”"),
        ("product\tproperty\tsense\n", "no rows below"),
        ("x" * (2**20 + 1), "expected at most 1 MB"),
        ("p00\tforce\tat least\t4\n" * 5_002, "expected at most 5,000"),
        ('a,"b\nc,d', "quotation mark"),
    ],
)
def test_what_cannot_be_read_is_told_in_one_line(planner, text, said):
    answer = planner.post(url("desk-claims-paste"), {"text": text, "decimal": "point", "store": "yes"})
    assert answer.status_code == 422 and said in answer.content.decode()
    assert Claim.objects.count() == 3


def test_nul_in_the_pasted_text_is_told_by_its_cell(planner):
    text = HEAD + "p00\tforce\tat least\t4\tN\ta\x00b\n"
    answer = planner.post(url("desk-claims-paste"), {"text": text, "decimal": "point"})
    page = answer.content.decode()
    assert "1 of 1 rows have a cell to mend" in page and "does not print" in page and "\x00" not in page


def test_html_stays_text(planner):
    row = "p00\tknot\tat least\t4\t\t<b>shop</b>\t<script>alert(1)</script>\n"
    page = planner.post(url("desk-claims-paste"), {"text": HEAD + row, "decimal": "point"}).content.decode()
    assert "<script>alert" not in page and "&lt;script&gt;" in page
    planner.post(url("desk-claims-paste"), {"text": HEAD + row, "decimal": "point", "store": "yes"})
    assert Claim.objects.get(code="p00-knot").wording == "<script>alert(1)</script>"


def test_five_thousand_rows_are_taken(planner, programme, django_assert_max_num_queries):
    rows = [f"p0{n % 3}\tforce\tat least\t{n}.5\tN\tlisting {n}\t\t2026-01-02" for n in range(5_000)]
    with django_assert_max_num_queries(250):
        done = planner.post(
            url("desk-claims-paste"), {"text": HEAD + "\n".join(rows), "decimal": "point", "store": "yes"}
        )
    assert done.status_code == 302 and Claim.objects.count() == 5_003


def test_a_file_is_read_as_well(planner):
    from django.core.files.uploadedfile import SimpleUploadedFile

    data = "﻿product;property;sense;value\np00;knot;at least;4,5\n".encode()
    answer = planner.post(url("desk-claims-paste"), {"file": SimpleUploadedFile("a.csv", data), "decimal": "comma"})
    page = answer.content.decode()
    assert "1 row, all right" in page and "p00;knot;at least;4,5" in page
    broken = SimpleUploadedFile("a.csv", b"\xff\xfe")
    broken = planner.post(url("desk-claims-paste"), {"file": broken, "decimal": "comma"})
    assert broken.status_code == 422 and "no UTF-8 text" in broken.content.decode()


def test_bench_members_cannot_store(client, cast, strings):
    client.force_login(cast["bench-member"], backend=BACKEND)
    text = HEAD + "p00\tknot\tat least\t4\n"
    answer = client.post(url("desk-claims-paste"), {"text": text, "decimal": "point", "store": "y"})
    assert answer.status_code == 422 and Claim.objects.count() == 3


# -- products and purchases ------------------------------------------------------------------------------

BOUGHT = (
    "maker;model;variant;obtained;seller;bought on;price;currency;packs;items per pack;content;content unit;lot;units\n"
)


def test_products_come_with_their_purchases(planner, programme):
    text = BOUGHT + (
        "Brenn;Cord;red;bought;Shop A;2026-02-01;12,50;EUR;2;5;20;m;L1;2\n"
        "Brenn;Cord;red;bought;Shop B;2026-02-03;11,00;;2;5;20;m;L2;1\n"
        "Carrow;Twine;;lent;;2026-02-03;;;1;1;;;;\n"
        "ullvane;string 00;;bought;Shop A;2026-02-01;4,00;EUR;1;10;;;L3;1\n"
    )
    form = {"text": text, "decimal": "comma"}
    assert "4 rows, all right" in planner.post(url("desk-products-paste"), form).content.decode()
    done = planner.post(url("desk-products-paste"), form | {"store": "yes"}, follow=True)
    assert "2 products, 4 purchases, 4 units stored" in done.content.decode()
    brenn = ProgrammeProduct.objects.get(code="brenn")
    assert list(brenn.purchases.values_list("code", "currency", "lot")) == [
        ("brenn-b1", "EUR", "L1"), ("brenn-b2", "EUR", "L2")
    ]  # fmt: skip
    assert [p.price.text for p in brenn.purchases.all()] == ["12.50", "11.00"]
    assert list(brenn.units.values_list("code", "lot")) == [("brenn-1", "L1"), ("brenn-2", "L1"), ("brenn-3", "L2")]
    assert ProgrammeProduct.objects.get(code="p00").purchases.count() == 2
    assert Product.objects.filter(maker__iexact="ullvane").count() == 3


def test_bad_cells_of_products_are_named_and_hold_back_what_hangs_on_them(programme):
    text = BOUGHT + (
        "Brenn;=Cord;red;bought;Shop A;2026-02-01;12,50;EUR;2;5;20;m;L1;2\n"
        "Carrow;Twine;;stolen;;2026-02-03;;USD;0;1;;;;many\n"
        ";Twine;;;;;;;;;;;;\n"
    )
    found = faults("products", programme, text, comma=True)
    assert {(line, column) for line, column, _ in found} == {
        (2, "model"), (3, "obtained"), (3, "currency"), (3, "packs"), (3, "units"), (4, "maker"),
    }  # fmt: skip
    pasted = pasting.read("products", programme, text, comma=True)
    assert pasted.good == []


def test_a_second_paste_of_the_same_purchases_is_told(planner, programme):
    text = BOUGHT + "Brenn;Cord;red;bought;Shop A;2026-02-01;12,50;EUR;2;5;20;m;L1;2\n"
    form = {"text": text, "decimal": "comma", "store": "yes"}
    planner.post(url("desk-products-paste"), form)
    again = planner.post(url("desk-products-paste"), form)
    assert again.status_code == 422 and "written down already" in again.content.decode()
    assert Purchase.objects.filter(product__code="brenn").count() == 1
    assert Unit.objects.filter(product__code="brenn").count() == 2

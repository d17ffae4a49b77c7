"""Products in a browser: a comparison's things are bought and numbered by clicking alone."""

from __future__ import annotations

import pytest

from specimens.models import ProgrammeProduct
from tests.browser.conftest import DESKTOP, PHONE
from tests.desk.test_products import picture
from tests.public.small_study import import_small

LIST = "/desk/strings/products/"


@pytest.fixture
def small(cast):
    return import_small()


@pytest.mark.parametrize("script", [True, False])
def test_a_product_is_added_bought_numbered_and_photographed(visit, small, script, tmp_path):
    receipt = tmp_path / "receipt.pdf"
    receipt.write_bytes(b"%PDF-1.4 paid")
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(picture((4000, 3000)))
    with visit(DESKTOP, script=script) as window:
        window.sign_in("planner")
        page = window.open(LIST)
        page.get_by_role("link", name="Add a product").click()
        page.get_by_label("Maker").fill("Brenn")
        page.get_by_label("Model").fill("Cord")
        page.get_by_role("button", name="Add it", exact=True).click()
        page.get_by_role("link", name="Write down a purchase").click()
        page.get_by_label("Price of the whole purchase").fill("12")
        page.get_by_label("Shipping").fill("3")
        page.get_by_label("Items in a pack").fill("10")
        page.get_by_label("Content of one item").fill("20")
        page.get_by_label("Unit of the content").fill("m")
        if script:  # said at once, and reckoned again by the server
            assert page.locator("[data-priced]").inner_text() == "One item: 1.50 EUR; 0.0750 EUR per m"
        page.get_by_label("Lot on the label").fill("L7")
        page.get_by_label("Items that will be tested").fill("2")
        page.get_by_label("Receipt").set_input_files(receipt)
        page.get_by_role("button", name="Save").click()
        text = page.locator("main").inner_text()
        assert "1.50\u00a0EUR, 0.0750\u00a0EUR per m" in text and "brenn-1, brenn-2" in text
        page.get_by_text("Add a photo").click()
        page.get_by_label("File").set_input_files(photo)
        page.get_by_label("Caption").fill("A full spool")
        page.get_by_label("What it shows").fill("A spool of red cord")
        page.get_by_role("button", name="Keep it").click()
        page.get_by_role("img", name="A spool of red cord").wait_for()
        if script:
            window.accessible()
        page.get_by_role("button", name="Take the product out").click()
        assert "“brenn” stays" in page.get_by_role("alert").inner_text()
        window.clean()
    assert ProgrammeProduct.objects.get(code="brenn").units.count() == 2


@pytest.mark.parametrize(("size", "dark"), [(PHONE, True), (DESKTOP, False)])
def test_pages_fit_are_accessible_and_silent(visit, small, size, dark):
    with visit(size, dark=dark) as window:
        window.sign_in("planner")
        pages = ("add/", "of/p00/", "of/p01/buy/", "bought/p01-shop/", "unit/p00-u0/", "of/p00/name/", "paste/")
        for path in ("", *pages):
            window.open(LIST + path)
            window.fits()
            window.accessible()
        window.clean()

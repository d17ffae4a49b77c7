"""Products, purchases, units and their files on the desk: what is kept, what is said, what is refused."""

from __future__ import annotations

import io
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from comparisons.folder.exporter import tables_from_db
from comparisons.models import Event
from comparisons.services import attaching, editing
from comparisons.services import products as service
from comparisons.services.errors import NotAllowed, NotReady
from specimens.models import Attachment, Product, ProgrammeProduct, Purchase, Unit
from tests.public.small_study import import_small
from tests.public.staging import published

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"


def url(name: str, *args) -> str:
    return reverse(name, args=["strings", *args])


@pytest.fixture
def strings(cast):
    return import_small()


@pytest.fixture
def programme(strings):
    return strings.parts.get().programme


@pytest.fixture
def planner(client, cast, strings):
    client.force_login(cast["planner"], backend=BACKEND)
    return client


def picture(size=(60, 40), form="JPEG", exif=True) -> bytes:
    out = io.BytesIO()
    options = {}
    if exif:
        tags = Image.Exif()
        tags[0x010F] = "Camera of nobody"
        options["exif"] = tags.tobytes()
    Image.new("RGB", size, (90, 120, 60)).save(out, form, **options)
    return out.getvalue()


def upload(data: bytes, name="photo.jpg") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, data)


BOUGHT = {
    "obtained": "bought", "seller": "Shop B", "bought_on": "2026-02-01", "price": "12.00", "shipping": "3.00",
    "currency": "EUR", "packs": "2", "items_per_pack": "5", "content": "20", "content_unit": "m", "lot": "L7",
    "units": "3",
}  # fmt: skip


def test_a_product_is_made_bought_and_numbered_by_clicking(planner, programme):
    made = planner.post(url("desk-product-add"), {"maker": "Brenn", "model": "Cord", "variant": "red", "notes": "Odd."})
    row = ProgrammeProduct.objects.get(code="brenn")
    assert made["Location"] == url("desk-product", "brenn")
    assert (str(row.product), row.notes) == ("Brenn Cord red", "Odd.")
    page = planner.get(made["Location"]).content.decode()
    assert "nobody can tell yet how this product was obtained" in page
    assert "No unit is numbered yet" in page
    bought = planner.post(
        url("desk-purchase-add", "brenn"), BOUGHT | {"receipt_file": upload(b"%PDF-1.4 x", "r.pdf")}
    )
    assert bought["Location"] == url("desk-product", "brenn")
    one = row.purchases.get()
    assert (one.code, one.price.text, one.currency) == ("brenn-b1", "12.00", "EUR")
    assert list(row.units.values_list("code", "lot")) == [("brenn-1", "L7"), ("brenn-2", "L7"), ("brenn-3", "L7")]
    page = planner.get(url("desk-product", "brenn")).content.decode()
    # (12 + 3) / (2 x 5) = 1.50 for one item, and 1.50 / 20 m = 0.0750 for a metre
    assert "1.50\u00a0EUR" in page and "0.0750\u00a0EUR per m" in page
    assert one.receipt.startswith("files/receipts/brenn-b1-") and one.receipt.endswith(".pdf")
    verbs = set(Event.objects.filter(programme=programme, changes_draft=True).values_list("thing", flat=True))
    assert {"product", "purchase", "units"} <= verbs


def test_a_product_of_the_team_is_taken_from_its_list(planner, programme):
    other = Product.objects.create(maker="Ullvane", model="String 77")
    planner.post(url("desk-product-add"), {"known": str(other.pk)})
    row = ProgrammeProduct.objects.get(product=other)
    assert row.code == "ullvane"
    again = planner.post(url("desk-product-add"), {"maker": "ullvane", "model": "STRING 77"})
    assert again.status_code == 422
    assert "is among the products already" in again.content.decode()
    assert Product.objects.filter(model__iexact="string 77").count() == 1


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"maker": ""}, "expected the maker’s name"),
        ({"maker": "=cmd()"}, "expected text that does not start with ="),
        ({"model": "x" * 10_000}, "at most 200"),
        ({"model": "a\x00b"}, "Null characters are not allowed"),
    ],
)
def test_a_product_that_may_not_be_is_told_and_keeps_what_was_typed(planner, changed, said):
    values = {"maker": "Brenn", "model": "Cord", "variant": "typed and kept"} | changed
    answer = planner.post(url("desk-product-add"), values)
    assert answer.status_code == 422
    page = answer.content.decode()
    assert said in page and 'value="typed and kept"' in page
    assert not Product.objects.filter(variant="typed and kept").exists()


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"currency": "USD"}, "expected the comparison&#x27;s currency EUR"),
        ({"price": "12,00"}, "write a point for decimals"),
        ({"price": "-1"}, "expected a number of at least 0"),
        ({"packs": "0"}, "expected a number of more than 0"),
        ({"content_unit": ""}, "without a unit"),
        ({"content_unit": "furlongs"}, "furlongs"),
        ({"price": "1e301"}, "expected a plain one"),
        ({"bought_on": (timezone.localdate() + timedelta(days=2)).isoformat()}, "which lies ahead"),
        ({"bought_on": "31.12.2025"}, "Enter a valid date"),
        ({"seller": "@home"}, "expected text that does not start with @"),
        ({"units": "100000"}, "less than or equal to 200"),
    ],
)
def test_a_purchase_that_may_not_be_is_told_and_nothing_is_stored(planner, programme, changed, said):
    before = (Purchase.objects.count(), Unit.objects.count(), Event.objects.count())
    answer = planner.post(url("desk-purchase-add", "p00"), BOUGHT | changed)
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert (Purchase.objects.count(), Unit.objects.count(), Event.objects.count()) == before


def test_marks_of_direction_and_html_are_text(planner, programme):
    planner.post(url("desk-purchase-add", "p00"), BOUGHT | {"seller": "<b>Shop</b>\u202eevil", "units": ""})
    stored = Purchase.objects.get(code="p00-b2")
    assert stored.seller == "<b>Shop</b>evil"
    page = planner.get(url("desk-product", "p00")).content.decode()
    assert "<b>Shop</b>" not in page and "&lt;b&gt;Shop" in page


def test_what_is_stored_can_be_exported_and_read_again(planner, strings, tmp_path):
    from comparisons.folder.read import read_study
    from comparisons.folder.write import write_to

    planner.post(url("desk-purchase-add", "p00"), BOUGHT | {"receipt_file": upload(picture(), "r.jpg")})
    write_to(tables_from_db(strings), tmp_path / "out")
    tables = read_study(tmp_path / "out")
    assert "p00-b2" in tables["purchases"]["purchase"]


def test_the_second_of_two_people_is_told_and_loses_nothing(planner, cast, programme):
    row = Purchase.objects.get(code="p00-shop")
    address = url("desk-purchase", row.code)
    form = planner.get(address).context["form"]
    shown = {name: form[name].value() or "" for name in form.fields if name not in ("why",)}
    fields = [name for name in form.fields if name != "seen"]
    values = {name: getattr(row, name) for name in fields} | {"price": "5.00"}
    service.change_purchase(
        cast["editor"], row, values, seen=editing.fingerprint(row, values), comparison=None
    )
    answer = planner.post(address, shown | {"seller": "Shop of mine"})
    assert answer.status_code == 409
    page = answer.content.decode()
    assert "Shop of mine" in page and "5.00" in page
    again = {name: answer.context["form"][name].value() or "" for name in answer.context["form"].fields}
    assert planner.post(address, again).status_code == 302
    row.refresh_from_db()
    assert row.seller == "Shop of mine"


def test_taking_back_that_it_was_lent_needs_a_reason(planner, programme):
    row = Purchase.objects.get(code="p01-shop")
    address = url("desk-purchase", row.code)
    form = planner.get(address).context["form"]
    shown = {name: form[name].value() or "" for name in form.fields} | {"obtained": "bought"}
    answer = planner.post(address, shown)
    assert answer.status_code == 422
    assert "write why that was wrong" in answer.content.decode()
    assert planner.post(address, shown | {"why": "The slip was filed under the wrong product."}).status_code == 302
    assert Event.objects.filter(thing="purchase").latest("id").why.startswith("The slip")


@pytest.mark.parametrize(
    ("name", "code"),
    [("desk-product-remove", "p00"), ("desk-purchase-remove", "p00-shop"), ("desk-unit-remove", "p00-u0")],
)
def test_what_readings_rest_on_stays_with_one_clear_line(planner, programme, name, code):
    if name == "desk-purchase-remove":
        Unit.objects.filter(code="p00-u0").update(purchase=Purchase.objects.get(code=code))
    answer = planner.post(url(name, code), follow=True)
    (line,) = [str(message) for message in answer.context["messages"]]
    assert line.startswith(f"“{code}” stays: ") and "readings are never deleted" in line
    assert ProgrammeProduct.objects.filter(code="p00").exists()
    assert Unit.objects.filter(code="p00-u0").exists() and Purchase.objects.filter(code="p00-shop").exists()


def test_what_nothing_rests_on_can_be_taken_out(planner, programme):
    planner.post(url("desk-product-add"), {"maker": "Brenn", "model": "Cord"})
    planner.post(url("desk-purchase-add", "brenn"), BOUGHT | {"units": "1"})
    refused = planner.post(url("desk-product-remove", "brenn"), follow=True)
    assert any("“brenn” stays: purchases (1), units (1) rest on it" in str(m) for m in refused.context["messages"])
    planner.post(url("desk-unit-remove", "brenn-1"))
    planner.post(url("desk-purchase-remove", "brenn-b1"))
    planner.post(url("desk-product-remove", "brenn"))
    assert not ProgrammeProduct.objects.filter(code="brenn").exists()
    assert Event.objects.filter(verb="removed", thing="product", code="brenn").exists()


def test_units_count_on_from_the_last(planner, cast, programme):
    row = ProgrammeProduct.objects.get(code="p00")
    assert service.unit_codes(row, 2) == ["p00-2", "p00-3"]  # p00-u0 and p00-u1 are there
    planner.post(url("desk-units-add", "p00"), {"units-count": "2", "units-lot": "L9"})
    assert list(row.units.filter(lot="L9").values_list("code", flat=True)) == ["p00-2", "p00-3"]
    answer = planner.post(url("desk-units-add", "p00"), {"units-count": "0"})
    assert answer.status_code == 422 and row.units.count() == 4


def test_only_planners_and_editors_change_things(client, cast, strings):
    client.force_login(cast["bench-member"], backend=BACKEND)
    assert client.get(url("desk-products")).status_code == 200
    page = client.get(url("desk-product", "p00")).content.decode()
    assert "Write down" not in page and "Take the product out" not in page
    answer = client.post(url("desk-product-add"), {"maker": "Brenn", "model": "Cord"})
    assert answer.status_code == 422 and not Product.objects.filter(maker="Brenn").exists()
    with pytest.raises(NotAllowed):
        service.add_units(cast["bench-member"], ProgrammeProduct.objects.get(code="p00"), 1)


# -- files -----------------------------------------------------------------------------------------------


def test_a_photo_loses_its_metadata_and_a_receipt_keeps_its_bytes(cast, strings, programme):
    product, purchase = ProgrammeProduct.objects.get(code="p00"), Purchase.objects.get(code="p00-shop")
    data = picture()
    photo = attaching.attach(cast["planner"], product, upload(data), caption="A spool", alt="A spool of string")
    with Image.open(photo.content) as image:
        assert not image.getexif()
    receipt = attaching.attach(cast["planner"], purchase, upload(data), kind=attaching.RECEIPT)
    assert receipt.content.read() == data
    public = tables_from_db(strings, public=True)
    assert photo.path in public["files"]["file"] and receipt.path not in public["files"]["file"]
    assert receipt.path not in public.files and not any(public["purchases"]["receipt"])
    assert receipt.path in tables_from_db(strings)["purchases"]["receipt"]
    drafts = dict(Event.objects.filter(thing="file").values_list("code", "changes_draft"))
    assert drafts == {photo.path: True, receipt.path: False}


def test_a_photo_of_forty_megapixels_is_kept_at_a_size_for_pages(cast, programme):
    product = ProgrammeProduct.objects.get(code="p00")
    made = attaching.attach(cast["planner"], product, upload(picture((7300, 5500))))
    with Image.open(made.content) as image:
        assert image.size == (3000, 2260)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "empty"),
        (b"<script>alert(1)</script>", "no photo that can be read"),
        (b"%PDF-1.4", "no photo that can be read"),
        (b"\xff\xd8\xff\xe0" + b"x" * 50, "no photo that can be read"),
        (b"x" * (30 * 2**20 + 1), "expected at most 30 MB"),
    ],
)
def test_a_file_is_judged_by_what_it_holds(cast, programme, data, said):
    product = ProgrammeProduct.objects.get(code="p00")
    with pytest.raises(NotReady, match=said):
        attaching.attach(cast["planner"], product, upload(data, "holiday.jpg"))
    assert not Attachment.objects.exists()


def test_captions_are_edited_and_a_second_person_is_told(planner, cast, programme):
    product = ProgrammeProduct.objects.get(code="p00")
    made = attaching.attach(cast["planner"], product, upload(picture()), caption="A spool")
    address = url("desk-attachment", made.pk)
    seen = planner.get(address).context["form"]["seen"].value()
    done = planner.post(address, {"caption": "A full spool", "alt": "A spool of string", "seen": seen})
    assert done["Location"] == url("desk-product", "p00")
    late = planner.post(address, {"caption": "Mine", "alt": "", "seen": seen})
    assert late.status_code == 409 and "A full spool" in late.content.decode()


def test_a_photo_that_an_edition_shows_stays(cast):
    edition_less = import_small("cords")
    product = edition_less.parts.get().programme.products.get(code="p00")
    made = attaching.attach(cast["planner"], product, upload(picture()), alt="A spool")
    content = made.content
    from tests.public.staging import publish

    publish(edition_less, cast)
    with pytest.raises(NotReady, match="edition 1 of “Strings, cords” shows it"):
        attaching.remove(cast["planner"], made)
    later = attaching.attach(cast["planner"], product, upload(picture()), alt="Another")
    name = later.content.name
    attaching.remove(cast["planner"], later)
    assert not Attachment.objects.filter(pk=later.pk).exists()
    assert content.storage.exists(content.name) and name


def test_a_receipt_stays_once_an_edition_rests_on_it(cast):
    edition = published(cast, "cords")
    purchase = edition.comparison.parts.get().programme.purchases.get(code="p00-shop")
    receipt = attaching.attach(cast["planner"], purchase, upload(b"%PDF-1.4 x"), kind=attaching.RECEIPT)
    with pytest.raises(NotReady, match="rests on the purchase it proves"):
        attaching.remove(cast["planner"], receipt)


# -- the pages -------------------------------------------------------------------------------------------


def test_the_pages_take_the_same_queries_at_any_size(client, cast, django_assert_max_num_queries):
    client.force_login(cast["planner"], backend=BACKEND)
    import_small("few", products=2)
    import_small("many", products=12, units=4)
    for slug in ("few", "many"):
        with django_assert_max_num_queries(16):
            assert client.get(reverse("desk-products", args=[slug])).status_code == 200
        with django_assert_max_num_queries(22):
            assert client.get(reverse("desk-product", args=[slug, "p00"])).status_code == 200


def test_the_list_says_what_is_not_written_down(planner, strings):
    page = planner.get(url("desk-products")).content.decode()
    assert "lent by the maker" in page and "marked on public pages" in page
    assert "no receipt" in page


def test_an_unknown_product_is_nowhere(planner, strings):
    assert planner.get("/desk/strings/products/of/none/").status_code == 404
    assert planner.get("/desk/strings/products/of/%00/").status_code == 404


def test_points_for_the_check_before_publication(strings, programme):
    Unit.objects.filter(product__code="p00").update(purchase=None)
    kinds = {(point["kind"], point["product"], point["stops"]) for point in service.purchase_points(programme)}
    assert {("no_receipt", "p00", False), ("loose_units", "p00", False)} <= kinds
    Purchase.objects.filter(code="p00-shop").update(currency="USD")
    assert ("other_currency", "p00", True) in {
        (p["kind"], p["product"], p["stops"]) for p in service.purchase_points(programme)
    }

"""Products of a comparison, how they were obtained, the items that are tested, and the files about them."""

from __future__ import annotations

from types import SimpleNamespace

from django import forms
from django.contrib import messages
from django.db import transaction
from django.http import Http404
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from comparisons.models import Comparison
from comparisons.services import attaching, editing
from comparisons.services import products as service
from comparisons.services.errors import Refused
from comparisons.services.roles import can_prepare
from specimens.models import Attachment, Programme, ProgrammeProduct, Purchase, Unit

from .desk import members_only, place_of
from .editing import edit
from .product_forms import Bought, Described, Item, MoreUnits, Named, NewProduct, Noted, Upload

form_page = require_http_methods(["GET", "HEAD", "POST"])


def here(request, slug: str) -> SimpleNamespace:
    """The comparison, where it stands, and the programme that is bought and claimed for it; 404 where none is."""
    place = place_of(request.user, slug)
    comparison = Comparison.objects.get(pk=place.pk)
    programme = Programme.objects.filter(parts__comparison=comparison).order_by("parts__prefix", "parts__id").first()
    if programme is None:
        raise Http404("this comparison has no programme")
    return SimpleNamespace(
        place=place, comparison=comparison, programme=programme, prepares=can_prepare(request.user), slug=slug
    )


def product_of(where, code: str) -> ProgrammeProduct:
    return get_object_or_404(
        ProgrammeProduct.objects.select_related("product", "programme"), programme=where.programme, code=code
    )


@members_only
@require_safe
def products(request, slug: str):
    """All products, how each was obtained, its items and lots, and what is not written down yet."""
    where = here(request, slug)
    rows = where.programme.products.select_related("product").prefetch_related("purchases", "units", "claims")
    return render(request, "desk/products.html", {
        "place": where.place, "prepares": where.prepares, "comparison": where.comparison,
        "rows": [_product_row(row) for row in rows],
    })  # fmt: skip


def _product_row(row: ProgrammeProduct) -> dict:
    bought, units = list(row.purchases.all()), list(row.units.all())
    price, why = "", ""
    found = [service.prices(one) for one in bought]
    price = "; ".join(p.item for p in found if p.item)
    why = next((p.why for p in found if p.why), "") if not price else ""
    lots = sorted({one.lot for one in [*bought, *units] if one.lot})
    missing = []
    if bought and not all(one.receipt for one in bought if one.obtained == "bought"):
        missing.append("no receipt")
    if not units:
        missing.append("no unit numbered")
    elif len(units) == 1:
        missing.append("one unit only")
    ways = {one.obtained: one.get_obtained_display() for one in bought}
    return {
        "code": row.code, "product": row.product, "notes": row.notes, "ways": list(ways.values()),
        "given": any(way != "bought" for way in ways), "price": price, "why": why, "units": len(units), "lots": lots,
        "claims": len(row.claims.all()), "missing": missing, "bought": bool(bought),
    }  # fmt: skip


@members_only
@form_page
def add(request, slug: str):
    """A product of the team's list, or a new one."""
    where = here(request, slug)
    known = service.known_products(where.programme)
    form = NewProduct(request.POST or None, known=known)
    if request.method == "POST" and form.is_valid():
        try:
            made = service.add_product(
                request.user, where.programme, comparison=where.comparison, **form.cleaned_data
            )
        except editing.Invalid as invalid:
            _tell(form, invalid)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, f"{made} is among the products now, under the code {made.code}.")
            if "again" in request.POST:
                return redirect("desk-product-add", slug)
            return redirect("desk-product", slug, made.code)
    return render(request, "desk/product_add.html", {
        "form": form, "place": where.place, "title": "Add a product", "back": reverse("desk-products", args=[slug]),
    }, status=422 if form.errors else 200)  # fmt: skip


def _tell(form, invalid: editing.Invalid) -> None:
    for name, lines in invalid.errors.items():
        for line in lines:
            form.add_error(name if name in form.fields else None, line)


@members_only
@require_safe
def product(request, slug: str, code: str):
    """One product: purchases with what an item comes to, items, files, and what is not written down."""
    return _product_page(request, here(request, slug), code)


def _product_page(request, where, code: str, *, units_form=None, photo_form=None, status: int = 200):
    row = product_of(where, code)
    files: dict[int, list] = {}
    own = []
    for one in Attachment.objects.filter(programme=where.programme).filter(product=row) | Attachment.objects.filter(
        programme=where.programme, purchase__product=row
    ):
        if one.purchase_id:
            files.setdefault(one.purchase_id, []).append(_file(one))
        else:
            own.append(_file(one))
    purchases = [
        {"row": one, "prices": service.prices(one), "files": files.get(one.pk, []),
         "other_currency": bool(one.currency) and one.currency != where.comparison.currency}
        for one in row.purchases.prefetch_related("units")
    ]  # fmt: skip
    units = list(row.units.select_related("purchase"))
    return render(request, "desk/product.html", {
        "place": where.place, "prepares": where.prepares, "comparison": where.comparison, "row": row,
        "purchases": purchases, "units": units, "files": own, "claims": row.claims.count(),
        "readings": row.readings.count(),
        "units_form": units_form or MoreUnits(product=row, prefix="units"),
        "photo_form": photo_form or Upload(prefix="photo"),
        "elsewhere": row.product.programmes.exclude(pk=row.pk).select_related("programme"),
    }, status=status)  # fmt: skip


def _file(one: Attachment) -> dict:
    return {
        "row": one, "path": one.path.removeprefix("files/"), "picture": not one.path.endswith(".pdf"),
        "receipt": one.kind == attaching.RECEIPT, "public": attaching.is_public(one.about, one.kind),
    }  # fmt: skip


@members_only
@form_page
def rename(request, slug: str, code: str):
    """Maker, model and variant, for every programme that knows the product."""
    where = here(request, slug)
    row = product_of(where, code)

    def save(actor, product, values, *, seen, comparison, programme, thing, why):
        return service.rename_product(
            actor, product, values, seen=seen, programme=programme, comparison=comparison
        )

    return edit(
        request, form_class=Named, row=row.product, place=where.place, comparison=where.comparison,
        programme=where.programme, thing="product", title=f"Name of {row.product}",
        back=reverse("desk-product", args=[slug, code]), save=save,
    )  # fmt: skip


@members_only
@form_page
def notes(request, slug: str, code: str):
    where = here(request, slug)
    row = product_of(where, code)
    return edit(
        request, form_class=Noted, row=row, place=where.place, comparison=where.comparison,
        programme=where.programme, thing="product", title=f"Notes on {row.product}",
        back=reverse("desk-product", args=[slug, code]),
    )  # fmt: skip


def _remove(request, where, row, *, back: str, stay: str, done: str):
    try:
        service.remove(request.user, row, comparison=where.comparison)
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect(stay)
    messages.success(request, done)
    return redirect(back)


@members_only
@require_POST
def remove(request, slug: str, code: str):
    where = here(request, slug)
    row = product_of(where, code)
    return _remove(
        request, where, row, back=reverse("desk-products", args=[slug]),
        stay=reverse("desk-product", args=[slug, code]), done=f"{row.product} is no longer among the products.",
    )  # fmt: skip


# -- purchases -------------------------------------------------------------------------------------------


@members_only
@form_page
def buy(request, slug: str, code: str):
    """A new purchase, with its receipt and the items of it that will be tested."""
    where = here(request, slug)
    row = product_of(where, code)
    last = row.purchases.order_by("-pk").first()
    fresh = Purchase(product=row, programme=where.programme)
    if last is not None and request.method != "POST":  # the next pack of a product mostly holds the same
        for name in ("items_per_pack", "content", "content_unit"):
            setattr(fresh, name, getattr(last, name))

    def create(actor, purchase, *, comparison, programme, thing, why):
        with transaction.atomic():
            purchase = service.add_purchase(
                actor, purchase, comparison=comparison, units=_count(request.POST.get("units"))
            )
            if receipt := request.FILES.get("receipt_file"):
                attaching.attach(actor, purchase, receipt, kind=attaching.RECEIPT, comparison=comparison)
        return purchase

    return edit(
        request, form_class=Bought, row=fresh, place=where.place, comparison=where.comparison,
        programme=where.programme, thing="purchase", title=f"A purchase of {row.product}",
        back=reverse("desk-product", args=[slug, code]), done="The purchase is written down.", create=create,
        template="desk/purchase.html", context={"product": row, "purchase": None},
        form_options={"currency": where.comparison.currency},
    )  # fmt: skip


def _count(text: str | None) -> int:
    return forms.IntegerField(required=False).clean(text) or 0


def _purchase_of(where, code: str) -> Purchase:
    return get_object_or_404(
        Purchase.objects.select_related("product__product", "programme"), programme=where.programme, code=code
    )


@members_only
@form_page
def purchase(request, slug: str, code: str):
    where = here(request, slug)
    row = _purchase_of(where, code)

    def save(actor, purchase, values, *, seen, comparison, programme, thing, why):
        return service.change_purchase(actor, purchase, values, seen=seen, comparison=comparison, why=why)

    files = [_file(one) for one in row.attachments.all()]
    return edit(
        request, form_class=Bought, row=row, place=where.place, comparison=where.comparison,
        programme=where.programme, thing="purchase", title=f"Purchase {row.code} of {row.product.product}",
        back=reverse("desk-product", args=[slug, row.product.code]), save=save, template="desk/purchase.html",
        context={
            "product": row.product, "purchase": row, "prices": service.prices(row), "files": files,
            "prepares": where.prepares, "receipt_form": Upload(receipt=True, prefix="receipt"),
            "photo_form": Upload(prefix="photo"),
        },
        form_options={"currency": where.comparison.currency},
    )  # fmt: skip


@members_only
@require_POST
def remove_purchase(request, slug: str, code: str):
    where = here(request, slug)
    row = _purchase_of(where, code)
    back = reverse("desk-product", args=[slug, row.product.code])
    return _remove(request, where, row, back=back, stay=back, done=f"The purchase {row.code} is removed.")


# -- units -----------------------------------------------------------------------------------------------


@members_only
@require_POST
def add_units(request, slug: str, code: str):
    """Number several items of a product at once."""
    where = here(request, slug)
    row = product_of(where, code)
    form = MoreUnits(request.POST, product=row, prefix="units")
    if form.is_valid():
        bought = form.cleaned_data["purchase"]
        try:
            made = service.add_units(
                request.user, row, form.cleaned_data["count"], purchase=bought, comparison=where.comparison,
                lot=form.cleaned_data["lot"] or (bought.lot if bought else ""),
            )  # fmt: skip
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            codes = made[0].code if len(made) == 1 else f"{made[0].code} to {made[-1].code}"
            messages.success(request, f"Numbered {codes}: write the codes on the items.")
            return redirect("desk-product", slug, code)
    return _product_page(request, where, code, units_form=form, status=422)


def _unit_of(where, code: str) -> Unit:
    return get_object_or_404(
        Unit.objects.select_related("product__product", "programme"), programme=where.programme, code=code
    )


@members_only
@form_page
def unit(request, slug: str, code: str):
    where = here(request, slug)
    row = _unit_of(where, code)
    return edit(
        request, form_class=Item, row=row, place=where.place, comparison=where.comparison,
        programme=where.programme, thing="unit", title=f"Unit {row.code}",
        back=reverse("desk-product", args=[slug, row.product.code]), template="desk/product_unit.html",
        context={"unit": row, "prepares": where.prepares},
    )  # fmt: skip


@members_only
@require_POST
def remove_unit(request, slug: str, code: str):
    where = here(request, slug)
    row = _unit_of(where, code)
    back = reverse("desk-product", args=[slug, row.product.code])
    return _remove(request, where, row, back=back, stay=back, done=f"The unit {row.code} is removed.")


# -- files -----------------------------------------------------------------------------------------------


@members_only
@require_POST
def attach_to_product(request, slug: str, code: str):
    where = here(request, slug)
    row = product_of(where, code)
    form = Upload(request.POST, request.FILES, prefix="photo")
    if _attached(request, where, row, form, attaching.PHOTO):
        return redirect("desk-product", slug, code)
    return _product_page(request, where, code, photo_form=form, status=422)


@members_only
@require_POST
def attach_to_purchase(request, slug: str, code: str):
    where = here(request, slug)
    row = _purchase_of(where, code)
    receipt = "receipt-file" in request.FILES or "receipt-caption" in request.POST
    form = Upload(request.POST, request.FILES, receipt=receipt, prefix="receipt" if receipt else "photo")
    if not _attached(request, where, row, form, attaching.RECEIPT if receipt else attaching.PHOTO):
        messages.error(request, " ".join(line for lines in form.errors.values() for line in lines))
    return redirect("desk-purchase", slug, code)


def _attached(request, where, row, form: Upload, kind: str) -> bool:
    if not form.is_valid():
        return False
    try:
        attaching.attach(
            request.user, row, form.cleaned_data["file"], kind=kind, caption=form.cleaned_data["caption"],
            alt=form.cleaned_data.get("alt", ""), comparison=where.comparison,
        )  # fmt: skip
    except Refused as refusal:
        form.add_error("file", str(refusal))
        return False
    messages.success(request, "The file is kept.")
    return True


def _attachment(where, pk: int) -> Attachment:
    return get_object_or_404(
        Attachment.objects.select_related("programme", "product", "purchase__product", "claim__product",
                                          "claim__property", "trial"),
        programme=where.programme, pk=pk,
    )  # fmt: skip


def _home_of(slug: str, one: Attachment) -> str:
    if one.purchase_id:
        return reverse("desk-purchase", args=[slug, one.purchase.code])
    if one.product_id:
        return reverse("desk-product", args=[slug, one.product.code])
    if one.claim_id:
        return reverse("desk-claim", args=[slug, one.claim.code])
    return reverse("desk-comparison", args=[slug])


@members_only
@form_page
def describe(request, slug: str, pk: int):
    """Caption and alternative text of a file."""
    where = here(request, slug)
    row = _attachment(where, pk)

    def save(actor, attachment, values, *, seen, comparison, programme, thing, why):
        return attaching.describe(actor, attachment, **values, seen=seen, comparison=comparison)

    return edit(
        request, form_class=Described, row=row, place=where.place, comparison=where.comparison,
        programme=where.programme, thing="file", title="Caption and words for a picture", back=_home_of(slug, row),
        save=save, template="desk/product_file.html", context={"file": _file(row), "prepares": where.prepares},
    )  # fmt: skip


@members_only
@require_POST
def remove_file(request, slug: str, pk: int):
    where = here(request, slug)
    row = _attachment(where, pk)
    back = _home_of(slug, row)
    try:
        attaching.remove(request.user, row, comparison=where.comparison)
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, "The file is removed.")
    return redirect(back)

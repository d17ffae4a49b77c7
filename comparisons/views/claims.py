"""Claims: the entry grid, one claim, one cell with its sources, one column, copies of a row."""

from __future__ import annotations

from collections import defaultdict

from django.contrib import messages
from django.db import transaction
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from comparisons.services import attaching, claiming, editing
from comparisons.services.errors import Refused
from comparisons.services.roles import is_editor
from specimens.models import Attachment, Claim, Property

from .claim_forms import CopyRow, Governs, OfOneProduct, SameSource, Shared, form_for
from .desk import members_only
from .editing import edit
from .product_forms import Upload
from .products import _attached, _file, form_page, here, product_of


def _said(claim: Claim) -> str:
    """The claim in words, in the unit that was printed."""
    from comparisons.pages import words
    from comparisons.pages.names import claim_text

    if claim.property.kind == "certification":
        return words.certification(
            claim.certification_state or "claimed", claim.reference,
            claim.checked_on.isoformat() if claim.checked_on else "",
        )  # fmt: skip
    unit = claim.unit or ("percent" if claim.of == "change" else claim.property.unit)
    cells = {name: "" if value is None else str(value) for name, value in (
        (name, getattr(claim, name)) for name in ("value", "low", "high", "tolerance_minus", "tolerance_plus")
    )}  # fmt: skip
    return claim_text(cells | {"sense": claim.sense, "of": claim.of, "scope": claim.scope}, unit)


def _told(claim: Claim, disagree: dict[str, claiming.Conflict]) -> dict:
    """One claim as the grid and the lists show it."""
    conflict = disagree.get(claim.code)
    marks = []
    if conflict and not conflict.governing:
        marks.append("sources disagree")
    elif conflict and conflict.governing == claim.code:
        marks.append("this source counts")
    elif conflict:
        marks.append("another source counts")
    asked = claim.certification_state not in ("not_looked_for", "not_claimed")
    if asked and not claim.source:
        marks.append("no source")
    marks += ["printed in two units that do not agree"] if claiming.printed_twice(claim) else []
    if claiming.not_as_printed(claim, claim.property.unit):
        marks.append("not as printed")
    if claim.not_tested_because:
        marks.append("not tested")
    return {"row": claim, "text": _said(claim), "marks": marks, "conflict": conflict}


@members_only
@require_safe
def claims(request, slug: str):
    """The entry grid: products down, properties across; each cell leads to a short form."""
    return _grid(request, here(request, slug))


def _grid(request, where, *, copy_form=None, status: int = 200):
    programme = where.programme
    products = list(programme.products.select_related("product").order_by("code"))
    kinds = list(claiming.SENSES_OF)
    properties = sorted(programme.properties.all(), key=lambda p: (kinds.index(p.kind), p.code))
    disagree = {code: c for c in claiming.conflicts(programme) for code in c.claims}
    cells: dict[tuple, list] = defaultdict(list)
    for claim in programme.claims.select_related("product__product", "property").order_by("code"):
        cells[claim.product_id, claim.property_id].append(_told(claim, disagree))
    rows = [
        {"product": product, "cells": [
            {"property": prop, "claims": cells[product.pk, prop.pk],
             "disagree": any(c["conflict"] and not c["conflict"].governing for c in cells[product.pk, prop.pk])}
            for prop in properties
        ]}
        for product in products
    ]  # fmt: skip
    open_conflicts = len({c for c in disagree.values() if not c.governing})
    return render(request, "desk/claims.html", {
        "place": where.place, "prepares": where.prepares, "rows": rows, "properties": properties,
        "open_conflicts": open_conflicts, "written": sum(map(len, cells.values())),
        "copy_form": copy_form or CopyRow(prefix="copy", products=programme.products.select_related("product")),
    }, status=status)  # fmt: skip


def _claim_of(where, code: str) -> Claim:
    return get_object_or_404(
        Claim.objects.select_related("product__product", "property", "programme", "trial", "condition"),
        programme=where.programme, code=code,
    )  # fmt: skip


def _grid_at(slug: str, product, prop) -> str:
    return f"{reverse('desk-claims', args=[slug])}#cell-{product.code}-{prop.code}"


def _keep_photo(request, actor, claim: Claim, comparison) -> None:
    if photo := request.FILES.get("photo"):
        attaching.attach(actor, claim, photo, caption=f"{claim.product}: {claim.source or 'as printed'}"[:300],
                         comparison=comparison)  # fmt: skip


def _next_product(where, product):
    return where.programme.products.filter(code__gt=product.code).order_by("code").first()


@members_only
@form_page
def cell(request, slug: str, product: str, prop: str):
    """What one product claims of one property, source by source, and a form for one more."""
    where = here(request, slug)
    product = product_of(where, product)
    prop = get_object_or_404(Property, programme=where.programme, code=prop)
    rows = list(
        where.programme.claims.filter(product=product, property=prop).select_related("product__product", "property")
        .order_by("code")
    )  # fmt: skip
    disagree = {code: c for c in claiming.conflicts(where.programme) for code in c.claims}
    fresh = Claim(programme=where.programme, product=product, property=prop, sense="", of="value", scope="typical")
    if prop.kind in ("pass_fail", "certification"):
        fresh.sense = "yes"
    if request.method != "POST" and not rows:
        last = product.claims.order_by("-pk").first()
        if last is not None:  # the next claim mostly stands on the same package
            fresh.source, fresh.seen_on = last.source, last.seen_on

    def create(actor, claim, *, comparison, programme, thing, why):
        with transaction.atomic():
            if prop.kind in ("pass_fail", "certification"):
                claim.sense = "yes"
            claim = claiming.add_claim(actor, claim, comparison=comparison)
            _keep_photo(request, actor, claim, comparison)
        return claim

    def then(claim, form):
        following = _next_product(where, product)
        if "next" in request.POST and following:
            return reverse("desk-claim-cell", args=[slug, following.code, prop.code])
        return _grid_at(slug, product, prop)

    sources = _sources(rows, disagree)
    return edit(
        request, form_class=form_for(fresh), row=fresh, place=where.place, comparison=where.comparison,
        programme=where.programme, thing="claim", title=f"{product}: {prop}",
        back=_grid_at(slug, product, prop), done=f"Written down: {product}, {prop}.", create=create, then=then,
        template="desk/claim_cell.html",
        context={
            "product": product, "property": prop, "sources": sources, "prepares": where.prepares,
            "edits": is_editor(request.user), "following": _next_product(where, product),
            "disagree": any(s["conflict"] and not s["conflict"].governing for s in sources),
            "choices": _choices(sources),
        },
    )  # fmt: skip


def _sources(rows: list[Claim], disagree: dict) -> list[dict]:
    told = [_told(claim, disagree) for claim in rows]
    for one in told:
        one["printed"] = claiming.printed_twice(one["row"])
        one["not_printed"] = claiming.not_as_printed(one["row"], one["row"].property.unit)
    return told


def _choices(sources: list[dict]) -> list[dict]:
    """For each group of sources that disagree: the claims, the one that counts, and the form that chooses."""
    made = []
    for conflict in dict.fromkeys(one["conflict"] for one in sources if one["conflict"]):
        own = [one for one in sources if one["conflict"] == conflict]
        first = own[0]["row"]
        reason = next((one["row"].governs_reason for one in own if one["row"].code == conflict.governing), "")
        made.append({
            "claims": own, "governing": conflict.governing,
            "form": Governs(prefix=first.code, initial={
                "reason": reason, "seen": claiming.fingerprint_of(claiming.rivals(first)),
            }),
        })  # fmt: skip
    return made


@members_only
@form_page
def claim(request, slug: str, code: str):
    """One claim, to be changed."""
    where = here(request, slug)
    row = _claim_of(where, code)

    def save(actor, claim, values, *, seen, comparison, programme, thing, why):
        return claiming.change_claim(actor, claim, values, seen=seen, comparison=comparison)

    return edit(
        request, form_class=form_for(row), row=row, place=where.place, comparison=where.comparison,
        programme=where.programme, thing="claim", title=f"{row.product}: {row.property}",
        back=_grid_at(slug, row.product, row.property), save=save, template="desk/claim.html",
        context={
            "claim": row, "prepares": where.prepares, "said": _said(row), "printed": claiming.printed_twice(row),
            "not_printed": claiming.not_as_printed(row, row.property.unit),
            "others": row.product.claims.filter(property=row.property).exclude(pk=row.pk).count(),
            "files": [_file(one) for one in Attachment.objects.filter(claim=row)],
            "photo_form": Upload(prefix="photo"),
        },
    )  # fmt: skip


@members_only
@require_POST
def remove(request, slug: str, code: str):
    where = here(request, slug)
    row = _claim_of(where, code)
    try:
        claiming.remove_claim(request.user, row, comparison=where.comparison)
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect("desk-claim", slug, code)
    messages.success(request, f"The claim {code} is removed; the record keeps what it said.")
    return redirect(_grid_at(slug, row.product, row.property))


@members_only
@require_POST
def attach(request, slug: str, code: str):
    where = here(request, slug)
    row = _claim_of(where, code)
    form = Upload(request.POST, request.FILES, prefix="photo")
    if not _attached(request, where, row, form, attaching.PHOTO):
        messages.error(request, " ".join(line for lines in form.errors.values() for line in lines))
    return redirect("desk-claim", slug, code)


@members_only
@require_POST
def governs(request, slug: str, product: str, prop: str):
    """An editor says which source counts, and why; or leaves it open again."""
    where = here(request, slug)
    prefix = request.POST.get("group", "")[:80]
    chosen = request.POST.get(f"{prefix}-claim", "")
    seen = request.POST.get(f"{prefix}-seen", "")
    reason = request.POST.get(f"{prefix}-reason", "")
    mine = where.programme.claims.filter(product__code=product, property__code=prop)
    row = mine.filter(code=chosen).select_related("product", "property", "programme").first()
    try:
        if row is None:
            raise Refused("Choose the source that counts.")
        if "open" in request.POST:
            row = mine.filter(governs=True, code__in=[c.code for c in claiming.rivals(row)]).first() or row
            claiming.leave_open(request.user, row, seen=seen, comparison=where.comparison)
            messages.success(request, "Left open: the sources disagree in sight, and nothing is judged by them.")
        else:
            form = Governs({"reason": reason, "seen": seen})
            typed = form.cleaned_data["reason"] if form.is_valid() else ""
            claiming.govern(request.user, row, typed, seen=seen, comparison=where.comparison)
            messages.success(request, f"{row.source or row.code} counts now; the other sources stay in sight.")
    except Refused as refusal:
        messages.error(request, str(refusal))
    return redirect("desk-claim-cell", slug, product, prop)


# -- a column, a row -------------------------------------------------------------------------------------


@members_only
@form_page
def column(request, slug: str, prop: str):
    """One property for all products: what they share once, the amounts one below the other."""
    where = here(request, slug)
    prop = get_object_or_404(Property, programme=where.programme, code=prop)
    posted = request.POST if request.method == "POST" else None
    there: dict[int, list[str]] = defaultdict(list)
    for claim in where.programme.claims.filter(property=prop).select_related("property").order_by("code"):
        there[claim.product_id].append(_said(claim) + (f" ({claim.source})" if claim.source else ""))
    shared = Shared(posted, prop=prop, programme=where.programme)
    rows = [
        OfOneProduct(posted, product=product, prop=prop, there=there[product.pk])
        for product in where.programme.products.select_related("product").order_by("code")
    ]
    if posted and shared.is_valid() and all([row.is_valid() for row in rows]):
        typed = {row.product: row.own() for row in rows if row.typed()}
        try:
            if not typed:
                raise Refused("Nothing was typed: write at least one product’s claim.")
            made = claiming.add_column(
                request.user, where.programme, prop, shared.cleaned_data, typed, comparison=where.comparison
            )
        except editing.Invalid as invalid:
            _tell_column(shared, rows, invalid)
        except Refused as refusal:
            shared.add_error(None, str(refusal))
        else:
            messages.success(request, f"Written down: {len(made)} claim{'' if len(made) == 1 else 's'}.")
            return redirect("desk-claims", slug)
    bad = posted is not None
    return render(request, "desk/claim_column.html", {
        "place": where.place, "property": prop, "shared": shared, "rows": rows, "prepares": where.prepares,
        "back": reverse("desk-claims", args=[slug]), "same": SameSource(prefix="same"),
        "claims": sum(map(len, there.values())),
    }, status=422 if bad else 200)  # fmt: skip


def _tell_column(shared, rows, invalid: editing.Invalid) -> None:
    by_code = {row.product.code: row for row in rows}
    for key, lines in invalid.errors.items():
        code, _, name = key.partition(" ")
        form = by_code.get(code) if name else shared
        for line in lines:
            target = name or key
            form.add_error(target if form and target in form.fields else None, line)


@members_only
@require_POST
def same_source(request, slug: str, prop: str):
    """The same source and date for the claims of a column."""
    where = here(request, slug)
    prop = get_object_or_404(Property, programme=where.programme, code=prop)
    form = SameSource(request.POST, prefix="same")
    if not form.is_valid():
        messages.error(request, " ".join(line for lines in form.errors.values() for line in lines))
        return redirect("desk-claim-column", slug, prop.code)
    try:
        n = claiming.set_column(
            request.user, where.programme, prop, source=form.cleaned_data["source"],
            seen_on=form.cleaned_data["seen_on"], blank_only=not form.cleaned_data["over"],
            comparison=where.comparison,
        )  # fmt: skip
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect("desk-claim-column", slug, prop.code)
    messages.success(request, f"{n} claim{'' if n == 1 else 's'} changed.")
    return redirect("desk-claims", slug)


@members_only
@require_POST
def copy(request, slug: str):
    """Copy the claims of one product to others; what they have already stays."""
    where = here(request, slug)
    form = CopyRow(request.POST, prefix="copy", products=where.programme.products.select_related("product"))
    if form.is_valid():
        copied = passed = 0
        try:
            with transaction.atomic():
                for target in form.cleaned_data["targets"]:
                    a, b = claiming.copy_row(
                        request.user, form.cleaned_data["source"], target, comparison=where.comparison
                    )
                    copied, passed = copied + a, passed + b
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            left = f"; {passed} passed over, since a claim is there already" if passed else ""
            messages.success(request, f"{copied} claim{'' if copied == 1 else 's'} copied{left}.")
            return redirect("desk-claims", slug)
    return _grid(request, where, copy_form=form, status=422)

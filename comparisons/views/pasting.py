"""Pasting from a spreadsheet: first what was understood and which cells are to be mended, then storing."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.shortcuts import redirect, render
from django.urls import reverse

from comparisons.services import pasting
from comparisons.services.errors import Refused

from .desk import members_only
from .products import form_page, here

SHOWN = 200


class PasteForm(forms.Form):
    text = forms.CharField(
        label="Rows", required=False, strip=False,
        widget=forms.Textarea(attrs={"rows": 12, "class": "pasted", "spellcheck": "false"}),
        help_text="Copy the cells in the spreadsheet and paste them here: at most 5,000 rows, 1 MB.",
    )  # fmt: skip
    separator = forms.ChoiceField(
        label="Cells are parted by", required=False,
        choices=[("", "whatever the first row has"), ("tab", "tabs"), ("semicolon", "semicolons"), ("comma", "commas")],
    )  # fmt: skip
    decimal = forms.ChoiceField(
        label="Decimals are written with", choices=[("point", "a point: 12.5"), ("comma", "a comma: 12,5")]
    )
    header = forms.ChoiceField(
        label="The first row", required=False,
        choices=[("auto", "names the columns if it reads like it"), ("yes", "names the columns"),
                 ("no", "is a row like the others")],
    )  # fmt: skip
    file = forms.FileField(label="Or a file", required=False, help_text="Text with commas, semicolons or tabs, UTF-8.",
                           widget=forms.ClearableFileInput(attrs={"accept": ".csv,.tsv,.txt,text/plain"}))

    def clean(self):
        cleaned = super().clean()
        upload = cleaned.get("file")
        if upload is not None:
            if upload.size > pasting.MOST_BYTES:
                self.add_error("file", f"Found {upload.size / 2**20:.1f} MB, expected at most 1 MB.")
                return cleaned
            try:
                cleaned["text"] = upload.read().decode("utf-8-sig")
            except UnicodeDecodeError:
                self.add_error("file", "Found a file that is no UTF-8 text: save it as CSV, UTF-8.")
        return cleaned


@members_only
@form_page
def claims(request, slug: str):
    """Claims from a spreadsheet."""
    return _paste(request, slug, "claims", "Paste claims", "desk-claims")


@members_only
@form_page
def products(request, slug: str):
    """Products and their purchases from a spreadsheet."""
    return _paste(request, slug, "products", "Paste products and purchases", "desk-products")


def _paste(request, slug: str, kind: str, title: str, back: str):
    where = here(request, slug)
    pasted = None
    posted = request.POST.copy() if request.method == "POST" else None
    if posted is not None:  # a page cannot hold this character: what stands for it is told as well
        posted["text"] = posted.get("text", "").replace("\x00", "\ufffd")
    form = PasteForm(posted, request.FILES or None, initial={"decimal": "point", "header": "auto"})
    status = 200
    if request.method == "POST" and form.is_valid():
        told = form.cleaned_data
        pasted = pasting.read(
            kind, where.programme, told["text"], separator=told["separator"], comma=told["decimal"] == "comma",
            header=told["header"] or "auto",
        )  # fmt: skip
        if pasted.trouble:
            form.add_error("text", pasted.trouble)
            pasted = None
        elif "store" in request.POST or "leave_out" in request.POST:
            try:
                done = pasting.store(
                    request.user, pasted, where.programme, leave_out="leave_out" in request.POST,
                    comparison=where.comparison,
                )  # fmt: skip
            except Refused as refusal:
                form.add_error(None, str(refusal))
            else:
                left = len(pasted.bad)
                others = f" {left} row{'s were' if left > 1 else ' was'} left out." if left else ""
                messages.success(request, f"{done}.{others}")
                return redirect(back, slug)
        if form.is_bound and told.get("file"):
            form = PasteForm({**{n: told.get(n, "") for n in form.fields if n != "file"}})
            form.is_valid()
        status = 422 if form.errors else 200
    elif request.method == "POST":
        status = 422
    return render(request, "desk/paste.html", {
        "place": where.place, "title": title, "form": form, "pasted": pasted, "back": reverse(back, args=[slug]),
        "prepares": where.prepares, "kind": kind, "preview": pasted and _preview(pasted),
        "order": [name.replace("_", " ") for name in pasting.ORDER[kind]],
        "known": [name.replace("_", " ") for name in pasting.COLUMNS[kind]],
        "properties": where.programme.properties.all() if kind == "claims" else [],
    }, status=status)  # fmt: skip


def _preview(pasted: pasting.Pasted) -> dict:
    """The rows with wrong cells first, each cell with what is wrong with it; then some of the others."""
    bad = pasted.faults()
    rows = [*pasted.bad, *pasted.good][:SHOWN]
    return {
        "columns": [name.replace("_", " ") for name in pasted.columns],
        "rows": [
            {"line": row.line, "wrong": bool(row.faults),
             "cells": [{"text": row.cells.get(name, ""), "fault": row.faults.get(name, "")} for name in pasted.columns],
             "others": [f"{n.replace('_', ' ')}: {t}" for n, t in row.faults.items() if n not in pasted.columns]}
            for row in rows
        ],
        "faults": bad, "left": max(0, len(pasted.rows) - SHOWN), "all": len(pasted.rows),
        "good": len(pasted.good), "bad": len(pasted.bad),
    }  # fmt: skip

"""Forms of the desk: one row at a time, and what happens when two people have it open.

A form carries what it showed as a fingerprint. Where the row changed meanwhile it comes back with the
other's values beside what was typed, and a new fingerprint: nothing typed is lost, and saving again is a
choice made with both in sight.
"""

from __future__ import annotations

import unicodedata

from django import forms
from django.contrib import messages
from django.core.exceptions import FieldDoesNotExist
from django.db import models
from django.shortcuts import redirect, render

from comparisons.models import Comparison
from comparisons.services import editing
from comparisons.services.errors import Refused
from specimens.fields import Number, NumberField

LONGEST_TEXT = 20_000


class TypedNumber(forms.CharField):
    """A number as typed: a decimal comma is told, not guessed; a thousands mark likewise."""

    def __init__(self, *args, **kwargs):
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
        kwargs["empty_value"] = None
        super().__init__(*args, **kwargs)

    def clean(self, value):
        text = super().clean(value)
        if text is None:
            return None
        if "," in text:
            raise forms.ValidationError(f"Found “{text[:40]}”: write a point for decimals, and no mark for thousands.")
        try:
            return Number(text)
        except ValueError as error:
            raise forms.ValidationError(str(error)[:1].upper() + str(error)[1:] + ".") from error


def one_line(text: str) -> str:
    """Text without control characters and marks of direction, which could make a page read otherwise."""
    return "".join(c for c in text if c in "\n\t" or unicodedata.category(c) not in ("Cc", "Cf") or c == "\u00ad")


class DeskForm(forms.ModelForm):
    """A row's form. Subclass with a `Meta` of model and fields; `labels` and `help_texts` in plain words.

    `why` is there where the plan is frozen and the form shows something that belongs to it.
    """

    seen = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)

    def __init__(self, *args, frozen: bool = False, **kwargs):
        super().__init__(*args, **kwargs)
        for name, field in list(self.fields.items()):
            column = self._column(name)
            if isinstance(column, NumberField):
                self.fields[name] = TypedNumber(
                    label=field.label, required=field.required, help_text=field.help_text, max_length=64
                )
            elif isinstance(column, models.TextField) and isinstance(field.widget, forms.Textarea):
                field.widget.attrs.setdefault("rows", 3)
                field.widget.attrs.setdefault("maxlength", LONGEST_TEXT)
                field.max_length = LONGEST_TEXT
            elif isinstance(column, models.DateField) and not isinstance(column, models.DateTimeField):
                field.widget = forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
        planned = editing.PLANNED.get(type(self.instance), ())
        if frozen and any(name in planned for name in self.fields):
            self.fields["why"] = forms.CharField(
                label="Why you change it", required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2}),
                help_text="The plan is frozen: readers will see the change and this reason.",
            )
        self.initial["seen"] = editing.fingerprint(self.instance, self.shown()) if self.instance.pk else ""

    def _column(self, name: str):
        try:
            return self._meta.model._meta.get_field(name)
        except FieldDoesNotExist:
            return None

    def shown(self) -> list[str]:
        """The row's own fields that the form shows."""
        own = {f.name for f in self._meta.model._meta.concrete_fields}
        return [name for name in self.fields if name in own]

    def clean(self):
        cleaned = super().clean()
        for name, value in cleaned.items():
            if isinstance(value, str) and type(value) is str:
                cleaned[name] = one_line(value).strip()
        return cleaned

    def values(self) -> dict:
        return {name: self.cleaned_data[name] for name in self.shown()}

    def _post_clean(self):
        """The service checks the row itself, in the transaction that writes it; here only the fields."""

    def tell(self, invalid: editing.Invalid) -> None:
        for name, lines in invalid.errors.items():
            for line in lines:
                self.add_error(name if name in self.fields else None, line)


def edit(
    request,
    *,
    form_class: type[DeskForm],
    row: models.Model,
    place,
    thing: str,
    title: str,
    back: str,
    comparison: Comparison | None = None,
    programme=None,
    done: str = "Saved.",
    template: str = "desk/form.html",
    context: dict | None = None,
    form_options: dict | None = None,
    save=editing.save,
    create=editing.create,
    then=None,
):
    """Show the form of a row, new (no primary key) or stored, and save what comes back.

    place: where the comparison stands (views.desk.place_of), or None on the team's pages. back: the
    address to go to afterwards, or `then(row, form)` where it depends on what was stored. The row is checked
    and stored by services.editing, or by services that are called like it and return the row.
    """
    judged = comparison or (programme.comparisons.first() if programme is not None else None)
    options = {"frozen": bool(judged and judged.plan_frozen_at), **(form_options or {})}
    clash = None
    if request.method == "POST":
        form = form_class(request.POST, request.FILES or None, instance=row, **options)
        if form.is_valid():
            named = {"comparison": comparison, "programme": programme, "thing": thing,
                     "why": form.cleaned_data.get("why", "")}  # fmt: skip
            try:
                if row.pk:
                    kept = save(request.user, row, form.values(), seen=form.cleaned_data["seen"], **named)
                else:
                    for name, value in form.values().items():
                        setattr(row, name, value)
                    kept = create(request.user, row, **named)
            except editing.Changed as changed:
                clash = changed
                form = form_class(_with_seen(request.POST, form, changed.row), instance=row, **options)
                form.is_valid()
            except editing.Invalid as invalid:
                form.tell(invalid)
            except Refused as refusal:
                form.add_error(None, str(refusal))
            else:
                messages.success(request, done)
                return redirect(then(kept, form) if then else back)
    else:
        form = form_class(instance=row, **options)
    status = 200 if request.method == "GET" else 409 if clash else 422
    return render(request, template, {
        "form": form, "place": place, "title": title, "back": back, "clash": clash, "new": not row.pk,
        **(context or {}),
    }, status=status)  # fmt: skip


def _with_seen(posted, form: DeskForm, now: models.Model):
    data = posted.copy()
    data[form.add_prefix("seen")] = editing.fingerprint(now, form.shown())
    return data


def remove_row(
    request, *, row: models.Model, thing: str, back: str, comparison=None, programme=None, done: str = "Removed."
):
    """Take a row away (POST), and go back with what was done or why not."""
    try:
        editing.remove(
            request.user, row, comparison=comparison, programme=programme, thing=thing,
            why=request.POST.get("why", "").strip(),
        )  # fmt: skip
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, done)
    return redirect(back)

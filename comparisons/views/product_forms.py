"""The forms of products, purchases, units and files."""

from __future__ import annotations

from django import forms

from comparisons.services.attaching import LONGEST_TEXT
from comparisons.services.products import MOST_UNITS_AT_ONCE
from specimens.models import Attachment, Product, ProgrammeProduct, Purchase, Unit

from .editing import DeskForm, one_line

PICTURES = "image/jpeg,image/png,image/webp"


class NewProduct(forms.Form):
    """A product of the team's list, or a new one by its names."""

    known = forms.ModelChoiceField(
        Product.objects.none(), required=False, label="From the team’s products", empty_label="a new product",
        help_text="Products that earlier programmes tested.",
    )  # fmt: skip
    maker = forms.CharField(label="Maker", max_length=200, required=False)
    model = forms.CharField(label="Model", max_length=200, required=False)
    variant = forms.CharField(
        label="Variant", max_length=200, required=False, help_text="Size, colour or grade, where the model has several."
    )
    notes = forms.CharField(
        label="Notes", required=False, max_length=20_000, widget=forms.Textarea(attrs={"rows": 3}),
        help_text="For the team alone: suspected common origin with another product, discontinued stock and the like.",
    )  # fmt: skip

    def __init__(self, *args, known, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["known"].queryset = known
        if not known.exists():
            del self.fields["known"]

    def clean(self):
        cleaned = super().clean()
        for name in ("maker", "model", "variant", "notes"):
            if name in cleaned:
                cleaned[name] = one_line(cleaned[name]).strip()
        if not cleaned.get("known"):
            for name in ("maker", "model"):
                if name in cleaned and not cleaned[name]:
                    self.add_error(name, f"Found nothing, expected the {name}’s name.")
        return cleaned


class Named(DeskForm):
    class Meta:
        model = Product
        fields = ["maker", "model", "variant"]
        help_texts = {"variant": "Size, colour or grade, where the model has several."}


class Noted(DeskForm):
    class Meta:
        model = ProgrammeProduct
        fields = ["notes"]
        labels = {"notes": "Notes"}
        help_texts = {
            "notes": "For the team alone: suspected common origin with another product, discontinued stock, the like."
        }


class Bought(DeskForm):
    """A purchase. New ones also say how many items become units, and may bring receipt and photo."""

    class Meta:
        model = Purchase
        fields = ["obtained", "seller", "bought_on", "price", "shipping", "currency", "packs", "items_per_pack",
                  "content", "content_unit", "lot"]  # fmt: skip
        labels = {
            "obtained": "How obtained", "bought_on": "Date", "price": "Price of the whole purchase",
            "items_per_pack": "Items in a pack", "content": "Content of one item",
            "content_unit": "Unit of the content", "lot": "Lot on the label",
        }
        help_texts = {
            "obtained": "Bought means as any customer. What a maker supplied or lent is marked on every public page.",
            "content": "What one item holds, where it is used up: 20 of m, 400 of mL.",
            "price": "All packs together, as on the receipt, without shipping.",
        }

    def __init__(self, *args, currency: str, **kwargs):
        super().__init__(*args, **kwargs)
        self.currency = currency
        self.fields["obtained"].choices = Purchase._meta.get_field("obtained").choices
        if not self.instance.pk:
            self.fields["obtained"].initial = "bought"
            self.initial.setdefault("currency", currency)
            self.initial["currency"] = self.initial["currency"] or currency
            self.initial["obtained"] = self.initial.get("obtained") or "bought"
            for name in ("packs", "items_per_pack"):
                self.initial[name] = self.initial.get(name) or "1"
            self.fields["units"] = forms.IntegerField(
                label="Items that will be tested", required=False, min_value=0, max_value=MOST_UNITS_AT_ONCE,
                help_text="Each gets a code of its own as a unit, such as " + self.instance.product.code + "-1.",
                widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
            )  # fmt: skip
            self.fields["receipt_file"] = forms.FileField(
                label="Receipt", required=False, help_text="A photo or a PDF. Never public.",
                widget=forms.ClearableFileInput(attrs={"accept": PICTURES + ",application/pdf"}),
            )  # fmt: skip
        elif self.instance.obtained != "bought":
            self.fields["why"] = forms.CharField(
                label="Why it was wrong", required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2}),
                help_text="Needed where you take back that it was supplied or lent: readers are told so.",
            )  # fmt: skip

    def clean_currency(self):
        return (self.cleaned_data["currency"] or "").strip().upper()


class Item(DeskForm):
    class Meta:
        model = Unit
        fields = ["purchase", "lot"]
        labels = {"purchase": "Out of which purchase", "lot": "Lot on the label"}

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["purchase"].queryset = Purchase.objects.filter(product=self.instance.product)
        self.fields["purchase"].empty_label = "not written down"


class MoreUnits(forms.Form):
    """Several units at once."""

    count = forms.IntegerField(
        label="How many", min_value=1, max_value=MOST_UNITS_AT_ONCE, initial=1,
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
    )  # fmt: skip
    purchase = forms.ModelChoiceField(
        Purchase.objects.none(), required=False, label="Out of which purchase", empty_label="not written down"
    )
    lot = forms.CharField(label="Lot on the label", max_length=100, required=False, help_text="Blank: the purchase’s.")

    def __init__(self, *args, product, **kwargs):
        super().__init__(*args, **kwargs)
        bought = product.purchases.all()
        self.fields["purchase"].queryset = bought
        last = bought.order_by("-pk").first()
        if last:
            self.fields["purchase"].initial = last.pk


class Upload(forms.Form):
    """A photo, or a receipt, with its caption and what is read out in its place."""

    file = forms.FileField(label="File", widget=forms.ClearableFileInput(attrs={"accept": PICTURES}))
    caption = forms.CharField(label="Caption", max_length=LONGEST_TEXT, required=False)
    alt = forms.CharField(
        label="What it shows", max_length=LONGEST_TEXT, required=False,
        help_text="In words, for readers who cannot see it. Needed before publication.",
    )  # fmt: skip

    def __init__(self, *args, receipt: bool = False, **kwargs):
        super().__init__(*args, **kwargs)
        if receipt:
            del self.fields["alt"]
            self.fields["file"].widget.attrs["accept"] = PICTURES + ",application/pdf"
            self.fields["file"].label = "Receipt"


class Described(DeskForm):
    class Meta:
        model = Attachment
        fields = ["caption", "alt"]
        labels = {"alt": "What it shows"}
        help_texts = {"alt": "In words, for readers who cannot see it."}
        widgets = {"caption": forms.Textarea(attrs={"rows": 2}), "alt": forms.Textarea(attrs={"rows": 2})}

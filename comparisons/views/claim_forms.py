"""The forms of claims: one claim, one source, as printed."""

from __future__ import annotations

from django import forms

from comparisons.services.claiming import SENSES_OF
from specimens.models import Claim, ProgrammeProduct
from specimens.models.claims import CertificationState

from .editing import LONGEST_TEXT, DeskForm, TypedNumber, one_line
from .product_forms import PICTURES

_STATES = [
    (CertificationState.NOT_LOOKED_FOR, "not looked for"),
    (CertificationState.NOT_CLAIMED, "not claimed"),
    (CertificationState.CLAIMED, "claimed, not looked up yet"),
    (CertificationState.VERIFIED, "verified in the issuer’s directory"),
    (CertificationState.NOT_FOUND, "claimed, and could not be verified in the issuer’s directory"),
]


class _OfOneProperty(DeskForm):
    """Takes the claim's property from the claim itself, and offers what belongs to it."""

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.property = self.instance.property
        for name in ("wording", "not_tested_because"):
            if name in self.fields:
                self.fields[name].widget.attrs["rows"] = 2
        if not self.instance.pk:
            self.fields["photo"] = forms.FileField(
                label="Photo of the print", required=False, help_text="Published beside the claim.",
                widget=forms.ClearableFileInput(attrs={"accept": PICTURES}),
            )  # fmt: skip


class ClaimForm(_OfOneProperty):
    class Meta:
        model = Claim
        fields = ["sense", "value", "low", "high", "tolerance_minus", "tolerance_plus", "unit", "source", "wording",
                  "seen_on", "scope", "of", "condition", "trial", "not_tested_because"]  # fmt: skip
        labels = {
            "sense": "It claims", "low": "From", "high": "To", "tolerance_minus": "Tolerance below",
            "tolerance_plus": "Tolerance above", "source": "Source", "wording": "Wording as printed",
            "seen_on": "Seen on", "scope": "It speaks of", "of": "It is about", "condition": "After",
            "trial": "Tested by", "not_tested_because": "Why it cannot be tested here",
        }
        help_texts = {
            "source": "Package, listing, data sheet, with where it is.",
            "wording": "Letter by letter, also where it contradicts itself.",
            "unit": "As printed; blank: the property’s.",
            "condition": "The state that the claim speaks of; blank: as received.",
            "not_tested_because": "Readers see it beside the claim.",
            "trial": "Needed only where several trials could answer the claim.",
        }

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        prop = self.property
        choices = [(sense.value, sense.label) for sense in SENSES_OF[prop.kind]]
        self.fields["sense"].choices = choices
        self.fields["of"].required = self.fields["scope"].required = False
        trials = prop.trials.select_related("condition", "property")
        self.fields["trial"].queryset = trials
        self.fields["trial"].empty_label = "the only one that can answer it"
        self.fields["trial"].label_from_instance = lambda t: f"{t.code} ({t.condition or 'as received'})"
        self.fields["condition"].queryset = self.instance.programme.conditions.all()
        self.fields["condition"].empty_label = "as received"
        if not self.instance.sense:
            better = {"more": "at_least", "less": "at_most"}.get(prop.better, choices[0][0])
            self.initial["sense"] = better if better in dict(choices) else choices[0][0]
        if not self.instance.pk and not self.instance.unit and prop.kind == "quantity":
            self.initial["unit"] = prop.unit
        if prop.kind in ("pass_fail", "certification"):
            for name in ("value", "low", "high", "tolerance_minus", "tolerance_plus", "unit"):
                del self.fields[name]
            del self.fields["of"]
        elif prop.kind == "rating":
            del self.fields["unit"]
        if self.instance.pk:  # of what was taken out the row itself keeps its value
            self.initial["seen"] = self._seen()

    def _seen(self) -> str:
        from comparisons.services.editing import fingerprint

        return fingerprint(self.instance, self.shown())


class CertificationForm(_OfOneProperty):
    certification_state = forms.ChoiceField(label="What is known", choices=_STATES)

    class Meta:
        model = Claim
        fields = ["certification_state", "source", "wording", "seen_on", "reference", "checked_on"]
        labels = {
            "source": "Where the mark was seen", "wording": "Wording or mark as printed", "seen_on": "Seen on",
            "reference": "Number in the issuer’s directory", "checked_on": "Directory looked at on",
        }
        help_texts = {
            "checked_on": "Where it was not found, readers are told that it could not be verified on this day.",
        }

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        if not self.instance.pk:
            self.initial["certification_state"] = self.instance.certification_state or "claimed"


def form_for(claim: Claim) -> type[DeskForm]:
    return CertificationForm if claim.property.kind == "certification" else ClaimForm


class Governs(forms.Form):
    reason = forms.CharField(
        label="Why this source counts", max_length=LONGEST_TEXT, widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Readers see it; the other sources stay beside it.",
    )  # fmt: skip
    seen = forms.CharField(widget=forms.HiddenInput, max_length=2000)

    def clean_reason(self):
        return one_line(self.cleaned_data["reason"]).strip()


class Shared(forms.Form):
    """What all claims of a column have in common."""

    sense = forms.ChoiceField(label="They claim")
    unit = forms.CharField(label="Unit", max_length=40, required=False)
    scope = forms.ChoiceField(label="They speak of", choices=Claim._meta.get_field("scope").choices)
    condition = forms.ModelChoiceField(None, required=False, label="After", empty_label="as received")
    source = forms.CharField(label="Source", max_length=300, required=False)
    seen_on = forms.DateField(
        label="Seen on", required=False, widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
    )

    def __init__(self, *args, prop, programme, **kwargs):
        super().__init__(*args, **kwargs)
        choices = [(s.value, s.label) for s in SENSES_OF[prop.kind]]
        self.fields["sense"].choices = choices
        better = {"more": "at_least", "less": "at_most"}.get(prop.better, choices[0][0])
        self.fields["sense"].initial = better if better in dict(choices) else choices[0][0]
        self.fields["unit"].initial = prop.unit
        self.fields["condition"].queryset = programme.conditions.all()
        if prop.kind != "quantity":
            del self.fields["unit"]
        if prop.kind == "certification":
            del self.fields["condition"]
            del self.fields["scope"]
            self.fields["checked_on"] = forms.DateField(
                label="Directory looked at on", required=False,
                widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
            )  # fmt: skip

    def clean(self):
        cleaned = super().clean()
        return {k: one_line(v).strip() if isinstance(v, str) else v for k, v in cleaned.items()}


class OfOneProduct(forms.Form):
    """A product's own part of a column: the amount and the wording."""

    value = TypedNumber(label="Value", required=False, max_length=64)
    low = TypedNumber(label="From", required=False, max_length=64)
    high = TypedNumber(label="To", required=False, max_length=64)
    yes = forms.BooleanField(label="Claims it", required=False)
    certification_state = forms.ChoiceField(label="What is known", required=False, choices=[("", "–"), *_STATES])
    reference = forms.CharField(label="Number in the directory", required=False, max_length=200)
    wording = forms.CharField(label="Wording as printed", required=False, max_length=LONGEST_TEXT)

    def __init__(self, *args, product: ProgrammeProduct, prop, there: list[str], **kwargs):
        super().__init__(*args, prefix=product.code, **kwargs)
        self.product, self.there = product, there
        kept = {"pass_fail": {"yes"}, "certification": {"certification_state", "reference"}}.get(
            prop.kind, {"value", "low", "high"}
        )
        for name in set(self.fields) - kept - {"wording"}:
            del self.fields[name]
        for name, field in self.fields.items():
            field.widget.attrs["aria-label"] = f"{field.label}, {product}"
            if name == "wording":
                field.widget.attrs["class"] = "broad"

    def clean_wording(self):
        return one_line(self.cleaned_data["wording"]).strip()

    def own(self) -> dict:
        """The fields of the claim that was typed; {} where none was."""
        cleaned = self.cleaned_data
        own = {name: cleaned[name] for name in ("value", "low", "high") if cleaned.get(name) is not None}
        own |= {name: cleaned[name] for name in ("certification_state", "reference", "wording") if cleaned.get(name)}
        return own if own or cleaned.get("yes") else {}

    def typed(self) -> bool:
        """Whether anything was written for this product."""
        return bool(self.own()) or bool(self.cleaned_data.get("yes"))


class SameSource(forms.Form):
    """The same source and date for a whole column."""

    source = forms.CharField(label="Source", max_length=300, required=False)
    seen_on = forms.DateField(
        label="Seen on", required=False, widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
    )
    over = forms.BooleanField(label="Also where something else is written down", required=False)

    def clean_source(self):
        return one_line(self.cleaned_data["source"]).strip()


class CopyRow(forms.Form):
    """The claims of one product, for others that print the same."""

    source = forms.ModelChoiceField(None, label="Copy the claims of")
    targets = forms.ModelMultipleChoiceField(None, label="to", widget=forms.CheckboxSelectMultiple)

    def __init__(self, *args, products, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["source"].queryset = products
        self.fields["targets"].queryset = products

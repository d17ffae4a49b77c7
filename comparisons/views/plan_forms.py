"""The forms of the plan."""

from __future__ import annotations

from django import forms

from comparisons.models import Comparison, LeftOut
from specimens import models as sm
from specimens.models.trials import ReadingKind
from specimens.units import UnitError, kind_name, parse_unit

from .editing import DeskForm, one_line

AREA = {"rows": 4}


class Question(DeskForm):
    class Meta:
        model = Comparison
        fields = ["title", "question", "kind", "currency"]
        labels = {"kind": "Kind of product"}
        help_texts = {
            "question": "As a buyer would ask it.", "kind": "In the singular, such as “cable tie”.",
            "currency": "Three letters, such as EUR. All amounts are in it.",
        }  # fmt: skip
        widgets = {"question": forms.Textarea(attrs={"rows": 2})}

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        if sm.Purchase.objects.filter(programme__parts__comparison=self.instance.pk, price__isnull=False).exists():
            self.fields["currency"].disabled = True
            self.fields["currency"].help_text = "Fixed: purchases are written down in it."

    def clean_currency(self):
        return (self.cleaned_data["currency"] or "").strip().upper()


class Scope(DeskForm):
    class Meta:
        model = Comparison
        fields = ["market_scan", "inclusion", "characteristics", "funding"]
        labels = {
            "market_scan": "Market scan", "inclusion": "Rule of inclusion", "characteristics": "What matters to buyers",
            "funding": "Who pays, who supplied, how the team earns",
        }  # fmt: skip
        help_texts = {
            "market_scan": "What was looked at before products were chosen: which shops, which lists, on which day.",
            "inclusion": "The rule by which a product is in. It is written before the products are chosen.",
            "characteristics": "Safety, durability, performance, energy, environment, cost in use, maintenance: which "
            "of them are tested, and why the others are left out.",
            "funding": "Who paid for products and work, whether links earn money, and who could stop publication.",
        }  # fmt: skip
        widgets = {name: forms.Textarea(attrs=AREA) for name in fields}


class Decision(DeskForm):
    class Meta:
        model = Comparison
        fields = ["rule", "confidence", "coverage", "rounding", "price_cap", "tie_rule"]
        labels = {
            "rule": "Decision rule for claims", "confidence": "Confidence",
            "coverage": "Share for claims on every item",
            "rounding": "How a value is held against a limit", "price_cap": "Price cap for the best value",
            "tie_rule": "Tie rule",
        }  # fmt: skip
        help_texts = {
            "rule": "As in ILAC-G8: a stated risk, simple acceptance, or a guard band as wide as U.",
            "confidence": "Between 0 and 1; usual: 0.95.",
            "coverage": "A claim on every item is read as at least this share of items; usual: 0.95.",
            "rounding": "As in ASTM E29: as measured, or rounded to the last place of the printed limit first.",
            "price_cap": "Most that one item may cost to be named best value. Blank: no cap.",
            "tie_rule": "What is said where products are not shown to differ, such as: “They share the place; the "
            "cheaper one is listed first.”",
        }  # fmt: skip
        widgets = {"tie_rule": forms.Textarea(attrs={"rows": 3})}


class Money(DeskForm):
    class Meta:
        model = Comparison
        fields = ["budget", "starts_on"]
        labels = {"budget": "Budget", "starts_on": "First day of the programme"}
        help_texts = {"budget": "For all products, in the comparison’s currency. For the team alone."}


class Left(DeskForm):
    class Meta:
        model = LeftOut
        fields = ["maker", "model", "variant", "why"]
        labels = {"why": "Why it is left out"}
        widgets = {"why": forms.Textarea(attrs={"rows": 2})}


class PropertyForm(DeskForm):
    is_mass = forms.BooleanField(required=False, label="The unit is a mass, not a force")

    class Meta:
        model = sm.Property
        fields = ["name", "kind", "unit", "better", "decimals", "plausible_low", "plausible_high", "tolerance_pct",
                  "scale_low", "scale_high"]  # fmt: skip
        labels = {
            "kind": "How it is read", "unit": "Unit of the result", "better": "Which way is better",
            "decimals": "Decimals on the gauge", "plausible_low": "Lowest plausible value",
            "plausible_high": "Highest plausible value", "tolerance_pct": "Tolerance of nominal claims, in %",
            "scale_low": "Low end of the rating scale", "scale_high": "High end of the rating scale",
        }  # fmt: skip
        help_texts = {
            "unit": "As the trade writes it: N, mm, N/25 mm, mil, lbf/in, percent. Blank for pass or fail and ratings.",
            "better": "Near a target: the target and its band are set in the criterion. Informational: never scored.",
            "plausible_low": "What lies outside is asked about at the bench, never refused.",
            "tolerance_pct": "For claims that name a value and no tolerance.",
        }  # fmt: skip

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["name"].required = True
        if not self.is_bound:
            del self.fields["is_mass"]
        if self.instance.pk and sm.Reading.objects.filter(trial__property=self.instance).exists():
            for name in ("kind", "unit", "better", "scale_low", "scale_high"):
                self.fields[name].disabled = True
            self.fields["kind"].help_text = "Fixed, like unit, direction and scale: readings rest on them."

    def clean(self):
        cleaned = super().clean()
        unit = cleaned.get("unit") or ""
        ask = "is_mass" in self.fields
        if unit and not self.errors.get("unit"):
            try:
                parse_unit(unit)
                mass = kind_name(unit) == "a mass"
            except UnitError as error:
                self.add_error("unit", _sentence(str(error)))
                mass = False
            unchanged = self.instance.pk and self.instance.unit == unit
            if mass and not unchanged and ask and not cleaned.get("is_mass"):
                self.add_error("unit", f"Found “{unit}”, which is a mass. For a force write {_force(unit)}; where a "
                               "mass is meant, tick the box below.")  # fmt: skip
            elif ask and not mass:
                del self.fields["is_mass"]
        elif ask:
            del self.fields["is_mass"]
        kind = cleaned.get("kind")
        if kind == ReadingKind.QUANTITY and not unit and "unit" not in self.errors:
            self.add_error("unit", "A quantity needs the unit of its result.")
        if kind == ReadingKind.RATING and (cleaned.get("scale_low") is None or cleaned.get("scale_high") is None):
            self.add_error("scale_low", "A rating needs both ends of its scale.")
        return cleaned


def _force(unit: str) -> str:
    return {"lb": "lbf", "lbs": "lbf", "oz": "ozf", "g": "gf", "kg": "kgf"}.get(unit.strip().lower(), "N, lbf or kgf")


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "?")) else f"{text}."


class ConditionForm(DeskForm):
    class Meta:
        model = sm.Condition
        fields = ["name", "agent", "temperature", "temperature_unit", "duration", "duration_unit", "recovery",
                  "recovery_unit"]  # fmt: skip
        labels = {
            "agent": "Fluid, light or flame", "temperature_unit": "Unit of the temperature", "duration": "For how long",
            "duration_unit": "Unit of the time", "recovery": "Rest before the test",
            "recovery_unit": "Unit of the rest",
        }  # fmt: skip
        help_texts = {"name": "Such as “Aged 168 h at 100 degC”.", "temperature_unit": "degC, degF or K",
                      "duration_unit": "s, min, h or d", "recovery_unit": "s, min, h or d"}  # fmt: skip

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["name"].required = True

    def clean(self):
        cleaned = super().clean()
        for name in ("temperature", "duration", "recovery"):
            if cleaned.get(name) is not None and not cleaned.get(f"{name}_unit"):
                self.add_error(f"{name}_unit", "The number needs its unit.")
        return cleaned


class Revision(DeskForm):
    """One wording of a method. With readings on it, only cautions and what it cannot show may still get better."""

    class Meta:
        model = sm.MethodRevision
        fields = ["revision", "standard", "relation", "departures", "cannot_show", "steps", "hazardous", "cautions"]
        labels = {
            "relation": "How it stands to the standard", "departures": "Departures",
            "cannot_show": "What it cannot show",
            "hazardous": "It is hazardous",
        }  # fmt: skip
        help_texts = {
            "revision": "A number or a date, such as 2.",
            "standard": "Number, year and clause. Name only what you read.",
            "departures": "Each thing that is done otherwise than the standard says, in plain words.",
            "steps": "Numbered: “1. Cut it.” on a line of its own, and so on.",
            "hazardous": "Flame, solvent, hot oven, stored energy, mains.",
            "cautions": "Read first. The product’s instructions, local codes and licensed practice go first.",
        }  # fmt: skip
        widgets = {
            "departures": forms.Textarea(attrs={"rows": 3}), "cannot_show": forms.Textarea(attrs={"rows": 2}),
            "steps": forms.Textarea(attrs={"rows": 8}), "cautions": forms.Textarea(attrs={"rows": 3}),
        }  # fmt: skip

    def __init__(self, *args, locked: bool = False, **kwargs):
        super().__init__(*args, **kwargs)
        if locked:
            for name in ("revision", "standard", "relation", "departures", "steps"):
                self.fields[name].disabled = True
            self.fields["revision"].help_text = (
                "Readings rest on this wording: what was done stays as it was. Cautions may always be made better. "
                "For a changed method, write a new revision."
            )

    def clean(self):
        cleaned = super().clean()
        if cleaned.get("hazardous") and not (cleaned.get("cautions") or "").strip():
            self.add_error("cautions", "A hazardous method needs its cautions.")
        return cleaned


class NewMethod(Revision):
    """A method with its first wording."""

    title = forms.CharField(label="Title", max_length=200, help_text="What is done to what.")
    field_order = ["title"]

    def clean_title(self):
        title = " ".join(one_line(self.cleaned_data["title"]).split())
        if sm.Method.objects.filter(title__iexact=title).exists():
            raise forms.ValidationError("The team has a method of that title: take that one, or name this one apart.")
        return title

    def values(self):
        return super().values() | {"_title": self.cleaned_data["title"]}


class TakeMethod(forms.Form):
    """A method that the team has, in one of its wordings."""

    revision = forms.ModelChoiceField(sm.MethodRevision.objects.none(), label="A method of the team", empty_label=None)

    def __init__(self, *args, programme, **kwargs):
        super().__init__(*args, **kwargs)
        listed = sm.MethodRevision.objects.filter(programmes__programme=programme).values("pk")
        self.fields["revision"].queryset = sm.MethodRevision.objects.exclude(pk__in=listed).select_related("method")


class Mode(DeskForm):
    class Meta:
        model = sm.FailureMode
        fields = ["name", "counts"]
        labels = {"name": "What happened", "counts": "The reading counts"}

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["name"].required = True

"""The forms of trials, criteria, weightings and awards."""

from __future__ import annotations

from types import SimpleNamespace

from django import forms

from comparisons.models import Award, Criterion, ProductPlan, Weighting
from comparisons.models.comparison import Cost
from comparisons.services import editing, planning
from comparisons.services.products import as_code, free_code
from specimens import models as sm
from specimens.models.trials import AbsenceReason, ReadingKind

from .editing import DeskForm, TypedNumber, one_line

NAMES = {"best": "Best", "best-value": "Best value", "avoid": "Stay away from"}


def called(trial) -> str:
    """A trial by its property and condition."""
    return f"{trial.property}, {trial.condition}" if trial.condition_id else str(trial.property)


class TrialForm(DeskForm):
    """A trial, what its readings are divided by, and what it is expected to take."""

    divide_1 = forms.ModelChoiceField(sm.Property.objects.none(), required=False, label="Divided by",
                                      empty_label="nothing")  # fmt: skip
    divide_2 = forms.ModelChoiceField(sm.Property.objects.none(), required=False, label="And by", empty_label="nothing")
    typical_cv = TypedNumber(required=False, label="Typical spread between units, in %", max_length=64)
    wanted_difference = TypedNumber(required=False, label="Difference to tell apart, in %", max_length=64)
    per_specimen = TypedNumber(required=False, label="Material for one specimen", max_length=64)
    per_specimen_unit = forms.CharField(required=False, label="Unit of the material", max_length=40)
    hands_on = TypedNumber(required=False, label="Minutes at the bench for one specimen", max_length=64)
    starts_on = forms.DateField(
        required=False, label="First day", widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
    )

    class Meta:
        model = sm.Trial
        fields = ["property", "revision", "condition", "baseline", "paired", "units_planned", "replicates", "blind",
                  "reading_unit"]  # fmt: skip
        labels = {
            "revision": "Method", "condition": "Condition before the test",
            "paired": "Paired: the very specimens of the baseline", "units_planned": "Units of each product",
            "replicates": "Specimens of each unit",
            "blind": "Blind: labels do not tell the product", "reading_unit": "Unit on the gauge",
        }  # fmt: skip
        help_texts = {
            "baseline": "The trial that this one is compared with: the result is then the change.",
            "units_planned": "Separate items. Pieces of one item are no units.",
            "reading_unit": "Only where it differs in kind from the result’s, as N for a result in N/mm^2.",
        }  # fmt: skip

    field_order = ["property", "revision", "condition", "baseline", "paired", "units_planned", "replicates", "blind",
                   "reading_unit", "divide_1", "divide_2", "typical_cv", "wanted_difference", "hands_on",
                   "per_specimen", "per_specimen_unit", "starts_on"]  # fmt: skip
    LOCKED = ("property", "revision", "condition", "baseline", "paired", "reading_unit", "divide_1", "divide_2")

    def __init__(self, *args, frozen: bool = False, **kwargs):
        super().__init__(*args, frozen=frozen, **kwargs)
        trial, programme = self.instance, self.instance.programme
        self.fields["property"].queryset = programme.properties.exclude(kind=ReadingKind.CERTIFICATION)
        self.fields["condition"].queryset = programme.conditions.all()
        self.fields["condition"].empty_label = "as received"
        self.fields["baseline"].queryset = programme.trials.select_related("property", "condition").exclude(pk=trial.pk)
        self.fields["baseline"].empty_label = "none"
        self.fields["baseline"].label_from_instance = lambda other: f"{called(other)} ({other.code})"
        self.fields["revision"].queryset = sm.MethodRevision.objects.filter(
            method__programmes__programme=programme
        ).select_related("method").distinct()
        self.fields["revision"].empty_label = "not chosen yet"
        divisors = programme.properties.filter(kind=ReadingKind.QUANTITY)
        self.fields["divide_1"].queryset = self.fields["divide_2"].queryset = divisors
        self.fields["divide_1"].help_text = "A dimension that has a trial of its own on the same specimens."
        self.fields["typical_cv"].help_text = "Standard deviation in percent of the mean: your own, or usual ones."
        self.fields["per_specimen_unit"].help_text = (
            "“item” where the test uses the item up; m, mL and the like where it is cut; blank where it outlives it."
        )
        self.fields["starts_on"].help_text = "Blank: as early as the calendar allows."
        extras = planning.trial_extras(trial)
        for name, prop in zip(("divide_1", "divide_2"), extras["_dimensions"], strict=False):
            self.initial[name] = prop.pk
        self.initial |= extras["_expected"]
        if trial.pk:
            self.initial["seen"] += f".{planning.extras_mark(trial)}"
            if trial.readings.exists():
                for name in self.LOCKED:
                    self.fields[name].disabled = True
                self.fields["revision"].help_text = (
                    "Fixed, like property, condition, baseline and units: readings rest on them. A changed method "
                    "opens a new run, from the plan’s page."
                )
        if frozen:
            self.fields["why"] = forms.CharField(
                label="Why you change it", required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2}),
                help_text="The plan is frozen: readers will see the change and this reason.",
            )  # fmt: skip

    def shown(self):
        own = {f.name for f in sm.Trial._meta.concrete_fields}
        return [name for name in self.fields if name in own]

    def values(self):
        data = self.cleaned_data
        return super().values() | {
            "_dimensions": [data[n] for n in ("divide_1", "divide_2") if data.get(n)],
            "_expected": {name: data.get(name) for name in planning.EXPECTED},
        }

    def clean(self):
        cleaned = super().clean()
        if cleaned.get("paired") and not cleaned.get("baseline"):
            self.add_error("baseline", "A paired trial compares with a baseline: choose one.")
        if cleaned.get("per_specimen") is not None and not cleaned.get("per_specimen_unit"):
            self.add_error("per_specimen_unit", "The amount needs its unit: item, m, mL.")
        return cleaned

    def tell(self, invalid):
        renamed = {"_dimensions": "divide_1", "divide_by": "divide_1"}
        super().tell(SimpleNamespace(errors={renamed.get(k, k): v for k, v in invalid.errors.items()}))


class NextRevision(forms.Form):
    """Go on with another wording of the method, under which a new run opens."""

    revision = forms.ModelChoiceField(sm.MethodRevision.objects.none(), label="New wording", empty_label=None)
    reason = forms.CharField(label="What has changed", max_length=2000, widget=forms.Textarea(attrs={"rows": 2}))
    repeat = forms.BooleanField(required=False, label="Measure all products again under it")
    equivalent = forms.CharField(
        label="Why both wordings measure one thing", required=False, max_length=5000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Published. Without it the runs are not taken together: only one of them is judged.",
    )  # fmt: skip
    why = forms.CharField(
        label="Why the plan is changed", required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2}),
        help_text="The plan is frozen: readers see it. Blank: what has changed.",
    )  # fmt: skip

    def __init__(self, *args, trial, frozen, **kwargs):
        super().__init__(*args, **kwargs)
        in_use = trial.runs.order_by("started_at", "code").last()
        now = (in_use.revision_id if in_use else None) or trial.revision_id
        self.fields["revision"].queryset = sm.MethodRevision.objects.filter(
            method=trial.revision.method_id
        ).exclude(pk=now).select_related("method")  # fmt: skip
        if not frozen:
            del self.fields["why"]

    def clean(self):
        cleaned = super().clean()
        return {k: one_line(v).strip() if isinstance(v, str) else v for k, v in cleaned.items()}


class Equivalent(DeskForm):
    class Meta:
        model = sm.Run
        fields = ["pooled_because"]
        labels = {"pooled_because": "Why the run may be taken together with those before it"}
        help_texts = {"pooled_because": "Published. Blank: it stands alone, and one of the runs is judged."}
        widgets = {"pooled_because": forms.Textarea(attrs={"rows": 4})}


class CriterionForm(DeskForm):
    of = forms.ChoiceField(label="What is scored")
    must_have = forms.BooleanField(required=False, label="Must-have: a product that misses it is not recommended")

    class Meta:
        model = Criterion
        fields = ["name", "better", "measure", "floor", "ceiling", "target", "band", "value_function", "exponent"]
        labels = {
            "better": "Which way is better", "floor": "Scores 0", "ceiling": "Scores 100", "target": "Target",
            "band": "Band around the target", "value_function": "Shape between them",
        }  # fmt: skip
        help_texts = {
            "floor": "The worst value on the scale, in the result’s unit. With a target: where it is 0 below it.",
            "ceiling": "The best value on the scale. With a target: where the score is 0 above it.",
            "target": "Only for “near a target”. A change is near 0.",
            "band": "On either side of it; inside, the score is full.",
            "exponent": "Above 1: small steps at the bottom count less. Blank: 1.",
            "measure": "Blank: the mean; the change where the trial has a baseline; the share that passed.",
        }  # fmt: skip

    field_order = ["of", "name", "better", "floor", "ceiling", "target", "band", "must_have", "measure",
                   "value_function", "exponent"]  # fmt: skip
    BETTER = [("", "as the property says"), ("more", "more is better"), ("less", "less is better"),
              ("target", "near a target is better")]  # fmt: skip
    MEASURE = [("", "the usual one"), ("mean", "mean"), ("median", "median"), ("min", "least"), ("max", "greatest"),
               ("change", "change from the baseline"), ("pass_share", "share that passed"),
               ("typical", "typical price"), ("lowest", "lowest price")]  # fmt: skip
    SHAPE = [("", "straight line"), ("linear", "straight line, as stated"), ("logarithmic", "logarithmic"),
             ("desirability", "bent by the exponent")]  # fmt: skip
    COLUMNS = ("kind", "trial", "cost", "certification")

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        for name, choices in (("better", self.BETTER), ("measure", self.MEASURE), ("value_function", self.SHAPE)):
            own = self.fields[name]
            self.fields[name] = forms.ChoiceField(
                choices=choices, label=own.label, help_text=own.help_text, required=False
            )
        comparison = self.instance.comparison
        programmes = comparison.parts.values("programme")
        self.trials = {
            f"trial:{t.pk}": t
            for t in sm.Trial.objects.filter(programme__in=programmes).select_related("property", "condition")
        }
        self.certified = {
            f"certification:{p.pk}": p
            for p in sm.Property.objects.filter(programme__in=programmes, kind=ReadingKind.CERTIFICATION)
        }
        self.fields["of"].choices = [
            ("A trial", [(key, f"{called(t)} ({t.code})") for key, t in self.trials.items()]),
            ("A cost", [(f"cost:{value}", label) for value, label in Cost.choices]),
            ("A certification", [(key, str(p)) for key, p in self.certified.items()]),
        ]
        one = self.instance
        self.initial["of"] = {"trial": f"trial:{one.trial_id}", "cost": f"cost:{one.cost}",
                              "certification": f"certification:{one.certification_id}"}.get(one.kind, "")  # fmt: skip
        self.initial["must_have"] = bool(one.must)
        if one.pk:  # the fingerprint covers what `of` and `must_have` stand for
            self.initial["seen"] = editing.fingerprint(one, self.shown())

    def shown(self):
        return [*self.COLUMNS, *self._meta.fields, "must"]

    def clean(self):
        cleaned = super().clean()
        floor, ceiling = cleaned.get("floor"), cleaned.get("ceiling")
        if floor is not None and ceiling is not None and floor == ceiling:
            self.add_error("ceiling", "What scores 0 and what scores 100 must differ.")
        if cleaned.get("better") == "target" and cleaned.get("target") is None:
            self.add_error("target", "Say the target.")
        return cleaned

    def values(self):
        data, of = self.cleaned_data, self.cleaned_data["of"]
        must = True if data["must_have"] else (None if self.instance.must is None else False)
        return {
            "kind": of.partition(":")[0], "trial": self.trials.get(of), "certification": self.certified.get(of),
            "cost": of.partition(":")[2] if of.startswith("cost:") else "",
            **{name: data[name] for name in self._meta.fields}, "must": must,
        }  # fmt: skip

    def tell(self, invalid):
        renamed = dict.fromkeys((*self.COLUMNS, "code"), "of")
        super().tell(SimpleNamespace(errors={renamed.get(k, k): v for k, v in invalid.errors.items()}))


class WeightingForm(DeskForm):
    """A weighting with the weight of each criterion."""

    class Meta:
        model = Weighting
        fields = ["name", "missing"]
        labels = {"name": "For whom", "missing": "Where a product has no result"}
        help_texts = {"name": "The kind of reader whose weights these are, such as “Everyday use”."}

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["name"].required = True
        comparison = self.instance.comparison
        stored = planning.weights_of(self.instance)
        self.weights = {}
        for criterion in comparison.criteria.all():
            key = f"weight_{criterion.pk}"
            self.weights[key] = criterion.pk
            self.fields[key] = TypedNumber(
                label=f"Weight of {criterion.name or criterion.code}", required=False, max_length=64
            )
            self.initial[key] = stored.get(criterion.pk, "" if self.instance.pk else "1")
        if "why" in self.fields:
            self.fields["why"] = self.fields.pop("why")  # last
        if not self.instance.pk:
            self.initial["missing"] = "renormalise"
        else:
            self.initial["seen"] += f".{planning.weights_mark(self.instance)}"

    def clean(self):
        cleaned = super().clean()
        for key in self.weights:
            if cleaned.get(key) is not None and cleaned[key] < 0:
                self.add_error(key, "Expected a number from 0 on.")
        return cleaned

    def values(self):
        weights = {pk: self.cleaned_data[key] for key, pk in self.weights.items()}
        return super().values() | {"_weights": weights}


class AwardForm(DeskForm):
    what = forms.ChoiceField(label="What is named")

    class Meta:
        model = Award
        fields = ["name", "product", "weighting", "reason"]
        labels = {"name": "Name of it", "weighting": "Under which weighting", "reason": "Reason"}
        help_texts = {
            "name": "Blank: as above.",
            "reason": "Needed, and published, where the numbers do not support it, and for what is to be avoided.",
        }
        widgets = {"reason": forms.Textarea(attrs={"rows": 3})}

    field_order = ["what", "product", "weighting", "name", "reason"]

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        comparison = self.instance.comparison
        programmes = comparison.parts.values("programme")
        self.fields["product"].queryset = sm.ProgrammeProduct.objects.filter(
            programme__in=programmes
        ).select_related("product")
        self.fields["weighting"].queryset = comparison.weightings.all()
        self.fields["weighting"].empty_label = "holds under every one"
        self.fields["what"].choices = [
            *NAMES.items(), *((f"best-in-{c.code}", f"First in {c.name or c.code}") for c in comparison.criteria.all()),
            ("own", "Something else, by the name below"),
        ]  # fmt: skip
        if self.instance.pk:
            del self.fields["what"]

    def clean(self):
        cleaned = super().clean()
        what = cleaned.get("what", "")
        if what == "own" and not cleaned.get("name"):
            self.add_error("name", "Give it a name.")
        if (what in ("avoid", "own") or self.instance.code.startswith("avoid")) and not cleaned.get("reason"):
            self.add_error("reason", "Say why: no rule of the numbers stands behind it, so readers need the reason.")
        if not self.instance.pk and not self.errors:
            self.instance.code = self._code(what)
            cleaned["name"] = cleaned["name"] or NAMES.get(what, "")
        return cleaned

    def _code(self, what: str) -> str:
        data, taken = self.cleaned_data, set(self.instance.comparison.awards.values_list("code", flat=True))
        wanted = as_code(data["name"], "award") if what == "own" else what
        if what == "avoid":
            wanted = f"avoid-{data['product'].code}"
        elif wanted in taken and data.get("weighting"):
            wanted = f"{wanted}-{data['weighting'].code}"
        return free_code(wanted[:70], taken)


class AbsenceRow(forms.Form):
    reason = forms.ChoiceField(choices=[("", "planned"), *AbsenceReason.choices], required=False)
    note = forms.CharField(max_length=2000, required=False)

    def clean_note(self):
        return one_line(self.cleaned_data["note"]).strip()


class PriceRow(DeskForm):
    class Meta:
        model = ProductPlan
        fields = ["price", "content", "content_unit", "where"]
        labels = {"price": "Price of one unit", "content": "One unit holds", "content_unit": "Unit",
                  "where": "Where it will be bought"}  # fmt: skip

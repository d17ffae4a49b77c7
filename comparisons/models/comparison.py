"""A comparison: its question, its criteria, its weightings, and its plan."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from specimens.fields import NumberField
from specimens.models import Programme, ProgrammeProduct, Property, Trial
from specimens.models.base import (
    CodeField,
    Less,
    LessEqual,
    as_number,
    at_least_zero,
    code_rule,
    filled,
    one_of,
)


class Rule(models.TextChoices):
    """Decision rules (ILAC-G8:09/2019, 4.2)."""

    PROBABILITY = "probability", "a stated maximum risk"
    SIMPLE = "simple", "simple acceptance"
    GUARD = "guard", "guard band w = U"


class Rounding(models.TextChoices):
    """How a value is compared with a limit (ASTM E29)."""

    ABSOLUTE = "absolute", "absolute method"
    ROUNDING = "rounding", "rounding method"


def _share(field: str, name: str):
    return models.CheckConstraint(
        condition=Q(**{f"{field}__isnull": True})
        | (Less(models.Value(0.0), as_number(field)) & Less(as_number(field), models.Value(1.0))),
        name=name,
    )


class Comparison(models.Model):
    """A question about products of one kind, and how it is answered."""

    slug = models.SlugField(max_length=80, unique=True)
    title = models.CharField(max_length=200)
    question = models.TextField()
    kind = models.CharField(max_length=100, blank=True)
    currency = models.CharField(max_length=3)
    seed = models.BigIntegerField(default=1)
    programmes = models.ManyToManyField(Programme, through="ComparisonProgramme", related_name="comparisons")
    plan_frozen_at = models.DateTimeField(null=True, blank=True)
    plan_frozen_at_text = models.CharField(max_length=40, blank=True)
    plan_frozen_by = models.CharField(max_length=100, blank=True)
    market_scan = models.TextField(blank=True, help_text="what was looked at before products were chosen")
    inclusion = models.TextField(blank=True, help_text="the rule by which products were chosen")
    characteristics = models.TextField(blank=True, help_text="what matters to buyers, and why some of it is not tested")
    tie_rule = models.TextField(blank=True, help_text="what happens where products are not shown to differ")
    funding = models.TextField(blank=True, help_text="who paid, who supplied, and how the team earns")
    confidence = NumberField(null=True, blank=True)
    rule = models.CharField(max_length=12, choices=Rule.choices, blank=True)
    rounding = models.CharField(max_length=10, choices=Rounding.choices, blank=True)
    coverage = NumberField(null=True, blank=True)
    price_cap = NumberField(null=True, blank=True)
    article = models.TextField(blank=True)
    package = models.JSONField(
        default=dict, blank=True, help_text="description, licences, sources and the like of datapackage.json"
    )
    budget = NumberField(null=True, blank=True)
    starts_on = models.DateField(null=True, blank=True)
    based_on = models.ForeignKey("self", null=True, blank=True, on_delete=models.PROTECT, related_name="followed_by")
    created_at = models.DateTimeField(auto_now_add=True)

    fixed = ["slug"]

    class Meta:
        ordering = ["slug"]
        constraints = [
            models.CheckConstraint(condition=filled("title") & filled("question"), name="comparison_asks"),
            models.CheckConstraint(
                condition=Q(currency__regex=r"^[A-Z]{3}$"), name="comparison_currency_form"
            ),
            one_of("rule", Rule, "comparison_rule_known", blank=True),
            one_of("rounding", Rounding, "comparison_rounding_known", blank=True),
            _share("confidence", "comparison_confidence_is_share"),
            _share("coverage", "comparison_coverage_is_share"),
            at_least_zero("price_cap", "comparison_price_cap_not_negative"),
            at_least_zero("budget", "comparison_budget_not_negative"),
        ]

    def __str__(self):
        return self.title


class ComparisonProgramme(models.Model):
    """A programme that a comparison judges; its prefix tells its codes apart where there are several."""

    comparison = models.ForeignKey(Comparison, on_delete=models.CASCADE, related_name="parts")
    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="parts")
    prefix = models.CharField(max_length=40, blank=True)

    class Meta:
        ordering = ["comparison", "prefix"]
        constraints = [
            models.UniqueConstraint(fields=["comparison", "programme"], name="comparison_programme_once"),
            models.UniqueConstraint(fields=["comparison", "prefix"], name="comparison_programme_prefix"),
        ]


class CriterionKind(models.TextChoices):
    TRIAL = "trial", "a trial"
    COST = "cost", "a cost"
    CERTIFICATION = "certification", "a certification"


class Cost(models.TextChoices):
    PER_ITEM = "per_item", "per item"
    PER_CONTENT = "per_content", "per content"
    PER_USABLE = "per_usable", "per usable amount"


class Criterion(models.Model):
    """One result that is scored, on fixed anchors: `floor` scores 0, `ceiling` scores 100."""

    comparison = models.ForeignKey(Comparison, on_delete=models.CASCADE, related_name="criteria")
    code = CodeField()
    name = models.CharField(max_length=200, blank=True)
    position = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=15, choices=CriterionKind.choices)
    trial = models.ForeignKey(Trial, null=True, blank=True, on_delete=models.PROTECT, related_name="criteria")
    cost = models.CharField(max_length=12, choices=Cost.choices, blank=True)
    certification = models.ForeignKey(
        Property, null=True, blank=True, on_delete=models.PROTECT, related_name="criteria"
    )
    measure = models.CharField(max_length=20, blank=True)
    better = models.CharField(max_length=10, blank=True)
    floor = NumberField(null=True, blank=True)
    ceiling = NumberField(null=True, blank=True)
    target = NumberField(null=True, blank=True)
    band = NumberField(null=True, blank=True)
    value_function = models.CharField(max_length=15, blank=True)
    exponent = NumberField(null=True, blank=True)
    anchors_set_at = models.DateTimeField(null=True, blank=True)
    anchors_set_at_text = models.CharField(max_length=40, blank=True)
    must = models.BooleanField(null=True, blank=True)

    class Meta:
        ordering = ["comparison", "position"]
        verbose_name_plural = "criteria"
        constraints = [
            models.UniqueConstraint(fields=["comparison", "code"], name="criterion_code"),
            models.UniqueConstraint(fields=["comparison", "position"], name="criterion_position"),
            code_rule("criterion_code_form"),
            models.CheckConstraint(
                condition=Q(kind="trial", trial__isnull=False, cost="", certification__isnull=True)
                | (Q(kind="cost", trial__isnull=True, certification__isnull=True) & filled("cost"))
                | Q(kind="certification", trial__isnull=True, cost="", certification__isnull=False),
                name="criterion_scores_exactly_one",
            ),
            one_of("cost", Cost, "criterion_cost_known", blank=True),
            models.CheckConstraint(
                condition=Q(better__in=["", "more", "less", "target"]), name="criterion_direction_known"
            ),
            models.CheckConstraint(
                condition=Q(value_function__in=["", "linear", "logarithmic", "desirability"]),
                name="criterion_value_function_known",
            ),
            models.CheckConstraint(
                condition=Q(measure__in=["", "mean", "median", "min", "max", "change", "pass_share", "typical",
                                         "lowest"]),
                name="criterion_measure_known",
            ),
            models.CheckConstraint(
                condition=Q(floor__isnull=True) | Q(ceiling__isnull=True)
                | ~Q(floor=F("ceiling")),
                name="criterion_anchors_differ",
            ),
            at_least_zero("band", "criterion_band_not_negative"),
        ]

    def __str__(self):
        return self.name or self.code


class Missing(models.TextChoices):
    RENORMALISE = "renormalise", "the product's own weights rescaled"
    LEAVE_OUT = "leave_out", "the criterion dropped for all"
    WORST_CASE = "worst_case", "the least possible score"


class Weighting(models.Model):
    """Named weights for one kind of reader."""

    comparison = models.ForeignKey(Comparison, on_delete=models.CASCADE, related_name="weightings")
    code = CodeField()
    name = models.CharField(max_length=200, blank=True)
    position = models.PositiveSmallIntegerField()
    missing = models.CharField(max_length=15, choices=Missing.choices, blank=True)

    class Meta:
        ordering = ["comparison", "position"]
        constraints = [
            models.UniqueConstraint(fields=["comparison", "code"], name="weighting_code"),
            models.UniqueConstraint(fields=["comparison", "position"], name="weighting_position"),
            code_rule("weighting_code_form"),
            one_of("missing", Missing, "weighting_missing_rule_known", blank=True),
        ]

    def __str__(self):
        return self.name or self.code


class Weight(models.Model):
    weighting = models.ForeignKey(Weighting, on_delete=models.CASCADE, related_name="weights")
    criterion = models.ForeignKey(Criterion, on_delete=models.CASCADE, related_name="weights")
    position = models.PositiveSmallIntegerField(default=0)
    weight = NumberField()

    class Meta:
        ordering = ["weighting", "position"]
        constraints = [
            models.UniqueConstraint(fields=["weighting", "criterion"], name="weight_once"),
            models.CheckConstraint(
                condition=LessEqual(models.Value(0.0), as_number("weight")), name="weight_not_negative"
            ),
        ]


class Deviation(models.Model):
    """A dated change of the frozen plan, which readers see. Append-only."""

    comparison = models.ForeignKey(Comparison, on_delete=models.PROTECT, related_name="deviations")
    at = models.DateTimeField()
    at_text = models.CharField(max_length=40)
    by = models.CharField(max_length=100)
    what = models.CharField(max_length=300)
    before = models.TextField(blank=True)
    after = models.TextField(blank=True)
    why = models.TextField(blank=True)

    append_only = True

    class Meta:
        ordering = ["comparison", "at", "id"]
        constraints = [models.CheckConstraint(condition=filled("what"), name="deviation_says_what")]


class Award(models.Model):
    """What the editor named. Where the numbers do not carry it, `reason` says why and is published."""

    comparison = models.ForeignKey(Comparison, on_delete=models.CASCADE, related_name="awards")
    code = CodeField()
    name = models.CharField(max_length=200, blank=True)
    weighting = models.ForeignKey(
        Weighting, null=True, blank=True, on_delete=models.PROTECT, related_name="awards"
    )
    product = models.ForeignKey(ProgrammeProduct, on_delete=models.PROTECT, related_name="awards")
    reason = models.TextField(blank=True)

    class Meta:
        ordering = ["comparison", "code"]
        constraints = [
            models.UniqueConstraint(fields=["comparison", "code"], name="award_code"),
            code_rule("award_code_form"),
        ]


class LeftOut(models.Model):
    """A product that was looked at and not tested, and why."""

    comparison = models.ForeignKey(Comparison, on_delete=models.CASCADE, related_name="left_out")
    maker = models.CharField(max_length=200)
    model = models.CharField(max_length=200)
    variant = models.CharField(max_length=200, blank=True)
    why = models.TextField()

    class Meta:
        ordering = ["comparison", "maker", "model", "variant"]
        verbose_name_plural = "left out"
        constraints = [
            models.UniqueConstraint(fields=["comparison", "maker", "model", "variant"], name="left_out_once"),
            models.CheckConstraint(
                condition=filled("maker") & filled("model") & filled("why"), name="left_out_with_reason"
            ),
        ]

    def __str__(self):
        return " ".join(part for part in (self.maker, self.model, self.variant) if part)


class Limitation(models.Model):
    """A point that was open at publication, and the editor's reason for publishing with it. Readers see both.

    `point` is the code of the check that raised it, such as `one-unit.loop-dry`.
    """

    comparison = models.ForeignKey(Comparison, on_delete=models.CASCADE, related_name="limitations")
    point = models.CharField(max_length=200)
    what = models.TextField()
    reason = models.TextField()

    class Meta:
        ordering = ["comparison", "point"]
        constraints = [
            models.UniqueConstraint(fields=["comparison", "point"], name="limitation_once"),
            models.CheckConstraint(
                condition=filled("point") & filled("what") & filled("reason"), name="limitation_with_reason"
            ),
        ]

    def __str__(self):
        return self.point

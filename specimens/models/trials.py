"""What is measured, in which state, and on which pieces."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from ..fields import NumberField
from .base import CodeField, at_least_zero, code_rule, filled, one_of, ordered
from .measuring import MethodRevision
from .programme import Programme, ProgrammeProduct, Unit


class ReadingKind(models.TextChoices):
    QUANTITY = "quantity", "a quantity"
    PASS_FAIL = "pass_fail", "pass or fail"
    RATING = "rating", "a rating"
    CERTIFICATION = "certification", "a certification"


class Better(models.TextChoices):
    MORE = "more", "more is better"
    LESS = "less", "less is better"
    TARGET = "target", "near a target is better"
    NEITHER = "neither", "informational"


class Property(models.Model):
    """What is measured. `unit` is the unit of the result; plausible and scale bounds are in it."""

    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="properties")
    code = CodeField()
    name = models.CharField(max_length=200, blank=True)
    kind = models.CharField(max_length=15, choices=ReadingKind.choices)
    unit = models.CharField(max_length=40, blank=True)
    better = models.CharField(max_length=10, choices=Better.choices, default=Better.NEITHER, blank=True)
    decimals = models.PositiveSmallIntegerField(null=True, blank=True)
    plausible_low = NumberField(null=True, blank=True)
    plausible_high = NumberField(null=True, blank=True)
    tolerance_pct = NumberField(null=True, blank=True)
    scale_low = NumberField(null=True, blank=True)
    scale_high = NumberField(null=True, blank=True)

    locked_by_readings = ["programme", "kind", "unit", "better", "scale_low", "scale_high"]

    class Meta:
        ordering = ["programme", "code"]
        verbose_name_plural = "properties"
        constraints = [
            models.UniqueConstraint(fields=["programme", "code"], name="property_code"),
            code_rule("property_code_form"),
            one_of("kind", ReadingKind, "property_kind_known"),
            one_of("better", Better, "property_direction_known", blank=True),
            models.CheckConstraint(
                condition=~Q(kind="quantity") | filled("unit"), name="property_quantity_has_unit"
            ),
            models.CheckConstraint(
                condition=~Q(kind="rating") | Q(scale_low__isnull=False, scale_high__isnull=False),
                name="property_rating_has_scale",
            ),
            ordered("plausible_low", "plausible_high", "property_plausible_ordered"),
            ordered("scale_low", "scale_high", "property_scale_ordered"),
            at_least_zero("tolerance_pct", "property_tolerance_not_negative"),
        ]

    def __str__(self):
        return self.name or self.code


class Condition(models.Model):
    """The state a specimen is brought to before the test."""

    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="conditions")
    code = CodeField()
    name = models.CharField(max_length=200, blank=True)
    agent = models.CharField(max_length=200, blank=True)
    temperature = NumberField(null=True, blank=True)
    temperature_unit = models.CharField(max_length=40, blank=True)
    duration = NumberField(null=True, blank=True)
    duration_unit = models.CharField(max_length=40, blank=True)
    recovery = NumberField(null=True, blank=True)
    recovery_unit = models.CharField(max_length=40, blank=True)

    class Meta:
        ordering = ["programme", "code"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "code"], name="condition_code"),
            code_rule("condition_code_form"),
            models.CheckConstraint(
                condition=(Q(temperature__isnull=True) | filled("temperature_unit"))
                & (Q(duration__isnull=True) | filled("duration_unit"))
                & (Q(recovery__isnull=True) | filled("recovery_unit")),
                name="condition_numbers_have_units",
            ),
            at_least_zero("duration", "condition_duration_not_negative"),
            at_least_zero("recovery", "condition_recovery_not_negative"),
        ]

    def __str__(self):
        return self.name or self.code


class Trial(models.Model):
    """One property, by one method, under one condition. With a baseline, the change is the result."""

    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="trials")
    code = CodeField()
    property = models.ForeignKey(Property, on_delete=models.PROTECT, related_name="trials")
    condition = models.ForeignKey(
        Condition, null=True, blank=True, on_delete=models.PROTECT, related_name="trials"
    )
    revision = models.ForeignKey(
        MethodRevision, null=True, blank=True, on_delete=models.PROTECT, related_name="trials"
    )
    baseline = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="changes"
    )
    paired = models.BooleanField(default=False)
    reading_unit = models.CharField(max_length=40, blank=True)
    dimensions = models.ManyToManyField(Property, through="TrialDimension", related_name="divides")
    units_planned = models.PositiveIntegerField(null=True, blank=True)
    replicates = models.PositiveIntegerField(null=True, blank=True)
    blind = models.BooleanField(default=False)
    seed = models.BigIntegerField(null=True, blank=True)

    must_match = [
        ("property__programme", "programme"), ("condition__programme", "programme"),
        ("baseline__programme", "programme"),
    ]
    locked_by_readings = [
        "programme", "property", "condition", "revision", "baseline", "paired", "reading_unit",
    ]

    class Meta:
        ordering = ["programme", "code"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "code"], name="trial_code"),
            code_rule("trial_code_form"),
            models.CheckConstraint(
                condition=Q(baseline__isnull=True) | ~Q(baseline=F("id")), name="trial_not_its_own_baseline"
            ),
            models.CheckConstraint(
                condition=Q(paired=False) | Q(baseline__isnull=False), name="trial_paired_has_baseline"
            ),
        ]

    def __str__(self):
        return self.code


class TrialDimension(models.Model):
    """A dimension that divides each specimen's reading, in the order written."""

    trial = models.ForeignKey(Trial, on_delete=models.CASCADE, related_name="divide_by")
    property = models.ForeignKey(Property, on_delete=models.PROTECT, related_name="+")
    position = models.PositiveSmallIntegerField()

    locked_by_readings = ["trial", "property", "position"]

    class Meta:
        ordering = ["trial", "position"]
        constraints = [models.UniqueConstraint(fields=["trial", "position"], name="trial_dimension_position")]


class Run(models.Model):
    """A stretch of a trial under one method and rig; a change midway starts a new one.

    `revision` is the method's wording that held in it, where that is not the trial's own.
    """

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="runs")
    code = CodeField()
    started_at = models.DateTimeField(null=True, blank=True)
    started_at_text = models.CharField(max_length=40, blank=True)
    reason = models.TextField(blank=True)
    pooled_because = models.TextField(blank=True)
    anchor_product = models.ForeignKey(
        ProgrammeProduct, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    revision = models.ForeignKey(
        MethodRevision, null=True, blank=True, on_delete=models.PROTECT, related_name="runs"
    )

    locked_by_readings = ["trial", "revision"]

    class Meta:
        ordering = ["trial", "code"]
        constraints = [
            models.UniqueConstraint(fields=["trial", "code"], name="run_code"),
            code_rule("run_code_form"),
        ]

    def __str__(self):
        return f"{self.trial}, run {self.code}"


class AbsenceReason(models.TextChoices):
    NOT_PLANNED = "not_planned", "not planned"
    NOT_APPLICABLE = "not_applicable", "not applicable"
    LOST = "lost", "lost"
    EXCLUDED = "excluded", "excluded"


class Absence(models.Model):
    """Why a product is missing from a trial."""

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="absences")
    product = models.ForeignKey(ProgrammeProduct, on_delete=models.PROTECT, related_name="absences")
    reason = models.CharField(max_length=20, choices=AbsenceReason.choices)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["trial", "product"]
        constraints = [
            models.UniqueConstraint(fields=["trial", "product"], name="absence_once"),
            one_of("reason", AbsenceReason, "absence_reason_known"),
        ]


class Specimen(models.Model):
    """The piece that is tested, cut or taken from one unit. `blind_code` does not tell the product."""

    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="specimens")
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="specimens")
    code = CodeField()
    blind_code = models.CharField(max_length=40, blank=True)
    order_planned = NumberField(null=True, blank=True)
    order_done = NumberField(null=True, blank=True)

    must_match = [("unit__programme", "programme")]
    locked_by_readings = ["programme", "unit"]

    class Meta:
        ordering = ["programme", "code"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "code"], name="specimen_code"),
            models.UniqueConstraint(
                fields=["programme", "blind_code"], condition=filled("blind_code"), name="specimen_blind_code"
            ),
            code_rule("specimen_code_form"),
        ]

    def __str__(self):
        return self.code


class Exposure(models.Model):
    """A stay of a specimen in a condition, with what the chamber really did."""

    specimen = models.ForeignKey(Specimen, on_delete=models.PROTECT, related_name="exposures")
    condition = models.ForeignKey(Condition, on_delete=models.PROTECT, related_name="exposures")
    started_at = models.DateTimeField(null=True, blank=True)
    started_at_text = models.CharField(max_length=40, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_at_text = models.CharField(max_length=40, blank=True)
    chamber = models.CharField(max_length=200, blank=True)
    actual_low = NumberField(null=True, blank=True)
    actual_high = NumberField(null=True, blank=True)
    actual_unit = models.CharField(max_length=40, blank=True)

    class Meta:
        ordering = ["specimen", "condition", "started_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["specimen", "condition", "started_at_text"], name="exposure_once"
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True) | Q(started_at__isnull=True) | Q(ended_at__gte=F("started_at")),
                name="exposure_ends_after_start",
            ),
            ordered("actual_low", "actual_high", "exposure_actual_ordered"),
        ]

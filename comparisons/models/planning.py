"""What the planner reckons with before anything is bought. The team's own; no result rests on it."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from specimens.fields import NumberField
from specimens.models import ProgrammeProduct, Trial
from specimens.models.base import above_zero, at_least_zero, filled


class TrialPlan(models.Model):
    """What a trial is expected to take: spread, the difference to tell apart, material, days.

    `typical_cv` and `wanted_difference` are in percent of the value; `per_specimen` is material, such as
    a length; `hands_on` is bench time per specimen in minutes.
    """

    trial = models.OneToOneField(Trial, primary_key=True, on_delete=models.CASCADE, related_name="expected")
    typical_cv = NumberField(null=True, blank=True)
    wanted_difference = NumberField(null=True, blank=True)
    per_specimen = NumberField(null=True, blank=True)
    per_specimen_unit = models.CharField(max_length=40, blank=True)
    hands_on = NumberField(null=True, blank=True)
    starts_on = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [
            at_least_zero("typical_cv", "trial_plan_cv_not_negative"),
            above_zero("wanted_difference", "trial_plan_difference_positive"),
            above_zero("per_specimen", "trial_plan_material_positive"),
            at_least_zero("hands_on", "trial_plan_hands_on_not_negative"),
            models.CheckConstraint(
                condition=Q(per_specimen__isnull=True) | filled("per_specimen_unit"),
                name="trial_plan_material_has_unit",
            ),
        ]


class ProductPlan(models.Model):
    """What a product is expected to cost, in the comparison's currency, and how much one unit holds."""

    product = models.OneToOneField(
        ProgrammeProduct, primary_key=True, on_delete=models.CASCADE, related_name="expected"
    )
    price = NumberField(null=True, blank=True)
    content = NumberField(null=True, blank=True, help_text="material in one unit")
    content_unit = models.CharField(max_length=40, blank=True)
    where = models.CharField(max_length=300, blank=True, help_text="where it will be bought")

    class Meta:
        constraints = [
            at_least_zero("price", "product_plan_price_not_negative"),
            above_zero("content", "product_plan_content_positive"),
            models.CheckConstraint(
                condition=Q(content__isnull=True) | filled("content_unit"), name="product_plan_content_has_unit"
            ),
        ]

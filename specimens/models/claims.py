"""What makers say, and what they answer."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from ..fields import NumberField
from .base import CodeField, at_least_zero, code_rule, filled, one_of, ordered
from .programme import Programme, ProgrammeProduct
from .trials import Condition, Property, Trial


class Sense(models.TextChoices):
    AT_LEAST = "at_least", "at least"
    AT_MOST = "at_most", "at most"
    NOMINAL = "nominal", "nominal"
    BETWEEN = "between", "between"
    YES = "yes", "yes"


class ClaimOf(models.TextChoices):
    VALUE = "value", "the value"
    CHANGE = "change", "the change from the baseline"


class Scope(models.TextChoices):
    TYPICAL = "typical", "the typical item"
    EVERY = "every", "every item"


class CertificationState(models.TextChoices):
    NOT_LOOKED_FOR = "not_looked_for", "not looked for"
    NOT_CLAIMED = "not_claimed", "not claimed"
    CLAIMED = "claimed", "claimed"
    VERIFIED = "verified", "verified in the issuer's directory"
    NOT_FOUND = "not_found", "claimed but not found"


class Claim(models.Model):
    """What the maker says of a property, from one source; as printed in `wording`."""

    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="claims")
    product = models.ForeignKey(ProgrammeProduct, on_delete=models.PROTECT, related_name="claims")
    code = CodeField()
    property = models.ForeignKey(Property, on_delete=models.PROTECT, related_name="claims")
    trial = models.ForeignKey(Trial, null=True, blank=True, on_delete=models.PROTECT, related_name="claims")
    condition = models.ForeignKey(
        Condition, null=True, blank=True, on_delete=models.PROTECT, related_name="claims"
    )
    of = models.CharField(max_length=10, choices=ClaimOf.choices, default=ClaimOf.VALUE, blank=True)
    sense = models.CharField(max_length=10, choices=Sense.choices)
    value = NumberField(null=True, blank=True)
    low = NumberField(null=True, blank=True)
    high = NumberField(null=True, blank=True)
    tolerance_minus = NumberField(null=True, blank=True)
    tolerance_plus = NumberField(null=True, blank=True)
    unit = models.CharField(max_length=40, blank=True)
    scope = models.CharField(max_length=10, choices=Scope.choices, default=Scope.TYPICAL, blank=True)
    source = models.CharField(max_length=300, blank=True)
    wording = models.TextField(blank=True)
    seen_on = models.DateField(null=True, blank=True)
    certification_state = models.CharField(max_length=20, choices=CertificationState.choices, blank=True)
    reference = models.CharField(max_length=200, blank=True)
    checked_on = models.DateField(null=True, blank=True)
    governs = models.BooleanField(default=False)
    governs_reason = models.TextField(blank=True)
    not_tested_because = models.TextField(blank=True, help_text="why this claim cannot be tested here")

    must_match = [
        ("product__programme", "programme"), ("property__programme", "programme"),
        ("trial__programme", "programme"), ("condition__programme", "programme"),
    ]

    class Meta:
        ordering = ["programme", "code"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "code"], name="claim_code"),
            code_rule("claim_code_form"),
            one_of("of", ClaimOf, "claim_of_known", blank=True),
            one_of("sense", Sense, "claim_sense_known"),
            one_of("scope", Scope, "claim_scope_known", blank=True),
            one_of("certification_state", CertificationState, "claim_certification_known", blank=True),
            ordered("low", "high", "claim_low_under_high"),
            at_least_zero("tolerance_minus", "claim_tolerance_minus_not_negative"),
            at_least_zero("tolerance_plus", "claim_tolerance_plus_not_negative"),
            models.CheckConstraint(
                condition=~Q(sense__in=["at_least", "at_most", "nominal"]) | Q(value__isnull=False),
                name="claim_limit_has_value",
            ),
            models.CheckConstraint(
                condition=~Q(sense="between") | Q(low__isnull=False, high__isnull=False),
                name="claim_between_has_both",
            ),
            models.CheckConstraint(
                condition=Q(governs=False) | filled("governs_reason"), name="claim_governs_with_reason"
            ),
            models.CheckConstraint(
                condition=~Q(certification_state__in=["verified", "not_found"]) | Q(checked_on__isnull=False),
                name="claim_check_has_date",
            ),
        ]

    def __str__(self):
        return self.code


class MakerAnswer(models.Model):
    """What a maker answered on the record about their product."""

    product = models.ForeignKey(ProgrammeProduct, on_delete=models.PROTECT, related_name="answers")
    received_at = models.DateTimeField()
    received_at_text = models.CharField(max_length=40)
    text = models.TextField()
    published = models.BooleanField(default=False)

    fixed = ["product", "received_at", "received_at_text", "text"]
    kept = True

    class Meta:
        ordering = ["product", "received_at"]
        constraints = [
            models.UniqueConstraint(fields=["product", "received_at_text"], name="maker_answer_once"),
            models.CheckConstraint(condition=filled("text"), name="maker_answer_says_something"),
        ]

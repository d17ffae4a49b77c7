"""Readings, never changed and never deleted; what replaces or voids one is a row of its own."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from .base import CodeField, code_rule, filled, one_of
from .claims import Claim
from .measuring import Instrument
from .programme import Programme, ProgrammeProduct, Purchase, Unit
from .trials import Run, Specimen, Trial


class Bound(models.TextChoices):
    EXACT = "=", "exact"
    ABOVE = ">", "greater than"
    BELOW = "<", "less than"


class Reading(models.Model):
    """One observed value of one specimen, as typed. Append-only: see `specimens.guards`.

    `replaces` names the reading that this one amends; a reading is replaced at most once. Times keep
    their text beside the moment it means (UTC where no zone was typed).
    """

    # The unique (programme, code) serves as index; a second one on programme alone misleads PostgreSQL's
    # planner in the guard against replacing, and an import becomes quadratic.
    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="readings", db_index=False)
    code = CodeField()
    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="readings")
    product = models.ForeignKey(ProgrammeProduct, on_delete=models.PROTECT, related_name="readings")
    unit = models.ForeignKey(Unit, null=True, blank=True, on_delete=models.PROTECT, related_name="readings")
    specimen = models.ForeignKey(
        Specimen, null=True, blank=True, on_delete=models.PROTECT, related_name="readings"
    )
    value = models.CharField(max_length=64)
    bound = models.CharField(max_length=1, choices=Bound.choices, blank=True)
    unit_of_measure = models.CharField(max_length=40, blank=True)
    operator = models.CharField(max_length=100, blank=True)
    rater = models.CharField(max_length=100, blank=True)
    instrument = models.ForeignKey(
        Instrument, null=True, blank=True, on_delete=models.PROTECT, related_name="readings"
    )
    taken_at = models.DateTimeField(null=True, blank=True)
    taken_at_text = models.CharField(max_length=40, blank=True)
    received_at = models.DateTimeField(null=True, blank=True)
    received_at_text = models.CharField(max_length=40, blank=True)
    run = models.ForeignKey(Run, null=True, blank=True, on_delete=models.PROTECT, related_name="readings")
    order = models.CharField(max_length=20, blank=True)
    failure_mode = models.CharField(max_length=80, blank=True)
    trace = models.CharField(max_length=300, blank=True)
    decision = models.TextField(blank=True)
    replaces = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="replaced_by"
    )
    replace_reason = models.TextField(blank=True)
    note = models.TextField(blank=True)

    append_only = True
    must_match = [
        ("trial__programme", "programme"), ("product__programme", "programme"), ("unit__product", "product"),
        ("specimen__programme", "programme"), ("run__trial", "trial"), ("replaces__trial", "trial"),
        ("replaces__specimen", "specimen"), ("replaces__product", "product"),
    ]

    class Meta:
        ordering = ["programme", "code"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "code"], name="reading_code"),
            code_rule("reading_code_form"),
            one_of("bound", Bound, "reading_bound_known", blank=True),
            models.CheckConstraint(condition=filled("value"), name="reading_has_value"),
            models.CheckConstraint(
                condition=Q(replaces__isnull=True) | ~Q(replaces=F("id")), name="reading_not_replacing_itself"
            ),
            models.CheckConstraint(
                condition=Q(replaces__isnull=True) | filled("replace_reason"),
                name="reading_replaces_with_reason",
            ),
        ]
        indexes = [models.Index(fields=["trial", "product"], name="reading_trial_product")]

    def __str__(self):
        return self.code


class ConvertedValue(models.Model):
    """A reading's value in its trial's reading unit: derived, and rebuilt at any time.

    Null where the typed value says nothing in numbers; `reason` tells why. A pass is 1, a fail 0.
    """

    reading = models.OneToOneField(
        Reading, primary_key=True, on_delete=models.CASCADE, related_name="converted"
    )
    value = models.FloatField(null=True)
    unit = models.CharField(max_length=40, blank=True)
    engine = models.CharField(max_length=40)
    reason = models.CharField(max_length=200, blank=True)


class Void(models.Model):
    """A reading declared void: when, by whom, and why. Append-only."""

    reading = models.OneToOneField(Reading, on_delete=models.PROTECT, related_name="void")
    voided_at = models.DateTimeField(default=timezone.now, null=True)
    voided_at_text = models.CharField(max_length=40, blank=True)
    voided_by = models.CharField(max_length=100, blank=True)
    reason = models.TextField()

    append_only = True

    class Meta:
        ordering = ["reading"]
        constraints = [models.CheckConstraint(condition=filled("reason"), name="void_with_reason")]


class About(models.TextChoices):
    PRODUCT = "product", "product"
    PURCHASE = "purchase", "purchase"
    CLAIM = "claim", "claim"
    SPECIMEN = "specimen", "specimen"
    READING = "reading", "reading"
    TRIAL = "trial", "trial"


def _about_exactly_one() -> Q:
    condition = Q()
    for one in About.values:
        others = {f"{other}__isnull": True for other in About.values if other != one}
        condition |= Q(about=one, **{f"{one}__isnull": False}, **others)
    return condition


class Attachment(models.Model):
    """A file that belongs to one thing: a photo, a receipt, a trace. Its bytes are kept under our name."""

    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="attachments")
    path = models.CharField(max_length=300, help_text="its path in the study folder")
    content = models.FileField(upload_to="attachments/%Y/%m/", max_length=300)
    sha256 = models.CharField(max_length=64)
    kind = models.CharField(max_length=40, blank=True)
    caption = models.TextField(blank=True)
    alt = models.TextField(blank=True)
    about = models.CharField(max_length=10, choices=About.choices)
    product = models.ForeignKey(
        ProgrammeProduct, null=True, blank=True, on_delete=models.PROTECT, related_name="attachments"
    )
    purchase = models.ForeignKey(
        Purchase, null=True, blank=True, on_delete=models.PROTECT, related_name="attachments"
    )
    claim = models.ForeignKey(
        Claim, null=True, blank=True, on_delete=models.PROTECT, related_name="attachments"
    )
    specimen = models.ForeignKey(
        Specimen, null=True, blank=True, on_delete=models.PROTECT, related_name="attachments"
    )
    reading = models.ForeignKey(
        Reading, null=True, blank=True, on_delete=models.PROTECT, related_name="attachments"
    )
    trial = models.ForeignKey(
        Trial, null=True, blank=True, on_delete=models.PROTECT, related_name="attachments"
    )

    # Another file is another row: what a path and a digest stand for never changes.
    fixed = ["programme", "path", "content", "sha256"]

    class Meta:
        ordering = ["programme", "path"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "path"], name="attachment_path"),
            one_of("about", About, "attachment_about_known"),
            models.CheckConstraint(condition=_about_exactly_one(), name="attachment_about_exactly_one"),
        ]

    def __str__(self):
        return self.path

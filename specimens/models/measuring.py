"""How it is measured: methods with their revisions, and instruments with their calibrations."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from ..fields import NumberField
from .base import CodeField, above_zero, at_least_zero, code_rule, filled, one_of, ordered
from .programme import Programme


class Relation(models.TextChoices):
    FOLLOWS = "follows", "follows"
    DEPARTS = "departs", "departs from"
    OWN = "own", "our own method"


class Method(models.Model):
    """A test method of the team; what it says is in its revisions."""

    title = models.CharField(max_length=200, unique=True)

    class Meta:
        ordering = ["title"]
        constraints = [models.CheckConstraint(condition=filled("title"), name="method_titled")]

    def __str__(self):
        return self.title


class MethodRevision(models.Model):
    """One wording of a method; readings stay with the one they were made under."""

    method = models.ForeignKey(Method, on_delete=models.PROTECT, related_name="revisions")
    revision = models.CharField(max_length=40)
    standard = models.CharField(max_length=200, blank=True)
    relation = models.CharField(max_length=10, choices=Relation.choices, blank=True)
    departures = models.TextField(blank=True)
    cannot_show = models.TextField(blank=True)
    steps = models.TextField(blank=True)
    cautions = models.TextField(blank=True)
    hazardous = models.BooleanField(default=False)

    # Cautions may always be made better; what was done may not be rewritten afterwards.
    locked_by_readings = ["method", "revision", "standard", "relation", "departures", "steps"]

    class Meta:
        ordering = ["method", "revision"]
        constraints = [
            models.UniqueConstraint(fields=["method", "revision"], name="method_revision_identity"),
            one_of("relation", Relation, "method_relation_known", blank=True),
            models.CheckConstraint(
                condition=Q(hazardous=False) | filled("cautions"), name="method_hazard_has_cautions"
            ),
            models.CheckConstraint(condition=filled("revision"), name="method_revision_named"),
        ]

    def __str__(self):
        return f"{self.method}, revision {self.revision}"


class MethodInProgramme(models.Model):
    """A method as one programme knows it, under that programme's code, with the revisions it lists."""

    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="methods")
    method = models.ForeignKey(Method, on_delete=models.PROTECT, related_name="programmes")
    code = CodeField()
    revisions = models.ManyToManyField(MethodRevision, related_name="programmes")

    class Meta:
        ordering = ["programme", "code"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "code"], name="programme_method_code"),
            models.UniqueConstraint(fields=["programme", "method"], name="programme_method_once"),
            code_rule("programme_method_code_form"),
        ]

    def __str__(self):
        return self.code


class FailureMode(models.Model):
    """How a specimen came to its end, coded; `counts` says whether such a reading counts."""

    method = models.ForeignKey(MethodInProgramme, on_delete=models.PROTECT, related_name="failure_modes")
    code = CodeField()
    name = models.CharField(max_length=200, blank=True)
    counts = models.BooleanField(default=True)

    class Meta:
        ordering = ["method", "code"]
        constraints = [
            models.UniqueConstraint(fields=["method", "code"], name="failure_mode_code"),
            code_rule("failure_mode_code_form"),
        ]

    def __str__(self):
        return self.name or self.code


class AccuracyBasis(models.TextChoices):
    READING = "reading", "of reading"
    FULL_SCALE = "full_scale", "of full scale"


class Instrument(models.Model):
    """A gauge of the team. Its dates are the latest; earlier states are its calibrations."""

    name = models.CharField(max_length=200)
    serial = models.CharField(max_length=100, blank=True)
    unit = models.CharField(max_length=40, blank=True)
    range_low = NumberField(null=True, blank=True)
    range_high = NumberField(null=True, blank=True)
    resolution = NumberField(null=True, blank=True)
    accuracy_pct = NumberField(null=True, blank=True)
    accuracy_basis = models.CharField(max_length=12, choices=AccuracyBasis.choices, blank=True)
    accuracy_abs = NumberField(null=True, blank=True)
    calibrated_on = models.DateField(null=True, blank=True)
    due_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["name", "serial"]
        constraints = [
            models.UniqueConstraint(
                fields=["name", "serial"], condition=filled("serial"), name="instrument_identity"
            ),
            models.CheckConstraint(condition=filled("name"), name="instrument_named"),
            one_of("accuracy_basis", AccuracyBasis, "instrument_accuracy_basis_known", blank=True),
            models.CheckConstraint(
                condition=Q(accuracy_pct__isnull=True) | filled("accuracy_basis"),
                name="instrument_accuracy_says_of_what",
            ),
            ordered("range_low", "range_high", "instrument_range_ordered"),
            above_zero("resolution", "instrument_resolution_positive"),
            at_least_zero("accuracy_pct", "instrument_accuracy_pct_not_negative"),
            at_least_zero("accuracy_abs", "instrument_accuracy_abs_not_negative"),
            models.CheckConstraint(
                condition=Q(due_on__isnull=True) | Q(calibrated_on__isnull=True)
                | Q(due_on__gte=models.F("calibrated_on")),
                name="instrument_due_after_calibration",
            ),
        ]

    def __str__(self):
        return f"{self.name} {self.serial}".strip()


class ProgrammeInstrument(models.Model):
    """An instrument as one programme knows it, under that programme's code."""

    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="instruments")
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="programmes")
    code = CodeField()

    class Meta:
        ordering = ["programme", "code"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "code"], name="programme_instrument_code"),
            models.UniqueConstraint(fields=["programme", "instrument"], name="programme_instrument_once"),
            code_rule("programme_instrument_code_form"),
        ]

    def __str__(self):
        return self.code


class Calibration(models.Model):
    """One dated calibration of an instrument: expanded uncertainty U with k, offset and gain found."""

    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="calibrations")
    calibrated_on = models.DateField()
    due_on = models.DateField(null=True, blank=True)
    U = NumberField(null=True, blank=True)
    k = NumberField(null=True, blank=True)
    offset = NumberField(null=True, blank=True)
    gain = NumberField(null=True, blank=True)
    certificate = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["instrument", "calibrated_on"]
        constraints = [
            models.UniqueConstraint(fields=["instrument", "calibrated_on"], name="calibration_once_a_day"),
            at_least_zero("U", "calibration_U_not_negative"),
            above_zero("k", "calibration_k_positive"),
            above_zero("gain", "calibration_gain_positive"),
            models.CheckConstraint(
                condition=Q(due_on__isnull=True) | Q(due_on__gte=models.F("calibrated_on")),
                name="calibration_due_after_calibration",
            ),
        ]

    def __str__(self):
        return f"{self.instrument}, {self.calibrated_on}"


class InstrumentFault(models.Model):
    """A gauge found wrong later: since when and by how much. Kept, whatever comes of it.

    `factor` is what a true value was multiplied by to give what the gauge showed (1.06: it showed 6 % too
    much), where that is known. An editor closes it with what was decided.
    """

    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="faults")
    since = models.DateField()
    until = models.DateField(null=True, blank=True)
    what = models.TextField()
    factor = NumberField(null=True, blank=True)
    recorded_at = models.DateTimeField(default=timezone.now)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    decision = models.TextField(blank=True)

    fixed = ["instrument", "since", "until", "what", "factor", "recorded_at", "recorded_by"]
    kept = True

    class Meta:
        ordering = ["-recorded_at"]
        constraints = [
            models.CheckConstraint(condition=filled("what"), name="instrument_fault_says_what"),
            models.CheckConstraint(
                condition=Q(until__isnull=True) | Q(until__gte=models.F("since")), name="instrument_fault_ordered"
            ),
            above_zero("factor", "instrument_fault_factor_positive"),
            models.CheckConstraint(
                condition=Q(closed_at__isnull=True, closed_by__isnull=True)
                | (Q(closed_at__isnull=False, closed_by__isnull=False) & filled("decision")),
                name="instrument_fault_closed_with_decision",
            ),
        ]

    def __str__(self):
        return f"{self.instrument}, since {self.since}"


class ReadingCorrection(models.Model):
    """The readings of one gauge over some days, multiplied by a stated factor when they are evaluated.

    The readings themselves stay as typed. It is undone, with a reason, by a line on its own row; the row
    is kept.
    """

    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="corrections")
    code = CodeField()
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="corrections")
    fault = models.ForeignKey(
        InstrumentFault, null=True, blank=True, on_delete=models.PROTECT, related_name="corrections"
    )
    since = models.DateField()
    until = models.DateField()
    factor = NumberField()
    reason = models.TextField()
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_at_text = models.CharField(max_length=40, blank=True)
    undone_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    undone_reason = models.TextField(blank=True)

    must_match = [("fault__instrument", "instrument")]
    fixed = ["programme", "code", "instrument", "fault", "since", "until", "factor", "reason", "made_at", "made_by"]
    kept = True

    class Meta:
        ordering = ["programme", "code"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "code"], name="correction_code"),
            code_rule("correction_code_form"),
            models.CheckConstraint(condition=Q(until__gte=models.F("since")), name="correction_ordered"),
            above_zero("factor", "correction_factor_positive"),
            models.CheckConstraint(condition=filled("reason"), name="correction_with_reason"),
            models.CheckConstraint(
                condition=Q(undone_at__isnull=True) | filled("undone_reason"), name="correction_undone_with_reason"
            ),
        ]

    def __str__(self):
        return self.code

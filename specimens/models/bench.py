"""What the bench itself keeps: the plan of its work, what tablets sent, and what came of it."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from ..fields import NumberField
from .base import above_zero, at_least_zero, filled, one_of
from .programme import Programme
from .readings import Reading
from .trials import Condition, Exposure, Specimen, Trial


class BenchPlace(models.Model):
    """A specimen's place in the order of a trial: planned, seeded, in blocks.

    In a panel each rater has an order of their own; `rater` is blank otherwise. `run` is the code of the
    run in which the specimen is to be measured again, blank for the first time.
    """

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="places")
    specimen = models.ForeignKey(Specimen, on_delete=models.PROTECT, related_name="places")
    rater = models.CharField(max_length=100, blank=True)
    run = models.CharField(max_length=80, blank=True)
    position = models.PositiveIntegerField()
    block = models.CharField(max_length=80, blank=True)

    class Meta:
        ordering = ["trial", "rater", "position"]
        constraints = [
            models.UniqueConstraint(fields=["trial", "specimen", "rater", "run"], name="bench_place_once"),
            models.UniqueConstraint(fields=["trial", "rater", "position"], name="bench_place_position"),
        ]

    def __str__(self):
        return f"{self.trial}, place {self.position}"


class EntryKind(models.TextChoices):
    READING = "reading", "a reading"
    VOID = "void", "a void"
    EXPOSURE_START = "exposure_start", "the start of an exposure"
    EXPOSURE_END = "exposure_end", "the end of an exposure"
    PHOTO = "photo", "a photo"
    CAUTIONS = "confirm_cautions", "cautions confirmed"
    RUN = "run", "a new run"
    OTHER = "other", "something else"


class EntryStatus(models.TextChoices):
    STORED = "stored", "stored"
    REFUSED = "refused", "refused"


class Submission(models.Model):
    """What a tablet sent under an id of its own, and what it was answered. Append-only.

    `digest` is over the whole entry as sent; `content` leaves out what is kept elsewhere (a photo's
    bytes) or is too large. `tablet_time` is as the tablet said it; `done_at` is that moment once the
    tablet's clock is set right by the difference between the time at which it says that it sends and the
    server's. One row for each id: a repeat finds it and gets the same answer.
    """

    id = models.UUIDField(primary_key=True)
    kind = models.CharField(max_length=20, choices=EntryKind.choices)
    status = models.CharField(max_length=10, choices=EntryStatus.choices)
    tablet = models.CharField(max_length=80)
    digest = models.CharField(max_length=64)
    content = models.JSONField()
    answer = models.JSONField()
    # Fewer indexes: each costs every tablet a page to write. `trial` leads the index below.
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+", db_index=False)
    trial = models.ForeignKey(
        Trial, null=True, blank=True, on_delete=models.PROTECT, related_name="submissions", db_index=False
    )
    reading = models.ForeignKey(
        Reading, null=True, blank=True, on_delete=models.PROTECT, related_name="submissions"
    )
    tablet_time = models.DateTimeField(null=True, blank=True)
    tablet_time_text = models.CharField(max_length=40, blank=True)
    done_at = models.DateTimeField()
    received_at = models.DateTimeField()

    append_only = True

    class Meta:
        ordering = ["received_at"]
        constraints = [
            one_of("kind", EntryKind, "submission_kind_known"),
            one_of("status", EntryStatus, "submission_status_known"),
        ]
        indexes = [
            models.Index(fields=["trial", "kind", "done_at"], name="submission_trial_done"),
            models.Index(fields=["received_at"], name="submission_refused", condition=Q(status="refused")),
        ]

    def __str__(self):
        return str(self.id)


class ConflictKind(models.TextChoices):
    TWICE = "twice", "measured twice"
    APART = "apart", "ratings far apart"
    OTHER_CONTENT = "other_content", "sent again with other content"


class Conflict(models.Model):
    """Two readings that the planner has to look at. Both are kept.

    `twice`: one specimen read by two tablets or two people. `apart`: two raters of a panel three steps or
    more apart. `other_content`: an id that came again with other content; the first was kept, what came
    later is in `content`.
    """

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="conflicts")
    specimen = models.ForeignKey(
        Specimen, null=True, blank=True, on_delete=models.PROTECT, related_name="conflicts"
    )
    kind = models.CharField(max_length=15, choices=ConflictKind.choices, default=ConflictKind.TWICE)
    first = models.ForeignKey(Reading, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    second = models.ForeignKey(Reading, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    content = models.JSONField(null=True, blank=True)
    digest = models.CharField(max_length=64, blank=True)
    found_at = models.DateTimeField(default=timezone.now)
    seen_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    seen_at = models.DateTimeField(null=True, blank=True)
    resolution = models.TextField(blank=True)

    class Meta:
        ordering = ["found_at"]
        constraints = [
            one_of("kind", ConflictKind, "conflict_kind_known"),
            models.CheckConstraint(
                condition=Q(kind="other_content") | Q(first__isnull=False, second__isnull=False),
                name="conflict_names_both",
            ),
            models.CheckConstraint(
                condition=Q(seen_by__isnull=True, seen_at__isnull=True)
                | (Q(seen_by__isnull=False, seen_at__isnull=False) & filled("resolution")),
                name="conflict_seen_with_resolution",
            ),
            models.UniqueConstraint(
                fields=["digest"], condition=filled("digest"), name="conflict_content_once"
            ),
        ]

    def __str__(self):
        return f"{self.trial}: {self.get_kind_display()}"


class ChamberLog(models.Model):
    """A chamber's own log as dropped in, and what it says: the range that the specimens really saw."""

    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="chamber_logs")
    condition = models.ForeignKey(Condition, on_delete=models.PROTECT, related_name="chamber_logs")
    chamber = models.CharField(max_length=200, blank=True)
    name = models.CharField(max_length=200, blank=True)
    content = models.FileField(upload_to="chamber-logs/%Y/%m/", max_length=300)
    sha256 = models.CharField(max_length=64)
    unit = models.CharField(max_length=40)
    low = NumberField()
    high = NumberField()
    rows = models.PositiveIntegerField()
    first_at = models.DateTimeField()
    last_at = models.DateTimeField()
    received_at = models.DateTimeField(default=timezone.now)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["received_at"]
        constraints = [
            models.CheckConstraint(condition=Q(last_at__gte=F("first_at")), name="chamber_log_ends_after_start")
        ]


class Stay(models.Model):
    """What the bench knows of an exposure beyond the exposure itself: set point, people, log, departure."""

    exposure = models.OneToOneField(Exposure, primary_key=True, on_delete=models.PROTECT, related_name="stay")
    set_point = NumberField(null=True, blank=True)
    set_point_unit = models.CharField(max_length=40, blank=True)
    started_by = models.CharField(max_length=150, blank=True)
    ended_by = models.CharField(max_length=150, blank=True)
    log = models.ForeignKey(ChamberLog, null=True, blank=True, on_delete=models.PROTECT, related_name="stays")
    departure = models.TextField(blank=True)
    departure_reason = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(set_point__isnull=True) | filled("set_point_unit"), name="stay_set_point_has_unit"
            )
        ]


class TraceReduction(models.Model):
    """How a trace became its reading: the rule, its parameters, and why they differ from the trial's own."""

    reading = models.OneToOneField(Reading, primary_key=True, on_delete=models.PROTECT, related_name="reduction")
    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="reductions")
    rule = models.CharField(max_length=20)
    parameters = models.JSONField(default=dict)
    columns = models.JSONField(default=dict)
    result = models.JSONField(default=dict)
    reason = models.TextField(blank=True, help_text="why rule or parameters differ from the trial's own")

    append_only = True


class Blocking(models.TextChoices):
    UNIT = "unit", "by unit: one unit of each product in a block"
    DAY = "day", "by day: each day an equal share of each product"
    NONE = "none", "in one block"


class Holds(models.TextChoices):
    ITEM = "item", "one item"
    PACK = "pack", "one pack"


class BenchPlan(models.Model):
    """How a trial's bench work was planned: enough to make the same order again, and to list what to cut.

    `per_specimen` is the material that one specimen takes, `allowance_pct` what is lost on top of it;
    `unit_holds` says whether a unit is one item of its purchase or a whole pack.
    """

    trial = models.OneToOneField(Trial, primary_key=True, on_delete=models.PROTECT, related_name="bench_plan")
    seed = models.BigIntegerField()
    replicates = models.PositiveIntegerField()
    blocking = models.CharField(max_length=5, choices=Blocking.choices, default=Blocking.UNIT)
    days = models.PositiveSmallIntegerField(null=True, blank=True)
    per_specimen = NumberField(null=True, blank=True)
    per_specimen_unit = models.CharField(max_length=40, blank=True)
    allowance_pct = NumberField(null=True, blank=True)
    unit_holds = models.CharField(max_length=5, choices=Holds.choices, default=Holds.ITEM)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [
            one_of("blocking", Blocking, "bench_plan_blocking_known"),
            one_of("unit_holds", Holds, "bench_plan_unit_holds_known"),
            models.CheckConstraint(
                condition=Q(per_specimen__isnull=True) | filled("per_specimen_unit"),
                name="bench_plan_material_has_unit",
            ),
            above_zero("per_specimen", "bench_plan_material_positive"),
            at_least_zero("allowance_pct", "bench_plan_allowance_not_negative"),
            models.CheckConstraint(
                condition=~Q(blocking="day") | Q(days__gte=1), name="bench_plan_days_counted"
            ),
        ]

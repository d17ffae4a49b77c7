"""Evaluations, approvals and editions: written once, never changed. And the work queue's rows."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from specimens.models import InstrumentFault
from specimens.models.base import filled, one_of

from .comparison import Comparison


class Evaluation(models.Model):
    """A results document, keyed by the digest of its inputs, the engine and the schema. Append-only."""

    comparison = models.ForeignKey(Comparison, on_delete=models.PROTECT, related_name="evaluations")
    inputs_digest = models.CharField(max_length=64)
    engine = models.CharField(max_length=40)
    schema = models.CharField(max_length=40)
    document = models.TextField(help_text="canonical JSON")
    created_at = models.DateTimeField(auto_now_add=True)
    cpu_s = models.FloatField(null=True, blank=True)

    append_only = True

    class Meta:
        ordering = ["comparison", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["comparison", "inputs_digest", "engine", "schema"], name="evaluation_key"
            ),
        ]


class Standing(models.Model):
    """Which evaluation holds for a comparison as it stands, and up to which recorded event that is known.

    A later event that changes the draft makes it stale. This lets a page tell fresh from stale by one
    comparison of numbers, without reading the inputs again.
    """

    comparison = models.OneToOneField(
        Comparison, primary_key=True, on_delete=models.CASCADE, related_name="standing"
    )
    evaluation = models.ForeignKey(Evaluation, on_delete=models.PROTECT, related_name="+")
    event_id = models.BigIntegerField(help_text="the last event that changed the draft when it was evaluated")
    approval_digest = models.CharField(max_length=64)
    checked_at = models.DateTimeField(auto_now=True)

    must_match = [("evaluation__comparison", "comparison")]


def _correction_whole(name: str):
    """A correction says what was wrong, why, and since which edition; or there is none."""
    return models.CheckConstraint(
        condition=Q(correction="", correction_why="", corrects_since__isnull=True)
        | (filled("correction") & filled("correction_why") & Q(corrects_since__gte=1)),
        name=name,
    )


class ApprovalRequest(models.Model):
    """Somebody asks for approval of one state, bound by its digest. Append-only."""

    comparison = models.ForeignKey(Comparison, on_delete=models.PROTECT, related_name="approval_requests")
    evaluation = models.ForeignKey(Evaluation, on_delete=models.PROTECT, related_name="approval_requests")
    digest = models.CharField(max_length=64)
    note = models.TextField(blank=True)
    correction = models.TextField(blank=True, help_text="what was wrong in an earlier edition")
    correction_why = models.TextField(blank=True)
    corrects_since = models.PositiveIntegerField(null=True, blank=True, help_text="the first edition that was wrong")
    requested_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    requested_at = models.DateTimeField(auto_now_add=True)

    append_only = True
    must_match = [("evaluation__comparison", "comparison")]

    class Meta:
        ordering = ["-id"]
        constraints = [_correction_whole("request_correction_whole")]


class Verdict(models.TextChoices):
    APPROVED = "approved", "approved"
    RETURNED = "returned", "returned with a reason"


class Approval(models.Model):
    """The second person's word on a request. Append-only; `specimens.guards` holds it to its request.

    `requested_by` repeats the request's, so that the database itself can refuse one person in both roles.
    """

    request = models.OneToOneField(ApprovalRequest, on_delete=models.PROTECT, related_name="approval")
    verdict = models.CharField(max_length=10, choices=Verdict.choices)
    reason = models.TextField(blank=True)
    requested_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    approved_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    approved_at = models.DateTimeField(auto_now_add=True)

    append_only = True
    must_match = [("request__requested_by", "requested_by")]

    class Meta:
        ordering = ["-id"]
        constraints = [
            one_of("verdict", Verdict, "approval_verdict_known"),
            models.CheckConstraint(condition=~Q(approved_by=F("requested_by")), name="approval_by_a_second_person"),
            models.CheckConstraint(
                condition=~Q(verdict="returned") | filled("reason"), name="approval_returned_with_reason"
            ),
        ]


class Edition(models.Model):
    """One published, frozen, numbered state of a comparison. Append-only.

    `sha256` covers `package` (the public study zip), `results` and `page` together with the digest of
    the edition before. `correction` says what was wrong before, where this edition corrects one.
    """

    comparison = models.ForeignKey(Comparison, on_delete=models.PROTECT, related_name="editions")
    number = models.PositiveIntegerField()
    approval = models.OneToOneField(Approval, on_delete=models.PROTECT, related_name="edition")
    evaluation = models.ForeignKey(Evaluation, on_delete=models.PROTECT, related_name="editions")
    previous = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="next"
    )
    published_at = models.DateTimeField()
    package = models.BinaryField()
    results = models.BinaryField()
    page = models.BinaryField()
    package_sha256 = models.CharField(max_length=64)
    results_sha256 = models.CharField(max_length=64)
    page_sha256 = models.CharField(max_length=64)
    sha256 = models.CharField(max_length=64, unique=True)
    correction = models.TextField(blank=True, help_text="what was wrong in an earlier edition")
    correction_why = models.TextField(blank=True)
    corrects_since = models.PositiveIntegerField(null=True, blank=True, help_text="the first edition that was wrong")

    append_only = True
    must_match = [("evaluation__comparison", "comparison"), ("previous__comparison", "comparison")]

    class Meta:
        ordering = ["comparison", "-number"]
        constraints = [
            models.UniqueConstraint(fields=["comparison", "number"], name="edition_number"),
            models.CheckConstraint(
                condition=Q(number=1, previous__isnull=True) | Q(number__gt=1, previous__isnull=False),
                name="edition_follows_the_last",
            ),
            _correction_whole("edition_correction_whole"),
            models.CheckConstraint(
                condition=Q(corrects_since__isnull=True) | Q(corrects_since__lt=F("number")),
                name="edition_corrects_an_earlier_one",
            ),
        ]

    def __str__(self):
        return f"{self.comparison}, edition {self.number}"


class EditionReport(models.Model):
    """An edition as one PDF to print and keep, made once from the frozen page. Append-only."""

    edition = models.OneToOneField(Edition, primary_key=True, on_delete=models.PROTECT, related_name="report")
    content = models.BinaryField()
    sha256 = models.CharField(max_length=64)
    pages = models.PositiveIntegerField()
    engine = models.CharField(max_length=40)
    made_at = models.DateTimeField(auto_now_add=True)

    append_only = True


class Withdrawal(models.Model):
    """An edition taken back, and why. The edition stays readable and says so. Append-only."""

    edition = models.OneToOneField(Edition, on_delete=models.PROTECT, related_name="withdrawal")
    reason = models.TextField()
    withdrawn_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    withdrawn_at = models.DateTimeField(default=timezone.now)

    append_only = True

    class Meta:
        constraints = [models.CheckConstraint(condition=filled("reason"), name="withdrawal_with_reason")]


class EditionNotice(models.Model):
    """A sentence above a published edition while something that it rests on is in doubt.

    Put there when a gauge is found wrong; an editor lifts it with a reason. Kept.
    """

    edition = models.ForeignKey(Edition, on_delete=models.PROTECT, related_name="notices")
    fault = models.ForeignKey(
        InstrumentFault, null=True, blank=True, on_delete=models.PROTECT, related_name="notices"
    )
    text = models.TextField()
    put_at = models.DateTimeField(default=timezone.now)
    put_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    lifted_at = models.DateTimeField(null=True, blank=True)
    lifted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    lifted_reason = models.TextField(blank=True)

    fixed = ["edition", "fault", "text", "put_at", "put_by"]
    kept = True

    class Meta:
        ordering = ["put_at"]
        constraints = [
            models.CheckConstraint(condition=filled("text"), name="edition_notice_says_something"),
            models.CheckConstraint(
                condition=Q(lifted_at__isnull=True, lifted_by__isnull=True)
                | (Q(lifted_at__isnull=False, lifted_by__isnull=False) & filled("lifted_reason")),
                name="edition_notice_lifted_with_reason",
            ),
        ]


class JobStatus(models.TextChoices):
    WAITING = "waiting", "waiting"
    RUNNING = "running", "running"
    DONE = "done", "done"
    FAILED = "failed", "failed"


class JobKind(models.TextChoices):
    EVALUATE = "evaluate", "evaluate"
    PUBLISH = "publish", "publish"
    REPORT = "report", "make the PDF"


class Job(models.Model):
    """A piece of work outside the web's requests. The row is the truth; a queue carries only its id."""

    kind = models.CharField(max_length=10, choices=JobKind.choices)
    comparison = models.ForeignKey(Comparison, on_delete=models.CASCADE, related_name="jobs")
    key = models.CharField(max_length=80, help_text="what it works on: two waiting jobs of one key are one")
    status = models.CharField(max_length=10, choices=JobStatus.choices, default=JobStatus.WAITING)
    token = models.CharField(max_length=40, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    error = models.TextField(blank=True)
    requested_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    created_at = models.DateTimeField(auto_now_add=True)
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            one_of("kind", JobKind, "job_kind_known"),
            one_of("status", JobStatus, "job_status_known"),
            models.UniqueConstraint(
                fields=["kind", "comparison", "key"],
                condition=Q(status__in=["waiting", "running"]),
                name="job_once_at_a_time",
            ),
        ]
        indexes = [models.Index(fields=["status", "lease_until"], name="job_status_lease")]

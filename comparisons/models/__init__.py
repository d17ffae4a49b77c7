"""What is judged, written and published."""

from .comparison import (
    Award,
    Comparison,
    ComparisonProgramme,
    Criterion,
    Deviation,
    LeftOut,
    Limitation,
    Weight,
    Weighting,
)
from .editions import (
    Approval,
    ApprovalRequest,
    Edition,
    EditionNotice,
    EditionReport,
    Evaluation,
    Job,
    Standing,
    Withdrawal,
)
from .makers import MakerLink
from .planning import ProductPlan, TrialPlan
from .record import Event
from .search import PublishedText

__all__ = [
    "Approval",
    "ApprovalRequest",
    "Award",
    "Comparison",
    "ComparisonProgramme",
    "Criterion",
    "Deviation",
    "Edition",
    "EditionNotice",
    "EditionReport",
    "Evaluation",
    "Event",
    "Job",
    "LeftOut",
    "Limitation",
    "MakerLink",
    "ProductPlan",
    "PublishedText",
    "Standing",
    "TrialPlan",
    "Weight",
    "Weighting",
    "Withdrawal",
]

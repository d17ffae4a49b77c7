"""What is judged, written and published."""

from .comparison import Award, Comparison, ComparisonProgramme, Criterion, Deviation, Weight, Weighting
from .editions import Approval, ApprovalRequest, Edition, Evaluation, Job, Standing
from .record import Event

__all__ = [
    "Approval", "ApprovalRequest", "Award", "Comparison", "ComparisonProgramme", "Criterion", "Deviation",
    "Edition", "Evaluation", "Event", "Job", "Standing", "Weight", "Weighting",
]

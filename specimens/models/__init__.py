"""What was bought, claimed, prepared and measured."""

from .bench import BenchPlace, BenchPlan, ChamberLog, Conflict, Stay, Submission, TraceReduction
from .claims import Claim, MakerAnswer
from .measuring import (
    Calibration,
    FailureMode,
    Instrument,
    InstrumentFault,
    Method,
    MethodInProgramme,
    MethodRevision,
    ProgrammeInstrument,
    ReadingCorrection,
)
from .programme import Product, Programme, ProgrammeProduct, Purchase, Unit
from .readings import Attachment, ConvertedValue, Reading, Void
from .trials import Absence, Condition, Exposure, Property, Run, Specimen, Trial, TrialDimension

__all__ = [
    "Absence", "Attachment", "BenchPlace", "BenchPlan", "Calibration", "ChamberLog", "Claim", "Condition", "Conflict",
    "ConvertedValue", "Exposure", "FailureMode", "Instrument", "InstrumentFault", "MakerAnswer", "Method",
    "MethodInProgramme",
    "MethodRevision", "Product", "Programme", "ProgrammeInstrument", "ProgrammeProduct", "Property", "Purchase",
    "Reading", "ReadingCorrection", "Run", "Specimen", "Stay", "Submission", "TraceReduction", "Trial",
    "TrialDimension", "Unit", "Void",
]

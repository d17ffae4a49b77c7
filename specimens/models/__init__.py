"""What was bought, claimed, prepared and measured."""

from .claims import Claim, MakerAnswer
from .measuring import Calibration, FailureMode, Instrument, Method, MethodInProgramme, MethodRevision
from .measuring import ProgrammeInstrument
from .programme import Product, Programme, ProgrammeProduct, Purchase, Unit
from .readings import Attachment, ConvertedValue, Reading, Void
from .trials import Absence, Condition, Exposure, Property, Run, Specimen, Trial, TrialDimension

__all__ = [
    "Absence", "Attachment", "Calibration", "Claim", "Condition", "ConvertedValue", "Exposure", "FailureMode",
    "Instrument", "MakerAnswer", "Method", "MethodInProgramme", "MethodRevision", "Product", "Programme",
    "ProgrammeInstrument", "ProgrammeProduct", "Property", "Purchase", "Reading", "Run", "Specimen", "Trial",
    "TrialDimension", "Unit", "Void",
]

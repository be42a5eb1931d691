"""A measurement from its start to the stored number, and what is drawn of it."""

from api.measure.fits import Fits
from api.measure.kept_drawings import DRAWINGS_FOLDER, POINTS, KeptDrawings
from api.measure.measuring import Measuring
from api.measure.parts import Parts
from api.measure.plan import ByItself
from api.measure.requests import LobeAsked, MeasurementAsked, Name, TdcAsked
from api.measure.trace_view import TraceView
from api.measure.zero import ANEW, ZeroProof, zero_proof

__all__ = [
    "ANEW",
    "DRAWINGS_FOLDER",
    "POINTS",
    "ByItself",
    "Fits",
    "KeptDrawings",
    "LobeAsked",
    "MeasurementAsked",
    "Measuring",
    "Name",
    "Parts",
    "TdcAsked",
    "TraceView",
    "ZeroProof",
    "zero_proof",
]

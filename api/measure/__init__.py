"""A measurement from its start to the stored number, and what is drawn of it."""

from api.measure.crown_places import (
    CrownPlaceEntry,
    CrownReadView,
    FaceReadView,
    PlaceEntry,
    crown_read,
    face_read,
)
from api.measure.fits import Fits
from api.measure.fitting_sums import (
    CompressionEntry,
    CompressionView,
    DeckEntry,
    DeckView,
    MarkEntry,
    MarkReadView,
    MarkView,
    compression_of,
    deck_of,
    mark_of,
)
from api.measure.kept_drawings import DRAWINGS_FOLDER, POINTS, KeptDrawings
from api.measure.lift_text import lift_table_of
from api.measure.measuring import Measuring
from api.measure.parts import Parts
from api.measure.plan import ByItself, planned
from api.measure.report_views import (
    AgainstView,
    By,
    CamReportView,
    FigureView,
    KeptPart,
    OverlapView,
    PartView,
    Unit,
    profile_csv,
)
from api.measure.requests import LobeAsked, MeasurementAsked, Name, TdcAsked
from api.measure.trace_view import TraceView
from api.measure.turned_parts import (
    EndFloatView,
    Held,
    PartEntry,
    RunoutView,
    TurnedEntry,
    end_float_of,
    runout_of,
)
from api.measure.zero import ANEW, ZeroProof, tdc_counted_from, zero_proof

__all__ = [
    "ANEW",
    "DRAWINGS_FOLDER",
    "POINTS",
    "AgainstView",
    "By",
    "ByItself",
    "CamReportView",
    "CompressionEntry",
    "CompressionView",
    "CrownPlaceEntry",
    "CrownReadView",
    "DeckEntry",
    "DeckView",
    "EndFloatView",
    "FaceReadView",
    "FigureView",
    "Fits",
    "Held",
    "KeptDrawings",
    "KeptPart",
    "LobeAsked",
    "MarkEntry",
    "MarkReadView",
    "MarkView",
    "MeasurementAsked",
    "Measuring",
    "Name",
    "OverlapView",
    "PartEntry",
    "PartView",
    "Parts",
    "PlaceEntry",
    "RunoutView",
    "TdcAsked",
    "TraceView",
    "TurnedEntry",
    "Unit",
    "ZeroProof",
    "compression_of",
    "crown_read",
    "deck_of",
    "end_float_of",
    "face_read",
    "lift_table_of",
    "mark_of",
    "planned",
    "profile_csv",
    "runout_of",
    "tdc_counted_from",
    "zero_proof",
]

"""The gauge resting on the block's face, and on a crown that goes over TDC: two readings of a deck height."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from analysis.base import GaugeFacts, Streams
from api.base import Body, with_service_errors
from api.measure.report_views import FigureView
from api.measure.requests import Name


class PlaceEntry(Body):
    """The gauge, to be said where there are several."""

    gauge: Name | None = None


class CrownPlaceEntry(PlaceEntry):
    """What the gauge showed on the face beside the bore, its stand untouched since."""

    face_mm: Annotated[float, Field(allow_inf_nan=False, ge=-1000, le=1000)]
    face_u95_mm: Annotated[float, Field(allow_inf_nan=False, ge=0, le=1)] = 0.0


class FaceReadView(Body):
    """Where the gauge rests."""

    gauge: str
    face_mm: FigureView


class CrownReadView(Body):
    """How far the crown stands below the face at TDC where the gauge is, negative where it is proud."""

    gauge: str
    below_mm: FigureView
    warnings: list[str]


@with_service_errors
def face_read(gauge: str, streams: Streams, facts: GaugeFacts) -> FaceReadView:
    """Read the gauge where it rests."""
    from analysis.report import resting_reading  # here: it would hold up the first page

    return FaceReadView(gauge=gauge, face_mm=FigureView.model_validate(resting_reading(streams, facts)))


@with_service_errors
def crown_read(entry: CrownPlaceEntry, gauge: str, streams: Streams, facts: GaugeFacts) -> CrownReadView:
    """Read a crown's highest point off its way over TDC, against the face."""
    from analysis.report import Figure, crown_top  # here: as above

    found = crown_top(streams, facts)
    below = found.below_mm(Figure(entry.face_mm, entry.face_u95_mm))
    return CrownReadView(
        gauge=gauge,
        below_mm=FigureView.model_validate(below),
        warnings=[warning.message for warning in found.warnings],
    )

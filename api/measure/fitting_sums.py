"""What is reckoned from numbers typed at the bench: compression, deck heights, a timing mark."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.base import Body, with_service_errors
from api.measure.report_views import FigureView, PartView

Number = Annotated[float, Field(allow_inf_nan=False, ge=-1e6, le=1e6)]
Reading = Annotated[float, Field(allow_inf_nan=False, ge=-100, le=100)]
Readings = Annotated[list[Reading], Field(min_length=1, max_length=10)]


class TypedEntry(Body):
    """A number and its limit of error, each way."""

    value: Number
    limit: Number = 0.0


class CompressionEntry(Body):
    """What a compression ratio is made of: mm and cm³; deck positive below the face, dish negative for a dome."""

    bore_mm: TypedEntry
    stroke_mm: TypedEntry
    chamber_cm3: TypedEntry
    gasket_mm: TypedEntry = TypedEntry(value=0.0)
    gasket_bore_mm: TypedEntry | None = None
    deck_mm: TypedEntry = TypedEntry(value=0.0)
    dish_cm3: TypedEntry = TypedEntry(value=0.0)
    crevice_cm3: TypedEntry = TypedEntry(value=0.0)


class PartOfInterval(Body):
    """What one line adds to the standard uncertainty."""

    source: str
    u: float


class CompressionView(PartView):
    """The ratio, its volumes, and what was given without a limit of error, so that no interval holds it."""

    ratio: FigureView
    swept_cm3: FigureView
    left_cm3: FigureView
    budget: list[PartOfInterval]
    without_limit: tuple[str, ...] = ()


class CrownEntry(Body):
    """Readings on a crown at two places, positive below the face the gauge was zeroed on."""

    cylinder: Annotated[str, Field(min_length=1, max_length=12)]
    first_mm: Readings
    second_mm: Readings


class DeckEntry(Body):
    """Crowns in the order they stand along the block; limits of error of the gauge and of every reading, mm."""

    crowns: Annotated[list[CrownEntry], Field(min_length=1, max_length=24)]
    spacing_mm: Number | None = None
    apart_mm: Number | None = None
    across: bool = True
    rocked_both_ways: bool = False
    gauge_limit_mm: Number = 0.01
    repeat_mm: Number = 0.01


class CylinderDeckView(Body):
    """Deck height, half of what both places differ by, and the limit of error that compression takes."""

    cylinder: str
    deck_mm: FigureView
    leans_mm: FigureView
    limit_mm: float


class DeckView(PartView):
    """Deck heights, spread, and tilt in mm in 100 mm."""

    cylinders: list[CylinderDeckView]
    spread_mm: FigureView
    tilt_along: FigureView | None
    tilt_across: FigureView | None
    off_straight_mm: float | None


class MarkEntry(Body):
    """What the encoder showed with the mark under its pointer, true TDC in the same degrees, diameter of the rim."""

    mark_deg: Number
    tdc_deg: Number
    rim_mm: Number
    tdc_u95_deg: Annotated[float, Field(ge=0, le=90)] = 0.0


class MarkReadView(Body):
    """Where the crank stands with the mark at its pointer, and true TDC, both as the encoder has them, 0 to 360."""

    mark_deg: float
    tdc_deg: float
    tdc_u95_deg: float
    tdc_of: str


class MarkView(PartView):
    """How late the mark is, crank degrees and mm along the rim, and what to do."""

    late_deg: FigureView
    along_rim_mm: FigureView
    words: str


@with_service_errors
def compression_of(entry: CompressionEntry) -> CompressionView:
    """Reckon a compression ratio."""
    from analysis.report import Cylinder, Typed, compression  # here: it would hold up the first page

    given = {
        name: Typed(value["value"], value["limit"])
        for name, value in entry.model_dump().items()
        if value is not None
    }
    return CompressionView.model_validate(compression(Cylinder(**given)))


@with_service_errors
def deck_of(entry: DeckEntry) -> DeckView:
    """Tell deck heights."""
    from analysis.report import CrownReadings, DeckSettings, deck_heights  # here: as above

    spacing = entry.spacing_mm
    crowns = [
        CrownReadings(
            one.cylinder,
            tuple(one.first_mm),
            tuple(one.second_mm),
            None if spacing is None else at * spacing,
        )
        for at, one in enumerate(entry.crowns)
    ]
    settings = DeckSettings(
        entry.across, entry.rocked_both_ways, entry.apart_mm, entry.gauge_limit_mm, entry.repeat_mm
    )
    found = deck_heights(crowns, settings)
    return DeckView(
        cylinders=[
            CylinderDeckView(
                cylinder=one.cylinder,
                deck_mm=FigureView.model_validate(one.deck_mm),
                leans_mm=FigureView.model_validate(one.leans_mm),
                limit_mm=one.typed.limit,
            )
            for one in found.cylinders
        ],
        spread_mm=FigureView.model_validate(found.spread_mm),
        tilt_along=None if found.tilt_along is None else FigureView.model_validate(found.tilt_along),
        tilt_across=None if found.tilt_across is None else FigureView.model_validate(found.tilt_across),
        off_straight_mm=found.off_straight_mm,
    )


@with_service_errors
def mark_of(entry: MarkEntry) -> MarkView:
    """Hold a timing mark against true TDC."""
    from analysis.report import mark_error  # here: as above

    return MarkView.model_validate(
        mark_error(entry.mark_deg, entry.tdc_deg, entry.rim_mm, tdc_u95_deg=entry.tdc_u95_deg)
    )

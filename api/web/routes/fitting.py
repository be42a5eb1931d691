"""The web API of what is reckoned from numbers typed at the bench, or from what a gauge has said lately."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter

from api.base import Trouble
from api.measure import (
    CompressionEntry,
    CompressionView,
    DeckEntry,
    DeckView,
    EndFloatView,
    MarkEntry,
    MarkView,
    PartEntry,
    RunoutView,
    compression_of,
    deck_of,
    mark_of,
)
from api.web.routes.jobs import TROUBLES, TheJobService

TOO_LARGE: dict[int | str, dict[str, Any]] = {
    413: {
        "model": Trouble,
        "description": "More was sent than is taken here: many readings, written out very long.",
    }
}
router = APIRouter(prefix="/api/fitting", tags=["fitting"], responses=TROUBLES | TOO_LARGE)


@router.post("/compression", summary="Compression ratio from volumes")
def reckon_compression(entry: CompressionEntry) -> CompressionView:
    """Give the ratio with its interval, and what each number adds to it. Nothing is kept."""
    return compression_of(entry)


@router.post("/deck", summary="Deck heights from readings at two places of each crown")
def reckon_deck(entry: DeckEntry) -> DeckView:
    """Give every deck height, the spread, and the tilt of the block's face where it can be told. Nothing is kept."""
    return deck_of(entry)


@router.post("/mark", summary="A timing mark against true TDC")
def reckon_mark(entry: MarkEntry) -> MarkView:
    """Give how late the mark is, in crank degrees and in mm along the rim. Nothing is kept."""
    return mark_of(entry)


@router.post("/runout", summary="Runout of what was turned under a gauge")
async def tell_runout(entry: PartEntry, job_service: TheJobService) -> RunoutView:
    """Give swing, eccentricity, ovality and lobes since the gauge was set on the part, with the waves drawn."""
    return await job_service.turned_parts.runout(entry)


@router.post("/end_float", summary="End float of a shaft that was pushed and pulled")
async def tell_end_float(entry: PartEntry, job_service: TheJobService) -> EndFloatView:
    """Give how far it goes, from its rests at either end since the crank stands."""
    return await job_service.turned_parts.end_float(entry)

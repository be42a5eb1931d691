"""The web API of what is reckoned from numbers typed at the bench, or from what a gauge has said lately."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import AfterValidator

from api.base import Trouble, readable
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
    TurnedEntry,
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
NamedPart = Annotated[
    str,
    Query(max_length=60, description="What the part is called: what is told of it is kept in the open job."),
    AfterValidator(readable),
]
router = APIRouter(prefix="/api/fitting", tags=["fitting"], responses=TROUBLES | TOO_LARGE)


@router.post("/compression", summary="Compression ratio from volumes")
async def reckon_compression(
    entry: CompressionEntry, job_service: TheJobService, part: NamedPart = ""
) -> CompressionView:
    """Give the ratio with its interval, and what each number adds to it."""
    return await job_service.turned_parts.kept(part, compression_of(entry))


@router.post("/deck", summary="Deck heights from readings at two places of each crown")
async def reckon_deck(entry: DeckEntry, job_service: TheJobService, part: NamedPart = "") -> DeckView:
    """Give every deck height, the spread, and the tilt of the block's face where it can be told."""
    return await job_service.turned_parts.kept(part, deck_of(entry))


@router.post("/mark", summary="A timing mark against true TDC")
async def reckon_mark(entry: MarkEntry, job_service: TheJobService, part: NamedPart = "") -> MarkView:
    """Give how late the mark is, in crank degrees and in mm along the rim."""
    return await job_service.turned_parts.kept(part, mark_of(entry))


@router.post("/runout", summary="Runout of what was turned under a gauge")
async def tell_runout(entry: TurnedEntry, job_service: TheJobService, part: NamedPart = "") -> RunoutView:
    """Give swing, eccentricity, ovality and lobes since the gauge was set on the part, with the waves drawn."""
    turned = job_service.turned_parts
    return await turned.kept(part, await turned.runout(entry))


@router.post("/end_float", summary="End float of a shaft that was pushed and pulled")
async def tell_end_float(entry: PartEntry, job_service: TheJobService, part: NamedPart = "") -> EndFloatView:
    """Give how far it goes, from its rests at either end since the crank stands."""
    turned = job_service.turned_parts
    return await turned.kept(part, await turned.end_float(entry))

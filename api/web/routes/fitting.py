"""The web API of what is reckoned from numbers typed at the bench."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter

from api.base import Trouble
from api.measure import (
    CompressionEntry,
    CompressionView,
    DeckEntry,
    DeckView,
    MarkEntry,
    MarkView,
    compression_of,
    deck_of,
    mark_of,
)
from api.web.routes.jobs import TROUBLES

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

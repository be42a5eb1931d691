"""The web API of engines and cam cards, which are kept, changed and used again."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Path, Query, status

from api.base import (
    CardEntry,
    CardKept,
    EngineEntry,
    EngineKept,
    RightEntry,
    VersionsOfCard,
    VersionsOfEngine,
)
from api.service import ThingsOnFile
from api.web.routes.jobs import TROUBLES, TheJobService

router = APIRouter(prefix="/api", tags=["engines and cards"], responses=TROUBLES)
Number = Annotated[int, Path(ge=1, le=2**53, description="Number of the engine or the card.")]
Seen = Annotated[
    str, Query(pattern="^([0-9a-f]{64})?$", description="The version it was made from; else the one shown.")
]


def the_things_on_file(job_service: TheJobService) -> ThingsOnFile:
    """Give the engines and cards to a route."""
    return job_service.on_file


OnFile = Annotated[ThingsOnFile, Depends(the_things_on_file)]


@router.get("/engines", summary="Engines of the shop, newest first")
async def list_engines(on_file: OnFile) -> list[EngineKept]:
    """List engines that are not put away; those of other benches of the archive are among them."""
    return on_file.engines.listed()


@router.post("/engines", status_code=status.HTTP_201_CREATED, summary="Keep an engine")
async def keep_engine(entry: EngineEntry, on_file: OnFile) -> EngineKept:
    """What can hardly be is asked about (422, `questions`); confirm it by its code if it is so."""
    return await on_file.engines.keep(entry)


@router.get("/engines/{number}", summary="One engine")
async def read_engine(number: Number, on_file: OnFile) -> EngineKept:
    """Give an engine, also one that was put away."""
    return on_file.engines.one(number)


@router.post("/engines/{number}", summary="Change an engine")
async def change_engine(number: Number, entry: EngineEntry, on_file: OnFile, seen: Seen = "") -> EngineKept:
    """Keep another version of it, checked as a new one is; the earlier ones stay, and so do jobs begun with it."""
    return await on_file.engines.change(number, entry, seen)


@router.get("/engines/{number}/versions", summary="Every version of an engine")
async def read_engine_versions(number: Number, on_file: OnFile) -> VersionsOfEngine:
    """Give what stood in it, when, by whom and at which bench; newest first."""
    return on_file.engines.versions(number)


@router.post("/engines/{number}/right", summary="Say which of two versions of an engine is right")
async def settle_engine(number: Number, entry: RightEntry, on_file: OnFile) -> EngineKept:
    """Answer what is asked where two benches have changed it otherwise; both versions stay in its history."""
    return await on_file.engines.settle(number, entry)


@router.delete("/engines/{number}", status_code=status.HTTP_204_NO_CONTENT, summary="Put an engine away")
async def put_engine_away(number: Number, on_file: OnFile) -> None:
    """Only from this bench's list; jobs that were begun with it keep their own copy."""
    await on_file.engines.put_away(number)


@router.get("/cards", summary="Cam cards of the shop, newest first")
async def list_cards(on_file: OnFile) -> list[CardKept]:
    """List cards that are not put away; those of other benches of the archive are among them."""
    return on_file.cards.listed()


@router.post("/cards", status_code=status.HTTP_201_CREATED, summary="Keep a cam card")
async def keep_card(entry: CardEntry, on_file: OnFile) -> CardKept:
    """What can hardly be is asked about (422, `questions`); confirm it by its code if it is so."""
    return await on_file.cards.keep(entry)


@router.get("/cards/{number}", summary="One cam card")
async def read_card(number: Number, on_file: OnFile) -> CardKept:
    """Give a card, also one that was put away."""
    return on_file.cards.one(number)


@router.post("/cards/{number}", summary="Change a cam card")
async def change_card(number: Number, entry: CardEntry, on_file: OnFile, seen: Seen = "") -> CardKept:
    """Keep another version of it, checked as a new one is; the earlier ones stay, and so do jobs begun with it."""
    return await on_file.cards.change(number, entry, seen)


@router.get("/cards/{number}/versions", summary="Every version of a cam card")
async def read_card_versions(number: Number, on_file: OnFile) -> VersionsOfCard:
    """Give what stood in it, when, by whom and at which bench; newest first."""
    return on_file.cards.versions(number)


@router.post("/cards/{number}/right", summary="Say which of two versions of a cam card is right")
async def settle_card(number: Number, entry: RightEntry, on_file: OnFile) -> CardKept:
    """Answer what is asked where two benches have changed it otherwise; both versions stay in its history."""
    return await on_file.cards.settle(number, entry)


@router.delete("/cards/{number}", status_code=status.HTTP_204_NO_CONTENT, summary="Put a cam card away")
async def put_card_away(number: Number, on_file: OnFile) -> None:
    """Only from this bench's list; jobs that were begun with it keep their own copy."""
    await on_file.cards.put_away(number)

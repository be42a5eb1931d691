"""The web API of engines and cam cards, which are kept and used again."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, status

from api.base import CardEntry, CardKept, EngineEntry, EngineKept
from api.web.routes.jobs import TROUBLES, TheJobService

router = APIRouter(prefix="/api", tags=["engines and cards"], responses=TROUBLES)
Number = Annotated[int, Path(ge=1, le=2**53, description="Number of the engine or the card.")]


@router.get("/engines", summary="Engines of the shop, newest first")
async def list_engines(job_service: TheJobService) -> list[EngineKept]:
    """List engines that are not put away."""
    return job_service.engines()


@router.post("/engines", status_code=status.HTTP_201_CREATED, summary="Keep an engine")
async def keep_engine(entry: EngineEntry, job_service: TheJobService) -> EngineKept:
    """What can hardly be is asked about (422, `questions`); confirm it by its code if it is so."""
    return await job_service.keep_engine(entry)


@router.get("/engines/{number}", summary="One engine")
async def read_engine(number: Number, job_service: TheJobService) -> EngineKept:
    """Give an engine, also one that was put away."""
    return job_service.engine(number)


@router.delete("/engines/{number}", status_code=status.HTTP_204_NO_CONTENT, summary="Put an engine away")
async def put_engine_away(number: Number, job_service: TheJobService) -> None:
    """Jobs that were begun with it keep their own copy."""
    await job_service.put_away("engines", number)


@router.get("/cards", summary="Cam cards of the shop, newest first")
async def list_cards(job_service: TheJobService) -> list[CardKept]:
    """List cards that are not put away."""
    return job_service.cards()


@router.post("/cards", status_code=status.HTTP_201_CREATED, summary="Keep a cam card")
async def keep_card(entry: CardEntry, job_service: TheJobService) -> CardKept:
    """What can hardly be is asked about (422, `questions`); confirm it by its code if it is so."""
    return await job_service.keep_card(entry)


@router.get("/cards/{number}", summary="One cam card")
async def read_card(number: Number, job_service: TheJobService) -> CardKept:
    """Give a card, also one that was put away."""
    return job_service.card(number)


@router.delete("/cards/{number}", status_code=status.HTTP_204_NO_CONTENT, summary="Put a cam card away")
async def put_card_away(number: Number, job_service: TheJobService) -> None:
    """Jobs that were begun with it keep their own copy."""
    await job_service.put_away("cards", number)

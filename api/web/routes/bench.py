"""The bench as it is now: instruments, health, newest readings, and the live feed."""

from __future__ import annotations

import asyncio
import time
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request, Response, WebSocket
from fastapi import Body as JsonBody
from pydantic import BaseModel, Field

from api.base import (
    RESPONSES,
    STANDING,
    BenchEvent,
    Body,
    Guide,
    Health,
    Latest,
    MeasurementView,
    Pressed,
    PressEntry,
    Standing,
    qr_code,
    shop_addresses,
)
from api.broker import NO_BROKER, BrokerStanding
from api.forwarding import NO_ARCHIVE, ArchiveStanding
from api.live import PROGRAM, LiveNumbers, Watcher
from api.service import Service, described, the_service
from api.web.access import Access, neighbourhood

router = APIRouter(tags=["bench"], responses=RESPONSES)
TheService = Annotated[Service, Depends(the_service)]
UNWELL = 503


class BenchView(BaseModel):
    """The bench: its channels as capture runs them, their health, and what happened lately.

    `channels` has for each instrument what the bench file says of it. `notice` is shown on every page.
    """

    run_id: int | None
    channels: list[dict[str, Any]]
    health: Health
    events: list[BenchEvent]
    guide: Guide
    measurement: MeasurementView | None
    notice: str
    simulator_url: str


class HandsFreeEntry(Body):
    """Whether measurements begin and end by themselves."""

    on: bool


class CylinderEntry(Body):
    """A cylinder's number, as it is counted at the engine."""

    cylinder: Annotated[str, Field(pattern=r"^[a-z0-9]{1,8}$")]


class LatestView(BaseModel):
    """Newest reading of every channel; `now_ms` is the server's clock, to tell ages with."""

    now_ms: float
    latest: dict[str, Latest]


class AddressesView(BaseModel):
    """Where the pages can be opened; `qr` is the first address as an image in a data URI."""

    addresses: list[str]
    qr: str


class ServiceHealth(BaseModel):
    """Is everything well? `ok` is false where nothing is read or nothing is kept."""

    ok: bool
    sentence: str
    version: str
    bench: Health
    screens: int


@router.get("/api/bench")
async def get_bench(service: TheService) -> BenchView:
    """Give the bench, its instruments and their health."""
    health = service.board.health()
    return BenchView(
        run_id=service.bench.run_id,
        channels=await asyncio.to_thread(
            described, list(service.bench.specs.values()), service.config.bench_file
        ),
        health=health,
        events=list(service.bench.events),
        guide=service.board.guide(health),
        measurement=service.board.measurement,
        notice=service.config.notice,
        simulator_url=service.config.simulator_url,
    )


@router.get("/api/latest")
async def get_latest(service: TheService) -> LatestView:
    """Give the newest reading of every channel."""
    return LatestView(now_ms=time.time() * 1e3, latest=service.bench.latest)


@router.get("/api/numbers")
async def get_numbers(service: TheService) -> LiveNumbers:
    """Give the numbers of this moment: what a broker of the house is told, too."""
    return service.board.numbers()


@router.get("/api/health", responses={UNWELL: {"model": ServiceHealth, "description": "Not all is well."}})
@router.get("/health", include_in_schema=False)
async def get_health(service: TheService, response: Response) -> ServiceHealth:
    """Tell whether all is well; answers 503 where it is not, for whatever watches the service."""
    bench = service.board.health()
    recording = bench.recorder is not None and bench.recorder.state == "recording"
    kept = recording or not service.bench.instruments
    ok = bench.capture_alive and kept and not service.bench.damage
    response.status_code = 200 if ok else UNWELL
    return ServiceHealth(
        ok=ok,
        sentence=bench.sentence
        if kept or bench.recorder is None or service.bench.damage
        else bench.recorder.sentence or bench.sentence,
        version=PROGRAM,
        bench=bench,
        screens=len(service.board.screens),
    )


@router.post("/api/bench/hands_free")
async def set_hands_free(entry: HandsFreeEntry, service: TheService) -> HandsFreeEntry:
    """Let measurements begin and end by themselves, or by buttons alone; kept for the whole shop."""
    await service.job_service.hands_free.switch(entry.on)
    return entry


@router.post("/api/bench/cylinder")
async def choose_cylinder(entry: CylinderEntry, service: TheService) -> Guide:
    """Say on whose piston and valves the gauge goes outside a job, for what begins by itself."""
    service.job_service.bench_desk.choose_cylinder(entry.cylinder)
    return service.board.guide(service.board.health())


@router.post("/api/bench/press", summary="Answer what the bench asks outside a job")
async def press(
    service: TheService,
    entry: Annotated[PressEntry | None, JsonBody()] = None,
    token: Annotated[str, Query(max_length=64, description="As `token` of the body.")] = "",
    choice: Annotated[int, Query(ge=0, le=9, description="As `choice` of the body.")] = 0,
) -> Pressed:
    """Do once what two screens ask for at once: the second is told that it was done already (409)."""
    asked = entry or PressEntry()
    return await service.job_service.bench_desk.press(
        asked.model_copy(update={"token": asked.token or token, "choice": asked.choice or choice})
    )


@router.get("/api/archive")
async def get_archive(service: TheService) -> ArchiveStanding:
    """Tell how far behind the shop's archive is, where the bench file names one."""
    return NO_ARCHIVE if service.forwarder is None else service.forwarder.standing()


@router.get("/api/broker")
async def get_broker(service: TheService) -> BrokerStanding:
    """Tell whether the house's broker has the live numbers, where the bench file names one."""
    return NO_BROKER if service.broker is None else service.broker.standing()


@router.get("/api/addresses")
async def get_addresses(service: TheService, request: Request) -> AddressesView:
    """Give the addresses of these pages in the shop, the first as a QR code too."""
    port = (request.scope.get("server") or ("", service.config.port))[1]
    addresses = shop_addresses(service.config.host, port, service.local_name)
    return AddressesView(addresses=addresses, qr=qr_code(addresses[0]))


@router.websocket("/live")
async def live(socket: WebSocket) -> None:
    """Speak to a screen; the messages are those of `api.messages`."""
    access: Access = socket.app.state.access
    scope = socket.scope
    standing: Standing = scope[STANDING]
    is_paired = standing is Standing.PAIRED
    watcher = Watcher(
        standing, neighbourhood(scope), lambda: not is_paired or access.standing(scope) is standing
    )
    await the_service(socket).board.screens.serve(socket, watcher)

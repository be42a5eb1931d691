"""The shop's web application: the page over all benches, and under ``/of/NAME`` the pages of each."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Annotated, Literal, TypeVar

from fastapi import APIRouter, Depends, FastAPI, Query, Request
from fastapi.responses import Response
from pydantic import AfterValidator, BaseModel
from starlette.requests import HTTPConnection
from starlette.responses import JSONResponse
from starlette.routing import Mount
from starlette.types import Receive, Scope, Send

from api.base import RESPONSES, CardKept, EngineKept, MeasurementView, ServiceConfig, readable
from api.shop.benches import Benches, BenchLine
from api.shop.index import ShopLine
from api.web import SHOP_ROUTERS, create_guarded_app, page_of

DESCRIPTION = """
Several benches of Lobewright in one shop, as their archive has them: to look at only.

Everything of one bench is under `/of/NAME`, addressed as at the bench itself.
"""
OF = "/of"
Readable = Annotated[str, AfterValidator(readable)]
MOST_TRACES = 300
router = APIRouter(responses=RESPONSES)


class BenchesView(BaseModel):
    """All benches of the shop; `changes` grows when the list of jobs is to be asked for again."""

    benches: list[BenchLine]
    trouble: str
    jobs: int
    changes: int


class JobsFound(BaseModel):
    """Jobs of all benches, changed last first; ask again with `before` set to the last `place` for older ones."""

    jobs: list[ShopLine]


class EngineOfBench(EngineKept):
    """An engine on file at a bench."""

    bench: str


class CardOfBench(CardKept):
    """A cam card on file at a bench."""

    bench: str


Listed = TypeVar("Listed", EngineOfBench, CardOfBench)


class OnFile(BaseModel):
    """Engines and cam cards of all benches, newest first, each with who wrote it down, when, and at which bench."""

    engines: list[EngineOfBench]
    cards: list[CardOfBench]


class TraceOfBench(MeasurementView):
    """A measurement, and the bench it was made at."""

    bench: str


class TracesFound(BaseModel):
    """Measurements of several benches, newest first."""

    traces: list[TraceOfBench]


def the_benches(connection: HTTPConnection) -> Benches:
    """Give the benches of an app to a route."""
    benches: Benches = connection.app.state.benches
    return benches


TheBenches = Annotated[Benches, Depends(the_benches)]


@router.get("/", include_in_schema=False)
def shop_page(request: Request) -> Response:
    """Show all benches and all jobs."""
    return page_of(request, request.app.state.config, "over_benches.html")


@router.get("/api/shop/benches")
async def list_benches(benches: TheBenches) -> BenchesView:
    """Give every bench: whether it is heard, its number, what is done there, its own address."""
    return BenchesView(
        benches=benches.lines(),
        trouble=benches.trouble,
        jobs=benches.index.count(),
        changes=benches.index.changes,
    )


@router.get("/api/shop/jobs")
def list_jobs(
    benches: TheBenches,
    words: Annotated[
        Readable, Query(max_length=120, description="Each is looked for everywhere in a job.")
    ] = "",
    engine: Annotated[
        Readable, Query(max_length=200, description="Only jobs on an engine of this name.")
    ] = "",
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
    before: Annotated[int | None, Query(ge=0, le=2**63 - 1)] = None,
) -> JobsFound:
    """List jobs of all benches; `engine` gives its history, wherever it was measured."""
    return JobsFound(jobs=benches.index.found(words, engine, limit, before))


@router.get("/api/shop/on_file")
def list_on_file(benches: TheBenches) -> OnFile:
    """List engines and cards that are on file at any bench."""
    engines: dict[str, EngineOfBench] = {}
    cards: dict[str, CardOfBench] = {}
    for name in benches.names():
        if service := benches.service(name):
            on_file = service.job_service.on_file
            for engine in on_file.engines.listed():
                _list_once(engines, EngineOfBench(bench=name, **dict(engine)))
            for card in on_file.cards.listed():
                _list_once(cards, CardOfBench(bench=name, **dict(card)))
    return OnFile(
        engines=sorted(engines.values(), key=lambda one: one.at, reverse=True),
        cards=sorted(cards.values(), key=lambda one: one.at, reverse=True),
    )


def _list_once(listed: dict[str, Listed], one: Listed) -> None:
    """List what benches share once, under the bench where it was made."""
    key = one.version or f"{one.bench} {one.id}"
    if key not in listed or not one.from_bench:
        listed[key] = one


@router.get("/api/shop/traces")
def list_traces(
    benches: TheBenches,
    what: Literal["tdc", "lobe"],
    but: Annotated[str, Query(max_length=32, description="Leave this bench out.")] = "",
) -> TracesFound:
    """List measurements of other benches that can be laid over one."""
    found = []
    for name in benches.names():
        if name != but and (service := benches.service(name)):
            listed = service.measurements.listed(state="finished", limit=MOST_TRACES)
            found += [TraceOfBench(bench=name, **dict(one.view())) for one in listed if one.what == what]
    return TracesFound(traces=sorted(found, key=lambda one: one.started_at, reverse=True)[:MOST_TRACES])


class OfBench:
    """ASGI application that hands a request to the bench it names."""

    def __init__(self, benches: Benches) -> None:
        self._benches = benches

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on to the pages of the bench."""
        root: str = scope["root_path"]
        name = scope["path"].removeprefix(root).lstrip("/").partition("/")[0]
        app = self._benches.app(name)
        if app is not None:
            await app({**scope, "root_path": f"{root}/{name}"}, receive, send)
        elif scope["type"] == "http":
            known = ", ".join(self._benches.names()) or "none yet"
            message = f"There is no bench of that name in this shop; it has {known}."
            await JSONResponse({"code": "no_such_bench", "message": message}, 404)(scope, receive, send)
        else:
            await send({"type": "websocket.close", "code": 1008})


OVER_ALL = (router, *SHOP_ROUTERS)
"""What a shop has beside the pages of its benches."""


def create_shop_app(config: ServiceConfig, benches: Benches) -> FastAPI:
    """Make the application; it follows the archive while it runs."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        """Watch the benches while the pages are served."""
        benches.start()
        try:
            yield
        finally:
            await asyncio.to_thread(benches.stop)

    app = create_guarded_app(config, DESCRIPTION, lifespan)
    app.state.benches = benches
    for one in OVER_ALL:
        app.include_router(one)
    app.router.routes.append(Mount(OF, OfBench(benches)))
    return app

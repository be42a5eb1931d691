"""The web application: routes, access, errors, compression, put together."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import FastAPI
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware

from api import (
    routes_bench,
    routes_cards,
    routes_job_files,
    routes_job_reports,
    routes_jobs,
    routes_measurements,
    routes_pages,
    routes_pairing,
    routes_setup,
    routes_sheet,
    routes_traces,
)
from api.access import Access, own_names
from api.config import ServiceConfig
from api.estimate import PROGRAM
from api.gate import Gate
from api.pairing import Pairing
from api.problems import add_problems
from api.service import Service

ROUTERS = (
    routes_bench.router,
    routes_cards.router,
    routes_jobs.router,
    routes_job_files.router,
    routes_job_reports.router,
    routes_sheet.router,
    routes_measurements.router,
    routes_traces.router,
    routes_setup.router,
    routes_pairing.router,
    routes_pages.router,
)
DESCRIPTION = """
The bench of Lobewright over HTTP: readings, measurements, traces.

Lengths are millimetres, times seconds, angles crank degrees growing in the engine's running direction. Live
values come over the WebSocket `/live`, one JSON object a message, told apart by `kind`. What cannot be done
is answered with `{code, message}`; `message` is a sentence for people.
"""


def create_app(config: ServiceConfig, service: Service | None = None) -> FastAPI:
    """Make the application.

    Parameters
    ----------
    config
        What the service is started with.
    service
        A service made before, so that its failures are told before a port is opened; made here otherwise.
    """

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        running = service or Service(config)
        app.state.service = running
        await running.start()
        try:
            yield
        finally:
            await running.stop()

    pairing = Pairing(config.data_dir)
    access = Access(own_names(config.names), config.viewing_open, pairing.screens.knows)
    app = FastAPI(
        title="Lobewright",
        version=PROGRAM,
        description=DESCRIPTION,
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        middleware=[
            Middleware(Gate, access),
            Middleware(GZipMiddleware, minimum_size=1000, compresslevel=5),
        ],
    )
    app.state.pairing = pairing
    for router in ROUTERS:
        app.include_router(router)
    add_problems(app)
    return app

"""The web application: routes, access, errors, compression, put together."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import Lifespan

from api.base import ServiceConfig, add_problems
from api.live import PROGRAM
from api.service import Service
from api.web.access import KEY_PATTERN, Access, Gate, OwnScreen, Pairing, RequestKeys, own_names
from api.web.routes import ROUTERS, problem_page

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
        """Start the service with the first page and stop it with the last."""
        running = service or Service(config)
        app.state.service = running
        await running.start()
        try:
            yield
        finally:
            await running.stop()

    app = create_guarded_app(config, DESCRIPTION, lifespan, [Middleware(RequestKeys)])
    for router in ROUTERS:
        app.include_router(router)
    _describe_request_keys(app)
    return app


def create_guarded_app(
    config: ServiceConfig, description: str, lifespan: Lifespan[FastAPI], behind: Sequence[Middleware] = ()
) -> FastAPI:
    """Make an application without a route, behind the gate that keeps every one of ours."""
    pairing = Pairing(config.data_dir)
    own = OwnScreen(config.data_dir) if config.own_screen_secret else None
    access = Access(
        own_names(config.names),
        config.viewing_open,
        pairing.screens.knows,
        None if own is None else own.knows,
    )
    app = FastAPI(
        title="Lobewright",
        version=PROGRAM,
        description=description,
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        middleware=[
            Middleware(Gate, access),
            Middleware(GZipMiddleware, minimum_size=1000, compresslevel=5),
            *behind,
        ],
    )
    app.state.config = config
    app.state.pairing, app.state.access, app.state.own_screen = pairing, access, own
    app.state.problem_page = problem_page
    add_problems(app)
    return app


def _describe_request_keys(app: FastAPI) -> None:
    """Say in the description of every POST that it may carry a key."""
    described = app.openapi
    header = {
        "name": "Request-Key",
        "in": "header",
        "required": False,
        "description": "Made at random for this one request; sent again with the same key it is done once.",
        "schema": {"type": "string", "pattern": KEY_PATTERN},
    }

    def openapi() -> dict[str, Any]:
        """The description, with the key that every change may carry."""
        known = app.openapi_schema is not None
        document = described()
        for operations in document["paths"].values():
            if "post" in operations and not known:
                operations["post"].setdefault("parameters", []).append(header)
        return document

    app.openapi = openapi  # type: ignore[method-assign]

"""Pages of a bench's copy: the very routes of a bench, as far as they only look; its callers have been let in already."""

from __future__ import annotations

import re

from fastapi import FastAPI
from starlette.middleware import Middleware
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from api.base import NotFoundError, ServiceError, add_problems
from api.forwarding import only_looked_at
from api.service import Service
from api.web.access import READING_METHODS
from api.web.routes import AT_THE_BENCH, COPY_ROUTERS, problem_page

ONLY_RECKONED = re.compile(r"/api/measurements/\d{1,16}/against_table")
"""Asked by POST, for a table of a card goes with it; nothing is kept."""


def create_copy_app(service: Service) -> FastAPI:
    """Make the pages of a copy; they are mounted behind somebody else's gate, under any prefix."""
    bench = service.config.copy_of
    app = FastAPI(
        openapi_url=None, docs_url=None, redoc_url=None, middleware=[Middleware(OnlyLooking, bench)]
    )
    app.state.service, app.state.config = service, service.config
    app.state.problem_page = problem_page
    for router in COPY_ROUTERS:
        app.include_router(router)
    add_problems(app)
    return app


def shown_of_a_copy(method: str, path: str) -> bool:
    """Tell whether a route of a bench is there in a copy, too; `path` with its parameters in braces."""
    reckoned = ONLY_RECKONED.fullmatch(re.sub(r"\{[^}]*\}", "1", path)) is not None
    return path not in AT_THE_BENCH and (method in READING_METHODS or reckoned)


class OnlyLooking:
    """ASGI middleware: whatever would change something is refused, and what only the bench itself has is not here."""

    def __init__(self, app: ASGIApp, bench: str) -> None:
        self._app, self._bench = app, bench

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what looks."""
        answer = self._answer(scope) if scope["type"] == "http" else None
        await (answer or self._app)(scope, receive, send)

    def _answer(self, scope: Scope) -> Response | None:
        root: str = scope.get("root_path", "")
        path = scope["path"].removeprefix(root)
        if scope["method"] not in READING_METHODS and not ONLY_RECKONED.fullmatch(path):
            return _refusal(only_looked_at(self._bench))
        if path in {"", "/"}:
            return RedirectResponse(f"{root}/jobs", 307)
        if path in AT_THE_BENCH:
            sentence = f"That page is at the bench {self._bench} alone; the shop's page leads to it."
            return _refusal(NotFoundError("at_the_bench", sentence))
        return None


def _refusal(error: ServiceError) -> Response:
    return JSONResponse(error.fields(), error.status)

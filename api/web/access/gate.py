"""The gate: turns away what `Access` denies, holds callers to the limits, sets the headers of every answer.

Limits of speed are for callers that are not paired, and for paired screens each on its own; who stands at the
bench's own machine is held to sizes alone.
"""

from __future__ import annotations

import asyncio
import hashlib
import ipaddress
import logging
import math
import time
from collections.abc import Callable

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.base import STANDING, Buckets, Standing
from api.web.access.access import READING_METHODS, Access, Denial, caller_address, token_of
from api.web.access.bodies import bounded, most_bytes, says_too_much, size_sentence
from api.web.access.doors import Doors, TooBusyError, is_report

log = logging.getLogger("lobewright.gate")
HEADERS = {
    "Content-Security-Policy": "default-src 'self'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
READS = (400.0, 60.0)
CHANGES = (60.0, 10.0)
REPORTS = (60.0, 3.0)
LOOK_AGAIN_S = 0.5
BUSY_S = 2.0
SLOWLY_S = 0.5
"""Who asks too much is told so after a while: a caller that asks again at once then costs next to nothing."""
"""Burst, and requests a second after it: a page with all its files is about 50. What is computed when it is asked
for, such as a trace's fit or a sheet, is given out more slowly, so that no visitor can take the processor."""
TOO_FAST = Denial(429, "too_many_requests", "Too many requests from this screen; wait a moment.")
BUSY = Denial(
    503, "busy", "Too many screens ask for sheets and drawings at once; this one is told again in a moment."
)


class NoLongerWelcomeError(Exception):
    """A caller lost its standing while it was being answered."""


class Gate:
    """ASGI middleware before everything else."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access
        self._reads, self._changes, self._reports = Buckets(*READS), Buckets(*CHANGES), Buckets(*REPORTS)
        self._doors = Doors()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request and pass it on."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        standing = scope[STANDING] = self._access.standing(scope)
        caller = _caller(scope, standing)
        too_fast_s = 0.0 if standing is Standing.BENCH else self._wait_s(scope, caller)
        denial = TOO_FAST if too_fast_s else self._access.denial(scope) or _too_large(scope)
        if denial is not None:
            await asyncio.sleep(SLOWLY_S if denial is TOO_FAST else 0.0)
            await _turn_away(denial, scope, receive, send, too_fast_s)
        elif scope["type"] == "http":
            await self._serve(scope, receive, send, caller)
        else:
            await self._app(scope, receive, send)

    async def _serve(self, scope: Scope, receive: Receive, send: Send, caller: str) -> None:
        still_welcome = self._watched(scope)
        try:
            async with self._doors.through(scope, scope[STANDING], caller):
                await self._app(
                    scope, bounded(scope, receive, still_welcome), _with_headers(send, still_welcome)
                )
        except TooBusyError:
            await asyncio.sleep(SLOWLY_S)
            await _turn_away(BUSY, scope, receive, send, BUSY_S)
        except NoLongerWelcomeError:
            log.info("a screen was revoked while it was being answered; its connection is cut")

    def _wait_s(self, scope: Scope, caller: str) -> float:
        reads = scope["type"] == "websocket" or scope["method"] in READING_METHODS
        buckets = self._changes if not reads else self._reports if is_report(scope) else self._reads
        return buckets.wait_s(caller, time.monotonic())

    def _watched(self, scope: Scope) -> Callable[[], None]:
        """Give what raises once a paired screen is revoked; looked at now and then, for long files."""
        standing: Standing = scope[STANDING]
        looked_s = time.monotonic()

        def still_welcome() -> None:
            """Look now and then whether a pairing that let the caller in still stands."""
            nonlocal looked_s
            now_s = time.monotonic()
            if standing is not Standing.PAIRED or now_s - looked_s < LOOK_AGAIN_S:
                return
            looked_s = now_s
            if self._access.standing(scope) is not standing:
                raise NoLongerWelcomeError

        return still_welcome


def _caller(scope: Scope, standing: Standing) -> str:
    """Give what counts as one caller: a paired screen, wherever it is, or else a neighbourhood."""
    if standing is Standing.PAIRED:
        return f"screen {hashlib.sha256(token_of(scope).encode('utf-8', 'replace')).hexdigest()}"
    return neighbourhood(scope)


def neighbourhood(scope: Scope) -> str:
    """Give what counts as one address: an IPv4 one, or the /64 an IPv6 one can move about in."""
    address = caller_address(scope)
    if isinstance(address, ipaddress.IPv6Address):
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)


def _too_large(scope: Scope) -> Denial | None:
    if not says_too_much(scope):
        return None
    return Denial(413, "too_large", size_sentence(most_bytes(scope["path"])))


def _with_headers(send: Send, still_welcome: Callable[[], None] = lambda: None) -> Send:
    async def sending(message: Message) -> None:
        """Send on, with the headers that every answer has, while the caller may still listen."""
        still_welcome()
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sending


def _answer(denial: Denial, scope: Scope, wait_s: float) -> Response:
    wants_page = "text/html" in Headers(scope=scope).get("accept", "")
    if denial.code == "not_paired" and wants_page and scope.get("method") == "GET":
        return RedirectResponse("/pair", 303)
    answer = JSONResponse({"code": denial.code, "message": denial.message}, denial.status)
    if scope["type"] == "http" and scope["method"] not in READING_METHODS:
        answer.headers["Connection"] = "close"  # what more it has to send is not waited for
    if wait_s:
        answer.headers["Retry-After"] = str(math.ceil(wait_s))
    return answer


async def _turn_away(denial: Denial, scope: Scope, receive: Receive, send: Send, wait_s: float) -> None:
    answer = _answer(denial, scope, wait_s)
    if scope["type"] == "http":
        await answer(scope, receive, _with_headers(send))
    elif "websocket.http.response" in scope.get("extensions", {}):
        await receive()
        await answer(scope, receive, send)
    else:
        await receive()
        await send({"type": "websocket.close", "code": 1008})

"""The gate: turns away what `Access` denies, holds callers to the limits, sets the headers of every answer.

Limits are for callers on the network; who stands at the bench's own machine is held to sizes alone.
"""

from __future__ import annotations

import asyncio
import ipaddress
import math
import time

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.base import Buckets
from api.web.access.access import READING_METHODS, Access, Denial, at_bench, caller_address

HEADERS = {
    "Content-Security-Policy": "default-src 'self'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
MOST_BODY_BYTES = 1 << 20
MOST_FILE_BYTES = 256 << 20
BODY_SILENCE_S = 20.0
READS = (400.0, 60.0)
CHANGES = (60.0, 10.0)
REPORTS = (60.0, 3.0)
"""Burst, and requests a second after it: a page with all its files is about 50. What is computed when it is asked
for, such as a trace's fit or a sheet, is given out more slowly, so that no visitor can take the processor."""


class Gate:
    """ASGI middleware before everything else."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access
        self._reads, self._changes, self._reports = Buckets(*READS), Buckets(*CHANGES), Buckets(*REPORTS)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request and pass it on."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        too_fast_s = 0.0 if at_bench(scope) else self._wait_s(scope)
        denial = (
            Denial(429, "too_many_requests", "Too many requests from this screen; wait a moment.")
            if too_fast_s
            else self._access.denial(scope) or _too_large(scope)
        )
        if denial is not None:
            await _turn_away(denial, scope, receive, send, too_fast_s)
        elif scope["type"] == "http":
            await self._app(scope, _bounded(scope, receive), _with_headers(send))
        else:
            await self._app(scope, receive, send)

    def _wait_s(self, scope: Scope) -> float:
        reads = scope["type"] == "websocket" or scope["method"] in READING_METHODS
        path = scope["path"]
        is_report = path.startswith("/api/") and path.count("/") > 3
        buckets = self._changes if not reads else self._reports if is_report else self._reads
        return buckets.wait_s(_neighbourhood(scope), time.monotonic())


def _neighbourhood(scope: Scope) -> str:
    """Give what counts as one caller: an IPv4 address, or the /64 an IPv6 one can move about in."""
    address = caller_address(scope)
    if isinstance(address, ipaddress.IPv6Address):
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)


def _most_bytes(headers: Headers) -> int:
    """Files come as forms; everything else is small."""
    is_file = headers.get("content-type", "").lower().startswith("multipart/form-data")
    return MOST_FILE_BYTES if is_file else MOST_BODY_BYTES


def _too_large(scope: Scope) -> Denial | None:
    headers = Headers(scope=scope)
    length = headers.get("content-length", "0")
    if length.isdecimal() and int(length) <= _most_bytes(headers):
        return None
    return Denial(413, "too_large", _size_sentence(_most_bytes(headers)))


def _size_sentence(most_bytes: int) -> str:
    return f"What was sent is larger than {most_bytes >> 20} MB, the most that is taken here."


def _bounded(scope: Scope, receive: Receive) -> Receive:
    """Receive a body no larger than allowed, whatever its length was said to be, and no slower."""
    most = _most_bytes(Headers(scope=scope))
    heard = 0
    whole = False

    async def receiving() -> Message:
        nonlocal heard, whole
        if whole:
            return await receive()
        try:
            async with asyncio.timeout(BODY_SILENCE_S):
                message = await receive()
        except TimeoutError:
            raise HTTPException(408, "The rest of the request did not come; send it again.") from None
        heard += len(message.get("body", b""))
        whole = not message.get("more_body", False)
        if heard > most:
            raise HTTPException(413, _size_sentence(most))
        return message

    return receiving


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
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

"""The header ``Request-Key``: a POST that is sent again with the same key is done once, and answered as it was.

A key is made by who asks, for one press of a button or one call, and sent again with every repetition of it:
because the answer was lost, because the button was pressed twice. Requests without a key are done each time.
"""

from __future__ import annotations

import asyncio
import hashlib
import re
import zlib
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.base import Standing
from api.store import Answered, AskedOnce, ShopStore, asked_once, keeping_answer
from api.web.access.access import standing_of, token_of
from api.web.access.bodies import MOST_ENTRY_BYTES, most_bytes

HEADER = "request-key"
KEY_PATTERN = r"^[A-Za-z0-9_-]{16,64}$"
BAD = "Request-Key is 16 to 64 letters, digits, - or _, made at random for this one request."
USED = "This Request-Key was sent with another request before; make a new key for a new request."
LOST = (
    "This was done before, but its answer was lost; load the page again and look before you do it once more."
)


class RequestKeys:
    """ASGI middleware inside the gate, next to the routes."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._locks: dict[str, asyncio.Lock] = {}
        self._users: Counter[str] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Do a request once."""
        key = Headers(scope=scope).get(HEADER) if scope["type"] == "http" else None
        if key is None or scope["method"] != "POST":
            await self._app(scope, receive, send)
            return
        if not re.fullmatch(KEY_PATTERN, key):
            await _problem(422, "bad_request_key", BAD)(scope, receive, send)
            return
        try:
            whole = _replayed(await _read(receive), receive) if _is_small(scope) else (b"", receive)
        except HTTPException as error:
            await _problem(error.status_code, "bad_body", str(error.detail))(scope, receive, send)
            return
        body, receive = whole
        asked = AskedOnce(_name(scope, key), hashlib.sha256(body).hexdigest())
        async with self._alone(asked.name):
            await self._once(asked, scope, receive, send)

    async def _once(self, asked: AskedOnce, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer as before, or do it and keep the answer; that the service failed is not kept, for it may be asked again."""
        shop: ShopStore = scope["app"].state.service.shop
        known = await asyncio.to_thread(shop.read.answered, asked.name)
        if known is not None:
            await _again(known, asked)(scope, receive, send)
            return
        answer = _Answer()
        with asked_once(asked):
            await self._app(scope, receive, answer.take)
        if answer.status < 500:
            await shop.change(keeping_answer(asked, answer.status, answer.media_type, bytes(answer.body)))
        for message in answer.messages:
            await send(message)

    @asynccontextmanager
    async def _alone(self, name: str) -> AsyncIterator[None]:
        """Let twins wait for the first."""
        lock = self._locks.setdefault(name, asyncio.Lock())
        self._users[name] += 1
        try:
            async with lock:
                yield
        finally:
            self._users[name] -= 1
            if not self._users[name]:
                del self._users[name], self._locks[name]


class _Answer:
    """An answer as the routes gave it, held back until it is kept."""

    def __init__(self) -> None:
        self.messages: list[Message] = []
        self.status = 500
        self.media_type = ""
        self.body = bytearray()

    async def take(self, message: Message) -> None:
        """Pass a part of the answer on to the copy that is kept."""
        self.messages.append(message)
        if message["type"] == "http.response.start":
            self.status = message["status"]
            self.media_type = Headers(raw=message["headers"]).get("content-type", "")
        else:
            self.body += message.get("body", b"")


def _again(known: Answered, asked: AskedOnce) -> Response:
    if known.body_sha256 != asked.body_sha256:
        return _problem(422, "request_key_used", USED)
    if known.status is None:
        return _problem(409, "done_already", LOST)
    return Response(zlib.decompress(known.body), known.status, media_type=known.media_type or None)


def _problem(status: int, code: str, message: str) -> Response:
    return JSONResponse({"code": code, "message": message}, status)


def _is_small(scope: Scope) -> bool:
    return most_bytes(scope["path"]) <= MOST_ENTRY_BYTES


def _name(scope: Scope, key: str) -> str:
    """Give a request's name: keys of different callers and addresses never meet."""
    who = token_of(scope) if standing_of(scope) is Standing.PAIRED else standing_of(scope).name
    asked = (who, scope["path"], scope.get("query_string", b"").decode("latin-1"), key)
    return hashlib.sha256("\0".join(asked).encode("utf-8", "replace")).hexdigest()


async def _read(receive: Receive) -> bytes:
    body = bytearray()
    while True:
        message = await receive()
        body += message.get("body", b"")
        if not message.get("more_body", False):
            return bytes(body)


def _replayed(body: bytes, receive: Receive) -> tuple[bytes, Receive]:
    """Give a body, and what receives it once more."""
    given = False

    async def receiving() -> Message:
        """Give the body that was read once more, then what still comes."""
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return body, receiving

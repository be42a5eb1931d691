"""How much a request may bring: 4 kB, more where an engine or a card is written down, files where files are taken."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.types import Message, Receive, Scope

MOST_BODY_BYTES = 4 << 10
MOST_ENTRY_BYTES = 64 << 10
MOST_FILE_BYTES = 256 << 20
ENTRIES = ("/api/engines", "/api/cards", "/api/jobs", "/api/setup/")
FILES = frozenset({"/api/traces", "/api/jobs/from_file"})
BODY_SILENCE_S = 20.0
SMALL_BODY_S = 30.0
"""The longest that anything but a file may take to come, however it drips."""


def most_bytes(path: str) -> int:
    """Give the most that is taken at an address."""
    if path in FILES:
        return MOST_FILE_BYTES
    return MOST_ENTRY_BYTES if path.startswith(ENTRIES) else MOST_BODY_BYTES


def size_sentence(most: int) -> str:
    """Say that something is too large."""
    words = f"{most >> 20} MB" if most >= 1 << 20 else f"{most >> 10} kB"
    return f"What was sent is larger than {words}, the most that is taken here."


def says_too_much(scope: Scope) -> bool:
    """Tell whether a request says of itself that it is too large, or says it in no number at all."""
    length = Headers(scope=scope).get("content-length", "0")
    return not (length.isdecimal() and len(length) < 16 and int(length) <= most_bytes(scope["path"]))


def bounded(scope: Scope, receive: Receive, still_welcome: Callable[[], None]) -> Receive:
    """Receive a body no larger than allowed, whatever its length was said to be, and no slower.

    Parameters
    ----------
    still_welcome
        Called with every part; raises once the caller is not what it was when it began.
    """
    most = most_bytes(scope["path"])
    until_s = time.monotonic() + SMALL_BODY_S if most < MOST_FILE_BYTES else float("inf")
    heard = 0
    whole = False

    async def receiving() -> Message:
        """Pass the body on as it comes, within its size and its time."""
        nonlocal heard, whole
        if whole:
            return await receive()
        try:
            async with asyncio.timeout(min(BODY_SILENCE_S, max(0.0, until_s - time.monotonic()))):
                message = await receive()
        except TimeoutError:
            raise HTTPException(408, "The rest of the request did not come; send it again.") from None
        still_welcome()
        heard += len(message.get("body", b""))
        whole = not message.get("more_body", False)
        if heard > most:
            raise HTTPException(413, size_sentence(most), {"Connection": "close"})
        return message

    return receiving

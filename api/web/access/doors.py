"""Work that is done when it is asked for, such as a sheet or a search: who waits for whom.

The bench waits for nobody. Paired screens wait for each other, strangers for each other alone, and of strangers
each caller may have only so many waiting. So however many viewers ask, one thread at most works for them.
"""

from __future__ import annotations

import asyncio
import re
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from starlette.datastructures import QueryParams
from starlette.types import Scope

from api.base import Standing
from api.web.access.access import READING_METHODS

STRANGERS_AT_ONCE, PAIRED_AT_ONCE = 1, 2
MOST_WAITING, MOST_WAITING_OF_ONE = 48, 8
LONGEST_WAIT_S = 20.0
OF_A_BENCH = re.compile(r"^/of/[^/]+(?=/)")
QUICK = frozenset(
    {
        "/api/bench",
        "/api/latest",
        "/api/numbers",
        "/api/health",
        "/api/addresses",
        "/api/archive",
        "/api/broker",
        "/api/shop/benches",
    }
)
"""Answered out of memory; everything else under ``/api/`` is looked up or computed."""


class TooBusyError(Exception):
    """Too many wait at this door already, or it took too long."""


class Door:
    """Lets so many in at once; the others wait, and only so many of them."""

    def __init__(self, at_once: int) -> None:
        self._free = asyncio.Semaphore(at_once)
        self._waiting: Counter[str] = Counter()

    @asynccontextmanager
    async def through(self, caller: str) -> AsyncIterator[None]:
        """Wait for a place and hold it; raises `TooBusyError`."""
        if self._waiting[caller] >= MOST_WAITING_OF_ONE or self._waiting.total() >= MOST_WAITING:
            raise TooBusyError
        self._waiting[caller] += 1
        try:
            async with asyncio.timeout(LONGEST_WAIT_S):
                await self._free.acquire()
        except TimeoutError:
            raise TooBusyError from None
        finally:
            self._waiting[caller] -= 1
            self._waiting += Counter()  # forgets who no longer waits
        try:
            yield
        finally:
            self._free.release()


class Doors:
    """A door for each standing; the bench has none."""

    def __init__(self) -> None:
        self._doors = {
            Standing.STRANGER: Door(STRANGERS_AT_ONCE),
            Standing.PAIRED: Door(PAIRED_AT_ONCE),
        }

    @asynccontextmanager
    async def through(self, scope: Scope, standing: Standing, caller: str) -> AsyncIterator[None]:
        """Wait where this request has to be worked for; raises `TooBusyError`."""
        door = self._doors.get(standing)
        if door is None or not is_work(scope):
            yield
            return
        async with door.through(caller):
            yield


def path_at_bench(scope: Scope) -> str:
    """Give a path as the bench itself has it, of a shop that has several of them under ``/of/NAME``."""
    return OF_A_BENCH.sub("", scope["path"], count=1)


def is_work(scope: Scope) -> bool:
    """Tell whether a request makes the service look something up or compute it."""
    if scope["type"] != "http" or scope["method"] not in READING_METHODS:
        return False
    path = path_at_bench(scope)
    return path.startswith("/api/") and path not in QUICK


def is_report(scope: Scope) -> bool:
    """Tell what is given out more slowly than other work: drawings, sheets, files, searches."""
    path = path_at_bench(scope)
    searches = path in {"/api/jobs", "/api/shop/jobs"} and "words" in QueryParams(
        scope.get("query_string", b"")
    )
    return is_work(scope) and (path.count("/") > 3 or searches)

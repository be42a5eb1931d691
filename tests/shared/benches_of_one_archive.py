"""Two benches, two shops' databases, one archive, and how to ask them; for tests."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
from on_file import WHINFELL, bench_of_archive
from postgres import Server

from api.base import ServiceConfig
from api.web import create_app

LONG_S = 90.0
Ask = Callable[[httpx.AsyncClient], Awaitable[Any]]


def lifted(mm: float, name: str = WHINFELL["name"]) -> dict[str, Any]:
    """The card with another lift of its inlet valve."""
    return {"card": {**WHINFELL, "name": name, "inlet": {**WHINFELL["inlet"], "lift_mm": mm}}}


class Shop:
    """Two benches of one archive, and how to wait for what they tell."""

    def __init__(self, server: Server, archive: str, folder: Path) -> None:
        self.server, self.archive, self.folder = server, archive, folder

    def data(self, name: str) -> Path:
        (self.folder / name).mkdir(exist_ok=True)
        return self.folder / name / "data"

    @asynccontextmanager
    async def bench(self, name: str) -> AsyncIterator[httpx.AsyncClient]:
        file = self.data(name).with_name("bench.toml")
        url = self.server.url(self.archive, f"lobewright_{name}")
        file.write_text(bench_of_archive(url, name), encoding="utf-8")
        app = create_app(ServiceConfig(self.data(name), file))
        async with app.router.lifespan_context(app):
            transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 1))
            async with httpx.AsyncClient(transport=transport, base_url="http://localhost", timeout=60) as web:
                yield web

    @asynccontextmanager
    async def both(self) -> AsyncIterator[tuple[httpx.AsyncClient, httpx.AsyncClient]]:
        async with AsyncExitStack() as stack:
            east = await stack.enter_async_context(self.bench("east"))
            west = await stack.enter_async_context(self.bench("west"))
            for web, other in ((east, "west"), (west, "east")):
                await told(web, "/api/shared", lambda view, other=other: other in view["others"])
            yield east, west


async def get(web: httpx.AsyncClient, path: str) -> Any:
    return (await web.get(path)).raise_for_status().json()


async def post(web: httpx.AsyncClient, path: str, body: Any = None, status: int = 0) -> Any:
    answer = await web.post(path, json=body)
    assert answer.status_code == status or (not status and answer.is_success), answer.text
    return answer.json()


async def told(web: httpx.AsyncClient, path: str, met: Callable[[Any], Any]) -> Any:
    """Ask until the answer is as wanted, and give it."""
    deadline, answer = time.monotonic() + LONG_S, None
    while time.monotonic() < deadline:
        answer = await get(web, path)
        if met(answer):
            return answer
        await asyncio.sleep(0.05)
    raise AssertionError(answer)

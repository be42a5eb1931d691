"""Every address the service has, HTTP and WebSocket: public by the short list, or closed to a stranger."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from api.base import ServiceConfig
from api.cli.routes import Served, served, served_by_shop
from api.web import create_app
from api.web.access import Caller, gate

PUBLIC_BY_LIST = {
    ("GET", "/pair"),
    ("POST", "/pair"),
    ("GET", "/static/{name:path}"),
    ("GET", "/own_screen/{link}"),
}
"""The link of the bench's own screen is asked for without a cookie, for it gives one; it works on this machine alone."""
STRANGER = ("192.168.7.66", 50_000)


def routes() -> list[Served]:
    return served(create_app(ServiceConfig(Path("nowhere"))))


def filled(path: str) -> str:
    """Put something possible into the braces of a path."""
    return re.sub(r"\{[^}]*\}", "1", path)


async def knock(app: FastAPI, one: Served) -> int:
    """Ask as a stranger on the network; gives the status of the answer."""
    if one.kind == "http":
        transport = httpx.ASGITransport(app, raise_app_exceptions=False, client=STRANGER)
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            return (await client.request(one.method, filled(one.path))).status_code
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": "websocket.connect"}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": "websocket",
        "path": filled(one.path),
        "headers": [(b"host", b"localhost")],
        "server": ("127.0.0.1", 8720),
        "client": STRANGER,
        "extensions": {"websocket.http.response": {}},
    }
    await app(scope, receive, send)
    return int(sent[0].get("status", 101))


@pytest.mark.parametrize("viewing_open", [True, False])
def test_every_route_is_public_by_list_or_refuses_a_stranger(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, viewing_open: bool
) -> None:
    """With viewing open, looking is allowed too, and only that: nothing that changes anything."""
    monkeypatch.setattr(gate, "CHANGES", (10_000.0, 10_000.0))
    monkeypatch.setattr(gate, "READS", (10_000.0, 10_000.0))
    monkeypatch.setattr(gate, "REPORTS", (10_000.0, 10_000.0))
    app = create_app(ServiceConfig(tmp_path, viewing_open=viewing_open))

    async def walk() -> dict[Served, int]:
        # The service is not started: what is refused is refused before it would be needed.
        closed = [
            one
            for one in routes()
            if (one.method, one.path) not in PUBLIC_BY_LIST
            and not (viewing_open and one.caller is Caller.VIEWER)
        ]
        return {one: await knock(app, one) for one in closed}

    statuses = asyncio.run(walk())
    assert len(statuses) > (25 if viewing_open else 60)
    open_to_strangers = {one: status for one, status in statuses.items() if status not in {401, 403}}
    assert not open_to_strangers
    if not viewing_open:
        assert any(one.kind == "websocket" for one in statuses)


def test_what_may_be_looked_at_is_asked_for_by_reading_alone() -> None:
    for one in routes():
        if one.caller is Caller.VIEWER:
            assert one.method in {"GET", "HEAD"} or (one.kind, one.path) == ("websocket", "/live")
        if one.caller is Caller.ANYONE:
            assert (one.method, one.path) in PUBLIC_BY_LIST


def test_the_table_of_routes_is_printed_by_command(capsys: pytest.CaptureFixture[str]) -> None:
    from api.cli.routes import routes as command

    for of_shop, listed in ((False, routes()), (True, served_by_shop())):
        command.callback(of_shop)
        lines = capsys.readouterr().out.splitlines()
        for one in listed:
            assert any(one.path in line and one.caller in line for line in lines)

"""Screens on the network: how much a caller may ask, and the pairing page as they see it."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from hypothesis import given
from hypothesis import strategies as st

from api.base import Buckets, ServiceConfig, Tries, TriesOfMany, readable, safe_cell
from api.web import create_app
from api.web.access import COOKIE, bodies, gate, pairing
from api.web.access.doors import MOST_WAITING_OF_ONE, Door, TooBusyError

TABLET = "192.168.7.20"


# -- limits


def test_a_bucket_gives_its_burst_and_then_its_rate() -> None:
    buckets = Buckets(burst=5, rate_hz=2)
    assert [buckets.wait_s("a", 0.0) for _ in range(5)] == [0.0] * 5
    assert buckets.wait_s("a", 0.0) == pytest.approx(0.5)
    assert buckets.wait_s("b", 0.0) == 0.0
    assert buckets.wait_s("a", 0.6) == 0.0
    assert buckets.wait_s("a", 0.6) > 0.0


def test_buckets_of_many_callers_stay_bounded() -> None:
    buckets = Buckets(burst=1, rate_hz=1, most_callers=10)
    for caller in range(1000):
        buckets.wait_s(str(caller), 0.0)
    assert len(buckets._left) == 10


@given(st.lists(st.floats(0, 30), max_size=60))
def test_no_stretch_holds_more_tries_than_allowed(pauses: list[float]) -> None:
    tries, now_s, made = Tries(5, 60.0), 0.0, []
    for pause in pauses:
        now_s += pause
        if tries.wait_s(now_s) == 0.0:
            made.append(now_s)
    for at in made:
        assert sum(at <= other < at + 60.0 for other in made) <= 5


def test_tries_of_one_caller_keep_no_other_waiting_and_those_of_all_have_an_end() -> None:
    tries = TriesOfMany(5, 12, 60.0)
    waits = {who: [tries.wait_s(who, 0.0, is_here=False) for _ in range(6)] for who in "abc"}
    assert [wait == 0.0 for wait in waits["a"]] == [True] * 5 + [False]
    assert waits["b"][:5] == [0.0] * 5
    assert [wait == 0.0 for wait in waits["c"]] == [True, True, False, False, False, False]
    assert tries.wait_s("", 0.0, is_here=True) == 0.0


def test_a_door_lets_so_many_in_and_so_many_wait() -> None:
    async def story() -> None:
        door, inside, most = Door(2), 0, 0
        let_go = asyncio.Event()

        async def visit(caller: str) -> str:
            nonlocal inside, most
            try:
                async with door.through(caller):
                    inside += 1
                    most = max(most, inside)
                    await let_go.wait()
                    inside -= 1
            except TooBusyError:
                return "told to come later"
            return "served"

        greedy = [asyncio.create_task(visit("greedy")) for _ in range(20)]
        await asyncio.sleep(0)
        other = asyncio.create_task(visit("other"))
        await asyncio.sleep(0.05)
        let_go.set()
        told = await asyncio.gather(*greedy)
        assert await other == "served"
        assert most <= 2
        assert told.count("told to come later") == 20 - 2 - MOST_WAITING_OF_ONE

    asyncio.run(story())


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ("=1+1", "'=1+1"),
        ("\r=1", "'\r=1"),
        ("  =1", "'  =1"),
        ("\u3000\uff1d1", "'\u3000\uff1d1"),
        ("\u200b@SUM", "'\u200b@SUM"),
        ("\uff0bcmd", "'\uff0bcmd"),
        ("\tx", "'\tx"),
        ("Tarn 1.8 = best", "Tarn 1.8 = best"),
        ("", ""),
    ],
)
def test_no_cell_of_a_sheet_is_a_formula(cell: str, written: str) -> None:
    assert safe_cell(cell) == written


@given(st.text(max_size=30))
def test_a_readable_text_can_be_written_and_seen(text: str) -> None:
    try:
        readable(text)
    except ValueError:
        return
    assert text.encode().decode() == text
    assert not text or any(not one.isspace() for one in text)


# -- the page, as a screen on the network sees it


@pytest.fixture
def app(tmp_path: Path) -> FastAPI:
    return create_app(ServiceConfig(tmp_path))


@asynccontextmanager
async def screen(app: FastAPI, address: str = TABLET) -> Any:
    transport = httpx.ASGITransport(app, raise_app_exceptions=False, client=(address, 50_000))
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
        yield client


@pytest.fixture
def run(app: FastAPI) -> Iterator[Any]:
    """Run a coroutine function with a screen on the network and one at the bench."""

    def running(story: Any) -> None:
        async def whole() -> None:
            async with (
                app.router.lifespan_context(app),
                screen(app) as tablet,
                screen(app, "127.0.0.1") as bench,
            ):
                await story(tablet, bench)

        asyncio.run(whole())

    yield running


def test_a_tablet_pairs_on_the_page_changes_something_and_is_revoked(run: Any) -> None:
    async def story(tablet: httpx.AsyncClient, bench: httpx.AsyncClient) -> None:
        engine = {"layout": "twin cam", "engine": {"name": "Tarn 1.8"}}
        refused = await tablet.post("/api/engines", json=engine)
        assert (refused.status_code, refused.json()["code"]) == (401, "not_paired")
        shown = await bench.post("/pair/code")
        code = re.search(r'id="code">(\d{4} \d{4})<', shown.text).group(1)
        assert shown.headers["cache-control"] == "no-store"
        let_in = await tablet.post("/pair", data={"code": code, "name": "Ida's tablet <b>"})
        assert (let_in.status_code, let_in.headers["location"]) == (303, "/")
        flags = {part.strip().lower() for part in let_in.headers["set-cookie"].split(";")[1:]}
        assert {"httponly", "samesite=strict", "path=/"} <= flags
        assert "paired" in (await tablet.get("/pair")).text
        assert (await tablet.post("/api/engines", json=engine)).status_code != 401
        assert (await tablet.post("/api/pairing/code")).status_code == 403
        listed = await bench.get("/pair")
        assert "Ida&#39;s tablet &lt;b&gt;" in listed.text
        assert "<b>" not in listed.text
        assert (await bench.post("/pair/revoke", data={"number": 1})).status_code == 303
        assert (await tablet.post("/api/engines", json=engine)).status_code == 401

    run(story)


def test_the_page_needs_no_script_and_says_what_was_wrong(run: Any) -> None:
    async def story(tablet: httpx.AsyncClient, bench: httpx.AsyncClient) -> None:
        blank = await tablet.get("/pair")
        assert blank.status_code == 200
        assert re.findall(r"<script(?! src=\"/static/first.js\">)", blank.text) == []
        assert " onclick" not in blank.text
        wrong = await tablet.post("/pair", data={"code": "1", "name": '"><img src=x>'})
        assert wrong.status_code == 403
        assert pairing.WRONG in wrong.text
        assert "<img" not in wrong.text
        for _ in range(4):
            await tablet.post("/pair", data={"code": "1", "name": "x"})
        fast = await tablet.post("/pair", data={"code": "1", "name": "x"})
        assert fast.status_code == 429
        assert 1 <= int(fast.headers["retry-after"]) <= 60
        unnamed = await tablet.post("/pair", data={"code": "1"})
        assert unnamed.status_code == 422

    run(story)


def test_with_viewing_by_code_a_page_leads_to_pairing_and_data_is_refused(tmp_path: Path) -> None:
    app = create_app(ServiceConfig(tmp_path, viewing_open=False))

    async def story() -> None:
        async with app.router.lifespan_context(app), screen(app) as tablet:
            page = await tablet.get("/", headers={"Accept": "text/html,*/*"})
            assert (page.status_code, page.headers["location"]) == (303, "/pair")
            assert (await tablet.get("/api/bench")).status_code == 401
            assert (await tablet.get("/pair")).status_code == 200
            token = app.state.pairing.screens.add("Tablet")
            seen = await tablet.get("/api/bench", headers={"Cookie": f"{COOKIE}={token}"})
            assert seen.status_code == 200

    asyncio.run(story())


def test_a_body_larger_than_allowed_is_refused_told_or_not(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bodies, "MOST_FILE_BYTES", 3 << 20)

    async def chunks(count: int) -> Any:
        for _ in range(count):
            yield b"x" * 100_000

    async def story(tablet: httpx.AsyncClient, bench: httpx.AsyncClient) -> None:
        json_type = {"Content-Type": "application/json"}
        told = await bench.post(
            "/api/engines", content=b"x" * (bodies.MOST_ENTRY_BYTES + 1), headers=json_type
        )
        untold = await bench.post("/api/engines", content=chunks(2), headers=json_type)
        small = await tablet.post("/pair", data={"code": "1" * 5000, "name": "x"})
        form = {"Content-Type": "multipart/form-data; boundary=b"}
        part = b'--b\r\nContent-Disposition: form-data; name="file"; filename="f"\r\n\r\n'

        async def file() -> Any:
            yield part
            async for chunk in chunks(40):
                yield chunk

        upload = await bench.post("/api/traces", content=file(), headers=form)
        for answer, size in ((told, "64 kB"), (untold, "64 kB"), (upload, "3 MB"), (small, "4 kB")):
            assert answer.status_code == 413, answer.text
            assert size in answer.json()["message"]
        for length in ("-1", "1e3", "99999999999999999999"):
            answer = await bench.post(
                "/api/engines", content=b"{}", headers={**json_type, "Content-Length": length}
            )
            assert answer.status_code == 413

    run(story)


def test_a_body_that_never_comes_is_given_up(app: FastAPI, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bodies, "BODY_SILENCE_S", 0.2)
    headers = [(b"host", b"localhost"), (b"content-type", b"application/json"), (b"content-length", b"9")]
    scope = {
        "type": "http",
        "method": "POST",
        "path": "/api/engines",
        "headers": headers,
        "query_string": b"",
    }
    scope |= {
        "client": ("127.0.0.1", 5),
        "server": ("127.0.0.1", 8720),
        "scheme": "http",
        "http_version": "1.1",
    }
    sent: list[dict[str, Any]] = []
    messages = [{"type": "http.request", "body": b"{", "more_body": True}]

    async def receive() -> dict[str, Any]:
        if not messages:
            await asyncio.sleep(3600)
        return messages.pop()

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    async def story() -> None:
        async with app.router.lifespan_context(app):
            await asyncio.wait_for(app(scope, receive, send), 10)

    asyncio.run(story())
    assert sent[0]["status"] == 408


def test_a_caller_that_asks_too_fast_waits_and_the_bench_never_does(
    run: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gate, "CHANGES", (10.0, 0.02))
    monkeypatch.setattr(gate, "SLOWLY_S", 0.01)

    async def story(tablet: httpx.AsyncClient, bench: httpx.AsyncClient) -> None:
        statuses = [(await tablet.post("/api/nix")).status_code for _ in range(int(gate.CHANGES[0]) + 20)]
        assert statuses[0] == 401
        assert 429 in statuses
        assert statuses.index(429) >= gate.CHANGES[0]
        fast = await tablet.post("/api/nix")
        assert int(fast.headers["retry-after"]) >= 1
        assert (await tablet.get("/api/latest")).status_code == 200, "looking has a bucket of its own"
        assert {(await bench.post("/api/nix")).status_code for _ in range(100)} == {404}

    run(story)


def test_what_has_to_be_computed_is_given_out_more_slowly_than_what_is_only_read(
    run: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gate, "REPORTS", (5.0, 0.02))
    monkeypatch.setattr(gate, "SLOWLY_S", 0.01)

    async def story(tablet: httpx.AsyncClient, bench: httpx.AsyncClient) -> None:
        for path in ("/api/measurements/1/trace", "/api/jobs/1/sheet.pdf"):
            statuses = [(await tablet.get(path)).status_code for _ in range(8)]
            assert statuses[-1] == 429
            assert (await tablet.get("/api/measurements")).status_code == 200
            assert (await bench.get(path)).status_code == 404

    run(story)


def test_no_directory_and_no_trace_of_a_failure_is_shown(app: FastAPI, run: Any) -> None:
    @app.get("/fails")
    def fails() -> None:
        raise RuntimeError("secret /home/ida")

    async def story(tablet: httpx.AsyncClient, bench: httpx.AsyncClient) -> None:
        answer = await tablet.get("/fails")
        assert answer.status_code == 500
        assert set(answer.json()) == {"code", "message"}
        for word in ("secret", "/home", "Traceback", "RuntimeError"):
            assert word not in answer.text
        for path in ("/static", "/static/", "/static/%2e%2e/app.py", "/static/../app.py", "/data", "/docs"):
            found = await tablet.get(path, follow_redirects=True)
            assert found.status_code == 404
            assert "<li" not in found.text

    run(story)

"""Anything at all said to the live feed by its clients, and to its clients by something that is no capture."""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
import socket
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from api.live import BenchState, Feed
from capture.base import FeedError, publish_facts
from capture.feed import LiveClient, LiveFeed

pytestmark = pytest.mark.slow

anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=10), inner, max_size=4),
    max_leaves=12,
)
KINDS = ["hello", "readings", "health", "event", "saved", "answer", "gap", "other"]
FIELDS = ["run_id", "channels", "anchor", "channel", "t_ns", "value", "recorder", "code", "sentence", "id"]
messages = st.fixed_dictionaries({"kind": st.sampled_from(KINDS)}, optional=dict.fromkeys(FIELDS, anything))
lines = st.one_of(
    st.binary(max_size=200).filter(lambda line: b"\n" not in line),
    anything.map(lambda value: json.dumps(value).encode()),
    messages.map(lambda value: json.dumps(value).encode()),
)


@pytest.fixture(scope="module")
def feed() -> Iterator[LiveFeed]:
    def flush(message: dict[str, Any], answer: Any) -> None:
        answer({"ok": True, "sentence": ""})

    running = LiveFeed(lambda: {"run_id": 1, "channels": []}, {"flush": flush})
    running.start()
    yield running
    running.stop()


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(said=st.lists(lines, min_size=1, max_size=5))
@example(said=[b"[" * 15_000])
@example(said=[b'{"command": "flush", "id": NaN}'])
@example(said=[b'{"command": {"a": 1}}', b'{"command": "flush", "id": "\\ud800"}'])
def test_whatever_a_client_says_is_answered_and_the_feed_lives(feed: LiveFeed, said: list[bytes]) -> None:
    with socket.socket(socket.AF_UNIX) as client:
        client.settimeout(10)
        client.connect(str(feed.path))
        client.sendall(b"".join(line + b"\n" for line in said) + b'{"command": "flush", "id": 77}\n')
        heard = client.makefile("rb")
        while True:
            answer = json.loads(
                heard.readline(), parse_constant=lambda word: pytest.fail(f"{word} is no JSON")
            )
            if answer["kind"] == "answer" and answer["id"] == 77:
                break
        assert answer["ok"] is True
    assert feed.alive


def test_a_client_that_sends_without_end_is_cut_and_the_feed_lives(feed: LiveFeed) -> None:
    with socket.socket(socket.AF_UNIX) as client:
        client.settimeout(10)
        client.connect(str(feed.path))
        with contextlib.suppress(ConnectionError):
            for _ in range(100):
                client.sendall(b"x" * 10_000)
            while client.recv(65536):
                pass
    assert feed.alive


# -- the other way


class NoCapture:
    """A Unix socket that says what it is told to say, and then ends."""

    def __init__(self, folder: Path) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="lw-"))
        self.listening = socket.socket(socket.AF_UNIX)
        self.listening.bind(str(self._folder / "feed"))
        self.listening.listen(5)
        publish_facts(folder, {"pid": 1, "socket": str(self._folder / "feed"), "run_id": 1, "started": 0})

    def say(self, said: bytes) -> None:
        connection, _ = self.listening.accept()
        with connection, contextlib.suppress(OSError):
            connection.sendall(said)

    def close(self) -> None:
        self.listening.close()
        shutil.rmtree(self._folder)


@pytest.fixture
def no_capture(tmp_path: Path) -> Iterator[NoCapture]:
    made = NoCapture(tmp_path)
    yield made
    made.close()


class Taker:
    """The bench as the web service follows it."""

    def __init__(self) -> None:
        self.bench, self.ended = BenchState(), 0

    def take(self, message: dict[str, Any], now_ns: int) -> None:
        kind = message.get("kind")
        if kind in {"hello", "readings", "health", "event"}:
            getattr(self.bench, kind)(message, now_ns)

    def lost(self) -> None:
        self.ended += 1
        self.bench.lost()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(said=st.lists(lines, max_size=4))
@example(said=[b"[" * 100_000])
def test_whatever_the_feed_says_the_web_service_goes_on_and_connects_again(
    tmp_path: Path, no_capture: NoCapture, said: list[bytes]
) -> None:
    hello = {"kind": "hello", "run_id": 1, "channels": [], "anchor": {"monotonic_ns": 0, "wall_ns": 0}}
    taker = Taker()

    async def story() -> None:
        feed = asyncio.create_task(Feed(tmp_path, taker).run())
        await asyncio.to_thread(no_capture.say, b"\n".join([json.dumps(hello).encode(), *said]) + b"\n")
        async with asyncio.timeout(10):
            while not taker.ended:
                await asyncio.sleep(0.005)
        assert not feed.done()
        feed.cancel()
        await asyncio.gather(feed, return_exceptions=True)

    asyncio.run(story())
    assert not taker.bench.alive(0)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(said=st.lists(lines, max_size=4))
@example(said=[b"[" * 100_000])
@example(said=[b"[]"])
def test_a_client_meets_something_that_is_no_capture_with_one_sentence(
    tmp_path: Path, no_capture: NoCapture, said: list[bytes]
) -> None:
    import threading

    speaking = threading.Thread(target=no_capture.say, args=(b"\n".join([*said, b""]),))
    speaking.start()
    try:
        with LiveClient(tmp_path, 2.0) as client:
            while client.receive(2.0) is not None:
                pass
    except FeedError as error:
        assert str(error)
    finally:
        speaking.join()

"""A connection that stands and carries nothing: a firewall that drops, a cut cable, a caller that says nothing."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from control_lines import LineServer, SpeaksOnlyWith

from capture.feed import LiveClient, LiveFeed
from capture.feed.client_slot import SECRET_WITHIN_S
from capture.feed.server import MOST_CLIENTS

pytestmark = pytest.mark.faults
BACK_WITHIN_S = 2.0
SILENT_AFTER_S = 1.5
ASKED: dict[str, Any] = {"request": "?\r", "request_interval_s": 0.1, "answer_within_s": 0.3}


@pytest.fixture(name="server", params=["rfc2217", "socket"])
def _server(request: pytest.FixtureRequest, asked: bool) -> Iterator[LineServer]:
    gauge = SpeaksOnlyWith(request=ASKED["request"].encode() if asked else b"")
    server = LineServer(gauge, telnet=request.param == "rfc2217")
    server.start()
    yield server
    server.stop()


@pytest.mark.parametrize("asked", [False, True])
def test_a_peer_that_is_dropped_by_a_firewall_is_noticed_and_read_again_where_it_listens(
    server: LineServer, asked: bool, make_bench: Any, helpers: Any, measured: Any
) -> None:
    """Also while a request is on its way, which the system would repeat for a quarter of an hour."""
    keys = {"port": server.url, "silent_after_s": SILENT_AFTER_S, **(ASKED if asked else {})}
    bench = make_bench(None, {"plunger": keys})
    client = bench.client()
    helpers.wait_for(client, helpers.is_reading("plunger"), 30)
    server.deaf = True
    dropped_s = time.monotonic()
    helpers.wait_for(client, helpers.is_state("plunger", "silent", "mute", "offline"), 10)
    told_s = time.monotonic() - dropped_s
    helpers.wait_for(client, helpers.is_state("plunger", "offline"), 15)
    gone_s = time.monotonic() - dropped_s
    time.sleep(max(0.0, 10.0 - gone_s))
    server.stop()
    server.deaf = False
    up_s = server.start()
    helpers.wait_for(client, helpers.is_reading("plunger"), 15)
    back_s = time.monotonic() - up_s
    bench.stop()
    figures = f"{server.url[:6]} dropped: told {told_s:.1f} s, left {gone_s:.1f} s, back {back_s:.2f} s"
    measured(49, "serial servers killed, cables pulled, stopped", figures)
    assert told_s < SILENT_AFTER_S + 1.0
    assert back_s < BACK_WITHIN_S


@pytest.fixture(name="feed")
def _feed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[tuple[LiveFeed, Path]]:
    """A feed on loopback TCP, as on a system without local sockets."""
    monkeypatch.setattr("capture.feed.endpoint.HAS_LOCAL_SOCKETS", False)
    feed = LiveFeed(lambda: {"run_id": 1}, {})
    (tmp_path / "capture.json").write_text(json.dumps({"pid": os.getpid(), **feed.facts}))
    feed.start()
    yield feed, tmp_path
    feed.stop()


def test_callers_that_never_say_the_secret_are_let_go_and_keep_nobody_out(
    feed: tuple[LiveFeed, Path],
) -> None:
    place = ("127.0.0.1", int(feed[0].facts["port"]))
    with contextlib.ExitStack() as callers:
        mute = [callers.enter_context(socket.create_connection(place, 5)) for _ in range(MOST_CLIENTS)]
        for number, one in enumerate(mute):
            one.settimeout(10)
            if number % 2:
                one.sendall(b"half a secret, and no end of it")
        told = [one.recv(100) for one in mute]
    assert told == [b""] * MOST_CLIENTS
    client = LiveClient(feed[1])
    client.close()
    assert client.hello["run_id"] == 1


def test_who_said_the_secret_may_be_silent_for_as_long_as_he_likes(feed: tuple[LiveFeed, Path]) -> None:
    client = LiveClient(feed[1])
    time.sleep(SECRET_WITHIN_S + 0.5)
    feed[0].saved({"crank": 7})
    message = client.receive(5)
    client.close()
    assert message == {"kind": "saved", "channels": {"crank": 7}}

"""Ports at a real serial server: ser2net (RFC 2217 and plain), and socat, over pseudo-terminals."""

from __future__ import annotations

import os
import signal
import socket
import termios
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from free_ports import free_port
from serial_server import Server
from waiting import within_s

pytestmark = pytest.mark.faults

BACK_WITHIN_S = 2.0
ASKED = {"request": "?\r", "request_interval_s": 0.1, "answer_within_s": 0.3}


@pytest.fixture(name="bench_behind")
def _bench_behind(make_bench: Any) -> Iterator[Callable[..., tuple[Any, dict[str, Server]]]]:
    servers: list[Server] = []

    def behind(kind: str, *, asked: bool = False, **plunger_keys: Any) -> tuple[Any, dict[str, Server]]:
        plunger = {"rate_hz": 0, "end": "\r"} if asked else {"rate_hz": 20}
        bench = make_bench({"crank": {"rate_hz": 300}, "plunger": plunger}, start=False)
        mine = {name: Server(kind, bench.folder / name, bench.folder) for name in bench.instruments}
        servers.extend(mine.values())
        bench.bench_keys = {name: {"port": server.url} for name, server in mine.items()}
        bench.bench_keys["plunger"] |= (ASKED if asked else {}) | plunger_keys
        bench.before_capture = lambda: [server.start() for server in mine.values()]
        bench.start()
        return bench, mine

    yield behind
    for server in servers:
        server.kill()


every_server = pytest.mark.parametrize("kind", ["ser2net telnet", "ser2net plain", "socat"])


def check_nothing_is_wrong(bench: Any) -> dict[str, Any]:
    """Stop; what is stored was said, in order, and what is missing lies in a listed gap.

    A server holds bytes back on their way: the slack is its, not ours.
    """
    bench.stop()
    return {name: bench.account(name, slack_ns=400_000_000) for name in bench.instruments}


@every_server
def test_a_server_killed_and_started_again_is_read_within_two_seconds(
    kind: str, bench_behind: Any, helpers: Any, measured: Any
) -> None:
    bench, servers = bench_behind(kind)
    client = bench.client()
    for name in servers:
        helpers.wait_for(client, helpers.is_reading(name), 30)
    time.sleep(0.7)
    servers["crank"].kill()
    helpers.wait_for(client, helpers.is_state("crank", "offline"), 5)
    time.sleep(3.0)  # long enough for the pauses between tries to have grown
    up_s = servers["crank"].start()
    helpers.wait_for(client, helpers.is_reading("crank"), 10)
    back_s = time.monotonic() - up_s
    accounts = check_nothing_is_wrong(bench)
    assert not accounts["crank"].invented
    assert not accounts["plunger"].unexplained
    measured(49, "serial servers killed, cables pulled, stopped", f"{kind}: back {back_s:.2f} s after it is")
    assert back_s < BACK_WITHIN_S


@every_server
def test_an_asked_gauge_answers_through_a_server(kind: str, bench_behind: Any, helpers: Any) -> None:
    bench, servers = bench_behind(kind, asked=True)
    client = bench.client()
    helpers.wait_for(client, helpers.is_reading("plunger"), 30)
    servers["plunger"].kill()
    helpers.wait_for(client, helpers.is_state("plunger", "offline"), 5)
    servers["plunger"].start()
    helpers.wait_for(client, helpers.is_reading("plunger"), 10)
    assert not check_nothing_is_wrong(bench)["plunger"].invented


# ser2net 4.3 leaves its caller connected to nothing when bytes that it holds back for others to join them
# (chardelay, on unless switched off) wait at the moment the device goes; whoever calls anew is served.
@every_server
def test_a_cable_pulled_behind_a_server_is_told_and_read_again_when_plugged(
    kind: str, bench_behind: Any, helpers: Any, measured: Any
) -> None:
    bench, _ = bench_behind(kind)
    client = bench.client()
    helpers.wait_for(client, helpers.is_reading("crank"), 30)
    pulled = bench.order("unplug", half="4711")
    helpers.wait_for(client, helpers.is_state("crank", "offline", "silent"), 8)
    told_s = (time.monotonic_ns() - pulled["at_ns"]) / 1e9
    time.sleep(1.0)
    plugged = bench.order("plug")
    helpers.wait_for(client, helpers.is_reading("crank"), 15)
    back_s = (time.monotonic_ns() - plugged["at_ns"]) / 1e9
    assert not check_nothing_is_wrong(bench)["crank"].invented
    figures = f"{kind}: pulled cable told after {told_s:.2f} s, read {back_s:.2f} s after plugging"
    measured(49, "serial servers killed, cables pulled, stopped", figures)
    assert told_s < within_s(4.0)


@every_server
def test_a_server_that_stands_still_is_told_within_the_silent_time(
    kind: str, bench_behind: Any, helpers: Any, measured: Any
) -> None:
    """A stopped process: the connection stands, and nothing comes through it."""
    bench, servers = bench_behind(kind)
    client = bench.client()
    helpers.wait_for(client, helpers.is_state("crank", "online"), 30)
    helpers.wait_for(client, helpers.is_reading("crank"), 30)
    stopped_s = time.monotonic()
    servers["crank"].signal(signal.SIGSTOP)
    helpers.wait_for(client, helpers.is_state("crank", "silent", "offline"), 8)
    told_s = time.monotonic() - stopped_s
    servers["crank"].signal(signal.SIGCONT)
    helpers.wait_for(client, helpers.is_reading("crank"), 10)
    assert not check_nothing_is_wrong(bench)["crank"].invented
    figures = f"{kind}: standing still told after {told_s:.2f} s"
    measured(49, "serial servers killed, cables pulled, stopped", figures)
    assert told_s < within_s(1.5 + 1.0)


def test_baud_and_framing_reach_the_device_behind_the_server(bench_behind: Any, helpers: Any) -> None:
    bench, _ = bench_behind("ser2net telnet", baud=19200, framing="8O2", flow="xonxoff")
    client = bench.client()
    helpers.wait_for(client, helpers.is_reading("plunger"), 30)
    device = os.open(bench.folder / "plunger", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    iflag, _, cflag, _, speed, _, _ = termios.tcgetattr(device)
    os.close(device)
    bench.stop()
    assert speed == termios.B19200
    assert iflag & termios.IXON
    assert cflag & termios.CSTOPB
    assert (
        cflag & termios.PARODD
    )  # that parity is on at all, and seven bits, is what no pseudo-terminal keeps


def test_a_server_that_is_not_there_and_a_name_that_is_none_are_told(make_bench: Any, helpers: Any) -> None:
    port = free_port()
    keys = {"crank": {"port": f"rfc2217://127.0.0.1:{port}"}, "plunger": {"port": "socket://nothing"}}
    bench = make_bench(None, keys)
    client = bench.client()
    health = helpers.wait_for(
        client, lambda m: m["kind"] == "health" and helpers.state_of(m, "plunger")["state"] != "starting", 10
    )
    health = helpers.wait_for(
        client, lambda m: m["kind"] == "health" and helpers.state_of(m, "crank")["state"] != "starting", 10
    )
    assert helpers.state_of(health, "crank")["state"] == "offline"
    assert "no serial server answers" in helpers.state_of(health, "crank")["sentence"]
    assert helpers.state_of(health, "plunger")["state"] == "unusable"
    assert "write socket://host:port" in helpers.state_of(health, "plunger")["sentence"]
    bench.stop()


def test_a_caller_left_connected_to_nothing_calls_again(make_bench: Any, helpers: Any) -> None:
    """A server that goes on holding a dead connection, and gives readings to whoever calls anew."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10)
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        bench = make_bench(None, {"crank": {"port": url}})
        client = bench.client()
        held, _ = server.accept()
        with held:
            held.sendall(b"1\r\n2\r\n3\r\n")
            helpers.wait_for(client, helpers.is_state("crank", "silent"), 8)
            again, _ = server.accept()
            with again:
                for count in range(4, 54):
                    again.sendall(b"%d\r\n" % count)
                    time.sleep(0.02)
                helpers.wait_for(client, helpers.is_reading("crank"), 5)
                bench.stop()


def test_a_caller_that_was_never_given_anything_stays_connected(make_bench: Any, helpers: Any) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10)
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        bench = make_bench(None, {"crank": {"port": url}})
        client = bench.client()
        held, _ = server.accept()
        with held:
            helpers.wait_for(client, helpers.is_state("crank", "silent"), 8)
            server.settimeout(6)
            with pytest.raises(TimeoutError):
                server.accept()
            bench.stop()

"""Control lines: instruments that live on DTR or RTS, boards that restart with DTR, and how flow is kept."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from control_lines import LineServer, RestartsWithDtr, SpeaksOnlyWith
from waiting import LOBEWRIGHT, until

from capture.bench import parse_bench

pytestmark = pytest.mark.faults
ROW = 50, "control lines raised, restarts with DTR"


@pytest.fixture(name="serve")
def _serve() -> Iterator[Callable[..., LineServer]]:
    servers: list[LineServer] = []

    def serve(*given: Any, **keys: Any) -> LineServer:
        servers.append(LineServer(*given, **keys))
        servers[-1].start()
        return servers[-1]

    yield serve
    for server in servers:
        server.stop()


def last_orders(server: LineServer) -> dict[str, Any]:
    """How the wire was set last, by the orders since `clear`."""
    return dict(server.wire.orders)


@pytest.mark.parametrize(
    ("needs", "keys"),
    [
        ({"dtr": True}, {"dtr": True}),
        ({"rts": True}, {}),
        ({"rts": True, "dtr": False}, {"rts": True, "dtr": False}),
        ({"dtr": True, "rts": False}, {"dtr": True, "rts": False}),
    ],
)
def test_a_gauge_that_lives_on_a_control_line_is_read_and_read_again_after_reopening(
    needs: dict[str, bool], keys: dict[str, bool], serve: Any, make_bench: Any, helpers: Any
) -> None:
    server = serve(SpeaksOnlyWith(**needs))
    bench = make_bench(None, {"plunger": {"port": server.url, "baud": 9600, **keys}})
    client = bench.client()
    helpers.wait_for(client, helpers.is_reading("plunger"), 30)
    server.stop()
    helpers.wait_for(client, helpers.is_state("plunger", "offline"), 8)
    assert not (server.wire.dtr or server.wire.rts)
    server.wire.orders.clear()
    server.start()
    helpers.wait_for(client, helpers.is_reading("plunger"), 15)
    orders = last_orders(server)
    assert orders["baudrate"] == 9600
    assert (orders["dtr"], orders["rts"]) == (keys.get("dtr", False), keys.get("rts", True))
    bench.stop()


def test_without_the_key_such_a_gauge_is_told_as_silent(serve: Any, make_bench: Any, helpers: Any) -> None:
    server = serve(SpeaksOnlyWith(dtr=True))
    bench = make_bench(None, {"plunger": {"port": server.url}})
    health = helpers.wait_for(bench.client(), helpers.is_state("plunger", "silent"), 30)
    assert "nothing has come" in (health.get("sentence") or helpers.state_of(health, "plunger")["sentence"])
    bench.stop()


@pytest.mark.parametrize(
    ("flow", "set_to"), [("none", (False, False)), ("rtscts", (False, True)), ("xonxoff", (True, False))]
)
def test_flow_is_ordered_at_opening_and_again_after_reopening(
    flow: str, set_to: tuple[bool, bool], serve: Any, make_bench: Any, helpers: Any
) -> None:
    server = serve(SpeaksOnlyWith())
    bench = make_bench(None, {"plunger": {"port": server.url, "flow": flow, "framing": "7E2"}})
    client = bench.client()
    for opening in range(2):
        helpers.wait_for(client, helpers.is_reading("plunger"), 30)
        wire = server.wire
        assert (wire.xonxoff, wire.rtscts) == set_to
        assert (wire.baudrate, wire.bytesize, wire.parity, wire.stopbits) == (9600, 7, "E", 2)
        if flow == "rtscts":  # the port itself moves the line then
            assert ("rts", True) not in wire.orders
        server.stop()
        helpers.wait_for(client, helpers.is_state("plunger", "offline"), 8)
        wire.xonxoff = wire.rtscts = flow == "none"  # another than was asked for
        wire.baudrate, wire.bytesize, wire.parity, wire.stopbits = 300, 8, "N", 1
        wire.orders.clear()
        if not opening:
            server.start()
    bench.stop()


@pytest.mark.parametrize("last_words", [0, 4, 8])
@pytest.mark.parametrize("stood_at", [40, 5000])
def test_a_board_that_restarts_with_dtr_is_waited_for_and_its_new_zero_is_told(
    last_words: int, stood_at: int, serve: Any, make_bench: Any, helpers: Any, measured: Any
) -> None:
    """The hand rests: what the count says after reopening is the restart alone, however near to nought it was."""
    board = RestartsWithDtr(rests_s=2.5, last_words=last_words)
    server = serve(board)
    bench = make_bench(None, {"crank": {"port": server.url, "dtr": True, "baud": 115200}})
    client = bench.client()
    helpers.wait_for(client, helpers.is_state("crank", "starting"), 30)
    helpers.wait_for(client, helpers.is_reading("crank"), 15)
    while board.count < stood_at:
        board.count += 5
        time.sleep(0.005)
    time.sleep(0.5)
    client = bench.client()  # a listener who let so many readings lie is cut, as he should be
    server.stop()
    helpers.wait_for(client, helpers.is_state("crank", "offline"), 8)
    server.start()
    began_s = time.monotonic()
    states: dict[str, str] = {}

    def new_zero(message: dict[str, Any]) -> bool:
        if message["kind"] == "health":
            state = helpers.state_of(message, "crank")
            states[state["state"]] = state["sentence"]
        spoke_again = (
            time.monotonic() - began_s > board.rests_s
        )  # its last words may be called a new zero, too
        return spoke_again and helpers.is_event("counter_reset", "crank")(message)

    told = helpers.wait_for(client, new_zero, 15)
    assert "find true TDC again" in told["sentence"]
    measured(*ROW, f"board that stood at {stood_at}: new zero told after {time.monotonic() - began_s:.1f} s")
    assert "starting" in states
    assert not states.keys() & {"silent", "garbled", "mute"}, states
    assert board.restarts == 2
    bench.stop()
    account = bench.reader
    run = account.runs()[-1]
    segments = next(c for c in account.channels(run.id) if c.name == "crank").segments
    assert segments[-1].reason == "counter_reset"


@pytest.mark.parametrize(
    ("needs", "keys"),
    [({"dtr": True, "rts": True}, (True, True)), ({"dtr": True, "rts": False}, (True, False))],
)
def test_ports_raise_finds_the_mute_gauge_and_writes_the_keys(
    needs: dict[str, bool], keys: tuple[bool, bool], serve: Any
) -> None:
    server = serve(SpeaksOnlyWith(**needs))
    without = subprocess.run(
        [*LOBEWRIGHT, "ports", server.url], capture_output=True, text=True, timeout=60, check=True
    ).stdout
    assert "silent" in without
    assert "ports --raise" in without
    found = subprocess.run(
        [*LOBEWRIGHT, "ports", "--raise", server.url], capture_output=True, text=True, timeout=120, check=True
    ).stdout
    bench = parse_bench(found[found.index("# A bench file") :].encode())
    (gauge,) = bench.gauge
    assert (gauge.port, gauge.baud, gauge.frame) == (server.url, 9600, "decimal")
    assert (gauge.dtr, gauge.rts) == keys


def test_ports_without_raise_never_raises_dtr(serve: Any) -> None:
    server = serve(RestartsWithDtr(rests_s=0.1))
    subprocess.run([*LOBEWRIGHT, "ports", server.url], capture_output=True, timeout=60, check=True)
    until(lambda: server.callers, "it has listened")
    assert ("dtr", True) not in server.wire.orders
    assert server.instrument.restarts == 0


def test_ports_raise_waits_for_a_board_that_restarts(serve: Any) -> None:
    server = serve(RestartsWithDtr(rests_s=2.0))
    found = subprocess.run(
        [*LOBEWRIGHT, "ports", "--raise", server.url], capture_output=True, text=True, timeout=120, check=True
    ).stdout
    assert 'frame = "count"' in found
    assert "dtr = true" in found

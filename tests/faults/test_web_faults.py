"""Fault 29: a screen that stops reading; wrong Host, Origin and code; too many and too silent callers."""

from __future__ import annotations

import contextlib
import json
import select
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from waiting import LOBEWRIGHT, until
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

from api.base import own_ip_addresses
from api.host.web_protocol import ASK_WITHIN_S, MOST_AN_ADDRESS
from api.live.screens import MOST_SCREENS

pytestmark = pytest.mark.faults
INJECTED = "stopped screen; wrong Host, Origin, code"
UPGRADE = (
    "GET /live HTTP/1.1\r\nHost: localhost\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
)


@dataclass
class Shop:
    """A service on the shop's network, its simulated bench behind it; `bench` asks from this machine."""

    bench: httpx.Client
    control: httpx.Client
    data: Path
    port: int

    def live(self, host: str = "127.0.0.1", **options: Any) -> ClientConnection:
        return connect(f"ws://{host}:{self.port}/live", compression=None, **options)

    def screens(self) -> int:
        return int(self.bench.get("/health").json()["screens"])


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    folder = tmp_path_factory.mktemp("shop")
    data, bench = folder / "data", folder / "bench.toml"
    options = [
        "--scenario",
        "hollin_lane_twin_cam",
        "--links",
        str(folder / "links"),
        "--bench-file",
        str(bench),
    ]
    simulator = subprocess.Popen(
        [sys.executable, "-m", "simulated_devices", *options, "--control", "127.0.0.1:0"],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert simulator.stdout is not None
    control = simulator.stdout.readline().rsplit(" ", 1)[1].strip()
    service = subprocess.Popen(
        [*LOBEWRIGHT, "run", "--shop", "--bench", str(bench), "--data", str(data), "--port", "0"]
    )
    try:
        url = until(lambda: json.loads((data / "web.json").read_text())["url"], "the service has an address")
        with (
            httpx.Client(base_url=url, timeout=30) as web,
            httpx.Client(base_url=control, timeout=90) as turn,
        ):
            until(lambda: web.get("/api/latest").json()["latest"]["dial_a"], "readings come")
            yield Shop(web, turn, data, int(url.rsplit(":", 1)[1]))
    finally:
        for process in (service, simulator):
            process.terminate()
            process.wait(15)
        simulator.stdout.close()


@pytest.fixture
def network(shop: Shop) -> str:
    """An address of this machine that is not this machine's own: callers through it are on the network."""
    for one in sorted(own_ip_addresses(), key=lambda ip: ip.version):
        with contextlib.suppress(OSError), socket.create_connection((str(one), shop.port), timeout=2):
            return str(one)
    pytest.skip("this machine has no network address: callers on the network cannot be had here")


def delays_ms(screen: ClientConnection, cut: Callable[[], bool]) -> list[float]:
    """How old the newest reading of the crank is when it is heard, until something is cut."""
    found, newest = [], 0.0
    looked_s = time.monotonic()
    while True:
        message = json.loads(screen.recv(10))
        heard_ms = time.time() * 1e3
        crank = (message.get("latest") or {}).get("crank") if message["kind"] == "readings" else None
        if crank and crank["wall_ms"] != newest:
            newest = crank["wall_ms"]
            found.append(heard_ms - newest)
        if time.monotonic() - looked_s > 0.5:
            looked_s = time.monotonic()
            if cut():
                return found


def p99(delays: list[float]) -> float:
    return sorted(delays)[int(0.99 * len(delays))]


@pytest.mark.two
def test_a_stopped_screen_is_cut_and_the_others_stay_fast(shop: Shop, measured: Any) -> None:
    turning = {"moves": [{"do": "turns", "count": 4.0, "speed_deg_s": 40.0}], "wait_s": 0}
    assert shop.control.post("/hand", json=turning).status_code == 200
    with shop.live() as screen:
        began_s = time.monotonic()
        alone_ms = p99(delays_ms(screen, lambda: time.monotonic() > began_s + 5))
    with socket.socket() as stopped, shop.live() as screen:
        stopped.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        stopped.connect(("127.0.0.1", shop.port))
        stopped.sendall(UPGRADE.encode())
        assert stopped.recv(100).startswith(b"HTTP/1.1 101")
        until(lambda: shop.screens() == 2, "both screens are there", 5)
        began_s = time.monotonic()
        delays = delays_ms(screen, lambda: shop.screens() == 1 or time.monotonic() > began_s + 30)
        cut_s = time.monotonic() - began_s
    figures = f"others p99 {p99(delays):.0f} ms of {len(delays)}, {alone_ms:.0f} ms before it came"
    measured(29, INJECTED, f"cut after {cut_s:.1f} s; {figures}")
    assert len(delays) > 100
    assert cut_s < 10.0
    assert p99(delays) <= max(100.0, 2.0 * alone_ms)  # a busy machine is slow without the stopped screen too


def test_wrong_hosts_and_origins_get_400_and_403_on_both_protocols(
    shop: Shop, network: str, measured: Any
) -> None:
    told = []
    for host in ("127.0.0.1", network):
        own = f"http://{host}:{shop.port}"
        for headers, status in (({"Host": "evil.example"}, 400), ({"Origin": "http://evil.example"}, 403)):
            for method, path in (
                ("GET", "/"),
                ("GET", "/api/bench"),
                ("POST", "/api/jobs"),
                ("POST", "/pair"),
            ):
                assert httpx.request(method, own + path, headers=headers).status_code == status
            with pytest.raises(InvalidStatus) as refused, shop.live(host, additional_headers=headers):
                pass
            assert refused.value.response.status_code == status
            told.append(status)
        with shop.live(host, origin=own) as screen:  # type: ignore[arg-type]
            assert json.loads(screen.recv(5))["kind"] == "hello"
    measured(29, INJECTED, f"Host and Origin answered {sorted(set(told))}")


def test_wrong_codes_get_403_and_then_429_and_the_right_one_lets_a_screen_change_things(
    shop: Shop, network: str, measured: Any
) -> None:
    far = f"http://{network}:{shop.port}"
    body = {"touches": "piston_1", "gauge": "dial_a"}
    assert httpx.post(f"{far}/api/measurements", json=body).status_code == 401
    shown = subprocess.run(
        [*LOBEWRIGHT, "pair", "--data", str(shop.data)], capture_output=True, text=True, check=True
    )
    code = shown.stdout.splitlines()[0]
    with httpx.Client(base_url=far) as tablet:
        let_in = tablet.post("/pair", data={"code": code, "name": "Ida's tablet"})
        assert let_in.status_code == 303, let_in.text
        begun = tablet.post("/api/measurements", json=body)
        assert begun.status_code == 201, begun.text
        assert tablet.post(f"/api/measurements/{begun.json()['id']}/discard").status_code == 200
        assert tablet.post("/api/pairing/code").status_code == 403
        statuses = [
            httpx.post(f"{far}/pair", data={"code": "0000 0000", "name": "Visitor"}).status_code
            for _ in range(6)
        ]
        assert statuses == [403] * 4 + [429] * 2, "the right one was the first of five tries"
        listed = subprocess.run(
            [*LOBEWRIGHT, "pair", "--data", str(shop.data), "list"],
            capture_output=True,
            text=True,
            check=True,
        )
        assert "Ida's tablet" in listed.stdout
        number = listed.stdout.split()[0]
        subprocess.run([*LOBEWRIGHT, "pair", "--data", str(shop.data), "revoke", number], check=True)
        assert tablet.post("/api/measurements", json=body).status_code == 401
    measured(29, INJECTED, f"unpaired 401; codes {statuses}; revoked 401")


def test_one_address_cannot_take_every_connection_nor_hold_one_in_silence(
    shop: Shop, network: str, measured: Any
) -> None:
    with contextlib.ExitStack() as stack:
        silent = []
        for _ in range(MOST_AN_ADDRESS + 30):
            one = stack.enter_context(socket.create_connection((network, shop.port), timeout=5))
            one.sendall(b"GET / HTTP/1.1\r\n")  # and never the rest
            silent.append(one)
        began_s = time.monotonic()
        assert shop.bench.get("/health").status_code == 200
        closed_s = _closed_s(silent, began_s)
        early = sum(one < 2.0 for one in closed_s)
        assert early >= 30
        assert max(closed_s) < ASK_WITHIN_S + 3.0
    assert httpx.get(f"http://{network}:{shop.port}/health").status_code == 200
    measured(
        29, INJECTED, f"{early} connections too many closed at once, silent ones by {max(closed_s):.0f} s"
    )


def test_there_is_an_end_to_live_screens_and_the_others_stay(shop: Shop, measured: Any) -> None:
    until(lambda: shop.screens() == 0, "the screens before have gone", 15)
    with contextlib.ExitStack() as stack:
        screens = [stack.enter_context(shop.live()) for _ in range(MOST_SCREENS)]
        until(lambda: shop.screens() == MOST_SCREENS, "all are there", 15)
        with shop.live() as one_more, pytest.raises(ConnectionClosed) as told:
            one_more.recv(5)
        assert told.value.rcvd is not None
        assert told.value.rcvd.code == 1013
        assert "close one" in told.value.rcvd.reason
        assert shop.screens() == MOST_SCREENS
        assert json.loads(screens[0].recv(5))["kind"] == "hello"
    measured(29, INJECTED, f"screen {MOST_SCREENS + 1} told to try again later")


def _closed_s(connections: list[socket.socket], began_s: float) -> list[float]:
    """When each was closed by the service."""
    closed_s, left = [], set(connections)
    while left and time.monotonic() < began_s + 3 * ASK_WITHIN_S:
        for one in select.select(list(left), [], [], 1.0)[0]:
            with contextlib.suppress(ConnectionError):
                assert one.recv(1) == b""
            closed_s.append(time.monotonic() - began_s)
            left.remove(one)
    assert not left
    return closed_s

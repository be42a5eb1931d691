"""A real service on the shop's network with its simulated bench, and callers that mean it no good."""

from __future__ import annotations

import contextlib
import json
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from on_file import TARN, WHINFELL
from waiting import until
from warm import WarmService
from websockets.sync.client import ClientConnection, connect

from api.base import own_ip_addresses


@dataclass
class AttackedShop:
    """A running service; `bench` asks from this machine, `far` is its address on the network."""

    bench: httpx.Client
    control: httpx.Client
    data: Path
    port: int
    far: str
    log: Path
    process: WarmService

    @property
    def far_url(self) -> str:
        return f"http://{self.far}:{self.port}"

    def live(self, host: str = "127.0.0.1", **options: Any) -> ClientConnection:
        return connect(f"ws://{host}:{self.port}/live", compression=None, **options)

    def paired(self, name: str = "Ida's tablet") -> dict[str, str]:
        """Pair a screen on the network as a builder does; gives its cookie."""
        code = self.bench.post("/api/pairing/code").json()["code"]
        let_in = httpx.post(f"{self.far_url}/pair", data={"code": code, "name": name})
        assert let_in.status_code == 303, let_in.text
        return {"Cookie": f"lobewright_screen={let_in.cookies['lobewright_screen']}"}

    def logged(self) -> str:
        return self.log.read_text(errors="replace")


@contextlib.contextmanager
def simulated_bench(folder: Path) -> Iterator[tuple[Path, str]]:
    """Simulated instruments on real pseudo-terminals; gives the bench file and where the hand is asked."""
    bench = folder / "bench.toml"
    where = ["--links", str(folder / "links"), "--bench-file", str(bench), "--control", "127.0.0.1:0"]
    simulator = subprocess.Popen(
        [sys.executable, "-m", "simulated_devices", "--scenario", "hollin_lane_twin_cam", *where],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert simulator.stdout is not None
    try:
        yield bench, simulator.stdout.readline().rsplit(" ", 1)[1].strip()
    finally:
        simulator.terminate()
        simulator.wait(15)
        simulator.stdout.close()


@contextlib.contextmanager
def attacked_shop(folder: Path, *options: str, umask: int = -1) -> Iterator[AttackedShop]:
    """A service started with ``run --shop``; whatever it says goes to a file."""
    data, log = folder / "data", folder / "service.log"
    with simulated_bench(folder) as (bench, control):
        run = ["run", "--shop", "--bench", str(bench), "--data", str(data), "--port", "0"]
        service = WarmService([*run, *options], log, umask=umask)
        try:
            url = until(lambda: json.loads((data / "web.json").read_text())["url"], "it has an address")
            port = int(url.rsplit(":", 1)[1])
            with (
                httpx.Client(base_url=url, timeout=30) as web,
                httpx.Client(base_url=control, timeout=90) as hand,
            ):
                until(lambda: web.get("/health").status_code in {200, 401, 503}, "it answers")
                yield AttackedShop(web, hand, data, port, network_address(port), log, service)
        finally:
            service.terminate()
            service.wait(15)


def answering_address(port: int) -> str | None:
    """An address of this machine on the network at which somebody answers now; `None` where nobody does."""
    for one in sorted(own_ip_addresses(), key=lambda ip: ip.version):
        with contextlib.suppress(OSError), socket.create_connection((str(one), port), timeout=2):
            return str(one)
    return None


def network_address(port: int) -> str:
    """An address of this machine that is not this machine's own: callers through it are on the network."""
    far = answering_address(port)
    if far is not None:
        return far
    pytest.skip("this machine has no network address: callers on the network cannot be had here")


def begin_job(shop: AttackedShop, reference: str = "Stall 4") -> int:
    """An engine, a card and a job of them; gives the job's number."""
    engine = shop.bench.post("/api/engines", json={"layout": "twin cam", "engine": TARN})
    assert engine.status_code == 201, engine.text
    card = shop.bench.post("/api/cards", json={"card": WHINFELL})
    assert card.status_code == 201, card.text
    body = {"reference": reference, "engine_id": engine.json()["id"], "card_id": card.json()["id"]}
    job = shop.bench.post("/api/jobs", json=body | {"builder": "Ida"})
    assert job.status_code == 201, job.text
    return int(job.json()["id"])

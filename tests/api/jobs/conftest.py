"""A real bench for whole jobs: simulated instruments on ptys, capture and web service as processes, and a
builder who does what the guide says, with the hands of the simulated bench."""

from __future__ import annotations

import contextlib
import json
import math
import os
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from bench_time import all_heard, environment, ports_open
from warm import WarmService

import api.host

Fields = dict[str, Any]
STARTS_WITHIN_S = 120.0
USUAL_HZ, SELDOM_HZ = 200.0, 100.0
"""Lines a second of an encoder. A bench with a time of its own waits for each; a job needs no more of them."""


@dataclass
class OverHttpx:
    """Asks a client; whatever is refused fails the test."""

    client: httpx.Client

    def get(self, path: str) -> Any:
        return self._answer(self.client.get(path))

    def post(self, path: str, body: Any = None) -> Any:
        return self._answer(self.client.post(path, json=body))

    @staticmethod
    def _answer(response: httpx.Response) -> Any:
        assert response.status_code < 300, f"{response.request.url}: {response.text}"
        return response.json() if response.content else None


class Builder(api.host.Builder):
    """The demo's builder, who in a time of the bench's own hears all of it and is refused nothing."""

    def __init__(
        self, shop: httpx.Client, bench: httpx.Client, gauge: str, links: Path, *, own_time: bool
    ) -> None:
        super().__init__(OverHttpx(shop), OverHttpx(bench), gauge, waits_s=60.0, lobe_turns=((2.1, 90.0),))
        self.shop, self.bench, self.links, self.own_time = shop, bench, links, own_time

    def all_heard(self) -> None:
        if self.own_time:
            all_heard(self.links, self.get)

    def truth(self, drop_mm: float = 1.27) -> Fields:
        return dict(self.simulator.get(f"/truth?drop_mm={drop_mm}"))

    def press_for_a_number(self) -> None:
        """Finish: on a bench with a time of its own nothing is refused because this machine was busy."""
        super().press_for_a_number()
        if not self.own_time:
            return
        newest = max(self.get("/api/measurements")["measurements"], key=lambda one: int(one["id"]))
        assert newest["state"] != "refused", newest["sentence"]

    def correct(self, cam: str) -> None:
        """Valve to piston where a large move asks for it, then one guided move."""
        self.find_room()
        super().correct(cam)

    def find_room(self) -> None:
        """Valve to piston, where it is asked for before a large move; ample."""
        while (now := self.job()["now"]).startswith("room."):
            step = next(one for one in self.job()["steps"] if one["id"] == now)
            for lobe in step["lobes"]:
                at_deg = 10 if lobe["valve"] == "inlet" else -10
                entry = {"valve": lobe["valve"], "drop_mm": 6.0, "at_deg": at_deg}
                self.post(f"/api/jobs/{self.job_id}/drops", entry)


@dataclass
class RunningShop:
    """The processes of one shop, and where they can be asked."""

    url: str
    bench_url: str
    links: Path
    data: Path
    scenario: Fields


def _text(value: Any) -> str:
    return json.dumps(value)


def write_scenario(
    path: Path,
    like: str,
    seed: int,
    late_deg: dict[str, float],
    edit: Callable[[Fields], None] | None = None,
    *,
    rate_hz: float = SELDOM_HZ,
    **changes: Fields,
) -> None:
    """Write an example scenario with other numbers: seed, cams, tables changed by name, or edited as a whole."""
    import simulated_devices

    text = (Path(simulated_devices.__file__).parent / "scenarios" / f"{like}.toml").read_text()
    tables = tomllib.loads(text)
    tables["seed"] = seed
    tables["encoder"]["rate_hz"] = rate_hz
    if edit is not None:
        edit(tables)
    for cam in tables["cam"]:
        cam["late_deg"] = late_deg[cam["name"]]
    for name, change in changes.items():
        tables[name] |= change
    tables.pop("script", None)
    path.write_text("\n".join(_lines(tables)) + "\n")


def _lines(tables: Fields, head: str = "") -> Iterator[str]:
    """TOML of plain tables, as far as scenarios go."""
    plain = {name: value for name, value in tables.items() if not _is_table(value)}
    for name, value in plain.items():
        yield f"{name} = {_text(value)}"
    for name, value in tables.items():
        where = f"{head}{name}"
        if isinstance(value, dict):
            yield f"[{where}]"
            yield from _lines(value, f"{where}.")
        elif _is_table(value):
            for one in value:
                yield f"[[{where}]]"
                yield from _lines(one, f"{where}.")


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and bool(value) and isinstance(value[0], dict))


@contextlib.contextmanager
def running_shop(folder: Path, scenario: Path, *, own_time: bool = True) -> Iterator[RunningShop]:
    """Start the simulated bench and the service on top of it; end them in good order.

    Both are in the bench's own time, which goes on only while the hand is waited for, or in this machine's.
    """
    links, data, bench_file = folder / "links", folder / "data", folder / "bench.toml"
    links.mkdir()
    clock = folder / "clock"
    env = environment(clock) if own_time else dict(os.environ)
    simulator = subprocess.Popen(
        [
            *(sys.executable, "-m", "simulated_devices", "--scenario", scenario, "--links", links),
            *("--control", "127.0.0.1:0", "--bench-file", bench_file),
        ],
        stdout=subprocess.PIPE,
        text=True,
        env=env,
    )
    service: WarmService | None = None
    try:
        assert simulator.stdout is not None
        bench_url = simulator.stdout.readline().rsplit(" ", 1)[1].strip()
        run = ["run", "--bench", str(bench_file), "--data", str(data), "--port", "0"]
        service = WarmService(run, folder / "service.log", env)
        url = _address(data / "web.json", service)
        if own_time:
            ports_open(clock, len(list(links.glob("*.journal"))))
        yield RunningShop(url, bench_url, links, data, tomllib.loads(scenario.read_text()))
    finally:
        _end(service)
        _end(simulator)
        if simulator.stdout is not None:
            simulator.stdout.close()


def _address(file: Path, service: WarmService) -> str:
    latest_s = time.monotonic() + STARTS_WITHIN_S
    while time.monotonic() < latest_s:
        assert service.poll() is None, "the service ended at once; see service.log"
        with contextlib.suppress(OSError, ValueError):
            url = json.loads(file.read_text())["url"]
            with contextlib.suppress(httpx.HTTPError):
                if httpx.get(f"{url}/api/health").json()["bench"]["capture_alive"]:
                    return str(url)
        time.sleep(0.1)
    raise AssertionError("the service did not begin to read the bench")


def _end(process: subprocess.Popen[str] | WarmService | None) -> None:
    if process is None:
        return
    process.terminate()
    try:
        process.wait(15)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Callable[..., tuple[RunningShop, Builder]]]:
    """Start a shop on a scenario like one of the examples, with a builder in it."""
    with contextlib.ExitStack() as stack:

        def start(
            like: str,
            seed: int,
            late_deg: dict[str, float],
            *,
            own_time: bool = True,
            edit: Callable[[Fields], None] | None = None,
            **changes: Fields,
        ) -> Any:
            folder = tmp_path / f"shop{seed}"
            folder.mkdir()
            rate_hz = SELDOM_HZ if own_time else USUAL_HZ
            write_scenario(folder / "scenario.toml", like, seed, late_deg, edit, rate_hz=rate_hz, **changes)
            running = stack.enter_context(running_shop(folder, folder / "scenario.toml", own_time=own_time))
            clients = [
                stack.enter_context(httpx.Client(base_url=url, timeout=90.0))
                for url in (running.url, running.bench_url)
            ]
            gauge = running.scenario["gauge"][0]["name"]
            return running, Builder(*clients, gauge=gauge, links=running.links, own_time=own_time)

        yield start


def nearest(angle_deg: float, cycle_deg: float = 720.0) -> float:
    return math.remainder(angle_deg, cycle_deg)

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
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest
from bench_time import GAUGE_BELIEVED_S, all_heard, environment, ports_open
from waiting import LOBEWRIGHT

Fields = dict[str, Any]
STARTS_WITHIN_S = 120.0


GAUGE_SITS_S = 1.0  # while it is carried over it hangs free and reads its end stop: no one presses start then


@dataclass
class Builder:
    """Stands at the simulated bench and follows the guide of a job, over HTTP alone."""

    shop: httpx.Client
    bench: httpx.Client
    gauge: str
    links: Path
    own_time: bool = True
    job_id: int = 0
    way: dict[str, str] = field(default_factory=dict)
    torque_shift_deg: dict[str, list[float]] = field(default_factory=dict)
    clumsy_deg: float = 0.15
    lobe_speed_deg_s: float = 90.0
    log: list[str] = field(default_factory=list)

    # -- asking and telling

    def get(self, path: str) -> Any:
        return self._answer(self.shop.get(path))

    def post(self, path: str, body: Fields | None = None) -> Any:
        return self._answer(self.shop.post(path, json=body))

    @staticmethod
    def _answer(response: httpx.Response) -> Any:
        assert response.status_code < 300, f"{response.request.url}: {response.text}"
        return response.json() if response.content else None

    def job(self) -> Fields:
        view: Fields = self.get(f"/api/jobs/{self.job_id}")
        return view

    def fact(self, **what: Any) -> Fields:
        added: Fields = self.post(f"/api/jobs/{self.job_id}/facts", {"what": what})
        return added

    def guide(self) -> Fields:
        guide: Fields = self.get("/api/bench")["guide"]
        return guide

    def press(self) -> Fields:
        """Press the one large button, as the guide shows it."""
        guide = self.guide_with_a_button()
        self.log.append(f"{guide['step']}: {guide['sentence']} [{guide['button']}]")
        pressed: Fields = self.post(guide["action"])
        return pressed

    def guide_with_a_button(self, longest_s: float = 8.0) -> Fields:
        latest_s = time.monotonic() + longest_s
        while not (guide := self.guide())["action"]:
            assert time.monotonic() < latest_s, guide
            time.sleep(0.05)
        return guide

    # -- hands

    def hand(self, *moves: Fields, wait_s: float = 60.0) -> Fields:
        rest = {"do": "hold", "seconds": GAUGE_BELIEVED_S}
        body = {"moves": [*moves, rest], "wait_s": wait_s}
        state: Fields = self._answer(self.bench.post("/hand", json=body))
        assert state["done"], "the hand did not come to rest"
        if self.own_time:
            all_heard(self.links, self.get)
        return state

    def touch(self, onto: str) -> None:
        self._answer(self.bench.post("/gauge", json={"gauge": self.gauge, "onto": onto}))
        self.wait(GAUGE_SITS_S)

    def wait(self, seconds: float) -> None:
        """Let so much time pass at the bench, the hand holding still."""
        self.hand({"do": "hold", "seconds": seconds})

    def pulley(self, cam: str, do: str, **more: Any) -> Fields:
        state: Fields = self._answer(self.bench.post("/pulley", json={"cam": cam, "do": do, **more}))
        if self.own_time:
            all_heard(self.links, self.get)
        return state

    def truth(self, drop_mm: float = 1.27) -> Fields:
        return dict(self._answer(self.bench.get("/truth", params={"drop_mm": drop_mm})))

    # -- measuring

    def bench_check(self) -> None:
        self.touch("piston_1")
        self.press()
        self.hand({"do": "hold", "seconds": 0.5}, {"do": "turns", "count": 2.3, "speed_deg_s": 60})
        self.press_for_a_number()

    def press_for_a_number(self) -> None:
        """Finish: on a bench with a time of its own nothing is refused because this machine was busy."""
        self.press()
        if not self.own_time:
            return
        newest = max(self.get("/api/measurements")["measurements"], key=lambda one: int(one["id"]))
        assert newest["state"] != "refused", newest["sentence"]

    def tdc(self) -> None:
        self.touch("piston_1")
        self.press()
        self.hand(
            {"do": "hold", "seconds": 0.4},
            {"do": "rock", "crank_deg": 0.0, "half_width_deg": 45.0, "times": 2, "speed_deg_s": 80},
            {"do": "hold", "seconds": 0.4},
        )
        self.press_for_a_number()

    def lobe(self, onto: str) -> None:
        """Measure a lobe, and again where the guide asks for it, because the verdict cannot be told yet."""
        self._lobe_once(onto)
        for _ in range(3):
            if self.guide_with_a_button()["button"] != "Measure again":
                return
            self._lobe_once(onto)

    def _lobe_once(self, onto: str) -> None:
        self.touch(onto)
        self.press()
        speed = self.lobe_speed_deg_s
        self.hand(
            {"do": "hold", "seconds": 0.4},
            {"do": "turns", "count": 2.1, "speed_deg_s": speed},
            {"do": "turn_by", "by_deg": -20.0, "speed_deg_s": speed},
            {"do": "hold", "seconds": 0.4},
        )
        self.press_for_a_number()

    def to_overlap(self) -> None:
        self.hand({"do": "turn_to", "crank_deg": 0.0, "way": "forward", "speed_deg_s": 90})
        self.press()

    # -- moving a cam

    def find_room(self) -> None:
        """Valve to piston, where it is asked for before a large move; ample."""
        while (now := self.job()["now"]).startswith("room."):
            step = next(one for one in self.job()["steps"] if one["id"] == now)
            for lobe in step["lobes"]:
                at_deg = 10 if lobe["valve"] == "inlet" else -10
                entry = {"valve": lobe["valve"], "drop_mm": 6.0, "at_deg": at_deg}
                self.post(f"/api/jobs/{self.job_id}/drops", entry)

    def correct(self, cam: str) -> None:
        """One guided move: held, slackened, moved until the guide is content, left there."""
        self.find_room()
        way = self.way.get(cam, "cam_turned")
        self.post(f"/api/jobs/{self.job_id}/way", {"way": way})
        guide = self.to_the_park()
        self.log.append(f"{guide['step']}: {guide['sentence']} [{guide['button']}]")
        self.pulley(cam, "slacken")
        self.press()
        self.turn_the_cam(cam) if way == "cam_turned" else self.turn_the_crank()
        self.press()
        self.pulley(cam, "tighten")

    def to_the_park(self) -> Fields:
        """Turn forward to where the guide wants the crank."""
        for _ in range(6):
            guide = self.guide()
            if guide["button"]:
                return guide
            go = guide["to_go_deg"]
            forward = go if go > 0 else go + 720.0
            if 0 > go > -40:  # a little past: back well beyond it, then forward again
                self.hand({"do": "turn_by", "by_deg": go - 30.0}, {"do": "turn_by", "by_deg": 30.0})
            else:
                self.hand({"do": "turn_by", "by_deg": forward, "speed_deg_s": 90})
            self.wait(0.3)
        raise AssertionError(self.guide())

    def turn_the_cam(self, cam: str) -> None:
        """Nudge the cam towards the gauge's target, now and then too far, as hands do."""
        self.settle()
        per_mm, last_mm = self._degrees_a_mm(cam), 0.0
        for _ in range(25):
            guide = self.settle()
            assert guide["tone"] != "fault", guide
            if guide["tone"] == "on_the_number":
                return
            if guide["to_go_mm"] * last_mm < 0:
                per_mm *= 0.6  # gone past it: more gently from here
            last_mm = guide["to_go_mm"]
            nudge = last_mm * per_mm
            self.pulley(
                cam, "turn_cam", by_deg=nudge, clumsy_deg=min(self.clumsy_deg, abs(nudge) / 3), wait_s=20
            )
        raise AssertionError(self.guide())

    def _degrees_a_mm(self, cam: str) -> float:
        """Try which way and how fast the gauge goes, as hands do."""
        before = self.settle()["to_go_mm"]
        for trial in (0.4, -0.8):
            self.pulley(cam, "turn_cam", by_deg=trial, wait_s=5)
            after = self.settle()["to_go_mm"]
            if abs(after - before) > 0.005:
                return trial / (before - after)
            before = after
        raise AssertionError("the gauge does not move with the cam")

    def turn_the_crank(self) -> None:
        for _ in range(25):
            guide = self.settle()
            assert guide["tone"] != "fault", guide
            if guide["tone"] == "on_the_number":
                return
            self.hand({"do": "turn_by", "by_deg": guide["to_go_deg"] * 0.98, "speed_deg_s": 20})
        raise AssertionError(self.guide())

    def settle(self) -> Fields:
        """Wait until the gauge, which lags, and the screens have caught up."""
        self.wait(0.45)
        return self.guide()

    def tighten_torque(self, cam: str) -> None:
        shifts = self.torque_shift_deg.get(cam, [])
        self.pulley(cam, "slacken")
        self.pulley(cam, "tighten", shift_deg=shifts.pop(0) if shifts else 0.0)


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


def write_scenario(path: Path, like: str, seed: int, late_deg: dict[str, float], **changes: Fields) -> None:
    """Write an example scenario with other numbers: seed, cams, and tables changed by name."""
    import simulated_devices

    text = (Path(simulated_devices.__file__).parent / "scenarios" / f"{like}.toml").read_text()
    tables = tomllib.loads(text)
    tables["seed"] = seed
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
    log = (folder / "service.log").open("w")
    service: subprocess.Popen[str] | None = None
    try:
        assert simulator.stdout is not None
        bench_url = simulator.stdout.readline().rsplit(" ", 1)[1].strip()
        command = [*LOBEWRIGHT, "run"]
        service = subprocess.Popen(
            [*command, "--bench", bench_file, "--data", data, "--port", "0"], stderr=log, text=True, env=env
        )
        url = _address(data / "web.json", service)
        if own_time:
            ports_open(clock, len(list(links.glob("*.journal"))))
        yield RunningShop(url, bench_url, links, data, tomllib.loads(scenario.read_text()))
    finally:
        _end(service)
        _end(simulator)
        log.close()
        if simulator.stdout is not None:
            simulator.stdout.close()


def _address(file: Path, service: subprocess.Popen[str]) -> str:
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


def _end(process: subprocess.Popen[str] | None) -> None:
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
            like: str, seed: int, late_deg: dict[str, float], *, own_time: bool = True, **changes: Fields
        ) -> Any:
            folder = tmp_path / f"shop{seed}"
            folder.mkdir()
            write_scenario(folder / "scenario.toml", like, seed, late_deg, **changes)
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

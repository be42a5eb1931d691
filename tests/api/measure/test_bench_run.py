"""The whole line, as processes: simulated instruments on ptys, capture, web service, a builder over HTTP."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from bench_time import environment, ports_open
from free_ports import free_port
from waiting import LOBEWRIGHT, until

from analysis.base import GaugeFacts, TdcSettings
from api.cli.gauges_of_trace import streams_of
from api.live.estimating import find
from api.records import read_trace
from capture.store import StreamReader
from simulated_devices.scenarios.scenario import SCENARIOS
from simulated_devices.wire.line import read_journal

Fields = dict[str, Any]
STEADY = {"speed_deg_s": 30.0}
MOST_LINES_BEFORE_OPENING = 1000
BEGIN = 50
"""Five seconds of the crank: so long a busy machine may take from opening a port to emptying it."""


# A shop knows the engine on its stand. Unsaid, its pin offset is rather more than most have, and pulls at TDC.
ENGINE = {"stroke_mm": 80.0, "rod_mm": 135.0, "pin_offset_mm": 0.8}
WITHOUT_POSIX = "without posix"


def demo_scenario(folder: Path) -> Path:
    """The demo's scenario, its second gauge made like the first, to measure two things at a time."""
    text = (SCENARIOS / "hollin_lane_twin_cam.toml").read_text()
    for was, now in (("rate_hz = 20.0", "rate_hz = 10.0"), ("lag_s = 0.095", "lag_s = 0.060")):
        assert text.count(was) == 1
        text = text.replace(was, now)
    assert "lag_s = 0.060\n" in text
    assert "step = 0.01\n" in text
    path = folder / "hollin_lane.toml"
    path.write_text(text)
    return path


@dataclass
class Shop:
    """Addresses of the pages and of the simulator, and what a builder does with them."""

    web: str
    control: str

    def hold(self, seconds: float) -> None:
        """Let so much time pass at the bench, the hand holding still."""
        assert self.bench("hand", {"moves": [{"do": "hold", "seconds": seconds}], "wait_s": 60})["done"]

    def get(self, path: str) -> Fields:
        return self._answered(httpx.get(self.web + path, timeout=30))

    def post(self, path: str, body: Fields | None = None) -> Fields:
        return self._answered(httpx.post(self.web + path, json=body or {}, timeout=60))

    def bench(self, command: str, body: Fields) -> Fields:
        return self._answered(httpx.post(f"{self.control}/{command}", json=body, timeout=120))

    def truth(self) -> Fields:
        return self._answered(httpx.get(f"{self.control}/truth", timeout=30))

    @staticmethod
    def _answered(answer: httpx.Response) -> Fields:
        assert answer.status_code < 300, answer.text
        fields: Fields = answer.json()
        return fields

    def alive(self) -> bool:
        channels = self.get("/api/bench")["health"]["channels"]
        return bool(channels) and all(one["state"] == "online" for one in channels)

    def measure(self, touches: dict[str, str], *moves: Fields, **asked: Any) -> dict[str, Fields]:
        """Set the gauges, start, turn the crank, finish; gives what each gauge measured.

        Where a busy machine held the lines up, the crank is turned again, as the refusal asks.
        """
        found = self._turned(touches, *moves, **asked)
        while any(_code(one) == "held_up" for one in found.values()):
            found = self._turned(touches, *moves, **asked)
        return found

    def _turned(self, touches: dict[str, str], *moves: Fields, **asked: Any) -> dict[str, Fields]:
        for gauge, onto in touches.items():
            self.bench("gauge", {"gauge": gauge, "onto": onto})
        self.hold(1.0)
        begun = {
            gauge: self.post("/api/measurements", {"touches": onto, "gauge": gauge, **asked})["id"]
            for gauge, onto in touches.items()
        }
        assert self.bench("hand", {"moves": [*moves], "wait_s": 100})["done"]
        self.hold(0.5)
        return {gauge: self.post(f"/api/measurements/{number}/finish") for gauge, number in begun.items()}


def _code(view: Fields) -> str | None:
    """Why a measurement was refused."""
    return (view["error"] or {}).get("code") if view["state"] != "finished" else None


def ended(process: subprocess.Popen[bytes], longest_s: float = 10.0) -> int:
    try:
        return process.wait(longest_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
        raise


def without_posix() -> dict[str, str]:
    """Surroundings in which Python starts without what only POSIX systems have."""
    own = [str(Path(__file__).parent / "without_posix"), os.environ.get("PYTHONPATH", "")]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, own))}


@pytest.fixture
def demo(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Shop]:
    """`lobewright demo` without its own hands, in a time of its own, which stands still while nobody waits for it.

    Where asked for, without all that only POSIX systems have, and then in the machine's time.
    """
    port, control = (
        free_port(),
        free_port(count=4),
    )  # without pseudo-terminals the instruments' ports come after it
    shop = Shop(f"http://127.0.0.1:{port}", f"http://127.0.0.1:{control}")
    options = ["--script", "none", "--port", str(port), "--control-port", str(control)]
    command = [*LOBEWRIGHT, "demo", *options, "--data", str(tmp_path / "data")]
    clock = tmp_path / "clock"
    bare = getattr(request, "param", "") == WITHOUT_POSIX
    around = without_posix() if bare else environment(clock)
    process = subprocess.Popen([*command, "--scenario", str(demo_scenario(tmp_path))], env=around)
    try:
        until(lambda: process.poll() is not None or shop.alive(), "the demo is up")
        facts = json.loads((tmp_path / "data" / "capture.json").read_text())
        assert ("socket" in facts) == (not bare), "where the feed listens"
        if not bare:
            ports_open(clock, 3)
        yield shop
    finally:
        process.send_signal(signal.SIGINT)
        ended(process)


def assert_close(found: dict[str, Fields], truths_deg: dict[str, float]) -> None:
    """Every number was told and is no further off its truth than three standard uncertainties (u95 is two)."""
    for gauge, one in found.items():
        assert one["state"] == "finished", one["error"]
        error_deg = abs(math.remainder(one["result"]["centre_deg"] - truths_deg[gauge], 360.0))
        assert error_deg <= 1.5 * one["result"]["u95_deg"], (
            gauge,
            one["result"],
            truths_deg,
        )


@pytest.mark.parametrize("demo", ["as here", WITHOUT_POSIX], indirect=True)
def test_the_demo_bench_finds_true_tdc_and_both_lobes_within_their_intervals(demo: Shop) -> None:
    rock = {"do": "rock", "crank_deg": 0.0, "half_width_deg": 45.0, "times": 2, **STEADY}
    found = demo.measure({"dial_a": "piston_1", "dial_b": "piston_4"}, rock, tdc=ENGINE)
    assert_close(found, dict.fromkeys(found, demo.truth()["tdc_encoder_deg"]))
    touches = {"dial_a": "inlet_1", "dial_b": "exhaust_1"}
    found = demo.measure(touches, {"do": "turns", "count": 2.0, **STEADY})
    lobes = demo.truth()["lobes"]
    assert_close(found, {gauge: lobes[on]["centre_atdc_deg"] for gauge, on in touches.items()})
    assert_the_trace_gives_the_same_number(demo, found["dial_a"])


def assert_the_trace_gives_the_same_number(shop: Shop, view: Fields) -> None:
    """The number on the screen, the one in the list, and the one computed again from the exported trace."""
    detail = shop.get(f"/api/measurements/{view['id']}")
    assert detail["result"] == view["result"]
    assert detail["settings"]["tdc_from"] is not None
    assert detail["facts"]["lag_from"] is not None
    trace = shop.get(f"/api/measurements/{view['id']}/trace?max_points=400")
    assert len(trace["gauge_mm"]) <= 400
    assert max(trace["gauge_mm"]) - min(trace["gauge_mm"]) > 8
    assert len(trace["curve"]["crank_deg"]) > 100


@pytest.fixture
def links(tmp_path: Path) -> Iterator[tuple[Path, str]]:
    """The simulator alone: its links and its address; nothing is stated of its encoder, as on many a bench."""
    folder = tmp_path / "links"
    options = [
        "--links",
        str(folder),
        "--control",
        "127.0.0.1:0",
        "--bench-file",
        str(tmp_path / "bench.toml"),
    ]
    process = subprocess.Popen(
        [sys.executable, "-m", "simulated_devices", "--scenario", str(demo_scenario(tmp_path)), *options],
        stdout=subprocess.PIPE,
    )
    assert process.stdout is not None
    with process.stdout as told:
        address = told.readline().decode().rsplit(" ", 1)[1].strip()
        bench = tmp_path / "bench.toml"
        bench.write_text(bench.read_text().replace("error_deg = 0.02\n", ""))
        try:
            yield folder, address
        finally:
            process.terminate()
            ended(process)


def start_run(tmp_path: Path) -> tuple[subprocess.Popen[bytes], str]:
    """Start `lobewright run` and wait until its pages answer."""
    web_file = tmp_path / "data" / "web.json"
    web_file.unlink(missing_ok=True)
    bench = ["--bench", str(tmp_path / "bench.toml"), "--data", str(tmp_path / "data")]
    process = subprocess.Popen([*LOBEWRIGHT, "run", *bench, "--port", "0"])
    address = str(until(lambda: json.loads(web_file.read_text())["url"], "the service says where it is"))
    until(lambda: httpx.get(f"{address}/api/latest"), "the service answers")
    return process, address


def stored_raw(data: Path, channel: str) -> np.ndarray:
    reader = StreamReader(data)
    run = reader.latest_run()
    assert run is not None
    return reader.read(run.id, channel).every_raw()


def journal_raw(journal: Path, upto_ns: int) -> list[int]:
    lines = [sent for stamp, sent, _ in read_journal(journal) if stamp <= upto_ns]
    return [int(sent.strip().replace(b".", b"").lstrip(b"B")) for sent in lines]


def test_a_killed_web_service_loses_no_line_and_its_measurement_finishes(
    tmp_path: Path, links: tuple[Path, str]
) -> None:
    folder, control = links
    process, address = start_run(tmp_path)
    shop = Shop(address, control)
    capture_pid = 0
    try:
        until(shop.alive, "the bench is alive")
        capture_pid = json.loads((tmp_path / "data" / "capture.json").read_text())["pid"]
        shop.bench("gauge", {"gauge": "dial_a", "onto": "piston_1"})
        shop.hold(1.0)
        number = shop.post("/api/measurements", {"touches": "piston_1", "gauge": "dial_a"})["id"]
        rock = {"do": "rock", "crank_deg": 0.0, "half_width_deg": 40.0, "times": 2, "speed_deg_s": 30.0}
        shop.bench("hand", {"moves": [rock]})
        time.sleep(5.0)
        process.kill()
        ended(process)
        os.kill(capture_pid, 0)
        time.sleep(1.0)
        process, shop.web = start_run(tmp_path)
        assert json.loads((tmp_path / "data" / "capture.json").read_text())["pid"] == capture_pid
        running = shop.get("/api/bench")["measurement"]
        assert (running["id"], running["state"]) == (number, "running")
        assert shop.bench("hand", {"wait_s": 60})["done"]
        time.sleep(0.5)
        finished = shop.post(f"/api/measurements/{number}/finish")
        upto_ns = time.monotonic_ns() - 200_000_000
        assert_within_its_own_interval_or_refused(shop, finished)
        assert_stored_equals_journal(tmp_path / "data", folder, upto_ns)
        if finished["result"] is not None:
            assert_export_measures_the_same(shop, number, finished["result"], tmp_path / "trace.csv")
    finally:
        process.terminate()
        assert ended(process) == 0
    until(lambda: not Path(f"/proc/{capture_pid}").exists(), "capture ended with the service", 5.0)
    assert not (tmp_path / "data" / "web.json").exists()


def assert_within_its_own_interval_or_refused(shop: Shop, ended: Fields) -> None:
    """In real time a busy machine may pace the bench unevenly: then the number says so itself, or is refused."""
    if ended["state"] == "refused":
        assert ended["sentence"].endswith("."), ended
        return
    error_deg = abs(math.remainder(ended["result"]["centre_deg"] - shop.truth()["tdc_encoder_deg"], 360.0))
    assert error_deg <= 1.5 * ended["result"]["u95_deg"], ended["result"]  # three standard uncertainties


def assert_stored_equals_journal(data: Path, folder: Path, upto_ns: int) -> None:
    """Every line that the pty took since the port was opened is stored, in order, but for the first.

    A machine under load may open the port some lines late: those that came before are told apart from a loss by
    standing at the very beginning. It may store some lines late as well, so the store is asked until it has them. A line
    that leapt because the port was full before it is not among them where a gap says so.
    """
    for channel in ("crank", "dial_a", "dial_b"):
        lines = journal_raw(folder / f"{channel}.journal", upto_ns)
        assert len(lines) > 50
        until(lambda name=channel, sent=lines: _holds(data, name, sent), f"{channel} is stored whole")


def _holds(data: Path, channel: str, lines: list[int]) -> bool:
    raw = stored_raw(data, channel).tolist()
    gaps = StreamReader(data).gaps(1, channel)
    told = sum(gap.lines or 0 for gap in gaps if gap.reason == "implausible")
    begins = (
        late for late in range(1, MOST_LINES_BEFORE_OPENING) if raw[:BEGIN] == lines[late : late + BEGIN]
    )
    return any(_lacks(lines[late:], raw) <= told for late in begins)


def _lacks(lines: list[int], raw: list[int]) -> int:
    """How many of the lines are not stored in their order; a port that is full takes no line, and the next leaps."""
    place = 0
    for line in lines:
        place += place < len(raw) and raw[place] == line
    return len(lines) - place


def assert_export_measures_the_same(shop: Shop, number: int, result: Fields, path: Path) -> None:
    """The exported trace holds the same readings: measured again it gives the very same number."""
    path.write_bytes(httpx.get(f"{shop.web}/api/measurements/{number}/trace.csv", timeout=30).content)
    kept = shop.get(f"/api/measurements/{number}")
    names = ("step_mm", "error_mm", "retrace_mm")
    known = GaugeFacts(**{name: kept["facts"][name] for name in names})
    settings = TdcSettings(encoder_error_deg=kept["settings"]["encoder_error_deg"])
    assert kept["settings"]["encoder_supposed"] is True, "the bench file states nothing of the encoder"
    again = find(streams_of(read_trace(path), None), settings, known)
    assert again.centre_deg == pytest.approx(result["centre_deg"], abs=1e-6)
    assert again.u95_deg == pytest.approx(result["u95_deg"], abs=1e-6)

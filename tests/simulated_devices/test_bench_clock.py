"""A bench that keeps its own time: it waits for whoever reads its lines, and for nobody's machine."""

from __future__ import annotations

import os
import select
import threading
import time
from itertools import pairwise

import pytest

from capture.base import PortProgress
from simulated_devices.live import LiveBench
from simulated_devices.machine import BENCH_CLOCK, BenchClock, SimulatorError, clock_asked_for
from simulated_devices.scenarios import load_scenario


@pytest.fixture
def still(tmp_path, monkeypatch):
    """A bench whose time stands still while nobody waits for it, and its clock."""
    monkeypatch.setenv(BENCH_CLOCK, str(tmp_path / "clock"))
    clock = BenchClock(tmp_path / "clock", pace=0.0)
    bench = LiveBench(load_scenario("hollin_lane_twin_cam"), tmp_path / "links", clock=clock)
    bench.start()
    yield bench, clock
    bench.stop()


def test_time_stands_still_until_somebody_waits_for_it(still):
    _, clock = still
    before = clock.now_ns()
    time.sleep(0.2)
    assert clock.now_ns() == before
    clock.sleep(5.0)
    assert 5.0 <= (clock.now_ns() - before) / 1e9 < 5.01


def test_time_does_not_pass_a_line_before_it_was_taken(still):
    """Whoever says that it reads a port has each line at the very time at which it was said."""
    bench, clock = still
    port = os.open(bench.links / "crank", os.O_RDONLY | os.O_NOCTTY)
    progress = PortProgress(str(bench.links / "crank"))
    progress.begin()
    waits = threading.Thread(target=clock.sleep, args=(0.5,))
    waits.start()
    began, stamps = clock.now_ns(), []
    while waits.is_alive() or select.select([port], [], [], 0)[0]:
        if select.select([port], [], [], 0.05)[0]:
            time.sleep(0.003)  # a slow reader
            before = clock.now_ns()
            chunk = os.read(port, 4096)
            stamps.append(before - began)
            assert chunk.count(b"\n") == 1, "one line at a time"
            progress.taken(len(chunk))
    waits.join()
    progress.end()
    os.close(port)
    steps = {round((after - before) / 1e6) for before, after in pairwise(stamps)}
    assert len(stamps) in {100, 101}
    assert steps == {5}, "200 lines a second, to the millisecond"


def test_a_bench_runs_the_same_twice(tmp_path):
    journals = []
    for name in ("first", "second"):
        clock = BenchClock(tmp_path / f"clock {name}", pace=0.0)
        bench = LiveBench(load_scenario("hollin_lane_twin_cam"), tmp_path / name, clock=clock)
        bench.start()
        ports = [os.open(bench.links / line, os.O_RDONLY | os.O_NOCTTY) for line in bench.lines]
        bench.script.start("tdc")
        assert bench.wait(2.0) is False
        bench.stop()
        journals.append([(bench.links / f"{line}.journal").read_text() for line in bench.lines])
        for port in ports:
            os.close(port)
    assert journals[0] == journals[1]
    assert all(len(journal.splitlines()) > 15 for journal in journals[0])


def test_what_is_no_pace_is_refused(tmp_path, monkeypatch):
    monkeypatch.setenv(BENCH_CLOCK, str(tmp_path))
    monkeypatch.setenv("LOBEWRIGHT_BENCH_PACE", "brisk")
    with pytest.raises(SimulatorError, match="is no pace"):
        clock_asked_for()

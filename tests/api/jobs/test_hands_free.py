"""Hands-free: measurements of a job begin and end by themselves, and nothing is kept that nobody meant."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from analysis.base import Streams
from api.host import begin_job, cam_of
from api.live import estimate
from api.store import MeasurementReader, ShopReader, StoredStreams

Fields = dict[str, Any]
TWIN_CAM = [("inlet", ["inlet"]), ("exhaust", ["exhaust"])]
LOOKS_WITHIN_S = 60.0
SAME_SHARE = 0.1
"""Of its interval: so near is a number that ended by itself to that of the same turns with buttons."""

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]


@dataclass
class HandsFree:
    """A builder who turns, sets the gauge, and presses nothing but questions; every press is counted."""

    builder: Any
    presses: list[str] = field(default_factory=list)
    turned: list[tuple[int, int]] = field(default_factory=list)

    def begin(self, tolerance_deg: float = 0.5) -> None:
        people = {"reference": "HL-1804", "builder": "Ida Thorne", "customer": "Merrick"}
        begin_job(self.builder, people, [cam_of(*cam) for cam in TWIN_CAM], tolerance_deg)

    def press(self, choice: str = "") -> None:
        """Press the large button, or a smaller one by the beginning of its words."""
        guide = self.builder.guide_with_a_button()
        label, action = guide["button"], guide["action"]
        if choice:
            one = next(one for one in guide["choices"] if one["label"].startswith(choice))
            label, action = one["label"], one["action"]
        self.presses.append(f"{guide['step']}: {label}")
        self.builder.post(action)

    def measurements(self) -> list[Fields]:
        every: list[Fields] = self.builder.get("/api/measurements?limit=1000")["measurements"]
        return every

    def turn(self, *moves: Fields) -> None:
        """Turn as a person would: rest, turn, rest; while nobody waits no time passes at the bench."""
        self.builder.hand({"do": "hold", "seconds": 0.8}, *moves)

    def until(self, over: Callable[[], bool], what: str) -> None:
        """Hold still until something is so."""
        latest_s = time.monotonic() + LOOKS_WITHIN_S
        while not over():
            assert time.monotonic() < latest_s, f"{what}: {self.builder.guide()}"
            self.builder.wait(0.5)
            time.sleep(0.2)

    def measured(self, onto: str, *moves: Fields) -> Fields:
        """Set the gauge, turn, hold still; give the measurement that began and ended meanwhile."""
        before = len(self.measurements())
        self.builder.touch(onto)
        self.turn(*moves)
        self.until(lambda: self._ended(before), f"the measurement on {onto} ends by itself")
        newest: Fields = max(self.measurements(), key=lambda one: int(one["id"]))
        assert newest["touches"] == onto
        assert newest["state"] == "finished", newest["sentence"]
        self.until(lambda: self.builder.job()["measurement"] is None, "it is taken in")
        return newest

    def _ended(self, before: int) -> bool:
        every = self.measurements()
        return len(every) > before and all(one["state"] != "running" for one in every)

    def bench_check(self) -> Fields:
        self.builder.touch("piston_1")
        self.press()
        return self.ended_after({"do": "turns", "count": 2.4, "speed_deg_s": 110})

    def ended_after(self, *moves: Fields) -> Fields:
        """What a question began ends by itself."""
        self.turn(*moves)
        self.until(lambda: self._ended(0), "it ends by itself")
        return max(self.measurements(), key=lambda one: int(one["id"]))

    def tdc(self) -> Fields:
        rock = {"do": "rock", "crank_deg": 0.0, "half_width_deg": 45.0, "times": 2, "speed_deg_s": 80}
        return self.measured("piston_1", rock)

    def lobe(self, onto: str) -> Fields:
        turns = [
            {"do": "turns", "count": 2.0, "speed_deg_s": 130},
            {"do": "turns", "count": 2.2, "speed_deg_s": 80},
        ]
        return self.measured(onto, *turns, {"do": "turn_by", "by_deg": -20.0, "speed_deg_s": 60})

    def to_the_lobes(self) -> None:
        self.bench_check()
        self.press()
        self.tdc()
        self.tdc()
        self.builder.hand({"do": "turn_to", "crank_deg": 0.0, "way": "forward", "speed_deg_s": 150})
        self.press()


def test_measurements_begin_and_end_by_themselves_in_a_job(shop: Callable[..., Any]) -> None:
    running, builder = shop("hollin_lane_twin_cam", 61, {"inlet": 3.0, "exhaust": -2.6})
    own = HandsFree(builder)
    own.begin()
    assert builder.guide()["hands_free"] is True
    own.to_the_lobes()
    found = own.lobe("inlet_1")
    assert found["begun_by_itself"]
    print(own.presses, [(one["touches"], one["begun_by_itself"], one["result"]["centre_deg"], one["result"]["u95_deg"]) for one in own.measurements()])

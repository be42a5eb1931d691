"""Hands-free outside a job: set a gauge on, turn, read the number; nothing is kept that nobody meant."""

from __future__ import annotations

import math
import random
import time
from collections.abc import Callable
from typing import Any

import httpx
import pytest

Fields = dict[str, Any]
OVER_THE_TOP = {"do": "rock", "crank_deg": 0.0, "half_width_deg": 45.0, "times": 2, "speed_deg_s": 80}
LOBE_TURNS = (
    {"do": "turns", "count": 2.0, "speed_deg_s": 130},
    {"do": "turns", "count": 2.2, "speed_deg_s": 80},
    {"do": "turn_by", "by_deg": -20.0, "speed_deg_s": 60},
)
LOOKS_WITHIN_S = 60.0
REACHES_S = 0.4
SEED = 71

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]


class AtTheBench:
    """A builder without a job, who turns, sets the gauge, and presses nothing but questions."""

    def __init__(self, builder: Any) -> None:
        self.builder = builder
        self.pressed: list[str] = []

    def guide(self) -> Fields:
        told: Fields = self.builder.get("/api/bench")["guide"]
        return told

    def measurements(self) -> list[Fields]:
        """Those of the gauge that is carried about; the bench has another, which stands on a valve."""
        every = self.builder.get("/api/measurements?limit=1000")["measurements"]
        return [one for one in every if one["gauge"] == self.builder.gauge]

    def running(self) -> bool:
        return any(one["state"] == "running" for one in self.measurements())

    def set_on(self, onto: str) -> None:
        self.builder.wait(REACHES_S)
        self.builder.touch(onto)

    def turn(self, *moves: Fields) -> None:
        self.builder.hand({"do": "hold", "seconds": 0.8}, *moves)

    def rest(self, seconds: float) -> None:
        """Hold still, and let the service hear all of it."""
        for _ in range(round(seconds / 0.5)):
            self.builder.wait(0.5)
            time.sleep(0.2)

    def until(self, over: Callable[[], bool], what: str) -> None:
        latest_s = time.monotonic() + LOOKS_WITHIN_S
        while not over():
            assert time.monotonic() < latest_s, f"{what}: {self.guide()}, {self.measurements()}"
            self.rest(0.5)

    def measured(self, onto: str, *moves: Fields) -> Fields:
        """Set the gauge, turn, hold still; give the measurement that began and ended meanwhile."""
        before = len(self.measurements())
        self.set_on(onto)
        self.turn(*moves)
        self.until(lambda: len(self.measurements()) > before and not self.running(), f"{onto} is measured")
        newest: Fields = max(self.measurements(), key=lambda one: int(one["id"]))
        assert newest["state"] == "finished", newest["sentence"]
        assert newest["begun_by_itself"]
        return newest

    def offered(self) -> list[str]:
        """What can be pressed; nothing said stands for the large button, whatever it says."""
        guide = self.guide()
        return ["", guide["button"], *(one["label"] for one in guide["choices"])]

    def press(self, label: str = "") -> None:
        """Press the large button, or a smaller one by its label."""
        self.until(lambda: label in self.offered(), f"there is a button {label!r}")
        guide = self.guide()
        found = [one for one in guide["choices"] if one["label"] == label]
        self.pressed.append(label or guide["button"])
        self.builder.post(found[0]["action"] if found else guide["action"])

    def of(self, number: int) -> Fields:
        told: Fields = self.builder.get(f"/api/measurements/{number}")
        return told


@pytest.fixture
def bench(shop: Callable[..., Any]) -> AtTheBench:
    _, builder = shop("hollin_lane_twin_cam", SEED, {"inlet": 3.0, "exhaust": -2.6})
    return AtTheBench(builder)


def test_true_tdc_and_both_lobes_cost_one_question_each(bench: AtTheBench) -> None:
    truth = bench.builder.truth()
    bench.until(lambda: "it begins by itself" in bench.guide()["sentence"], "the bench is read")
    bench.set_on("inlet_1")
    bench.turn({"do": "turns", "count": 2.2, "speed_deg_s": 120})
    bench.until(lambda: "This moves like a valve" in bench.guide()["sentence"], "the piston comes first")
    assert "the gauge on piston 1 first" in bench.guide()["sentence"]
    assert bench.measurements() == []

    tdc = bench.measured("piston_1", OVER_THE_TOP)
    off_deg = math.remainder(tdc["result"]["centre_deg"] - truth["tdc_encoder_deg"], 360.0)
    assert abs(off_deg) <= 1.5 * tdc["result"]["u95_deg"]
    assert (tdc["touches"], tdc["job_id"]) == ("piston_1", None)

    for valve in ("inlet", "exhaust"):
        lobe = bench.measured(f"{valve}_1", *LOBE_TURNS)
        assert lobe["touches"] == "valve_1", "which valve it is was not told, and is not guessed"
        assert bench.of(lobe["id"])["settings"]["tdc_from"] == tdc["id"]
        off_deg = math.remainder(
            lobe["result"]["centre_deg"] - truth["lobes"][f"{valve}_1"]["centre_atdc_deg"], 360.0
        )
        assert abs(off_deg) <= 1.5 * lobe["result"]["u95_deg"]
        bench.until(lambda: bench.guide()["sentence"] == "Which valve was it?", "the question")
        assert bench.guide()["button"] == f"{valve.capitalize()} valve 1"
        bench.press()
        assert bench.of(lobe["id"])["touches"] == f"{valve}_1"
        bench.until(lambda: "?" not in bench.guide()["sentence"], "the question is answered")
    assert bench.pressed == ["Inlet valve 1", "Exhaust valve 1"]
    told = [event["code"] for event in bench.builder.get("/api/bench")["events"]]
    assert told.count("begun_by_itself") == told.count("ended_by_itself") == len(bench.measurements())


def test_what_is_said_to_be_the_other_valve_is_told_of_and_the_number_can_be_taken_back(
    bench: AtTheBench,
) -> None:
    bench.measured("piston_1", OVER_THE_TOP)
    lobe = bench.measured("inlet_1", *LOBE_TURNS)
    bench.press("Exhaust valve 1")
    bench.until(lambda: "Noses of exhaust valves stand before" in bench.guide()["why"], "it is told of")
    bench.press("Take the last number back")
    assert bench.of(lobe["id"])["state"] == "discarded"
    assert lobe["id"] not in [one["id"] for one in bench.measurements()]
    bench.turn(*LOBE_TURNS)
    bench.rest(8.0)
    assert len(bench.measurements()) == 1, (
        "what was taken back is not measured again until the gauge is set anew"
    )
    bench.set_on("piston_1")
    again = bench.measured("inlet_1", *LOBE_TURNS)
    bench.press("Inlet valve 1")
    assert bench.of(again["id"])["touches"] == "inlet_1"
    bench.until(lambda: bench.guide()["why"] == "", "nothing is doubted")


def test_a_number_stands_while_its_gauge_does_and_a_counter_that_begins_anew_wants_the_piston_again(
    bench: AtTheBench,
) -> None:
    bench.measured("piston_1", OVER_THE_TOP)
    bench.turn({"do": "turns", "count": 2.4, "speed_deg_s": 110})
    bench.rest(6.0)
    assert len(bench.measurements()) == 1, "the crank may be turned on, the number stands"
    bench.builder.simulator.post("/fault", {"kind": "reboot"})
    bench.rest(2.0)
    bench.set_on("inlet_1")
    bench.turn({"do": "turns", "count": 2.4, "speed_deg_s": 110})
    bench.until(lambda: "piston 1 first" in bench.guide()["sentence"], "the piston comes first again")
    assert len(bench.measurements()) == 1


def test_tinkering_keeps_nothing_and_a_switch_leaves_it_to_buttons(bench: AtTheBench) -> None:
    bench.measured("piston_1", OVER_THE_TOP)
    chance = random.Random(SEED)
    for onto in chance.sample(["piston_1", "inlet_1", "exhaust_1"], 3):
        bench.set_on(onto)
        bench.turn({"do": "turn_by", "by_deg": 20.0, "speed_deg_s": 60}, {"do": "turn_by", "by_deg": -20.0})
    bench.set_on("piston_1")
    bench.turn({"do": "rock", "crank_deg": 0.0, "half_width_deg": 40.0, "times": 1, "speed_deg_s": 70})
    bench.set_on("exhaust_1")
    bench.turn({"do": "turns", "count": 1.4, "speed_deg_s": 120})
    bench.set_on("inlet_1")
    bench.rest(8.0)
    assert len(bench.measurements()) == 1, bench.measurements()

    bench.builder.post("/api/bench/hands_free", {"on": False})
    assert not bench.guide()["hands_free"]
    bench.turn(*LOBE_TURNS)
    bench.rest(8.0)
    assert len(bench.measurements()) == 1


def test_a_press_goes_first_and_an_answer_counts_once(bench: AtTheBench) -> None:
    bench.set_on("piston_1")
    bench.turn({"do": "rock", "crank_deg": 0.0, "half_width_deg": 40.0, "times": 1, "speed_deg_s": 70})
    bench.until(bench.running, "it begins by itself")
    pressed = bench.builder.post("/api/measurements", {"touches": "piston_1", "gauge": bench.builder.gauge})
    bench.turn(OVER_THE_TOP)
    bench.rest(8.0)
    assert [one["id"] for one in bench.measurements()] == [pressed["id"]]
    assert bench.running(), "what was pressed for is ended by a press"
    bench.builder.post(f"/api/measurements/{pressed['id']}/finish")
    bench.measured("inlet_1", *LOBE_TURNS)
    action = bench.guide()["action"]
    bench.builder.post(action)
    with pytest.raises(AssertionError, match="pressed_already"):
        bench.builder.post(action)
    with pytest.raises(AssertionError, match="nothing_to_press"):
        bench.builder.post("/api/bench/press")
    assert isinstance(bench.builder.shop, httpx.Client)

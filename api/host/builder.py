"""A builder at the simulated bench who does a job: reads the guide, does as it says, presses its one button.

Everything over HTTP, as any other program would: the guide from the service, the hands from the simulator.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from api.host.asking_json import Asking

Fields = dict[str, Any]
GAUGE_BELIEVED_S = 0.3
"""Rest after a move: a gauge that leapt at its very end is believed with the next reading."""
GAUGE_SITS_S = 1.0
"""While it is carried over it hangs free and reads its end stop: no one presses start then."""
SETTLE_S = 0.45
TURNS_AS_SAID = 4.0
BACK_DEG, BACK_DEG_S, MOST_TIMES_BACK = 30.0, 90.0, 15
SLOWLY_DEG_S, MOST_TIMES_ON = 60.0, 2
CARRY_DEG_S = 150.0
"""How fast the crank is turned to where the next thing is done."""
LOOK_S = 0.1
BUTTON_WITHIN_S = 20.0
NUDGES = 25
STANDS_DEG = 2.0
"""So near to its angle the guide lets the crank be held."""
PART = re.compile(r"\bon (?:the )?(piston|inlet|exhaust)(?: (?:valve|follower) of cylinder)? (\w+)")


class BuilderGaveUp(Exception):  # the bench is not in a state that the guide leads out of
    """The builder cannot go on; the sentence says why."""


class HandedOver(Exception):
    """A visitor has the crank."""


@dataclass
class Builder:
    """Stands at the simulated bench and follows the guide of a job, over HTTP alone.

    Attributes
    ----------
    service, simulator
        Where the guide is, and the hands.
    gauge
        The one gauge used, by name.
    way
        How a cam is moved, by cam; the cam turned unless said.
    torque_shift_deg
        By cam, how far each tightening turns it.
    clumsy_deg
        How far off a nudge may be.
    lobe_turns
        How a lobe is turned through: so many turns, at so many degrees a second; four in all, as the guide says.
    stopped
        Set where the pages are about to end.
    """

    service: Asking
    simulator: Asking
    gauge: str
    job_id: int = 0
    way: dict[str, str] = field(default_factory=dict)
    torque_shift_deg: dict[str, list[float]] = field(default_factory=dict)
    clumsy_deg: float = 0.15
    lobe_turns: tuple[tuple[float, float], ...] = ((2.0, 190.0), (2.1, 130.0))
    waits_s: float = 1.0
    log: list[str] = field(default_factory=list)
    stopped: threading.Event = field(default_factory=threading.Event)

    # -- asking and telling

    def get(self, path: str) -> Any:
        """Ask the service."""
        return self.service.get(path)

    def post(self, path: str, body: Fields | None = None) -> Any:
        """Tell the service."""
        return self.service.post(path, body)

    def job(self) -> Fields:
        """Give the job as it stands."""
        view: Fields = self.get(f"/api/jobs/{self.job_id}")
        return view

    def fact(self, **what: Any) -> Fields:
        """Add something that happened."""
        added: Fields = self.post(f"/api/jobs/{self.job_id}/facts", {"what": what})
        return added

    def guide(self) -> Fields:
        """Give the guide as every screen shows it."""
        guide: Fields = self.get("/api/bench")["guide"]
        return guide

    def press(self) -> Fields:
        """Press the one large button, as the guide shows it."""
        guide = self.guide_with_a_button()
        self.note(guide)
        pressed: Fields = self.post(guide["action"])
        return pressed

    def note(self, guide: Fields) -> None:
        """Keep, and say at the bench, what the guide asked for."""
        self.log.append(f"{guide['step']}: {guide['sentence']} [{guide['button']}]")
        self._command("/builder", {"say": f"{guide['step']}: {guide['sentence']}"[:400]})

    def guide_with_a_button(self) -> Fields:
        """Wait until the guide's button does something."""
        latest_s = time.monotonic() + BUTTON_WITHIN_S
        while not (guide := self.guide())["action"]:
            if time.monotonic() > latest_s:
                raise BuilderGaveUp(f"{guide['step']}: {guide['sentence']} There is nothing to press.")
            self._heed(self.simulator.get("/state"))
            self.stopped.wait(LOOK_S / 2)
        return guide

    # -- hands

    def hand(self, *moves: Fields, wait_s: float = 120.0) -> Fields:
        """Turn the crank, and come to rest."""
        rest = {"do": "hold", "seconds": GAUGE_BELIEVED_S}
        state = self._command("/hand", {"moves": [*moves, rest], "wait_s": self.waits_s})
        latest_s = time.monotonic() + wait_s
        while not state["done"]:
            if time.monotonic() > latest_s:
                raise BuilderGaveUp("the hand did not come to rest")
            latest_s += self._heed(state)
            state = self._command("/hand", {"wait_s": self.waits_s})
        self.all_heard()
        return state

    def _command(self, path: str, body: Fields) -> Fields:
        """Do something at the bench, unless a visitor wants the crank, or wants to look."""
        self._heed(self.simulator.get("/state"))
        try:
            state: Fields = self.simulator.post(path, body)
        except OSError:
            self._heed(self.simulator.get("/state"))
            raise
        return state

    def _heed(self, state: Fields) -> float:
        """Rest while a visitor paused, stand aside where he took over; give how long was rested."""
        began_s = time.monotonic()
        while not self.stopped.is_set() and state["builder"]["mode"] == "paused":
            self.stopped.wait(LOOK_S)
            state = self.simulator.get("/state")
        if self.stopped.is_set() or state["builder"]["mode"] == "visitor":
            raise HandedOver
        return time.monotonic() - began_s

    def all_heard(self) -> None:
        """Wait until the service knows all that the bench said; in this machine's time it does."""

    def touch(self, onto: str) -> None:
        """Set the gauge on a part, and let it sit; one that is there already is left alone."""
        if self.simulator.get("/state")["gauges"][self.gauge]["onto"] == onto:
            self.wait(SETTLE_S)
            return
        self._command("/gauge", {"gauge": self.gauge, "onto": onto})
        self.wait(GAUGE_SITS_S)

    def wait(self, seconds: float) -> None:
        """Let so much time pass at the bench, the hand holding still."""
        self.hand({"do": "hold", "seconds": seconds})

    def pulley(self, cam: str, do: str, **more: Any) -> Fields:
        """Slacken a pulley, turn its cam, or tighten it."""
        state = self._command("/pulley", {"cam": cam, "do": do, **more})
        self.all_heard()
        return state

    # -- measuring

    def bench_check(self) -> None:
        """Two turns forward with the gauge on the piston."""
        self.touch("piston_1")
        self.press()
        self.hand({"do": "hold", "seconds": 0.5}, {"do": "turns", "count": 2.3, "speed_deg_s": 110})
        self.press_for_a_number()

    def press_for_a_number(self) -> None:
        """Finish a measurement."""
        self.press()

    def tdc(self) -> None:
        """Rock the crank over the top of cylinder 1's piston."""
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
        self.lobe_once(onto)
        for _ in range(3):
            guide = self.guide_with_a_button()
            if guide["button"] != "Measure again":
                return
            self.lobe_once(part_in(guide["sentence"]) or onto)

    def lobe_once(self, onto: str) -> None:
        """Turn forward as often as is said, then back for as long as is said, the gauge on a valve.

        Who has turned as often as the words want goes by them, though the number may not be told yet; who is in a hurry
        waits to be told that it was enough.
        """
        self.touch(onto)
        self.press()
        turns = [{"do": "turns", "count": count, "speed_deg_s": speed} for count, speed in self.lobe_turns]
        self.hand({"do": "hold", "seconds": 0.4}, *turns)
        self.finish_lobe()

    def finish_lobe(self) -> None:
        """Turn on, and back, as long as the words want it of a lobe that was turned through; then finish."""
        as_said = sum(count for count, _ in self.lobe_turns) > TURNS_AS_SAID
        back = "back until the gauge has moved" if as_said else "turn back until the gauge has moved"
        times_on = 0
        for _ in range(MOST_TIMES_BACK):
            self.wait(SETTLE_S)
            words = self.guide()["sentence"]
            if words.startswith("Turn on, and more slowly") and times_on < MOST_TIMES_ON:
                times_on += 1
                self.hand({"do": "turns", "count": 2.0, "speed_deg_s": SLOWLY_DEG_S})
            elif back in words:
                self.hand({"do": "turn_by", "by_deg": -BACK_DEG, "speed_deg_s": BACK_DEG_S})
            else:
                break
        self.press_for_a_number()

    def to_overlap(self) -> None:
        """Turn until both valves of cylinder 1 rock, and say so."""
        self.hand({"do": "turn_to", "crank_deg": 0.0, "way": "forward", "speed_deg_s": CARRY_DEG_S})
        self.press()

    # -- moving a cam

    def correct(self, cam: str) -> None:
        """One guided move: held, slackened, moved until the guide is content, left there."""
        way = self.way.get(cam, "cam_turned")
        if self.guide()["target_mm"] is None:
            if way != "cam_turned":
                self.post(f"/api/jobs/{self.job_id}/way", {"way": way})
            self.hold_there(cam, way)
        self.turn_the_cam(cam) if way == "cam_turned" else self.turn_the_crank()
        self.press()
        self.pulley(cam, "tighten")

    def hold_there(self, cam: str, way: str = "cam_turned") -> None:
        """Hold the crank, or the cam, where the guide wants it, and slacken; hands-free the rest says that it is held."""
        guide = self.to_the_angle()
        self.note(guide)
        if not guide["hands_free"] or way != "cam_turned":
            self.pulley(cam, "slacken")
            self.press()
            return
        self.until(lambda guide: guide["target_mm"] is not None, "the crank is held")
        self.pulley(cam, "slacken")

    def until(self, over: Callable[[Fields], bool], what: str, longest_s: float = 30.0) -> Fields:
        """Hold still until the guide has gone on by itself."""
        latest_s = time.monotonic() + longest_s
        while not over(guide := self.guide()):
            if time.monotonic() > latest_s:
                raise BuilderGaveUp(f"{what}? {guide['step']}: {guide['sentence']}")
            self.wait(0.3)
            self.stopped.wait(LOOK_S)
        return guide

    def to_the_angle(self) -> Fields:
        """Turn forward to where the guide wants the crank."""
        for _ in range(6):
            guide = self.guide()
            there = guide["to_go_deg"] is not None and abs(guide["to_go_deg"]) <= STANDS_DEG
            if there or guide["target_mm"] is not None or guide["sentence"].startswith("Push"):
                return guide
            go = guide["to_go_deg"]
            if go is None:
                raise BuilderGaveUp(guide["sentence"])
            forward = go if go > 0 else go + 720.0
            if 0 > go > -40:  # a little past: back well beyond it, then forward again
                self.hand({"do": "turn_by", "by_deg": go - 30.0}, {"do": "turn_by", "by_deg": 30.0})
            else:
                self.hand({"do": "turn_by", "by_deg": forward, "speed_deg_s": CARRY_DEG_S})
            self.wait(0.3)
        raise BuilderGaveUp(self.guide()["sentence"])

    def turn_the_cam(self, cam: str) -> None:
        """Nudge the cam towards the gauge's target, now and then too far, as hands do."""
        self.settle()
        per_mm, last_mm = self._degrees_a_mm(cam), 0.0
        for _ in range(NUDGES):
            guide = self._content(self.settle())
            if guide["tone"] == "on_the_number":
                return
            if guide["to_go_mm"] * last_mm < 0:
                per_mm *= 0.6  # gone past it: more gently from here
            last_mm = guide["to_go_mm"]
            nudge = last_mm * per_mm
            clumsy_deg = min(self.clumsy_deg, abs(nudge) / 3)
            self.pulley(cam, "turn_cam", by_deg=nudge, clumsy_deg=clumsy_deg, wait_s=20)
        raise BuilderGaveUp(self.guide()["sentence"])

    def _degrees_a_mm(self, cam: str) -> float:
        """Try which way and how fast the gauge goes, as hands do."""
        before = self.settle()["to_go_mm"]
        for trial in (0.4, -0.8):
            self.pulley(cam, "turn_cam", by_deg=trial, wait_s=5)
            after = self.settle()["to_go_mm"]
            if abs(after - before) > 0.005:
                return float(trial / (before - after))
            before = after
        raise BuilderGaveUp("the gauge does not move with the cam")

    def turn_the_crank(self) -> None:
        """Turn the crank under a held cam until the guide is content."""
        for _ in range(NUDGES):
            guide = self._content(self.settle())
            if guide["tone"] == "on_the_number":
                return
            self.hand({"do": "turn_by", "by_deg": guide["to_go_deg"] * 0.98, "speed_deg_s": 20})
        raise BuilderGaveUp(self.guide()["sentence"])

    def settle(self) -> Fields:
        """Wait until the gauge, which lags, and the screens have caught up."""
        self.wait(SETTLE_S)
        return self.guide()

    @staticmethod
    def _content(guide: Fields) -> Fields:
        if guide["tone"] == "fault":
            raise BuilderGaveUp(guide["sentence"])
        return guide

    def tighten_torque(self, cam: str) -> None:
        """Torque the bolts, which may turn the cam."""
        shifts = self.torque_shift_deg.get(cam, [])
        self.pulley(cam, "slacken")
        self.pulley(cam, "tighten", shift_deg=shifts.pop(0) if shifts else 0.0)

    # -- valve to piston

    def push_a_valve(self) -> None:
        """Turn to the angle, push the valve on until it touches, let it come back."""
        valve = part_in(self.guide()["sentence"]) or "inlet_1"
        self.touch(valve)
        guide = self.to_the_angle()
        if not guide["hands_free"]:
            self.press()
        self.until(lambda guide: guide["sentence"].startswith("Push"), "the crank stands at its angle")
        self._command("/valve", {"valve": valve, "down": True})
        try:
            self.wait(GAUGE_SITS_S)
            self.press()
        finally:
            self.simulator.post("/valve", {"valve": valve, "down": False})
        self.wait(SETTLE_S)


def part_in(sentence: str) -> str:
    """Give the part that a sentence of the guide puts the gauge on, ``inlet_1``; empty where it names none."""
    found = PART.search(sentence)
    return "" if found is None else f"{found[1]}_{found[2].lower()}"

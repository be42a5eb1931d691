"""What hands do at the bench says what a press would, and nothing else does: pure, with a lobe drawn by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from analysis.job import job_state
from analysis.timing import (
    BenchChecked,
    Cam,
    CamCard,
    ClearanceNoted,
    Decided,
    Engine,
    Fact,
    Job,
    Lobe,
    LobeCard,
    LobeMeasured,
    Moved,
    Payload,
    StoredLift,
    StrokeFound,
    TdcMeasured,
    Tightened,
)
from api.guide import KnownLobe, Watch, deed
from api.guide.guidance import CrankNow, GaugeNow, GuideContext
from api.guide.job_guide import guidance_in

SIDE = LobeCard(108.0, 1.27, lift_mm=9.4, checking_clearance_mm=0.3)
JOB = Job(
    "HL-9",
    Engine(
        "Tarn 1.8",
        ("1", "2", "3", "4"),
        ("1", "3", "4", "2"),
        (Cam("inlet", ("inlet",)), Cam("exhaust", ("exhaust",))),
        stroke_mm=80.0,
    ),
    CamCard("Fell 248", "full_lift", SIDE, SIDE),
)
OVERLAP_DEG, NOSE_DEG, LATE_DEG, BASE_MM = 17.3, 111.0, 3.0, 2.0
FOUND: tuple[Payload, ...] = (
    BenchChecked(True, 360.0, ("valve",), (1,)),
    ClearanceNoted("1", "inlet", 0.3),
    ClearanceNoted("1", "exhaust", 0.3),
    TdcMeasured("1", OVERLAP_DEG, 0.03),
    TdcMeasured("1", OVERLAP_DEG, 0.03),
    StrokeFound(OVERLAP_DEG),
    LobeMeasured("1", "inlet", NOSE_DEG, 1.27, 0.1, "7", gauge="valve"),
)


def lift_mm(deg: float) -> float:
    """A lobe by hand: a squared cosine, 260 degrees wide, 9.4 mm high."""
    off = (deg - NOSE_DEG + 360.0) % 720.0 - 360.0
    return 9.4 * float(np.cos(np.radians(off * 90.0 / 130.0))) ** 2 if abs(off) < 130.0 else 0.0


class Hands:
    """A job whose inlet cam was found late, and hands that turn the crank and the cam; every deed is done at once."""

    def __init__(self, *facts: Payload) -> None:
        self.facts = [Fact(number, "", "Ida", what) for number, what in enumerate((*FOUND, *facts), 1)]
        self.stage = None
        self.crank_deg, self.cam_deg, self.gauge_off_mm = OVERLAP_DEG + 720.0, 0.0, 0.0
        self.done: list[str] = []
        deg = np.arange(0.0, 720.0, 0.5)
        curve = StoredLift(deg, np.array([lift_mm(one) for one in deg]))
        self.known = KnownLobe(Lobe("1", "inlet"), len(FOUND), "valve", curve, BASE_MM, 1, 1.5, 0.01, 0.1)

    def context(self) -> GuideContext:
        state, inlet = job_state(JOB, self.facts), self.known
        decided = Fact(len(self.facts) + 1, "", "Ida", Decided("inlet", "correct"))
        ahead = job_state(JOB, [*self.facts, decided])
        job_deg = self.crank_deg - OVERLAP_DEG
        reading = BASE_MM + lift_mm(job_deg - self.cam_deg) + self.gauge_off_mm
        return GuideContext(
            1,
            JOB,
            self.facts,
            state,
            ahead=ahead if state.now == "verdict.inlet" else None,
            stage=self.stage,
            crank=CrankNow(self.crank_deg, alive=True, taken_up=True),
            gauges={"valve": GaugeNow(round(reading, 2), alive=True)},
            lobes={"inlet": inlet, "inlet_1": inlet},
            watch=Watch(on=True),
        )

    def look(self) -> str:
        """Do what a deed at this moment says; give its name."""
        found = deed(self.context())
        if found is None:
            return ""
        self.done.append(found.name)
        for what, _ in found.action.facts:
            self.facts.append(Fact(len(self.facts) + 1, "", "Ida", what))
        if found.action.forget or found.action.stage is not None:
            self.stage = found.action.stage
        return found.name

    def to_the_park(self) -> None:
        go = guidance_in(self.context()).to_go_deg
        assert go is not None
        self.crank_deg += go % 720.0

    def kinds(self) -> list[type]:
        return [type(fact.what) for fact in self.facts[len(FOUND) :]]


def on_the_number() -> Hands:
    hands = Hands()
    hands.to_the_park()
    assert hands.look() == "held"
    hands.cam_deg = -LATE_DEG / 2
    assert hands.look() == "slackened"
    hands.cam_deg = -LATE_DEG
    assert hands.look() == "on_the_number"
    return hands


def test_from_out_to_nipped_up_no_press_is_made() -> None:
    hands = on_the_number()
    assert "Nip up, then turn on" in guidance_in(hands.context()).sentence
    hands.crank_deg += 10.0
    assert hands.look() == "", "a hand on the bar is no turning on"
    hands.crank_deg += 15.0
    assert hands.look() == "nipped"
    assert hands.kinds() == [Decided, Moved, Tightened]
    moved = hands.facts[-2].what
    assert isinstance(moved, Moved)
    assert moved.asked_deg == pytest.approx(-LATE_DEG)
    assert job_state(JOB, hands.facts).now == "nipped.inlet"
    assert hands.look() == ""


FORWARD = "turn forward four full turns and a little more, then back until the gauge has moved."


@pytest.mark.parametrize(
    ("facts", "said", "button"),
    [
        (
            (),
            f"Nip up the bolts of the inlet cam. Gauge on the inlet valve of cylinder 1. Press, and {FORWARD}",
            "Nipped up: start",
        ),
        (
            (Tightened("inlet", "nipped"), LobeMeasured("1", "inlet", 108.1, 1.27, 0.1)),
            "Torque and lock the bolts of the inlet cam as the engine maker says. Gauge on the inlet valve of "
            f"cylinder 1. Press, and {FORWARD}",
            "Torqued: start",
        ),
    ],
)
def test_a_spanner_a_press_and_the_crank_are_said_in_that_order(
    facts: tuple[Payload, ...], said: str, button: str
) -> None:
    hands = Hands(Decided("inlet", "correct"), Moved("inlet", "cam_turned", -LATE_DEG), *facts)
    told = guidance_in(hands.context())
    assert (told.sentence, told.button) == (said, button)


def told_after(count: int) -> tuple[str, str]:
    hands = Hands()
    hands.facts = hands.facts[:count]
    said = guidance_in(hands.context())
    return said.sentence, said.why


def test_how_the_crank_is_turned_is_said_once() -> None:
    sentence, why = told_after(0)
    assert "Press, and turn the crank forward" in sentence
    assert why == ""
    assert told_after(3)[1] == ""
    assert told_after(4)[1] != "", "that it is to be repeated is said nowhere else"
    sentence, why = told_after(len(FOUND) - 1)
    assert "four full turns" in sentence
    assert why == "Gauge in line with the stem on the retainer of inlet, cylinder 1."


def test_a_verdict_says_where_it_goes_on_and_still_offers_its_choices() -> None:
    said = guidance_in(Hands().context())
    assert said.told is not None
    assert said.told.call == "out"
    assert "Turn forward to" in said.sentence
    assert said.button.startswith("Move it")
    assert [one.label for one in said.options] == ["Leave it, with a reason", "Measure again"]
    hands = Hands()
    hands.to_the_park()
    hands.look()
    held = guidance_in(hands.context())
    assert held.sentence.startswith("Turn the cam")
    assert held.action is None, "nothing is left on its number before it was moved"
    assert [one.label for one in held.options] == ["Leave it, with a reason", "Measure again"]


def test_a_crank_that_is_turned_on_with_its_cam_moves_nothing() -> None:
    hands = Hands()
    hands.to_the_park()
    assert hands.look() == "held"
    hands.crank_deg += 12.0
    assert hands.look() == "let_go"
    assert hands.stage is None
    assert hands.kinds() == []


def test_a_cam_that_left_its_number_again_is_not_nipped_up_by_turning_on() -> None:
    hands = on_the_number()
    hands.cam_deg = -LATE_DEG + 0.8
    assert hands.look() == "off_again"
    hands.crank_deg += 60.0
    assert hands.look() == ""
    assert hands.kinds() == [Decided]


def _lifted(hands: Hands) -> None:
    hands.gauge_off_mm = -15.0


def _knocked(hands: Hands) -> None:
    hands.gauge_off_mm = 0.6


def _past_the_park(hands: Hands) -> None:
    hands.crank_deg += 30.0


@pytest.mark.parametrize("before", [_lifted, _knocked, _past_the_park])
def test_nothing_is_held_that_does_not_stand_on_its_curve_at_the_park(
    before: Callable[[Hands], None],
) -> None:
    hands = Hands()
    hands.to_the_park()
    before(hands)
    assert hands.look() == ""


def test_a_gauge_lifted_while_the_crank_is_held_decides_nothing() -> None:
    hands = Hands()
    hands.to_the_park()
    hands.look()
    _lifted(hands)
    assert hands.look() == ""
    assert hands.kinds() == []


def test_a_shop_that_wants_buttons_decides_by_buttons() -> None:
    hands = Hands()
    hands.to_the_park()
    assert deed(replace(hands.context(), watch=Watch(on=False))) is None


def test_what_was_done_by_itself_is_taken_back_one_by_one() -> None:
    hands = on_the_number()
    hands.crank_deg += 25.0
    hands.look()
    own = frozenset(fact.number for fact in hands.facts[len(FOUND) :])
    labels = []
    for _ in range(3):
        back = guidance_in(replace(hands.context(), by_itself=own)).options[-1]
        labels.append(back.label)
        hands.facts.append(Fact(len(hands.facts) + 1, "", "Ida", back.action.facts[0][0]))
        hands.stage = None
    assert labels == ["Take back: nipped up", "Take back: moved", "Take back: to be moved"]
    assert job_state(JOB, hands.facts).now == "verdict.inlet"

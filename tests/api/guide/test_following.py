"""What hands-free lets begin, asks and ends, at each step of a job; pure, from facts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

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
    LobeCard,
    LobeMeasured,
    Moved,
    Payload,
    StrokeFound,
    TdcMeasured,
    Tightened,
)
from analysis.touching import Touch
from api.base import MeasurementView
from api.guide import Wanted, Watch, ends_now, matching, question, wanted, zero_of
from api.guide.guidance import GuideContext
from api.guide.job_guide import guidance_in

CAMS = (Cam("inlet", ("inlet",)), Cam("exhaust", ("exhaust",)))
ENGINE = Engine("Tarn 1.8", ("1", "2", "3", "4"), ("1", "3", "4", "2"), CAMS, stroke_mm=80.0)
SIDE = LobeCard(108.0, 1.27, checking_clearance_mm=0.3)
JOB = Job("HL-9", ENGINE, CamCard("Fell 248", "full_lift", SIDE, SIDE))
CHECKED = BenchChecked(True, 360.0, ("valve",), (1,))
CLEARANCES = (ClearanceNoted("1", "inlet", 0.3), ClearanceNoted("1", "exhaust", 0.3))
ZERO = (TdcMeasured("1", 17.3, 0.03), TdcMeasured("1", 17.3, 0.03), StrokeFound(17.3))
INLET_OUT = LobeMeasured("1", "inlet", 112.0, 1.27, 0.1, "7", gauge="valve")
TO_NIP = (*ZERO, INLET_OUT, Decided("inlet", "correct"), Moved("inlet", "cam_turned", -4.0))


def after(*facts: Payload, **more: Any) -> GuideContext:
    listed = [Fact(number, "", "Ida", what) for number, what in enumerate((CHECKED, *CLEARANCES, *facts), 1)]
    return GuideContext(1, JOB, listed, job_state(JOB, listed), watch=Watch(on=True), **more)


def running(*, begun_by_itself: bool, ends_by_itself: bool = True) -> MeasurementView:
    return MeasurementView(
        id=9,
        job_id=1,
        what="tdc",
        touches="piston_1",
        gauge="valve",
        state="running",
        started_at="",
        result=None,
        sentence="",
        begun_by_itself=begun_by_itself,
        ends_by_itself=ends_by_itself,
    )


def parts(context: GuideContext) -> list[str]:
    return [one.part for one in wanted(context)]


def test_what_the_job_lets_be_measured_may_begin() -> None:
    assert parts(after()) == ["piston_1"]
    assert parts(after(*ZERO[:2])) == [], "which stroke it is is looked at, not measured"
    assert parts(after(*ZERO)) == ["inlet_1", "exhaust_1"], "either cam may come first"


def test_another_banks_own_top_is_measured_on_its_own_piston() -> None:
    names = ("A1", "B1", "A2", "B2")
    cams = tuple(Cam(f"{bank} cam", ("inlet", "exhaust"), (f"{bank}1", f"{bank}2")) for bank in "AB")
    job = replace(JOB, engine=Engine("Tarn vee", names, names, cams, stroke_mm=80.0))
    clear = [ClearanceNoted(f"{bank}1", valve, 0.3) for bank in "AB" for valve in ("inlet", "exhaust")]
    top = TdcMeasured("A1", 17.3, 0.03)
    noted = (CHECKED, *clear, top, top, StrokeFound(17.3))
    listed = [Fact(number, "", "Ida", what) for number, what in enumerate(noted, 1)]
    vee = GuideContext(1, job, listed, job_state(job, listed), watch=Watch(on=True))
    assert parts(vee)[0] == "piston_b1"


def test_nothing_begins_before_bolts_are_said_to_be_tight_again() -> None:
    loose = after(*TO_NIP)
    assert loose.step is not None
    assert loose.step.kind == "nipped"
    assert "inlet_1" not in parts(loose)
    assert "inlet_1" in parts(after(*TO_NIP, Tightened("inlet", "nipped")))


def test_a_gauge_measures_what_it_touches_where_the_job_lets_it() -> None:
    choice = wanted(after(*ZERO))
    touch = Touch("valve", "exhaust", 600.0, 800.0)
    assert matching(touch, choice) == Wanted("lobe.exhaust", "1", "exhaust")
    assert matching(Touch("piston", None, 17.0, 400.0), choice) is None
    assert matching(Touch("valve", None, 600.0, 800.0), choice) is None, (
        "which valve is not told: it is asked"
    )


@pytest.mark.parametrize(
    ("touch", "one", "asked"),
    [
        (
            Touch("valve", "inlet"),
            Wanted("true_tdc", "1", None),
            "This moves like a valve. Gauge on piston 1?",
        ),
        (
            Touch("piston"),
            Wanted("lobe.inlet", "1", "inlet"),
            "This moves like a piston. Gauge on the inlet valve of cylinder 1?",
        ),
        (
            Touch("valve", "exhaust"),
            Wanted("lobe.inlet", "1", "inlet"),
            "This moves like the exhaust valve. Gauge on the inlet valve of cylinder 1?",
        ),
        (Touch("piston"), Wanted("true_tdc", "1", None), ""),
        (Touch("not_yet"), Wanted("true_tdc", "1", None), ""),
        (Touch("by_hand"), Wanted("true_tdc", "1", None), ""),
    ],
)
def test_what_moves_like_something_else_is_asked_about_in_one_sentence(
    touch: Touch, one: Wanted, asked: str
) -> None:
    assert question(touch, one) == asked


def test_a_question_has_two_buttons() -> None:
    asked = Watch(True, "This moves like a valve. Gauge on piston 1?", "piston_1", "valve", 5)
    said = guidance_in(replace(after(), watch=asked))
    assert (said.sentence, said.button) == (asked.question, "Yes, on piston 1")
    assert [one.label for one in said.options] == ["No, I set it anew"]
    assert said.action is not None
    assert said.action.by_itself is not None
    assert said.action.by_itself.since_ns == 5


def test_a_measurement_ends_when_there_is_enough_and_the_crank_rests() -> None:
    own = after(measurement=running(begun_by_itself=True))
    assert not ends_now(own.measurement, "", 60.0), "rest alone ends nothing"
    assert not ends_now(own.measurement, "whole", 0.5)
    assert ends_now(own.measurement, "whole", 2.0)
    assert not ends_now(own.measurement, "far", 2.0), "a way back may still come"


def test_what_was_pressed_for_is_left_to_a_press() -> None:
    pressed = after(measurement=running(begun_by_itself=False, ends_by_itself=False))
    assert not ends_now(pressed.measurement, "whole", 600.0)
    asked = after(measurement=running(begun_by_itself=False))
    assert not ends_now(asked.measurement, "whole", 2.0)
    assert ends_now(asked.measurement, "whole", 6.0)


def test_what_began_by_itself_can_be_taken_back_until_something_else_is_done() -> None:
    context = after(ZERO[0])
    number = context.facts[-1].number
    labels = [one.label for one in guidance_in(replace(context, by_itself=frozenset({number}))).options]
    assert labels == ["Take the last number back"]
    assert not guidance_in(context).options


def test_noses_stand_by_the_card_and_beside_those_of_other_cylinders() -> None:
    zero = zero_of(after(*ZERO), "3")
    assert zero.overlap_tdc_deg == pytest.approx(17.3 + 180.0)
    assert dict(zero.nose_deg) == {"inlet": 108.0, "exhaust": -108.0}
    assert len(zero.other_noses_deg) == 6

"""What the bench says, begins, asks and ends where no job leads; pure."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.touching import Touch
from api.base import Centre, ChannelHealth, Health, MeasurementView
from api.guide import (
    BenchContext,
    Watch,
    bench_doubt,
    bench_enough,
    bench_guidance,
    bench_guide,
    bench_matching,
    bench_question,
)

CRANK = ChannelHealth(
    name="crank",
    quantity="crank",
    state="online",
    age_s=0.0,
    rate_hz=200.0,
    accepted=9,
    rejected=0,
    sentence="",
)
WELL = Health(channels=[CRANK], recorder=None, capture_alive=True, sentence="")
PASS = {"used": True}


def view(touches: str, state: str = "running", centre_deg: float | None = None) -> MeasurementView:
    return MeasurementView(
        id=4,
        job_id=None,
        what="tdc" if touches.startswith("piston") else "lobe",
        touches=touches,
        gauge="dial",
        state=state,  # type: ignore[arg-type]
        started_at="",
        result=None
        if centre_deg is None
        else {"centre_deg": centre_deg, "u95_deg": 0.1, "passes": [PASS] * 2},
        sentence="",
        begun_by_itself=True,
        ends_by_itself=True,
    )


def bench(measurement: MeasurementView | None = None, **more: Any) -> BenchContext:
    return BenchContext(WELL, measurement, **({"watch": Watch(True)} | more))


def centre(passes: int, u95_deg: float = 0.1, **more: Any) -> Centre:
    result = {"centre_deg": 20.0, "u95_deg": u95_deg, "passes": [PASS] * passes} | more
    return Centre(measurement_id=4, result=result)


def test_a_piston_is_measured_and_a_lobe_once_its_true_tdc_is_known() -> None:
    piston = bench_matching(bench(cylinder="3"), Touch("piston"))
    assert piston is not None
    assert piston.part == "piston_3"
    assert bench_matching(bench(), Touch("valve")) is None
    said = bench_question(bench(), Touch("valve"), "dial", 5)
    assert said is not None
    assert "the gauge on piston 1 first" in said.question
    assert not said.part, "there is nothing to press"
    lobe = bench_matching(bench(tdc_deg=40.0), Touch("valve", "inlet"))
    assert lobe is not None
    assert lobe.part == "valve_1", "whose lobe it is cannot be told, whatever its phase is like"


@pytest.mark.parametrize("kind", ["nothing", "by_hand", "not_yet", "unclear"])
def test_nothing_else_begins(kind: Any) -> None:
    assert bench_matching(bench(tdc_deg=40.0), Touch(kind)) is None


def test_what_cannot_be_told_is_asked_with_two_buttons() -> None:
    asked = bench_question(bench(), Touch("unclear"), "dial", 5)
    assert asked is not None
    said = bench_guidance(bench(watch=asked))
    assert said.sentence == "What the gauge touches cannot be told. Gauge on piston 1?"
    assert (said.button, [one.label for one in said.options]) == ("Yes, on piston 1", ["No, I set it anew"])
    assert said.action is not None
    assert (said.action.begin, said.action.gauge) == ("piston_1", "dial")


@pytest.mark.parametrize(
    ("centre_deg", "likely", "other"),
    [(109.0, "inlet", "exhaust"), (250.0, "exhaust", "inlet"), (612.0, "exhaust", "inlet")],
)
def test_which_valve_it_was_is_asked_the_likely_one_first(centre_deg: float, likely: str, other: str) -> None:
    said = bench_guidance(bench(view("valve_1", "finished", centre_deg)))
    assert said.sentence == "Which valve was it?"
    assert said.action is not None
    assert said.action.name == f"{likely}_1"
    assert [one.action.name for one in said.options] == [f"{other}_1", ""]
    assert said.options[-1].action.take_back


@pytest.mark.parametrize(
    ("touches", "centre_deg", "told"),
    [
        ("inlet_1", 109.0, False),
        ("exhaust_1", 610.0, False),
        ("inlet_1", 290.0, True),
        ("exhaust_1", 70.0, True),
    ],
)
def test_a_nose_on_the_wrong_side_of_tdc_for_its_valve_is_told_of(
    touches: str, centre_deg: float, told: bool
) -> None:
    assert ("another cylinder" in bench_guide(bench(view(touches, "finished", centre_deg))).why) is told


def test_enough_is_what_it_is_in_a_job() -> None:
    piston = view("piston_1")
    assert bench_enough(bench(piston, centre=centre(2))) == "", "rocked over once may be somebody trying it"
    assert bench_enough(bench(piston, centre=centre(4))) == "whole"
    assert bench_enough(bench(piston, centre=centre(4, 0.5))) == ""
    lobe = view("valve_1")
    assert bench_enough(bench(lobe, centre=centre(2), turned_deg=700.0)) == ""
    assert bench_enough(bench(lobe, centre=centre(2), turned_deg=1500.0)) == "far"
    assert bench_enough(bench(lobe, centre=centre(2, slack_deg=1.0), turned_deg=1500.0)) == "whole"
    assert bench_enough(bench(lobe, centre=centre(2, 1.4), turned_deg=1500.0)) == ""


def test_a_gauge_that_moves_like_something_else_is_asked_about() -> None:
    assert bench_doubt(view("piston_1"), Touch("valve")) == "This moves like a valve. Gauge on piston 1?"
    assert bench_doubt(view("valve_1"), Touch("piston")).startswith("This moves like a piston.")
    assert bench_doubt(view("valve_1"), Touch("nothing")).startswith("Nothing moves the gauge")
    assert bench_doubt(view("valve_1"), Touch("valve", "exhaust")) == ""
    assert bench_doubt(view("piston_1"), Touch("not_yet")) == ""


def test_it_says_that_it_began_by_itself_and_a_bench_in_trouble_says_that_first() -> None:
    assert bench_guide(bench(view("piston_1"))).step.endswith("begun by itself")
    silent = WELL.model_copy(
        update={
            "channels": [
                CRANK.model_copy(update={"state": "silent", "sentence": "crank: nothing has come for 6 s"})
            ]
        }
    )
    told = bench_guide(BenchContext(silent, view("valve_1", "finished", 109.0), watch=Watch(True)))
    assert (told.sentence, told.action) == ("crank: nothing has come for 6 s", "")
    assert not bench_guide(bench(watch=Watch(False))).hands_free

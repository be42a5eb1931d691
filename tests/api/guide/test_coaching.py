"""What the builder is told of an interval while the crank is turned, and that a number too wide is no verdict."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.job import job_state
from analysis.timing import (
    BenchChecked,
    Cam,
    CamCard,
    ClearanceNoted,
    Engine,
    Fact,
    Job,
    LobeCard,
    LobeMeasured,
    Outlook,
    StrokeFound,
    TdcMeasured,
)
from api.base import Centre, Guide, Health, MeasurementView
from api.guide import BenchContext, bench_guide
from api.guide.guidance import CrankNow, GaugeNow, Guidance, GuideContext
from api.guide.job_guide import guidance_in

CAMS = (Cam("inlet", ("inlet",)), Cam("exhaust", ("exhaust",)))
HALF = LobeCard(108.0, 1.27, checking_clearance_mm=0.3)
JOB = Job("HL-9", Engine("Fell 500", ("1",), ("1",), CAMS), CamCard("Fell 248", "full_lift", HALF, HALF))
PASS = {"used": True, "centre_deg": 108.0, "speed_deg_s": 90.0}
VIEW = MeasurementView(
    id=9,
    job_id=1,
    what="lobe",
    touches="inlet_1",
    gauge="valve",
    state="running",
    started_at="2026-11-28T08:00:00Z",
    result=None,
    sentence="",
)


def facts(*more: Any) -> list[Fact]:
    done = (
        BenchChecked(True, 360.0, ("valve",), (1,)),
        ClearanceNoted("1", "inlet", 0.3),
        ClearanceNoted("1", "exhaust", 0.3),
        TdcMeasured("1", 17.3, 0.03),
        TdcMeasured("1", 17.3, 0.03),
        StrokeFound(17.3),
        *more,
    )
    return [Fact(number, "", "Ida", what) for number, what in enumerate(done, 1)]


def centre(u95_deg: float, at_deg: float = 108.4) -> Centre:
    jitter = (0.25 * u95_deg**2 - 0.03**2) ** 0.5
    result = {
        "centre_deg": at_deg,
        "drop_mm": 1.27,
        "u95_deg": u95_deg,
        "asymmetry_deg": 0.0,
        "passes": [PASS, PASS],
        "warnings": [],
    }
    return Centre(
        measurement_id=9, result=result, outlook=Outlook(u95_deg, 90.0, 2, 2, jitter, 0.0, 0.0, 0.03, 0.001)
    )


def running(seen: Centre) -> Guidance:
    """The guide after far enough turns."""
    known = facts()
    return guidance_in(
        GuideContext(
            1,
            JOB,
            known,
            job_state(JOB, known),
            measurement=VIEW,
            centre=seen,
            crank=CrankNow(2000.0, True, True, 2000.0),
            gauges={"valve": GaugeNow(3.0, True)},
        )
    )


def test_what_this_speed_costs_and_what_would_narrow_it_is_one_line() -> None:
    told = running(centre(0.35))
    assert told.why.startswith("± 0.35 now. Two more turns: ± 0.2")
    assert "at 60 deg/s ± 0.2" in told.why
    assert "inish" in told.sentence, "it can be finished: it tells in and out"


def test_what_is_narrow_enough_is_not_coached() -> None:
    assert running(centre(0.2)).why == ""


def test_what_is_too_wide_for_a_verdict_is_no_verdict_and_not_enough() -> None:
    told = running(centre(1.4))
    assert told.verdict == "cannot tell yet"
    assert "too wide" in told.sentence
    assert told.tone == "approach"
    assert "Two more turns" in told.why
    far_out = running(centre(1.4, at_deg=115.0))
    assert "late" in far_out.verdict, "out by more than its interval it is out"


@pytest.mark.parametrize(
    ("code", "label"),
    [
        ("seen_once", "Inlet, cylinder 1: centre ATDC, seen once"),
        ("agreement_unproven", "Inlet, cylinder 1: centre ATDC"),
    ],
)
def test_what_the_passes_could_not_have_disagreed_on_is_no_verdict(code: str, label: str) -> None:
    seen = centre(0.1, at_deg=115.0)
    assert seen.result is not None
    assert "late" in running(seen).verdict
    doubted = {**seen.result, "warnings": [{"code": code, "message": ""}]}
    told = running(seen.model_copy(update={"result": doubted}))
    assert told.verdict == "cannot tell yet"
    assert told.number.label == label
    assert told.number.value == running(seen).number.value


def test_a_kept_number_too_wide_asks_for_more_turns_and_not_for_a_move() -> None:
    known = facts(
        LobeMeasured("1", "inlet", 108.9, 1.27, 1.4), LobeMeasured("1", "exhaust", 612.0, 1.27, 0.1)
    )
    told = guidance_in(GuideContext(1, JOB, known, job_state(JOB, known)))
    assert told.told is not None
    assert told.told.call == "cannot_tell"
    assert "Measure again, about" in told.told.headline
    assert told.button == "Measure again"


@pytest.mark.parametrize(("u95_deg", "coached"), [(0.15, False), (0.5, True)])
def test_without_a_job_it_is_coached_as_well(u95_deg: float, coached: bool) -> None:
    health = Health(channels=[], recorder=None, capture_alive=True, sentence="")
    told: Guide = bench_guide(BenchContext(health, VIEW.model_copy(update={"job_id": None}), centre(u95_deg)))
    assert ("now." in told.why) is coached


def test_limits_that_no_turning_takes_away_are_named() -> None:
    seen = centre(0.5).model_copy(
        update={"outlook": Outlook(0.5, 40.0, 2, 2, 0.02, 0.0, 0.0, 0.249, 0.001, "encoder out of round")}
    )
    assert "most of it is encoder out of round" in running(seen).why

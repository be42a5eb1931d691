"""A cam that slips when its bolts are slackened is seen whatever part of its lobe was measured.

The lobe has flanks of exactly 0.1 mm a degree; what a gauge shows was worked out by hand from that.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.base import GaugeFacts, LobeSettings, Streams
from analysis.job import job_state
from analysis.lobe import find_lobe
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
    StoredLift,
    StrokeFound,
    TdcMeasured,
)
from api.guide.guidance import CrankNow, GaugeNow, GuideContext, KnownLobe
from api.guide.job_guide import guidance_in

TDC_DEG, BASE_MM, NOSE_DEG, ERROR_DEG = 17.3, 3.0, 112.0, 4.0
CAMS = (Cam("inlet", ("inlet",)), Cam("exhaust", ("exhaust",)))
ENGINE = Engine("Fell 500", ("1",), ("1",), CAMS)
HALF = LobeCard(108.0, 1.27, checking_clearance_mm=0.3)
JOB = Job("HL-9", ENGINE, CamCard("Fell 248", "full_lift", HALF, HALF))


def facts_until_the_move() -> list[Fact]:
    done = (
        BenchChecked(True, 360.0, ("valve",), (1,)),
        ClearanceNoted("1", "inlet", 0.3),
        ClearanceNoted("1", "exhaust", 0.3),
        TdcMeasured("1", TDC_DEG, 0.03),
        TdcMeasured("1", TDC_DEG, 0.03),
        StrokeFound(TDC_DEG),
        LobeMeasured("1", "inlet", NOSE_DEG, 1.27, 0.1, "7", gauge="valve"),
        Decided("inlet", "correct"),
    )
    return [Fact(number, "", "Ida", what) for number, what in enumerate(done, 1)]


def shown_mm(job_deg: float, polarity: int) -> float:
    """What the gauge shows with the cam as it was measured."""
    return BASE_MM + polarity * max(10.0 - 0.1 * abs(job_deg - NOSE_DEG), 0.0)


def seen_near_the_nose(polarity: int) -> KnownLobe:
    """60 degrees either side, the base circle not among them: its curve is told in the gauge's own readings."""
    deg = np.arange(NOSE_DEG - 60, NOSE_DEG + 60.5, 0.5)
    reading = np.array([polarity * shown_mm(one, polarity) for one in deg])
    return KnownLobe(Lobe("1", "inlet"), 7, "valve", StoredLift(deg, reading), 0.0, polarity, None, 0.01, 0.1)


def at(job_deg: float, reading_mm: float, lobe: KnownLobe, stage: object = None) -> GuideContext:
    facts = facts_until_the_move()
    return GuideContext(
        1,
        JOB,
        facts,
        job_state(JOB, facts),
        stage=stage,  # type: ignore[arg-type]
        crank=CrankNow(TDC_DEG + job_deg, True, True),
        gauges={"valve": GaugeNow(reading_mm, True)},
        lobes={"inlet": lobe},
    )


def park_of(lobe: KnownLobe) -> float:
    """Where the guide wants the crank."""
    found = guidance_in(at(0.0, shown_mm(0.0, lobe.polarity), lobe))
    assert found.to_go_deg is not None
    return found.to_go_deg


@pytest.mark.parametrize("polarity", [1, -1])
@pytest.mark.parametrize("slip", [0.8, -0.8])
def test_a_slip_is_in_what_is_left_to_go_though_the_base_circle_was_never_seen(slip, polarity):
    """0.8 later is 0.08 mm less lift on the opening flank: a cam 4.0 late is then 4.8 late."""
    lobe = seen_near_the_nose(polarity)
    park = park_of(lobe)
    assert park < NOSE_DEG
    slack = shown_mm(park - slip, polarity)
    held = guidance_in(at(park, slack, lobe))
    assert held.action is not None
    assert held.action.stage is not None
    assert f"0.8 deg {'later' if slip > 0 else 'earlier'}" in held.action.did
    moving = guidance_in(at(park, slack, lobe, held.action.stage))
    assert moving.verdict == f"{ERROR_DEG + slip:.1f} deg late"
    on_the_card = shown_mm(park + ERROR_DEG, polarity)
    assert moving.target_mm == pytest.approx(on_the_card, abs=0.01)
    assert guidance_in(at(park, on_the_card, lobe, held.action.stage)).tone == "on_the_number"


@pytest.mark.parametrize("polarity", [1, -1])
def test_a_slip_of_3_degrees_is_a_fault_and_begins_no_move(polarity):
    lobe = seen_near_the_nose(polarity)
    park = park_of(lobe)
    found = guidance_in(at(park, shown_mm(park - 3.0, polarity), lobe))
    assert found.action is None
    assert "3.0 deg later" in found.sentence


def test_without_a_level_on_the_gauge_the_move_is_not_led_by_it():
    """Which reading the curve belongs to is not known: what a slack cam shows proves nothing."""
    lobe = replace(seen_near_the_nose(1), base_mm=None)
    park = park_of(seen_near_the_nose(1))
    found = guidance_in(at(park, shown_mm(park, 1), lobe))
    assert found.action is not None
    assert (found.action.begin, found.action.stage, found.tone) == ("inlet_1", None, "fault")
    assert "measure this lobe again" in found.sentence


def test_a_move_begun_before_levels_were_kept_is_begun_anew():
    """Its target was counted from what a slack cam showed."""
    lobe = seen_near_the_nose(1)
    park = park_of(lobe)
    stage = guidance_in(at(park, shown_mm(park, 1), lobe)).action.stage
    del stage.body["expected_mm"]
    found = guidance_in(at(park, shown_mm(park, 1), lobe, stage))
    assert found.button == "Begin anew"
    assert found.action is not None
    assert found.action.forget


@pytest.mark.parametrize("polarity", [1, -1])
def test_a_curve_without_base_circle_is_told_in_the_gauges_own_readings(polarity):
    """A smooth nose turned over by hand, four turns of it seen only where the gauge reaches."""
    time_s = np.arange(0.0, 50.0, 0.02)
    crank_deg = 60.0 * time_s
    away = (crank_deg - 130.0 + 360.0) % 720.0 - 360.0
    reach = np.abs(away) < 70.0
    reading = BASE_MM + polarity * 10.0 * np.cos(np.radians(0.6 * away[reach]))
    streams = Streams(time_s, crank_deg, time_s[reach], np.round(reading, 3))
    found = find_lobe(streams, LobeSettings(), GaugeFacts(lag_s=0.0, step_mm=0.001))
    assert found.base_mm is None
    assert found.curve is not None
    lift = StoredLift.of(found.curve)
    for deg in (80.0, 110.0, 160.0):
        by_hand = BASE_MM + polarity * 10.0 * np.cos(np.radians(0.6 * (deg - 130.0)))
        assert found.polarity * lift.lift_mm(deg) == pytest.approx(by_hand, abs=0.05)

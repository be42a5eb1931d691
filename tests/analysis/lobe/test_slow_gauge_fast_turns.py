"""A slow gauge on a lobe that was turned through fast has a reading every ten to fifteen degrees: what can be told then?"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from bench_cases import as_stored

from analysis.base import GaugeFacts, LobeResult, LobeSettings, Refusal, Streams
from analysis.lobe import find_lobe
from simulated_devices.faults.drive import SpringDrivesCam
from simulated_devices.machine import Hand, Manner
from simulated_devices.scenarios import load_scenario
from simulated_devices.scenarios.scenario_build import encoder_of, engine_of, gauge_of, set_up
from simulated_devices.traces import Setup, record

SLOW_HZ = 8.0
SOUND = range(8)
THROWN = range(6)


def asked(seed: int, *, back_deg: float, thrown_from_deg: float | None = None) -> tuple[LobeResult, float]:
    """Turn twice at 130 degrees a second and twice at 80, then back; give the number and the true centre."""
    rng = np.random.default_rng([seed, 8])
    scenario = load_scenario("hollin_lane_twin_cam")
    engine, gauge = engine_of(scenario), replace(gauge_of(scenario.gauge[0]), rate_hz=SLOW_HZ)
    hand = Hand(20.0, Manner(60.0, 0.15), rng)
    hand.pause(1.5)
    hand.turns(2.0, 130.0).turns(2.2, 80.0).by(-back_deg, 60.0)
    hand.pause(2.0)
    valve = str(rng.choice(["inlet_1", "exhaust_1"]))
    setup = Setup(engine, hand.done(), encoder_of(scenario), {valve: set_up(gauge, valve, engine)})
    faults = [] if thrown_from_deg is None else [SpringDrivesCam(from_nose_deg=thrown_from_deg)]
    trace = record(setup, rng, faults)
    read = trace.gauges[valve]
    said = Streams(trace.crank_time_s, trace.crank_deg, read.time_s, np.round(read.value_mm, 2))
    settings = LobeSettings(tdc_deg=trace.truth.overlap_tdc_deg, tdc_u_deg=0.02)
    known = GaugeFacts(lag_s=gauge.lag_s, lag_u_s=0.002, step_mm=0.01)
    return find_lobe(as_stored(said), settings, known), engine.truth_of(valve).centre_deg(1.27)


@pytest.mark.parametrize("seed", SOUND)
def test_a_sound_lobe_passed_fast_is_not_said_to_be_driven_by_its_spring(seed: int) -> None:
    result, truth_deg = asked(seed, back_deg=40.0)
    assert abs(math.remainder(result.centre_deg - truth_deg, 720.0)) <= result.u95_deg


@pytest.mark.parametrize("seed", THROWN)
def test_a_cam_that_its_spring_drives_is_told_by_the_whole_way_back(seed: int) -> None:
    with pytest.raises(Refusal) as refused:
        asked(seed, back_deg=720.0, thrown_from_deg=8.0 + 4.0 * seed)
    assert refused.value.code == "spring_drives_cam"


@pytest.mark.parametrize("seed", THROWN)
def test_where_no_whole_way_back_shows_it_the_number_says_so(seed: int) -> None:
    try:
        result, _ = asked(seed, back_deg=40.0, thrown_from_deg=8.0 + 4.0 * seed)
    except Refusal as refusal:
        assert refusal.code == "spring_drives_cam"
    else:
        assert "slack_not_seen" in {warning.code for warning in result.warnings}

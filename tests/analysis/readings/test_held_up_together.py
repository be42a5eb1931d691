"""A computer that stalls holds both ports up: what the gauge said meanwhile has no time, and is left out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bench_cases import as_stored

from analysis.base import GaugeFacts, LobeSettings, Refusal, TdcSettings, changes
from analysis.lobe import find_lobe
from analysis.readings.crank_late import find_held_up, find_late_lines
from analysis.readings.held_up import Waited, share_waited
from analysis.tdc import find_tdc
from simulated_devices.faults.as_they_are import OverloadedComputer
from simulated_devices.machine import Hand, Manner, Mounting
from simulated_devices.scenarios import load_scenario
from simulated_devices.scenarios.scenario_build import gauge_of, setup_of
from simulated_devices.traces import Trace, record

DROP_MM = 1.27
ENGINE = TdcSettings(80.0, 135.0, 0.8)


Manners = tuple[tuple[float, float], tuple[float, float]]
EVERY_OTHER_S: Manners = (1.0, 3.0), (0.05, 0.25)
OFTEN: Manners = (0.3, 0.6), (0.06, 0.09)
NEARLY_ALWAYS: Manners = (0.02, 0.05), (0.06, 0.09)
FOR_LONG: Manners = (0.3, 2.0), (0.5, 2.0)
"""How long it runs freely and how long it then stalls, from and to, seconds."""


def recorded(touches: str, seed: int, every_and_for_s: Manners = EVERY_OTHER_S) -> Trace:
    """Turned as a builder does, while the computer stalls every other second for up to a quarter of a second."""
    every_s, for_s = every_and_for_s
    chance = np.random.default_rng([20261128, seed])
    hand = Hand(-140.0, Manner(40.0, 0.1), chance)
    if touches == "piston_1":
        hand.rock(0.0, 45.0, 2, (40.0, 40.0))
    else:
        hand.turns(2.1, 120.0).turns(2.0, 100.0).by(-60.0)
    stalls, at_s = [], 0.0
    while at_s < 60.0:
        at_s += chance.uniform(*every_s)
        stalls.append((at_s, chance.uniform(*for_s)))
        at_s += stalls[-1][1]
    scenario = load_scenario("hollin_lane_twin_cam")
    setup = setup_of(scenario, hand.done())
    pushed_in_mm = 23.0 if touches == "piston_1" else 12.0
    mounting = Mounting(gauge_of(scenario.gauge[0]), touches, pushed_in_mm, opposed=touches != "piston_1")
    bench = type(setup)(setup.engine, setup.motion, setup.encoder, {"dial_a": mounting})
    return record(bench, chance, (OverloadedComputer(tuple(stalls)),))


@pytest.mark.parametrize("seed", [0, 27, 180])
def test_true_tdc_holds_and_is_not_refused(seed: int) -> None:
    trace = recorded("piston_1", seed)
    found = find_tdc(as_stored(trace), ENGINE, GaugeFacts(step_mm=0.01))
    off_deg = (found.centre_deg - trace.truth.tdc_deg + 180.0) % 360.0 - 180.0
    assert abs(off_deg) <= 1.5 * found.u95_deg
    assert found.u95_deg < 0.08


@pytest.mark.parametrize("seed", [46, 77, 104])
def test_a_lobe_turned_quickly_holds_and_is_not_refused(seed: int) -> None:
    trace = recorded("inlet_1", seed)
    top = find_tdc(as_stored(recorded("piston_1", 1000 + seed)), ENGINE, GaugeFacts(step_mm=0.01))
    gauge = GaugeFacts(top.lag_s, top.lag_u_s, 0.01, 0.0, jitter_s=top.jitter_s)
    zero_deg = trace.truth.overlap_tdc_deg
    found = find_lobe(as_stored(trace), LobeSettings(tdc_deg=zero_deg, drop_mm=DROP_MM), gauge)
    off_deg = (found.centre_deg + zero_deg - trace.lobe.centre_deg(DROP_MM) + 360.0) % 720.0 - 360.0
    assert abs(off_deg) <= 1.5 * found.u95_deg
    assert found.u95_deg < 0.8


def stalled(time_s: np.ndarray, at_s: float, for_s: float) -> np.ndarray:
    held = np.flatnonzero((time_s >= at_s) & (time_s < at_s + for_s))
    arrived_s = time_s.copy()
    arrived_s[held] = at_s + for_s - 0.0005 * np.arange(len(held))[::-1]
    return arrived_s


def test_a_stall_while_the_crank_stands_is_told_by_the_pace_of_its_lines() -> None:
    time_s = np.arange(0.0, 20.0, 0.005)
    crank_deg = np.clip(np.floor((time_s - 10.0) * 200.0) / 10.0, 0.0, None)  # stands for 10 s, then turns
    arrived_s = stalled(time_s, 5.0, 0.2)
    late = find_late_lines(arrived_s, crank_deg)
    assert 35 <= late.sum() <= 40
    asked_s = np.array([4.9, 5.1, 5.21, 5.4, 12.0])
    assert find_held_up(arrived_s, crank_deg, late, asked_s).tolist() == [False, True, True, False, False]


def test_the_packets_of_a_serial_server_are_its_manner_and_no_stall() -> None:
    time_s = np.arange(0.0, 20.0, 0.005)
    arrived_s = np.ceil(time_s / 0.05) * 0.05 + 0.0002 * (np.arange(len(time_s)) % 10)
    crank_deg = np.floor(time_s * 400.0) / 10.0
    late = find_late_lines(arrived_s, crank_deg)
    assert not find_held_up(arrived_s, crank_deg, late, np.arange(0.5, 19.0, 0.1)).any()


def brought_to_rest() -> tuple[np.ndarray, np.ndarray]:
    """An encoder that speaks of each tenth of a degree, at most every 5 ms; 60 deg/s, then to rest within half a second."""
    at_s = np.arange(0.0, 4.0, 0.005)
    slowed_s = np.clip(at_s - 2.0, 0.0, 0.5)
    crank_deg = np.floor(10.0 * (60.0 * (np.minimum(at_s, 2.0) + slowed_s - slowed_s**2))) / 10.0
    told = np.append(True, np.diff(crank_deg) > 0.0)
    return at_s[told], crank_deg[told]


def test_a_stall_as_the_crank_comes_to_rest_is_told_though_the_crank_hardly_moved() -> None:
    time_s, crank_deg = brought_to_rest()
    arrived_s = stalled(time_s, 2.44, 0.08)
    late = find_late_lines(arrived_s, crank_deg)
    asked_s = np.array([2.3, 2.42, 2.5, 2.53, 2.7, 3.5])
    assert find_held_up(arrived_s, crank_deg, late, asked_s).tolist() == [
        False,
        False,
        True,
        True,
        False,
        False,
    ]


def test_a_crank_that_slows_down_and_rests_holds_nothing_up() -> None:
    time_s, crank_deg = brought_to_rest()
    late = find_late_lines(time_s, crank_deg)
    assert not late.any()
    assert not find_held_up(time_s, crank_deg, late, np.arange(0.0, 4.0, 0.01)).any()


def test_where_an_interval_ends_the_crank_is_said_to_stand_twice_and_nothing_waited() -> None:
    time_s, crank_deg = brought_to_rest()
    ended_s, stood_deg = np.append(time_s, [4.0, 4.0]), np.append(crank_deg, [crank_deg[-1]] * 2)
    late = find_late_lines(ended_s, stood_deg)
    assert not find_held_up(ended_s, stood_deg, late, np.arange(0.0, 4.0, 0.01)).any()


@pytest.mark.parametrize("touches", ["piston_1", "inlet_1"])
@pytest.mark.parametrize(("manner", "is_told"), [(OFTEN, True), (NEARLY_ALWAYS, False)])
def test_a_computer_that_stalls_often_tells_true_numbers_and_one_that_always_does_is_said_to(
    manner: Manners, is_told: bool, touches: str
) -> None:
    """No part of the engine is accused for it."""
    for seed in range(6):
        trace = recorded(touches, seed, manner)
        if is_told:
            assert abs(off_in_intervals(trace, touches, seed)) <= 1.5
            continue
        with pytest.raises(Refusal, match="Close other programs") as refused:
            off_in_intervals(trace, touches, seed)
        assert refused.value.code == "held_up"


@pytest.mark.parametrize("touches", ["piston_1", "inlet_1"])
def test_stalls_as_long_as_a_rest_accuse_nothing_on_the_engine(touches: str) -> None:
    codes = []
    for seed in range(8):
        trace = recorded(touches, seed, FOR_LONG)
        try:
            assert abs(off_in_intervals(trace, touches, seed)) <= 1.5
        except Refusal as refusal:
            codes.append(refusal.code)
    assert set(codes) == {"held_up"}


def off_in_intervals(trace: Trace, touches: str, seed: int) -> float:
    if touches == "piston_1":
        found = find_tdc(as_stored(trace), ENGINE, GaugeFacts(step_mm=0.01))
        return float(math.remainder(found.centre_deg - trace.truth.tdc_deg, 360.0) / found.u95_deg)
    top = find_tdc(as_stored(recorded("piston_1", 500 + seed)), ENGINE, GaugeFacts(step_mm=0.01))
    gauge = GaugeFacts(top.lag_s, top.lag_u_s, 0.01, 0.0, jitter_s=top.jitter_s)
    zero_deg = trace.truth.overlap_tdc_deg
    lobe = find_lobe(as_stored(trace), LobeSettings(tdc_deg=zero_deg, drop_mm=DROP_MM), gauge)
    off_deg = math.remainder(lobe.centre_deg + zero_deg - trace.lobe.centre_deg(DROP_MM), 720.0)
    return off_deg / lobe.u95_deg


@pytest.mark.parametrize("speed_deg_s", [30.0, 50.0, 80.0])
def test_lumps_are_seen_as_well_in_what_is_stored_where_only_changes_of_the_count_are_kept(
    speed_deg_s: float,
) -> None:
    """500 lines a second, three or so a count; a fifth of a second in each second the computer looks away for 50 ms."""
    sent_s = np.arange(0.0, 10.0, 0.002)
    crank_deg = np.floor(speed_deg_s * sent_s / 0.36) * 0.36
    since_s = np.mod(sent_s, 0.25)
    waits = since_s < 0.05
    arrived_s = np.where(
        waits, sent_s - since_s + 0.05 + 0.25 * since_s, sent_s
    )  # then at the pace of the wire
    arrived_s = np.maximum.accumulate(arrived_s)
    late_s = arrived_s - sent_s
    kept = changes(crank_deg)
    whole, stored = share_waited(arrived_s, crank_deg), share_waited(arrived_s[kept], crank_deg[kept])
    assert stored.in_lumps == pytest.approx(whole.in_lumps, rel=0.2)
    assert stored.in_lumps > 0.1
    late = find_late_lines(arrived_s[kept], crank_deg[kept])
    assert np.mean(late[late_s[kept] > 0.02]) > 0.9
    assert np.mean(late[late_s[kept] < 0.001]) < 0.02


def waited(time_s: np.ndarray) -> Waited:
    """What of a crank that turned on with every line."""
    return share_waited(time_s, np.arange(len(time_s), dtype=float))


def test_lines_that_keep_their_pace_or_rest_are_in_no_lumps() -> None:
    steady_s = np.arange(0.0, 20.0, 0.005)
    assert sum(waited(steady_s)) == 0.0
    assert sum(share_waited(*brought_to_rest()[:2])) == 0.0
    rested_s = np.concatenate([steady_s[:1000], steady_s[:1000] + 5.4, steady_s[:1000] + 10.8])
    assert sum(waited(rested_s)) == 0.0, "a crank that rests and goes on at once"
    lumps_s = np.ceil(steady_s / 0.08) * 0.08 + 0.0002 * (np.arange(len(steady_s)) % 16)
    assert sum(waited(np.append(0.0, rested_s + 0.9))) == 0.0, "a rest at the very beginning"
    assert 0.9 < waited(lumps_s).in_lumps <= 1.0

"""A piston or a valve under a gauge that should stand on a journal, flange, damper or face: refused and named.

True runouts up to some millimetres and faces that lean are never accused. Pistons and lobes are the simulator's own.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from bench_cases import as_stored

from analysis.base import GaugeFacts, Refusal, Streams
from analysis.report import Runout, find_runout
from simulated_devices.machine import Hand, Manner, Mounting, RoundPart
from simulated_devices.traces import Setup, Trace, random_encoder, random_gauge, record, record_round
from simulated_devices.traces.random_benches import random_engine

BENCHES = 40
ACCUSES = {"moves_like_a_piston", "moves_like_a_valve", "swings_too_far", "not_round"}


def by_hand(rng: np.random.Generator, turns: float) -> Hand:
    start_deg, speed_deg_s = float(rng.uniform(-360.0, 360.0)), float(rng.uniform(15.0, 60.0))
    return Hand(start_deg, Manner(speed_deg_s, 0.2), rng).pause(0.5).turns(turns).pause(0.5)


def on_the_engine(seed: int, touches: str, turns: float) -> Trace:
    """Of a piston the gauge sees what its travel allows, and stands in the air below."""
    rng = np.random.default_rng([20261129, seed])
    engine = random_engine(rng)
    gauge = replace(random_gauge(rng), travel_mm=float(rng.choice([12.7, 25.0])))
    if touches == "piston_1":
        mounting = Mounting(gauge, touches, gauge.travel_mm - rng.uniform(0.5, 3.0))
    else:
        lift_mm = engine.truth_of(touches).peak_lift_mm
        mounting = Mounting(replace(gauge, travel_mm=25.0), touches, lift_mm + rng.uniform(0.5, 5.0), True)
    setup = Setup(engine, by_hand(rng, turns).done(), random_encoder(rng), {"dial": mounting})
    return record(setup, rng)


def found(trace: Trace) -> Runout:
    streams = as_stored(trace)
    return find_runout(streams, GaugeFacts(lag_s=trace.lag_s))


def answers(touches: str, turns: float) -> Counter[str]:
    told: Counter[str] = Counter()
    for seed in range(BENCHES):
        trace = on_the_engine(seed, touches, turns)
        try:
            swing = found(trace).total_mm.value
        except Refusal as refusal:
            told[refusal.code] += 1
            assert refusal.code != "moves_like_a_valve" or touches != "piston_1", seed
            assert refusal.code != "moves_like_a_piston" or touches == "piston_1", seed
        else:
            told["told" if swing > 0.2 else "base circle"] += 1  # with the foot of a flank at most
    return told


@pytest.mark.parametrize("turns", [1.05, 1.6, 2.1])
def test_a_piston_is_never_told_as_a_runout(turns: float) -> None:
    told = answers("piston_1", turns)
    assert told["told"] == 0
    assert told["moves_like_a_piston"] >= 0.7 * BENCHES, told


@pytest.mark.parametrize("touches", ["inlet_1", "exhaust_1"])
def test_a_valve_turned_through_its_whole_cycle_is_named(touches: str) -> None:
    told = answers(touches, 2.1)
    assert told["told"] == 0
    assert told["moves_like_a_valve"] >= 0.8 * BENCHES, told


@pytest.mark.parametrize("turns", [1.05, 1.6])
def test_half_of_a_valves_cycle_is_refused_or_shows_its_base_circle(turns: float) -> None:
    assert answers("inlet_1", turns)["told"] == 0


def test_the_sentence_says_what_it_moves_like() -> None:
    with pytest.raises(Refusal) as refused:
        found(on_the_engine(1, "piston_1", 2.1))
    assert refused.value.message.startswith("This moves like a piston")


@pytest.mark.parametrize("turns", [1.05, 2.1])
def test_a_true_runout_up_to_some_millimetres_is_never_accused(turns: float) -> None:
    told = 0
    for seed in range(2 * BENCHES):
        rng = np.random.default_rng([20261130, seed])
        off_mm = float(np.exp(rng.uniform(np.log(0.01), np.log(4.5))))
        lobes = tuple(
            (n, float(rng.uniform(0.0, most)), float(rng.uniform(0.0, 360.0)))
            for n, most in ((2, 0.05), (3, 0.03), (5, 0.02))
        )
        part = RoundPart(70.0, lobes, off_mm, float(rng.uniform(0.0, 360.0)), float(rng.uniform(-0.03, 0.03)))
        trace = record_round(part, by_hand(rng, turns).done(), random_gauge(rng), random_encoder(rng), rng)
        try:
            told += found(trace).total_mm.value > 0.0
        except Refusal as refusal:
            assert refusal.code not in ACCUSES, (seed, off_mm, refusal)
    assert told >= 1.8 * BENCHES


@pytest.mark.parametrize("tilt_deg", [0.02, 0.3, 1.0])
@pytest.mark.parametrize("turns", [1.05, 2.1])
def test_a_face_that_leans_is_never_accused(tilt_deg: float, turns: float) -> None:
    """A plane in space, read along the axis at 120 mm from it: 4.2 mm to and fro at a whole degree."""
    rng = np.random.default_rng(8)
    time_s = np.arange(0.0, 40.0, 0.05)
    turned_deg = np.interp(time_s, [1.0, 39.0], [0.0, 360.0 * turns])
    along_mm = 120.0 * np.tan(np.radians(tilt_deg)) * np.cos(np.radians(33.0 - turned_deg))
    shown_mm = np.round(along_mm + rng.normal(0.0, 0.002, time_s.size), 2)
    told = find_runout(Streams(time_s, turned_deg, time_s, shown_mm), GaugeFacts(lag_s=0.0), on_face=True)
    assert told.total_mm.value == pytest.approx(float(np.ptp(along_mm)), abs=1.5 * told.total_mm.u95)


def test_a_damper_with_a_keyway_that_nobody_centred_is_told() -> None:
    """A millimetre off its axis, and a keyway half a mm deep over three degrees."""
    rng = np.random.default_rng(9)
    time_s = np.arange(0.0, 60.0, 0.05)
    turned_deg = np.interp(time_s, [1.0, 59.0], [0.0, 760.0])
    rise_mm = np.cos(np.radians(turned_deg - 200.0)) - 0.5 * (np.abs((turned_deg % 360.0) - 90.0) < 1.5)
    shown_mm = np.round(rise_mm + rng.normal(0.0, 0.002, time_s.size), 2)
    told = find_runout(Streams(time_s, turned_deg, time_s, shown_mm), GaugeFacts(lag_s=0.0))
    assert told.eccentricity_mm.value == pytest.approx(1.0, abs=0.05)

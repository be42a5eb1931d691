"""One TDC to the next on the encoder: the number, and an interval that knows of the lag."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bench_cases import as_stored

from analysis.base import GaugeFacts, TdcSettings
from api.live import Turn, tdc_to_tdc
from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, Mounting
from simulated_devices.traces import Setup, Trace, record
from simulated_devices.traces.random_benches import random_engine

NOTHING = GaugeFacts(step_mm=0.01)


def turned(seed: int, speeds_deg_s: tuple[float, float], lag_s: float) -> Trace:
    """Two TDCs passed one after the other, each at its own speed, with rests between."""
    rng = np.random.default_rng([20261125, seed])
    engine = random_engine(rng)
    gauge = DialIndicator(
        step=0.01, rate_hz=20.0, lag_s=lag_s, jitter_s=0.002, travel_mm=12.7, noise_mm=0.002
    )
    first, second = speeds_deg_s
    hand = Hand(-180.0, Manner(first), rng).turns(1.0, first).pause(0.3).turns(1.0, second)
    encoder = Encoder(7200, 200.0, rng.uniform(0.0, 360.0))
    mountings = {"plunger": Mounting(gauge, "piston_1", 11.5)}
    return record(Setup(engine, hand.done(), encoder, mountings), rng)


def turn_of(trace: Trace, facts: GaugeFacts = NOTHING) -> Turn | None:
    crank = trace.setup.engine.crank
    known = TdcSettings(crank.stroke_mm, crank.rod_mm, crank.pin_offset_mm)
    streams = as_stored(trace)
    return tdc_to_tdc(streams, known, facts, trace.mounting.gauge.polarity)


@pytest.mark.slow
def test_intervals_of_a_turn_hold_360_degrees_whatever_the_speeds_and_the_lag() -> None:
    rng = np.random.default_rng(7)
    held, beyond_the_rest = [], 0
    for seed in range(40):
        first = rng.uniform(15.0, 40.0)
        trace = turned(seed, (first, first * rng.uniform(0.6, 1.6)), rng.uniform(0.02, 0.13))
        told = turn_of(trace)
        if told is None:
            continue
        held.append(abs(told.deg - 360.0) <= told.u95_deg)
        rest = sum(line.u_deg**2 for line in told.budget[:2]) ** 0.5
        beyond_the_rest += abs(told.deg - 360.0) > 2.0 * rest
    assert len(held) >= 34
    assert np.mean(held) >= 0.9, "of intervals stated at 95 %"
    assert beyond_the_rest >= 15, "without the part of the lag, many would not hold"


def test_the_interval_grows_with_how_unlike_the_speeds_are() -> None:
    widths = [turn_of(turned(3, (20.0, 20.0 + more), 0.08)) for more in (0.0, 4.0, 8.0, 16.0)]
    told = [one.u95_deg for one in widths if one is not None]
    assert len(told) == 4
    assert told == sorted(told)
    assert told[3] > 5.0 * told[0]


def test_a_lag_that_is_known_narrows_it_by_its_own_uncertainty_times_the_speeds() -> None:
    trace = turned(5, (20.0, 40.0), 0.08)
    for lag_u_s in (0.002, 0.004, 0.008):
        told = turn_of(trace, replace(NOTHING, lag_s=0.08, lag_u_s=lag_u_s))
        assert told is not None
        lag = told.budget[2]
        assert "lag" in lag.source
        # Two passes, 20 degrees a second apart.
        assert lag.u_deg == pytest.approx(20.0 * lag_u_s, rel=0.05)


def test_the_budget_adds_up_to_the_interval() -> None:
    told = turn_of(turned(9, (25.0, 30.0), 0.05))
    assert told is not None
    together = sum(line.u_deg**2 for line in told.budget) ** 0.5
    assert told.u95_deg == pytest.approx(2.0 * together, rel=1e-9)


def test_one_tdc_proves_no_turn() -> None:
    trace = turned(1, (20.0, 20.0), 0.05)
    streams = as_stored(trace, trace.crank_time_s[0] + 15.0)
    assert tdc_to_tdc(streams, TdcSettings(), NOTHING, 1) is None

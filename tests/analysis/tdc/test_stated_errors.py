"""What the error stated of a gauge adds to true TDC: as much as drawn errors do, and not twice."""

from __future__ import annotations

import numpy as np
import pytest
from bench_cases import as_stored

from analysis.base import GaugeFacts, Streams, TdcResult, TdcSettings
from analysis.tdc import find_tdc
from simulated_devices.faults.as_they_are import PinionOffItsAxis
from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, Mounting
from simulated_devices.traces import Fault, Setup, record
from simulated_devices.traces.random_benches import random_engine

LIMIT_MM = 0.02


def turned(seed: int, *faults: Fault) -> Streams:
    """From 70 degrees before the top to 30 after it, four times: more is seen of one side than of the other."""
    rng = np.random.default_rng([seed, 20])
    gauge = DialIndicator(step=0.001, rate_hz=15.0, lag_s=0.05, jitter_s=0.0005, travel_mm=25.0)
    hand = Hand(-70.0, Manner(12.0, 0.1), rng)
    for _ in range(4):
        hand.to(30.0).to(-70.0)
    setup = Setup(random_engine(rng), hand.done(), Encoder(8192), {"plug": Mounting(gauge, "piston_1", 23.0)})
    trace = record(setup, np.random.default_rng(seed), faults)
    return as_stored(trace)


def found(streams: Streams, limit_mm: float) -> TdcResult:
    facts = GaugeFacts(0.05, 0.0001, 0.001, error_mm=limit_mm, retrace_mm=0.0)
    return find_tdc(streams, TdcSettings(80.0, 136.0, 0.0), facts)


def row(result: TdcResult, name: str) -> float:
    return sum(line.u_deg for line in result.budget if line.source == name)


@pytest.mark.parametrize("seed", [1, 2])
def test_an_error_along_the_travel_is_told_as_what_drawn_errors_do(seed):
    """Waves of any height up to the limit, beginning anywhere, one to three over what is seen of the travel."""
    plain = turned(seed)
    told = row(found(plain, LIMIT_MM), "gauge error")
    rng = np.random.default_rng([seed, 7])
    seen_mm = float(np.ptp(plain.gauge_mm))
    moved = []
    for _ in range(60):
        each_mm = seen_mm / rng.integers(1, 4)
        wave = PinionOffItsAxis(rng.uniform(0.0, LIMIT_MM), each_mm, rng.uniform(0.0, each_mm))
        moved.append(found(turned(seed, wave), LIMIT_MM).centre_deg)
    off = np.remainder(np.array(moved) - found(plain, LIMIT_MM).centre_deg + 180.0, 360.0) - 180.0
    drawn = float(np.sqrt(np.mean(off**2)))
    print(f"an error along the travel: told {told:.5f} degrees, drawn {drawn:.5f}")
    assert 0.5 < told / drawn < 1.4


def test_what_a_stated_error_does_to_the_curve_is_not_told_twice():
    """A pinion that runs out bends the curve; that is a misfit only where nothing is stated of it."""
    for seed in range(4):
        streams = turned(seed, PinionOffItsAxis(LIMIT_MM, 9.0, 2.0 * seed))
        unstated, stated = found(streams, 0.0), found(streams, LIMIT_MM)
        misfit, left = (row(one, "misfit of the curve") for one in (unstated, stated))
        error = row(stated, "gauge error")
        assert misfit > 0.0 and error > 0.0
        assert np.hypot(error, left) == pytest.approx(max(error, misfit), rel=1e-6)

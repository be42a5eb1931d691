"""A builder who stops near the top and looks at the page: the rest adds one reading of the gauge, not hundreds."""

from __future__ import annotations

import numpy as np
import pytest
from bench_cases import as_stored

from analysis.base import GaugeFacts, Streams, TdcSettings
from analysis.tdc import find_tdc
from simulated_devices.machine import DialIndicator, Encoder, Engine, Hand, Manner, Mounting, SliderCrank
from simulated_devices.traces import Setup, record


@pytest.mark.parametrize("rest_deg", [-9.0, 4.0, 12.0])
@pytest.mark.parametrize("seed", range(4))
def test_a_rest_near_the_top_after_quick_turns_moves_nothing(seed: int, rest_deg: float) -> None:
    rng = np.random.default_rng(seed)
    gauge = DialIndicator(step=0.01, rate_hz=10.0, lag_s=0.06, jitter_s=0.002, travel_mm=25.0)
    hand = Hand(rest_deg - 864.0, Manner(110.0, 0.0, 0.3), rng).turns(2.4).pause(8.0)
    mountings = {"dial": Mounting(gauge, "piston_1", 23.0)}
    engine = Engine(SliderCrank(80.0, 135.0, 0.8), {})
    trace = record(Setup(engine, hand.done(), Encoder(3600, 200.0, 0.0), mountings), rng)
    streams = as_stored(trace)
    found = find_tdc(
        streams, TdcSettings(80.0, 135.0, 0.8), GaugeFacts(None, None, 0.01, 0.02, retrace_mm=0.007)
    )
    off_deg = (found.centre_deg - trace.truth.tdc_deg + 180.0) % 360.0 - 180.0
    assert abs(off_deg) <= 1.5 * found.u95_deg
    assert found.u95_deg < 0.6


def test_a_slow_sweep_under_a_fast_gauge_is_no_rest() -> None:
    """At 2 deg/s and 200 readings a second neighbours are alike to a hundredth of a degree, and yet all of them tell."""
    time_s = np.arange(0.0, 60.0, 0.005)
    crank_deg = -60.0 + 2.0 * time_s
    throw = np.radians(crank_deg)
    height_mm = 40.0 * np.cos(throw) + np.sqrt(135.0**2 - (40.0 * np.sin(throw)) ** 2)  # plain geometry
    gauge_mm = np.round(height_mm - height_mm.max() + 22.0, 2)
    found = find_tdc(
        Streams(time_s, np.floor(crank_deg * 10.0) / 10.0 + 0.05, time_s, np.maximum(gauge_mm, 0.0)),
        TdcSettings(80.0, 135.0, 0.0),
        GaugeFacts(0.0, 0.001, 0.01, 0.02),
    )
    assert (
        abs(found.centre_deg) <= 1.5 * found.u95_deg or abs(found.centre_deg - 360.0) <= 1.5 * found.u95_deg
    )
    assert found.u95_deg < 0.06

"""From which earlier look at a trace that grows the next may go on."""

from __future__ import annotations

import numpy as np
from bench_cases import as_stored

from analysis.base import GaugeFacts, TdcSettings
from analysis.tdc.find import find_again
from analysis.tdc.so_far import SoFar
from simulated_devices.faults.as_they_are import MeasuresByItsTick
from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, Mounting
from simulated_devices.traces import Setup, record
from simulated_devices.traces.random_benches import random_engine


def test_a_fit_by_one_clock_is_no_start_for_readings_by_another() -> None:
    """A gauge with a clock of its own says its readings late by up to a tick: each lies elsewhere once that is known."""
    rng = np.random.default_rng([3, 17])
    gauge = DialIndicator(step=0.01, rate_hz=20.0, lag_s=0.05, jitter_s=0.002, travel_mm=25.0)
    hand = Hand(-70.0, Manner(35.0, 0.1), rng).rock(0.0, 50.0, 3)
    setup = Setup(random_engine(rng), hand.done(), Encoder(3600), {"plug": Mounting(gauge, "piston_1", 23.0)})
    trace = record(setup, rng, [MeasuresByItsTick(1.0 / 11.3)])
    streams = as_stored(trace)
    so_far = SoFar()
    find_again(streams, TdcSettings(), GaugeFacts(step_mm=0.01), so_far)
    settled = so_far.settled
    assert settled is not None
    assert settled.ticks is not None, "the clock was found, and the fit is by it"
    assert so_far.near(settled.readings, settled.ticks) is settled
    assert so_far.near(settled.readings, None) is None

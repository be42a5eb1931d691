"""A crank turned by exactly one count from line to line: where the edges lie is not told, and the interval holds it."""

from __future__ import annotations

import numpy as np
import pytest
from bench_cases import as_stored

from analysis.base import GaugeFacts, LobeSettings, TdcSettings
from analysis.lobe import find_lobe
from analysis.tdc import find_tdc
from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, Mounting
from simulated_devices.traces import Setup, record
from simulated_devices.traces.random_benches import random_engine

GAUGE = DialIndicator(step=0.001, rate_hz=12.0, lag_s=0.06, jitter_s=0.0003, travel_mm=25.0)
FACTS = GaugeFacts(0.06, 0.0002, 0.001, error_mm=0.0, retrace_mm=0.0)


@pytest.mark.parametrize(("counts", "lines_hz"), [(720, 60.0), (1800, 100.0), (3600, 200.0)])
@pytest.mark.parametrize("off_step", [1.0, 1.003])
def test_intervals_hold_where_counts_and_lines_keep_step(
    counts: int, lines_hz: float, off_step: float
) -> None:
    ratios = []
    for seed in range(6):
        rng = np.random.default_rng([seed, counts])
        engine, speed = random_engine(rng), 360.0 / counts * lines_hz * off_step
        truth = engine.truth_of("inlet_1")
        encoder = Encoder(counts, lines_hz, zero_deg=rng.uniform(0.0, 1.0))
        turns = (
            Hand(truth.full_lift_deg - rng.uniform(250.0, 300.0), Manner(speed, 0.0), rng).turns(4.0).done()
        )
        valve = Mounting(GAUGE, "inlet_1", truth.peak_lift_mm + 2.0, opposed=True)
        trace = record(Setup(engine, turns, encoder, {"valve": valve}), rng)
        lobe = find_lobe(as_stored(trace), LobeSettings(), FACTS)
        off = (lobe.centre_deg - trace.lobe.centre_deg(1.27) + 360.0) % 720.0 - 360.0
        ratios.append(off / lobe.u95_deg)
        over = Hand(-170.0 + rng.uniform(0.0, 30.0), Manner(speed, 0.0), rng).turns(3.0).done()
        trace = record(Setup(engine, over, encoder, {"plug": Mounting(GAUGE, "piston_1", 23.0)}), rng)
        top = find_tdc(as_stored(trace), TdcSettings(), FACTS)
        off = (top.centre_deg - trace.truth.tdc_deg + 180.0) % 360.0 - 180.0
        ratios.append(off / top.u95_deg)
    print(f"{counts} counts, {lines_hz:g} lines a second: errors over intervals {np.round(ratios, 2)}")
    assert np.max(np.abs(ratios)) < 1.0

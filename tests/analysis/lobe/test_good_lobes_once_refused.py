"""Good lobes that were refused before: traces of the accuracy benchmark, made of the same seeds, and why."""

from __future__ import annotations

import numpy as np
import pytest
from bench_cases import as_stored

from analysis.base import GaugeFacts, LobeSettings
from analysis.lobe import find_lobe
from simulated_devices.traces import random_lobe

BENCHMARK_SEED = 20261125


@pytest.mark.parametrize(
    "number",
    [
        pytest.param(182, id="turned back past a flank between two readings, which is no flank"),
        pytest.param(
            463, id="the hand stops on the flank, and a lag that is not known bends the curve there"
        ),
    ],
)
def test_a_good_lobe_is_measured_within_its_interval(number: int) -> None:
    bench = random_lobe(np.random.default_rng([BENCHMARK_SEED, number, *b"good"]))
    trace, known = bench.trace, bench.known
    streams = as_stored(trace)
    found = find_lobe(
        streams, LobeSettings(), GaugeFacts(known.lag_s, known.lag_u_s, known.step_mm, known.error_mm)
    )
    off = (found.centre_deg - trace.lobe.centre_deg(1.27) + 360.0) % 720.0 - 360.0
    assert abs(off) < found.u95_deg

"""Passes over one nose that stand apart, as of a cam with play on its key, are no gauge with a clock of its own."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.base import GaugeFacts, LobeSettings, Refusal, Streams
from analysis.lobe import find_lobe
from simulated_devices.faults.random_faults import faulted_lobe
from simulated_devices.traces import Bench

BENCHMARK_SEED = 20261125


def rocked_over_a_loose_key() -> tuple[Bench, Streams]:
    """Three ways forward over the nose, the second 3.4 degrees from the others, by a gauge slow enough for many clocks."""
    bench = faulted_lobe("key_play", np.random.default_rng([BENCHMARK_SEED, 12, *b"key_play"]))
    trace = bench.trace
    return bench, Streams(trace.crank_time_s, trace.crank_deg, trace.gauge_time_s, trace.gauge_mm)


def test_ways_forward_over_the_nose_are_passes_of_their_own() -> None:
    bench, streams = rocked_over_a_loose_key()
    assert bench.pattern == "nose_rocked"
    with pytest.raises(Refusal) as refused:
        find_lobe(streams, LobeSettings(), GaugeFacts(step_mm=bench.known.step_mm))
    assert refused.value.code == "passes_disagree"

"""Passes over one nose that stand apart, as of a cam with play on its key: no clock of a gauge, and never silent."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.base import GaugeFacts, LobeResult, LobeSettings, Refusal, Streams
from analysis.lobe import find_lobe
from simulated_devices.faults.random_faults import faulted_lobe

BENCHMARK_SEED = 20261125


def rocked_over_a_loose_key(number: int) -> LobeResult:
    """Ways forward over the nose, some of them more than three degrees from the others, by a slow gauge."""
    bench = faulted_lobe("key_play", np.random.default_rng([BENCHMARK_SEED, number, *b"key_play"]))
    assert bench.pattern == "nose_rocked"
    trace = bench.trace
    streams = Streams(trace.crank_time_s, trace.crank_deg, trace.gauge_time_s, trace.gauge_mm)
    return find_lobe(streams, LobeSettings(), GaugeFacts(step_mm=bench.known.step_mm))


def test_ways_forward_over_the_nose_are_passes_of_their_own() -> None:
    with pytest.raises(Refusal) as refused:
        rocked_over_a_loose_key(12)
    assert refused.value.code == "passes_disagree"


def test_play_that_a_lag_took_up_is_told_as_unproven() -> None:
    """Two slow ways at one end of the play and two quick ones at the other: a lag 30 ms less does nearly the same."""
    warned = {warning.code for warning in rocked_over_a_loose_key(234).warnings}
    assert "agreement_unproven" in warned

"""Estimates of a running measurement: each from what the last one knew, the last the same as that of the whole."""

from __future__ import annotations

import numpy as np
from bench_cases import as_stored

from analysis.base import GaugeFacts, LobeSettings, Streams, TdcSettings
from api.live import FitOutcome, LiveEstimate, estimate
from simulated_devices.traces import random_lobe, random_tdc


def part(streams: Streams, share: float) -> Streams:
    """The streams up to a share of their time."""
    crank, gauge = (int(share * len(time)) for time in (streams.crank_time_s, streams.gauge_time_s))
    return Streams(
        streams.crank_time_s[:crank],
        streams.crank_deg[:crank],
        streams.gauge_time_s[:gauge],
        streams.gauge_mm[:gauge],
    )


def told(outcome: FitOutcome) -> tuple[float, float]:
    assert outcome.result is not None, outcome.error
    return outcome.result["centre_deg"], outcome.result["u95_deg"]


def test_a_running_lobe_ends_on_the_number_of_the_whole_trace() -> None:
    trace = random_lobe(np.random.default_rng(41), "turns").trace
    streams = as_stored(trace)
    live = LiveEstimate(LobeSettings(), GaugeFacts())
    outcomes = [live(part(streams, share)) for share in (*np.arange(0.02, 1.0, 0.04), 1.0, 1.0, 1.0)]
    assert all(outcome.result is None or outcome.error is None for outcome in outcomes)
    assert outcomes[0].result is None
    (centre, u95), (kept, kept_u95) = (
        told(outcomes[-1]),
        told(estimate(streams, LobeSettings(), GaugeFacts())),
    )
    assert abs(centre - kept) < 0.2 * kept_u95
    assert abs(u95 - kept_u95) < 0.2 * kept_u95
    assert outcomes[-1].curve_deg


def test_a_running_tdc_gives_the_number_of_the_whole_trace() -> None:
    trace = random_tdc(np.random.default_rng(42), "rocking").trace
    streams = as_stored(trace)
    live = LiveEstimate(TdcSettings(), GaugeFacts())
    for share in (0.3, 0.5, 0.7, 0.9, 1.0):
        outcome = live(part(streams, share))
    (centre, _), (kept, kept_u95) = told(outcome), told(estimate(streams, TdcSettings(), GaugeFacts()))
    assert abs(centre - kept) < 0.02 * kept_u95


def test_what_every_measurement_is_at_first_is_not_said_until_it_stays_so() -> None:
    trace = random_tdc(np.random.default_rng(42), "rocking").trace
    streams = as_stored(trace)
    few = part(streams, 3.5 / len(streams.crank_time_s))
    assert estimate(few, TdcSettings(), GaugeFacts()).error is not None
    assert LiveEstimate(TdcSettings(), GaugeFacts())(few) == FitOutcome()

    stays = Streams(np.array([0.0, 4.0]), np.array([0.0, 40.0]), few.gauge_time_s, few.gauge_mm)
    told_still = LiveEstimate(TdcSettings(), GaugeFacts())(stays)
    assert told_still.error is not None
    assert told_still.error["code"] == "too_few_readings"

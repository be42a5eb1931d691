"""A gauge with a clock of its own, followed while the crank is turned: read at its ticks as the finished number is."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import TypeVar

import numpy as np
import pytest
from bench_cases import as_stored

from analysis.base import GaugeFacts, LobeResult, LobeSettings, Refusal, Streams, TdcResult, TdcSettings
from analysis.lobe import LobeFollower, find_lobe
from analysis.tdc import TdcFollower, find_tdc
from simulated_devices.faults.as_they_are import MeasuresByItsTick
from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, Mounting
from simulated_devices.traces import Setup, Trace, record
from simulated_devices.traces.random_benches import random_engine

Told = TypeVar("Told", LobeResult, TdcResult)
PACES = [(10.0, 11.3), (20.0, 11.3), (30.0, 8.4)]


def bench(seed: int, says_hz: float, measures_hz: float | None, touches: str) -> Trace:
    """Two gauges alike but for their clock make the same lines, one late by how old its value is."""
    rng = np.random.default_rng([seed, 12])
    engine = random_engine(rng, "mixed_law")
    gauge = DialIndicator(step=0.01, rate_hz=says_hz, lag_s=0.05, jitter_s=0.002, travel_mm=25.0)
    if touches == "piston_1":
        hand = Hand(-70.0, Manner(35.0, 0.1), rng).rock(0.0, 50.0, 3)
        mounting = Mounting(gauge, touches, 23.0)
    else:
        truth = engine.truth_of(touches)
        hand = Hand(truth.full_lift_deg - 280.0, Manner(40.0, 0.1), rng).turns(2.0).turns(2.0, 55.0)
        mounting = Mounting(gauge, touches, truth.peak_lift_mm + 2.0, opposed=True)
    faults = [MeasuresByItsTick(1.0 / measures_hz)] if measures_hz else []
    return record(Setup(engine, hand.done(), Encoder(3600), {"dial": mounting}), rng, faults)


def growing(trace: Trace, every_s: float) -> Iterator[Streams]:
    """The streams as they stand after every so many seconds, the whole of them last."""
    for until_s in np.append(np.arange(4.0, trace.crank_time_s[-1], every_s), np.inf):
        yield as_stored(trace, until_s)


def told_live(update: Callable[[Streams], Told], trace: Trace) -> tuple[list[Told], set[str]]:
    """Every number that was shown, and what was refused on the way."""
    told, refused = [], set()
    for streams in growing(trace, 1.5):
        try:
            told.append(update(streams))
        except Refusal as refusal:
            refused.add(refusal.code)
    return told, refused


def lobe_error(trace: Trace, result: LobeResult) -> float:
    return (result.centre_deg - trace.lobe.centre_deg(1.27) + 360.0) % 720.0 - 360.0


def tdc_error(trace: Trace, result: TdcResult) -> float:
    return (result.centre_deg - trace.truth.tdc_deg + 180.0) % 360.0 - 180.0


def as_found(trace: Trace) -> GaugeFacts:
    """The gauge as a TDC before tells it."""
    top = find_tdc(as_stored(trace), TdcSettings(), GaugeFacts(step_mm=0.01))
    return GaugeFacts(top.lag_s, top.lag_u_s, 0.01, jitter_s=top.jitter_s, tick_s=top.tick_s)


@pytest.mark.parametrize(("says_hz", "measures_hz"), PACES)
@pytest.mark.parametrize("carried", [True, False])
def test_the_last_live_lobe_is_as_sure_as_the_finished_one(says_hz, measures_hz, carried):
    for seed in range(1):
        facts = as_found(bench(seed, says_hz, measures_hz, "piston_1"))
        assert facts.tick_s == pytest.approx(1.0 / measures_hz, rel=0.002)
        if not carried:
            facts = GaugeFacts(facts.lag_s, facts.lag_u_s, 0.01, jitter_s=facts.jitter_s)
        trace = bench(seed, says_hz, measures_hz, "inlet_1")
        shown, refused = told_live(LobeFollower(LobeSettings(), facts).update, trace)
        finished = find_lobe(as_stored(trace), LobeSettings(), facts)
        assert all(abs(lobe_error(trace, one)) < 1.5 * one.u95_deg for one in shown)
        assert shown[-1].u95_deg < 1.6 * finished.u95_deg
        assert abs(shown[-1].centre_deg - finished.centre_deg) < finished.u95_deg
        assert "gauge_frozen" not in refused, "what it repeats is no fault"


@pytest.mark.parametrize(("says_hz", "measures_hz"), PACES)
def test_the_last_live_tdc_is_the_finished_one(says_hz, measures_hz):
    for seed in range(2):
        trace = bench(seed, says_hz, measures_hz, "piston_1")
        facts = GaugeFacts(step_mm=0.01)
        shown, _ = told_live(TdcFollower(TdcSettings(), facts).update, trace)
        finished = find_tdc(as_stored(trace), TdcSettings(), facts)
        assert all(abs(tdc_error(trace, one)) < 1.5 * one.u95_deg for one in shown if one.tick_s)
        assert shown[-1].tick_s == pytest.approx(1.0 / measures_hz, rel=0.002)
        apart = abs(tdc_error(trace, shown[-1]) - tdc_error(trace, finished))
        assert apart < shown[-1].u95_deg + finished.u95_deg


def test_a_gauge_that_measures_when_it_speaks_is_left_as_it_is():
    for seed in range(3):
        trace = bench(seed, 12.0, None, "inlet_1")
        top = as_found(bench(seed, 12.0, None, "piston_1"))
        assert top.tick_s is None
        for facts in (top, GaugeFacts(0.05, 0.001, 0.01)):
            shown, _ = told_live(LobeFollower(LobeSettings(), facts).update, trace)
            assert abs(lobe_error(trace, shown[-1])) < 1.5 * shown[-1].u95_deg


@pytest.mark.parametrize(("says_hz", "measures_hz"), PACES)
def test_a_tdc_from_one_look_holds_though_its_clock_is_known_from_few_ticks(says_hz, measures_hz):
    """Ticks counted a thousandth too seldom make the way there late and the way back early: 0.07 deg at +- 0.01, once."""
    for seed in range(2):
        trace = bench(seed, says_hz, measures_hz, "piston_1")
        for streams in growing(trace, 1.5):
            with suppress(Refusal):
                one = find_tdc(streams, TdcSettings(), GaugeFacts(step_mm=0.01))
                assert one.tick_s is None or abs(tdc_error(trace, one)) < 1.5 * one.u95_deg


def test_what_a_tdc_told_of_the_clock_keeps_a_lobe_of_few_readings_from_a_wrong_one():
    """Said and measured at nearly one pace, rocked quickly over the nose: clocks a few per cent apart suit as well."""
    tick_s, told = 1.0 / 10.475, 0
    facts = GaugeFacts(0.05 + 0.5 * tick_s, 0.001, 0.001, jitter_s=tick_s / np.sqrt(12.0), tick_s=tick_s)
    for seed in range(8):
        rng = np.random.default_rng([seed, 13])
        engine = random_engine(rng, "mixed_law")
        truth = engine.truth_of("inlet_1")
        gauge = DialIndicator(step=0.001, rate_hz=10.0, lag_s=0.05, travel_mm=25.0)
        hand = Hand(truth.full_lift_deg - 120.0, Manner(105.0, 0.1), rng)
        for _ in range(6):
            hand.by(210.0, 105.0).by(-210.0)
        mounting = Mounting(gauge, "inlet_1", truth.peak_lift_mm + 2.0, opposed=True)
        setup = Setup(engine, hand.done(), Encoder(3600), {"dial": mounting})
        trace = record(setup, rng, [MeasuresByItsTick(tick_s)])
        with suppress(Refusal):
            result = find_lobe(as_stored(trace), LobeSettings(), facts)
            assert abs(lobe_error(trace, result)) < 1.5 * result.u95_deg
            told += 1
    assert told >= 5

"""True TDC told ten times a second while the crank is turned: each number goes on from the one before."""

from __future__ import annotations

import numpy as np
import pytest
from bench_cases import as_stored

from analysis.base import GaugeFacts, Refusal, TdcResult, TdcSettings
from analysis.tdc import TdcFollower, find_tdc
from simulated_devices.faults.as_they_are import LooseCoupling, MeasuresByItsTick, StickingPlunger
from simulated_devices.faults.random_faults import faulted_tdc
from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, Mounting
from simulated_devices.traces import Fault, Setup, Trace, record
from simulated_devices.traces.random_benches import random_engine

FACTS = GaugeFacts(step_mm=0.01, error_mm=0.0, retrace_mm=0.02)
ASKED = TdcSettings(encoder_error_deg=0.1)
BENCHES: dict[str, tuple[bool, list[Fault]]] = {
    "rocked": (False, []),
    "turned on": (True, []),
    "with play": (False, [LooseCoupling(0.25)]),
    "with retrace": (False, [StickingPlunger(0.015)]),
    "with a clock": (False, [MeasuresByItsTick(0.0953)]),
}


def turned(seed: int, one_way: bool, faults: list[Fault]) -> Trace:
    rng = np.random.default_rng([seed, 31])
    gauge = DialIndicator(step=0.01, rate_hz=20.0, lag_s=0.06, jitter_s=0.003, travel_mm=25.0)
    hand = Hand(-60.0, Manner(35.0, 0.15), rng)
    if one_way:
        hand.turns(2.0, 30.0).turns(2.0, 60.0)
    else:
        hand.rock(0.0, 55.0, 4)
    setup = Setup(random_engine(rng), hand.done(), Encoder(3600), {"plug": Mounting(gauge, "piston_1", 21.0)})
    return record(setup, rng, faults)


def told_live(trace: Trace) -> list[TdcResult | str]:
    """What each update of the last five seconds told, the number or the code of a refusal."""
    follower, told = TdcFollower(ASKED, FACTS), list[TdcResult | str]()
    end_s = float(trace.crank_time_s[-1])
    for now_s in np.linspace(end_s - 5.0, end_s, 51):
        try:
            told.append(follower.update(as_stored(trace, now_s)))
        except Refusal as refusal:
            told.append(refusal.code)
    return told


def apart_deg(one_deg: float, other_deg: float) -> float:
    return abs((one_deg - other_deg + 180.0) % 360.0 - 180.0)


@pytest.mark.parametrize("name", BENCHES)
def test_what_was_gone_on_to_is_what_the_whole_trace_gives(name: str) -> None:
    for seed in range(2):
        trace = turned(seed, *BENCHES[name])
        last = told_live(trace)[-1]
        whole = find_tdc(as_stored(trace), ASKED, FACTS)
        assert isinstance(last, TdcResult)
        assert apart_deg(last.centre_deg, whole.centre_deg) < 0.15 * whole.u95_deg
        assert last.u95_deg == pytest.approx(whole.u95_deg, rel=0.15)
        assert {one.code for one in last.warnings} == {one.code for one in whole.warnings}


@pytest.mark.parametrize("fault", ["knocked_stand", "encoder_slip", "zero_key"])
def test_a_fault_that_comes_while_it_goes_on_is_refused_as_in_the_whole_trace(fault: str) -> None:
    for seed in range(2):
        trace = faulted_tdc(fault, np.random.default_rng([seed, 7])).trace
        try:
            whole = find_tdc(as_stored(trace), ASKED, FACTS)
        except Refusal as refusal:
            assert told_live(trace)[-1] == refusal.code
        else:
            last = told_live(trace)[-1]
            assert isinstance(last, TdcResult)
            assert apart_deg(last.centre_deg, whole.centre_deg) < 0.15 * whole.u95_deg


def test_nobody_is_accused_for_where_it_went_on_from() -> None:
    """Told first of one trace and then of another, which is no earlier one grown: what it held must not spoil the next."""
    first, second = turned(5, False, []), turned(6, False, [])
    follower = TdcFollower(ASKED, FACTS)
    follower.update(as_stored(first))
    again = follower.update(as_stored(second))
    whole = find_tdc(as_stored(second), ASKED, FACTS)
    assert apart_deg(again.centre_deg, whole.centre_deg) < 0.15 * whole.u95_deg

"""True TDC by gauges that measure by a clock of their own: engines, hands and gauges drawn at random, as simulated."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace

import numpy as np
import pytest
from bench_cases import as_stored
from drawn_shop import Shop

from analysis.base import GaugeFacts, Refusal, TdcResult, TdcSettings
from analysis.tdc import find_tdc
from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, Mounting
from simulated_devices.traces import Setup, record
from simulated_devices.traces.random_benches import random_engine


def first_tdc(shop: Shop) -> tuple[TdcResult, float]:
    """What is told of a gauge of which nothing is known, and how far off it is."""
    part = shop.part("piston_1")
    trace = part.trace
    streams = as_stored(trace)
    gauge = GaugeFacts(step_mm=shop.gauge.step_mm, error_mm=0.0, retrace_mm=0.0)
    told = find_tdc(streams, TdcSettings(encoder_error_deg=0.0), gauge)
    return told, (told.centre_deg - part.truth_deg + 180.0) % 360.0 - 180.0


@pytest.mark.parametrize("seed", [1035, 2075])
def test_a_gauge_that_follows_a_tenth_of_a_second_late_at_the_end_of_its_reach_accuses_no_encoder(
    seed: int,
) -> None:
    """It was refused as an encoder with other counts a turn."""
    told, off_deg = first_tdc(Shop(seed))
    assert abs(off_deg) < 1.5 * told.u95_deg < 0.02


@pytest.mark.parametrize(("seed", "clock_hz"), [(2004, 8.953), (2121, 8.352), (2240, 8.172)])
def test_its_clock_is_found_although_it_is_late_unevenly_besides(seed: int, clock_hz: float) -> None:
    """Late by chance as well, by nothing, 11 and 14 ms."""
    told, off_deg = first_tdc(Shop(seed))
    assert told.tick_s is not None
    assert 1.0 / told.tick_s == pytest.approx(clock_hz, abs=0.03)
    assert abs(off_deg) < 1.5 * told.u95_deg < 0.12


@pytest.mark.parametrize(("seed", "clock_hz"), [(4011, 10.616), (6496, 9.298), (7111, 10.019)])
def test_of_two_clocks_between_passes_far_apart_the_one_that_leaves_readings_even_is_taken(
    seed: int, clock_hz: float
) -> None:
    """Another ticks once more, or once less, from turn to turn: by it they were 1.8 to 2.5 intervals off."""
    told, off_deg = first_tdc(Shop(seed))
    assert told.tick_s is not None
    assert 1.0 / told.tick_s == pytest.approx(clock_hz, abs=0.03)
    assert abs(off_deg) < 1.5 * told.u95_deg < 0.12


@pytest.mark.parametrize(
    ("seed", "clock_hz"), [(2173, 9.740), (2220, 9.255), (63495, 10.269), (63683, 10.844), (64541, 10.188)]
)
def test_a_clock_to_which_the_fit_has_given_way_is_found(seed: int, clock_hz: float) -> None:
    """Nothing was found of it, or two wrong ones: 1.8 deg off at 0.16, 3.1 at 1.3, 0.22 at 0.13, or refused."""
    told, off_deg = first_tdc(Shop(seed))
    assert told.tick_s is not None
    assert 1.0 / told.tick_s == pytest.approx(clock_hz, abs=0.03)
    assert abs(off_deg) < 1.5 * told.u95_deg < 0.1


def test_a_clock_that_beats_slowly_with_the_lines_is_told_by_many_passes() -> None:
    """It measures 9.88 times a second and speaks ten times: each pass stands apart from the next, as if counts were lost."""
    told, off_deg = first_tdc(Shop(61764))
    assert told.tick_s is not None
    assert 1.0 / told.tick_s == pytest.approx(9.882, abs=0.03)
    assert abs(off_deg) < 1.5 * told.u95_deg < 0.1


def test_of_passes_that_creep_or_leap_no_clock_is_believed() -> None:
    """An encoder's coupling that slips a little with every turn, or now and then, on a gauge that is late evenly."""
    told = 0
    for seed in range(6):
        rng = np.random.default_rng([seed, 1130])
        speed = float(rng.uniform(40.0, 100.0))
        hand = Hand(-120.0, Manner(speed, 0.15, 0.3), rng).pause(0.5)
        for number in range(9):
            hand.turns(1.0, speed * (1.0, 0.7, 1.3)[number % 3])
        gauge = DialIndicator(step=0.01, rate_hz=10.0, lag_s=0.06)
        setup = Setup(
            random_engine(rng),
            hand.pause(1.0).done(),
            Encoder(3600),
            {"plug": Mounting(gauge, "piston_1", 8.0)},
        )
        trace = as_stored(record(setup, rng, []))
        turned = (trace.crank_deg - trace.crank_deg[0]) / 360.0
        leaps = np.floor(turned / 2.3) * rng.uniform(0.5, 3.0)
        slipped = leaps if seed % 2 else turned * rng.uniform(0.1, 0.6)
        streams = replace(trace, crank_deg=trace.crank_deg + np.round(10.0 * slipped) / 10.0)
        with suppress(Refusal):
            told += find_tdc(streams, TdcSettings(), GaugeFacts(step_mm=0.01)).tick_s is not None
    assert told == 0


def test_of_two_clocks_that_explain_as_much_the_interval_holds_what_either_tells() -> None:
    """One ticks once more in each turn that is not seen: it was 0.39 deg off at 0.02."""
    told, off_deg = first_tdc(Shop(63606))
    assert abs(off_deg) < 1.5 * told.u95_deg
    assert max(told.budget, key=lambda one: one.u_deg).source == "clock of the gauge"


def test_where_a_slower_clock_explains_as_much_the_lag_is_known_no_better_than_both_tell_it() -> None:
    """Of three passes one of 29.6 Hz looks like the 9.88 that it is: the lag was 30 ms short at 1.9, on to every lobe."""
    shop = Shop(40206)
    told, off_deg = first_tdc(shop)
    lag_s = shop.gauge.lag_s + 0.5 / 9.8775
    assert abs(told.lag_s - lag_s) < 3.0 * told.lag_u_s
    assert abs(off_deg) < 1.5 * told.u95_deg < 0.05


def test_rounding_of_a_long_way_makes_no_reading_beyond_the_last() -> None:
    """It was an error of the program, once in 2,255 such traces."""
    told, off_deg = first_tdc(Shop(60246))
    assert abs(off_deg) < 1.5 * told.u95_deg < 0.1

"""True TDC by gauges that measure by a clock of their own: engines, hands and gauges drawn at random, as simulated."""

from __future__ import annotations

import pytest
from bench_cases import as_stored
from drawn_shop import Shop

from analysis.base import GaugeFacts, Refusal, TdcResult, TdcSettings
from analysis.tdc import find_tdc


def first_tdc(shop: Shop) -> tuple[TdcResult, float]:
    """What is told of a gauge of which nothing is known, and how far off it is."""
    part = shop.parts[0]
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


@pytest.mark.parametrize("seed", [2173, 2220])
def test_a_clock_that_leaves_readings_uneven_is_not_believed(seed: int) -> None:
    """They were 6.93 deg off at 1.83 and 0.40 at 0.14, by a clock 3 and 2 per cent off."""
    try:
        told, off_deg = first_tdc(Shop(seed))
    except Refusal as refusal:
        assert refusal.code == "does_not_fit"
        return
    assert told.tick_s is None
    assert abs(off_deg) < told.u95_deg

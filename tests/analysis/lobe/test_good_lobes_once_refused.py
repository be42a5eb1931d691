"""Good lobes that were refused before: traces of benchmarks, made of the same seeds, and why."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from bench_cases import as_stored
from drawn_shop import DROP_MM, Shop

from analysis.base import GaugeFacts, LobeSettings
from analysis.lobe import find_lobe
from simulated_devices.machine import Engine
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


@pytest.mark.parametrize(
    ("seed", "touches", "longer", "lift_mm"),
    [
        pytest.param(15027, "exhaust_3", 1.0, 12.7, id="high and narrow, in a live run"),
        pytest.param(62012, "exhaust_1", 1.5, 19.7, id="as a long rocker makes of a high one"),
        pytest.param(62041, "inlet_3", 1.5, 18.3, id="another, with a slow gauge"),
    ],
)
def test_a_high_and_narrow_lobe_has_no_corner_because_it_bends_more(
    seed: int, touches: str, longer: float, lift_mm: float
) -> None:
    """They were refused as cams that their springs threw, or as having a corner; limits stood in millimetres a degree."""
    shop = Shop(seed)
    shop.engine = with_rockers(shop.engine, longer)
    assert shop.engine.truth_of(touches).peak_lift_mm == pytest.approx(lift_mm, abs=0.05)
    zero_deg, lobe = shop.part("piston_1").truth_deg, shop.part(touches)
    gauge = GaugeFacts(shop.gauge.lag_s, 0.0005, shop.gauge.step_mm, 0.0, 0.0, jitter_s=shop.gauge.jitter_s)
    asked = LobeSettings(tdc_deg=zero_deg, tdc_u_deg=0.005, drop_mm=DROP_MM)
    found = find_lobe(as_stored(lobe.trace), asked, gauge)
    assert abs(math.remainder(found.centre_deg - lobe.truth_deg, 360.0)) < 1.5 * found.u95_deg < 0.3


def test_a_lag_that_was_found_of_a_gauge_is_one_that_gauges_have() -> None:
    """True TDC told 290 ms; by the lobe after it "no gauge does" that, and the lobe had "stood elsewhere in each pass"."""
    shop = Shop(70026)
    shop.gauge = replace(shop.gauge, lag_s=0.29)
    zero_deg, lobe = shop.part("piston_1").truth_deg, shop.part("inlet_1")
    gauge = GaugeFacts(0.2895, 0.0005, shop.gauge.step_mm, 0.0, 0.0, jitter_s=shop.gauge.jitter_s)
    found = find_lobe(
        as_stored(lobe.trace), LobeSettings(tdc_deg=zero_deg, tdc_u_deg=0.005, drop_mm=DROP_MM), gauge
    )
    assert abs(math.remainder(found.centre_deg - lobe.truth_deg, 360.0)) < 1.5 * found.u95_deg < 0.3


def with_rockers(engine: Engine, longer: float) -> Engine:
    """The same cams, each valve by a rocker so many times as long on its side."""
    cams = {
        name: replace(
            cam,
            valves={
                valve: replace(one, rocker_ratio=longer * one.rocker_ratio)
                for valve, one in cam.valves.items()
            },
        )
        for name, cam in engine.cams.items()
    }
    return replace(engine, cams=cams)


def test_a_lobe_rocked_with_a_slow_gauge_is_not_taken_for_its_base_circle() -> None:
    """Three readings a second, most of them on the nose: that was taken for the base, and the base for a nose.

    The middle of the base was told, by a turn of the crank and six degrees beside the nose, with no more than a warning
    that it had been seen once.
    """
    shop = Shop(72058)
    shop.gauge = replace(shop.gauge, rate_hz=2.881868669661756)
    zero_deg, lobe = shop.part("piston_1").truth_deg, shop.part("inlet_2")
    assert lobe.pattern == "rocked"
    gauge = GaugeFacts(shop.gauge.lag_s, 0.0005, shop.gauge.step_mm, 0.0, 0.0, jitter_s=shop.gauge.jitter_s)
    asked = LobeSettings(tdc_deg=zero_deg, tdc_u_deg=0.005, drop_mm=DROP_MM)
    found = find_lobe(as_stored(lobe.trace), asked, gauge)
    assert abs(math.remainder(found.centre_deg - lobe.truth_deg, 360.0)) < 1.5 * found.u95_deg < 0.3


@pytest.mark.parametrize(
    ("seed", "touches", "lines_a_second"),
    [(72003, "inlet_2", 7.658196), (72031, "inlet_1", 6.456843), (72049, "exhaust_2", 7.034622)],
)
def test_an_encoder_that_is_read_ten_times_a_second_leaps_no_more_than_a_hand_begins_to_turn(
    seed: int, touches: str, lines_a_second: float
) -> None:
    """From rest to 90 deg/s within a line or two, "which no hand can turn"; speed beside it was that of half a second."""
    shop = Shop(seed)
    shop.encoder = replace(shop.encoder, rate_hz=lines_a_second)
    zero_deg, lobe = shop.part("piston_1").truth_deg, shop.part(touches)
    gauge = GaugeFacts(shop.gauge.lag_s, 0.001, shop.gauge.step_mm, 0.0, 0.0, jitter_s=shop.gauge.jitter_s)
    asked = LobeSettings(tdc_deg=zero_deg, tdc_u_deg=0.005, drop_mm=DROP_MM)
    found = find_lobe(as_stored(lobe.trace), asked, gauge)
    assert abs(math.remainder(found.centre_deg - lobe.truth_deg, 360.0)) < 1.5 * found.u95_deg < 2.0

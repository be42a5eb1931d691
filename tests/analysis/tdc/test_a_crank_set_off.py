"""Engines whose crank stands a centimetre to one side of the bores, as some have it (from memory: 8 to 14 mm).

The piston is highest where rod and throw lie in one line (plane geometry): the crank then stands at the arc sine of the
offset over rod and throw together, away from where a crank below the bores would stand.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from bench_cases import as_stored
from drawn_shop import Part, Shop

from analysis.base import GaugeFacts, Refusal, Streams, TdcSettings
from analysis.tdc import find_tdc
from simulated_devices.machine import SliderCrank

STROKE_MM, ROD_MM = 86.0, 145.0


def over_the_top(seed: int, aside_mm: float) -> tuple[Part, GaugeFacts]:
    shop = Shop(seed)
    shop.engine = replace(shop.engine, crank=SliderCrank(STROKE_MM, ROD_MM, aside_mm))
    return shop.part("piston_1"), GaugeFacts(step_mm=shop.gauge.step_mm, error_mm=0.0, retrace_mm=0.0)


def off_by(part: Part, told_deg: float) -> float:
    return abs(math.remainder(told_deg - part.truth_deg, 360.0))


@pytest.mark.parametrize("aside_mm", [-12.0, 12.0])
@pytest.mark.parametrize("seed", [71001, 71005, 71009, 71011])
def test_one_that_is_told_is_measured_as_any_other(seed: int, aside_mm: float) -> None:
    """It was refused as no piston that moves as the figures say, or as an engine that cannot turn."""
    part, gauge = over_the_top(seed, aside_mm)
    told = find_tdc(as_stored(part.trace), TdcSettings(STROKE_MM, ROD_MM, aside_mm), gauge)
    assert off_by(part, told.centre_deg) < 1.5 * told.u95_deg < 0.3


def by_plane_geometry(bore_right_mm: float) -> Streams:
    """A crank turned clockwise at some 25 deg/s, its bore so far to the right, written down without the simulator.

    The throw's end goes round, the rod reaches from there to the bore's middle line; the gauge touches the last 14 mm.
    """
    crank_s = np.arange(0.0, 58.0, 0.005)
    throw_deg = -60.0 + 25.0 * crank_s + 8.0 * np.sin(0.9 * crank_s)
    gauge_s = np.arange(0.05, 57.9, 0.08)
    throw = np.radians(np.interp(gauge_s, crank_s, throw_deg))
    across_mm = 0.5 * STROKE_MM * np.sin(throw) - bore_right_mm
    height_mm = 0.5 * STROKE_MM * np.cos(throw) + np.sqrt(ROD_MM**2 - across_mm**2)
    top_mm = math.sqrt((ROD_MM + 0.5 * STROKE_MM) ** 2 - bore_right_mm**2)
    shown_mm = np.round(np.maximum(height_mm - top_mm, -14.0), 2)
    counted_deg = np.round(throw_deg * 10.0) / 10.0
    return Streams(crank_s, counted_deg, gauge_s, shown_mm)


@pytest.mark.parametrize("told", [True, False], ids=["told", "not told"])
@pytest.mark.parametrize("bore_right_mm", [-12.0, 12.0])
def test_its_top_is_where_rod_and_throw_lie_in_one_line(bore_right_mm: float, told: bool) -> None:
    at_deg = math.degrees(math.asin(bore_right_mm / (ROD_MM + 0.5 * STROKE_MM)))
    assert abs(at_deg) == pytest.approx(3.66, abs=0.005)
    # Gas presses a piston to the left where the crank turns clockwise: that side is the thrust side, and positive.
    settings = TdcSettings(STROKE_MM, ROD_MM, -bore_right_mm) if told else TdcSettings()
    gauge = GaugeFacts(0.0, 0.0005, 0.01, 0.0, 0.0)
    found = find_tdc(by_plane_geometry(bore_right_mm), settings, gauge)
    assert abs(math.remainder(found.centre_deg - at_deg, 360.0)) < 1.5 * found.u95_deg < 0.1


@pytest.mark.parametrize(("seed", "aside_mm"), [(71002, -12.0), (71010, 8.0), (71000, -12.0), (71009, -12.0)])
def test_one_of_which_nothing_is_told_is_believed_in_where_readings_tell_of_it(
    seed: int, aside_mm: float
) -> None:
    """Of a pin a millimetre aside they tell another top, a tenth of a degree off at an interval of 0.04."""
    part, gauge = over_the_top(seed, aside_mm)
    told = find_tdc(as_stored(part.trace), TdcSettings(), gauge)
    assert off_by(part, told.centre_deg) < 1.5 * told.u95_deg < 0.3


def test_one_that_cannot_turn_is_refused_in_words() -> None:
    part, gauge = over_the_top(71011, 0.0)
    with pytest.raises(Refusal) as refused:
        find_tdc(as_stored(part.trace), TdcSettings(STROKE_MM, ROD_MM, 30.0), gauge)
    assert refused.value.code == "impossible_engine"

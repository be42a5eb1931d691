"""A gauge with a clock of its own, written down without the simulator: what it tells is the lift at its last tick.

The lobe is the same on either side of its nose, so its centre is known without any fit; the ticks are whole numbers.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.base import Floats, GaugeFacts, LobeSettings, Streams
from analysis.lobe import find_lobe_with_fit

CENTRE_DEG, LAG_S, STEP_MM, LINES_S = 473.3, 0.06, 0.01, 0.1
ASKED = LobeSettings(tdc_deg=0.0, tdc_u_deg=0.0, drop_mm=1.27, encoder_error_deg=0.0)
LIKE, QUICKER = (96.0, 96.0, 96.0), (80.0, 110.0, 60.0)


def lift_mm(crank_deg: Floats) -> Floats:
    off_deg = np.mod(crank_deg - CENTRE_DEG + 360.0, 720.0) - 360.0
    return np.where(np.abs(off_deg) < 130.0, 9.0 * np.cos(np.pi * off_deg / 260.0) ** 2, 0.0)


def told(clock_hz: float, speeds_deg_s: tuple[float, ...]) -> tuple[float, float, bool]:
    """How far the centre is off, its interval, and whether a clock was found; the clock is known to 0.03 %."""
    ends_s = 1.0 + np.cumsum([0.0, *(720.0 / speed for speed in speeds_deg_s)])
    time_s = np.arange(0.0, ends_s[-1] + 1.0, 0.005)
    crank_deg = 100.0 + np.interp(time_s, ends_s, 720.0 * np.arange(len(ends_s)))
    spoken_s = np.arange(0.03, time_s[-1], LINES_S)
    measured_s = np.floor((spoken_s - LAG_S) * clock_hz) / clock_hz
    value_mm = STEP_MM * np.round(lift_mm(np.interp(measured_s, time_s, crank_deg)) / STEP_MM)
    streams = Streams(time_s, np.round(10.0 * crank_deg) / 10.0, spoken_s, value_mm)
    tick_s = 1.0 / clock_hz
    jitter_s, known_s = tick_s / np.sqrt(12.0), 1.0003 * tick_s
    gauge = GaugeFacts(
        LAG_S + 0.5 * tick_s, 0.001, STEP_MM, 0.0, 0.0, jitter_s=float(jitter_s), tick_s=known_s
    )
    result, measured = find_lobe_with_fit(streams, ASKED, gauge)
    off_deg = (result.centre_deg - CENTRE_DEG + 360.0) % 720.0 - 360.0
    return off_deg, result.u95_deg, measured.checked.ticks is not None


@pytest.mark.parametrize(
    ("clock_hz", "speeds_deg_s"), [(10.06, QUICKER), (9.6, QUICKER), (10.06, (50.0,) * 4), (10.165, LIKE)]
)
def test_a_known_clock_is_found_and_the_interval_holds(
    clock_hz: float, speeds_deg_s: tuple[float, ...]
) -> None:
    off_deg, u95_deg, seen = told(clock_hz, speeds_deg_s)
    assert seen
    assert abs(off_deg) <= u95_deg < 2.5


def test_of_passes_that_all_come_at_the_same_ages_no_clock_is_told() -> None:
    """A turn of the cam takes 72 ticks and 75 lines: any place of the ticks explains it, and one was told 3.0 off at 1.2."""
    off_deg, u95_deg, seen = told(9.6, LIKE)
    assert not seen
    assert abs(off_deg) <= u95_deg

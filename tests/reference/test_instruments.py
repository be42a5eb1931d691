"""Retrace, hysteresis and eccentricity against published statements; none of the figures is the program's own."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.base import (
    USUAL_GAUGE_ERROR_MM,
    USUAL_RETRACE_MM,
    GaugeFacts,
    LobeSettings,
    Streams,
    encoder_u_deg,
)
from analysis.lobe import find_lobe
from simulated_devices.faults.as_they_are import DiscOffItsAxis, LooseCoupling, MeasuresByItsTick

# Motor encoder documentation v4.19.0 (2022), "installation-caused error": a disc 0.1 mm off its axis, read at a radius
# of so many mm, is out by so many seconds of arc each way.
PUBLISHED_ARCSEC = {14.975: 1377, 22.875: 902, 24.975: 826, 32.475: 635}

# JIS B 7503:2011, 0.01 mm dials with ranges up to 30 mm, read from an extract in a catalogue: micrometres.
JIS_WHOLE_RANGE_UM, JIS_RETRACE_UM = 30, 7


@pytest.mark.parametrize(("radius_mm", "arcsec"), PUBLISHED_ARCSEC.items())
def test_a_disc_off_its_axis_is_out_by_the_published_amplitude(radius_mm, arcsec):
    disc = DiscOffItsAxis(0.1, radius_mm, towards_deg=37.0)
    crank = np.arange(0.0, 360.0, 0.05)
    out = disc.on_crank(crank, crank, np.random.default_rng(1)) - crank
    assert 3600.0 * np.max(np.abs(out)) == pytest.approx(arcsec, abs=1.0)


@pytest.mark.parametrize(("radius_mm", "arcsec"), PUBLISHED_ARCSEC.items())
@pytest.mark.parametrize("turn_deg", [20.0, 110.0, 180.0, 250.0, 470.0])
def test_the_interval_holds_a_turn_by_a_disc_of_published_error_wherever_it_is_out(
    radius_mm, arcsec, turn_deg
):
    """The limit is the published amplitude; the disc's error comes from its geometry."""
    worst = 0.0
    for towards in np.arange(0.0, 360.0, 5.0):
        disc = DiscOffItsAxis(0.1, radius_mm, towards)
        ends = np.array([30.0, 30.0 + turn_deg])
        seen = disc.on_crank(ends, ends, np.random.default_rng(1))
        worst = max(worst, abs(float(np.diff(seen)[0]) - turn_deg))
    expanded = 2.0 * encoder_u_deg(arcsec / 3600.0, 30.0, 30.0 + turn_deg)
    assert 0.999 * worst < expanded < 1.5 * worst


def test_readings_180_degrees_apart_cancel_what_is_out_once_a_turn():
    """Two reading places opposite one another, or the disc turned by half a turn (same documentation)."""
    crank = np.arange(0.0, 720.0, 1.0)
    rng = np.random.default_rng(1)
    one, other = (DiscOffItsAxis(0.1, 25.0, at).on_crank(crank, crank, rng) for at in (10.0, 190.0))
    assert np.max(np.abs(0.5 * (one + other) - crank)) < 0.001
    assert np.max(np.abs(one - crank)) > 0.2


def test_what_is_supposed_of_a_gauge_is_what_the_standard_allows():
    assert pytest.approx(JIS_WHOLE_RANGE_UM / 1000) == USUAL_GAUGE_ERROR_MM
    assert pytest.approx(JIS_RETRACE_UM / 1000) == USUAL_RETRACE_MM


def lobe_read_with_play(half_mm):
    """A lobe with a cosine nose, read by a gauge with play: the reading follows `half_mm` behind either way."""
    crank = np.arange(0.0, 1500.0, 0.15)
    away = (crank - 400.0 + 360.0) % 720.0 - 360.0
    lift = np.where(np.abs(away) < 130.0, 9.0 * np.cos(np.radians(away) * 90.0 / 130.0) ** 2, 0.0)
    shown, rests = np.empty_like(lift), 0.0
    for row, target in enumerate(lift):
        rests = min(max(rests, target - half_mm), target + half_mm)
        shown[row] = rests
    time_s = crank / 30.0
    take = slice(None, None, 20)
    return Streams(time_s, crank, time_s[take], np.round(shown[take], 3)), 400.0


def test_play_moves_both_flanks_by_half_of_it_over_the_slope_and_is_taken_out_where_it_is_known():
    """A play operator of width h shifts a rising and a falling flank apart by h over the slope: no source, derived.

    At a drop of 1.27 mm from 9 mm, where cos² = 1 - 1.27 / 9, the slope is 2 * 9 * cos * sin radians a degree.
    """
    half_mm = 0.0075
    share = 1.27 / 9.0
    slope = 2.0 * 9.0 * math.sqrt(share * (1.0 - share)) * math.radians(90.0 / 130.0)
    streams, centre = lobe_read_with_play(half_mm)
    gauge = GaugeFacts(0.0, 1e-5, 0.001)
    plain = find_lobe(streams, LobeSettings(), gauge)
    assert plain.centre_deg - centre == pytest.approx(half_mm / slope, rel=0.25)
    known = find_lobe(
        streams, LobeSettings(), replace(gauge, found_retrace_mm=2 * half_mm, found_retrace_u_mm=0.0005)
    )
    assert abs(known.centre_deg - centre) < max(known.u95_deg, 0.1 * half_mm / slope)
    told = find_lobe(streams, LobeSettings(), replace(gauge, retrace_mm=2 * half_mm))
    assert abs(told.centre_deg - centre) < told.u95_deg
    assert told.u95_deg > plain.u95_deg


def test_a_loose_coupling_reads_its_backlash_different_from_both_sides_and_keeps_still_while_it_is_crossed():
    """A shaft with backlash b shows a place b apart when come to from either side: common practice, no source."""
    there = np.arange(0.0, 50.0, 0.01)
    crank = np.concatenate((there, there[::-1]))
    seen = LooseCoupling(0.2).on_crank(crank, crank, np.random.default_rng(1))
    ahead, back = seen[: len(there)], seen[len(there) :][::-1]
    settled = (there > 1.0) & (there < 49.0)
    assert back[settled] - ahead[settled] == pytest.approx(0.2, abs=1e-9)
    crossing = seen[len(there) : len(there) + 19]
    assert np.ptp(crossing) == pytest.approx(0.0, abs=1e-9)


def test_what_a_gauge_holds_between_its_ticks_is_half_a_tick_old_with_the_spread_of_a_rectangle():
    """An age that is anywhere between nought and a tick: mean a half of it, standard deviation over sqrt 12 (GUM, 4.3.7)."""

    class Straight:
        time_s = np.sort(np.random.default_rng(2).uniform(0.0, 400.0, 20_000))

        def pushed_at_mm(self, at_s, rng):
            return at_s

    age_s = Straight.time_s - MeasuresByItsTick(0.12).on_plunger(Straight(), np.random.default_rng(3))
    assert np.min(age_s) >= 0.0
    assert np.max(age_s) <= 0.12
    assert np.mean(age_s) == pytest.approx(0.06, rel=0.02)
    assert np.std(age_s) == pytest.approx(0.12 / math.sqrt(12.0), rel=0.02)

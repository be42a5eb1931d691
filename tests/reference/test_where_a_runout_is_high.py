"""Where a runout is high, and its sign, against statements made beforehand with a pencil; nothing of the analysis in them.

- A disc is bored off its middle, its middle moved towards a pencil mark on its rim. The statement: with the mark under the
  gauge the plunger is in as far as it goes, half a turn on it is out as far as it goes, and the dial swings by twice the
  offset (common practice, no source; here plain geometry: a straight line from the axis to the gauge, cut with a circle
  by the school formula for a quadratic).
- The crank stands at a stated angle when the mark is under the gauge. Whichever way it is turned, that angle is answered.
- A face: its mark is where the face stands out most; with the mark under the gauge the plunger is in most.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.base import GaugeFacts, Streams
from analysis.report import Runout, find_runout

DISC_MM, OFFSET_MM, LAG_S = 62.5, 0.06, 0.08
TURNS_S = 50.0


def rim_mm(mark_from_gauge_deg: float) -> float:
    """How far the rim is from the axis along the line to the gauge, the mark standing so many degrees round from it.

    The middle lies at the offset towards the mark; the line's points are t from the axis; (t - a)² + b² = R².
    """
    a = OFFSET_MM * math.cos(math.radians(mark_from_gauge_deg))
    b = OFFSET_MM * math.sin(math.radians(mark_from_gauge_deg))
    return a + math.sqrt(DISC_MM**2 - b**2)


def read(mark_under_gauge_deg: float, *, backward: bool = False, falls_inward: bool = False) -> Streams:
    """Crank and gauge while the disc goes twice round; the gauge late by a known time, in thousandths."""
    time_s = np.arange(0.0, TURNS_S + 2.0, 0.02)
    gone_deg = np.interp(time_s, [1.0, TURNS_S], [0.0, 760.0])
    crank_deg = 317.0 + (-gone_deg if backward else gone_deg)
    at_s = np.arange(0.5, TURNS_S + 1.5, 0.06)
    then_deg = np.interp(at_s - LAG_S, time_s, crank_deg)
    pushed = np.array([rim_mm(mark_under_gauge_deg - deg) for deg in then_deg]) - DISC_MM + 1.5
    chance = np.random.default_rng(12).normal(0.0, 0.0015, at_s.size)
    sign = -1.0 if falls_inward else 1.0
    return Streams(time_s, np.round(crank_deg, 1), at_s, np.round(sign * pushed + chance, 3))


def apart_deg(found: Runout, stated_deg: float) -> float:
    return abs((found.high_at_deg.value - stated_deg + 180.0) % 360.0 - 180.0)


KNOWN = GaugeFacts(lag_s=LAG_S, lag_u_s=0.002)


@pytest.mark.parametrize("backward", [False, True], ids=["forward", "backward"])
@pytest.mark.parametrize("mark_deg", [0.0, 33.0, 90.0, 200.0, 359.0])
def test_the_mark_is_high_where_the_crank_was_stated_to_stand(mark_deg: float, backward: bool) -> None:
    found = find_runout(read(mark_deg, backward=backward), KNOWN)
    assert apart_deg(found, mark_deg) <= found.high_at_deg.u95 + 0.2
    assert found.high_at_deg.u95 < 5.0
    assert found.total_mm.value == pytest.approx(0.12, abs=0.003), "twice the offset"
    assert found.eccentricity_mm.value == pytest.approx(0.06, abs=0.0015)


def test_half_a_turn_on_is_low() -> None:
    """A quarter turn after the mark the plunger is half way: the drawn curve says so at all four places."""
    found = find_runout(read(40.0), KNOWN)
    shown = np.interp([40.0, 130.0, 220.0, 310.0], found.crank_deg, found.reading_mm)
    assert shown == pytest.approx([0.06, 0.0, -0.06, 0.0], abs=0.003)


def test_counted_from_true_tdc_the_mark_is_so_much_after_it() -> None:
    """Mark at 40 of the encoder, TDC at 310 of it: ninety degrees after TDC."""
    found = find_runout(read(40.0), KNOWN, zero_deg=310.0)
    assert apart_deg(found, 90.0) <= found.high_at_deg.u95 + 0.2
    assert np.interp(90.0, found.crank_deg, found.reading_mm) == pytest.approx(0.06, abs=0.003)


def test_a_dial_that_falls_inward_finds_the_same_mark_once_that_is_said() -> None:
    falling = read(125.0, falls_inward=True)
    assert apart_deg(find_runout(falling, KNOWN, inward=-1), 125.0) <= 3.0
    assert apart_deg(find_runout(falling, KNOWN), 305.0) <= 3.0, (
        "else the low place is taken for the high one"
    )


def test_a_lag_that_is_not_known_of_goes_the_way_it_was_turned() -> None:
    """Sixteen degrees a second, 0.08 s late: 1.3 degrees late forward, 1.3 early backward; the mark is between."""
    late, early = (
        find_runout(read(200.0, backward=way), GaugeFacts(lag_s=0.0, lag_u_s=0.0)) for way in (False, True)
    )
    half_deg = LAG_S * 760.0 / (TURNS_S - 1.0)
    assert late.high_at_deg.value == pytest.approx(200.0 + half_deg, abs=0.6)
    assert early.high_at_deg.value == pytest.approx(200.0 - half_deg, abs=0.6)


def test_the_place_of_a_face_that_stands_out_most_is_named() -> None:
    """Three feet screwed under a plate: with one packed by 0.2 mm on a circle of 100, the plate stands out there most.

    The plane through three points: heights 0.2, 0, 0 at 0, 120, 240 degrees is mean plus 0.1333 cos; 0.2667 mm swing.
    """
    packed_at_deg = 250.0
    time_s = np.arange(0.0, TURNS_S + 2.0, 0.02)
    crank_deg = np.interp(time_s, [1.0, TURNS_S], [0.0, 760.0])
    feet = [(math.radians(at), high) for at, high in ((0.0, 0.2), (120.0, 0.0), (240.0, 0.0))]
    corners = np.array([[1.0, 100.0 * math.cos(at), 100.0 * math.sin(at)] for at, _ in feet])
    level, along, across = np.linalg.solve(corners, [high for _, high in feet])
    place = np.radians(packed_at_deg - crank_deg)
    out_mm = level + 100.0 * (along * np.cos(place) + across * np.sin(place))
    found = find_runout(
        Streams(time_s, crank_deg, time_s, np.round(out_mm, 3)), GaugeFacts(lag_s=0.0), on_face=True
    )
    assert apart_deg(found, packed_at_deg) <= found.high_at_deg.u95 + 0.1
    assert found.total_mm.value == pytest.approx(4.0 / 15.0, abs=0.001)

"""Timing arithmetic against published valve timings.

Signs: inlet opens BTDC, closes ABDC; exhaust opens BBDC, closes ATDC; each positive.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import fmean

import pytest

from analysis.moving import tooth_deg
from analysis.timing import (
    HandPair,
    early_or_late,
    error_of,
    events_to_timing,
    full_lifts_of,
    judge,
    lobe_by_hand,
    separation_cam_deg,
    tdc_by_hand,
)
from analysis.timing.angles import (
    cam_deg_of,
    events_on_crank,
    overlap_of,
)


@dataclass(frozen=True)
class Published:
    """Events as printed, and what follows from them; `None` where the source gives no more."""

    source: str
    events: tuple[float, float, float, float]
    durations: tuple[float, float]
    overlap: float
    full_lifts: tuple[float, float] | None = None
    separation: float | None = None
    within: float = 1e-9


PUBLISHED = [
    Published(
        "General Motors service data, 1999 4.0 V8, valve timing at 0.100 mm",
        (9, 55, 51, 13),
        (244, 244),
        22,
        (113, 109),
        111,
    ),
    Published(
        "Ford Manual, 1922, p. 12 (travels, public domain); "
        "angles: Fahnestock, reprinted in Model T Speed Secrets",
        (-12.67, 50.82, 37.87, 0),
        (218.15, 217.87),
        -12.67,
        (121.75, 108.94),
        115.35,
        within=0.01,
    ),
    Published("WAEC, Auto Mechanics examination", (6, 35, 38, 5), (221, 223), 11),
    Published("ASTM fuel-rating engine", (-10, 34, 40, 15), (204, 235), 5),
]
BY_SOURCE = pytest.mark.parametrize("published", PUBLISHED, ids=lambda published: published.source)


@BY_SOURCE
def test_durations_and_overlap_are_the_published_ones(published):
    inlet_opens, inlet_closes, exhaust_opens, exhaust_closes = published.events
    inlet = events_to_timing("inlet", inlet_opens, inlet_closes)
    exhaust = events_to_timing("exhaust", exhaust_opens, exhaust_closes)
    found = (inlet.duration_deg, exhaust.duration_deg)
    assert found == pytest.approx(published.durations, abs=published.within)
    assert overlap_of(inlet_opens, exhaust_closes) == pytest.approx(published.overlap, abs=published.within)


@BY_SOURCE
def test_middles_and_separation_are_the_published_ones(published):
    inlet_opens, inlet_closes, exhaust_opens, exhaust_closes = published.events
    inlet = events_to_timing("inlet", inlet_opens, inlet_closes).full_lift_deg
    exhaust = events_to_timing("exhaust", exhaust_opens, exhaust_closes).full_lift_deg
    if published.full_lifts is not None:
        assert (inlet, exhaust) == pytest.approx(published.full_lifts, abs=published.within)
        separation = separation_cam_deg(inlet, exhaust)
        assert separation == pytest.approx(published.separation, abs=published.within)
    back = full_lifts_of(separation_cam_deg(inlet, exhaust), (exhaust - inlet) / 2)
    assert back == pytest.approx((inlet, exhaust))


@BY_SOURCE
def test_events_on_the_crank_agree_with_a_walk_round_it(published):
    """The walk counts whole hundredths of a degree with the valve open, with no formula for a duration."""
    for valve, opens, closes, duration in (
        ("inlet", *published.events[:2], published.durations[0]),
        ("exhaust", *published.events[2:], published.durations[1]),
    ):
        start, end = events_on_crank(valve, opens, closes)
        steps = round(start * 100), round(end * 100)
        walked = 0
        place = steps[0]
        while place % 72000 != steps[1] % 72000:
            place, walked = place + 1, walked + 1
        assert walked / 100 == pytest.approx(duration, abs=0.011)


def test_overlap_of_the_army_manual():
    """US Army TM 9-8000, p. 2-35: inlet opens 28 BTDC, exhaust closes 45 ATDC."""
    assert overlap_of(28, 45) == 73


def test_a_gear_tooth_of_the_army_manual():
    """US Army TM 5-4210-229-14&P, section 6-6: one gear tooth is about 11 crank degrees there.

    The manual does not count the teeth; a cam gear whose tooth is 11 deg has 65 or 66.
    """
    assert round(tooth_deg(65)) == 11
    assert round(tooth_deg(66)) == 11


def test_a_tooth_of_a_forty_tooth_cam_gear():
    """18 crank degrees for a tooth of a 40-tooth cam gear: a trade figure, no source kept."""
    assert tooth_deg(40) == 18


def test_halving_equal_readings_finds_tdc():
    """Common practice, no source: equal readings at 0 and 12 give TDC at 6."""
    assert tdc_by_hand([HandPair(0, 12)]).centre_deg == 6


@pytest.mark.parametrize(("before", "after", "centre"), [(108, 128, 118), (98, 118, 108)])
def test_halving_equal_readings_finds_a_lobe(before, after, centre):
    """Common practice, no source: 108 and 128 give 118; 98 and 118 give 108."""
    found = lobe_by_hand("inlet", [HandPair(before, after, drop_mm=0.5)], drop_mm=0.5)
    assert found.centre_deg == centre == fmean((before, after))


def test_ten_late_is_five_cam_degrees_and_after_moving_it_is_on_it():
    """Common practice, no source: card 108, measured 118: 10 late, 5 cam degrees; after moving: on it."""
    late = error_of(118, 108)
    assert (late, cam_deg_of(late)) == (10, 5)
    assert early_or_late(late) == "10.0 deg late (5.0 cam deg)"
    assert judge(late, 0.2, 1.0).call == "out"
    assert early_or_late(error_of(108, 108)) == "on it"
    assert judge(error_of(108, 108), 0.2, 1.0).call == "in"


def test_the_worked_example_of_true_tdc_by_a_dial_indicator():
    """Common practice, no source: full travel reads about 80; equal readings of 65 at 0 and 12 give TDC at 6."""
    found = tdc_by_hand([HandPair(0, 12, drop_mm=0.15)])
    assert found.centre_deg == 6
    assert 0.2 < found.u95_deg < 1.5, "a disc divided in degrees, read once"

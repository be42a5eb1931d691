"""Each way of timing, on a lobe of unlike flanks shifted by a known error; never one against another."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.timing import (
    Cam,
    CamCard,
    DropCentre,
    Engine,
    Event,
    Job,
    Lobe,
    LobeCard,
    LobeMeasured,
    NotComparable,
    cam_error,
    dead_centre_words,
    early_or_late,
    expected_crank_deg,
    full_lift_of,
    full_lift_words,
    judge,
    lobe_error,
    nearest,
)

FULL, OPENS, CLOSES = 9.8, 118.0, 128.0
NOSE = {"inlet": 108.0, "exhaust": 720.0 - 112.0}


def lift(after_nose):
    half = np.where(after_nose < 0, OPENS, CLOSES)
    return FULL * np.clip(1 - (after_nose / half) ** 2, 0, None) ** 2


@cache
def sides_at(level):
    """Where the lobe passes a lift, degrees before and after its nose: read off a fine table."""
    grid = np.arange(0.0, 140.0, 1e-3)
    before = grid[np.argmin(lift(-grid) > level)]
    after = grid[np.argmin(lift(grid) > level)]
    return float(before), float(after)


def middle_at(level):
    before, after = sides_at(level)
    return (after - before) / 2


def in_words(valve, crank):
    return nearest(crank) if valve == "inlet" else nearest(-crank)


def lobe_at(valve, late=0.0, drops=(0.5, 1.27), checks=(1.0,)):
    """The lobe as an ideal measurement would tell it; 0.508 mm is 0.020 in."""
    nose = NOSE[valve] + late

    def event(level):
        before, after = sides_at(level)
        return Event(level, (nose - before) % 720, (nose + after) % 720, before + after, 0.04, 0.04)

    centres = tuple(DropCentre(drop, (nose + middle_at(FULL - drop)) % 720, 0.05) for drop in drops)
    slope = (lift(-nearest(nose) + 0.01) - lift(-nearest(nose) - 0.01)) / 0.02
    return LobeMeasured(
        "1",
        valve,
        (nose + middle_at(FULL - 1.27)) % 720,
        1.27,
        0.1,
        peak_lift_mm=FULL,
        lift_at_tdc_mm=float(lift(np.array(-nearest(nose)))),
        lift_at_tdc_u_mm=0.005,
        lift_at_tdc_slope_mm_deg=float(slope),
        asymmetry_deg=middle_at(FULL - 1.27),
        events=tuple(event(level) for level in checks),
        centres=centres,
    )


def card_of(valve, way, drop=0.5, check=1.0):
    """The card of the same lobe, without an error, made in one way."""
    before, after = sides_at(check)
    nose = NOSE[valve]
    if way == "events":
        opens, closes = nearest(nose - before), nearest(nose + after)
        half = (
            LobeCard(opens_deg=-opens, closes_deg=closes - 180, check_lift_mm=check)
            if valve == "inlet"
            else LobeCard(opens_deg=-180 - opens, closes_deg=closes, check_lift_mm=check)
        )
    elif way == "equal_lift":
        half = LobeCard(in_words(valve, nose + middle_at(check)), check_lift_mm=check)
    elif way == "lift_at_tdc":
        half = LobeCard(lift_at_tdc_mm=float(lift(np.array(-nearest(nose)))))
    else:
        half = LobeCard(in_words(valve, nose + middle_at(FULL - drop)), drop_mm=drop)
    return CamCard("Whinfell 262", way, **{valve: half})


def job_of(card, valves=("inlet",), **more):
    engine = Engine("Tarn", ("1", "3"), ("1", "3"), (Cam("cam", valves),))
    return Job("HL-1", engine, card, **more)


LOBE_WAYS = ["full_lift", "equal_lift", "events"]


@pytest.mark.parametrize("valve", ["inlet", "exhaust"])
@pytest.mark.parametrize("way", LOBE_WAYS)
@settings(max_examples=25)
@given(late=st.floats(-30, 30))
def test_each_way_finds_the_error_of_a_lobe_with_unlike_flanks(valve, way, late):
    job = job_of(card_of(valve, way), (valve,))
    found = lobe_error(job, lobe_at(valve, late))
    assert found.error_deg == pytest.approx(late, abs=0.01)
    assert found.way == way
    assert found.u95_deg > 0


@pytest.mark.parametrize("valve", ["inlet", "exhaust"])
@pytest.mark.parametrize("late", [-2.0, -0.5, 0.0, 0.5, 2.0])
def test_lift_at_tdc_finds_a_small_error(valve, late):
    job = job_of(card_of(valve, "lift_at_tdc"), (valve,))
    found = lobe_error(job, lobe_at(valve, late))
    assert abs(found.error_deg - late) <= found.u95_deg
    assert found.u95_deg < 0.5


def test_the_same_lobe_judged_by_another_ways_number_would_be_degrees_out():
    """Why the ways are kept apart: the middle at 1 mm of lift lies degrees after the one near the nose."""
    assert middle_at(1.0) - middle_at(FULL - 0.5) > 2


def test_a_drop_in_inches_is_met_by_one_in_millimetres():
    card = card_of("inlet", "full_lift", drop=0.508)
    assert lobe_error(job_of(card), lobe_at("inlet")).error_deg == pytest.approx(0, abs=0.02)


def test_a_drop_that_was_not_measured_is_asked_for():
    card = card_of("inlet", "full_lift", drop=2.0)
    with pytest.raises(NotComparable, match=r"Measure it at 2\.00 mm"):
        lobe_error(job_of(card), lobe_at("inlet"))


def test_an_unstated_drop_widens_the_interval_by_what_the_flanks_differ():
    card = CamCard("Whinfell 262", "full_lift", inlet=LobeCard(108))
    measured = LobeMeasured("1", "inlet", 108.3, 1.27, 0.1, asymmetry_deg=0.3)
    assert lobe_error(job_of(card), measured).u95_deg == pytest.approx((0.1**2 + 0.3**2) ** 0.5)


def test_a_check_lift_at_the_lobe_is_turned_into_one_at_the_valve():
    """1 mm of lobe lift, ratio 1.5, 0.3 mm clearance: 1.2 mm at the valve."""
    half = replace(
        card_of("inlet", "events", check=1.2).inlet,
        check_lift_mm=1.0,
        lift_at="lobe",
        rocker_ratio=1.5,
        checking_clearance_mm=0.3,
    )
    job = job_of(CamCard("Garth 248", "events", inlet=half))
    found = lobe_error(job, lobe_at("inlet", 3.0, checks=(1.2,)))
    assert found.error_deg == pytest.approx(3.0, abs=0.01)


def test_equal_overlap_lift_finds_the_error_of_an_even_cam():
    engine = Engine("Sallow", ("1",), ("1",), (Cam("cam", ("inlet", "exhaust")),))
    card = CamCard("Garth 248", "equal_overlap_lift")
    job = Job("HL-2", engine, card)

    def even(valve, late):
        """A mirrored pair about TDC, both flanks alike, moved together."""
        nose = (110.0 if valve == "inlet" else -110.0) + late

        def at(after_tdc):
            return FULL * max(0.0, 1 - ((after_tdc - nose) / 130.0) ** 2) ** 2

        return LobeMeasured(
            "1",
            valve,
            nose % 720,
            1.27,
            0.1,
            lift_at_tdc_mm=at(0),
            lift_at_tdc_u_mm=0.005,
            lift_at_tdc_slope_mm_deg=(at(0.05) - at(-0.05)) / 0.1,
        )

    for late in (-3.0, 0.0, 2.0):
        found = cam_error(job, engine.cams[0], [even("inlet", late), even("exhaust", late)])
        assert found.error_deg == pytest.approx(late, abs=0.02)


@settings(max_examples=50)
@given(st.floats(-10, 10), st.floats(-4, 4), st.floats(100, 116), st.floats(-6, 6))
def test_separation_and_advance_find_a_single_cams_error_and_what_the_grinder_left(late, wide, sep, advance):
    engine = Engine("Sallow", ("1",), ("1",), (Cam("cam", ("inlet", "exhaust")),))
    card = CamCard("Garth 248", "separation", separation_cam_deg=sep, advance_deg=advance)
    job = Job("HL-2", engine, card, single_cam_aim="share")
    inlet = LobeMeasured("1", "inlet", (sep + wide - advance + late) % 720, 1.27, 0.1)
    exhaust = LobeMeasured("1", "exhaust", (-(sep + wide + advance) + late) % 720, 1.27, 0.1)
    found = cam_error(job, engine.cams[0], [inlet, exhaust])
    assert found.error_deg == pytest.approx(late, abs=1e-9)
    assert found.separation_error_cam_deg == pytest.approx(wide, abs=1e-9)


@pytest.mark.parametrize(
    ("error", "u95", "call", "words"),
    [
        (0.5, 0.2, "in", "In: 0.5 deg late"),
        (-0.8, 0.2, "in", "In: 0.8 deg early"),
        (0.9, 0.2, "cannot_tell", "Measure again with more turns"),
        (1.1, 0.2, "cannot_tell", "Measure again with more turns"),
        (1.3, 0.2, "out", "Out: 1.3 deg late (0.7 cam deg)"),
        (-1.3, 0.2, "out", "Out: 1.3 deg early"),
        (0.0, 1.5, "cannot_tell", "coarser than the tolerance"),
        (3.0, 1.5, "out", "Out: 3.0 deg late"),
    ],
)
def test_a_verdict_takes_the_interval_into_account(error, u95, call, words):
    verdict = judge(error, u95, 1.0)
    assert verdict.call == call
    assert words in verdict.sentence


@settings(max_examples=200)
@given(st.floats(-5, 5), st.floats(0.01, 3), st.floats(0.1, 3))
def test_in_never_holds_where_the_interval_reaches_out_and_out_never_where_it_reaches_in(
    error, u95, tolerance
):
    call = judge(error, u95, tolerance).call
    reaches_in = any(abs(error + share * u95) <= tolerance for share in np.linspace(-1, 1, 41))
    reaches_out = max(abs(error - u95), abs(error + u95)) > tolerance + 1e-9
    assert not (call == "in" and reaches_out)
    assert not (call == "out" and reaches_in)


def test_places_on_the_crank_follow_the_firing_order():
    engine = Engine("Tarn", ("1", "2", "3", "4"), ("1", "3", "4", "2"), (Cam("inlet", ("inlet",)),))
    job = Job("HL-3", engine, CamCard("Whinfell 262", "full_lift", inlet=LobeCard(108, 1.27)))
    places = {name: expected_crank_deg(job, Lobe(name, "inlet")) for name in engine.cylinders}
    assert places == {"1": 108, "3": 288, "4": 468, "2": 648}


def test_uneven_firing_is_taken_as_it_is_told():
    engine = Engine(
        "Beck twin", ("1", "2"), ("1", "2"), (Cam("cam", ("inlet",)),), firing_intervals_deg=(270.0, 450.0)
    )
    assert engine.firing_offset_deg("2") == 270


@pytest.mark.parametrize(
    ("crank", "words"),
    [
        (0, "TDC"),
        (108, "72.0 BBDC"),
        (12, "12.0 ATDC"),
        (700, "20.0 BTDC"),
        (180, "BDC"),
        (236, "56.0 ABDC"),
        (485, "55.0 BBDC"),
        (360, "TDC (firing)"),
        (370, "10.0 ATDC (firing)"),
        (345, "15.0 BTDC (firing)"),
    ],
)
def test_a_crank_angle_is_told_by_its_nearest_dead_centre(crank, words):
    assert dead_centre_words(crank) == words


def test_a_lobe_is_told_as_its_card_tells_it():
    assert full_lift_words("inlet", 108.0) == "108.0 ATDC"
    assert full_lift_words("exhaust", 108.0) == "108.0 BTDC"
    assert full_lift_words("inlet", -2.0) == "2.0 BTDC"
    assert full_lift_of("exhaust", 612.0) == 108
    assert early_or_late(0.04) == "on it"

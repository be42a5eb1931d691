"""Valve to piston against a model that has the parts themselves.

Crank, rod and piston are points in a plane, a valve head is a line that is pushed down its stem until it
meets the crown. No formula is shared.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.base import Refusal
from analysis.clearance import DropMeasured, find_piston_clearance, piston_below_top_mm
from analysis.timing import Cam, Engine, Lobe, StoredLift

TARN = Engine(
    "Tarn 1.8 twin-cam",
    ("1", "2", "3", "4"),
    ("1", "3", "4", "2"),
    (Cam("inlet", ("inlet",)), Cam("exhaust", ("exhaust",))),
    stroke_mm=80.0,
    rod_mm=135.0,
    pin_offset_mm=0.8,
    pin_side_known=True,
)


class Metal:
    """One cylinder: throw, rod and an offset pin, a crown, one valve at an angle to the bore."""

    def __init__(self, valve_deg, pocket, seat_gap):
        self.throw, self.rod = 40.0, 135.0
        self.offset = -0.8  # to the thrust side, where the throw comes up
        self.top_deg = self.find_top()
        self.top_mm = self.pin_height(0.0)
        lean = np.radians(valve_deg)
        self.down_the_stem = np.array([np.sin(lean), -np.cos(lean)])
        self.face = np.array([np.cos(lean), np.sin(lean)])
        self.pocket, self.seat_gap = pocket, seat_gap

    def pin_height(self, after_deg):
        """Where a circle of the rod's length about the crankpin meets the pin's line."""
        turned = np.radians(after_deg + getattr(self, "top_deg", 0.0))
        pin_x, pin_y = self.throw * np.sin(turned), self.throw * np.cos(turned)
        return pin_y + np.sqrt(self.rod**2 - (self.offset - pin_x) ** 2)

    def find_top(self):
        self.top_deg = 0.0
        angles = np.linspace(-1, 1, 400_001)
        return float(angles[np.argmax(self.pin_height(angles))])

    def fallen(self, after_deg):
        return self.top_mm - self.pin_height(after_deg)

    def touches(self, travel, after_deg):
        """Has the valve, so far down its stem, reached the crown?"""
        middle = travel[:, None] * self.down_the_stem
        crown_y = -self.seat_gap - self.fallen(after_deg)
        if self.pocket:
            crown = np.stack([np.zeros_like(crown_y), crown_y], axis=1)
            return (middle - crown) @ self.down_the_stem >= 0
        edges = [middle + self.face * side * 15.0 for side in (-1, 1)]
        return np.minimum(edges[0][:, 1], edges[1][:, 1]) <= crown_y

    def travel_to_touch(self, after_deg):
        after = np.atleast_1d(np.asarray(after_deg, float))
        low, high = np.zeros_like(after), np.full_like(after, 120.0)
        for _ in range(50):
            middle = (low + high) / 2
            there = self.touches(middle, after)
            low, high = np.where(there, low, middle), np.where(there, middle, high)
        return low


def lobe_mm(crank_deg, centre_deg, half=125.0, full=9.8):
    after = (np.asarray(crank_deg, float) - centre_deg + 360) % 720 - 360
    return full * np.clip(1 - (after / half) ** 2, 0, None) ** 2


def stored(centre):
    crank = np.arange(0.0, 720.0, 1.0)
    return StoredLift(crank, lobe_mm(crank, centre))


def brute_least(metal, centre, shift):
    after = np.arange(-170.0, 170.0, 0.2)
    lifts = lobe_mm(after, centre + shift)
    return (metal.travel_to_touch(after) - lifts)[lifts > 0.05].min()


@settings(max_examples=30)
@given(
    st.sampled_from(["inlet", "exhaust"]),
    st.floats(0, 25),
    st.booleans(),
    st.floats(5, 12),
    st.floats(-25, 25),
)
def test_least_clearance_and_its_table_agree_with_the_metal(valve, lean, pocket, seat_gap, taken_at):
    centre = 108.0 if valve == "inlet" else 612.0
    if not pocket:
        seat_gap += 15.0 * np.sin(np.radians(lean))  # the low edge of the head starts nearer
    metal = Metal(lean, pocket, seat_gap)
    drop = metal.travel_to_touch(taken_at)[0] - float(lobe_mm(taken_at, centre))
    measured = DropMeasured(
        Lobe("1", valve), taken_at % 720, drop, valve_angle_deg=lean, crown="pocket" if pocket else "flat"
    )
    found = find_piston_clearance(TARN, measured, stored(centre), shifts_deg=(-10.0, 5.0))
    assert found.least_mm == pytest.approx(brute_least(metal, centre, 0.0), abs=0.005)
    for row in found.table:
        assert row.least_mm == pytest.approx(brute_least(metal, centre, row.shift_deg), abs=0.005)


@pytest.mark.parametrize("lean", [0.0, 12.0, 25.0])
@pytest.mark.parametrize("taken_at", [0.0, 20.0, -15.0])
def test_a_crown_of_unknown_shape_is_never_told_better_than_it_is(lean, taken_at):
    for pocket in (True, False):
        metal = Metal(lean, pocket, 9.0 + (0 if pocket else 15.0 * np.sin(np.radians(lean))))
        drop = metal.travel_to_touch(taken_at)[0] - float(lobe_mm(taken_at, 108.0))
        measured = DropMeasured(Lobe("1", "inlet"), taken_at % 720, drop, valve_angle_deg=lean)
        found = find_piston_clearance(TARN, measured, stored(108.0))
        assert found.least_mm <= brute_least(metal, 108.0, 0.0) + 0.02


def test_the_piston_falls_as_the_metal_does():
    metal = Metal(0.0, True, 8.0)
    after = np.arange(-180.0, 180.0, 7.0)
    stroke = metal.fallen(np.linspace(170, 190, 20_001)).max()
    below = piston_below_top_mm(replace(TARN, stroke_mm=float(stroke)), after)
    assert below == pytest.approx(metal.fallen(after), abs=1e-5)


def test_another_cylinder_is_computed_about_its_own_tdc():
    one = find_piston_clearance(TARN, DropMeasured(Lobe("1", "inlet"), 0.0, 4.0), stored(108.0))
    three = find_piston_clearance(TARN, DropMeasured(Lobe("3", "inlet"), 180.0, 4.0), stored(288.0))
    assert three.least_mm == pytest.approx(one.least_mm)
    assert three.at_deg == pytest.approx(one.at_deg)


def test_a_drop_from_the_seat_is_the_same_as_one_from_where_the_valve_stood():
    stood = float(lobe_mm(0.0, 108.0))
    one = find_piston_clearance(TARN, DropMeasured(Lobe("1", "inlet"), 0.0, 4.0), stored(108.0))
    other = find_piston_clearance(
        TARN, DropMeasured(Lobe("1", "inlet"), 0.0, 4.0 + stood, from_seat=True), stored(108.0)
    )
    assert other.least_mm == pytest.approx(one.least_mm, abs=1e-3)


def test_a_smaller_running_clearance_takes_its_share():
    drop = DropMeasured(Lobe("1", "inlet"), 0.0, 4.0)
    one = find_piston_clearance(TARN, drop, stored(108.0))
    less = find_piston_clearance(TARN, drop, stored(108.0), less_clearance_mm=0.2)
    assert less.least_mm == pytest.approx(one.least_mm - 0.2, abs=0.02)


def test_an_earlier_inlet_and_a_later_exhaust_come_nearer():
    inlet = find_piston_clearance(TARN, DropMeasured(Lobe("1", "inlet"), 0.0, 4.0), stored(108.0))
    rows = {row.shift_deg: row.least_mm for row in inlet.table}
    assert rows[-5.0] < rows[0.0] < rows[5.0]
    exhaust = find_piston_clearance(TARN, DropMeasured(Lobe("1", "exhaust"), 0.0, 4.0), stored(612.0))
    rows = {row.shift_deg: row.least_mm for row in exhaust.table}
    assert rows[5.0] < rows[0.0] < rows[-5.0]
    assert -30 < exhaust.at_deg < 0 < inlet.at_deg < 30


def test_the_engine_makers_figure_comes_first_and_common_practice_is_marked():
    drop = DropMeasured(Lobe("1", "exhaust"), 0.0, 3.0)
    common = find_piston_clearance(TARN, drop, stored(612.0))
    assert (common.minimum_mm, common.minimum_from) == (2.5, "common practice")
    assert "common practice, as the maker gives none" in common.sentence
    makers = find_piston_clearance(replace(TARN, exhaust_to_piston_mm=1.5), drop, stored(612.0))
    assert (makers.minimum_mm, makers.minimum_from) == (1.5, "engine maker")
    assert (common.call, makers.call) == ("in", "in")


@pytest.mark.parametrize(("drop", "call"), [(3.0, "in"), (2.2, "cannot_tell"), (1.5, "out")])
def test_in_out_and_cannot_tell(drop, call):
    found = find_piston_clearance(TARN, DropMeasured(Lobe("1", "inlet"), 0.0, drop), stored(108.0))
    assert found.call == call


def test_a_coarse_tdc_widens_what_was_taken_on_a_slope():
    drop = DropMeasured(Lobe("1", "inlet"), 25.0, 4.0)
    fine = find_piston_clearance(TARN, drop, stored(108.0), tdc_u_deg=0.02)
    coarse = find_piston_clearance(TARN, drop, stored(108.0), tdc_u_deg=1.0)
    assert coarse.u95_mm > 2 * fine.u95_mm


def test_the_finding_becomes_a_fact_with_its_table():
    found = find_piston_clearance(TARN, DropMeasured(Lobe("1", "inlet"), 0.0, 4.0), stored(108.0))
    fact = found.fact()
    assert (fact.least_mm, fact.u95_mm, fact.minimum_mm) == (found.least_mm, found.u95_mm, 2.0)
    assert [row.shift_deg for row in fact.table] == [float(shift) for shift in range(-20, 21, 5)]
    assert len(found.curve.after_tdc_deg) == len(found.curve.clearance_mm)


@pytest.mark.parametrize(
    ("engine", "drop", "code"),
    [
        (replace(TARN, rod_mm=None), DropMeasured(Lobe("1", "inlet"), 0.0, 4.0), "no_piston_motion"),
        (replace(TARN, rod_mm=30.0), DropMeasured(Lobe("1", "inlet"), 0.0, 4.0), "no_piston_motion"),
        (TARN, DropMeasured(Lobe("1", "inlet"), 0.0, 0.0), "drop_impossible"),
        (TARN, DropMeasured(Lobe("1", "inlet"), 0.0, 4.0, valve_angle_deg=75), "drop_impossible"),
    ],
)
def test_what_cannot_be_computed_is_refused(engine, drop, code):
    with pytest.raises(Refusal, match=code):
        find_piston_clearance(engine, drop, stored(108.0))


def test_part_of_a_curve_is_refused():
    crank = np.arange(60.0, 160.0)
    with pytest.raises(Refusal, match="curve_not_whole"):
        find_piston_clearance(
            TARN, DropMeasured(Lobe("1", "inlet"), 0.0, 4.0), StoredLift(crank, lobe_mm(crank, 108.0))
        )


def test_a_valve_that_never_opens_near_tdc_is_refused():
    crank = np.arange(0.0, 720.0)
    with pytest.raises(Refusal, match="never_open"):
        find_piston_clearance(
            TARN, DropMeasured(Lobe("1", "inlet"), 0.0, 4.0), StoredLift(crank, 0.0 * crank)
        )


@pytest.mark.parametrize(("valve", "centre"), [("inlet", 108.0), ("exhaust", 720.0 - 112.0)])
def test_the_other_tdc_of_the_cycle_is_refused_and_not_told_as_room_enough(valve, centre):
    """Told from firing TDC, a valve is at full lift on another stroke, and its piston seems never near it."""
    push = DropMeasured(Lobe("1", valve), 0.0, 4.0)
    assert find_piston_clearance(TARN, push, stored(centre)).least_mm < 4.1
    with pytest.raises(Refusal, match="wrong_stroke"):
        find_piston_clearance(TARN, push, stored((centre + 360.0) % 720.0))


def test_a_push_where_no_valve_reaches_its_piston_is_refused():
    with pytest.raises(Refusal, match="pushed_far_from_top"):
        find_piston_clearance(TARN, DropMeasured(Lobe("1", "inlet"), 180.0, 4.0), stored(108.0))

"""Six situations of an engine, each held to a statement that needs no formula: a count, a table, a mirror, a walk.

Nothing here is made by the simulator. Angles are crank degrees after overlap TDC of the reference cylinder.
"""

from __future__ import annotations

import numpy as np
import pytest
from trade_jobs import TWIN, engine_of

from analysis.base import Refusal
from analysis.clearance import DropMeasured, find_piston_clearance
from analysis.moving import best_park, lift_at_tdc_after
from analysis.timing import (
    Engine,
    HandPair,
    Lobe,
    StoredLift,
    dead_centre_words,
    full_lift_of,
    tdc_by_hand,
)

INCH = 25.4
FORD_LIFT_IN = {
    0: 0.2502,
    20: 0.2407,
    40: 0.2125,
    60: 0.1665,
    80: 0.1040,
    100: 0.0445,
    120: 0.0095,
    130: 0.0017,
}
"""Crank degrees from the centre, lift: stock Ford Model T, Fahnestock, "Murray on cams", Table 1 and 2."""


def ford_lobe(centre_deg: float) -> StoredLift:
    """The published table, either side of a centre; nothing is read between its rows."""
    rows = {centre_deg + side * deg: lift for deg, lift in FORD_LIFT_IN.items() for side in (-1, 1)}
    rows |= {centre_deg + deg: 0.0 for deg in range(150, 570, 10)}
    at = sorted(rows, key=lambda deg: deg % 720)
    return StoredLift(np.array([deg % 720 for deg in at]), INCH * np.array([rows[deg] for deg in at]))


# ---------------------------------------------------------------- whose stroke is it


@pytest.mark.parametrize(
    ("order", "turns"),
    [
        ("1342", {"1": 0, "3": 180, "4": 360, "2": 540}),
        ("12453", {"1": 0, "2": 144, "4": 288, "5": 432, "3": 576}),
        ("153624", {"1": 0, "5": 120, "3": 240, "6": 360, "2": 480, "4": 600}),
    ],
)
def test_a_lobe_of_any_cylinder_is_told_from_that_cylinders_own_overlap_tdc(order, turns):
    """Two turns shared evenly among the cylinders in their firing order, counted off by hand.

    On an inline four the cylinder after next stands one turn on: 1 and 4 rise together, one on each stroke.
    """
    engine = Engine("Fell", tuple(sorted(order)), tuple(order), TWIN)
    for cylinder, on in turns.items():
        offset = engine.firing_offset_deg(cylinder)
        assert offset == on
        assert full_lift_of("inlet", (108 + on) % 720, offset) == pytest.approx(108.0)
        assert full_lift_of("exhaust", (720 - 112 + on) % 720, offset) == pytest.approx(112.0)


def test_a_walk_round_the_cycle_names_every_dead_centre_as_a_builder_does():
    """Two turns in steps of 90, ten degrees before and after each dead centre, written down from a drawing."""
    walk = {10: "10 ATDC", 170: "10 BBDC", 190: "10 ABDC", 350: "10 BTDC (firing)"}
    walk |= {370: "10 ATDC (firing)", 530: "10 BBDC", 550: "10 ABDC", 710: "10 BTDC"}
    assert {deg: dead_centre_words(deg, digits=0) for deg in walk} == walk
    assert {deg: dead_centre_words(deg + 180, 180.0, digits=0) for deg in walk} == walk


# ---------------------------------------------------------------- true TDC by a stop, across the disc's nought


@pytest.mark.parametrize(
    ("before", "after", "centre"), [(340, 20, 0), (350, 2, 356), (345, 27, 6), (300, 80, 10), (358, 0, 359)]
)
def test_a_stop_met_either_side_of_the_discs_nought_halves_to_the_same_place(before, after, centre):
    """Positive stop, met from both sides and halved; common practice, no source. Turned on by 100 it turns by 100."""
    assert tdc_by_hand([HandPair(before, after)]).centre_deg == pytest.approx(centre % 360)
    on = tdc_by_hand([HandPair((before + 100) % 360, (after + 100) % 360)])
    assert on.centre_deg == pytest.approx((centre + 100) % 360)


def test_a_stop_met_on_one_side_twice_is_no_pair():
    """From 20 on round to 340 is the long way, over the bottom: no piston is near a stop there."""
    with pytest.raises(Refusal):
        tdc_by_hand([HandPair(20, 340)])


# ---------------------------------------------------------------- lift at TDC, by a published table


@pytest.mark.parametrize(("moved", "row"), [(0, 120), (-20, 100), (-40, 80), (-60, 60)])
def test_an_inlet_cam_made_earlier_lifts_more_at_tdc_by_the_published_table(moved, row):
    """With its centre 120 after TDC the valve stands, at TDC, where the table has 120; 20 earlier, where it has 100."""
    assert lift_at_tdc_after(ford_lobe(120.0), moved) == pytest.approx(INCH * FORD_LIFT_IN[row], abs=1e-9)


@pytest.mark.parametrize(("moved", "row"), [(0, 120), (20, 100), (40, 80)])
def test_an_exhaust_cam_made_later_lifts_more_at_tdc_by_the_published_table(moved, row):
    assert lift_at_tdc_after(ford_lobe(600.0), moved) == pytest.approx(INCH * FORD_LIFT_IN[row], abs=1e-9)


# ---------------------------------------------------------------- valve to piston, in a mirror


@pytest.mark.parametrize("angle", [0.0, 18.0])
@pytest.mark.parametrize("pushed_at", [0.0, 8.0])
def test_an_exhaust_valve_that_mirrors_an_inlet_valve_has_its_room_mirrored(angle, pushed_at):
    """Without a pin offset a piston falls after TDC as it rose before it: time run backwards makes one of the other.

    So the least is the same, as far before TDC as the other's after it, and a later inlet is an earlier exhaust.
    """
    engine = engine_of(stroke_mm=80.0, rod_mm=135.0, pin_offset_mm=0.0, pin_side_known=True)
    crank = np.arange(0.0, 720.0, 1.0)

    def lobe(centre: float) -> StoredLift:
        away = (crank - centre + 360) % 720 - 360
        return StoredLift(crank, 9.4 * np.clip(1 - (away / 125) ** 2, 0, None) ** 2)

    def room(valve, centre, at):
        push = DropMeasured(Lobe("1", valve), at % 720, 5.0, valve_angle_deg=angle)
        return find_piston_clearance(engine, push, lobe(centre), shop_minimum_mm=2.0)

    inlet, exhaust = room("inlet", 108.0, pushed_at), room("exhaust", 720.0 - 108.0, -pushed_at)
    assert exhaust.least_mm == pytest.approx(inlet.least_mm, abs=1e-6)
    assert exhaust.at_deg == pytest.approx(-inlet.at_deg, abs=1e-3)
    later = {row.shift_deg: row.least_mm for row in inlet.table}
    earlier = {-row.shift_deg: row.least_mm for row in exhaust.table}
    assert earlier == pytest.approx(later, abs=1e-6)
    assert later[-20.0] < later[0.0] < later[20.0], "an earlier inlet valve is nearer its piston"
    assert inlet.least_mm <= 5.0, "where it was pushed it had 5 mm, so the least is no more"


# ---------------------------------------------------------------- where to hold a triple


@pytest.mark.parametrize("centre", [100.0, 108.0, 116.0, 228.0, 348.0, 612.0])
@pytest.mark.parametrize("error", [5.0, -5.0])
def test_no_place_of_a_triple_is_further_than_60_from_a_top_and_what_is_told_is_what_is_counted(
    centre, error
):
    """Throws 120 apart: a piston is at its top every 120, so none can be parked further than 60 from one."""
    triple = Engine("Fell", ("1", "2", "3"), ("1", "2", "3"), TWIN)
    assert triple.tdcs_deg() == (0, 120, 240)
    crank = np.arange(0.0, 720.0, 1.0)
    away = (crank - centre - error + 360) % 720 - 360
    lift = StoredLift(crank, 9.4 * np.clip(1 - (away / 125) ** 2, 0, None) ** 2)
    park = best_park(lift, error, triple.tdcs_deg())
    after_a_top = park.crank_deg % 120
    counted = min(after_a_top, 120 - after_a_top)
    assert park.from_the_top_deg == pytest.approx(counted)
    assert 30 <= counted <= 60

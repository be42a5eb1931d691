"""Does the said correction bring the error to nought? Asked of pulleys modelled here, from the metal up.

The model knows shafts that turn in the world, not the signs of the analysis: clockwise seen from the timing
end is positive. A lobe is at full lift when its shaft stands at one world angle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.moving import correction_for, setting_of, single_cam_after
from analysis.timing import Adjuster, Cam, CamCard, Engine, Job, LobeCard, LobeMeasured, cam_error, error_of
from analysis.timing.angles import crank_angle_of

CARD_DEG = {"inlet": 108.0, "exhaust": 112.0}

errors = st.one_of(st.floats(-60, -0.07), st.floats(0.07, 60))
sides = st.sampled_from(["timing end", "flywheel end"])
turns = st.sampled_from(["clockwise", "anticlockwise"])
valves = st.sampled_from(["inlet", "exhaust"])
set_ups = st.tuples(errors, turns, sides, sides, st.booleans(), valves, st.floats(0, 720))


def world(turn, seen_from):
    """+1 or -1: a turn seen from a side, as the world has it."""
    clockwise = 1 if turn == "clockwise" else -1
    return clockwise if seen_from == "timing end" else -clockwise


@dataclass
class Pulley:
    """A crank and a cam in the world, degrees; the cam's bolts are slack, so either can turn alone."""

    crank_way: int
    cam_way: int
    crank: float
    cam: float
    nose: float

    @classmethod
    def standing(cls, engine, cam, full_lift_crank_deg):
        """Bolted up so that the lobe is full when the crank has run so far past overlap TDC."""
        crank_way = world(engine.rotation, engine.seen_from)
        cam_way = crank_way if cam.turns_with_crank else -crank_way
        return cls(crank_way, cam_way, 0.0, 0.0, cam_way * full_lift_crank_deg / 2)

    def run_to_full_lift(self):
        """Bolts tight, turn forward until the lobe is full; crank degrees past overlap TDC, 0..720."""
        ahead = (self.cam_way * (self.nose - self.cam)) % 360
        return (self.crank_way * self.crank + 2 * ahead) % 720


def engine_of(rotation, seen_from, with_crank):
    cam = Cam("inlet", ("inlet", "exhaust"), turns_with_crank=with_crank)
    return Engine("Tarn", ("1",), ("1",), (cam,), rotation=rotation, seen_from=seen_from)


@settings(max_examples=300)
@given(set_up=set_ups)
def test_turning_the_cam_as_told_brings_it_to_its_card(set_up):
    error, rotation, seen, view, with_crank, valve, held_at = set_up
    engine = engine_of(rotation, seen, with_crank)
    card = crank_angle_of(valve, CARD_DEG[valve])
    pulley = Pulley.standing(engine, engine.cams[0], card + error)
    pulley.crank += pulley.crank_way * held_at
    pulley.cam += pulley.cam_way * held_at / 2
    assert error_of(pulley.run_to_full_lift(), card) == pytest.approx(error)

    told = correction_for(engine, engine.cams[0], error, view)
    pulley.cam += world(told.cam_turn, view) * told.cam_deg

    assert error_of(pulley.run_to_full_lift(), card) == pytest.approx(0, abs=1e-9)
    assert told.make == ("earlier" if error > 0 else "later")
    assert told.cam_turn in told.hold_the_crank
    assert view in told.hold_the_crank


@settings(max_examples=300)
@given(set_up=set_ups)
def test_turning_the_crank_as_told_brings_the_held_cam_to_its_card(set_up):
    error, rotation, seen, view, with_crank, valve, held_at = set_up
    engine = engine_of(rotation, seen, with_crank)
    card = crank_angle_of(valve, CARD_DEG[valve])
    pulley = Pulley.standing(engine, engine.cams[0], card + error)
    pulley.crank += pulley.crank_way * held_at
    pulley.cam += pulley.cam_way * held_at / 2

    told = correction_for(engine, engine.cams[0], error, view)
    pulley.crank += world(told.crank_turn, view) * abs(told.change_deg)

    assert error_of(pulley.run_to_full_lift(), card) == pytest.approx(0, abs=1e-9)
    assert told.crank_forward == (error < 0)
    assert ("back" in told.hold_the_cam) == (error > 0)


@settings(max_examples=200)
@given(errors, valves)
def test_early_is_a_smaller_inlet_number_and_a_larger_exhaust_number(error, valve):
    engine = engine_of("clockwise", "timing end", True)
    half = LobeCard(CARD_DEG[valve], 1.27)
    card = CamCard("Garth 248", "full_lift", inlet=half, exhaust=half)
    cams = (Cam("one", (valve,)),)
    job = Job("HL-1", replace(engine, cams=cams), card)
    number = CARD_DEG[valve] + (error if valve == "inlet" else -error)  # the card's own words
    crank = number if valve == "inlet" else 720 - number
    found = cam_error(job, cams[0], [LobeMeasured("1", valve, crank % 720, 1.27, 0.1)])
    assert found.error_deg == pytest.approx(error)
    sentence = found.verdict(0.005).sentence
    assert ("late" in sentence) == (error > 0)
    assert ("early" in sentence) == (error < 0)
    assert found.verdict(0.005).error_cam_deg == pytest.approx(error / 2)


@settings(max_examples=200)
@given(errors, st.floats(10, 60))
def test_arc_and_chord_are_what_a_mark_on_the_pulley_moves(error, radius):
    engine = engine_of("clockwise", "timing end", True)
    cam = replace(engine.cams[0], adjuster=Adjuster("slots", bolt_circle_radius_mm=radius))
    told = correction_for(engine, cam, error)
    turned = math.radians(told.cam_deg)
    mark = complex(radius, 0)
    moved = mark * complex(math.cos(turned), math.sin(turned))
    assert told.chord_mm == pytest.approx(abs(moved - mark))
    steps = 2000
    walk = [
        mark * complex(math.cos(turned * k / steps), math.sin(turned * k / steps)) for k in range(steps + 1)
    ]
    assert told.arc_mm == pytest.approx(sum(abs(b - a) for a, b in pairwise(walk)), rel=1e-5)


# ---------------------------------------------------------------- adjusters


def after(setting, adjuster, error):
    """The error once the adjuster is set as told, by the sizes themselves; later is positive."""
    if setting.kind == "holes":
        return error + 2 * setting.steps * adjuster.hole_cam_deg
    if setting.kind == "teeth":
        return error + setting.steps * 720 / adjuster.gear_teeth
    one = 2 if adjuster.sizes_act_on == "cam" or setting.kind == "slots" else 1
    return error + one * (setting.to_fit_deg - adjuster.fitted_deg)


fitted_sizes = st.builds(
    Adjuster,
    kind=st.sampled_from(["keys", "dowels"]),
    sizes_deg=st.lists(st.integers(1, 12).map(float), min_size=1, max_size=6).map(tuple),
    sizes_act_on=st.sampled_from(["cam", "crank"]),
    fitted_deg=st.sampled_from([0.0, 2.0, -2.0]),
)
adjusters = st.one_of(
    st.builds(Adjuster, kind=st.just("holes"), hole_cam_deg=st.floats(0.5, 4)),
    st.builds(Adjuster, kind=st.just("teeth"), gear_teeth=st.integers(30, 60)),
    fitted_sizes,
    st.builds(
        Adjuster,
        kind=st.just("slots"),
        slot_each_way_cam_deg=st.one_of(st.none(), st.floats(2, 10)),
        fitted_deg=st.floats(-2, 2),
    ),
)


@settings(max_examples=400)
@given(adjusters, errors)
def test_an_adjuster_leaves_what_it_says_and_never_more_than_before(adjuster, error):
    setting = setting_of(adjuster, error)
    assert setting.leaves_deg == pytest.approx(after(setting, adjuster, error), abs=0.011)
    assert abs(setting.leaves_deg) <= abs(error) + 1e-9
    assert setting.sentence.endswith(".")


@settings(max_examples=300)
@given(fitted_sizes, errors)
def test_no_key_or_dowel_at_hand_would_come_nearer(adjuster, error):
    chosen = setting_of(adjuster, error)
    one = 2 if adjuster.sizes_act_on == "cam" else 1
    for size in (0.0, *adjuster.sizes_deg):
        for sign in (1, -1):
            other = error + one * (sign * size - adjuster.fitted_deg)
            assert abs(chosen.leaves_deg) <= abs(other) + 1e-9


@pytest.mark.parametrize("kind", ["slots", "holes", "keys", "dowels", "teeth", "none"])
def test_an_adjuster_of_unknown_sizes_says_nothing_wrong(kind):
    setting = setting_of(Adjuster(kind), 4.0)
    assert setting is None or setting.kind == "slots"


def test_slots_that_end_too_soon_say_what_is_left():
    setting = setting_of(Adjuster("slots", slot_each_way_cam_deg=4), 10.0)
    assert not setting.fits
    assert setting.to_fit_deg == -4
    assert setting.leaves_deg == pytest.approx(2.0)
    assert "2.0 deg late" in setting.sentence


def test_the_slots_tell_where_the_pulley_ends_and_what_room_is_left():
    setting = setting_of(Adjuster("slots", slot_each_way_cam_deg=8), 10.0)
    assert setting.to_fit_deg == -5
    assert "5.00 cam deg advanced from mid-slot, 13.00 left to go later and 3.00 earlier" in setting.sentence


@settings(max_examples=200)
@given(st.floats(-8, 8), st.floats(-8, 8), st.sampled_from(["inlet", "exhaust", "share"]))
def test_a_single_cam_is_brought_to_its_aim_and_what_is_left_does_not_depend_on_it(inlet, exhaust, aim):
    change = -{"inlet": inlet, "exhaust": exhaust, "share": (inlet + exhaust) / 2}[aim]
    outcome = single_cam_after(inlet, exhaust, change)
    left = {
        "inlet": outcome.inlet_error_deg,
        "exhaust": outcome.exhaust_error_deg,
        "share": outcome.inlet_error_deg + outcome.exhaust_error_deg,
    }[aim]
    assert left == pytest.approx(0, abs=1e-9)
    assert outcome.inlet_error_deg - outcome.exhaust_error_deg == pytest.approx(inlet - exhaust)
    assert outcome.separation_error_cam_deg == pytest.approx((inlet - exhaust) / 2)


def test_a_separation_ground_wrong_is_told_with_what_each_lobe_keeps():
    outcome = single_cam_after(4.0, -2.0, -1.0)
    assert "measures 3.0 cam deg wider than the card" in outcome.sentence
    assert "each lobe keeps 3.0 crank deg" in outcome.sentence

"""Signs and rules of the trade, each from a statement of its own: a drawing, a hand calculation, a count on the fingers.

Nothing here is made by the simulator. Numbers were worked out by hand beside each check; where a rule is "common
practice, no source" it says so. Angles are crank degrees, late is positive.
"""

from __future__ import annotations

import re
from dataclasses import replace
from math import hypot

import numpy as np
import pytest
from trade_jobs import TWIN, engine_of, facts

from analysis.base import Refusal
from analysis.clearance import minimum_of
from analysis.job import far_enough, how_to_turn
from analysis.job.checks import clearance_by_duration_mm, tilt_deg
from analysis.job.steps import plan
from analysis.moving import (
    adjuster_now,
    best_park,
    correction_for,
    crank_move,
    expected_mm,
    find_slip,
    flank_move,
    follow_flank,
    setting_of,
)
from analysis.timing import (
    Adjuster,
    Cam,
    CamCard,
    Event,
    Job,
    Lobe,
    LobeCard,
    LobeMeasured,
    Moved,
    StoredLift,
    cam_error,
    judge,
)

# ---------------------------------------------------------------- what is fitted now


def inlet_at(centre_deg: float, cylinder: str = "1") -> LobeMeasured:
    return LobeMeasured(cylinder, "inlet", centre_deg % 720, 1.27, 0.1)


LOBES = (Lobe("1", "inlet"),)


def keys(**more: object) -> Cam:
    return Cam("inlet", ("inlet",), adjuster=Adjuster("keys", sizes_deg=(1, 2, 3, 4, 5), **more))  # type: ignore[arg-type]


def test_after_the_4_key_the_next_is_the_5_and_not_the_1():
    """8.3 late is 4.15 cam degrees: the 4. 1.5 late left is 0.75 more: 4.75, the 5."""
    first = setting_of(keys().adjuster, 8.3)
    assert (first.to_fit_deg, first.leaves_deg) == (-4, pytest.approx(0.3))
    moved = Moved("inlet", "key", first.leaves_deg - 8.3, first.to_fit_deg)
    now = adjuster_now(keys(), LOBES, facts(inlet_at(116.3), moved, inlet_at(109.5)))
    second = setting_of(now, 1.5)
    assert now.fitted_deg == -4
    assert (second.to_fit_deg, second.leaves_deg) == (-5, pytest.approx(-0.5))


@pytest.mark.parametrize(
    ("error", "key", "then", "next_key"), [(-8.3, 4, -1.5, 5), (4.1, -2, -2.0, -1), (-5.9, 3, 6.0, 0)]
)
def test_keys_are_carried_on_both_ways(error, key, then, next_key):
    cam = keys()
    first = setting_of(cam.adjuster, error)
    assert first.to_fit_deg == key
    now = adjuster_now(cam, LOBES, facts(Moved("inlet", "key", None, first.to_fit_deg)))
    assert setting_of(now, then).to_fit_deg == next_key


def test_a_move_kept_before_that_was_noted_is_told_by_what_was_asked():
    assert adjuster_now(keys(), LOBES, facts(Moved("inlet", "key", -8.0))).fitted_deg == -4
    assert (
        adjuster_now(keys(sizes_act_on="crank"), LOBES, facts(Moved("inlet", "key", -4.0))).fitted_deg == -4
    )
    assert adjuster_now(keys(fitted_deg=1.0), LOBES, facts(Moved("exhaust", "key", -8.0))).fitted_deg == 1


@pytest.mark.parametrize(
    ("adjuster", "way", "errors", "fitted"),
    [
        # dowels of the crank: 3 late wants 3 earlier; 1 early left wants 1 back
        (Adjuster("dowels", sizes_deg=(1, 2, 3), sizes_act_on="crank"), "dowel", (3.0, -1.0), (-3, -2)),
        # holes of 2 cam degrees, 4 of the crank: 8 late is 2 holes, 5 early is 1 back
        (Adjuster("holes", hole_cam_deg=2), "hole", (8.0, -5.0), (-4, -2)),
        # 40 teeth, 18 degrees of the crank a tooth, 9 of the cam
        (Adjuster("teeth", gear_teeth=40), "tooth", (17.0, -19.0), (-9, 0)),
    ],
)
def test_dowels_holes_and_teeth_are_carried_on_too(adjuster, way, errors, fitted):
    cam, moves = Cam("inlet", ("inlet",), adjuster=adjuster), []
    for error, then in zip(errors, fitted, strict=True):
        setting = setting_of(adjuster_now(cam, LOBES, facts(*moves)), error)
        assert setting.to_fit_deg == pytest.approx(then)
        moves.append(Moved("inlet", way, setting.leaves_deg - error, setting.to_fit_deg))


@pytest.mark.parametrize(
    ("found", "asked", "then", "at", "next_error", "fits"),
    [
        # 8 late, moved by 7 only: 3.5 cam degrees earlier; 3 more late: 5 of 5, just fits
        (8.0, -8.0, 1.0, -3.5, 3.0, True),
        (8.0, -8.0, 1.0, -3.5, 3.2, False),
        # 8 early, moved to the number: 4 later; 2 more later fit, 3 do not
        (-8.0, 8.0, 0.0, 4.0, -2.0, True),
        (-8.0, 8.0, 0.0, 4.0, -3.0, False),
    ],
)
def test_the_room_left_in_a_slot_is_what_moves_before_have_left(found, asked, then, at, next_error, fits):
    cam = Cam("inlet", ("inlet",), adjuster=Adjuster("slots", slot_each_way_cam_deg=5))
    moves = facts(inlet_at(108 + found), Moved("inlet", "cam_turned", asked), inlet_at(108 + then))
    now = adjuster_now(cam, LOBES, moves)
    assert now.fitted_deg == pytest.approx(at)
    assert setting_of(now, next_error).fits is fits


def test_a_slot_moved_and_not_measured_since_is_taken_at_what_was_asked():
    cam = Cam("inlet", ("inlet",), adjuster=Adjuster("slots", slot_each_way_cam_deg=5))
    assert adjuster_now(cam, LOBES, facts(inlet_at(114), Moved("inlet", "cam_turned", -6.0))).fitted_deg == -3


# ---------------------------------------------------------------- which way to turn


@pytest.mark.parametrize(("late", "with_running"), [(4.0, True), (-4.0, False)])
@pytest.mark.parametrize("rotation", ["clockwise", "anticlockwise"])
@pytest.mark.parametrize("seen_from", ["timing end", "flywheel end"])
@pytest.mark.parametrize("with_crank", [True, False])
def test_a_late_cam_is_turned_on_in_its_own_direction(late, with_running, rotation, seen_from, with_crank):
    """On the fingers: the sides of turning are counted as +1 clockwise, and each change of view or gear as a -1."""
    cam = Cam("inlet", ("inlet",), turns_with_crank=with_crank)
    engine = engine_of(rotation=rotation, seen_from="timing end", cams=(cam, TWIN[1]))
    crank = (1 if rotation == "clockwise" else -1) * (1 if seen_from == "timing end" else -1)
    cam_runs = crank * (1 if with_crank else -1)
    turned = cam_runs * (1 if with_running else -1)
    found = correction_for(engine, cam, late, seen_from)
    assert found.cam_turn == ("clockwise" if turned > 0 else "anticlockwise")
    held = crank * (-1 if late > 0 else 1)
    assert found.crank_turn == ("clockwise" if held > 0 else "anticlockwise")
    assert found.cam_deg == 2.0


# ---------------------------------------------------------------- separation cards


@pytest.mark.parametrize(
    ("aim", "inlet", "exhaust", "late"),
    [
        # Card 110 + 4: inlet 106 ATDC, exhaust 114 BTDC. Lobes at 112 and 110: 6 late and 4 late.
        ("inlet", 112, 110, 6.0),
        ("exhaust", 112, 110, 4.0),
        ("share", 112, 110, 5.0),
        ("inlet", 104, 116, -2.0),
        ("exhaust", 104, 117, -3.0),
        ("share", 104, 117, -2.5),
        ("share", 107, 115, 0.0),
    ],
)
def test_a_separation_card_is_timed_by_the_lobe_that_was_chosen(aim, inlet, exhaust, late):
    engine = engine_of(cams=(Cam("camshaft", ("inlet", "exhaust")),))
    card = CamCard("Garth 248", "separation", separation_cam_deg=110, advance_deg=4)
    job = Job("HL-2", engine, card, single_cam_aim=aim)
    lobes = [
        LobeMeasured("1", "inlet", inlet, 1.27, 0.1),
        LobeMeasured("1", "exhaust", 720 - exhaust, 1.27, 0.1),
    ]
    found = cam_error(job, engine.cams[0], lobes)
    assert found.error_deg == pytest.approx(late)
    # Separation measured is the mean of both angles, in cam degrees.
    assert found.separation_error_cam_deg == pytest.approx((inlet + exhaust) / 2 - 110)


# ---------------------------------------------------------------- a tilted plunger


@pytest.mark.parametrize(
    ("reads", "on", "tilt"),
    [(9.78, "flat", 16), (9.04, "point", 16), (9.04, "flat", None), (9.78, "point", None), (9.78, "", None)],
)
def test_a_tilted_plunger_reads_more_on_a_flat_and_less_on_a_point(reads, on, tilt):
    """16 degrees, cosine 0.9613: 9.40 reads 9.778 along a face it runs up, 9.036 on a point that stays put."""
    found = tilt_deg(reads / 9.40 - 1, on)
    assert found is None if tilt is None else found == pytest.approx(tilt, abs=0.1)


# ---------------------------------------------------------------- clearance by the duration


@pytest.mark.parametrize(
    ("lift", "lost_deg", "clearance_mm"),
    # Calculated for one smooth lobe: 0.1 mm takes about 10 deg off at 0.1 mm, 6 at 0.25, 3 at 1.0; as straight
    # flanks between 0.1, 0.2 | 0.25, 0.35 | 1.0, 1.1 mm.
    [(0.1, 10.0, 0.1), (0.1, 5.0, 0.05), (0.25, 6.0, 0.1), (1.0, 3.0, 0.1), (1.0, 1.5, 0.05)],
)
def test_what_clearance_does_to_a_duration_is_read_off_the_curve_at_that_lift(lift, lost_deg, clearance_mm):
    card = {0.1: 290.0, 0.2: 280.0, 0.25: 276.0, 0.35: 270.0, 1.0: 240.0, 1.1: 237.0}
    # With so much more clearance every lift of the card is met that much lower.
    measured = tuple(Event(at - clearance_mm, 0, wide, wide) for at, wide in card.items())
    wanted = card[lift]
    seen = wanted - lost_deg
    events = (*measured, Event(lift, 0, seen, seen))
    assert clearance_by_duration_mm(events, lift, wanted) == pytest.approx(clearance_mm, abs=1e-6)
    tight = tuple(Event(at + clearance_mm, 0, wide, wide) for at, wide in card.items())
    assert clearance_by_duration_mm(tight, lift, wanted) == pytest.approx(-clearance_mm, abs=1e-6)


def test_a_duration_out_of_what_was_measured_gives_no_figure():
    assert clearance_by_duration_mm((Event(1.0, 0, 236, 236),), 1.0, 240) is None


# ---------------------------------------------------------------- slip on slackening


def straight_lobe(centre: float) -> StoredLift:
    """Flanks of exactly 0.1 mm a degree, from 100 before the nose to 100 after it: 10 mm."""
    crank = np.arange(0.0, 720.0, 0.25)
    away = np.abs((crank - centre + 360) % 720 - 360)
    return StoredLift(crank, np.clip(10 - 0.1 * away, 0, None))


@pytest.mark.parametrize("slip", [0.8, -0.8, 3.0, -3.0])
@pytest.mark.parametrize("park", [50.0, 160.0])
@pytest.mark.parametrize("polarity", [1, -1])
def test_a_cam_that_slips_when_slackened_is_seen_and_is_in_what_is_left_to_go(slip, park, polarity):
    """0.1 mm a degree: 0.8 later is 0.08 mm less on the opening flank, more on the closing one. Error 1.05 late."""
    lift, base = straight_lobe(109.05), 3.0
    opening = park < 109
    tight = base + polarity * (10 - 0.1 * abs(park - 109.05))
    slack = tight + polarity * (-0.1 if opening else 0.1) * slip
    assert expected_mm(lift, park, base, polarity) == pytest.approx(tight, abs=1e-6)
    found = find_slip(lift, crank_deg=park, reading_mm=slack, base_mm=base, polarity=polarity, u95_deg=0.1)
    assert found.slipped_deg == pytest.approx(slip, abs=0.06)
    assert found.seen
    assert ("later" if slip > 0 else "earlier") in found.sentence
    move = flank_move(lift, 1.05, park_deg=park, reading_mm=slack, polarity=polarity, expected_mm=tight)
    view = follow_flank(move, slack, park)
    assert view.to_go_deg == pytest.approx(1.05 + slip, abs=0.02)
    assert view.phase != "done"
    # Led to the curve's own reading, the cam is on its number: 1.05 earlier than it was measured.
    there = base + polarity * (10 - 0.1 * abs(park - 108.0))
    assert follow_flank(move, there, park).phase == "done"


def test_a_cam_that_did_not_slip_is_not_accused():
    lift = straight_lobe(109.05)
    tight = expected_mm(lift, 50.0, 3.0)
    assert not find_slip(lift, crank_deg=50.0, reading_mm=tight + 0.01, base_mm=3.0, u95_deg=0.15).seen


# ---------------------------------------------------------------- forward only

BACK = re.compile(r"\b(turn|go|goes|come|bring|some way|and|over it) back\b|\bback again\b|\bback to it\b")


@pytest.mark.parametrize("kind", ["bench_check", "tdc", "lobe"])
def test_an_engine_that_may_not_be_turned_back_is_never_told_to(kind):
    said = f"{how_to_turn(kind, forward_only=True)} {far_enough(back=False)}"
    assert "back" not in said
    assert "forward" in said
    allowed = f"{how_to_turn('tdc', forward_only=False)} {far_enough(back=True)}"
    assert BACK.search(allowed)  # so the search above can fail


@pytest.mark.parametrize("late", [5.0, -5.0])
def test_a_correction_never_turns_such_a_crank_back(late):
    engine = engine_of(forward_only=True)
    found = correction_for(engine, TWIN[0], late)
    assert not BACK.search(found.hold_the_cam.replace("must not be turned back", ""))
    if late > 0:
        with pytest.raises(Refusal, match="forward_only"):
            crank_move(late, crank_deg=100.0, gauge_mm=2.0, forward_only=True)
    else:
        assert crank_move(late, crank_deg=100.0, gauge_mm=2.0, forward_only=True).target_deg == 105


def test_no_step_of_such_a_job_asks_for_a_turn_back():
    half = LobeCard(108, 1.27)
    job = Job("HL-3", engine_of(forward_only=True), CamCard("Fell 248", "full_lift", half, half))
    for step in plan(job):
        assert not BACK.search(f"{step.do} {step.gives}"), step.id


def test_a_held_crank_that_went_on_is_not_brought_back_on_such_an_engine():
    lift = straight_lobe(110.0)
    move = flank_move(lift, 2.0, park_deg=50.0, reading_mm=4.0, forward_only=True)
    view = follow_flank(move, 4.0, 51.0)
    assert view.phase == "hold"
    assert "forward two turns" in view.sentence
    assert "bring it" not in view.sentence


# ---------------------------------------------------------------- turns, cannot tell, parking, least clearances


def test_two_turns_pass_a_nose_once_and_a_repeat_needs_four():
    """The cam turns once in two turns of the crank."""
    assert "four full turns" in how_to_turn("lobe", forward_only=False)
    assert "four full turns" in how_to_turn("lobe", forward_only=True)
    half = LobeCard(108, 1.27)
    for step in plan(Job("HL-3", engine_of(), CamCard("Fell 248", "full_lift", half, half))):
        if step.kind in {"lobe", "nipped", "torqued"}:
            assert "four full turns" in step.do


@pytest.mark.parametrize(
    ("error", "u95", "turns"),
    [
        (1.0, 0.3, None),  # on the limit itself: no number of turns tells
        (-1.0, 0.3, None),
        (0.95, 0.3, None),  # (0.3 / 0.05) squared is 36 times
        (0.8, 0.3, 12),  # (0.3 / 0.2) squared is 2.25: three times four turns
        (-1.2, 0.3, 12),
        (0.0, 1.5, 12),
    ],
)
def test_cannot_tell_says_how_many_turns_or_offers_another_way(error, u95, turns):
    found = judge(error, u95, 1.0)
    assert (found.call, found.turns_needed) == ("cannot_tell", turns)
    words = f"about {turns}" if turns else "move it again, or accept it, with the reason"
    assert words in found.sentence


@pytest.mark.parametrize("centre", [100.0, 108.0, 115.0, 612.0])
@pytest.mark.parametrize("error", [4.0, -4.0])
def test_a_cam_is_turned_with_every_piston_of_a_four_well_down(centre, error):
    """Cranks level: tops at 0 and 180, so 90 is best; common practice, no source."""
    crank = np.arange(0.0, 720.0, 1.0)
    away = (crank - centre - error + 360) % 720 - 360
    lift = StoredLift(crank, 9.4 * np.clip(1 - (away / 125) ** 2, 0, None) ** 2)
    park = best_park(lift, error, (0.0, 180.0))
    from_the_top = min(park.crank_deg % 180, 180 - park.crank_deg % 180)
    assert from_the_top >= 55
    assert park.from_the_top_deg == pytest.approx(from_the_top)
    assert park.slope_mm_deg >= 0.03


@pytest.mark.parametrize(
    ("makers", "shop", "least"),
    [
        (None, None, (2.0, "common practice")),
        (None, 1.5, (1.5, "the shop")),
        (1.2, 1.5, (1.2, "engine maker")),
        (1.2, None, (1.2, "engine maker")),
    ],
)
def test_least_clearances_are_the_makers_then_the_shops_then_usual(makers, shop, least):
    engine = engine_of(inlet_to_piston_mm=makers)
    assert minimum_of(engine, "inlet", shop) == least
    assert minimum_of(replace(engine), "exhaust") == (2.5, "common practice")
    half = LobeCard(108)
    job = Job("HL-4", engine, CamCard("Fell", "full_lift", half), shop_inlet_to_piston_mm=shop)
    assert (job.shop_least_mm("inlet"), job.shop_least_mm("exhaust")) == (shop, None)


def test_u95_of_a_shared_cam_is_no_better_than_its_lobes():
    """Both rest on one TDC: 0.2 and 0.3 make 0.25, not the root of the squares halved, 0.18."""
    engine = engine_of(cams=(Cam("camshaft", ("inlet", "exhaust")),))
    job = Job(
        "HL-2",
        engine,
        CamCard("G", "separation", separation_cam_deg=110, advance_deg=0),
        single_cam_aim="share",
    )
    lobes = [LobeMeasured("1", "inlet", 110, 1.27, 0.2), LobeMeasured("1", "exhaust", 610, 1.27, 0.3)]
    assert cam_error(job, engine.cams[0], lobes).u95_deg == pytest.approx(0.25)
    assert hypot(0.2, 0.3) / 2 < 0.25

"""Valve to piston before a large move: how far a cam may go, counted on the fingers from tables of round numbers."""

from __future__ import annotations

import pytest

from analysis.job.procedure import Blocked, check
from analysis.job.room import room_of
from analysis.timing import Decided, Lobe, LobeMeasured, Moved, OwnDecision, Skipped, Tightened

INLET = Lobe("1", "inlet")


def decided(builder, late):
    builder.to_the_lobes().does(builder.lobe("inlet", late), Decided("inlet", "correct"))
    return builder


@pytest.mark.parametrize("late", [4.2, -4.2, 10.0])
def test_a_move_over_4_degrees_waits_for_valve_to_piston(builder, found_clearance, late):
    decided(builder, late)
    assert builder.state.now == "room.inlet"
    assert f"{abs(late):.1f} deg" in builder.step("room.inlet").sentence
    with pytest.raises(Blocked) as block:
        check(builder.job, builder.facts, Moved("inlet", "cam_turned", -late), by="Ida Thorne")
    assert block.value.step == "room.inlet"
    builder.does(found_clearance("inlet", 9.0))
    assert builder.state.now == "correction.inlet"
    builder.does(Moved("inlet", "cam_turned", -late))


@pytest.mark.parametrize("late", [1.5, -3.8])
def test_a_new_cam_waits_however_small_the_move(builder_of, found_clearance, late):
    builder = decided(builder_of(new_cam=True), late)
    assert builder.state.now == "room.inlet"
    assert builder.step("room.inlet").sentence.startswith("The cam is new to this engine")
    builder.does(found_clearance("inlet", 9.0))
    assert builder.state.now == "correction.inlet"


@pytest.mark.parametrize("late", [3.8, -3.8])
def test_a_smaller_move_does_not(builder, late):
    assert decided(builder, late).state.now == "correction.inlet"


def test_a_builder_may_leave_it_out_with_a_reason_that_is_printed(builder):
    decided(builder, 10.0).does(Skipped("room.inlet", "bare head, no pistons in"))
    assert builder.state.now == "correction.inlet"
    assert builder.state.departures[0].reason == "bare head, no pistons in"


def test_a_cam_moved_before_this_was_asked_is_not_asked_about_again(builder):
    """A job kept from before holds the move and no finding."""
    decided(builder, 10.0)
    facts = [*builder.facts]
    builder.does(Moved("inlet", "cam_turned", -10.0))
    moved = builder.facts[-1]
    builder.facts = [*facts, moved]
    assert builder.step("room.inlet").state == "done"
    builder.does(Tightened("inlet", "nipped"))


def test_a_move_beyond_the_room_is_blocked_with_the_reason_and_may_be_made_with_one(builder, found_clearance):
    """3.0 mm, 0.1 less a degree earlier: 10 earlier leaves 2.0, and 0.1 is not certain; wanted 2.0."""
    decided(builder, 10.0).does(found_clearance("inlet", 3.0))
    step = builder.step("correction.inlet")
    assert (step.state, step.code, step.may_override) == ("blocked", "piston_clearance", True)
    assert "2.00 mm from the piston" in step.why
    builder.does(OwnDecision("correction.inlet", "piston_clearance", "pocket cut 1 mm deeper, measured"))
    assert builder.step("correction.inlet").code == ""


def test_how_far_it_may_go_is_told_and_counts_from_where_it_stands(builder, found_clearance):
    """9.0 mm, 0.5 mm a degree, wanted 2.0 and 0.1 not certain: 6.9 mm are 13.8 degrees; later is never too near."""
    found = found_clearance("inlet", 9.0, steep=0.5)
    room = room_of(INLET, found)
    assert (room.earlier_deg, room.earlier_ends) == (pytest.approx(13.8), True)
    assert (room.later_deg, room.later_ends) == (20.0, False)
    assert "13.8 deg earlier and 20 deg and more later" in room.sentence
    moved = room_of(INLET, found, -6.0)
    assert (moved.earlier_deg, moved.later_deg) == (pytest.approx(7.8), 26.0)
    assert room_of(INLET, found, -15.0).earlier_deg == 0.0
    decided(builder, 10.0).does(found)
    assert "13.8 deg earlier" in builder.step("room.inlet").sentence


def test_an_exhaust_runs_out_of_room_the_other_way(found_clearance):
    found = found_clearance("exhaust", 4.6, 2.5, steep=0.2)
    room = room_of(Lobe("1", "exhaust"), found)
    assert (room.later_deg, room.earlier_deg) == (pytest.approx(10.0), 20.0)


def test_a_valve_that_is_too_near_already_has_no_room(found_clearance):
    assert room_of(INLET, found_clearance("inlet", 1.9)).earlier_deg == 0.0


def test_each_valve_of_a_single_cam_is_asked_for(sallow_builder, found_clearance):
    builder = sallow_builder.to_the_lobes()
    builder.does(builder.lobe("inlet", 6.0), builder.lobe("exhaust", 6.0), Decided("camshaft", "correct"))
    builder.does(found_clearance("inlet", 9.0))
    assert "exhaust, cylinder 1" in builder.step("room.camshaft").sentence
    builder.does(found_clearance("exhaust", 9.0))
    assert builder.state.now == "correction.camshaft"


def test_a_cam_measured_and_moved_since_keeps_its_finding(builder, found_clearance):
    """Found at 10 late, moved to 6 late by hand and measured: 4 of the room earlier are used."""
    decided(builder, 10.0).does(found_clearance("inlet", 9.0, steep=0.5), Moved("inlet", "cam_turned", -10.0))
    builder.does(Tightened("inlet", "nipped"), LobeMeasured("1", "inlet", 114.0, 1.27, 0.1, "again"))
    builder.does(Decided("inlet", "correct"))
    assert builder.state.now == "correction.inlet"
    assert "9.8 deg earlier" in builder.step("room.inlet").sentence

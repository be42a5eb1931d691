"""Valve to valve before a large move of either cam, counted on the fingers from a table of round numbers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.timing import Decided, Moved, OwnDecision, ValvesApartFound
from analysis.timing.facts import ShiftedClearance


def apart(least=4.0, steep=0.1):
    """4.0 mm as they stand; each degree that the inlet cam goes later against the exhaust cam gives 0.1 more."""
    rows = tuple(ShiftedClearance(float(shift), least + steep * shift, 0.0) for shift in range(-20, 21, 5))
    return ValvesApartFound("1", least, 0.0, 0.1, 1.5, "touch", rows)


@pytest.fixture
def leaning(builder):
    """A twin-cam engine whose valves lean; inlet 10 late, to be corrected, with ample way to the piston."""
    lean = {"inlet_valve_angle_deg": 14.0, "exhaust_valve_angle_deg": 16.0}
    builder.job = replace(builder.job, engine=replace(builder.job.engine, **lean))
    builder.to_the_lobes()
    return builder


def late(builder, inlet, exhaust, cam):
    builder.does(builder.lobe("inlet", inlet), builder.lobe("exhaust", exhaust))
    return builder.does(Decided(cam, "correct"))


def test_valves_that_lean_ask_for_both_curves_and_both_travels_before_a_large_move(leaning, found_clearance):
    leaning.does(leaning.lobe("inlet", 10.0))
    assert leaning.state.now == "lobe.exhaust"
    leaning.does(Decided("inlet", "correct"), found_clearance("inlet", 9.0))
    assert "Lobe centre, exhaust" in leaning.step("room.inlet").why
    leaning.does(leaning.lobe("exhaust", 0.0))
    assert leaning.state.now == "room.inlet"
    assert "push each valve in turn until it stops" in leaning.step("room.inlet").sentence
    leaning.does(apart())
    assert leaning.state.now == "correction.inlet"


def test_valves_that_stand_upright_or_were_never_said_to_lean_ask_nothing(builder, found_clearance):
    builder.to_the_lobes().does(builder.lobe("inlet", 10.0), Decided("inlet", "correct"))
    builder.does(found_clearance("inlet", 9.0))
    assert builder.state.now == "correction.inlet"


@pytest.mark.parametrize(
    ("cam", "inlet", "exhaust", "least", "blocked"),
    [
        ("inlet", 10.0, 0.0, 4.0, False),  # 10 earlier: 3.0 left, 1.6 wanted
        ("inlet", 10.0, 0.0, 2.5, True),  # 1.5 left
        ("inlet", -10.0, 0.0, 1.7, False),  # 10 later: they part
        ("exhaust", 0.0, -10.0, 2.5, True),  # an exhaust made 10 later: 1.5 left
        ("exhaust", 0.0, 10.0, 1.7, False),  # 10 earlier: they part
    ],
)
def test_a_move_that_brings_them_too_near_is_blocked_with_the_reason(
    leaning, found_clearance, cam, inlet, exhaust, least, blocked
):
    late(leaning, inlet, exhaust, cam)
    leaning.does(found_clearance("inlet", 9.0), found_clearance("exhaust", 9.0), apart(least))
    step = leaning.step(f"correction.{cam}")
    assert (step.code == "valves_apart") is blocked
    if blocked:
        assert "1.50 mm from the other valve" in step.why
        leaning.does(OwnDecision(step.id, "valves_apart", "heads measured, smaller valves go in"))
        assert leaning.step(step.id).code == ""


def test_how_far_a_cam_may_go_is_told_and_counts_from_where_both_stand(leaning, found_clearance):
    """4.0 less 1.6 wanted are 24 degrees of 0.1: the table ends first, at 20. 3.0: 14 degrees."""
    late(leaning, 10.0, 0.0, "inlet")
    leaning.does(found_clearance("inlet", 9.0), apart(3.0))
    assert "14.0 deg earlier" in leaning.step("room.inlet").sentence
    assert "1.50 mm from the other valve" in leaning.step("room.inlet").sentence


def test_the_other_cams_move_counts_too(leaning, found_clearance):
    """Found at 3.0; the inlet then went 10 earlier: the exhaust has 4 later left of its 14."""
    late(leaning, 10.0, 0.0, "inlet")
    leaning.does(found_clearance("inlet", 9.0), found_clearance("exhaust", 9.0), apart(3.0))
    leaning.does(Moved("inlet", "cam_turned", -10.0))
    leaning.does(leaning.lobe("inlet", 0.0))
    from analysis.job import Evidence, room_to_valve

    evidence = Evidence.of(leaning.job, leaning.facts)
    room = room_to_valve(evidence, evidence.step("room.exhaust"))
    assert (room.later_deg, room.later_ends) == (pytest.approx(4.0), True)
    assert room.earlier_deg == pytest.approx(30.0)

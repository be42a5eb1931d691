"""Every block of the procedure, by trying to get past it. The last test sees that none was forgotten."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

import analysis
from analysis.timing import (
    BenchChecked,
    Cam,
    ClearanceNoted,
    Decided,
    DropCentre,
    FittedUp,
    LobeCard,
    LobeMeasured,
    Moved,
    Noted,
    OwnDecision,
    PartFigure,
    PartMeasured,
    SignedOff,
    Skipped,
    StrokeFound,
    TdcMeasured,
    Tightened,
    WentBack,
    Withdrawn,
)

GOOD_BENCH = BenchChecked(True, 360.0, ("plunger",), (1,))
TDC = TdcMeasured("1", 17.3, 0.03)
FLOAT = PartFigure("float", 0.18, 0.01, "mm")
EVENTS = replace(LobeCard(), opens_deg=20, closes_deg=56, check_lift_mm=1.0)

seen: set[str] = set()


def blocked(builder, payload, code, step=None, **more):
    block = builder.refused(payload, **more)
    assert block.code == code, block.message
    assert step is None or block.step == step
    seen.add(code)
    return block


# ---------------------------------------------------------------- one step after the other


def test_true_tdc_does_not_come_before_the_bench_check(builder):
    blocked(builder, TDC, "not_yet", "bench_check")


@pytest.mark.parametrize(
    ("bench", "code"),
    [
        (BenchChecked(False, 360.0, ("plunger",)), "counts_backward"),
        (BenchChecked(True, 360.0, ()), "no_gauge"),
        (BenchChecked(True, 359.0, ("plunger",)), "counts_a_turn"),
        (BenchChecked(True, None, ("plunger",)), "not_yet"),
    ],
)
def test_a_bench_that_fails_its_check_measures_nothing(builder, bench, code):
    builder.does(bench)
    blocked(builder, TDC, code, "bench_check")
    blocked(builder, Skipped("bench_check", "no time for it"), code) if code != "not_yet" else None
    builder.does(GOOD_BENCH, TDC)


def test_the_stroke_does_not_come_before_true_tdc_was_repeated(builder):
    builder.does(GOOD_BENCH)
    blocked(builder, StrokeFound(17.3), "not_yet", "true_tdc")
    builder.does(TDC)
    blocked(builder, StrokeFound(17.3), "not_yet", "true_tdc")
    builder.does(TDC, StrokeFound(17.3))


def test_two_tdcs_that_differ_are_not_enough(builder):
    builder.does(GOOD_BENCH, TDC, replace(TDC, centre_deg=17.8))
    block = blocked(builder, StrokeFound(17.3), "not_yet", "true_tdc")
    assert "differ by 0.50" in block.message
    builder.does(replace(TDC, centre_deg=17.82), StrokeFound(17.8))


def test_two_tdcs_that_agree_across_zero_are_one(builder):
    builder.does(GOOD_BENCH, replace(TDC, centre_deg=359.99), replace(TDC, centre_deg=0.01))
    assert builder.state.tdc_deg == pytest.approx(0.0, abs=1e-9) or builder.state.tdc_deg == pytest.approx(
        360
    )
    builder.does(StrokeFound(360.0))


def test_fitting_up_without_a_line_is_not_noted(builder):
    blocked(builder, FittedUp(()), "fitting_up_empty", "bench_check")
    builder.does(FittedUp(("Cam oiled.",)), GOOD_BENCH)


def test_the_tdc_of_another_piston_is_not_taken_for_a_banks(builder_of):
    """Four cylinders in a vee of 90: B1 fires 180 after A1 by even intervals, and its top comes there."""
    cams = tuple(Cam(f"{bank} camshaft", ("inlet", "exhaust"), (f"{bank}1", f"{bank}2")) for bank in "AB")
    names = ("A1", "B1", "A2", "B2")
    builder = builder_of(engine={"cylinders": names, "firing_order": names, "cams": cams})
    clear = [ClearanceNoted(f"{bank}1", valve, 0.3) for bank in "AB" for valve in ("inlet", "exhaust")]
    top = replace(TDC, cylinder="A1")
    builder.does(GOOD_BENCH, *clear, top, top, StrokeFound(17.3))
    assert builder.state.now == "bank_tdc.B"
    lobe = builder.lobe("inlet", cylinder="B1")
    blocked(builder, lobe, "not_yet", "bank_tdc.B")
    builder.does(replace(TDC, cylinder="B1", centre_deg=17.3 + 90))
    block = blocked(builder, lobe, "bank_tdc_off", "bank_tdc.B")
    assert "90.00 deg" in block.message
    builder.does(replace(TDC, cylinder="B1", centre_deg=17.3 + 180.5))
    assert builder.state.now == "lobe.A camshaft"
    assert "0.50 deg after" in builder.step("bank_tdc.B").sentence


def test_overlap_noted_away_from_tdc_goes_no_further(builder):
    builder.to_the_lobes().does(StrokeFound(60.0))
    blocked(builder, builder.lobe("inlet"), "overlap_not_at_tdc", "stroke")
    builder.does(StrokeFound(377.3), builder.lobe("inlet"))


def test_no_lobe_before_the_stroke_is_known(builder):
    builder.does(GOOD_BENCH, TDC, TDC, ClearanceNoted("1", "inlet", 0.3), ClearanceNoted("1", "exhaust", 0.3))
    blocked(builder, builder.lobe("inlet"), "not_yet", "stroke")


def test_no_lobe_before_the_clearances_are_noted(builder):
    builder.does(GOOD_BENCH, TDC, TDC, StrokeFound(17.3), ClearanceNoted("1", "inlet", 0.3))
    block = blocked(builder, builder.lobe("inlet"), "not_yet", "clearances")
    assert "exhaust, cylinder 1" in block.message


def test_a_clearance_off_the_card_stops_a_card_that_minds_it(builder_of):
    card = {
        "way": "events",
        "inlet": replace(EVENTS, checking_clearance_mm=0.3),
        "exhaust": replace(EVENTS, checking_clearance_mm=0.3),
    }
    builder = builder_of(card=card)
    builder.does(GOOD_BENCH, TDC, TDC, StrokeFound(17.3))
    builder.does(ClearanceNoted("1", "inlet", 0.5), ClearanceNoted("1", "exhaust", 0.3))
    block = blocked(builder, builder.lobe_with_events("inlet"), "clearance_off_card", "clearances")
    assert block.may_override
    builder.does(OwnDecision("clearances", "clearance_off_card", "solid followers not to be had"))
    builder.does(builder.lobe_with_events("inlet"))
    assert builder.state.departures[0].code == "clearance_off_card"


def test_a_clearance_off_the_card_is_told_where_full_lift_hardly_minds_it(builder):
    builder.does(GOOD_BENCH, TDC, TDC, StrokeFound(17.3))
    builder.does(
        ClearanceNoted("1", "inlet", 0.5), ClearanceNoted("1", "exhaust", 0.3), builder.lobe("inlet")
    )
    assert "0.50 mm, card 0.30 mm" in builder.state.findings[0].message


def test_no_decision_before_the_lobe_is_measured(builder):
    builder.to_the_lobes()
    blocked(builder, Decided("inlet", "correct"), "not_yet", "lobe.inlet")


def test_no_cam_is_moved_without_a_decision(builder):
    builder.to_the_lobes()
    blocked(builder, Moved("inlet", "cam_turned", -10), "not_yet", "verdict.inlet")
    builder.does(builder.lobe("inlet", 10))
    blocked(builder, Moved("inlet", "cam_turned", -10), "not_yet", "verdict.inlet")


def test_no_cam_is_moved_that_is_in_or_left(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 0.1), builder.lobe("exhaust", 5))
    blocked(builder, Moved("inlet", "cam_turned", -0.1), "no_correction_asked", "correction.inlet")
    builder.does(Decided("exhaust", "leave", "the customer wants it so"))
    blocked(builder, Moved("exhaust", "cam_turned", -5), "no_correction_asked")


def test_a_cam_is_not_moved_twice_without_a_measurement_between(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    builder.does(Moved("inlet", "cam_turned", -10))
    blocked(builder, Moved("inlet", "cam_turned", -1), "no_correction_asked")


def test_going_back_to_the_correction_wants_the_place_of_the_cam_first(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    builder.does(Moved("inlet", "cam_turned", -10), WentBack("correction.inlet"))
    blocked(builder, Moved("inlet", "cam_turned", -1), "position_unknown", "correction.inlet")
    blocked(builder, Decided("inlet", "correct"), "nothing_to_correct_by")
    builder.does(builder.lobe("inlet", 3))
    assert "3.0 deg earlier" in builder.step("correction.inlet").sentence
    builder.does(Moved("inlet", "cam_turned", -3))


def test_nothing_is_tightened_before_the_correction_is_made(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    blocked(builder, Tightened("inlet", "nipped"), "not_yet", "correction.inlet")
    builder.does(Moved("inlet", "cam_turned", -10))
    blocked(builder, Tightened("inlet", "torqued"), "not_yet", "nipped.inlet")
    builder.does(Tightened("inlet", "nipped"))
    blocked(builder, Tightened("inlet", "torqued"), "not_yet", "nipped.inlet")
    builder.does(builder.lobe("inlet", 0.1), Tightened("inlet", "torqued"))


def test_a_nipped_cam_that_is_out_is_not_torqued_without_a_decision(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    builder.does(Moved("inlet", "cam_turned", -10), Tightened("inlet", "nipped"), builder.lobe("inlet", 3))
    block = blocked(builder, Tightened("inlet", "torqued"), "not_yet", "nipped.inlet")
    assert "Out: 3.0 deg late" in block.message


def test_a_cam_that_cannot_be_told_is_not_gone_past_without_a_decision(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 0.9, u95=0.3))
    step = builder.step("verdict.inlet")
    assert step.state == "now"
    assert "Cannot tell" in step.sentence
    blocked(builder, Decided("inlet", "leave"), "no_reason")
    builder.does(Decided("inlet", "measure_again"))
    assert builder.state.now == "lobe.inlet"
    builder.does(builder.lobe("inlet", 0.85, u95=0.1))
    assert builder.step("verdict.inlet").state == "done"


def test_no_signature_while_a_step_is_open(builder):
    builder.to_the_closing()
    block = blocked(builder, SignedOff(), "unfinished", "tdc_again")
    assert "2 step(s)" in block.message


def test_the_torqued_measurement_is_asked_for_before_the_signature(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    builder.does(Moved("inlet", "cam_turned", -10), Tightened("inlet", "nipped"), builder.lobe("inlet"))
    builder.does(builder.lobe("exhaust"), builder.lobe("inlet"))
    builder.does(Tightened("inlet", "torqued"))
    blocked(builder, SignedOff(), "unfinished", "torqued.inlet")


# ---------------------------------------------------------------- zero, pistons


def test_a_tdc_zero_that_moved_is_not_signed_over(builder):
    builder.to_the_closing()
    builder.does(replace(TDC, centre_deg=18.1, measurement_id="end"))
    block = blocked(builder, SignedOff(), "unfinished", "tdc_again")
    assert "0.78" in block.message
    assert builder.step("tdc_again").code == "tdc_moved"
    blocked(builder, Skipped("tdc_again", "it is only a little"), "tdc_moved")
    blocked(builder, OwnDecision("tdc_again", "tdc_moved", ""), "no_reason")
    builder.does(OwnDecision("tdc_again", "tdc_moved", "pointer knocked after the last lobe, seen"))
    assert builder.step("tdc_again").state == "done"
    assert builder.state.departures[0].code == "tdc_moved"


def test_a_tdc_measured_before_the_last_lobe_does_not_close_the_job(builder):
    builder.to_the_closing().does(replace(TDC, measurement_id="mid"), builder.lobe("inlet", 0.1))
    assert builder.state.now == "tdc_again"


def test_a_correction_that_brings_a_valve_too_near_is_refused(builder, found_clearance):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), found_clearance("inlet", 2.6))
    builder.does(Decided("inlet", "correct"))
    block = blocked(builder, Moved("inlet", "cam_turned", -10), "piston_clearance", "correction.inlet")
    assert "1.60 mm from the piston" in block.message
    assert "common practice" in block.message
    blocked(builder, Skipped("correction.inlet", "skip around it"), "piston_clearance")
    builder.does(OwnDecision("correction.inlet", "piston_clearance", "pockets will be cut, see note"))
    builder.does(Moved("inlet", "cam_turned", -10))
    assert "piston_clearance" in {one.code for one in builder.state.departures}


def test_a_correction_away_from_the_piston_is_not_refused(builder, found_clearance):
    builder.to_the_lobes().does(builder.lobe("inlet", -10), found_clearance("inlet", 2.6))
    builder.does(Decided("inlet", "correct"), Moved("inlet", "cam_turned", 10))


def test_the_clearance_is_carried_along_when_the_cam_has_moved_since(builder, found_clearance):
    """Taken 10 late with 2.6 mm, then moved 3 earlier: the last 7 deg still lead to 1.6 mm."""
    builder.to_the_lobes().does(builder.lobe("inlet", 10), found_clearance("inlet", 2.6))
    builder.does(
        Decided("inlet", "correct"), OwnDecision("correction.inlet", "piston_clearance", "only partly")
    )
    builder.does(Moved("inlet", "cam_turned", -3), Tightened("inlet", "nipped"), builder.lobe("inlet", 7))
    builder.does(Decided("inlet", "correct"), WentBack("correction.inlet"))
    block = blocked(builder, Moved("inlet", "cam_turned", -7), "piston_clearance")
    assert "1.60 mm" in block.message


def test_a_correction_beyond_the_table_of_clearances_wants_a_longer_table(builder, found_clearance):
    builder.to_the_lobes().does(builder.lobe("inlet", 30), found_clearance("inlet", 9.0))
    builder.does(Decided("inlet", "correct"))
    blocked(builder, Moved("inlet", "cam_turned", -30), "piston_clearance_unknown", "correction.inlet")


def test_a_clearance_under_its_minimum_is_not_signed_over(builder, found_clearance):
    builder.to_the_closing().does(replace(TDC, measurement_id="end"))
    builder.does(found_clearance("inlet", 1.8), found_clearance("exhaust", 3.5, 2.5))
    block = blocked(builder, SignedOff(), "unfinished", "valve_to_piston")
    assert "under the least allowed" in block.message
    assert builder.step("valve_to_piston").code == "under_minimum"
    blocked(builder, Skipped("valve_to_piston", "it has always run so"), "under_minimum")
    builder.does(OwnDecision("valve_to_piston", "under_minimum", "maker allows 1.5, letter on file"))
    builder.signs()


def test_a_clearance_that_cannot_be_told_from_its_minimum_is_not_enough(builder, found_clearance):
    builder.to_the_closing().does(replace(TDC, measurement_id="end"))
    builder.does(found_clearance("inlet", 2.05), found_clearance("exhaust", 3.5, 2.5))
    assert builder.step("valve_to_piston").code == "under_minimum"


def test_valve_to_piston_is_asked_for_again_after_a_change(builder, found_clearance):
    builder.to_the_lobes().does(builder.lobe("inlet", 2), found_clearance("inlet"))
    builder.does(Decided("inlet", "correct"), Moved("inlet", "cam_turned", -2), Tightened("inlet", "nipped"))
    builder.does(builder.lobe("inlet"), Tightened("inlet", "torqued"), builder.lobe("inlet"))
    builder.does(
        builder.lobe("exhaust"), replace(TDC, measurement_id="end"), found_clearance("exhaust", 3.5, 2.5)
    )
    assert builder.state.now == "valve_to_piston"
    assert "Still to do: inlet" in builder.step("valve_to_piston").sentence


def test_valve_to_piston_needs_a_measured_lobe(builder, found_clearance):
    builder.to_the_lobes()
    blocked(builder, found_clearance("inlet"), "not_yet", "lobe.inlet")
    builder.does(builder.lobe("inlet"))
    blocked(builder, found_clearance("inlet", minimum=0.0), "minimum_impossible")


# ---------------------------------------------------------------- numbers of different ways


def test_a_lobe_a_turn_away_sends_back_to_the_stroke(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 355))
    blocked(builder, Moved("inlet", "cam_turned", 5), "wrong_stroke", "verdict.inlet")
    blocked(builder, Decided("inlet", "correct"), "nothing_to_correct_by")
    builder.does(WentBack("stroke", "the other TDC is the overlap one"), StrokeFound(377.3))
    assert builder.state.now == "lobe.inlet"


def test_a_lobe_of_another_cylinder_is_named(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 180))
    block = blocked(builder, Moved("inlet", "cam_turned", 5), "wrong_lobe", "verdict.inlet")
    assert "inlet, cylinder 3" in block.message


def test_a_centre_of_another_drop_is_not_judged(builder_of):
    builder = builder_of(card={"inlet": LobeCard(108, drop_mm=0.5)})
    builder.to_the_lobes().does(builder.lobe("inlet", 10))
    block = blocked(builder, Moved("inlet", "cam_turned", -10), "other_drop", "verdict.inlet")
    assert "0.50 mm" in block.message
    blocked(builder, Decided("inlet", "correct"), "nothing_to_correct_by")


def test_unlike_flanks_against_a_card_without_a_drop_are_not_judged(builder_of):
    builder = builder_of(card={"inlet": LobeCard(108)})
    builder.to_the_lobes().does(builder.lobe("inlet", 0, asymmetry_deg=0.9))
    blocked(builder, Moved("inlet", "cam_turned", 1), "drop_not_stated", "verdict.inlet")
    builder.does(builder.lobe("inlet", 0.2, asymmetry_deg=0.1))
    assert builder.step("verdict.inlet").state == "done"


@pytest.mark.parametrize(("moved", "judged"), [(0.1, True), (0.8, False)])
def test_a_flat_nose_is_judged_by_how_its_middle_moves_not_by_a_full_lift_hard_to_tell(
    builder_of, moved, judged
):
    """Full lift of a flat nose is uncertain by a degree; the middles at the drops in use are not."""
    builder = builder_of(card={"inlet": LobeCard(108)})
    centres = (DropCentre(0.5, 108 - moved, 0.06), DropCentre(1.27, 108, 0.04), DropCentre(2.0, 108, 0.04))
    flat = {"asymmetry_deg": 1.0, "full_lift_u_deg": 0.8, "centres": centres}
    builder.to_the_lobes().does(builder.lobe("inlet", 0, **flat))
    if judged:
        assert builder.step("verdict.inlet").state == "done"
    else:
        block = blocked(builder, Moved("inlet", "cam_turned", 1), "drop_not_stated", "verdict.inlet")
        assert "moves by 0.8 deg" in block.message


@pytest.mark.parametrize(
    ("way", "half", "lobe", "code"),
    [
        ("full_lift", LobeCard(), {}, "card_is_silent"),
        ("equal_lift", LobeCard(check_lift_mm=1.0), {}, "card_is_silent"),
        ("equal_lift", LobeCard(108), {}, "check_lift_not_stated"),
        ("events", LobeCard(108), {}, "card_is_silent"),
        ("events", replace(EVENTS, check_lift_mm=None), {}, "check_lift_not_stated"),
        ("events", EVENTS, {}, "other_check_lift"),
        ("lift_at_tdc", LobeCard(108), {}, "card_is_silent"),
        ("lift_at_tdc", LobeCard(108, lift_at_tdc_mm=2.0), {}, "no_lift_at_tdc"),
        ("equal_overlap_lift", LobeCard(108), {}, "only_single_cam"),
        ("separation", LobeCard(108), {}, "only_single_cam"),
    ],
)
def test_what_the_card_does_not_say_or_says_another_way_is_not_judged(builder_of, way, half, lobe, code):
    builder = builder_of(card={"way": way, "inlet": half})
    builder.to_the_lobes().does(builder.lobe_at(108.0, **lobe))
    blocked(builder, Decided("inlet", "correct"), "nothing_to_correct_by", "verdict.inlet")
    blocked(builder, Moved("inlet", "cam_turned", 1), code, "verdict.inlet")
    builder.does(Decided("inlet", "leave", "the card cannot be had any more"))
    assert builder.state.now == "lobe.exhaust"


def test_a_card_that_has_no_half_for_this_valve_is_not_judged(builder_of):
    builder = builder_of(card={"exhaust": None})
    builder.to_the_lobes().does(builder.lobe("inlet"), LobeMeasured("1", "exhaust", 610, 1.27, 0.1))
    blocked(builder, Moved("exhaust", "cam_turned", 1), "card_is_silent", "verdict.exhaust")


def test_an_offset_card_is_not_judged_by_equal_overlap_lift(sallow_builder):
    builder = sallow_builder
    builder.job = replace(builder.job, card=replace(builder.job.card, way="equal_overlap_lift"))
    builder.to_the_lobes().does(builder.lobe("inlet"), builder.lobe("exhaust"))
    blocked(builder, Moved("camshaft", "key", 1), "card_is_offset", "verdict.camshaft")


def test_a_separation_card_without_its_separation_is_not_judged(sallow_builder):
    builder = sallow_builder
    builder.job = replace(builder.job, card=replace(builder.job.card, way="separation"))
    builder.to_the_lobes().does(builder.lobe("inlet"), builder.lobe("exhaust"))
    blocked(builder, Moved("camshaft", "key", 1), "card_is_silent", "verdict.camshaft")


# ---------------------------------------------------------------- entries that cannot be


def test_two_screens_that_finish_one_measurement_keep_it_once(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10, measurement_id="m"))
    block = blocked(builder, builder.lobe("inlet", 10, measurement_id="m"), "already_kept")
    assert "Ida Thorne" in block.message
    builder.does(builder.lobe("exhaust", 1, measurement_id="m"))


def test_one_tdc_measurement_does_not_count_as_its_own_repeat(builder):
    builder.does(GOOD_BENCH, replace(TDC, measurement_id="a"))
    blocked(builder, replace(TDC, measurement_id="a"), "already_kept")


@pytest.mark.parametrize(
    ("payload", "code"),
    [
        (BenchChecked(True, 360.0, ("plunger",), (1, 1)), "gauge_signs"),
        (ClearanceNoted("1", "inlet", 12.0), "clearance_impossible"),
        (ClearanceNoted("1", "inlet", -0.1), "clearance_impossible"),
        (ClearanceNoted("9", "inlet", 0.3), "no_such_lobe"),
        (TdcMeasured("9", 17.3, 0.1), "no_such_cylinder"),
        (TdcMeasured("1", 17.3, 0.0), "no_interval"),
        (LobeMeasured("7", "inlet", 108, 1.27, 0.1), "no_such_lobe"),
        (LobeMeasured("1", "inlet", 108, 1.27, 0.0), "no_interval"),
        (Decided("middle", "correct"), "no_such_cam"),
        (Moved("middle", "key"), "no_such_cam"),
        (Tightened("middle", "nipped"), "no_such_cam"),
        (Skipped("lobe.middle", "there is none"), "no_such_step"),
        (Skipped("true_tdc", "no gauge at hand"), "may_not_skip"),
        (Skipped("stroke", "seen from the marks"), "may_not_skip"),
        (Skipped("verdict.inlet", "he knows best"), "may_not_skip"),
        (Skipped("sign_off", "paperwork"), "may_not_skip"),
        (Skipped("clearances", ""), "no_reason"),
        (Skipped("clearances", " .. "), "no_reason"),
        (Noted(" "), "no_reason"),
        (PartMeasured(" ", "end_float", (FLOAT,), "End float."), "part_without_name"),
        (PartMeasured("x" * 61, "end_float", (FLOAT,), "End float."), "part_without_name"),
        (PartMeasured("Crankshaft", "end_float", (), "End float."), "part_without_number"),
        (WentBack("nowhere"), "no_such_step"),
        (Withdrawn(99, "never was"), "no_such_fact"),
        (OwnDecision("true_tdc", "not_yet", "going past it"), "no_such_block"),
        (OwnDecision("nowhere", "x", "going past it"), "no_such_step"),
    ],
)
def test_what_cannot_be_is_refused(builder, payload, code):
    blocked(builder, payload, code)


def test_nobody_adds_nothing(builder):
    blocked(builder, GOOD_BENCH, "no_name", by=" ")


def test_a_torque_of_nothing_is_refused(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    builder.does(Moved("inlet", "cam_turned", -10))
    blocked(builder, Tightened("inlet", "nipped", 0.0), "torque_impossible")


def test_a_step_that_is_done_or_skipped_is_not_skipped(builder):
    builder.does(GOOD_BENCH, Skipped("clearances", "hydraulic followers"))
    blocked(builder, Skipped("bench_check", "was done"), "already_passed")
    blocked(builder, Skipped("clearances", "hydraulic followers"), "already_passed")


def test_leaving_a_cam_that_is_out_needs_a_reason(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10))
    blocked(builder, Decided("inlet", "leave"), "no_reason")
    builder.does(Decided("inlet", "leave", "old chain, customer told"))
    assert "Left as it is: old chain, customer told." in builder.step("verdict.inlet").sentence


def test_a_block_that_may_not_be_gone_past_stays(builder):
    builder.does(BenchChecked(False, 360.0, ("plunger",)))
    block = blocked(
        builder, OwnDecision("bench_check", "counts_backward", "never mind that"), "counts_backward"
    )
    assert "cannot be gone past" in block.message


def test_a_signed_job_is_changed_only_by_going_back_with_a_reason(builder):
    builder.to_the_signature().signs()
    for payload in (
        builder.lobe("inlet"),
        Tightened("inlet", "torqued"),
        SignedOff(),
        Withdrawn(1, "a slip"),
        PartMeasured("Crankshaft", "end_float", (FLOAT,), "End float 0.180 mm."),
    ):
        blocked(builder, payload, "signed", "sign_off")
    blocked(builder, WentBack("torqued.inlet"), "no_reason")
    builder.does(Noted("customer called"), WentBack("torqued.inlet", "came back with a loose bolt"))
    assert not builder.state.signed_by
    builder.does(Tightened("inlet", "torqued", 60), builder.lobe("inlet"))


def test_going_back_and_signatures_are_not_withdrawn(builder):
    builder.does(GOOD_BENCH, WentBack("bench_check"))
    blocked(builder, Withdrawn(2, "a slip of mine"), "may_not_withdraw")
    blocked(builder, Withdrawn(1, ""), "no_reason")


# ---------------------------------------------------------------- none forgotten

NEVER_BLOCKS = {
    "coarse_tdc",
    "tightening_moved",
    "moved_since",
    "not_measured",
    "way_of_whole_cam",
    "lift_at_tdc",
    "full_lift",
    "equal_lift",
    "equal_overlap_lift",
    "measure_again",
    "as_found",
    "true_tdc",
    "sign_off",
    "bench_check",
    "cannot_tell",
}
"""Names in the sources that look like codes of blocks and are none: warnings, ways, steps, decisions."""


def test_every_block_in_the_sources_was_tried(request):
    if request.config.getoption("keyword") or len(request.session.items) < 60:
        pytest.skip("counts only when the whole file was run")
    names = ("admission", "opening", "cam", "closing")
    folder = Path(analysis.__file__).parent
    sources = [folder / "job" / f"{name}.py" for name in names] + [folder / "timing" / "comparison.py"]
    text = "\n".join(source.read_text(encoding="utf-8") for source in sources)
    codes = set(re.findall(r'(?:Blocked|NotComparable|Warn)\(\s*"([a-z]+(?:_[a-z]+)+)"', text))
    codes |= set(re.findall(r', "([a-z]+(?:_[a-z]+)+)", why', text))
    codes |= set(re.findall(r'return "([a-z]+(?:_[a-z]+)+)", \(', text))
    codes |= set(re.findall(r'else "([a-z]+(?:_[a-z]+)+)", why', text))
    assert len(codes) > 30
    assert codes - NEVER_BLOCKS - seen == set()

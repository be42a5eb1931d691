"""What blocks a step until the one before it is done, by trying to get past it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.timing import (
    BenchChecked,
    Cam,
    ClearanceNoted,
    Decided,
    FittedUp,
    LobeCard,
    Moved,
    OwnDecision,
    SignedOff,
    Skipped,
    StrokeFound,
    TdcMeasured,
    Tightened,
    WentBack,
)

GOOD_BENCH = BenchChecked(True, 360.0, ("plunger",), (1,))
TDC = TdcMeasured("1", 17.3, 0.03)
EVENTS = replace(LobeCard(), opens_deg=20, closes_deg=56, check_lift_mm=1.0)


def test_true_tdc_does_not_come_before_the_bench_check(builder):
    builder.blocked(TDC, "not_yet", "bench_check")


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
    builder.blocked(TDC, code, "bench_check")
    builder.blocked(Skipped("bench_check", "no time for it"), code) if code != "not_yet" else None
    builder.does(GOOD_BENCH, TDC)


def test_the_stroke_does_not_come_before_true_tdc_was_repeated(builder):
    builder.does(GOOD_BENCH)
    builder.blocked(StrokeFound(17.3), "not_yet", "true_tdc")
    builder.does(TDC)
    builder.blocked(StrokeFound(17.3), "not_yet", "true_tdc")
    builder.does(TDC, StrokeFound(17.3))


def test_two_tdcs_that_differ_are_not_enough(builder):
    builder.does(GOOD_BENCH, TDC, replace(TDC, centre_deg=17.8))
    block = builder.blocked(StrokeFound(17.3), "not_yet", "true_tdc")
    assert "differ by 0.50" in block.message
    builder.does(replace(TDC, centre_deg=17.82), StrokeFound(17.8))


def test_two_tdcs_that_agree_across_zero_are_one(builder):
    builder.does(GOOD_BENCH, replace(TDC, centre_deg=359.99), replace(TDC, centre_deg=0.01))
    assert builder.state.tdc_deg == pytest.approx(0.0, abs=1e-9) or builder.state.tdc_deg == pytest.approx(
        360
    )
    builder.does(StrokeFound(360.0))


def test_fitting_up_without_a_line_is_not_noted(builder):
    builder.blocked(FittedUp(()), "fitting_up_empty", "bench_check")
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
    builder.blocked(lobe, "not_yet", "bank_tdc.B")
    builder.does(replace(TDC, cylinder="B1", centre_deg=17.3 + 90))
    block = builder.blocked(lobe, "bank_tdc_off", "bank_tdc.B")
    assert "90.00 deg" in block.message
    builder.does(replace(TDC, cylinder="B1", centre_deg=17.3 + 180.5))
    assert builder.state.now == "lobe.A camshaft"
    assert "0.50 deg after" in builder.step("bank_tdc.B").sentence


def test_overlap_noted_away_from_tdc_goes_no_further(builder):
    builder.to_the_lobes().does(StrokeFound(60.0))
    builder.blocked(builder.lobe("inlet"), "overlap_not_at_tdc", "stroke")
    builder.does(StrokeFound(377.3), builder.lobe("inlet"))


def test_no_lobe_before_the_stroke_is_known(builder):
    builder.does(GOOD_BENCH, TDC, TDC, ClearanceNoted("1", "inlet", 0.3), ClearanceNoted("1", "exhaust", 0.3))
    builder.blocked(builder.lobe("inlet"), "not_yet", "stroke")


def test_no_lobe_before_the_clearances_are_noted(builder):
    builder.does(GOOD_BENCH, TDC, TDC, StrokeFound(17.3), ClearanceNoted("1", "inlet", 0.3))
    block = builder.blocked(builder.lobe("inlet"), "not_yet", "clearances")
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
    block = builder.blocked(builder.lobe_with_events("inlet"), "clearance_off_card", "clearances")
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
    builder.blocked(Decided("inlet", "correct"), "not_yet", "lobe.inlet")


def test_no_cam_is_moved_without_a_decision(builder):
    builder.to_the_lobes()
    builder.blocked(Moved("inlet", "cam_turned", -10), "not_yet", "verdict.inlet")
    builder.does(builder.lobe("inlet", 10))
    builder.blocked(Moved("inlet", "cam_turned", -10), "not_yet", "verdict.inlet")


def test_no_cam_is_moved_that_is_in_or_left(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 0.1), builder.lobe("exhaust", 5))
    builder.blocked(Moved("inlet", "cam_turned", -0.1), "no_correction_asked", "correction.inlet")
    builder.does(Decided("exhaust", "leave", "the customer wants it so"))
    builder.blocked(Moved("exhaust", "cam_turned", -5), "no_correction_asked")


def test_a_cam_is_not_moved_twice_without_a_measurement_between(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    builder.does(Moved("inlet", "cam_turned", -10))
    builder.blocked(Moved("inlet", "cam_turned", -1), "no_correction_asked")


def test_going_back_to_the_correction_wants_the_place_of_the_cam_first(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    builder.does(Moved("inlet", "cam_turned", -10), WentBack("correction.inlet"))
    builder.blocked(Moved("inlet", "cam_turned", -1), "position_unknown", "correction.inlet")
    builder.blocked(Decided("inlet", "correct"), "nothing_to_correct_by")
    builder.does(builder.lobe("inlet", 3))
    assert "3.0 deg earlier" in builder.step("correction.inlet").sentence
    builder.does(Moved("inlet", "cam_turned", -3))


def test_nothing_is_tightened_before_the_correction_is_made(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    builder.blocked(Tightened("inlet", "nipped"), "not_yet", "correction.inlet")
    builder.does(Moved("inlet", "cam_turned", -10))
    builder.blocked(Tightened("inlet", "torqued"), "not_yet", "nipped.inlet")
    builder.does(Tightened("inlet", "nipped"))
    builder.blocked(Tightened("inlet", "torqued"), "not_yet", "nipped.inlet")
    builder.does(builder.lobe("inlet", 0.1), Tightened("inlet", "torqued"))


def test_a_nipped_cam_that_is_out_is_not_torqued_without_a_decision(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    builder.does(Moved("inlet", "cam_turned", -10), Tightened("inlet", "nipped"), builder.lobe("inlet", 3))
    block = builder.blocked(Tightened("inlet", "torqued"), "not_yet", "nipped.inlet")
    assert "Out: 3.0 deg late" in block.message


def test_a_cam_that_cannot_be_told_is_not_gone_past_without_a_decision(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 0.9, u95=0.3))
    step = builder.step("verdict.inlet")
    assert step.state == "now"
    assert "Cannot tell" in step.sentence
    builder.blocked(Decided("inlet", "leave"), "no_reason")
    builder.does(Decided("inlet", "measure_again"))
    assert builder.state.now == "lobe.inlet"
    builder.does(builder.lobe("inlet", 0.85, u95=0.1))
    assert builder.step("verdict.inlet").state == "done"


def test_no_signature_while_a_step_is_open(builder):
    builder.to_the_closing()
    block = builder.blocked(SignedOff(), "unfinished", "tdc_again")
    assert "2 step(s)" in block.message


def test_the_torqued_measurement_is_asked_for_before_the_signature(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    builder.does(Moved("inlet", "cam_turned", -10), Tightened("inlet", "nipped"), builder.lobe("inlet"))
    builder.does(builder.lobe("exhaust"), builder.lobe("inlet"))
    builder.does(Tightened("inlet", "torqued"))
    builder.blocked(SignedOff(), "unfinished", "torqued.inlet")

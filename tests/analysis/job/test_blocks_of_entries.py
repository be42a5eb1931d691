"""Entries that cannot be, by trying to make them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.timing import (
    BenchChecked,
    ClearanceNoted,
    Decided,
    LobeMeasured,
    Moved,
    Noted,
    OwnDecision,
    PartFigure,
    PartMeasured,
    SignedOff,
    Skipped,
    TdcMeasured,
    Tightened,
    WentBack,
    Withdrawn,
)

GOOD_BENCH = BenchChecked(True, 360.0, ("plunger",), (1,))
TDC = TdcMeasured("1", 17.3, 0.03)
FLOAT = PartFigure("float", 0.18, 0.01, "mm")


def test_two_screens_that_finish_one_measurement_keep_it_once(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10, measurement_id="m"))
    block = builder.blocked(builder.lobe("inlet", 10, measurement_id="m"), "already_kept")
    assert "Ida Thorne" in block.message
    builder.does(builder.lobe("exhaust", 1, measurement_id="m"))


def test_one_tdc_measurement_does_not_count_as_its_own_repeat(builder):
    builder.does(GOOD_BENCH, replace(TDC, measurement_id="a"))
    builder.blocked(replace(TDC, measurement_id="a"), "already_kept")


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
    builder.blocked(payload, code)


def test_nobody_adds_nothing(builder):
    builder.blocked(GOOD_BENCH, "no_name", by=" ")


def test_a_torque_of_nothing_is_refused(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    builder.does(Moved("inlet", "cam_turned", -10))
    builder.blocked(Tightened("inlet", "nipped", 0.0), "torque_impossible")


def test_a_step_that_is_done_or_skipped_is_not_skipped(builder):
    builder.does(GOOD_BENCH, Skipped("clearances", "hydraulic followers"))
    builder.blocked(Skipped("bench_check", "was done"), "already_passed")
    builder.blocked(Skipped("clearances", "hydraulic followers"), "already_passed")


def test_leaving_a_cam_that_is_out_needs_a_reason(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10))
    builder.blocked(Decided("inlet", "leave"), "no_reason")
    builder.does(Decided("inlet", "leave", "old chain, customer told"))
    assert "Left as it is: old chain, customer told." in builder.step("verdict.inlet").sentence


def test_a_block_that_may_not_be_gone_past_stays(builder):
    builder.does(BenchChecked(False, 360.0, ("plunger",)))
    block = builder.blocked(
        OwnDecision("bench_check", "counts_backward", "never mind that"), "counts_backward"
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
        builder.blocked(payload, "signed", "sign_off")
    builder.blocked(WentBack("torqued.inlet"), "no_reason")
    builder.does(Noted("customer called"), WentBack("torqued.inlet", "came back with a loose bolt"))
    assert not builder.state.signed_by
    builder.does(Tightened("inlet", "torqued", 60), builder.lobe("inlet"))


def test_going_back_and_signatures_are_not_withdrawn(builder):
    builder.does(GOOD_BENCH, WentBack("bench_check"))
    builder.blocked(Withdrawn(2, "a slip of mine"), "may_not_withdraw")
    builder.blocked(Withdrawn(1, ""), "no_reason")

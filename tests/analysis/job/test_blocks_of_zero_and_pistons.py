"""What blocks where the TDC zero moved or a valve comes too near its piston, by trying to get past it."""

from __future__ import annotations

from dataclasses import replace

from analysis.timing import Decided, Moved, OwnDecision, SignedOff, Skipped, TdcMeasured, Tightened, WentBack

TDC = TdcMeasured("1", 17.3, 0.03)


def test_a_tdc_zero_that_moved_is_not_signed_over(builder):
    builder.to_the_closing()
    builder.does(replace(TDC, centre_deg=18.1, measurement_id="end"))
    block = builder.blocked(SignedOff(), "unfinished", "tdc_again")
    assert "0.78" in block.message
    assert builder.step("tdc_again").code == "tdc_moved"
    builder.blocked(Skipped("tdc_again", "it is only a little"), "tdc_moved")
    builder.blocked(OwnDecision("tdc_again", "tdc_moved", ""), "no_reason")
    builder.does(OwnDecision("tdc_again", "tdc_moved", "pointer knocked after the last lobe, seen"))
    assert builder.step("tdc_again").state == "done"
    assert builder.state.departures[0].code == "tdc_moved"


def test_a_tdc_measured_before_the_last_lobe_does_not_close_the_job(builder):
    builder.to_the_closing().does(replace(TDC, measurement_id="mid"), builder.lobe("inlet", 0.1))
    assert builder.state.now == "tdc_again"


def test_a_correction_that_brings_a_valve_too_near_is_refused(builder, found_clearance):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), found_clearance("inlet", 2.6))
    builder.does(Decided("inlet", "correct"))
    block = builder.blocked(Moved("inlet", "cam_turned", -10), "piston_clearance", "correction.inlet")
    assert "1.60 mm from the piston" in block.message
    assert "common practice" in block.message
    builder.blocked(Skipped("correction.inlet", "skip around it"), "piston_clearance")
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
    block = builder.blocked(Moved("inlet", "cam_turned", -7), "piston_clearance")
    assert "1.60 mm" in block.message


def test_a_correction_beyond_the_table_of_clearances_wants_a_longer_table(builder, found_clearance):
    builder.to_the_lobes().does(builder.lobe("inlet", 30), found_clearance("inlet", 9.0))
    builder.does(Decided("inlet", "correct"))
    builder.blocked(Moved("inlet", "cam_turned", -30), "piston_clearance_unknown", "correction.inlet")


def test_a_clearance_under_its_minimum_is_not_signed_over(builder, found_clearance):
    builder.to_the_closing().does(replace(TDC, measurement_id="end"))
    builder.does(found_clearance("inlet", 1.8), found_clearance("exhaust", 3.5, 2.5))
    block = builder.blocked(SignedOff(), "unfinished", "valve_to_piston")
    assert "under the least allowed" in block.message
    assert builder.step("valve_to_piston").code == "under_minimum"
    builder.blocked(Skipped("valve_to_piston", "it has always run so"), "under_minimum")
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
    builder.blocked(found_clearance("inlet"), "not_yet", "lobe.inlet")
    builder.does(builder.lobe("inlet"))
    builder.blocked(found_clearance("inlet", minimum=0.0), "minimum_impossible")

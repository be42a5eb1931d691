"""What is not judged because lobe and card are told in different ways, by trying to get past it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.timing import (
    Decided,
    DropCentre,
    LobeCard,
    LobeMeasured,
    Moved,
    StrokeFound,
    TdcMeasured,
    WentBack,
)

TDC = TdcMeasured("1", 17.3, 0.03)
EVENTS = replace(LobeCard(), opens_deg=20, closes_deg=56, check_lift_mm=1.0)


def test_a_lobe_a_turn_away_sends_back_to_the_stroke(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 355))
    builder.blocked(Moved("inlet", "cam_turned", 5), "wrong_stroke", "verdict.inlet")
    builder.blocked(Decided("inlet", "correct"), "nothing_to_correct_by")
    builder.does(WentBack("stroke", "the other TDC is the overlap one"), StrokeFound(377.3))
    assert builder.state.now == "lobe.inlet"


def test_a_lobe_of_another_cylinder_is_named(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 180))
    block = builder.blocked(Moved("inlet", "cam_turned", 5), "wrong_lobe", "verdict.inlet")
    assert "inlet, cylinder 3" in block.message


def test_a_centre_of_another_drop_is_not_judged(builder_of):
    builder = builder_of(card={"inlet": LobeCard(108, drop_mm=0.5)})
    builder.to_the_lobes().does(builder.lobe("inlet", 10))
    block = builder.blocked(Moved("inlet", "cam_turned", -10), "other_drop", "verdict.inlet")
    assert "0.50 mm" in block.message
    builder.blocked(Decided("inlet", "correct"), "nothing_to_correct_by")


def test_unlike_flanks_against_a_card_without_a_drop_are_not_judged(builder_of):
    builder = builder_of(card={"inlet": LobeCard(108)})
    builder.to_the_lobes().does(builder.lobe("inlet", 0, asymmetry_deg=0.9))
    builder.blocked(Moved("inlet", "cam_turned", 1), "drop_not_stated", "verdict.inlet")
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
        block = builder.blocked(Moved("inlet", "cam_turned", 1), "drop_not_stated", "verdict.inlet")
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
    builder.blocked(Decided("inlet", "correct"), "nothing_to_correct_by", "verdict.inlet")
    builder.blocked(Moved("inlet", "cam_turned", 1), code, "verdict.inlet")
    builder.does(Decided("inlet", "leave", "the card cannot be had any more"))
    assert builder.state.now == "lobe.exhaust"


def test_a_card_that_has_no_half_for_this_valve_is_not_judged(builder_of):
    builder = builder_of(card={"exhaust": None})
    builder.to_the_lobes().does(builder.lobe("inlet"), LobeMeasured("1", "exhaust", 610, 1.27, 0.1))
    builder.blocked(Moved("exhaust", "cam_turned", 1), "card_is_silent", "verdict.exhaust")


def test_an_offset_card_is_not_judged_by_equal_overlap_lift(sallow_builder):
    builder = sallow_builder
    builder.job = replace(builder.job, card=replace(builder.job.card, way="equal_overlap_lift"))
    builder.to_the_lobes().does(builder.lobe("inlet"), builder.lobe("exhaust"))
    builder.blocked(Moved("camshaft", "key", 1), "card_is_offset", "verdict.camshaft")


def test_a_separation_card_without_its_separation_is_not_judged(sallow_builder):
    builder = sallow_builder
    builder.job = replace(builder.job, card=replace(builder.job.card, way="separation"))
    builder.to_the_lobes().does(builder.lobe("inlet"), builder.lobe("exhaust"))
    builder.blocked(Moved("camshaft", "key", 1), "card_is_silent", "verdict.camshaft")

"""Readings typed by a builder: the same numbers, an interval that holds the truth, slips refused."""

from __future__ import annotations

import random

import numpy as np
import pytest

from analysis.base import Refusal, from_plain
from analysis.timing import (
    Cam,
    CamCard,
    Engine,
    HandPair,
    HandTools,
    Job,
    LobeCard,
    curve_by_hand,
    lobe_by_hand,
    lobe_error,
    tdc_by_hand,
)


def test_pairs_across_zero_of_the_disc_are_halved_rightly():
    found = tdc_by_hand([HandPair(354, 6), HandPair(350, 9)])
    assert found.centre_deg == pytest.approx(359.75)
    assert found.midpoints_deg == (0.0, 359.5)


def test_an_exhaust_lobe_is_read_in_degrees_btdc():
    found = lobe_by_hand("exhaust", [HandPair(122, 98, drop_mm=1.27)], drop_mm=1.27)
    assert found.centre_deg == 720 - 110


def test_another_cylinder_stands_by_its_firing_offset():
    found = lobe_by_hand("inlet", [HandPair(98, 118, drop_mm=0.5)], drop_mm=0.5, firing_offset_deg=180)
    assert found.centre_deg == 288


def test_openings_and_closings_by_hand_become_events():
    pairs = [HandPair(98, 118, drop_mm=0.5), HandPair(-10, 226, lift_mm=1.0)]
    event = lobe_by_hand("inlet", pairs, drop_mm=0.5).events[0]
    assert (event.opens_deg, event.closes_deg, event.duration_deg) == (710, 226, 236)


def test_by_hand_gives_the_same_verdict_as_any_measurement_and_is_marked():
    engine = Engine("Tarn", ("1",), ("1",), (Cam("inlet", ("inlet",)),))
    job = Job("HL-1", engine, CamCard("Whinfell 262", "full_lift", LobeCard(108, 0.5)))
    fact = lobe_by_hand("inlet", [HandPair(108, 128, drop_mm=0.5)], drop_mm=0.5).fact("1", "h1")
    assert fact.by_hand
    assert lobe_error(job, fact).error_deg == 10
    assert tdc_by_hand([HandPair(0, 12)]).fact("1").by_hand


def piston_mm(after_deg):
    """80 mm stroke, 135 mm rod, by the two sides of the triangle."""
    turned = np.radians(after_deg)
    return 175 - (40 * np.cos(turned) + np.sqrt(135**2 - (40 * np.sin(turned)) ** 2))


@pytest.mark.parametrize("count", [1, 2, 4])
def test_the_interval_of_a_tdc_by_hand_holds_the_truth(count):
    """A disc of 1 deg read to its nearest half, with a pointer that is off, and a 0.01 mm gauge."""
    rng = random.Random(count)
    held = 0
    for _ in range(400):
        truth, pairs = rng.uniform(0, 360), []
        for _ in range(count):
            drop = rng.uniform(0.5, 3.0)
            span = float(np.interp(drop, piston_mm(np.arange(0, 60.0, 0.01)), np.arange(0, 60.0, 0.01)))
            ends = []
            slope = piston_mm(span + 0.5) - piston_mm(span - 0.5)
            for side in (-1, 1):
                at = truth + side * (span + rng.uniform(-0.005, 0.005) / slope)
                ends.append(round((at + rng.uniform(-0.15, 0.15)) * 2) / 2 % 360)
            pairs.append(HandPair(ends[0], ends[1], drop_mm=drop))
        found = tdc_by_hand(pairs)
        held += abs((found.centre_deg - truth + 180) % 360 - 180) <= found.u95_deg
        assert 0.3 < found.u95_deg < 1.5
    assert held / 400 >= 0.95


def test_pairs_that_scatter_widen_the_interval_and_a_fine_disc_narrows_it():
    close = [HandPair(0, 12), HandPair(0.5, 12), HandPair(0, 12.5)]
    apart = [HandPair(0, 12), HandPair(2, 13), HandPair(-2, 12)]
    assert tdc_by_hand(apart).u95_deg > 1.3 * tdc_by_hand(close).u95_deg
    assert tdc_by_hand(close, HandTools(0.25)).u95_deg < tdc_by_hand(close).u95_deg


def test_the_zero_of_the_disc_is_carried_into_the_lobe():
    pairs = [HandPair(98, 118, drop_mm=0.5)]
    plain = lobe_by_hand("inlet", pairs, drop_mm=0.5).u95_deg
    carried = lobe_by_hand("inlet", pairs, drop_mm=0.5, tdc_u95_deg=1.0).u95_deg
    assert carried == pytest.approx((plain**2 + 1) ** 0.5)


@pytest.mark.parametrize(
    ("pairs", "code"),
    [
        ([], "no_pairs"),
        ([HandPair(6, 6)], "pair_impossible"),
        ([HandPair(float("nan"), 6)], "pair_impossible"),
        ([HandPair(12, 0)], "pair_reversed"),
        ([HandPair(0, 12), HandPair(10, 22)], "pairs_disagree"),
    ],
)
def test_slips_at_tdc_are_refused(pairs, code):
    with pytest.raises(Refusal, match=code):
        tdc_by_hand(pairs)


@pytest.mark.parametrize(
    ("valve", "pairs", "more", "code"),
    [
        ("inlet", [HandPair(98, 118, drop_mm=0.5)], {"read_forward": False}, "read_backward"),
        ("inlet", [HandPair(118, 98, drop_mm=0.5)], {}, "pair_reversed"),
        ("exhaust", [HandPair(98, 122, drop_mm=0.5)], {}, "pair_reversed"),
        ("inlet", [HandPair(98, 118, drop_mm=1.0)], {}, "no_pair_at_drop"),
        ("inlet", [HandPair(98, 118)], {}, "no_pair_at_drop"),
        ("inlet", [HandPair(98, 118, drop_mm=50)], {}, "pair_impossible"),
        ("inlet", [HandPair(98, 118, drop_mm=-0.5)], {}, "pair_impossible"),
        ("inlet", [HandPair(98, 118, drop_mm=0.5)], {"tools": HandTools(0, 0.01)}, "tools_impossible"),
        ("inlet", [HandPair(98, 118, drop_mm=0.5), HandPair(108, 128, drop_mm=0.5)], {}, "pairs_disagree"),
    ],
)
def test_slips_at_a_lobe_are_refused(valve, pairs, more, code):
    with pytest.raises(Refusal, match=code):
        lobe_by_hand(valve, pairs, drop_mm=0.5, **more)


def test_pairs_at_several_drops_give_a_centre_for_each():
    pairs = [
        HandPair(98, 118, drop_mm=0.5),
        HandPair(90, 128, drop_mm=1.27),
        HandPair(91, 128, drop_mm=1.27),
    ]
    found = lobe_by_hand("inlet", pairs, drop_mm=1.27)
    assert found.centre_deg == pytest.approx(109.25)
    assert [one.drop_mm for one in found.centres] == [0.5, 1.27]


def lobe_mm(after_nose):
    return 9.8 * np.clip(1 - (np.asarray(after_nose, float) / 125) ** 2, 0, None) ** 2


def test_a_curve_typed_every_ten_degrees_is_near_the_lobe():
    typed = [(deg % 720, 2.0 - round(float(lobe_mm(deg - 108)), 2)) for deg in range(-30, 250, 10)]
    curve = curve_by_hand(typed, base_mm=2.0, polarity=-1)
    crank = np.arange(0, 720.0)
    wanted = lobe_mm((crank - 108 + 360) % 720 - 360)
    assert np.max(np.abs(curve.lifts_mm(crank) - wanted)) < 0.06
    assert curve.whole


def test_a_curve_with_a_hole_in_its_flank_is_refused():
    typed = [(deg % 720, float(lobe_mm(deg - 108))) for deg in range(-30, 250, 10) if not 30 < deg < 100]
    with pytest.raises(Refusal, match="curve_has_a_hole"):
        curve_by_hand(typed, base_mm=0.0)
    with pytest.raises(Refusal, match="too_few_readings"):
        curve_by_hand([(0, 0.0), (108, 9.8)], base_mm=0.0)


def test_pairs_come_from_json():
    plain = {"before_deg": 98, "after_deg": 118, "drop_mm": 0.5}
    assert from_plain(HandPair, plain) == HandPair(98, 118, 0.5)

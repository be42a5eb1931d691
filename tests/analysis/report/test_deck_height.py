"""Deck heights against sums made by hand and a block in space, and what is refused."""

from __future__ import annotations

import math

import pytest

from analysis.base import EntryError
from analysis.report import CrownReadings, Cylinder, DeckSettings, Typed, compression, deck_heights
from tests.benchmarks.deck_height import coverage

EXACT = DeckSettings(gauge_limit_mm=0.0, repeat_mm=0.0)


def test_deck_spread_and_lean_by_hand():
    """By hand: (0.31 + 0.25)/2 = 0.28, leans 0.03; (0.20 + 0.24)/2 = 0.22, leans -0.02; spread 0.06."""
    found = deck_heights([CrownReadings("1", (0.31,), (0.25,)), CrownReadings("2", (0.20,), (0.24,))], EXACT)
    told = [(one.deck_mm.value, one.leans_mm.value) for one in found.cylinders]
    assert told == [pytest.approx((0.28, 0.03)), pytest.approx((0.22, -0.02))]
    assert found.spread_mm.value == pytest.approx(0.06)
    assert (found.tilt_along, found.tilt_across, found.off_straight_mm) == (None, None, None)


def test_tilt_by_hand_from_crowns_on_a_straight_line():
    """By hand: 0.10, 0.13, 0.16 at bores 90 mm apart: 0.03/90 is 0.0333 mm in 100 mm. Across: rocked by 0.04 either
    way, the far side lower by 0.02 over 50 mm: 0.04 in 100."""
    crowns = [
        CrownReadings(str(at), (deck - 0.05, deck + 0.03), (deck + 0.05, deck - 0.03), 90.0 * at)
        for at, deck in enumerate((0.10, 0.13, 0.16))
    ]
    found = deck_heights(crowns, DeckSettings(True, True, 50.0, 0.0, 0.0))
    assert found.tilt_along is not None
    assert found.tilt_across is not None
    assert found.tilt_along.value == pytest.approx(100 * 0.03 / 90)
    assert found.tilt_across.value == pytest.approx(0.04)
    assert found.off_straight_mm == pytest.approx(0.0, abs=1e-12)


def test_the_interval_by_hand():
    """By hand, limits 0.01 each: u = sqrt(0.01²/3 (1 + 1 + 1/2)) = 0.00913; k = 2: 0.01826."""
    found = deck_heights(
        [CrownReadings("1", (0.31,), (0.25,))], DeckSettings(gauge_limit_mm=0.01, repeat_mm=0.01)
    )
    assert found.cylinders[0].deck_mm.u95 == pytest.approx(2 * math.sqrt(1e-4 / 3 * 2.5), rel=1e-3)


def test_readings_that_scatter_more_than_stated_widen_the_interval():
    calm = deck_heights([CrownReadings("1", (0.30, 0.30), (0.30, 0.30))], DeckSettings())
    wild = deck_heights([CrownReadings("1", (0.20, 0.40), (0.25, 0.35))], DeckSettings())
    assert wild.cylinders[0].deck_mm.u95 > 3 * calm.cylinders[0].deck_mm.u95


def test_intervals_hold_a_block_in_space():
    """300 blocks here, 1,000 in the benchmark."""
    for name, share in coverage(300).items():
        assert 0.92 <= share <= 0.99, name


def test_the_deck_feeds_the_compression_ratio():
    """By hand: 86 x 86 sweeps 499.56 cm³; deck 0.25 mm leaves 5808.8 mm² x 0.25 = 1.452 cm³ more than 60: ratio 9.129.
    The deck's standard uncertainty moves what is left by u x 5.8088 cm³, the ratio by that x 499.56 / 61.452².
    """
    deck = deck_heights([CrownReadings("1", (0.30,), (0.20,))], DeckSettings()).cylinders[0]
    found = compression(Cylinder(Typed(86.0), Typed(86.0), Typed(60.0), deck_mm=deck.typed))
    assert found.ratio.value == pytest.approx(9.129, abs=0.001)
    wide = deck.deck_mm.u95 * 5.8088 * 499.56 / 61.452**2
    assert found.ratio.u95 == pytest.approx(wide, rel=0.01)


@pytest.mark.parametrize(
    ("crowns", "settings", "code"),
    [
        ([], DeckSettings(), "bad_deck"),
        ([CrownReadings("1", (0.1,), ())], DeckSettings(), "bad_deck"),
        ([CrownReadings("1", (0.1,), (math.nan,))], DeckSettings(), "bad_deck"),
        (
            [CrownReadings("1", (0.1,), (0.1,)), CrownReadings("1", (0.1,), (0.1,))],
            DeckSettings(),
            "bad_deck",
        ),
        ([CrownReadings("1", (0.1,), (0.1,))], DeckSettings(rocked_both_ways=True), "bad_deck"),
        ([CrownReadings("1", (0.1,), (0.1,))], DeckSettings(repeat_mm=-1.0), "bad_deck"),
        ([CrownReadings("1", (0.1,), (2.4,))], DeckSettings(), "places_differ"),
        ([CrownReadings(n, (0.1,), (0.1,), 0.0) for n in "12"], DeckSettings(), "bad_deck"),
    ],
)
def test_what_cannot_be_is_refused(crowns, settings, code):
    with pytest.raises(EntryError, match=code):
        deck_heights(crowns, settings)

"""Deck height from a gauge swung from the block's face to a crown that goes over TDC, against plain geometry.

The crown is a disc on a pin, the pin on a rod, the rod on a crank: where the pin stands is the intersection of two circles,
solved here as such. The disc leans by an angle about the pin; a place 30 mm from its middle stands lower or higher by
30 mm times the tangent. The gauge shows how far its plunger is pushed in. Nothing is shared with what reads it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.base import GaugeFacts, Refusal, Streams, TdcSettings
from analysis.report import CrownReadings, DeckSettings, crown_top, deck_heights, resting_reading

CRANK_MM, ROD_MM, PLACE_MM = 41.0, 138.0, 30.0
ON_FACE_MM = 7.4
"""How far the plunger is pushed in on the face; the stand is not touched until the crowns are read."""
LAG_S = 0.05
KNOWN = GaugeFacts(lag_s=LAG_S, step_mm=0.01)


def pin_mm(turned_deg: np.ndarray) -> np.ndarray:
    """Height of the pin over the crank: on the bore's axis, a rod's length from the throw's end."""
    throw = CRANK_MM * np.exp(1j * np.radians(90.0 - turned_deg))
    return np.asarray(throw.imag + np.sqrt(ROD_MM**2 - throw.real**2))


def rocked(tdc_deg: float, seconds: float = 40.0) -> tuple[np.ndarray, np.ndarray]:
    time_s = np.arange(0.0, seconds, 0.02)
    swing = np.interp(
        time_s % 20.0, [0.0, 1.0, 9.0, 11.0, 19.0, 20.0], [-40.0, -40.0, 40.0, 40.0, -40.0, -40.0]
    )
    return time_s, tdc_deg + swing


def shown(time_s: np.ndarray, pushed_mm: np.ndarray, sense: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Fifteen lines a second, a twentieth late, in hundredths."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(0.5, time_s[-1], 1.0 / 15.0)
    pushed = np.maximum(np.interp(at_s - LAG_S, time_s, pushed_mm), 0.0)
    return at_s, np.round(sense * pushed + 1.37 + rng.normal(0.0, 0.002, at_s.size), 2)


def on_crown(deck_mm: float, lean_deg: float, side: int, sense: int, tdc_deg: float = 211.0) -> Streams:
    time_s, crank_deg = rocked(tdc_deg)
    top_mm = CRANK_MM + ROD_MM
    crown = (
        pin_mm(crank_deg - tdc_deg) - top_mm - deck_mm - side * PLACE_MM * math.tan(math.radians(lean_deg))
    )
    at_s, mm = shown(time_s, ON_FACE_MM + crown, sense, seed=side + 3)
    return Streams(time_s, np.round(crank_deg, 1), at_s, mm)


def on_face(sense: int) -> Streams:
    time_s = np.arange(0.0, 3.0, 0.02)
    at_s, mm = shown(time_s, np.full(time_s.size, ON_FACE_MM), sense, seed=9)
    return Streams(time_s, np.zeros(time_s.size), at_s, mm)


@pytest.mark.parametrize("sense", [1, -1], ids=["grows_inward", "falls_inward"])
@pytest.mark.parametrize("deck_mm", [0.42, 0.0, -0.15], ids=["below", "flush", "proud"])
def test_both_places_read_by_the_gauge_give_the_deck_and_the_lean(deck_mm: float, sense: int) -> None:
    lean_deg = 0.06  # 30 mm from the middle that is 0.0314 mm
    face = resting_reading(on_face(sense), KNOWN)
    below = [
        crown_top(on_crown(deck_mm, lean_deg, side, sense), KNOWN, TdcSettings()).below_mm(face)
        for side in (1, -1)
    ]
    for one, side in zip(below, (1, -1), strict=True):
        true_mm = deck_mm + side * PLACE_MM * math.tan(math.radians(lean_deg))
        assert one.value == pytest.approx(true_mm, abs=max(one.u95, 0.004))
        assert one.u95 < 0.02
    found = deck_heights([CrownReadings("1", (below[0].value,), (below[1].value,))], DeckSettings())
    [cylinder] = found.cylinders
    assert cylinder.deck_mm.value == pytest.approx(deck_mm, abs=0.006)
    assert cylinder.leans_mm.value == pytest.approx(0.0314, abs=0.008)


def test_nobody_stops_at_the_top() -> None:
    """Turned on through, twenty-four degrees a second, the top is read as well as where it is rocked over."""
    time_s = np.arange(0.0, 62.0, 0.02)
    crank_deg = np.interp(time_s, [1.0, 61.0], [0.0, 1440.0])
    crown = pin_mm(crank_deg - 211.0) - (CRANK_MM + ROD_MM) - 0.30
    at_s, mm = shown(time_s, ON_FACE_MM + crown, 1, seed=5)
    told = crown_top(Streams(time_s, np.round(crank_deg, 1), at_s, mm), KNOWN)
    below = told.below_mm(resting_reading(on_face(1), KNOWN))
    assert below.value == pytest.approx(0.30, abs=max(below.u95, 0.004))


def test_a_gauge_that_moves_is_no_reading_of_the_face() -> None:
    moving = on_crown(0.3, 0.0, 1, 1)
    on_the_way = moving.gauge_time_s < 4.0
    with pytest.raises(Refusal) as refused:
        resting_reading(
            Streams(
                moving.crank_time_s,
                moving.crank_deg,
                moving.gauge_time_s[on_the_way],
                moving.gauge_mm[on_the_way],
            ),
            KNOWN,
        )
    assert refused.value.code == "gauge_not_at_rest"


def test_a_lobe_is_no_crown() -> None:
    """A hump of nine millimetres over 240 degrees of every other turn, and rest."""
    time_s = np.arange(0.0, 62.0, 0.02)
    crank_deg = np.interp(time_s, [1.0, 61.0], [0.0, 1440.0])
    off = (crank_deg - 300.0 + 360.0) % 720.0 - 360.0
    lift = np.where(np.abs(off) < 120.0, 4.5 * (1.0 + np.cos(np.radians(1.5 * off))), 0.0)
    at_s, mm = shown(time_s, 1.0 + lift, 1, seed=6)
    with pytest.raises(Refusal) as refused:
        crown_top(Streams(time_s, np.round(crank_deg, 1), at_s, mm), KNOWN)
    assert refused.value.code == "moves_like_a_valve"

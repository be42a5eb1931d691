"""What a gauge touches, told from a published lobe and from a crank drawn with ruler and compasses."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from analysis.base import GaugeFacts
from analysis.touching import KnownZero, recognise

INCH = 25.4
# The stock lobe of Fahnestock, "Murray on cams", Table 1, as in `test_published_lobes`: lift in inches by crank degrees
# from the centre, and its foot between the last two of the table.
PUBLISHED_IN = {0: 0.2502, 20: 0.2407, 40: 0.2125, 60: 0.1665, 80: 0.1040, 100: 0.0445, 120: 0.0095, 137: 0.0}
# Where noses stand after overlap TDC: inlets 100 to 120, exhausts as far before; common practice, no source.
NOSES = [("inlet", 101.0), ("inlet", 121.75), ("exhaust", 612.0), ("exhaust", 598.25)]
KNOWN = KnownZero(tdc_deg=0.0, overlap_tdc_deg=0.0)


def published_lift_mm(crank_deg: np.ndarray, nose_deg: float) -> np.ndarray:
    away = np.abs((crank_deg - nose_deg + 360.0) % 720.0 - 360.0)
    lift = PchipInterpolator(list(PUBLISHED_IN), [INCH * inch for inch in PUBLISHED_IN.values()])
    return np.where(away < 137.0, lift(np.minimum(away, 137.0)), 0.0)


def piston_mm(crank_deg: np.ndarray, stroke_mm: float, rod_mm: float) -> np.ndarray:
    """Pythagoras twice: the throw's height, and the rod's above it; what reaches the plunger is within 25 mm of the top."""
    throw, at = stroke_mm / 2.0, np.radians(crank_deg)
    height = throw * np.cos(at) + np.sqrt(rod_mm**2 - (throw * np.sin(at)) ** 2)
    return np.maximum(height - (throw + rod_mm) + 25.0, 0.0)


@pytest.mark.parametrize("ratio", [1.0, 1.6])
@pytest.mark.parametrize(("valve", "nose_deg"), NOSES)
def test_a_published_lobe_is_a_valve_and_told_which(sample_lobe, valve, nose_deg, ratio) -> None:
    streams = sample_lobe(lambda crank: ratio * published_lift_mm(crank, nose_deg), 7)
    told = recognise(streams, GaugeFacts(step_mm=0.001), KNOWN)
    assert told.sure
    assert (told.kind, told.valve) == ("valve", valve)


@pytest.mark.parametrize(
    ("stroke_mm", "rod_mm"), [(45.0, 90.0), (69.0, 110.0), (86.0, 143.0), (101.6, 170.0)]
)
def test_a_piston_is_a_piston_from_a_small_engine_to_a_long_stroke(sample_lobe, stroke_mm, rod_mm) -> None:
    streams = sample_lobe(lambda crank: piston_mm(crank, stroke_mm, rod_mm), 8)
    told = recognise(streams, GaugeFacts(step_mm=0.001), KNOWN)
    assert (told.sure, told.kind, told.valve) == (True, "piston", None)


def test_a_gauge_tied_up_touches_nothing(sample_lobe) -> None:
    assert (
        recognise(sample_lobe(lambda crank: 0.0 * crank, 9), GaugeFacts(step_mm=0.001), KNOWN).kind
        == "nothing"
    )

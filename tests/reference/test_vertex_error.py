"""The standard error of a dwell's centre against the closed forms for a parabola, and of a pair of readings.

Vertex of a parabola fitted to y = -a (x - x0)^2 with noise s: s / (2 a sqrt(sum (x - mean)^2)). Middle of one
pair: s / (sqrt 2 slope). Both are textbook propagation (JCGM 100:2008, 5.1.2), the figure 0.0330 deg was
computed again. A step q shows as q / sqrt 12: JCGM 100:2008, F.2.2.1.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
import pytest

from analysis.base import NoiseModel, Prior, settle
from analysis.readings import follow_crank
from analysis.tdc.fit import CENTRE, LAG, OFFSET, PARAMETERS, PLAY, RATIO, STICK, WANDER, Readings, fit_piston
from analysis.timing import HandPair, HandTools, lobe_by_hand, tdc_by_hand
from simulated_devices.machine import SliderCrank

CURVATURE, NOISE_MM = 0.002, 0.01
ANGLE_DEG = np.arange(-20.0, 21.0)
PUBLISHED_U_DEG = 0.0330


@dataclass(frozen=True)
class Parabola:
    """Height, centre and curvature at the readings."""

    residual_mm: np.ndarray
    jacobian: np.ndarray


def test_the_closed_form_gives_the_stated_figure():
    spread = float(np.sum((ANGLE_DEG - ANGLE_DEG.mean()) ** 2))
    assert NOISE_MM / (2 * CURVATURE * sqrt(spread)) == pytest.approx(PUBLISHED_U_DEG, abs=5e-5)


def test_a_fitted_parabola_has_the_stated_standard_error_of_its_vertex():
    def model_at(values):
        away = ANGLE_DEG - values[0]
        fitted = values[1] - values[2] * away**2
        jacobian = np.column_stack([2 * values[2] * away, np.ones_like(away), -(away**2)])
        return Parabola(-CURVATURE * ANGLE_DEG**2 - fitted, jacobian)

    unknown = Prior(np.zeros(3), np.full(3, np.inf))
    start = np.array([1.5, 0.1, 0.003])
    values, _, covariance = settle(
        model_at,
        start,
        model_at(start),
        prior=unknown,
        weight=np.full(len(ANGLE_DEG), NOISE_MM**-2),
    )
    assert values == pytest.approx([0.0, 0.0, CURVATURE], abs=1e-6)
    assert sqrt(covariance[0, 0]) == pytest.approx(PUBLISHED_U_DEG, abs=5e-5)


def test_the_piston_fit_states_that_standard_error_when_all_but_the_top_is_known():
    """Near its top a piston is a parabola: a = throw (1 + throw/rod) / 2 per square radian.

    The crank turns at one degree a second, so 41 readings a second apart lie at the 41 angles, and its own
    uncertainty is far below the gauge's.
    """
    ratio = 0.3
    throw = 2 * CURVATURE * (180 / pi) ** 2 / (1 + ratio)
    below = SliderCrank(2 * throw, throw / ratio).below_top_mm
    time_s = np.arange(0.0, 60.0, 0.002)
    motion = follow_crank(time_s, time_s - 30.0)
    readings = Readings(motion, ANGLE_DEG + 30.0, -below(ANGLE_DEG))
    known, doubt = np.zeros(PARAMETERS), np.full(PARAMETERS, np.inf)
    known[RATIO] = ratio
    for one in (LAG, RATIO, OFFSET, STICK, PLAY, WANDER):
        doubt[one] = 1e-9
    start = np.array([0.3, 0.0, -throw, 0.0, ratio, 0.0, 0.0, 0.0, 0.0])
    fit = fit_piston(readings, start, Prior(known, doubt), NoiseModel(1e-6, 0.0, NOISE_MM), rounds=1)
    assert fit.values[CENTRE] == pytest.approx(0.0, abs=1e-3)
    stated = sqrt(fit.covariance[CENTRE, CENTRE])
    assert stated == pytest.approx(PUBLISHED_U_DEG, rel=0.04), (
        "20 degrees off, the sine is less than its angle"
    )
    slope = (below(ANGLE_DEG + 1e-3) - below(ANGLE_DEG - 1e-3)) / 2e-3
    assert stated == pytest.approx(NOISE_MM / sqrt(np.sum(slope**2)), rel=2e-3)


def test_a_step_counts_as_a_rectangle():
    still = np.zeros(1)
    assert NoiseModel(0.01).variance_mm2(still, still)[0] == pytest.approx((0.01 / sqrt(12)) ** 2)


@pytest.mark.parametrize("drop_mm", [0.2, 0.8, 1.27])
def test_the_middle_of_a_pair_by_hand_has_the_stated_standard_error(drop_mm):
    """At a drop h of a parabola the slope is 2 sqrt(a h); s is the gauge's step over sqrt 12."""
    half = sqrt(drop_mm / CURVATURE)
    slope = 2 * CURVATURE * half
    fine = HandTools(disc_division_deg=1e-6, gauge_step_mm=0.01)
    expected = 0.01 / sqrt(12) / (sqrt(2) * slope)
    piston = tdc_by_hand([HandPair(100 - half, 100 + half, drop_mm=drop_mm)], fine)
    assert piston.u95_deg / 2 == pytest.approx(expected, rel=1e-3)
    lobe = lobe_by_hand(
        "inlet", [HandPair(108 - half, 108 + half, drop_mm=drop_mm)], drop_mm=drop_mm, tools=fine
    )
    assert lobe.u95_deg / 2 == pytest.approx(expected, rel=1e-3)

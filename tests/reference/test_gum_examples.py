"""The arithmetic of uncertainty against the worked examples of the GUM.

Source: JCGM 100:2008, Evaluation of measurement data - Guide to the expression of uncertainty in measurement,
Annex H: H.1 end-gauge calibration, H.2 simultaneous resistance and reactance, H.3 calibration of a thermometer.
The inputs of H.1 other than its results are from memory. A second opinion: the `uncertainties` package.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
import uncertainties
import uncertainties.umath

from analysis.base import Component, NoiseModel, Prior, expand, limit_u, settle
from analysis.base.uncertainty import coverage_factor
from analysis.lobe.shape import Reading

# H.1, in nm: the standard of 50.000623 mm; what each input adds (c times u), and its degrees of freedom.
STANDARD_MM, DIFFERENCE_MM = 50.000623, 215e-6
ADDED_NM = {
    "standard": (25.0, 18.0),
    "repeated comparisons": (5.8, 24.0),
    "comparator, random": (3.9, 5.0),
    "comparator, systematic": (6.7, 8.0),
    "difference of expansion": (2.9, 50.0),
    "difference of temperature": (16.6, 2.0),
}

# H.2: five simultaneous observations of potential (V), current (mA) and phase (rad).
POTENTIAL = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
CURRENT = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])

# H.3: thermometer readings (deg C) and corrections; the line's zero is put at 20 deg C.
READING_C = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
CORRECTION_C = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
ZERO_C = 20.0


def test_h1_the_end_gauge_has_the_published_length_and_uncertainty():
    length = Reading(STANDARD_MM + DIFFERENCE_MM, np.ones(len(ADDED_NM)))
    covariance = np.diag([u**2 for u, _ in ADDED_NM.values()])
    assert length.value == pytest.approx(50.000838, abs=5e-7)
    assert length.u(covariance) == pytest.approx(32, abs=0.5)


# H.1.6: of the difference 9.7 nm, and of the whole, with the degrees of freedom of each.
OF_THE_DIFFERENCE = ("repeated comparisons", "comparator, random", "comparator, systematic")


def components(names):
    return [Component(name, *ADDED_NM[name]) for name in names]


def test_h1_the_difference_has_the_published_uncertainty_and_freedom():
    told = expand(components(OF_THE_DIFFERENCE))
    assert told.u == pytest.approx(9.7, abs=0.05)
    assert told.freedom == pytest.approx(25.6, abs=0.3), "from rounded inputs"


def test_h1_the_end_gauge_has_the_published_freedom_and_expanded_uncertainty():
    """Effective freedom 16.7, cut to 16; t at 99 % is 2.92, and the expanded uncertainty 93 nm."""
    told = expand(components(ADDED_NM), confidence=0.99)
    assert told.u == pytest.approx(32, abs=0.5)
    assert told.freedom == pytest.approx(16.7, abs=0.1)
    assert told.coverage_factor == pytest.approx(2.92, abs=0.005)
    assert told.expanded == pytest.approx(93, abs=1)


@pytest.mark.parametrize(
    ("freedom", "factor"),
    [(1, 13.97), (2, 4.53), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05), (100, 2.025)],
)
def test_coverage_factors_are_those_of_the_guides_table(freedom, factor):
    """Table G.2, column 95.45 % (from memory)."""
    assert coverage_factor(freedom) == pytest.approx(factor, abs=0.006)


def test_limits_count_as_rectangles():
    """4.3.7: a limit of error counts 1/sqrt 3 of itself."""
    assert limit_u(1.0) == pytest.approx(0.58, abs=0.005)


def impedance():
    """R, X and Z of H.2 with their gradients, and the covariance of the three means."""
    observed = np.array([POTENTIAL, CURRENT, PHASE])
    v, i, phi = observed.mean(axis=1)
    cosine, sine, z = np.cos(phi), np.sin(phi), v / i
    resistance = Reading(z * cosine, np.array([cosine / i, -z * cosine / i, -z * sine]))
    reactance = Reading(z * sine, np.array([sine / i, -z * sine / i, z * cosine]))
    whole = Reading(z, np.array([1 / i, -z / i, 0.0]))
    return resistance, reactance, whole, np.cov(observed) / len(POTENTIAL)


def test_h2_correlated_inputs_give_the_published_uncertainties():
    resistance, reactance, whole, covariance = impedance()
    for found, value, u in (
        (resistance, 127.732, 0.071),
        (reactance, 219.847, 0.295),
        (whole, 254.260, 0.236),
    ):
        assert found.value == pytest.approx(value, abs=6e-4)
        assert found.u(covariance) == pytest.approx(u, abs=6e-4)


def test_h2_the_results_are_correlated_as_published():
    """r(R, X) = -0.588, from the uncertainty of their sum."""
    resistance, reactance, _, covariance = impedance()
    both = Reading(resistance.value + reactance.value, resistance.gradient + reactance.gradient)
    u_r, u_x, u_both = (one.u(covariance) for one in (resistance, reactance, both))
    assert (u_both**2 - u_r**2 - u_x**2) / (2 * u_r * u_x) == pytest.approx(-0.588, abs=1e-3)


def test_h2_agrees_with_the_uncertainties_package():
    resistance, reactance, whole, covariance = impedance()
    v, i, phi = uncertainties.correlated_values(
        [POTENTIAL.mean(), CURRENT.mean(), PHASE.mean()], covariance.tolist()
    )
    umath = uncertainties.umath
    theirs = (v / i * umath.cos(phi), v / i * umath.sin(phi), v / i)
    for ours, other in zip((resistance, reactance, whole), theirs, strict=True):
        assert (ours.value, ours.u(covariance)) == pytest.approx((other.nominal_value, other.std_dev))


@dataclass(frozen=True)
class Line:
    """Corrections on a straight line over temperature."""

    residual_mm: np.ndarray
    jacobian: np.ndarray


@pytest.fixture(scope="module")
def calibration():
    """Line and covariance of H.3, the noise found from the residuals alone."""
    jacobian = np.column_stack([np.ones_like(READING_C), READING_C - ZERO_C])

    def model_at(values):
        return Line(CORRECTION_C - jacobian @ values, jacobian)

    unknown, still = Prior(np.zeros(2), np.full(2, np.inf)), np.zeros(len(READING_C))
    start = np.zeros(2)
    values, model, covariance = settle(
        model_at, start, model_at(start), prior=unknown, weight=np.full(len(READING_C), 1e9)
    )
    share = (len(READING_C) - 2) / len(READING_C)
    noise = NoiseModel(0.0, 0.0, 0.005).refitted(model.residual_mm, share, still, still)
    assert noise.extra_mm == pytest.approx(0.0035, abs=5e-5), "s of H.3"
    return values, covariance * 1e9 * noise.extra_mm**2


def test_h3_the_line_has_the_published_intercept_and_slope(calibration):
    values, covariance = calibration
    assert values == pytest.approx([-0.1712, 0.00218], abs=6e-5)
    assert values[1] == pytest.approx(0.00218, abs=6e-6)
    u = np.sqrt(np.diag(covariance))
    assert u[0] == pytest.approx(0.0029, abs=6e-5)
    assert u[1] == pytest.approx(0.00067, abs=6e-6)
    assert covariance[0, 1] / (u[0] * u[1]) == pytest.approx(-0.930, abs=6e-4)


def test_h3_the_correction_at_30_degrees_is_the_published_one(calibration):
    values, covariance = calibration
    row = np.array([1.0, 30.0 - ZERO_C])
    predicted = Reading(float(row @ values), row)
    assert predicted.value == pytest.approx(-0.1494, abs=6e-5)
    assert predicted.u(covariance) == pytest.approx(0.0041, abs=6e-5)

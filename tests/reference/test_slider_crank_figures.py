"""The piston's motion, as the analysis and as the simulated engine have it, against published figures.

Sources stand beside each check. `below` is how far the piston stands under its highest point.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import asin, degrees, pi, radians, sqrt

import numpy as np
import pytest
from bench_cases import as_stored
from scipy.optimize import brentq, minimize_scalar

from analysis.base import GaugeFacts, TdcSettings
from analysis.readings import equal_readings
from analysis.tdc import find_tdc
from analysis.timing import piston_drop, throw_mm
from analysis.timing.slider_crank import top_after_upright_deg
from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, Mounting, SliderCrank
from simulated_devices.machine import Engine as WholeEngine
from simulated_devices.traces import Setup, record


@dataclass(frozen=True)
class Engine:
    """Throw, rod and pin offset in one unit."""

    throw: float
    rod: float
    pin_offset: float = 0.0

    @property
    def top_deg(self) -> float:
        return -degrees(asin(self.pin_offset / (self.rod + self.throw)))


def analysed(engine: Engine, from_top_deg: float) -> float:
    drop = piston_drop(
        np.array([radians(from_top_deg)]), engine.throw / engine.rod, engine.pin_offset / engine.throw
    )
    return engine.throw * float(drop.drop[0])


def simulated(engine: Engine, from_top_deg: float) -> float:
    crank = SliderCrank(2 * engine.throw, engine.rod, engine.pin_offset)
    return float(crank.below_top_mm(np.asarray(from_top_deg)))


Below = Callable[[Engine, float], float]
BOTH_WAYS = pytest.mark.parametrize("below", [analysed, simulated])


@BOTH_WAYS
@pytest.mark.parametrize(
    ("travel_in", "from_foot", "published"),
    [
        (1 / 16, False, (12, 40)),  # inlet opens after TDC
        (9 / 16, True, (50, 49)),  # inlet closes after BDC
        (5 / 16, True, (37, 52)),  # exhaust opens before BDC
    ],
)
def test_published_piston_travels_give_the_published_crank_angles(
    below: Below, travel_in: float, from_foot: bool, published: tuple[int, int]
) -> None:
    """Travels: Ford Manual, 1922, p. 12 (stroke 4 in); angles: Fahnestock, reprinted in Model T Speed Secrets.

    The rod, 7 in, is from memory.
    """
    engine = Engine(2.0, 7.0)
    wanted = 4.0 - travel_in if from_foot else travel_in
    at_deg = brentq(lambda deg: below(engine, deg) - wanted, 0.0, 180.0)
    told = 180.0 - at_deg if from_foot else at_deg
    assert told == pytest.approx(published[0] + published[1] / 60, abs=0.02)


@BOTH_WAYS
def test_a_textbook_engine_stands_where_the_textbook_says(below: Below) -> None:
    """Pulkrabek, Engineering Fundamentals of the Internal Combustion Engine, Ex. 2-1.

    Stroke 8.60 cm, rod 16.6 cm, 20 degrees after TDC: pin 20.58 cm from the crank's axis, piston 0.32 cm down.
    The text of the example is from memory; the numbers were computed again.
    """
    engine = Engine(4.30, 16.6)
    down = below(engine, 20.0)
    assert down == pytest.approx(0.32, abs=0.005)
    assert engine.throw + engine.rod - down == pytest.approx(20.58, abs=0.005)


def test_a_textbook_piston_moves_as_fast_as_the_textbook_says() -> None:
    """The same example: piston speed over mean piston speed is 0.668 at 20 degrees after TDC.

    The mean speed is two strokes, that is four throws, a turn of 2 pi. Unrounded it is 0.66853: the book cuts off.
    """
    slope = float(piston_drop(np.array([radians(20.0)]), 4.30 / 16.6).slope[0])
    assert slope / (4 / (2 * pi)) == pytest.approx(0.668, abs=6e-4)


@BOTH_WAYS
@pytest.mark.parametrize("at_deg", [0.0, 7.0, 33.0, 90.0, 151.0, 180.0, 222.0, 359.0])
def test_the_textbook_formula_holds_all_round(below: Below, at_deg: float) -> None:
    """Heywood, Internal Combustion Engine Fundamentals, 1988, eq. 2.5 (from memory).

    s = a cos t + sqrt(l^2 - a^2 sin^2 t), checked as complex numbers: the pin is on the bore, one rod away.
    """
    engine = Engine(40.0, 135.0)
    height = 175.0 - below(engine, at_deg)
    throw = engine.throw * np.exp(1j * radians(at_deg))
    assert abs(height - throw) == pytest.approx(engine.rod, rel=1e-12)
    assert height == pytest.approx(throw.real + sqrt(135.0**2 - throw.imag**2), rel=1e-12)


# A multibody code (exudyn 1.13, PyPI: Rigid2D bodies and RevoluteJoint2D, static solve): throw 40, rod 140,
# pin 1.5 mm to the side the throw falls to after the top, which is not the thrust side; distance of the pin from
# the crank's axis along the bore, by throw angle.
OFFSET_ENGINE = Engine(40.0, 140.0, -1.5)
MULTIBODY_MM = {0.0: 179.991964, 20.0: 177.056798, 90.0: 134.602192, 180.0: 99.991964, -30.0: 172.980273}


@BOTH_WAYS
@pytest.mark.parametrize(("throw_deg", "distance_mm"), MULTIBODY_MM.items())
def test_an_offset_pin_stands_where_a_multibody_code_puts_it(
    below: Below, throw_deg: float, distance_mm: float
) -> None:
    highest = sqrt(180.0**2 - 1.5**2)
    found = highest - below(OFFSET_ENGINE, throw_deg - OFFSET_ENGINE.top_deg)
    assert found == pytest.approx(distance_mm, abs=1e-6)


def test_highest_and_lowest_points_are_the_multibody_codes() -> None:
    """Same source: highest at 0.477470 deg, lowest at 180.859469 deg of the throw, stroke 80.005001 mm."""
    top = top_after_upright_deg(40.0, 140.0, -1.5)
    assert top == pytest.approx(0.477470, abs=1e-6)
    lowest = minimize_scalar(
        lambda deg: -analysed(OFFSET_ENGINE, deg), bounds=(170, 190), options={"xatol": 1e-9}
    )
    assert top + lowest.x == pytest.approx(180.859469, abs=1e-4)
    assert -lowest.fun == pytest.approx(80.005001, abs=1e-6)
    assert throw_mm(80.005001, 140.0, 1.5) == pytest.approx(40.0, abs=1e-6)


def pair_midpoint_deg(engine: Engine, drop_mm: float) -> float:
    """Middle of the pair of equal readings at a drop, on exact readings every tenth of a degree."""
    angle = np.arange(-70.0, 70.0, 0.1)
    piston = piston_drop(np.radians(angle), engine.throw / engine.rod, engine.pin_offset / engine.throw)
    slope = engine.throw * piston.slope * pi / 180
    pairs = equal_readings(angle, engine.throw * piston.drop, slope, np.ones_like(angle), (drop_mm,))
    return pairs[0].midpoint_deg


def exact_midpoint_deg(engine: Engine, drop_mm: float) -> float:
    """The same middle by root finding on the simulated engine."""
    sides = [
        brentq(lambda deg: simulated(engine, deg) - drop_mm, *between, xtol=1e-13)
        for between in ((-90.0, 0.0), (0.0, 90.0))
    ]
    return sum(sides) / 2


@pytest.mark.parametrize(("drop_mm", "bias_deg"), [(1.0, 0.0027), (10.0, 0.0281)])
def test_equal_readings_with_an_offset_pin_are_off_by_the_derived_bias(
    drop_mm: float, bias_deg: float
) -> None:
    """About e h / (l + r)^2 rad, h below the top (derived, checked numerically; no published source)."""
    found = exact_midpoint_deg(OFFSET_ENGINE, drop_mm)
    assert abs(found) == pytest.approx(bias_deg, abs=5e-5)
    assert abs(found) == pytest.approx(degrees(1.5 * drop_mm / 180.0**2), rel=0.07)
    mirrored = Engine(40.0, 140.0, 1.5)
    assert exact_midpoint_deg(mirrored, drop_mm) == pytest.approx(-found, abs=1e-9)


@pytest.mark.parametrize("offset", [1.5, -1.5, 0.0])
def test_the_pairs_shown_with_true_tdc_carry_that_bias_and_no_other(offset: float) -> None:
    """To 0.001 deg: readings near the drop are carried to it along a straight slope, the curve is not straight."""
    engine = Engine(40.0, 140.0, offset)
    for drop_mm in (1.0, 10.0):
        expected = exact_midpoint_deg(engine, drop_mm)
        assert pair_midpoint_deg(engine, drop_mm) == pytest.approx(expected, abs=1e-3)


def test_equal_piston_distances_either_side_bisect_to_dead_centre() -> None:
    """Rathbun, Gas, Oil and Steam Engines, section 139: the procedure, for a pin without offset."""
    for drop_mm in (0.5, 5.0, 40.0):
        assert exact_midpoint_deg(Engine(50.0, 180.0), drop_mm) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("offset", [1.5, -1.5])
def test_true_tdc_of_an_offset_pin_is_free_of_the_bias_that_its_pairs_show(offset: float) -> None:
    """A trace of the simulated engine; the pairs a builder would have taken are off by e h / (l + r)^2, TDC is not."""
    crank = SliderCrank(80.0, 140.0, offset)
    motion = Hand(-60.0, Manner(30.0)).rock(0.0, 60.0, 5, (30.0, 18.0)).done()
    gauge = DialIndicator(step=0.001, rate_hz=50.0, lag_s=0.05, travel_mm=40.0)
    setup = Setup(
        engine=WholeEngine(crank, {}),
        motion=motion,
        encoder=Encoder(20_000, 500.0, 77.7),
        mountings={"dial": Mounting(gauge, "piston_1", 38.0)},
    )
    trace = record(setup, np.random.default_rng(1804))
    found = find_tdc(
        as_stored(trace),
        TdcSettings(80.005001, 140.0, offset),
        GaugeFacts(),
    )
    off = (found.centre_deg - trace.truth.tdc_deg + 180) % 360 - 180
    assert off == pytest.approx(0.0, abs=1.5 * found.u95_deg)
    assert found.u95_deg < 0.005
    pair = next(one for one in found.equal_readings if one.drop_mm == 12.0)
    bias = exact_midpoint_deg(Engine(40.0, 140.0, offset), 12.0)
    assert pair.midpoint_deg - found.centre_deg == pytest.approx(bias, abs=0.006)
    assert abs(bias) > 0.03

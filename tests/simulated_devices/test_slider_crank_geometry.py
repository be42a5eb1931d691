"""The simulator's crank drive against geometry worked out in other ways."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulated_devices.machine import Engine, SliderCrank, firing_offsets

# Static solve of a multibody model (exudyn 1.13: rigid bodies and revolute joints), r 40, l 140, pin 1.5 mm to
# the side the throw falls to after the top: away from the thrust side.
MULTIBODY_MM = {0.0: 179.991964, 20.0: 177.056798, 90.0: 134.602192, 180.0: 99.991964, -30.0: 172.980273}


@pytest.mark.parametrize(("throw_deg", "distance_mm"), MULTIBODY_MM.items())
def test_pin_height_agrees_with_a_multibody_code(throw_deg, distance_mm):
    crank = SliderCrank(80.0, 140.0, -1.5)
    assert float(crank.height_mm(np.asarray(throw_deg))) == pytest.approx(distance_mm, abs=1e-6)


def test_highest_point_agrees_with_a_multibody_code():
    # The same source: highest point at 0.477470 deg, stroke 80.005001 mm, lowest at 180.859469 deg.
    crank = SliderCrank(80.0, 140.0, -1.5)
    assert crank.highest_throw_deg == pytest.approx(0.477470, abs=1e-6)
    turn = np.linspace(0.0, 360.0, 360_001)
    below = crank.below_top_mm(turn)
    assert below.max() == pytest.approx(80.005001, abs=1e-6)
    assert turn[below.argmax()] + crank.highest_throw_deg == pytest.approx(180.859469, abs=2e-3)


cranks = st.builds(
    SliderCrank,
    stroke_mm=st.floats(40.0, 120.0),
    rod_mm=st.floats(110.0, 250.0),
    pin_offset_mm=st.floats(-8.0, 8.0),
)


@given(crank=cranks, throw_deg=st.floats(-720.0, 720.0))
def test_the_pin_lies_on_the_bore_and_one_rod_from_the_throw(crank, throw_deg):
    """The pin as the meeting of a circle and a line, in complex numbers."""
    throw = crank.stroke_mm / 2.0 * 1j * np.exp(-1j * math.radians(throw_deg))
    pin = complex(-crank.pin_offset_mm, float(crank.height_mm(np.asarray(throw_deg))))
    assert abs(pin - throw) == pytest.approx(crank.rod_mm, rel=1e-12)


@given(crank=cranks)
def test_the_stroke_is_the_difference_of_two_right_triangles(crank):
    radius, offset = crank.stroke_mm / 2.0, crank.pin_offset_mm
    top = math.sqrt((crank.rod_mm + radius) ** 2 - offset**2)
    foot = math.sqrt((crank.rod_mm - radius) ** 2 - offset**2)
    below = crank.below_top_mm(np.linspace(0.0, 360.0, 36_001))
    assert below.max() == pytest.approx(top - foot, abs=1e-4)
    assert below.min() == pytest.approx(0.0, abs=1e-9)


def test_true_tdc_is_the_highest_point_whatever_the_offset():
    crank = SliderCrank(80.0, 135.0, 0.8)
    near = crank.below_top_mm(np.linspace(-5.0, 5.0, 10_001))
    assert np.linspace(-5.0, 5.0, 10_001)[near.argmin()] == pytest.approx(0.0, abs=1e-3)


def test_published_travels_give_the_published_angles():
    # Ford Manual, 1922, p. 12 (stroke 4 in; travels); angles: Fahnestock, Model T Speed Secrets.
    # Rod 7 in from memory.
    crank = SliderCrank(4.0, 7.0)
    for travel_in, at_deg in ((1 / 16, 12 + 40 / 60), (4.0 - 9 / 16, 180 - (50 + 49 / 60))):
        angles = np.linspace(0.0, 180.0, 180_001)
        found = np.interp(travel_in, crank.below_top_mm(angles), angles)
        assert found == pytest.approx(at_deg, abs=0.02)


def test_firing_order_sets_the_overlap_tdc_of_every_cylinder():
    assert firing_offsets((1, 3, 4, 2)) == {1: 0.0, 3: 180.0, 4: 360.0, 2: 540.0}
    engine = Engine(SliderCrank(80.0, 135.0), {}, (1, 3, 4, 2))
    assert engine.piston_below_top_mm(4, np.array([0.0, 180.0])) == pytest.approx([0.0, 80.0])
    assert engine.targets == ("piston_1", "piston_2", "piston_3", "piston_4")

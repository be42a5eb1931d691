"""The simulated engine against plain geometry and counting: maker and reader cannot be wrong together."""

import math

import numpy as np
import pytest

from simulated_devices.machine import DialIndicator, Engine, Mounting, SliderCrank, firing_offsets
from simulated_devices.scenarios import load_scenario
from simulated_devices.scenarios.scenario_build import engine_of


@pytest.mark.parametrize(("pin_mm", "before"), [(1.5, True), (-1.5, False), (8.0, True), (-0.3, False)])
def test_a_pin_to_the_left_is_highest_before_the_throw_is_upright(pin_mm, before):
    """Seen turning clockwise the throw comes up on the left; rod and throw in one line lean to the pin's side."""
    top = SliderCrank(80.0, 140.0, pin_mm).highest_throw_deg
    assert (top < 0) is before
    # The line from the crank's axis to the pin, 180 long, whose foot is the axis: lean = opposite over hypotenuse.
    assert 180.0 * math.sin(math.radians(-top)) == pytest.approx(pin_mm, abs=1e-9)


@pytest.mark.parametrize(("seat", "reads_mm"), [("face", 9.78), ("point", 9.04)])
@pytest.mark.parametrize("opposed", [True, False])
def test_a_plunger_16_degrees_off_reads_a_flat_too_far_and_a_point_not_far_enough(seat, reads_mm, opposed):
    """A line at 16 degrees cuts two level faces 9.40 apart 9.78 apart; a point that goes 9.40 goes 9.04 along it."""
    gauge = DialIndicator(angle_deg=16.0, seat=seat, travel_mm=25.0)
    pushed = Mounting(gauge, "inlet_1", 12.0, opposed).pushed_mm(np.array([0.0, 9.40]))
    assert abs(pushed[1] - pushed[0]) == pytest.approx(reads_mm, abs=0.005)
    line = np.array([math.sin(math.radians(16.0)), math.cos(math.radians(16.0))])
    drawn = 9.40 / line[1] if seat == "face" else float(np.array([0.0, 9.40]) @ line)
    assert abs(pushed[1] - pushed[0]) == pytest.approx(drawn, rel=1e-12)


@pytest.mark.parametrize(
    ("order", "intervals", "counted"),
    [
        ((1, 2), (315.0, 405.0), {1: 0, 2: 315}),
        ((1, 2), (405.0, 315.0), {1: 0, 2: 405}),
        ((1, 2), (270.0, 450.0), {1: 0, 2: 270}),
        ((2, 1), (405.0, 315.0), {1: 0, 2: 315}),
        ((1, 3, 4, 2), (180.0,) * 4, {1: 0, 3: 180, 4: 360, 2: 540}),
        ((1, 2, 3, 4, 5, 6), (90.0, 150.0) * 3, {1: 0, 2: 90, 3: 240, 4: 330, 5: 480, 6: 570}),
    ],
)
def test_cylinders_come_to_their_tops_at_the_intervals_counted_along_the_order(order, intervals, counted):
    assert firing_offsets(order, intervals) == counted
    engine = Engine(SliderCrank(80.0, 135.0), {}, order, intervals)
    for cylinder, at_deg in counted.items():
        assert float(engine.piston_below_top_mm(cylinder, np.array([at_deg]))[0]) == pytest.approx(
            0.0, abs=1e-9
        )
        assert float(engine.piston_below_top_mm(cylinder, np.array([at_deg + 90.0]))[0]) > 30.0


def test_a_lobe_comes_later_in_the_turn_by_its_cylinders_interval_and_by_its_pulley():
    engine = engine_of(load_scenario("hollin_lane_twin_cam"))
    first, offsets = engine.truth_of("inlet_1").centre_deg(), firing_offsets(engine.firing_order)
    for cylinder, offset in offsets.items():
        apart = (engine.truth_of(f"inlet_{cylinder}").centre_deg() - first - offset + 360) % 720 - 360
        assert abs(apart) < 1.0  # some lobes of the scenario stand a little off
    late = engine.with_cam("inlet", pulley_deg=engine.cams["inlet"].pulley_deg + 3.0)
    crank = np.linspace(0.0, 720.0, 7201)
    peaks = [crank[np.argmax(one.rise_mm("inlet_1", crank))] for one in (engine, late)]
    assert peaks[1] - peaks[0] == pytest.approx(3.0, abs=0.25)


def test_a_rocker_lifts_the_valve_by_its_ratio_less_the_clearance():
    engine = engine_of(load_scenario("hollin_lane_twin_cam"))
    crank = np.linspace(0.0, 720.0, 7201)
    plain = engine.with_valve("inlet_1", clearance_mm=0.0, rocker_ratio=1.0, rocker_drift=0.0)
    rocker = engine.with_valve("inlet_1", clearance_mm=0.25, rocker_ratio=1.5, rocker_drift=0.0)
    lobe_mm, valve_mm = (one.rise_mm("inlet_1", crank).max() for one in (plain, rocker))
    assert valve_mm == pytest.approx(1.5 * lobe_mm - 0.25, abs=1e-9)


def test_a_cam_turns_once_in_two_turns_of_the_crank():
    """Crank turned one turn: not the same lift; two: the same."""
    engine = engine_of(load_scenario("hollin_lane_twin_cam"))
    crank = np.linspace(0.0, 1440.0, 14_401)
    lift = engine.rise_mm("inlet_1", crank)
    assert np.allclose(lift[:7200], lift[7200:14_400], atol=1e-9)
    assert not np.allclose(lift[:3600], lift[3600:7200], atol=1.0)

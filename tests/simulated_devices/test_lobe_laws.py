"""The simulator's lobes against published figures and against brute geometry."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulated_devices.machine import LAWS, ArcProfile, LawProfile, Lobe, LobeTruth, TangentProfile, Valve
from simulated_devices.traces import random_valve
from simulated_devices.traces.random_benches import FAMILIES

# Norton, Cam Design and Manufacturing Handbook: peak velocity and acceleration of a unit rise.
HANDBOOK = {
    "harmonic": (1.5708, 4.9348),
    "cycloidal": (2.0, 6.2832),
    "3-4-5": (1.875, 5.7735),
    "4-5-6-7": (2.1875, 7.5132),
    "modified_sine": (1.7596, 5.5280),
}


@pytest.mark.parametrize("law", HANDBOOK)
def test_a_law_has_its_handbook_velocity_and_acceleration(law):
    x = np.linspace(0.0, 1.0, 20_001)
    rise = LAWS[law](x)
    velocity = np.gradient(rise, x)
    acceleration = np.gradient(velocity, x)[2:-2]
    assert (rise[0], rise[-1]) == pytest.approx((0.0, 1.0), abs=1e-12)
    assert velocity.max() == pytest.approx(HANDBOOK[law][0], rel=1e-4)
    assert np.abs(acceleration).max() == pytest.approx(HANDBOOK[law][1], rel=2e-3)


def test_the_cycloidal_law_has_its_handbook_values():
    # Norton, same handbook: s/h at .1 .2 .25 .3 .4.
    got = LAWS["cycloidal"](np.array([0.1, 0.2, 0.25, 0.3, 0.4]))
    assert got == pytest.approx([0.006451, 0.048635, 0.090845, 0.148635, 0.306451], abs=1e-6)


def test_an_arc_lobe_is_the_published_production_lobe():
    # Stock Ford Model T; Fahnestock, "Murray on cams", Tables 1 and 2: crank degrees from centre, lift in in.
    table = {0: 0.2502, 20: 0.2407, 40: 0.2125, 60: 0.1665, 80: 0.1040, 100: 0.0445, 120: 0.0095, 130: 0.0017}
    lobe = Lobe(ArcProfile(0.2502, 68.57, 68.57, nose_throw_mm=0.6250))
    crank = np.array(list(table), dtype=float)
    for side in (-1.0, 1.0):
        assert lobe.lift(side * crank / 2.0) == pytest.approx(list(table.values()), abs=1.2e-4)


def test_an_arc_lobe_is_made_of_circles_under_a_flat_follower():
    """Under a flat follower the profile's radius of curvature is base + lift + lift'': constant on an arc."""
    profile = ArcProfile(9.0, 66.0, 72.0, nose_throw_mm=24.0)
    step = 0.01
    for opening, reach in ((True, 66.0), (False, 72.0)):
        angle = np.arange(2.0, reach - 1.0, step)
        lift = profile.flank(angle, opening)
        radius = lift[1:-1] + np.diff(lift, 2) / np.radians(step) ** 2
        values = np.unique(np.round(radius, 1))
        inner = np.isclose(radius, radius[5], atol=0.02)
        outer = np.isclose(radius, radius[-5], atol=0.02)
        assert (inner | outer).mean() > 0.999, values


def test_a_tangent_lobe_is_a_straight_flank_and_a_round_nose_under_a_roller():
    """Brute force: the roller's centre is where its distance from the profile is its radius."""
    base, roller, lift, reach = 16.0, 10.0, 9.0, np.radians(65.0)
    profile = TangentProfile(lift, 65.0, 65.0, base, roller)
    throw = lift / (1.0 - np.cos(reach))
    nose_radius = base - throw * np.cos(reach)
    # Outline: base circle, the straight flank, the nose circle; 0 is the nose, counted to one side.
    turn = np.linspace(reach, np.pi, 4001)
    around = np.linspace(0.0, reach, 8001)
    flank = np.linspace(0.0, throw * np.sin(reach), 8001)
    points = np.concatenate(
        [
            np.column_stack([base * np.sin(turn), base * np.cos(turn)]),
            np.column_stack([nose_radius * np.sin(around), throw + nose_radius * np.cos(around)]),
            base * np.array([np.sin(reach), np.cos(reach)])
            + flank[:, None] * np.array([-np.cos(reach), np.sin(reach)]),
        ]
    )
    for angle in (0.0, 5.0, 20.0, 35.0, 50.0, 60.0):
        ray = np.array([np.sin(np.radians(angle)), np.cos(np.radians(angle))])
        low, high = base, base + lift + 2.0 * roller + 10.0
        for _ in range(60):
            middle = 0.5 * (low + high)
            apart = np.min(np.hypot(*(points - middle * ray).T))
            low, high = (middle, high) if apart < roller else (low, middle)
        expected = low - base - roller
        assert float(profile.flank(np.array(angle), True)) == pytest.approx(expected, abs=2e-3)


@settings(max_examples=150)
@given(seed=st.integers(0, 2**32 - 1), family=st.sampled_from(FAMILIES))
def test_every_lobe_rises_to_its_nose_and_falls_again(seed, family):
    valve = random_valve(np.random.default_rng(seed), 0.0, family)
    lift = valve.lobe.lift(np.linspace(-180.0, 180.0, 7201))
    top = int(lift.argmax())
    assert lift.min() == 0.0
    assert (np.diff(lift[: top + 1]) >= -1e-12).all()
    assert (np.diff(lift[top:]) <= 1e-12).all()
    assert lift.max() == pytest.approx(valve.lobe.lift_mm, rel=1e-6)


@settings(max_examples=60)
@given(seed=st.integers(0, 2**32 - 1), shift=st.floats(-500.0, 500.0), drop=st.floats(0.3, 3.0))
def test_the_truth_of_a_lobe_is_what_bisection_finds_on_it(seed, shift, drop):
    valve = random_valve(np.random.default_rng(seed), 110.0)
    truth = LobeTruth(valve, shift, 1.0)
    top = truth.full_lift_deg

    def crossing(inner: float, outer: float) -> float:
        for _ in range(50):
            middle = 0.5 * (inner + outer)
            above = float(truth.lift_at_mm(np.array(middle))) > truth.peak_lift_mm - drop
            inner, outer = (middle, outer) if above else (inner, middle)
        return inner

    before, after = crossing(top, top - 170.0), crossing(top, top + 170.0)
    assert truth.centre_deg(drop) == pytest.approx(((before + after) / 2.0) % 720.0, abs=1e-3)
    opens, closes, duration = truth.events_deg(truth.peak_lift_mm - drop)
    assert duration == pytest.approx(after - before, abs=2e-3)
    assert (closes - opens) % 720.0 == pytest.approx(duration, abs=1e-6)


def test_a_flat_nose_has_its_full_lift_in_the_middle_of_the_flat():
    lobe = Lobe(LawProfile(9.0, 66.0, 70.0, "cycloidal", "cycloidal", flat_deg=6.0))
    assert LobeTruth(Valve(lobe, 108.0), 0.0, 0.0).full_lift_deg == pytest.approx(108.0, abs=0.1)


def test_clearance_shortens_the_duration_but_leaves_a_symmetric_centre():
    lobe = Lobe(LawProfile(10.0, 70.0, 70.0), ramp_mm=0.6)
    tight, wide = (LobeTruth(Valve(lobe, 108.0, c), 0.0, 0.0) for c in (0.2, 0.5))
    assert wide.centre_deg() == pytest.approx(tight.centre_deg(), abs=1e-6)
    assert wide.peak_lift_mm == pytest.approx(tight.peak_lift_mm - 0.3, abs=1e-9)
    assert wide.events_deg(1.0)[2] < tight.events_deg(1.0)[2] - 2.0


def test_unlike_flanks_part_the_centre_from_full_lift():
    lobe = Lobe(LawProfile(10.0, 68.0, 73.0))
    truth = LobeTruth(Valve(lobe, 108.0), 0.0, 0.0)
    assert truth.full_lift_deg == pytest.approx(108.0, abs=1e-3)
    assert 0.3 < truth.centre_deg(0.5) - 108.0 < truth.centre_deg(1.0) - 108.0 < truth.centre_deg(3.0) - 108.0

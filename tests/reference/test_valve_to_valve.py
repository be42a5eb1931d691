"""Inlet to exhaust valve on twin cams, from plain geometry and from lifts counted on the fingers.

The bodies of two heads are laid out as points along their outlines, and the nearest two are looked for; no support
line, no formula of the program. Figures are worked out by hand beside each check, in invented engines.
"""

from __future__ import annotations

from itertools import pairwise
from math import cos, hypot, radians, sin

import numpy as np
import pytest

from analysis.base import Refusal
from analysis.clearance import Heads, ValvesTouched, find_valves_apart
from analysis.clearance.valve_to_valve import RIM_MM, _by_geometry
from analysis.timing import Cam, Engine, StoredLift

DEG = np.arange(0.0, 720.0, 1.0)


def twin(**more: object) -> Engine:
    cams = Cam("inlet", ("inlet",)), Cam("exhaust", ("exhaust",))
    return Engine("Wath 600", ("1", "2"), ("1", "2"), cams, **more)  # type: ignore[arg-type]


def straight(peak_deg: float, offset_deg: float = 0.0) -> StoredLift:
    """A lobe as a tent: 10 mm at its peak, 0.1 mm a degree either way; so lift is counted on the fingers."""
    away = np.abs((DEG - peak_deg - offset_deg + 360) % 720 - 360)
    return StoredLift(DEG, np.maximum(10.0 - 0.1 * away, 0.0))


# Inlet: nose 60 ATDC, opens 40 BTDC, 4.0 mm at overlap TDC. Exhaust: nose 60 BTDC, shuts 40 ATDC, 4.0 mm there.
INLET, EXHAUST = straight(60.0), straight(-60.0)


def shifted(inlet_travel: float = 3.0, exhaust_travel: float = 3.0, shift_deg: float = 0.0) -> float:
    found = find_valves_apart(twin(), "1", INLET, EXHAUST, ValvesTouched(0.0, inlet_travel, exhaust_travel))
    return {row.shift_deg: row.least_mm for row in found.table}[shift_deg]


@pytest.mark.parametrize(
    ("shift_deg", "least_mm"),
    [
        (0.0, 3.0),  # what one valve gains the other loses: 8.0 mm together all through the overlap
        (-5.0, 2.5),  # inlet 5 earlier: 8.5 mm together
        (-20.0, 1.0),  # 10.0 mm together
        (5.0, 3.5),  # inlet 5 later: 7.5 mm together
        (20.0, 5.0),
    ],
)
def test_an_inlet_cam_made_earlier_brings_the_valves_together(shift_deg: float, least_mm: float) -> None:
    assert shifted(shift_deg=shift_deg) == pytest.approx(least_mm, abs=0.02)


def test_only_the_valve_that_has_less_to_go_tells_the_millimetres() -> None:
    """Travels 2 and 4 at 4.0 and 4.0 mm: inlet takes 1 mm of 2 a mm, exhaust half as much. They touch at 6 and 4,
    and at 4 and 8. Inlet at its most with the exhaust about shut: 7.95 and 0.05 leave 2 - 3.95 + 1.975 = 0.025."""
    assert shifted(2.0, 4.0) == pytest.approx(0.0, abs=0.06)
    found = find_valves_apart(twin(), "1", INLET, EXHAUST, ValvesTouched(0.0, 2.0, 4.0))
    assert found.at_deg == pytest.approx(39.0, abs=1.1)


def test_a_later_exhaust_brings_them_together_as_an_earlier_inlet_does() -> None:
    moved = find_valves_apart(twin(), "1", INLET, straight(-55.0), ValvesTouched(0.0, 3.0, 3.0))
    # 5 later the exhaust stands at 4.5 mm when it is pushed; 3.0 mm are left there and all through the overlap.
    assert moved.least_mm == pytest.approx(3.0, abs=0.02)
    rows = {row.shift_deg: row.least_mm for row in moved.table}
    assert rows[5.0] == pytest.approx(3.5, abs=0.02)


def test_a_cylinder_is_told_from_its_own_tdc() -> None:
    """A 45-degree twin, second cylinder 315 after the first: the same lobes, 315 degrees on."""
    engine = twin(firing_intervals_deg=(315.0, 405.0))
    inlet, exhaust = straight(60.0, 315.0), straight(-60.0, 315.0)
    found = find_valves_apart(engine, "2", inlet, exhaust, ValvesTouched(0.0, 3.0, 3.0))
    assert found.least_mm == pytest.approx(3.0, abs=0.02)
    assert abs(found.at_deg) <= 40.0


def test_lash_that_is_taken_out_brings_them_together() -> None:
    """0.10 mm less at the inlet and 0.15 at the exhaust: each valve lifts that much more."""
    touched = ValvesTouched(0.0, 3.0, 3.0)
    found = find_valves_apart(twin(), "1", INLET, EXHAUST, touched, less_clearance_mm=(0.1, 0.15))
    assert found.least_mm == pytest.approx(2.75, abs=0.02)


@pytest.mark.parametrize(
    ("lean_deg", "lift_mm"), [(12.0, 0.0), (12.0, 3.0), (16.0, 2.0), (8.0, 5.0), (0.0, 4.0)]
)
def test_two_alike_heads_at_one_lift_part_by_twice_the_rims_way_to_the_middle(
    lean_deg: float, lift_mm: float
) -> None:
    """Rims face each other across the middle: 34 mm apart, 30 mm heads. 12 deg, 3 mm: 34 - 29.34 - 1.25 = 3.41."""
    gap = _by_geometry(Heads(30.0, 30.0, lean_deg, lean_deg, 34.0))
    by_hand = 34.0 - 30.0 * cos(radians(lean_deg)) - 2 * lift_mm * sin(radians(lean_deg))
    if (lean_deg, lift_mm) == (12.0, 3.0):
        assert by_hand == pytest.approx(3.41, abs=0.01)
    assert gap.gap_mm(np.array([lift_mm]), np.array([lift_mm]))[0] == pytest.approx(by_hand, abs=0.01)


def outline(diameter: float, lean_deg: float, side: int, apart: float, lift: float) -> np.ndarray:
    """Points every 0.02 mm or so along face, rim and cone of one head."""
    half, lean = diameter / 2, radians(lean_deg)
    local = [(-half / 2, -RIM_MM - half / 2), (-half, -RIM_MM), (-half, 0.0), (half, 0.0), (half, -RIM_MM)]
    local += [(half / 2, -RIM_MM - half / 2), local[0]]
    share = np.linspace(0.0, 1.0, 800)[:, None]
    points = np.vstack([np.array(a) + share * (np.array(b) - np.array(a)) for a, b in pairwise(local)])
    across, down = points[:, 0], points[:, 1] + lift
    # The stem leans to its own side at the top: what goes down goes to the middle.
    x = across * cos(lean) - side * down * sin(lean)
    y = side * across * sin(lean) + down * cos(lean)
    return np.column_stack([x + side * apart / 2, y])


@pytest.mark.parametrize("seed", range(12))
def test_unlike_heads_at_unlike_lifts_against_points_along_their_outlines(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sizes = float(rng.uniform(26, 36)), float(rng.uniform(22, 32))
    leans = float(rng.uniform(0, 25)), float(rng.uniform(0, 25))
    apart = sum(sizes) / 2 + float(rng.uniform(2, 6))
    lifts = float(rng.uniform(0, 6)), float(rng.uniform(0, 6))
    one = outline(sizes[0], leans[0], -1, apart, lifts[0])
    other = outline(sizes[1], leans[1], 1, apart, lifts[1])
    nearest = min(float(np.min(np.hypot(*(other - point).T))) for point in one[::4])
    gap = _by_geometry(Heads(*sizes, *leans, apart)).gap_mm(np.array([lifts[0]]), np.array([lifts[1]]))[0]
    if gap > 0.1:
        assert gap == pytest.approx(nearest, abs=0.05)
    else:
        assert nearest < 0.2


def test_the_interval_holds_the_sizes_taken_with_a_caliper() -> None:
    """Parallel valves: 0.1 mm on each diameter is 0.05 on each rim, 0.1 mm on their distance: 0.122, doubled 0.245."""
    engine = twin(
        inlet_head_mm=30.0,
        exhaust_head_mm=30.0,
        heads_apart_mm=34.0,
        inlet_valve_angle_deg=0.0,
        exhaust_valve_angle_deg=0.0,
    )
    found = find_valves_apart(engine, "1", INLET, EXHAUST)
    assert (found.how, found.least_mm) == ("geometry", pytest.approx(4.0, abs=0.01))
    assert found.u95_mm == pytest.approx(
        2 * hypot(0.05, 0.05, 0.1), abs=0.15
    )  # and what 0.25 deg of lean makes


def test_what_is_not_given_or_cannot_be_is_refused() -> None:
    with pytest.raises(Refusal, match="push each valve"):
        find_valves_apart(twin(inlet_head_mm=30.0), "1", INLET, EXHAUST)
    with pytest.raises(Refusal, match="cannot be"):
        find_valves_apart(twin(), "1", INLET, EXHAUST, ValvesTouched(0.0, 0.0, 3.0))
    with pytest.raises(Refusal, match="cannot be"):
        find_valves_apart(twin(), "1", INLET, EXHAUST, ValvesTouched(180.0, 3.0, 3.0))


@pytest.mark.parametrize(
    ("makers", "shops", "least", "whose"),
    [
        (2.2, 1.8, 2.2, "engine maker"),
        (None, 1.8, 1.8, "the shop"),
        (None, None, 1.5, "common practice"),  # common practice, no source
    ],
)
def test_the_makers_least_goes_before_the_shops_and_that_before_the_usual(
    makers: float | None, shops: float | None, least: float, whose: str
) -> None:
    engine, touched = twin(valve_to_valve_mm=makers), ValvesTouched(0.0, 3.0, 3.0)
    found = find_valves_apart(engine, "1", INLET, EXHAUST, touched, shop_minimum_mm=shops)
    assert (found.minimum_mm, found.minimum_from) == (least, whose)

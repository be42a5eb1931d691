"""The valve-to-piston map against parts that are pushed until they touch, and what it refuses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.base import Refusal
from analysis.clearance import DropMeasured, Pushed, piston_map
from analysis.timing import Lobe, StoredLift
from tests.analysis.timing.test_valve_to_piston import TARN, Metal, brute_least, lobe_mm, stored

CENTRES = {"inlet": 108.0, "exhaust": 612.0}
OFFSETS = {"1": 0.0, "3": 180.0, "4": 360.0, "2": 540.0}
SHIFTS = np.arange(-20.0, 21.0)


def pushed(metal: Metal, lobe: Lobe, taken_at: float = 0.0, moved: float = 0.0) -> Pushed:
    """Push a valve of a cylinder onto its piston; its cam is moved later since."""
    centre, offset = CENTRES[lobe.valve], OFFSETS[lobe.cylinder]
    drop = metal.travel_to_touch(taken_at)[0] - float(lobe_mm(taken_at, centre))
    measured = DropMeasured(lobe, (taken_at + offset) % 720, drop, crown="pocket")
    then = stored((centre + offset) % 720)
    return Pushed(measured, then, stored((centre + offset + moved) % 720) if moved else then)


def all_pushed() -> tuple[dict[str, Metal], dict[Lobe, Pushed]]:
    metals = {cylinder: Metal(0.0, True, 4.0 + 0.2 * at) for at, cylinder in enumerate(OFFSETS)}
    lobes = [Lobe(cylinder, valve) for cylinder in OFFSETS for valve in ("inlet", "exhaust")]
    return metals, {lobe: pushed(metals[lobe.cylinder], lobe) for lobe in lobes}


def test_every_place_of_the_map_is_what_the_nearer_valve_of_the_metal_leaves():
    metals, known = all_pushed()
    maps = piston_map(TARN, known)
    assert [one.cylinder for one in maps] == list(TARN.cylinders)
    for one in maps:
        assert one.spare_mm.shape == (41, 41)
        for inlet, exhaust in ((-20, 20), (-7, 3), (0, 0), (15, -20), (11, 12)):
            metal = metals[one.cylinder]
            left = min(
                brute_least(metal, CENTRES["inlet"], inlet) - 2.0,
                brute_least(metal, CENTRES["exhaust"], exhaust) - 2.5,
            )
            # Far from its piston a valve is nearest as it just opens: told to a quarter degree there.
            near = 0.006 if left < 1.5 else 0.05
            assert one.spare_mm[inlet + 20, exhaust + 20] == pytest.approx(left, abs=near)


def test_the_wall_stands_where_the_metal_leaves_the_least_allowed():
    metals, known = all_pushed()
    edge = piston_map(TARN, known)[0].inlet
    assert edge is not None
    assert edge.earlier is not None
    wall = edge.earlier
    assert wall.shift_deg is not None
    assert brute_least(metals["1"], CENTRES["inlet"], wall.shift_deg) == pytest.approx(2.0, abs=0.006)
    left, u95 = edge.least_at(wall.sure_deg)
    assert left - u95 == pytest.approx(2.0, abs=0.002)
    assert wall.shift_deg < wall.sure_deg < 0
    assert edge.later is None
    assert "used up" in edge.sentence


def test_a_cam_moved_since_the_push_is_placed_by_its_own_new_curve():
    metal, lobe = Metal(0.0, True, 8.0), Lobe("1", "inlet")
    edge = piston_map(TARN, {lobe: pushed(metal, lobe, 5.0, moved=-4.0)})[0].inlet
    assert edge is not None
    for shift in (-10, 0, 10):
        true = brute_least(metal, CENTRES["inlet"], shift - 4.0)
        assert edge.least_mm[shift + 20] == pytest.approx(true, abs=0.006)


def test_a_gap_that_is_too_small_already_has_its_wall_where_the_cam_stands():
    metal, lobe = Metal(0.0, True, 2.6), Lobe("1", "inlet")
    edge = piston_map(TARN, {lobe: pushed(metal, lobe)})[0].inlet
    assert edge is not None
    assert edge.call == "out"
    assert (edge.earlier.shift_deg, edge.later.sure_deg) == (0.0, 0.0)
    assert "Do not turn it" in edge.sentence


def test_what_is_missing_is_told_by_code_and_the_rest_is_mapped():
    lobe = Lobe("1", "inlet")
    crank = np.arange(60.0, 160.0)
    part = StoredLift(crank, lobe_mm(crank, 612.0))
    known = {
        lobe: pushed(Metal(0.0, True, 8.0), lobe),
        Lobe("1", "exhaust"): Pushed(DropMeasured(Lobe("1", "exhaust"), 0.0, 4.0), part, part),
    }
    first, second, *_ = piston_map(TARN, known)
    assert first.inlet is not None
    assert first.exhaust is None
    assert first.spare_mm.size == 0
    assert first.why_not[Lobe("1", "exhaust")].code == "curve_not_whole"
    assert {why.code for why in second.why_not.values()} == {"not_pushed"}


@pytest.mark.parametrize("lacking", [{"stroke_mm": None}, {"rod_mm": None}])
def test_an_engine_without_its_geometry_is_refused(lacking):
    lobe = Lobe("1", "inlet")
    with pytest.raises(Refusal, match="no_piston_motion"):
        piston_map(replace(TARN, **lacking), {lobe: pushed(Metal(0.0, True, 8.0), lobe)})


def test_the_interval_holds_the_metal_in_about_95_of_100():
    """Push, crank, true TDC and curve each off by chance as they are stated; 200 here, 1,000 in the benchmark."""
    from tests.benchmarks.piston_map import coverage

    assert 0.90 <= coverage(200) <= 0.99

"""Signs of the crank train: the pin's side, firing intervals and banks, each worked out by hand beside its check.

Nothing here is made by the simulator. Angles are crank degrees, late is positive.
"""

from __future__ import annotations

from math import asin, cos, degrees, radians, sin, sqrt

import numpy as np
import pytest
from trade_jobs import engine_of, facts

from analysis.base import GaugeFacts, TdcSettings
from analysis.clearance import piston_below_top_mm
from analysis.tdc.fit import OFFSET
from analysis.tdc.prior import piston_prior
from analysis.timing import (
    Cam,
    CamCard,
    Job,
    LobeCard,
    LobeMeasured,
    TdcMeasured,
    lobe_error,
    told_from_own_tdc,
)
from analysis.timing.slider_crank import top_after_upright_deg

# ---------------------------------------------------------------- pin offset


def pin_height_mm(throw_deg: float, pin_left_mm: float) -> float:
    """Stroke 80, rod 140, seen turning clockwise: where a rod from the throw meets the line the pin runs on.

    Plain geometry: x to the right, y up. After the top the throw falls to the right; gas then pushes the piston to the
    left, which is the thrust side.
    """
    x, y = 40 * sin(radians(throw_deg)), 40 * cos(radians(throw_deg))
    return y + sqrt(140**2 - (x + pin_left_mm) ** 2)


@pytest.mark.parametrize(
    ("to_thrust_mm", "top_deg"),
    # asin(e / 180): 1.5 mm 0.47747, 0.8 mm 0.25465, 8 mm 2.54735; before the upright to the thrust side.
    [(1.5, -0.47747), (-1.5, 0.47747), (0.8, -0.25465), (-0.8, 0.25465), (8.0, -2.54735), (0.0, 0.0)],
)
def test_a_pin_to_the_thrust_side_is_highest_before_the_throw_is_upright(to_thrust_mm, top_deg):
    assert top_after_upright_deg(40, 140, to_thrust_mm) == pytest.approx(top_deg, abs=1e-4)
    angles = np.linspace(-4, 4, 8001)
    by_drawing = angles[np.argmax([pin_height_mm(angle, to_thrust_mm) for angle in angles])]
    assert by_drawing == pytest.approx(top_deg, abs=2e-3)


@pytest.mark.parametrize("to_thrust_mm", [1.5, -1.5])
@pytest.mark.parametrize("after_deg", [-90.0, -30.0, 20.0, 90.0, 150.0])
def test_the_piston_of_an_offset_pin_stands_where_a_drawing_has_it(to_thrust_mm, after_deg):
    stroke = sqrt(180**2 - 1.5**2) - sqrt(100**2 - 1.5**2)
    engine = engine_of(stroke_mm=stroke, rod_mm=140.0, pin_offset_mm=to_thrust_mm, pin_side_known=True)
    top_deg = -degrees(asin(to_thrust_mm / 180))
    fallen = sqrt(180**2 - 1.5**2) - pin_height_mm(after_deg + top_deg, to_thrust_mm)
    assert piston_below_top_mm(engine, np.array([after_deg]))[0] == pytest.approx(fallen, abs=1e-6)


# A multibody code (exudyn 1.13, PyPI: Rigid2D bodies and RevoluteJoint2D, static solve), throw 40, rod 140: its pin
# stands 1.5 mm to +y, where the throw goes after the top: away from the thrust side.
@pytest.mark.parametrize(
    ("throw_deg", "distance_mm"),
    [(0.0, 179.991964), (20.0, 177.056798), (90.0, 134.602192), (180.0, 99.991964), (-30.0, 172.980273)],
)
def test_the_drawing_is_the_multibody_codes(throw_deg, distance_mm):
    assert pin_height_mm(throw_deg, -1.5) == pytest.approx(distance_mm, abs=1e-6)
    assert pin_height_mm(-throw_deg, 1.5) == pytest.approx(distance_mm, abs=1e-6)


@pytest.mark.parametrize(
    ("pin", "crank", "pin_from_crank"), [(1.5, None, 1.5), (None, 10, -10), (1, 1, 0), (0.8, -4, 4.8)]
)
def test_a_crank_set_off_to_one_side_is_a_pin_set_off_to_the_other(pin, crank, pin_from_crank):
    engine = engine_of(pin_offset_mm=pin, crank_offset_mm=crank, pin_side_known=True)
    assert engine.offset_mm == pytest.approx(pin_from_crank)


@pytest.mark.parametrize("e", [1.5, -1.5])
def test_a_side_that_nobody_knows_is_held_by_the_interval(e):
    """Both sides are as likely: middle none, and an uncertainty of the whole offset over the throw, 1.5 / 40."""
    unknown = piston_prior(TdcSettings(80.0, 140.0, e, pin_side_known=False), GaugeFacts())
    known = piston_prior(TdcSettings(80.0, 140.0, e), GaugeFacts())
    assert unknown.mean[OFFSET] == 0
    assert unknown.sd[OFFSET] == pytest.approx(1.5 / 40, rel=0.01)
    assert known.mean[OFFSET] == pytest.approx(e / 40, rel=0.01)
    assert not engine_of(pin_offset_mm=e).offset_side_known  # as engines kept before the side was asked
    assert engine_of(pin_offset_mm=0.0).offset_side_known


# ---------------------------------------------------------------- firing intervals and banks


@pytest.mark.parametrize(
    ("intervals", "offset"),
    [
        ((315, 405), 315),
        ((405, 315), 405),
        ((270, 450), 270),
        ((450, 270), 450),
        ((360, 360), 360),
        ((), 360),
    ],
)
@pytest.mark.parametrize("valve", ["inlet", "exhaust"])
def test_a_twins_second_cylinder_is_told_from_its_own_tdc(intervals, offset, valve):
    """Twins on one crankpin, common practice, no source. Card 108: the inlet 108 after, the exhaust 108 before."""
    engine = engine_of("1", "2", firing_intervals_deg=tuple(map(float, intervals)))
    half = LobeCard(108, 1.27)
    job = Job("HL-1", engine, CamCard("Fell 248", "full_lift", half, half))
    at = offset + (108 if valve == "inlet" else -108)
    for late in (0.0, 3.0, -3.0):
        found = lobe_error(job, LobeMeasured("2", valve, (at + late) % 720, 1.27, 0.1))
        assert (found.error_deg, found.measured) == (
            pytest.approx(late),
            pytest.approx(108 + late if valve == "inlet" else 108 - late),
        )


def test_a_vee_six_is_told_by_each_cylinders_own_tdc_whatever_its_bank():
    """Ninety degrees between banks, pins of 120: fires at 90 and 150 in turn. Counted along the order."""
    names = ("A1", "B1", "A2", "B2", "A3", "B3")
    engine = engine_of(*names, firing_intervals_deg=(90.0, 150.0) * 3)
    assert [engine.firing_offset_deg(name) for name in names] == [0, 90, 240, 330, 480, 570]
    assert engine.tdcs_deg() == (0, 90, 120, 210, 240, 330)


@pytest.mark.parametrize("late_bank", [0.4, -0.4])
def test_a_bank_is_told_from_its_own_tdc(late_bank):
    """Bank B comes 0.4 after (or before) its 90 degrees. A lobe at 108 after B1's own top is on its card."""
    cams = tuple(Cam(f"{bank} inlet", ("inlet",), (f"{bank}1", f"{bank}2")) for bank in "AB")
    names = ("A1", "B1", "A2", "B2")
    engine = engine_of(*names, cams=cams, firing_intervals_deg=(90.0, 270.0, 90.0, 270.0))
    job = Job("HL-6", engine, CamCard("Fell 248", "full_lift", LobeCard(108, 1.27)))
    tops = facts(TdcMeasured("A1", 77.0, 0.05), TdcMeasured("B1", (77.0 + 90 + late_bank) % 360, 0.05))
    for cylinder, top in (("A1", 0.0), ("B1", 90 + late_bank), ("A2", 360.0), ("B2", 450 + late_bank)):
        on_its_card = LobeMeasured(cylinder, "inlet", top + 108, 1.27, 0.1)
        assert lobe_error(told_from_own_tdc(job, tops), on_its_card).error_deg == pytest.approx(0.0, abs=1e-9)
    assert lobe_error(
        job, LobeMeasured("B1", "inlet", 198 + late_bank, 1.27, 0.1)
    ).error_deg == pytest.approx(late_bank)


def test_a_bank_whose_tdc_is_far_off_keeps_its_intervals():
    engine = engine_of("1", "2", firing_intervals_deg=(315.0, 405.0))
    job = Job("HL-6", engine, CamCard("Fell 248", "full_lift", LobeCard(108, 1.27)))
    tops = facts(TdcMeasured("1", 0.0, 0.05), TdcMeasured("2", 0.0, 0.05))  # 45 off: the gauge was still on 1
    assert told_from_own_tdc(job, tops) == job

"""Lobes of published equations and measured figures, sampled as traces and measured back.

Every trace goes through `analysis.lift_curve.find_lobe`, the lag unknown, as readings of a turned crank.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator
from scipy.optimize import fsolve

from analysis.base import GaugeFacts, LobeResult, LobeSettings
from analysis.lobe import find_lobe

INCH = 25.4

# -- A production lobe: stock Ford Model T (inlet and exhaust alike).
# Fahnestock, "Murray on cams", Tables 1 and 2, reprinted in Model T Speed Secrets: lift in inches by crank
# degrees from the centre; flank 0.8541 [1 - cos(68.57 - |f|)], nose 0.2502 - 0.6250 (1 - cos f), joined at
# 40.3, f in cam degrees; durations in crank degrees by check lift, within 0.11 of the equations.
FORD_TABLE_IN = {
    0: 0.2502, 20: 0.2407, 40: 0.2125, 60: 0.1665, 80: 0.1040, 100: 0.0445, 120: 0.0095, 130: 0.0017,
}  # fmt: skip
FORD_DURATION_DEG = {
    0.010: 239.2, 0.015: 231.2, 0.020: 224.6, 0.025: 218.7,
    0.030: 213.4, 0.040: 203.8, 0.050: 195.5, 0.065: 184.2,
}  # fmt: skip
FORD_CENTRE_DEG = 121.75
PUBLISHED_WITHIN_DEG = 0.11


def ford_lift_in(from_centre_deg):
    """The published equations, by crank degrees from the centre."""
    cam = np.abs(from_centre_deg) / 2
    flank = 0.8541 * (1 - np.cos(np.radians(np.maximum(68.57 - cam, 0.0))))
    return np.where(cam < 40.3, 0.2502 - 0.6250 * (1 - np.cos(np.radians(cam))), flank)


def around(crank_deg, centre_deg):
    return (np.asarray(crank_deg) - centre_deg + 360) % 720 - 360


def test_the_published_equations_give_the_published_table():
    for deg, lift in FORD_TABLE_IN.items():
        assert float(ford_lift_in(deg)) == pytest.approx(lift, abs=1.2e-4)


@pytest.fixture(scope="module")
def ford(sample_lobe) -> LobeResult:
    streams = sample_lobe(lambda crank: INCH * ford_lift_in(around(crank, FORD_CENTRE_DEG)), 1)
    lifts = tuple(INCH * lift for lift in FORD_DURATION_DEG)
    return find_lobe(streams, LobeSettings(check_lifts_mm=lifts), GaugeFacts())


@pytest.mark.parametrize(("place", "lift_in"), list(enumerate(FORD_DURATION_DEG)))
def test_a_production_lobe_has_its_published_duration_at_each_check_lift(ford, place, lift_in):
    event = ford.events[place]
    assert event.lift_mm == pytest.approx(INCH * lift_in)
    own = 2 * np.hypot(event.u_opens_deg, event.u_closes_deg)
    assert event.duration_deg == pytest.approx(FORD_DURATION_DEG[lift_in], abs=PUBLISHED_WITHIN_DEG + own)
    assert own < 0.5, "an interval wide enough to hold anything proves nothing"


def test_a_production_lobe_has_its_published_lift_and_is_symmetric(ford):
    assert ford.peak_lift_mm == pytest.approx(INCH * 0.2502, abs=0.005)
    assert ford.centre_deg == pytest.approx(FORD_CENTRE_DEG, abs=1.5 * ford.u95_deg), "three standard errors"
    assert ford.u95_deg < 0.2
    assert abs(ford.asymmetry_deg) < 2 * ford.full_lift_u_deg + ford.u95_deg


@pytest.mark.parametrize("from_centre", sorted(FORD_TABLE_IN))
def test_a_production_lobe_has_its_published_lift_by_degree(ford, from_centre):
    for side in (-1, 1):
        at = (FORD_CENTRE_DEG + side * from_centre) % 720
        found = np.interp(at, ford.curve.crank_deg, ford.curve.lift_mm)
        assert found / INCH == pytest.approx(FORD_TABLE_IN[from_centre], abs=4e-4)


# -- Measured lift of the fuel-rating engine, no clearance: Choi, Kolodziej, Wallner, Hoth, SAE 2018-01-0848
# (OSTI 1501884), Fig. 3. Crank degrees, 0 = firing TDC; lifts in inches. Between the figures the flanks are ours.
CFR_PEAK_IN = 0.2363
CFR_EVENTS_DEG = {0.008: (-344.19, -152.92), 0.054: (-329.40, -169.14)}
CFR_CENTRE_DEG = {0.008: -248.56, 0.050: -249.28, 0.100: -249.27, 0.200: -249.03, 0.220: -248.83}


@cache
def cfr_curve():
    """Crank degrees and lifts (in) of a lobe through the published points."""
    (low, high) = CFR_EVENTS_DEG
    half = {lift: (closes - opens) / 2 for lift, (opens, closes) in CFR_EVENTS_DEG.items()}

    def lift_at(width, reach, power):
        return CFR_PEAK_IN * ((1 + np.cos(np.pi * width / reach)) / 2) ** power

    reach, power = fsolve(lambda p: [lift_at(half[one], *p) / one - 1 for one in (low, high)], [120.0, 1.2])
    width = np.linspace(0.0, reach, 2001)
    lift = lift_at(width, reach, power)
    events = {one: sum(pair) / 2 for one, pair in CFR_EVENTS_DEG.items()}
    known = dict(sorted((CFR_CENTRE_DEG | events).items()))
    lifts, centres = [0.0, *known, CFR_PEAK_IN], [*known.values()]
    middle = PchipInterpolator(lifts, [centres[0], *centres, centres[-1]])(lift)
    opening, closing = middle - width, middle + width
    return np.concatenate([opening[::-1], closing[1:]]), np.concatenate([lift[::-1], lift[1:]])


@pytest.fixture(scope="module")
def cfr(sample_lobe) -> LobeResult:
    """Measured in degrees after the firing TDC, which is put at 137 deg of the trace."""
    crank_deg, lift_in = cfr_curve()
    tdc_deg = 137.0

    def lift_mm(crank):
        return INCH * np.interp(around(crank, tdc_deg), crank_deg, lift_in, left=0.0, right=0.0)

    drops = tuple(INCH * (CFR_PEAK_IN - lift) for lift in CFR_CENTRE_DEG)
    settings = LobeSettings(
        tdc_deg=tdc_deg,
        drop_mm=INCH * (CFR_PEAK_IN - 0.100),
        drops_mm=drops,
        check_lifts_mm=tuple(INCH * lift for lift in CFR_EVENTS_DEG),
    )
    return find_lobe(sample_lobe(lift_mm, 2), settings, GaugeFacts())


def test_the_rating_engines_peak_lift_is_the_measured_one_and_within_its_standard(cfr):
    """ASTM D2699-15a (second hand): lift 0.238 +- 0.002 in."""
    assert cfr.peak_lift_mm / INCH == pytest.approx(CFR_PEAK_IN, abs=2e-4)
    assert cfr.peak_lift_mm / INCH == pytest.approx(0.238, abs=0.002)


@pytest.mark.parametrize(("place", "lift_in"), list(enumerate(CFR_EVENTS_DEG)))
def test_the_rating_engine_opens_and_closes_where_it_was_measured(cfr, place, lift_in):
    event = cfr.events[place]
    opens, closes = CFR_EVENTS_DEG[lift_in]
    assert around(event.opens_deg, opens) == pytest.approx(0.0, abs=0.05 + 2 * event.u_opens_deg)
    assert around(event.closes_deg, closes) == pytest.approx(0.0, abs=0.05 + 2 * event.u_closes_deg)
    assert max(event.u_opens_deg, event.u_closes_deg) < 0.2


def test_the_rating_engine_opens_after_overlap_tdc_as_its_standard_says(cfr):
    """ASTM D2699-15a (second hand): inlet at 0.054 in of lift at 30 +- 2 degrees ATDC."""
    assert (cfr.events[1].opens_deg - 360) % 720 == pytest.approx(30, abs=2)


@pytest.mark.parametrize("lift_in", CFR_CENTRE_DEG)
def test_the_rating_engines_centre_moves_with_lift_as_it_was_measured(cfr, lift_in):
    found = next(one for one in cfr.centres if one.drop_mm == pytest.approx(INCH * (CFR_PEAK_IN - lift_in)))
    off = around(found.centre_deg, CFR_CENTRE_DEG[lift_in])
    assert off == pytest.approx(0.0, abs=0.05 + 2 * found.u_deg)
    assert found.u_deg < 0.25


# -- Handbook cam laws: Norton, Cam Design and Manufacturing Handbook (values computed again): peak velocity and
# peak acceleration of a unit rise; cycloidal rise at five places.
HANDBOOK = {
    "harmonic": (1.5708, 4.9348),
    "cycloidal": (2.0, 6.2832),
    "3-4-5": (1.875, 5.7735),
    "4-5-6-7": (2.1875, 7.5132),
    "modified sine": (1.7596, 5.5280),
}
CYCLOIDAL = {0.1: 0.006451, 0.2: 0.048635, 0.25: 0.090845, 0.3: 0.148635, 0.4: 0.306451}
REACH_DEG, LIFT_MM, NOSE_DEG = 140.0, 9.0, 110.0


def modified_sine(x):
    """From its acceleration, integrated twice: quarter sines of period 1/2 at the ends, 3/2 between."""
    grid = np.linspace(0.0, 1.0, 20_001)
    end = np.sin(4 * np.pi * grid)
    middle = np.cos(4 * np.pi / 3 * (grid - 0.125))
    bend = np.where(grid < 0.125, end, np.where(grid > 0.875, end, middle))
    speed = np.cumsum(bend) - bend / 2
    way = np.cumsum(speed)
    return np.interp(x, grid, way / way[-1])


LAWS = {
    "harmonic": lambda x: np.sin(np.pi * x / 2) ** 2,
    "cycloidal": lambda x: x - np.sin(2 * np.pi * x) / (2 * np.pi),
    "3-4-5": np.polynomial.Polynomial([0, 0, 0, 10, -15, 6]),
    "4-5-6-7": np.polynomial.Polynomial([0, 0, 0, 0, 35, -84, 70, -20]),
    "modified sine": modified_sine,
}


def law_lift_mm(law, crank_deg):
    """A symmetric lobe: the law up over 140 crank degrees, and down."""
    along = np.clip(1 - np.abs(around(crank_deg, NOSE_DEG)) / REACH_DEG, 0.0, 1.0)
    return LIFT_MM * LAWS[law](along)


@pytest.mark.parametrize("law", LAWS)
def test_a_law_has_its_handbook_factors_before_it_is_measured(law):
    x = np.linspace(0.0, 1.0, 4001)
    velocity = np.gradient(LAWS[law](x), x)
    bend = np.gradient(velocity, x)[8:-8]
    assert velocity.max() == pytest.approx(HANDBOOK[law][0], rel=1e-3)
    assert np.abs(bend).max() == pytest.approx(HANDBOOK[law][1], rel=6e-3)


@pytest.fixture(scope="module", params=LAWS)
def measured(request, sample_lobe):
    streams = sample_lobe(lambda crank: law_lift_mm(request.param, crank), 30)
    return request.param, find_lobe(streams, LobeSettings(), GaugeFacts())


def test_a_lobe_of_a_handbook_law_stands_where_it_was_put(measured):
    _, result = measured
    assert result.centre_deg == pytest.approx(NOSE_DEG, abs=1.5 * result.u95_deg), "three standard errors"
    assert result.u95_deg < 0.2
    assert result.peak_lift_mm == pytest.approx(LIFT_MM, abs=0.005)
    assert {warning.code for warning in result.warnings} == {"slack_not_seen"}, "turned forwards only"


def test_a_lobe_of_a_handbook_law_is_as_steep_as_the_handbook_says(measured):
    """The largest slope is peak velocity factor times lift over reach."""
    law, result = measured
    assert result.max_slope_mm_deg * REACH_DEG / LIFT_MM == pytest.approx(HANDBOOK[law][0], rel=0.006)


def test_a_lobe_of_a_handbook_law_has_its_width_at_every_check_lift(measured):
    """Durations from the law by bisection on a fine grid."""
    law, result = measured
    grid = np.linspace(0.0, 1.0, 200_001)
    rise = LIFT_MM * LAWS[law](grid)
    for event in result.events:
        half = REACH_DEG * (1 - float(np.interp(event.lift_mm, rise, grid)))
        within = 0.03 + 2 * np.hypot(event.u_opens_deg, event.u_closes_deg)
        assert event.duration_deg == pytest.approx(2 * half, abs=within)


def test_a_cycloidal_lobe_rises_by_the_handbooks_table(sample_lobe):
    streams = sample_lobe(lambda crank: law_lift_mm("cycloidal", crank), 31)
    curve = find_lobe(streams, LobeSettings(), GaugeFacts()).curve
    for share, rise in CYCLOIDAL.items():
        for side in (-1, 1):
            at = (NOSE_DEG + side * REACH_DEG * (1 - share)) % 720
            u = float(np.interp(at, curve.crank_deg, curve.u_mm))
            found = float(np.interp(at, curve.crank_deg, curve.lift_mm))
            assert found / LIFT_MM == pytest.approx(rise, abs=(0.004 + 3 * u) / LIFT_MM)


# -- Halving, common practice, no source: equal readings at 108 and 128 give a centre of 118; after moving,
# 98 and 118 give 108. The same lobe as readings of a turned crank gives the same centre.
@pytest.mark.parametrize(("before", "after", "centre"), [(108, 128, 118), (98, 118, 108)])
def test_a_lobe_that_halves_to_a_centre_is_measured_at_that_centre(sample_lobe, before, after, centre):
    middle = NOSE_DEG - (before + after) / 2
    streams = sample_lobe(lambda crank: law_lift_mm("3-4-5", crank + middle), 40)
    equal = law_lift_mm("3-4-5", np.array([before, after]) + middle)
    assert equal[0] == pytest.approx(equal[1])
    drop = LIFT_MM - float(equal[0])
    result = find_lobe(streams, LobeSettings(drop_mm=drop, drops_mm=(drop,)), GaugeFacts())
    pair = result.equal_readings[0]
    assert result.centre_deg == pytest.approx(centre, abs=max(result.u95_deg, 0.05))
    assert pair.after_deg - pair.before_deg == pytest.approx(after - before, abs=0.5)

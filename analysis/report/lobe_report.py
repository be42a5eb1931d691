"""What a kept trace of a lobe tells of the cam: lift and duration at check lifts, areas, rates, ramps, symmetry.

Every number is read off the one fitted curve and carries its interval. What is told, and how it is defined:

- **duration**: crank degrees from opening to closing at a check lift above the base circle;
- **area**: under the curve from opening to closing at the check lift, mm times crank degrees;
- **rates**: rise and fall of the valve, mm a crank degree, at the check lift and at the steepest place;
- **ramp**: from `RAMP_FOOT_MM` of lift to where the rate passes a fifth of the flank's steepest; its height is the
  lift there. Where the flank is as fast at its foot there is none;
- **base circle**: how far its reading goes up and down over what was seen of it, as a wave once a turn of the cam;
- **nose asymmetry**: middle of the pair 0.25 mm below full lift, less the middle of the pair a quarter down;
- **flank asymmetry**: closing half less opening half of the duration, counted from full lift.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base import Floats, GaugeFacts, LobeResult, LobeSettings, Refusal, Streams, Warn, limit_u
from analysis.lobe import Measured, Reading, find_lobe_with_fit
from analysis.report.base_circle import base_circle_runout
from analysis.report.kept_profile import KeptProfile, kept_profile
from analysis.report.reading_off import Figure, Flank, ReadingOff

MM_PER_INCH = 25.4
CHECK_LIFTS_MM = (0.1, 0.5, 1.0, 1.27, 2.0, 5.0)
CHECK_LIFTS_IN = (0.01, 0.02, 0.05, 0.1, 0.2, 0.3)
RAMP_FOOT_MM = 0.05
RAMP_SHARE = 0.2
NOSE_DROP_MM = 0.25
_OPENING, _CLOSING = Flank(-1), Flank(1)
_STEP_DEG = 1.0
_CORNER_DEG = 4.0


@dataclass(frozen=True, slots=True)
class AtLift:
    """What is told at one check lift; angles in crank degrees, rates in mm a crank degree, area in mm times degrees."""

    lift_mm: float
    opens_deg: Figure
    closes_deg: Figure
    duration_deg: Figure
    area_mm_deg: Figure
    opening_mm_deg: Figure
    closing_mm_deg: Figure
    flank_asymmetry_deg: Figure


@dataclass(frozen=True, slots=True)
class Ramp:
    """The slow part at the foot of a flank."""

    height_mm: Figure
    length_deg: Figure


@dataclass(frozen=True, slots=True)
class Profile:
    """The curve by crank degree from true TDC: lift, rate, acceleration, each with its standard uncertainty.

    Rates are mm a crank degree, accelerations mm a crank degree squared.
    """

    crank_deg: Floats
    from_full_lift_deg: Floats
    lift_mm: Floats
    lift_u_mm: Floats
    rate_mm_deg: Floats
    rate_u_mm_deg: Floats
    acceleration_mm_deg2: Floats
    acceleration_u_mm_deg2: Floats


@dataclass(frozen=True, slots=True)
class CamReport:
    """All that one kept lobe tells."""

    result: LobeResult
    full_lift_deg: Figure
    peak_lift_mm: Figure
    at_lifts: tuple[AtLift, ...]
    at_inch_lifts: tuple[AtLift, ...]
    area_mm_deg: Figure
    steepest_opening_mm_deg: Figure | None
    steepest_closing_mm_deg: Figure | None
    opening_ramp: Ramp | None
    closing_ramp: Ramp | None
    base_circle_mm: Figure | None
    nose_asymmetry_deg: Figure | None
    profile: Profile
    kept: KeptProfile

    @property
    def warnings(self) -> tuple[Warn, ...]:
        """What the lobe itself is warned of."""
        return self.result.warnings


def report_lobe(streams: Streams, settings: LobeSettings, gauge: GaugeFacts) -> CamReport:
    """Fit a lobe and tell everything of it.

    Raises
    ------
    Refusal
        Where the lobe itself is refused, and `base_circle_not_seen`: lifts are told from the base circle.
    """
    result, found = find_lobe_with_fit(streams, settings, gauge)
    return cam_report(result, found, settings, gauge)


def cam_report(result: LobeResult, found: Measured, settings: LobeSettings, gauge: GaugeFacts) -> CamReport:
    """Read everything off a lobe that has been fitted; see `report_lobe`."""
    fit = found.fit
    if fit.base_mm is None or not (fit.survey.left_seen and fit.survey.right_seen):
        raise Refusal(
            "base_circle_not_seen",
            "The readings do not reach the base circle on both sides of the lobe, and every lift of a report is told "
            "from there. Measure the lobe over two whole turns of the crank.",
        )
    off = ReadingOff(found, settings, gauge)
    full = found.shape.full_lift()
    return CamReport(
        result=result,
        full_lift_deg=Figure(result.full_lift_deg, 2.0 * result.full_lift_u_deg),
        peak_lift_mm=off.figure(found.shape.peak(), ("level", off.level_u_mm)),
        at_lifts=_at_lifts(off, full, CHECK_LIFTS_MM),
        at_inch_lifts=_at_lifts(off, full, tuple(lift * MM_PER_INCH for lift in CHECK_LIFTS_IN)),
        area_mm_deg=_whole_area(off),
        steepest_opening_mm_deg=_steepest(off, _OPENING),
        steepest_closing_mm_deg=_steepest(off, _CLOSING),
        opening_ramp=_ramp(off, _OPENING),
        closing_ramp=_ramp(off, _CLOSING),
        base_circle_mm=base_circle_runout(fit),
        nose_asymmetry_deg=_nose_asymmetry(off),
        profile=_profile(off, full.value),
        kept=kept_profile(found, settings, gauge),
    )


def _at_lifts(off: ReadingOff, full: Reading, lifts_mm: tuple[float, ...]) -> tuple[AtLift, ...]:
    return tuple(one for lift in lifts_mm if (one := at_lift(off, full, lift)) is not None)


def at_lift(off: ReadingOff, full: Reading, lift_mm: float) -> AtLift | None:
    """Tell all of one check lift; `None` where the lobe does not pass it on both flanks."""
    opens, closes = (off.shape.at_level(lift_mm, side, False) for side in (-1, 1))
    if opens is None or closes is None:
        return None
    rise, fall = off.slope(opens, _OPENING), off.slope(closes, _CLOSING)
    early, late = off.level_u_mm / rise.value, off.level_u_mm / fall.value
    stick = tuple(2.0 * off.gauge.stick_mm[1] / slope.value for slope in (rise, fall))
    duration = Reading(closes.value - opens.value, closes.gradient - opens.gradient)
    halves = Reading(
        closes.value + opens.value - 2.0 * full.value,
        closes.gradient + opens.gradient - 2.0 * full.gradient,
    )
    turn = ("encoder", off.turn_u_deg(opens.value, closes.value))
    retrace = ("retrace", max(stick))
    return AtLift(
        lift_mm=lift_mm,
        opens_deg=_placed(off, opens, early, stick[0]),
        closes_deg=_placed(off, closes, late, stick[1]),
        duration_deg=off.figure(duration, ("level", early + late), retrace, turn),
        area_mm_deg=_area(off, opens, closes, lift_mm),
        opening_mm_deg=_rate(off, opens, rise, early),
        closing_mm_deg=_rate(off, closes, fall, late),
        flank_asymmetry_deg=off.figure(halves, ("level", late - early), retrace, turn),
    )


def _placed(off: ReadingOff, at: Reading, level_deg: float, stick_deg: float) -> Figure:
    others = (("level", level_deg), ("retrace", stick_deg), ("true TDC", off.from_tdc_u_deg(at.value)))
    told = off.figure(at, *others)
    return Figure(off.crank_deg(at.value), told.u95)


def _rate(off: ReadingOff, at: Reading, rate: Reading, level_deg: float) -> Figure:
    return off.figure(rate, ("level", off.derivative(at.value, 2) * level_deg))


def _area(off: ReadingOff, opens: Reading, closes: Reading, lift_mm: float) -> Figure:
    row = off.area_row(opens.value, closes.value)
    value = float(row[: off.fit.basis.size] @ off.fit.coefficients)
    moved = row + lift_mm * (closes.gradient - opens.gradient)
    wide = closes.value - opens.value
    slopes = sum(1.0 / abs(off.derivative(at.value, 1)) for at in (opens, closes))
    level = off.level_u_mm * (wide + lift_mm * slopes)
    stick = 2.0 * off.gauge.stick_mm[1] * (0.5 * wide + lift_mm * slopes)
    turn = lift_mm * off.turn_u_deg(opens.value, closes.value)
    return off.figure(Reading(value, moved), ("level", level), ("retrace", stick), ("encoder", turn))


def _whole_area(off: ReadingOff) -> Figure:
    basis = off.fit.basis
    row = off.area_row(basis.first_deg, basis.last_deg)
    value = float(row[: basis.size] @ off.fit.coefficients)
    wide = off.found.fit.survey.lobe_deg[1] - off.found.fit.survey.lobe_deg[0]
    stick = off.gauge.stick_mm[1] * wide
    return off.figure(Reading(value, row), ("level", off.level_u_mm * wide), ("retrace", stick))


def _steepest(off: ReadingOff, flank: Flank) -> Figure | None:
    found = off.steepest(flank)
    if found is None:
        return None
    at, most = found
    # Lobes of arcs have a corner in their rate there, and a smooth curve cuts corners: at most by what the rates on
    # either side would meet at, were they straight.
    met = max(
        flank.rising * (off.derivative(at + way, 1) - way * off.derivative(at + way, 2))
        for way in (-_CORNER_DEG, _CORNER_DEG)
    )
    return off.figure(most, ("corner cut off", limit_u(max(met - most.value, 0.0))))


def _ramp(off: ReadingOff, flank: Flank) -> Ramp | None:
    """From the foot up to where the slope passes a share of the steepest; `None` where the two do not lie so."""
    foot, steep = off.shape.at_level(RAMP_FOOT_MM, flank.side, False), off.steepest(flank)
    if foot is None or steep is None:
        return None
    at, most = steep
    top = off.where_slope_passes(RAMP_SHARE * most.value, at, flank)
    if top is None or flank.side * (foot.value - top) <= 0.0:
        return None
    bend = off.derivative(top, 2)
    row, rise = off.rows(np.array([top]), 1)[0], off.derivative(top, 1)
    if bend == 0.0:
        return None
    moved = (RAMP_SHARE * flank.rising * most.gradient - row) / bend
    height = Reading(off.shape.at(top)[0], off.rows(np.array([top]))[0] + rise * moved)
    length = Reading(flank.side * (foot.value - top), flank.side * (foot.gradient - moved))
    slope = abs(off.derivative(foot.value, 1))
    level = ("level", off.level_u_mm / slope)
    retrace = ("retrace", 2.0 * off.gauge.stick_mm[1] / slope)
    return Ramp(off.figure(height, ("level", off.level_u_mm)), off.figure(length, level, retrace))


def _nose_asymmetry(off: ReadingOff) -> Figure | None:
    near = off.shape.centre_at_drop(NOSE_DROP_MM)
    far = off.shape.centre_at_drop(0.25 * off.shape.peak_mm)
    if near is None or far is None:
        return None
    slopes = [abs(off.shape.slope_at(off.shape.peak_mm - NOSE_DROP_MM, side)) for side in (-1, 1)]
    stick = off.gauge.stick_mm[1] * sum(0.5 / slope for slope in slopes if slope > 0.0)
    return off.figure(Reading(near.value - far.value, near.gradient - far.gradient), ("retrace", stick))


def _profile(off: ReadingOff, full_deg: float) -> Profile:
    basis = off.fit.basis
    first, last = np.ceil(basis.first_deg - full_deg), np.floor(basis.last_deg - full_deg)
    around: Floats = np.arange(first, last + 1.0, _STEP_DEG)
    phase = around + full_deg
    (lift, lift_u), (rate, rate_u), (bend, bend_u) = (off.band(phase, order) for order in range(3))
    crank = np.mod(phase + off.fit.survey.start_deg - off.settings.tdc_deg, 720.0)
    return Profile(crank, around, lift, np.hypot(lift_u, off.base_u_mm), rate, rate_u, bend, bend_u)

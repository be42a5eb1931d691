"""What a lobe's fit gives away of faults: refused with what was seen, when, and what to do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, LobeSettings, Refusal
from analysis.curve import ForwardReadings, LagPrior, LobeFit
from analysis.lobe.changes import Change, PassScatter, ResidualPatterns, by_chance
from analysis.lobe.corners import REACH_DEG, Breaks, find_breaks
from analysis.lobe.passes import HandPasses, PassFit, passes_by_hand
from analysis.lobe.shape import LobeShape
from analysis.readings import CrankMotion

_CYCLE_DEG = 720.0
_LIKELY_LAG_S = (0.0, 0.2)
_LEAST_LAG_S, _MOST_LAG_S, _KNOWN_LAG_U = -0.03, 0.25, 4.0
_LAG_SPREAD_S = 0.15
_APART_DEG = 4.0
_NARROWEST_DEG, _WIDEST_DEG = 70.0, 300.0

_SURE = 40.0
_PASSES_APART_DEG = 0.5
_JUMP_DEG = 0.4
_STAND_MM, _STAND_STEPS = 0.05, 5.0
_SCALE_SHARE = 0.03
_SUNK_MM = 0.05
_NOSE_BEND_MM_DEG2 = 0.006

_FAR, _FAR_MM = 5.0, 0.02
_MOST_FAR_SHARE = 0.04
_MOST_FAR = 6

_BREAK_SURE = 50.0
_FOOT_MM = 0.5
_NOSE_DROP_MM = 2.5
# On the nose and on the flanks: lobes bend the more, the farther from the nose. So much is allowed of one ten millimetres
# high and 106 crank degrees wide at half its height; a higher or narrower one bends the more, all along.
_CORNER_MM_DEG = (0.025, 0.06)
_STEP_MM = (0.03, 0.15)
_USUAL_BEND_MM_DEG2 = 10.0 / 53.0**2
_NEAR_TDC_DEG = 60.0
_BESIDE_NOSE_DEG = 10.0
_AS_GOOD = 0.67


@dataclass(frozen=True, slots=True)
class FitChecks:
    """All that is asked before a number is given."""

    motion: CrankMotion
    readings: ForwardReadings
    fit: LobeFit
    shape: LobeShape
    passes: tuple[PassFit, ...]
    prior: LagPrior


def refuse_faulty_fit(seen: FitChecks, settings: LobeSettings) -> PassScatter:
    """Refuse a fit whose residuals, passes or curve tell of a fault.

    Returns
    -------
    PassScatter
        How the passes agree, where nothing is refused.

    Raises
    ------
    Refusal
        As the three questions that it consists of.
    """
    hand = refuse_by_hand(seen)
    scatter = refuse_by_memory(seen, hand)
    refuse_by_curve(seen, settings)
    return scatter


def refuse_by_hand(seen: FitChecks) -> HandPasses:
    """Ask the passes as a builder would take them by hand.

    Raises
    ------
    Refusal
        `turn_not_720`, `lobe_jumped`, `follower_bleeds`.
    """
    fit = seen.fit
    hand = passes_by_hand(seen.motion, seen.readings, float(np.clip(fit.lag_s, *_LIKELY_LAG_S)))
    _refuse_spacing(hand, _half_open_deg(seen), fit.base_mm is not None)
    _refuse_sinking(hand, fit.noise.step_mm)
    return hand


def refuse_by_memory(seen: FitChecks, hand: HandPasses) -> PassScatter:
    """Ask the residuals for what they remember.

    Raises
    ------
    Refusal
        `turn_not_720`, `passes_disagree`, `lobe_jumped`, `stand_moved`, `scale_changed`, `follower_bleeds`,
        `lag_absurd`, `does_not_fit`.
    """
    memory = ResidualPatterns(seen.fit, seen.readings.time_s, seen.prior.wander_s * seen.readings.through)
    scatter = memory.between(seen.passes, seen.prior)
    _refuse_memory(seen, memory, scatter, hand)
    _refuse_lag(seen.fit, seen.prior)
    _refuse_misfit(seen.fit, seen.motion.count_deg)
    return scatter


def refuse_by_curve(seen: FitChecks, settings: LobeSettings) -> None:
    """Ask the curve for corners and steps.

    Raises
    ------
    Refusal
        `spring_drives_cam`, `plunger_at_stop`, `valve_on_piston`, `corner_in_curve`.
    """
    _refuse_breaks(seen, find_breaks(seen.fit), settings)


def _refuse_spacing(hand: HandPasses, curve_deg: float, whole: bool) -> None:
    """From pass to pass the crank turns whole cycles, whatever the lag, but for what speeds make of a lag.

    Where readings are too few to tell how wide a pass is by hand, the curve tells it.
    """
    told = len(hand.width_deg) > 0
    odd = float(np.median(hand.width_deg)) if told else curve_deg
    if odd > _WIDEST_DEG or (told and whole and odd < _NARROWEST_DEG):
        raise Refusal(
            "turn_not_720",
            f"The valve would be open half its lift or more over {odd:.0f} crank degrees, which no cam does: "
            "check the counts a turn in the bench file, and that the encoder sits on the crank.",
        )
    gone = np.diff(hand.centre_deg)
    over = gone - _CYCLE_DEG * np.round(gone / _CYCLE_DEG)
    room = _APART_DEG + _LAG_SPREAD_S * np.abs(np.diff(hand.speed_deg_s))
    room += 0.5 * (hand.spacing_deg[1:] + hand.spacing_deg[:-1])
    if not len(over) or float(np.max(np.abs(over) - room)) <= 0.0:
        return
    raise _spacing_refusal(over, float(hand.start_s[int(np.argmax(np.abs(over) - room)) + 1]))


def _refuse_sinking(hand: HandPasses, step_mm: float) -> None:
    """Full lift that falls from pass to pass by more than readings beside the nose can make of it."""
    if len(hand.peak_mm) < 2:
        return
    missed = 0.5 * _NOSE_BEND_MM_DEG2 * float(hand.spacing_deg.max()) ** 2
    room = _SUNK_MM + 3.0 * step_mm + missed
    fallen = -np.diff(hand.peak_mm)
    if float(fallen.sum()) > room and bool(np.all(fallen > -0.3 * room)):
        raise _sunk_refusal(float(fallen.sum()), hand)


def _spacing_refusal(over: np.ndarray[tuple[int], np.dtype[np.float64]], at_s: float) -> Refusal:
    usual = float(np.median(over))
    steady = bool(np.all(np.abs(over - usual) < 0.3 * abs(usual) + 1.0))
    if steady:
        return Refusal(
            "turn_not_720",
            f"From one full lift to the next the encoder counted {_CYCLE_DEG + usual:.1f} degrees instead of "
            "720: check the counts a turn in the bench file, then the encoder's coupling and cable for missed "
            "counts.",
        )
    return Refusal(
        "lobe_jumped",
        f"At about {at_s:.1f} s the lobe came {over[np.argmax(np.abs(over))]:+.1f} degrees from where the pass "
        "before had it: the drive jumped, the pulley or the encoder slipped; find which, then measure again.",
    )


def _refuse_memory(seen: FitChecks, memory: ResidualPatterns, scatter: PassScatter, hand: HandPasses) -> None:
    """Of all that can have changed between passes, refuse the likeliest."""
    fit = seen.fit
    step_mm = fit.noise.step_mm
    found: list[tuple[float, Refusal]] = []
    apart, wander = _apart(seen, scatter), _wander_deg(seen)
    if apart > _PASSES_APART_DEG + wander and scatter.chi_square > by_chance(scatter.freedom) + _SURE:
        found.append((scatter.chi_square, _passes_refusal(seen, memory, scatter, apart)))
    later = memory.change(memory.moved_later)
    felt = later.largest_mm > _STAND_MM + _STAND_STEPS * step_mm
    if (
        felt
        and abs(later.size) > _JUMP_DEG + wander
        and later.chi_square > max(_SURE, 1.1 * scatter.chi_square)
    ):
        found.append((later.chi_square, _jump_refusal(later)))
    stand = memory.change(np.ones_like(fit.placed.lift_mm))
    if abs(stand.size) > max(_STAND_MM, _STAND_STEPS * step_mm) and stand.chi_square > _SURE:
        found.append((stand.chi_square, _stand_refusal(stand)))
    scale = memory.change(fit.placed.lift_mm)
    if abs(scale.size) > _SCALE_SHARE and scale.chi_square > _SURE:
        found.append((scale.chi_square, _scale_refusal(scale)))
    sunk = memory.throughout(memory.sunk)
    lost = sunk.size * float(np.max(np.abs(memory.sunk)))
    if abs(lost) > _SUNK_MM + 2.0 * step_mm and sunk.chi_square > _SURE:
        found.append((sunk.chi_square * (1.0 + (lost > 0.0)), _sunk_refusal(lost, hand)))
    if found:
        raise max(found, key=lambda entry: entry[0])[1]


def _wander_deg(seen: FitChecks) -> float:
    """What a lag that wanders from the trace's begin to its end moves the last pass against the first."""
    return 2.0 * seen.prior.wander_s * float(np.max(np.abs(seen.fit.placed.speed_deg_s), initial=0.0))


def _apart(seen: FitChecks, scatter: PassScatter) -> float:
    """How far passes stand apart; where the lag may wander, no more than twice what they are off the joint curve.

    The lag is then not asked of the passes, and what it would have taken up must not pass for a shift of theirs.
    """
    if not len(scatter.shift_deg):
        return 0.0
    apart = float(np.ptp(scatter.shift_deg))
    if seen.prior.wander_s:
        apart = min(
            apart, 2.0 * float(np.ptp([one.shift_deg for one in seen.passes if one.shift_deg is not None]))
        )
    return apart


def _passes_refusal(seen: FitChecks, memory: ResidualPatterns, scatter: PassScatter, apart: float) -> Refusal:
    cycle = np.floor((seen.motion.angle_deg(seen.readings.time_s) - seen.fit.survey.start_deg) / _CYCLE_DEG)
    drift = memory.throughout(memory.moved_later * (cycle - np.mean(cycle)))
    if scatter.freedom > 1 and drift.chi_square > 0.9 * scatter.chi_square and abs(drift.size) > 0.2:
        return Refusal(
            "turn_not_720",
            f"From one full lift to the next the lobe comes {drift.size:+.1f} degrees later: the encoder loses "
            "or gains counts or its coupling creeps; check counts a turn, coupling and cable.",
        )
    return Refusal(
        "passes_disagree",
        f"The passes stand up to {apart:.1f} degrees apart, more than readings scatter: a key or dowel has "
        "play, the tensioner does not hold, or counts are lost; take up the play the same way and measure "
        "again.",
    )


def _jump_refusal(what: Change) -> Refusal:
    return Refusal(
        "lobe_jumped",
        f"At about {what.at_s:.1f} s the lobe moved by {what.size:+.1f} degrees: the drive jumped, the pulley or "
        "the encoder slipped; find which, then measure again.",
    )


def _stand_refusal(what: Change) -> Refusal:
    return Refusal(
        "stand_moved",
        f"From about {what.at_s:.1f} s on all readings are off by {what.size:+.3f} mm, and the base circle does "
        "not close: the stand was knocked, the tip slipped or a key was pressed; set it up firmly and measure "
        "again.",
    )


def _scale_refusal(what: Change) -> Refusal:
    return Refusal(
        "scale_changed",
        f"From about {what.at_s:.1f} s on the lifts are {100.0 * what.size:+.0f} % of what they were: the unit "
        "key was pressed, the stand turned or a follower sank; set it right and measure again.",
    )


def _sunk_refusal(lost_mm: float, hand: HandPasses) -> Refusal:
    falls = f" from {hand.peak_mm[0]:.2f} to {hand.peak_mm[-1]:.2f} mm" if len(hand.peak_mm) > 1 else ""
    return Refusal(
        "follower_bleeds",
        f"Peak lift sinks{falls}, by about {abs(lost_mm):.2f} mm in all, the longer the valve is open: a "
        "hydraulic follower is bleeding down; fit a solid one for measuring.",
    )


def _refuse_lag(fit: LobeFit, prior: LagPrior) -> None:
    """Refuse a lag that no gauge has; what was found of this gauge before, it has."""
    known_s = _KNOWN_LAG_U * prior.u_s
    least_s, most_s = min(_LEAST_LAG_S, prior.lag_s - known_s), max(_MOST_LAG_S, prior.lag_s + known_s)
    if least_s - 2.0 * fit.lag_u_s < fit.lag_s < most_s + 2.0 * fit.lag_u_s:
        return
    raise Refusal(
        "lag_absurd",
        f"The passes agree only if the gauge answered {1e3 * fit.lag_s:.0f} ms late, which no gauge does: the "
        "lobe stood elsewhere in each of them; look for play, a slipping encoder or a moving stand.",
    )


def _refuse_misfit(fit: LobeFit, count_deg: float) -> None:
    room = _FAR_MM + 0.5 * count_deg * np.abs(fit.placed.slope_mm_deg)
    far = np.abs(fit.placed.residual_mm) > room + _FAR * np.sqrt(fit.variance_mm2)
    far &= fit.basis.covers(fit.placed.phase_deg) & fit.placed.known
    share = float(np.mean(far))
    if int(far.sum()) < _MOST_FAR or share < _MOST_FAR_SHARE:
        return
    raise Refusal(
        "does_not_fit",
        f"{100.0 * share:.0f} % of the readings lie far off any one lobe (they scatter by "
        f"{np.std(fit.placed.residual_mm):.2f} mm): check what the plunger touches, the stand, the encoder's "
        "coupling and the counts a turn.",
    )


def _refuse_breaks(seen: FitChecks, breaks: Breaks, settings: LobeSettings) -> None:
    """Refuse the worst corner or step in the curve; near the nose and over long reaches less is allowed."""
    shape = seen.shape
    if not len(breaks.phase_deg):
        return
    down = np.clip((shape.peak_mm - breaks.lift_mm) / _NOSE_DROP_MM, 0.0, 1.0)
    above = breaks.lift_mm - _floor_mm(seen) > _FOOT_MM
    far = (breaks.reach_deg / REACH_DEG) ** 2 * _bends_more(seen)
    corner = np.abs(breaks.corner_mm_deg) / _between(_CORNER_MM_DEG, down) / far
    step = np.abs(breaks.step_mm) / _between(_STEP_MM, down) / far
    clearest = _clearest(breaks, np.maximum(corner, step) > 1.0)
    as_corner = above & clearest & (breaks.corner_chi >= breaks.step_chi) & ~_hollow_nose(breaks, shape)
    as_step = above & (clearest | _falls_past_nose(breaks, shape))
    as_step &= breaks.step_chi > _AS_GOOD * breaks.corner_chi
    corner = np.where(as_corner & (breaks.corner_chi > _BREAK_SURE), corner, 0.0)
    step = np.where(as_step & (breaks.step_chi > _BREAK_SURE), step, 0.0)
    worst = int(np.argmax(np.maximum(corner, step)))
    if max(corner[worst], step[worst]) > 1.0:
        raise _break_refusal(seen, breaks, worst, settings)


def _bends_more(seen: FitChecks) -> float:
    """How many times more than a usual lobe one so high and narrow must bend; 1 for all that are gentler."""
    half_deg = max(0.5 * _half_open_deg(seen), 1.0)
    return max(1.0, (seen.shape.peak_mm - _floor_mm(seen)) / half_deg**2 / _USUAL_BEND_MM_DEG2)


def _half_open_deg(seen: FitChecks) -> float:
    """How long the lift is above half its height."""
    shape = seen.shape
    return float(np.ptp(shape.grid_deg[shape.grid_mm > 0.5 * (_floor_mm(seen) + shape.peak_mm)]))


def _floor_mm(seen: FitChecks) -> float:
    """The base circle, or the lowest that was seen where it was not."""
    return 0.0 if seen.fit.base_mm is not None else float(seen.shape.grid_mm.min())


def _clearest(breaks: Breaks, of: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Of some breaks those that are not the edge of a clearer one, as of the lobe's foot at the taking up of clearance."""
    told = np.maximum(breaks.corner_chi, breaks.step_chi)
    near = np.abs(breaks.phase_deg[of, None] - breaks.phase_deg[None, :]) < breaks.reach_deg[of, None]
    clearest = np.zeros(len(told), dtype=np.bool_)
    clearest[of] = told[of] >= np.max(np.where(near, told[None, :], 0.0), axis=1, initial=0.0)
    return clearest


def _hollow_nose(breaks: Breaks, shape: LobeShape) -> NDArray[np.bool_]:
    """Corners beside full lift that bend upwards: a nose between unlike flanks has them, no stop or piston does."""
    beside = np.abs(breaks.phase_deg - shape.peak_deg) < _BESIDE_NOSE_DEG
    return np.asarray(beside & (breaks.corner_mm_deg > 0.0))


def _falls_past_nose(breaks: Breaks, shape: LobeShape) -> NDArray[np.bool_]:
    """Steps down past full lift, as of a cam that its springs throw ahead: beside them the nose itself is bent."""
    past = (breaks.phase_deg > shape.peak_deg) & (shape.peak_mm - breaks.lift_mm < 0.5 * shape.peak_mm)
    return np.asarray(past & (breaks.step_mm < 0.0))


def _between(ends: tuple[float, float], share: Floats) -> Floats:
    return ends[0] + (ends[1] - ends[0]) * share


def _break_refusal(seen: FitChecks, breaks: Breaks, worst: int, settings: LobeSettings) -> Refusal:
    """Name what makes such a corner: the gauge's stop, a spring, a piston; where that cannot be told, all of them."""
    fit, shape = seen.fit, seen.shape
    phase, lift = float(breaks.phase_deg[worst]), float(breaks.lift_mm[worst])
    crank = float(np.mod(phase + fit.survey.start_deg - settings.tdc_deg, _CYCLE_DEG))
    top = seen.readings.value_mm - (fit.base_mm or 0.0) > shape.peak_mm - max(0.02, 1.5 * fit.noise.step_mm)
    flat = float(np.ptp(fit.placed.phase_deg[top])) if top.any() else 0.0
    if shape.peak_mm - lift < 1.0 and flat > 12.0 and breaks.corner_mm_deg[worst] < 0.0:
        return Refusal(
            "plunger_at_stop",
            f"The nose is flat over {flat:.0f} degrees with a sharp corner: the plunger bottoms or lifts off "
            "there; set the gauge so that it follows the whole lift.",
        )
    if _falls_past_nose(breaks, shape)[worst]:
        return Refusal(
            "spring_drives_cam",
            f"At {crank:.0f} degrees, just past full lift, the lift falls by {-breaks.step_mm[worst]:.2f} mm "
            "with next to no crank motion: the spring drives the cam on through the slack, or the drive "
            "jumped; fit light checking springs or hold the tensioner, and turn slowly over the nose.",
        )
    if abs((crank + 180.0) % 360.0 - 180.0) < _NEAR_TDC_DEG:
        return Refusal(
            "valve_on_piston",
            f"At {crank:.0f} degrees the lift curve has a corner at {lift:.1f} mm, as when a valve meets its "
            "piston: stop, do not force the crank; check the clearance between them before turning on.",
        )
    return Refusal(
        "corner_in_curve",
        f"At {crank:.0f} degrees the lift curve has a corner at {lift:.1f} mm, which no lobe has: the plunger "
        "met a stop or slipped, the drive jumped, or a valve met its piston. Turn gently and look.",
    )

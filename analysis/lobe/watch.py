"""Faults that the two streams of a lobe show before anything is fitted, from what a bench can and cannot do.

- The crank cannot leap: a hand does not turn it by degrees between two lines of the encoder.
- With the crank still, nothing moves: a gauge that does was knocked, a key pressed, a follower bleeds down,
  or the encoder is not counting.
- A valve leaves its rest gently: a reading that stays the same while the crank turns and then leaps was not
  live.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from analysis.base import Floats, Refusal
from analysis.curve import LagPrior
from analysis.readings import CheckedStreams, unit_key, zero_key

MM_PER_INCH = 25.4

# Speed beside a step: over four lines, or as long as a hand keeps it where lines are seldom.
_BESIDE_LINES, _BESIDE_S = 4, 0.15
_LINE_SLOP_S = 0.008
_LONGEST_REST_S = 0.1
_LEAST_LEAP_DEG = 0.8
_LEAP_COUNTS = 3.0

_LEAST_STILL_S = 0.4
_SETTLED_S = 0.05
_LATEST_S = 0.2
_MOST_SLOPE_MM_DEG = 0.25
_STILL_MM = 0.04

_FROZEN_RUN = 4
_LEAST_FROZEN_DEG = 5.0
_MOST_SLACK_DEG = 10.0
_FOOT_SLOPE_MM_DEG = 0.05
_FOOT_BEND_MM_DEG2 = 0.015
_LONG_REST_DEG = 50.0
_REST_APART_MM = 1.0
_CREEP_MM_S = 0.3
_AGREEING = 3
_JITTER_S = 0.03
# A gauge's values grow as old as this, in standard deviations of their age, and somewhat more.
_AGES = 4.0

Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]


def refuse_stream_faults(checked: CheckedStreams, lag: LagPrior, wild: Bools) -> None:
    """Refuse what the streams alone give away.

    Parameters
    ----------
    lag : LagPrior
        What is known of the gauge's lag.
    wild : ndarray of bool
        Gauge readings that are left out anyway.

    Raises
    ------
    Refusal
        `encoder_slipped`, `stand_moved`, `zero_key_pressed`, `unit_key_pressed`, `follower_bleeds`, `encoder_not_counting`,
        `gauge_frozen`.
    """
    _refuse_leap(checked)
    time_s, value = checked.streams.gauge_time_s[~wild], checked.streams.gauge_mm[~wild]
    latest_s = min(lag.lag_s + 2.0 * lag.u_s, _LATEST_S) + _SETTLED_S
    _refuse_moved_while_still(checked, time_s, value, latest_s)
    _refuse_frozen(checked, time_s, value, lag)
    _refuse_impossible_step(checked, time_s, value, lag)


def _refuse_leap(checked: CheckedStreams) -> None:
    """Refuse an encoder that steps further than the crank, by its speed on either side, can have turned meanwhile."""
    time_s, angle = checked.streams.crank_time_s, checked.streams.crank_deg
    line_s, count = checked.motion.line_s, checked.motion.count_deg
    n = int(np.clip(_BESIDE_S / line_s, 1, _BESIDE_LINES))
    if len(time_s) < 2 * n + 4:
        return
    step, gap = np.diff(angle), np.diff(time_s)
    speed = np.abs(angle[n:] - angle[:-n]) / np.maximum(time_s[n:] - time_s[:-n], n * line_s)
    padded = np.pad(speed, (n, n), mode="edge")
    before, after = padded[: len(step)], padded[n + 1 : n + 1 + len(step)]
    fastest = 1.5 * np.maximum(before, after)
    excess = np.abs(step) - fastest * (np.maximum(gap, line_s) + _LINE_SLOP_S) - _LEAP_COUNTS * count
    # A line may have been read late, never early: the crank may have begun a step when the line before came.
    over_two, gap_two = np.abs(angle[2:] - angle[:-2]), time_s[2:] - time_s[:-2]
    late = over_two - fastest[1:] * (np.maximum(gap_two, 2.0 * line_s) + _LINE_SLOP_S) - _LEAP_COUNTS * count
    excess[1:] = np.minimum(excess[1:], late)
    excess[0] = 0.0  # with one line before it a leap spoils nothing
    # Where lines are missing the crank may have turned meanwhile; one that sends changes only is silent at rest.
    lines = checked.motion.lines
    excess[gap > (max(_LONGEST_REST_S, lines.missing_s) if lines.frugal else lines.missing_s)] = 0.0
    worst = int(np.argmax(excess))
    if excess[worst] > _LEAST_LEAP_DEG:
        raise Refusal(
            "encoder_slipped",
            f"At {time_s[worst + 1]:.1f} s the encoder leapt by {step[worst]:+.1f} degrees between two lines, "
            "which no hand can turn: its coupling slipped or counts were lost; fix it and measure again.",
        )


@dataclass(frozen=True, slots=True)
class _Still:
    """One stretch of time in which the crank did not leave its count."""

    start_s: float
    end_s: float


def _still_stretches(checked: CheckedStreams) -> list[_Still]:
    """Where the crank stood: until it was left, which is before the next count's line came."""
    time_s, angle = checked.streams.crank_time_s, checked.streams.crank_deg
    moved = np.flatnonzero(np.diff(angle) != 0.0)
    starts = np.concatenate([[0], moved + 1])
    ends = np.concatenate([moved, [len(angle) - 1]])
    until = time_s[ends].copy()
    # The count that ended a stretch arrives later, as soon as it is left; unless it leapt over a gap.
    leaps = np.abs(angle[moved + 1] - angle[moved]) > 2.5 * checked.motion.count_deg
    next_s = time_s[moved + 1] - checked.motion.line_s
    until[:-1] = np.where(leaps, until[:-1], np.maximum(until[:-1], next_s))
    long = until - time_s[starts] > _LEAST_STILL_S
    return [_Still(float(time_s[starts[k]]), float(until[k])) for k in np.flatnonzero(long)]


def _refuse_moved_while_still(
    checked: CheckedStreams, time_s: Floats, value: Floats, latest_s: float
) -> None:
    creep = _MOST_SLOPE_MM_DEG * checked.motion.count_deg
    allowed = _STILL_MM + 2.0 * checked.step_mm + creep
    for still in _still_stretches(checked):
        first = int(np.searchsorted(time_s, still.start_s + latest_s))
        last = int(np.searchsorted(time_s, still.end_s, side="right"))
        # One odd reading among others is no movement; a move is seen in all that follow.
        shown = median_filter(value[first:last], 3, mode="mirror") if last - first > 2 else value[first:last]
        if len(shown) >= 2 and float(np.ptp(shown)) > allowed:
            raise _moved_refusal(time_s[first:last], shown, checked.step_mm)


def _moved_refusal(time_s: Floats, shown: Floats, step_mm: float) -> Refusal:
    """Name what moves a reading while the encoder says that the crank stands."""
    total = float(np.ptp(shown))
    leap = np.diff(shown)
    worst = int(np.argmax(np.abs(leap)))
    if abs(leap[worst]) > 0.6 * total:
        return step_refusal(
            float(time_s[worst + 1]), float(shown[worst]), float(shown[worst + 1]), step_mm, still=True
        )
    if total / float(time_s[-1] - time_s[0]) < _CREEP_MM_S:
        return Refusal(
            "follower_bleeds",
            f"The reading crept by {total:.2f} mm from {time_s[0]:.1f} s on with the crank still: a hydraulic "
            "follower is bleeding down or the stand gives way; fit a solid follower, make the stand firm.",
        )
    return Refusal(
        "encoder_not_counting",
        f"The gauge moved by {total:.2f} mm from {time_s[0]:.1f} s on while the encoder counted nothing: "
        "check the encoder's coupling and cable; if the crank truly stood, the cam moved by itself: check "
        "tensioner and springs.",
    )


def step_refusal(at_s: float, before: float, after: float, step_mm: float, *, still: bool) -> Refusal:
    """Name the cause of one abrupt step of the reading, as far as its size tells."""
    while_still = " with the crank still" if still else ""
    near = 4.0 * step_mm + 0.02 * max(abs(before), abs(after))
    smaller, larger = sorted((abs(before), abs(after)))
    if before * after > 0.0 and larger > 1.0 and abs(larger - MM_PER_INCH * smaller) < MM_PER_INCH * near:
        return unit_key(f"{at_s:.1f} s", before, after)
    if abs(after) <= max(3.0 * step_mm, 0.03) and abs(before) > 0.2:
        return zero_key(f"{at_s:.1f} s", before)
    return Refusal(
        "stand_moved",
        f"At {at_s:.1f} s the reading stepped by {after - before:+.3f} mm{while_still}: the stand was knocked, "
        "the tip slipped on the retainer or a key was pressed; set it up firmly and measure again.",
    )


def _refuse_frozen(checked: CheckedStreams, time_s: Floats, value: Floats, lag: LagPrior) -> None:
    starts, ends = _equal_runs(value, checked.step_mm)
    crank = checked.motion.angle_deg(time_s - lag.lag_s)
    turned = np.array([float(np.ptp(crank[a : b + 1])) for a, b in zip(starts, ends, strict=True)])
    _refuse_leaps_after_rest(checked, time_s, value, (starts, ends, turned), _uneven_s(lag))
    long = turned > _LONG_REST_DEG
    levels = value[starts[long]]
    if len(levels) > 1 and float(np.ptp(levels)) > _REST_APART_MM:
        usual = float(np.median(levels))
        odd = int(np.flatnonzero(long)[np.argmax(np.abs(levels - usual))])
        raise _frozen_refusal(time_s[starts[odd]], time_s[ends[odd]], value[starts[odd]], turned[odd])


def _uneven_s(lag: LagPrior) -> float:
    """By how much more or less late than the one before a reading may be: more where it repeats itself by its own clock."""
    return max(_JITTER_S, _AGES * (lag.jitter_s or 0.0))


def _equal_runs(value: Floats, step_mm: float) -> tuple[Ints, Ints]:
    change = np.flatnonzero(np.abs(np.diff(value)) > 0.5 * step_mm)
    starts = np.concatenate([[0], change + 1])
    ends = np.concatenate([change, [len(value) - 1]])
    long = ends - starts + 1 >= _FROZEN_RUN
    return starts[long].astype(np.intp), ends[long].astype(np.intp)


def _refuse_leaps_after_rest(
    checked: CheckedStreams, time_s: Floats, value: Floats, runs: tuple[Ints, Ints, Floats], uneven_s: float
) -> None:
    """Refuse a reading that stood while the crank turned and then leapt by more than any lobe lifts meanwhile."""
    starts, ends, turned = runs
    some = (turned > _LEAST_FROZEN_DEG) & (ends + 1 < len(value))
    starts, ends, turned = starts[some], ends[some], turned[some]
    if not len(ends):
        return
    nexts = np.minimum(ends[:, None] + np.arange(1, _AGREEING + 1), len(value) - 1)
    leap = np.min(np.abs(value[nexts] - value[ends, None]), axis=1)
    fastest = np.maximum.reduceat(
        np.abs(checked.motion.speed_deg_s(time_s)), np.stack([starts, ends + 1], axis=1).ravel()
    )[::2]
    moved = fastest * (time_s[ends + 1] - time_s[ends] + uneven_s)
    steep = _MOST_SLOPE_MM_DEG * moved
    gentle = _FOOT_SLOPE_MM_DEG * moved + _FOOT_BEND_MM_DEG2 * moved**2
    bound = np.where(turned > _MOST_SLACK_DEG, np.minimum(steep, gentle), steep)
    excess = leap - bound - _STILL_MM - 4.0 * checked.step_mm
    worst = int(np.argmax(excess))
    if excess[worst] > 0.0:
        level = float(value[starts[worst]])
        if min(level - float(value.min()), float(value.max()) - level) <= 1.5 * checked.step_mm:
            raise _stop_refusal(float(time_s[starts[worst]]), level, float(turned[worst]))
        raise _frozen_refusal(time_s[starts[worst]], time_s[ends[worst]], level, turned[worst])


def _refuse_impossible_step(checked: CheckedStreams, time_s: Floats, value: Floats, lag: LagPrior) -> None:
    """Refuse a step between readings, three on either side agreeing, that no flank is steep enough for."""
    n = _AGREEING
    if len(value) < 2 * n + 1:
        return
    room_s = min(2.0 * lag.u_s, _LATEST_S) + _uneven_s(lag)
    early, late = time_s - lag.lag_s - room_s, time_s - max(lag.lag_s - room_s, 0.0)
    path_early, path_late = _path_deg(checked, early), _path_deg(checked, late)
    known = checked.motion.covered(early) & checked.motion.covered(late)
    excess = np.full(len(value) - 1, np.inf)
    for a in range(n):
        for b in range(1, n + 1):
            first, last = np.arange(len(value) - 1) - a, np.arange(len(value) - 1) + b
            there = (first >= 0) & (last < len(value))
            first, last = np.maximum(first, 0), np.minimum(last, len(value) - 1)
            there &= known[first] & known[last]
            moved = path_late[last] - path_early[first]
            over = np.abs(value[last] - value[first]) - _MOST_SLOPE_MM_DEG * moved
            excess = np.minimum(excess, np.where(there, over, 0.0))
    worst = int(np.argmax(excess))
    if excess[worst] > _STILL_MM + 4.0 * checked.step_mm:
        raise step_refusal(
            float(time_s[worst + 1]),
            float(value[worst]),
            float(value[worst + 1]),
            checked.step_mm,
            still=False,
        )


def _path_deg(checked: CheckedStreams, at_s: Floats) -> Floats:
    """Degrees turned until each moment, either way."""
    grid = checked.motion.grid
    path = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(grid.angle_deg)))])
    return np.asarray(np.interp(at_s, grid.time_s, path))


def _stop_refusal(at_s: float, level: float, turned: float) -> Refusal:
    return Refusal(
        "plunger_at_stop",
        f"From {at_s:.1f} s on the gauge stood at {level:.3f} mm, the end of all its readings, while the crank "
        f"turned {turned:.0f} degrees, and left it with a sharp corner: the plunger bottoms or lifts off; set the "
        "gauge so that it follows the whole lift. (If it was free to move, the gauge hung.)",
    )


def _frozen_refusal(start_s: float, end_s: float, level: float, turned: float) -> Refusal:
    return Refusal(
        "gauge_frozen",
        f"The gauge showed {level:.3f} mm from {start_s:.1f} to {end_s:.1f} s without a change while the crank "
        f"turned {turned:.0f} degrees, and was somewhere else afterwards: it hung or slept; wake it, check its "
        "battery and hold key, and measure again.",
    )

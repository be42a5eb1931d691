"""Each forward pass by itself: against the joint curve, and as a builder would take it by hand.

Against the curve a pass is early, late, high or low by more than its noise or not. By hand it is half-way up, half-way
down, halved: coarse, but independent of the fit and of its lag, and so the witness when fit and readings disagree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from analysis.base import Floats
from analysis.curve import CYCLE_DEG, ForwardReadings, LobeFit, Survey
from analysis.readings import CrankMotion, Sweep

_FEWEST = 5
_FARTHEST_DEG = 40.0
_LEAST_WIDTH = 0.3

Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class PassFit:
    """One pass of the nose against the joint curve.

    Attributes
    ----------
    shift_deg, shift_u_deg
        How much later this pass is than the joint curve; `None` where it does not see both flanks.
    offset_mm
        How much higher it reads.
    by_wander_deg_s
        How much later it comes for each second that the lag grows from the middle of the trace to its end.
    readings : ndarray of int
        Indices of its readings among the forward readings.
    """

    start_s: float
    end_s: float
    speed_deg_s: float
    shift_deg: float | None
    shift_u_deg: float | None
    offset_mm: float | None
    readings: Ints
    by_wander_deg_s: float = 0.0


def fit_passes(
    motion: CrankMotion, fit: LobeFit, readings: ForwardReadings, sweeps: tuple[Sweep, ...]
) -> tuple[PassFit, ...]:
    """Cut the forward readings into passes of the nose and fit shift and offset of each."""
    passes = pass_of(motion, fit.survey, readings.time_s - fit.lag_s, sweeps)
    groups = np.split(np.arange(len(passes), dtype=np.intp), np.flatnonzero(np.diff(passes)) + 1)
    return tuple(_fit_pass(fit, readings, group) for group in groups if len(group) >= _FEWEST)


def pass_of(motion: CrankMotion, survey: Survey, at_s: Floats, sweeps: tuple[Sweep, ...]) -> Ints:
    """To which pass of the nose each moment belongs: another cycle is another pass, and another way forward, too."""
    cycle = np.floor((motion.angle_deg(at_s) - survey.start_deg) / CYCLE_DEG)
    sweep = np.searchsorted([one.start_s for one in sweeps], at_s, side="right")
    begins = (np.diff(cycle, prepend=cycle[:1]) != 0.0) | (np.diff(sweep, prepend=sweep[:1]) != 0)
    return np.cumsum(begins, dtype=np.intp)


def _fit_pass(fit: LobeFit, readings: ForwardReadings, group: Ints) -> PassFit:
    """By how much one pass is later and higher than the curve; not told where it shows one flank alone."""
    slope = fit.placed.slope_mm_deg[group]
    weight, residual = fit.weight[group], fit.placed.residual_mm[group]
    speed = float(np.mean(np.abs(fit.placed.speed_deg_s[group])))
    start, end = float(readings.time_s[group[0]]), float(readings.time_s[group[-1]])
    design = np.column_stack([-slope, np.ones_like(slope)])
    normal = (design * weight[:, None]).T @ design
    if not _both_flanks(slope, weight):
        return PassFit(start, end, speed, None, None, None, group)
    inverse = np.linalg.inv(normal)
    shift, offset = inverse @ (design * weight[:, None]).T @ residual
    pull = weight * slope**2
    by_wander = float(pull @ (fit.placed.speed_deg_s * readings.through)[group]) / float(pull.sum())
    return PassFit(
        start, end, speed, float(shift), float(np.sqrt(inverse[0, 0])), float(offset), group, by_wander
    )


def _both_flanks(slope: Floats, weight: Floats) -> bool:
    """Whether a pass weighs on both flanks: each must carry a fair share of what fixes its place."""
    up = float(np.sum(weight * np.maximum(slope, 0.0) ** 2))
    down = float(np.sum(weight * np.minimum(slope, 0.0) ** 2))
    return min(up, down) > 0.05 * max(up, down) and min(up, down) > 4.0


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard uncertainties of the mean of passes: from their scatter, and from a lag that wanders through the trace."""

    between_u_deg: float = 0.0
    wander_u_deg: float = 0.0


def scatter_of_passes(passes: tuple[PassFit, ...], wander_s: float) -> Scatter:
    """Scatter between passes beyond their noise (DerSimonian-Laird) and beyond what a wandering lag makes of them.

    Parameters
    ----------
    wander_s : float
        By how much the lag may have grown from the middle of the trace to its end, one standard deviation.
    """
    alone = [one for one in passes if one.shift_deg is not None and one.shift_u_deg]
    if len(alone) < 2:
        return Scatter()
    shift = np.array([one.shift_deg for one in alone], dtype=np.float64)
    weight = 1.0 / np.array([one.shift_u_deg for one in alone], dtype=np.float64) ** 2
    wander = wander_s * np.array([one.by_wander_deg_s for one in alone])
    all_alike = float(wander @ weight) / float(weight.sum())
    apart, off = wander - all_alike, shift - float(shift @ weight) / float(weight.sum())
    # Of one standard deviation of wander so much is seen, and is not known less well than before.
    seen = float(weight @ (apart * off)) / (float(weight @ apart**2) + 1.0)
    surplus = float(weight @ (off - seen * apart) ** 2) + seen**2 - (len(shift) - 1)
    scale = weight.sum() - float(np.sum(weight**2)) / weight.sum()
    between = max(surplus, 0.0) / max(float(scale), 1e-12)
    return Scatter(float(np.sqrt(between / len(shift))), abs(all_alike))


@dataclass(frozen=True, slots=True)
class HandPasses:
    """Passes of which both flanks were seen.

    Attributes
    ----------
    start_s : ndarray, shape (k,)
        When each rose past half its lift.
    centre_deg, width_deg : ndarray, shape (k,)
        Middle and length of what lies above half the lift, unwrapped crank degrees.
    peak_mm : ndarray, shape (k,)
        Largest of the readings, each the middle one of three.
    speed_deg_s, spacing_deg : ndarray, shape (k,)
        Mean speed, and the widest stretch between two readings.
    """

    start_s: Floats
    centre_deg: Floats
    width_deg: Floats
    peak_mm: Floats
    speed_deg_s: Floats
    spacing_deg: Floats


def passes_by_hand(motion: CrankMotion, readings: ForwardReadings, lag_s: float) -> HandPasses:
    """Halve every forward pass at half its lift.

    Parameters
    ----------
    readings : ForwardReadings
        Lift-positive, in order of time.
    lag_s : float
        Lag taken off.
    """
    crank, speed = motion.angle_and_speed(readings.time_s - lag_s)
    value = readings.value_mm
    low, high = np.quantile(value, 0.02), np.quantile(value, 0.98)
    above = median_filter((value > 0.5 * (low + high)).astype(np.int8), 3, mode="nearest") > 0
    change = np.flatnonzero(np.diff(above.astype(np.int8)))
    ups = change[~above[change]]
    rows = []
    for up in ups.tolist():
        downs = change[change > up]
        if not len(downs):
            continue
        down = int(downs[0])
        # Between two readings the crank may have been turned back past the flank: nothing crossed there.
        if max(abs(crank[up + 1] - crank[up]), abs(crank[down + 1] - crank[down])) > _FARTHEST_DEG:
            continue
        rises, falls = (_crossing(crank, value, k, 0.5 * (low + high)) for k in (up, down))
        inside = slice(up, down + 2)
        rows.append(
            (
                readings.time_s[up],
                0.5 * (rises + falls),
                falls - rises,
                float(median_filter(value[inside], 3, mode="nearest").max()),
                float(np.mean(np.abs(speed[inside]))),
                float(np.max(np.diff(crank[inside]))),
            )
        )
    table = np.array(rows, dtype=np.float64).reshape(-1, 6)
    whole = table[:, 2] > _LEAST_WIDTH * np.median(table[:, 2]) if len(table) else np.zeros(0, dtype=bool)
    return HandPasses(*table[whole].T)


def _crossing(crank: Floats, value: Floats, k: int, level: float) -> float:
    rise = value[k + 1] - value[k]
    share = float(np.clip((level - value[k]) / rise, 0.0, 1.0)) if rise else 0.5
    return float(crank[k] + share * (crank[k + 1] - crank[k]))

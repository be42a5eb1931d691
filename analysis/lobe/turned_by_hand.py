"""Every pass of a lobe as a builder would take it by hand: half-way up, half-way down, halved.

Coarse, but independent of the fit and of its lag, and so the witness when the fit and the readings disagree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from analysis.base import Floats
from analysis.curve import ForwardReadings
from analysis.readings import CrankMotion

_FARTHEST_DEG = 40.0
_LEAST_WIDTH = 0.3


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
    motion : CrankMotion
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

"""The sweeps of the crank: stretches of one direction between turning points, small shivers ignored."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats
from analysis.readings.crank_motion import CrankMotion

_REVERSAL_DEG = 1.0


@dataclass(frozen=True, slots=True)
class Sweep:
    """One stretch turned in one direction; pauses and reversals smaller than the threshold are part of it."""

    start_s: float
    end_s: float
    start_deg: float
    end_deg: float

    @property
    def direction(self) -> int:
        """+1 in the running direction, -1 against it."""
        return 1 if self.end_deg >= self.start_deg else -1

    @property
    def speed_deg_s(self) -> float:
        """Mean speed, degrees a second, without a sign."""
        return abs(self.end_deg - self.start_deg) / max(self.end_s - self.start_s, 1e-9)


def find_sweeps(motion: CrankMotion) -> tuple[Sweep, ...]:
    """Cut the crank's motion where it turned back by more than a degree, or two counts, where that is more.

    Returns
    -------
    tuple of Sweep
        In order of time, directions alternating; empty when the crank never moved by as much.
    """
    time_s, angle = motion.grid.time_s, motion.grid.angle_deg
    ends = turning_points(angle, max(_REVERSAL_DEG, 2.0 * motion.count_deg))
    return tuple(
        Sweep(float(time_s[a]), float(time_s[b]), float(angle[a]), float(angle[b]))
        for a, b in pairwise(ends.tolist())
    )


def turning_points(angle_deg: Floats, least_deg: float) -> NDArray[np.intp]:
    """Indices of the start, the turning points and the end of a motion.

    A turning point counts when the motion on both sides of it exceeds `least_deg`.
    """
    extremes = _local_extremes(angle_deg)
    points = _zigzag(angle_deg[extremes], least_deg)
    return extremes[np.asarray(points, dtype=np.intp)]


def _local_extremes(angle_deg: Floats) -> NDArray[np.intp]:
    change = np.diff(angle_deg)
    moving = np.flatnonzero(change != 0.0)
    if not len(moving):
        return np.array([0], dtype=np.intp)
    sign = np.sign(change[moving])
    flips = moving[1:][sign[1:] != sign[:-1]]
    return np.concatenate([[0], flips, [len(angle_deg) - 1]]).astype(np.intp)


def _zigzag(values: Floats, least: float) -> list[int]:
    """Indices of alternating extremes that differ by more than `least`."""
    points: list[int] = []
    low = high = candidate = 0
    trend = 0
    for i, value in enumerate(values.tolist()):
        if trend == 0:
            low = i if value < values[low] else low
            high = i if value > values[high] else high
            if values[high] - values[low] > least:
                trend = 1 if high > low else -1
                points.append(min(low, high))
                candidate = i
        elif trend * (value - values[candidate]) > 0.0:
            candidate = i
        elif trend * (values[candidate] - value) > least:
            points.append(candidate)
            candidate, trend = i, -trend
    return [*points, candidate] if trend else []

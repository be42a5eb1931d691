"""Pairs of equal readings either side of a dwell, as a builder would take them, the lag already removed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.base import EqualReadings, Floats

DROPS_MM = (0.1, 0.25, 0.5, 1.0, 1.27, 2.0, 3.0, 5.0, 8.0, 12.0)


def equal_readings(
    angle_deg: Floats,
    below_mm: Floats,
    slope_mm_deg: Floats,
    weight: Floats,
    drops_mm: tuple[float, ...] = DROPS_MM,
) -> tuple[EqualReadings, ...]:
    """Read off, on both sides, where the plunger stands at the same height.

    Each side takes the readings nearest to the drop and carries them to it along the local slope.

    Parameters
    ----------
    angle_deg : ndarray, shape (m,)
        Crank angle past the centre, degrees, lag removed; the dwell is at 0.
    below_mm : ndarray, shape (m,)
        Measured drop below the top, mm, positive.
    slope_mm_deg : ndarray, shape (m,)
        Slope of the fitted curve at each reading: change of drop a degree.
    weight : ndarray, shape (m,)
        Weight of each reading.
    drops_mm : tuple of float
        Drops at which a pair is wanted.

    Returns
    -------
    tuple of EqualReadings
        One for each drop that has readings nearby on both sides; angles still past the centre.
    """
    pairs = []
    for drop in drops_mm:
        near = (np.abs(below_mm - drop) < max(0.2 * drop, 0.03)) & (np.abs(slope_mm_deg) > 1e-4)
        before = _crossing(near & (angle_deg < 0.0), angle_deg, below_mm - drop, slope_mm_deg, weight)
        after = _crossing(near & (angle_deg > 0.0), angle_deg, below_mm - drop, slope_mm_deg, weight)
        if before is not None and after is not None:
            pairs.append(EqualReadings(drop, before, after, 0.5 * (before + after)))
    return tuple(pairs)


def _crossing(
    chosen: NDArray[np.bool_], angle_deg: Floats, off_mm: Floats, slope_mm_deg: Floats, weight: Floats
) -> float | None:
    if not chosen.any():
        return None
    carried = angle_deg[chosen] - off_mm[chosen] / slope_mm_deg[chosen]
    return float(np.average(carried, weights=weight[chosen] * slope_mm_deg[chosen] ** 2))

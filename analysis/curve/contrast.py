"""What tells the lag of a gauge on a lobe: readings of one place of the lobe, passed at unlike speeds."""

from __future__ import annotations

import numpy as np

from analysis.base import Floats
from analysis.curve.model import Placed

_LIKE_PHASE_DEG = 24.0


def contrast_of(placed: Placed, weight: Floats) -> Floats:
    """Slope times how much faster the crank turned at each reading than it usually does there, mm/s.

    What is usual is a straight line of speed over phase within each stretch: a hand that always speeds up in the
    same place compares nothing. What is left of the speeds of a single pass wanders faster than any lobe does, as
    far as the smoothness found in its curve tells, and compares neighbouring places of the lobe.
    """
    which = np.floor((placed.phase_deg - placed.phase_deg.min()) / _LIKE_PHASE_DEG).astype(np.intp)
    count = int(which.max()) + 1
    worth = weight * placed.slope_mm_deg**2
    total = np.maximum(np.bincount(which, worth, count), 1e-30)

    def apart(values: Floats) -> Floats:
        """What each value differs by from the weighted mean of its own group."""
        middle = np.bincount(which, worth * values, count) / total
        return np.asarray(values - middle[which])

    phase, speed = apart(placed.phase_deg), apart(placed.speed_deg_s)
    squares = np.bincount(which, worth * phase**2, count)
    tilt = np.bincount(which, worth * phase * speed, count) / np.maximum(squares, 1e-30)
    return np.asarray(placed.slope_mm_deg * (speed - tilt[which] * phase))


def reliability_of(contrast: Floats, weight: Floats, placed: Placed, half_s: float) -> float:
    """The share of a contrast that is more than the encoder's own noise makes of speeds: 0..1.

    In one steady pass all that speeds differ by may be noise, and as many readings as one likes say nothing of the
    lag.

    Parameters
    ----------
    contrast, weight : ndarray, shape (m,)
        As of `contrast_of`, and its weights.
    half_s : float
        Speeds are means over so long before and after.
    """
    whole = float(np.sum(weight * contrast**2))
    if whole <= 0.0:
        return 0.0
    speed2 = np.where(placed.known, placed.crank.apart_deg2(2.0 * half_s), 0.0) / (2.0 * half_s) ** 2
    return max(1.0 - float(np.sum(weight * placed.slope_mm_deg**2 * speed2)) / whole, 0.0)

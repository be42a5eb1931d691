"""What tells the lag of a gauge on a lobe: readings of one place of the lobe, passed at unlike speeds."""

from __future__ import annotations

import numpy as np

from analysis.lobe_basis import SplineBasis
from analysis.lobe_model import Placed
from analysis.streams import Floats

_LIKE_READINGS = 8.0
_LIKE_PHASE_DEG = (4.0, 16.0)
# A speed is told by two angles, each with an error of its own.
_TWO_ANGLES = 0.5


def contrast_of(placed: Placed, weight: Floats, basis: SplineBasis) -> Floats:
    """Slope times how much faster the crank turned at each reading than it usually does there, mm/s.

    What is usual is a straight line of speed over phase within each stretch that holds a few readings: a hand
    that always speeds up in the same place compares nothing.
    """
    inside = np.count_nonzero((placed.phase_deg > basis.first_deg) & (placed.phase_deg < basis.last_deg))
    width = _LIKE_READINGS * (basis.last_deg - basis.first_deg) / max(int(inside), 1)
    least, most = _LIKE_PHASE_DEG
    cell = np.floor(placed.phase_deg / min(max(width, least), most))
    bins, which = np.unique(cell, return_inverse=True)
    worth = weight * placed.slope_mm_deg**2
    total = np.maximum(np.bincount(which, worth, len(bins)), 1e-30)

    def apart(values: Floats) -> Floats:
        middle = np.bincount(which, worth * values, len(bins)) / total
        return np.asarray(values - middle[which])

    phase, speed = apart(placed.phase_deg), apart(placed.speed_deg_s)
    squares = np.bincount(which, worth * phase**2, len(bins))
    tilt = np.bincount(which, worth * phase * speed, len(bins)) / np.maximum(squares, 1e-30)
    return np.asarray(placed.slope_mm_deg * (speed - tilt[which] * phase))


def reliability_of(
    contrast: Floats, weight: Floats, placed: Placed, crank_u_deg: Floats, half_s: float
) -> float:
    """The share of a contrast that is more than the encoder's own noise makes of speeds: 0..1.

    In one steady pass all that speeds differ by may be noise, and as many readings as one likes say nothing of the
    lag.

    Parameters
    ----------
    contrast, weight : ndarray, shape (m,)
        As of `contrast_of`, and its weights.
    crank_u_deg : ndarray, shape (m,)
        Standard uncertainty of the crank's angle at each reading.
    half_s : float
        Speeds are means over so long before and after.
    """
    whole = float(np.sum(weight * contrast**2))
    if whole <= 0.0:
        return 0.0
    noise = placed.slope_mm_deg * np.where(placed.known, crank_u_deg, 0.0) / half_s
    return max(1.0 - _TWO_ANGLES * float(np.sum(weight * noise**2)) / whole, 0.0)

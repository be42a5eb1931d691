"""What tells the lag of a gauge on a lobe: readings of one place of the lobe, passed at unlike speeds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.lobe_model import Placed
from analysis.streams import Floats

_LIKE_PHASE_DEG = 24.0


@dataclass(frozen=True, slots=True)
class CrankNoise:
    """How far the crank's angle may be wrong, and how alike the errors of neighbouring moments are.

    Attributes
    ----------
    u_deg : ndarray, shape (m,)
        Standard uncertainty; infinite where the angle is not known.
    density_deg2_s : ndarray, shape (m,)
        As of `CrankMotion.noise_deg2_s`.
    """

    u_deg: Floats
    density_deg2_s: Floats

    def apart_deg2(self, time_s: float) -> Floats:
        """Variance of the turn between two moments that far apart, their errors growing unlike with time."""
        variance = np.where(np.isfinite(self.u_deg), self.u_deg, 0.0) ** 2
        lasting = self.density_deg2_s / np.maximum(variance, 1e-12)
        return np.asarray(2.0 * variance * -np.expm1(-2.0 * time_s / np.maximum(lasting, 1e-6)))


def contrast_of(placed: Placed, weight: Floats) -> Floats:
    """Slope times how much faster the crank turned at each reading than it usually does there, mm/s.

    What is usual is a straight line of speed over phase within each stretch: a hand that always speeds up in the
    same place compares nothing. What is left of the speeds of a single pass wanders faster than any lobe does, as
    far as the smoothness found in its curve tells, and compares neighbouring places of the lobe.
    """
    cell = np.floor(placed.phase_deg / _LIKE_PHASE_DEG)
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
    contrast: Floats, weight: Floats, placed: Placed, crank: CrankNoise, half_s: float
) -> float:
    """The share of a contrast that is more than the encoder's own noise makes of speeds: 0..1.

    In one steady pass all that speeds differ by may be noise, and as many readings as one likes say nothing of the
    lag.

    Parameters
    ----------
    contrast, weight : ndarray, shape (m,)
        As of `contrast_of`, and its weights.
    crank : CrankNoise
        At each reading.
    half_s : float
        Speeds are means over so long before and after.
    """
    whole = float(np.sum(weight * contrast**2))
    if whole <= 0.0:
        return 0.0
    speed2 = np.where(placed.known, crank.apart_deg2(2.0 * half_s), 0.0) / (2.0 * half_s) ** 2
    return max(1.0 - float(np.sum(weight * placed.slope_mm_deg**2 * speed2)) / whole, 0.0)

"""Whether the residuals of a piston's fit keep together over stretches: what a wrong motion leaves behind.

Noise that is fitted with everything else swallows a wrong motion: it grows until the readings look ordinary.
But noise differs from one reading to the next, and a wrong motion does not. So the scatter within short
stretches of one flank tells the noise, and the means of the stretches are held against it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats
from analysis.tdc.fit import PistonFit

_STRETCH = 6
_FEWEST_STRETCHES = 4
_CLIP = 4.0
_LEAST_FREEDOM = 0.1


@dataclass(frozen=True, slots=True)
class Coherence:
    """How far whole stretches of readings stand off the fit.

    Attributes
    ----------
    chi_square : float
        Sum over the stretches of (mean residual over its standard deviation)², the noise taken from within.
    stretches : int
        How many; about as large as `chi_square` when the motion is right.
    rms_mm : float
        Root mean square of the means.
    """

    chi_square: float
    stretches: int
    rms_mm: float

    @property
    def wrong_motion(self) -> bool:
        """Whether chance is out of the question, with room for noise that is not quite as supposed."""
        return self.chi_square > 30.0 + 4.0 * self.stretches

    @property
    def widening(self) -> float:
        """By what factor variances have to grow for the stretches to agree (Birge); 1 where they do."""
        return max(1.0, self.chi_square / max(self.stretches, 1))


def coherence_of(fit: PistonFit) -> Coherence:
    """Hold the means of short stretches against the scatter within them."""
    rows, label = _stretches(fit)
    count = int(label[-1]) + 1 if len(label) else 0
    if count < _FEWEST_STRETCHES:
        return Coherence(0.0, count, 0.0)
    variance = fit.variance_mm2[rows]
    sd = np.sqrt(variance)
    clipped = np.clip(fit.model.residual_mm[rows], -_CLIP * sd, _CLIP * sd)
    free = max(1.0 - 2.0 * count / len(rows), _LEAST_FREEDOM)
    within2 = np.minimum(_without_lines(clipped, label, 1.0 / variance) ** 2, 9.0 * variance) / free
    noise = fit.noise
    found = noise.extra_mm**2 + (noise.jitter_s * fit.model.rate_mm_s[rows]) ** 2
    own = variance - found
    most = float(np.sum((found / variance) ** 2))
    share = float(np.sum((within2 - own) * found / variance**2)) / most if most > 0.0 else 0.0
    weight = 1.0 / (own + np.clip(share, 0.0, 1.0) * found)
    along, whole = np.bincount(label, weight * clipped), np.bincount(label, weight)
    means2 = (along / whole) ** 2
    return Coherence(float(np.sum(means2 * whole)), count, float(np.sqrt(np.mean(means2))))


def _stretches(fit: PistonFit) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows of the readings, and to which stretch each belongs: one flank of one pass, cut into pieces."""
    model, time_s = fit.model, fit.readings.time_s
    flank = 2.0 * np.round(model.angle_deg / 360.0) + (fit.folded_deg > 0.0)
    apart = np.diff(time_s) > 1.0 + 3.0 * fit.readings.interval_s
    change = np.flatnonzero((np.diff(flank) != 0.0) | apart) + 1
    begun = np.append(0, change)
    size = np.append(change, len(time_s)) - begun
    parts = size // _STRETCH
    # Of a run's pieces the first ones are longer by one reading, until none is left over.
    run = np.repeat(np.arange(len(parts)), parts)
    place = np.arange(len(run)) - np.repeat(np.cumsum(parts) - parts, parts)
    least, over = np.divmod(size, np.maximum(parts, 1))
    lengths = least[run] + (place < over[run])
    rows = np.flatnonzero(np.repeat(parts > 0, size))
    return rows, np.repeat(np.arange(len(lengths)), lengths)


def _without_lines(value: Floats, label: NDArray[np.intp], weight: Floats) -> Floats:
    """What is left within each stretch of a straight line."""
    place = np.arange(len(value), dtype=np.float64)
    whole = np.bincount(label, weight)
    level = np.bincount(label, weight * value) / whole
    away = place - (np.bincount(label, weight * place) / whole)[label]
    tilt = np.bincount(label, weight * away * value) / np.bincount(label, weight * away**2)
    left: Floats = value - level[label] - tilt[label] * away
    return left

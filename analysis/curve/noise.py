"""How noisy the readings of a lobe are: jitter and other scatter, and where the curve itself is rough."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from analysis.base import Floats, NoiseModel

_USUAL_JITTER_S = 0.003
_LEAST_JITTER_S = 0.0003
_USUAL_EXTRA_STEPS = 0.1
_USUAL_COUNT = 1.0
# What the gauge showed before counts as so many readings: that of another day is not quite that of today.
_KNOWN_COUNT = 12.0
_MOST_JITTER_S = 0.025
_MOST_OF_KNOWN = 1.25
_MOST_EXTRA_MM = 0.02
_MOST_EXTRA_STEPS = 1.0
_CLIP_SQUARE = 9.0
_CLIP = 4.0
_MEAN_OF_NORMAL = 1.2533
_SPREAD_OF_MEAN = 0.756
_ROUGH_DOUBTS = 4.0
_FEWEST_ROUGH = 15
_MIDDLE_PART = (0.159, 0.841)

Ints = NDArray[np.intp]


def renewed(
    noise: NoiseModel,
    residual_mm: Floats,
    freedom: Floats,
    rate_mm_s: Floats,
    known_mm: Floats,
    jitter_s: float | None = None,
) -> NoiseModel:
    """Estimate jitter and extra scatter again (restricted maximum likelihood, one multiplicative step).

    A curve that runs through every reading leaves no residuals: then the scatter is what gauges usually show,
    not nought. Nor is it more than any gauge shows: what lies beyond is a fault, not noise.

    Parameters
    ----------
    residual_mm : ndarray, shape (m,)
    freedom : ndarray, shape (m,)
        1 less the leverage of each reading.
    rate_mm_s, known_mm : ndarray, shape (m,)
        How fast the plunger moves; scatter known beforehand, such as the crank's.
    jitter_s : float, optional
        The gauge's jitter as found before.
    """
    variance = np.maximum(noise.variance_mm2(rate_mm_s, known_mm), 1e-14)
    squares = np.minimum(residual_mm**2, _CLIP_SQUARE * variance)
    usual_extra = _USUAL_EXTRA_STEPS * noise.step_mm
    jitter = _component(
        noise.jitter_s**2,
        rate_mm_s**2,
        squares,
        variance=variance,
        freedom=freedom,
        usual=_USUAL_JITTER_S**2 if jitter_s is None else max(jitter_s, _LEAST_JITTER_S) ** 2,
        count=count_known(jitter_s),
    )
    extra = _component(
        noise.extra_mm**2,
        np.ones_like(variance),
        squares,
        variance=variance,
        freedom=freedom,
        usual=usual_extra**2,
    )
    most_extra = _MOST_EXTRA_MM + _MOST_EXTRA_STEPS * noise.step_mm
    return replace(
        noise,
        jitter_s=min(float(np.sqrt(jitter)), max(_MOST_JITTER_S, _MOST_OF_KNOWN * (jitter_s or 0.0))),
        extra_mm=min(float(np.sqrt(extra)), most_extra),
    )


def count_known(jitter_s: float | None) -> float:
    """As how many readings it counts what is known of the jitter before the readings."""
    return _USUAL_COUNT if jitter_s is None else _KNOWN_COUNT


def _component(
    present: float,
    shape: Floats,
    squares: Floats,
    *,
    variance: Floats,
    freedom: Floats,
    usual: float,
    count: float = _USUAL_COUNT,
) -> float:
    """One round towards the size of one kind of scatter, which the usual size holds as so many readings would."""
    present = max(present, 1e-3 * usual, 1e-14)
    share = present * shape / variance
    found = float(np.sum(share * squares / variance)) + count * usual / present
    return present * found / (float(np.sum(share * freedom)) + count)


def local_roughness(ratio: Floats, cell: Ints, before: Floats) -> Floats:
    """By how much the variance of the readings in each cell exceeds the noise model's.

    A base circle that is not round, a flank that chatters: such readings must not pull on the lag with the
    weight of their fine resolution. Judged by the mean size of the residuals, the wild ones clipped, and only
    where there are many.

    Parameters
    ----------
    ratio : ndarray, shape (m,)
        Residuals over their standard deviation by the noise model.
    cell : ndarray of int, shape (m,)
    before : ndarray, shape (cells + 1,)
        The present roughness; the last is the base circle's.
    """
    scale = np.sqrt(before)
    size = np.minimum(np.abs(ratio) / scale[cell], _CLIP)
    total = np.bincount(cell, size, len(before))
    count = np.bincount(cell, minlength=len(before)).astype(np.float64)
    total[:-1], count[:-1] = (
        uniform_filter1d(part[:-1], 3, mode="constant") * 3.0 for part in (total, count)
    )
    mean = _MEAN_OF_NORMAL * total / np.maximum(count, 1.0) * scale
    doubt = _SPREAD_OF_MEAN / np.sqrt(np.maximum(count, 1.0))
    rough = np.maximum(mean - _ROUGH_DOUBTS * doubt, 1.0) ** 2
    return np.where(count >= _FEWEST_ROUGH, rough, 1.0)


def shared_error(value_mm: Floats, lift_mm: Floats, step_mm: float) -> Floats:
    """How many readings share one rounding error: a display that rests says the same thing again.

    A run of equal readings over which the curve moves by a whole step holds independent errors; a run over
    which it does not move holds one.
    """
    if step_mm <= 0.0:
        return np.ones_like(value_mm)
    starts = np.flatnonzero(np.concatenate([[True], np.abs(np.diff(value_mm)) > 0.5 * step_mm]))
    count = np.diff(np.append(starts, len(value_mm)))
    travel = np.maximum.reduceat(lift_mm, starts) - np.minimum.reduceat(lift_mm, starts)
    shared = count / (1.0 + (count - 1.0) * np.minimum(travel / step_mm, 1.0))
    repeated: Floats = np.repeat(shared, count)
    return repeated


def shared_rounding_mm(readings_mm: Floats, step_mm: float) -> float:
    """Uncertainty that rounding leaves in the mean of readings of one level, such as a base circle's.

    Where all show the same digits their rounding is one and the same, however many they are (GUM F.2.2.1). Where
    scatter spreads them over several digits it averages out, as the first harmonic of a quantiser's error does
    under normal noise (Widrow & Kollar 2008, chapter on dithering: from memory).
    """
    alone = step_mm / np.sqrt(12.0)
    if len(readings_mm) < 2:
        return float(alone)
    low, high = np.quantile(readings_mm, _MIDDLE_PART)  # which the odd wild reading does not widen
    scatter = min(0.5 * float(high - low) / step_mm, 1.0)
    return float(alone * np.exp(-2.0 * (np.pi * scatter) ** 2))

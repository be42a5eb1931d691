"""Corners and steps in a lift curve: a lobe is ground smooth, so whatever has one was not followed all round.

A plunger at its stop, a valve on a piston, a spring that throws the cam over the nose, a drive that jumped in
the only pass: each breaks the curve at one phase, in its slope or in its level. Held against the readings
over narrow bins of phase: a cubic with a free step of the second derivative (lobes have those, where arcs
join) against the same with a corner or a step more, at every bin. Where the hand slows down or stops, a lag that
is not known bends the curve by itself: there nothing is judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats
from analysis.curve import LobeFit, shared_error

_BIN_DEG = 0.75
REACH_DEG = 14.0
_FARTHEST_DEG = 24.0
_FEWEST_SIDE = 5
_LEAST_SHARE_OF_STEP = 0.15
_WILD = 6.0
_SHARED = 5
_MOST_BLUR_DEG = 1.0

Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Breaks:
    """What breaks there are at each candidate phase.

    Attributes
    ----------
    phase_deg : ndarray, shape (c,)
        Counted from the survey's start.
    lift_mm : ndarray, shape (c,)
        The fitted curve there.
    corner_mm_deg, corner_chi : ndarray, shape (c,)
        Change of slope, and by how much it lowers the sum of squares.
    step_mm, step_chi : ndarray, shape (c,)
        Change of level, likewise.
    reach_deg : ndarray, shape (c,)
        How far on either side readings were needed: the farther, the more a sound curve may bend.
    """

    phase_deg: Floats
    lift_mm: Floats
    corner_mm_deg: Floats
    corner_chi: Floats
    step_mm: Floats
    step_chi: Floats
    reach_deg: Floats


def find_breaks(fit: LobeFit) -> Breaks:
    """Try every phase of a lobe for a corner and for a step.

    Returns
    -------
    Breaks
        Phases with too few readings round them are left out, and those where a lag that is not known tells on its own.
    """
    phase, value, variance, speed = _binned(fit)
    width = 2 * _FEWEST_SIDE
    if len(phase) < width + 2:
        empty = np.zeros(0)
        return Breaks(empty, empty, empty, empty, empty, empty, empty)
    at = np.arange(_FEWEST_SIDE, len(phase) - _FEWEST_SIDE + 1)
    middle = 0.5 * (phase[at - 1] + phase[at])
    near = (phase[at + _FEWEST_SIDE - 1] - middle < _FARTHEST_DEG) & (
        middle - phase[at - _FEWEST_SIDE] < _FARTHEST_DEG
    )
    at, middle = at[near], middle[near]
    reach = np.maximum(
        REACH_DEG, np.maximum(phase[at + _FEWEST_SIDE - 1] - middle, middle - phase[at - _FEWEST_SIDE]) + 0.1
    )
    first, last = np.searchsorted(phase, middle - reach), np.searchsorted(phase, middle + reach)
    index = first[:, None] + np.arange(int((last - first).max()) if len(at) else 0)
    inside = index < last[:, None]
    index = np.minimum(index, len(phase) - 1)
    sharp = _spread(speed[index], inside) * fit.lag_u_s < _MOST_BLUR_DEG
    at, middle, reach, index, inside = at[sharp], middle[sharp], reach[sharp], index[sharp], inside[sharp]
    x = (phase[index] - middle[:, None]) / reach[:, None]
    weight = np.where(inside, 1.0 / variance[index], 0.0)
    y = np.where(inside, value[index], 0.0)
    patterns = (np.maximum(x, 0.0), (x > 0.0).astype(np.float64))
    (corner, corner_chi), (step, step_chi) = _gains(x, y, weight, patterns)
    return Breaks(middle, fit.lift_mm(middle), corner / reach, corner_chi, step, step_chi, reach)


def _spread(values: Floats, inside: NDArray[np.bool_]) -> Floats:
    """How far the values of each window lie apart."""
    most = np.max(np.where(inside, values, -np.inf), axis=1, initial=-np.inf)
    return np.asarray(most - np.min(np.where(inside, values, np.inf), axis=1, initial=np.inf))


def _binned(fit: LobeFit) -> tuple[Floats, Floats, Floats, Floats]:
    """Readings above the curve's ends in narrow bins: phase, lift, variance and speed of each."""
    placed = fit.placed
    lift = placed.residual_mm + placed.lift_mm
    shared = shared_error(lift, placed.lift_mm, fit.noise.step_mm)
    variance = fit.variance_mm2 + (shared - 1.0) * fit.noise.step_mm**2 / 12.0
    use = placed.known & (placed.phase_deg > fit.basis.first_deg) & (placed.phase_deg < fit.basis.last_deg)
    use &= ~_alone(np.abs(placed.residual_mm) > _WILD * np.sqrt(variance))
    bins, which = np.unique(np.floor(placed.phase_deg[use] / _BIN_DEG), return_inverse=True)
    count = len(bins)
    weight = 1.0 / variance[use]
    total = np.bincount(which, weight, count)
    phase = np.bincount(which, weight * placed.phase_deg[use], count) / total
    value = np.bincount(which, weight * lift[use], count) / total
    speed = np.bincount(which, weight * placed.speed_deg_s[use], count) / total
    least = (_LEAST_SHARE_OF_STEP * fit.noise.step_mm) ** 2
    return phase, value, np.maximum(1.0 / total, least), speed


def _alone(far: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Those of the flagged, in order of time, without a flagged neighbour on both sides: wild readings."""
    padded = np.concatenate([[False], far, [False]])
    return np.asarray(far & ~(padded[:-2] & padded[2:]))


def _gains(
    x: Floats, y: Floats, weight: Floats, patterns: tuple[Floats, Floats]
) -> Iterator[tuple[Floats, Floats]]:
    """Size of each pattern beside a cubic with a free second derivative, and its chi-square, for each window."""
    late = np.maximum(x, 0.0)
    design = np.stack([np.ones_like(x), x, x**2, x**3, late**2, *patterns, y], axis=1)
    whole = (design * weight[:, None, :]) @ np.swapaxes(design, 1, 2)
    for pattern in (_SHARED, _SHARED + 1):
        asked = [*range(_SHARED), pattern]
        normal, right = whole[:, asked][:, :, asked], whole[:, asked, -1]
        scale = 1.0 / np.sqrt(np.maximum(np.einsum("ckk->ck", normal), 1e-30))
        normal = normal * scale[:, :, None] * scale[:, None, :] + 1e-9 * np.eye(len(asked))
        last = np.zeros((len(x), len(asked), 1))
        last[:, -1] = 1.0
        pull = np.linalg.solve(normal, last)[:, :, 0]
        size = np.einsum("ck,ck->c", pull, right * scale)
        yield size * scale[:, -1], size**2 / np.maximum(pull[:, -1], 1e-30)

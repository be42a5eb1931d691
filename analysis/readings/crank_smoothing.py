"""The crank's motion drawn smoothly through what an encoder's counts tell: no smoother than the hand turned.

A hand changes the crank's acceleration by so much a second and no faster. Taken as chance, that is a random third
derivative of a certain strength, and the likeliest motion is the one with the least weighted sum of squares of
misfit and of third differences (Whittaker 1923; Wahba 1978): one banded system of equations. The strength is
told by the motion itself, moment by moment: steady turning is smoothed over long stretches, a start or a stop over
short ones.

With white noise of density d on the angle and a third derivative of density q, smoothing passes what is slower
than w = (q / d)^(1/6) rad/s. The variance left is d w / 3. The third derivative of the smoothed motion has a mean
square of (w / 3) (5/6 q' + 1/6 q) where q was supposed and q' is true: that gives q' in turn.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, solveh_banded
from scipy.ndimage import uniform_filter1d

from analysis.base import Floats

_FEWEST_KNOTS = 6
_FIRST_PACE = 30.0
_LEAST_PACE = 8.0
_MOST_PACE_STEP = 0.7
_WINDOW_S = 0.15
_ROUNDS = 3
_LEAST_SHARE = 0.05
_LEAST_TO_USUAL, _TINY = 1e-6, 1e-18
_THIRD = np.array([-1.0, 3.0, -3.0, 1.0])


def smooth_motion(
    place: Floats, angle_deg: Floats, variance_deg2: Floats, density_deg2_s: Floats, step_s: float
) -> tuple[Floats, Floats] | None:
    """Draw the likeliest motion through knots.

    Parameters
    ----------
    place : ndarray, shape (k,)
        Where the knots stand on an even grid, in its steps, rising.
    angle_deg, variance_deg2 : ndarray, shape (k,)
        Angle of each knot and its variance.
    density_deg2_s : ndarray, shape (c,)
        Density of the knots' noise at each point of the grid.
    step_s : float
        Step of the grid.

    Returns
    -------
    angle_deg, variance_deg2 : ndarray, shape (c,)
        Angles at the points of the grid, to be joined by straight lines, and their variances; `None` where the
        knots are too few to tell a motion.
    """
    cells = len(density_deg2_s)
    if len(place) < _FEWEST_KNOTS or cells < len(_THIRD) + 2:
        return None
    base = float(angle_deg[0])
    density = _at_least(density_deg2_s)
    bands, pulled = _knots_on_grid(place, angle_deg - base, 1.0 / _at_least(variance_deg2), cells)
    pace = np.full(cells, min(_FIRST_PACE, _MOST_PACE_STEP / step_s))
    try:
        for _ in range(_ROUNDS):
            pace = _pace(_least_squares(bands, pulled, density * pace**6, step_s), density, pace, step_s)
        angle = _least_squares(bands, pulled, density * pace**6, step_s)
    except LinAlgError:
        return None
    return base + angle, density * pace / 3.0


def _at_least(values: Floats) -> Floats:
    """None so small beside the others that numbers of 16 digits could not hold both."""
    return np.maximum(values, max(_LEAST_TO_USUAL * float(np.median(values)), _TINY))


def _knots_on_grid(place: Floats, angle: Floats, weight: Floats, cells: int) -> tuple[Floats, Floats]:
    """Normal equations of straight lines between the points of the grid: upper bands, and right-hand side."""
    left = np.minimum(place.astype(np.intp), cells - 2)
    late = place - left
    early = 1.0 - late

    def gathered(value: Floats, at: NDArray[np.intp]) -> Floats:
        return np.asarray(np.bincount(at, value, cells), dtype=np.float64)

    right = left + 1
    bands = np.zeros((len(_THIRD), cells))
    bands[-1] = gathered(weight * early**2, left) + gathered(weight * late**2, right)
    bands[-2] = gathered(weight * early * late, right)
    return bands, gathered(weight * early * angle, left) + gathered(weight * late * angle, right)


def _least_squares(bands: Floats, pulled: Floats, roughness: Floats, step_s: float) -> Floats:
    """Angles of the least sum of misfit and of third differences, each over its variance."""
    third = 2.0 * step_s**-5 / (roughness[1:-2] + roughness[2:-1])
    whole, last = bands.copy(), len(_THIRD) - 1
    for i in range(len(_THIRD)):
        for j in range(i, len(_THIRD)):
            whole[last - (j - i), j : j + len(third)] += _THIRD[i] * _THIRD[j] * third
    return np.asarray(solveh_banded(whole, pulled, overwrite_ab=True, check_finite=False))


def _pace(angle: Floats, density: Floats, pace: Floats, step_s: float) -> Floats:
    """How fast a change of the motion the smoothing should pass, rad/s, by the third derivative that it has left."""
    square = np.empty_like(angle)
    square[2:-1] = np.square(np.diff(angle, 3) * step_s**-3)
    square[:2], square[-1] = square[2], square[-2]
    window = 2 * round(0.5 * _WINDOW_S / step_s) + 1
    supposed = density * pace**6
    told = 1.2 * (_twice(3.0 * square / pace, window) - _twice(supposed, window) / 6.0)
    told = np.maximum(told, _LEAST_SHARE * supposed)
    most = _MOST_PACE_STEP / step_s
    return np.clip((told / density) ** (1.0 / 6.0), min(_LEAST_PACE, most), most)


def _twice(values: Floats, window: int) -> Floats:
    once = uniform_filter1d(values, window, mode="nearest")
    return np.asarray(uniform_filter1d(once, window, mode="nearest"))

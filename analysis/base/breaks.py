"""Whether one moment splits a trace in two: a stand knocked, an encoder slipped, a key pressed.

A fit that holds for all readings leaves residuals without memory. If from some moment on every reading is
off by one pattern (a constant, the slope of the curve, the curve itself), the pattern explains residuals that
the parameters of the fit cannot: a score test against a change at an unknown moment, for all moments at once,
in time proportional to the readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base.streams import Floats

_CLIP = 4.0
_FEWEST = 5
_STRETCHES = 20
# A pattern that the parameters can mimic to a thirtieth of its size cannot be told from them.
_LEAST_FREE = 1e-3


@dataclass(frozen=True, slots=True)
class Suspicion:
    """The best explanation of one kind.

    Attributes
    ----------
    chi_square : float
        By how much the pattern lowers the sum of squares, in units of variance, one freedom.
    size : float
        By how much of the pattern the later readings are off.
    index : int
        First reading after the change; 0 for a pattern that runs through the whole trace.
    pull : ndarray, shape (p,)
        By how much the pattern, left out, has pulled each parameter of the fit.
    """

    chi_square: float
    size: float
    index: int
    pull: Floats


class Residuals:
    """Residuals of a fit, made ready for asking what could explain them.

    Parameters
    ----------
    residual : ndarray, shape (m,)
        In order of time.
    variance : ndarray, shape (m,)
    jacobian : ndarray, shape (m, p)
        Derivatives of the fitted model.
    covariance : ndarray, shape (p, p)
        Of the fitted parameters.
    pull : ndarray, shape (p,)
        What was known before the readings, as a force on each parameter: precision times (mean less value).
        Without it a parameter dragged far from what is known would hide the very fault that drags it.
    """

    def __init__(
        self, residual: Floats, variance: Floats, jacobian: Floats, covariance: Floats, pull: Floats
    ) -> None:
        sd = np.sqrt(variance)
        clipped = np.clip(residual / sd, -_CLIP, _CLIP)
        self._scaled = jacobian / sd[:, None]
        self._covariance = covariance
        self._sd = sd
        self._left = clipped - self._scaled @ (covariance @ (self._scaled.T @ clipped + pull))
        freedom = max(len(clipped) - float(np.trace(covariance @ (self._scaled.T @ self._scaled))), 1.0)
        self._freedom = freedom

    def change(self, pattern: Floats) -> Suspicion:
        """The moment from which on the pattern explains most."""
        scaled = pattern / self._sd
        ahead = _from_here(scaled * self._left)
        weight = _from_here(scaled**2)
        shared = _from_here(scaled[:, None] * self._scaled)
        free = weight - np.sum((shared @ self._covariance) * shared, axis=1)
        seen = free > _LEAST_FREE * weight[0]
        gain = np.where(seen, ahead**2 / np.where(seen, free, 1.0), 0.0)
        gain[:_FEWEST] = gain[len(gain) - _FEWEST + 1 :] = 0.0
        index = int(np.argmax(gain))
        if gain[index] <= 0.0:
            return Suspicion(0.0, 0.0, index, np.zeros(shared.shape[1]))
        later = np.where(np.arange(len(scaled)) >= index, scaled, 0.0)
        return self._suspicion(scaled, later, float(ahead[index]), float(free[index]), index)

    def throughout(self, pattern: Floats) -> Suspicion:
        """How much a pattern explains that runs through the whole trace."""
        scaled = pattern / self._sd
        shared = self._scaled.T @ scaled
        free = float(scaled @ scaled - shared @ self._covariance @ shared)
        if free <= _LEAST_FREE * float(scaled @ scaled):
            return Suspicion(0.0, 0.0, 0, np.zeros(len(shared)))
        return self._suspicion(scaled, scaled, float(scaled @ self._left), free, 0)

    def _suspicion(self, scaled: Floats, applied: Floats, along: float, free: float, index: int) -> Suspicion:
        size = along / free
        pull = self._covariance @ (self._scaled.T @ applied)
        unexplained = self._left - size * (applied - self._scaled @ pull)
        scatter = max(
            float(unexplained @ unexplained) / self._freedom, _slow_scatter(unexplained, scaled), 1.0
        )
        return Suspicion(along * size / scatter, size, index, pull * size)


def _slow_scatter(left: Floats, scaled: Floats) -> float:
    """Mean square of the residuals as they add up over stretches: 1 or so when they are independent."""
    borders = np.linspace(0, len(left), min(_STRETCHES, len(left) // 4) + 1).astype(np.intp)[:-1]
    if len(borders) < 4:
        return 0.0
    sums, weights = np.add.reduceat(scaled * left, borders), np.add.reduceat(scaled**2, borders)
    return float(np.mean(sums**2 / np.maximum(weights, 1e-300)))


def _from_here(values: Floats) -> Floats:
    """Sum from each reading to the last."""
    return np.asarray(np.cumsum(values[::-1], axis=0)[::-1])

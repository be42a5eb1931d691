"""Cubic B-splines on even knots: the curve's alphabet, cheap to evaluate and to fit.

At an end that is `clamped` the splines run out to zero with level, slope and curvature, so that the curve
joins the base circle there by construction; at an open end they do not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.streams import Floats

Ints = NDArray[np.intp]

_CUBIC = (
    np.array([[1.0, -3.0, 3.0, -1.0], [4.0, 0.0, -6.0, 3.0], [1.0, 3.0, 3.0, -3.0], [0.0, 0.0, 0.0, 1.0]])
    / 6.0
)
"""Row a: polynomial in the share of the cell, of the spline that began 3 - a cells earlier."""


@dataclass(frozen=True, slots=True)
class SplineBasis:
    """Cubic B-splines over a window of cam phase.

    Attributes
    ----------
    first_deg : float
        Left end of the window.
    knot_deg : float
        Distance between knots.
    cells : int
        Number of knot intervals in the window.
    clamped_left, clamped_right : bool
        Whether the curve runs out to zero at that end.
    """

    first_deg: float
    knot_deg: float
    cells: int
    clamped_left: bool
    clamped_right: bool

    @property
    def last_deg(self) -> float:
        """Right end of the window."""
        return self.first_deg + self.cells * self.knot_deg

    @property
    def skipped(self) -> int:
        """Splines left out at the left end."""
        return 3 if self.clamped_left else 0

    @property
    def size(self) -> int:
        """Number of coefficients."""
        return self.cells + 3 - self.skipped - (3 if self.clamped_right else 0)

    def local(self, phase_deg: Floats, derivative: int = 0) -> tuple[Ints, Floats]:
        """The four splines that live at each phase.

        Parameters
        ----------
        phase_deg : ndarray, shape (n,)
        derivative : int
            0 for values, 1 for slopes a degree, 2, 3.

        Returns
        -------
        index : ndarray of int, shape (n, 4)
            Coefficients concerned; where a spline is left out its value is 0 and the index 0.
        value : ndarray, shape (n, 4)
        """
        place = (phase_deg - self.first_deg) / self.knot_deg
        cell = np.clip(np.floor(place), 0, self.cells - 1)
        share = place - cell
        inside = (place >= 0.0) & (place <= self.cells)
        value = _polynomials(share, derivative) / self.knot_deg**derivative
        index = cell.astype(np.intp)[:, None] + np.arange(4, dtype=np.intp) - self.skipped
        known = inside[:, None] & (index >= 0) & (index < self.size)
        return np.where(known, index, 0), np.where(known, value, 0.0)

    def evaluate(self, coefficients: Floats, phase_deg: Floats, derivative: int = 0) -> Floats:
        """Value of the curve (or a derivative) at the given phases, held to the window's ends where open."""
        index, value = self.local(self.held(phase_deg), derivative)
        total: Floats = np.einsum("ij,ij->i", coefficients[index], value)
        return total

    def held(self, phase_deg: Floats) -> Floats:
        """Phases, those beyond an open end moved to it."""
        low = -np.inf if self.clamped_left else self.first_deg
        high = np.inf if self.clamped_right else self.last_deg
        return np.clip(phase_deg, low, high)

    def rows(self, phase_deg: Floats, derivative: int = 0) -> Floats:
        """Dense design rows, shape (n, size)."""
        index, value = self.local(self.held(np.atleast_1d(phase_deg)), derivative)
        dense = np.zeros((len(index), self.size))
        np.add.at(dense, (np.arange(len(index))[:, None], index), value)
        return dense

    def third_differences(self) -> Floats:
        """Matrix of third differences of the coefficients, left-out ones counting as zero."""
        full = self.cells + 3
        difference = np.diff(np.eye(full), n=3, axis=0)
        return difference[:, self.skipped : self.skipped + self.size]


def _polynomials(share: Floats, derivative: int) -> Floats:
    powers = np.zeros((len(share), 4))
    for power in range(derivative, 4):
        factor = float(np.prod(np.arange(power - derivative + 1, power + 1))) if derivative else 1.0
        powers[:, power] = factor * share ** (power - derivative)
    values: Floats = powers @ _CUBIC.T
    return values


def gram(index: Ints, value: Floats, weight: Floats, size: int) -> Floats:
    """Weighted normal matrix of spline rows, shape (size, size)."""
    total = np.zeros(size * size)
    weighted = value * weight[:, None]
    for a in range(4):
        for b in range(a, 4):
            part = np.bincount(index[:, a] * size + index[:, b], weighted[:, a] * value[:, b], size * size)
            total += part if a == b else part + part.reshape(size, size).T.ravel()
    return total.reshape(size, size)


def project(index: Ints, value: Floats, weighted: Floats, size: int) -> Floats:
    """Spline rows transposed times a vector, shape (size,)."""
    weights = (value * weighted[:, None]).ravel()
    return np.asarray(np.bincount(index.ravel(), weights, size), dtype=np.float64)

"""Cubic B-splines over knots of any spacing: the curve's alphabet, cheap to evaluate and to fit.

At an end that is `clamped` the splines run out to zero with level, slope and curvature, so that the curve
joins the base circle there by construction; at an open end they do not.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats

Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Spots:
    """Phases as a basis sees them: the cell of each, how far into it, degrees, and whether the curve lives there."""

    cell: Ints
    into: Floats
    inside: Bools


@dataclass(frozen=True)
class SplineBasis:
    """Cubic B-splines over a window of cam phase.

    Attributes
    ----------
    knots_deg : ndarray, shape (cells + 1,)
        Ends of the cells, rising.
    clamped_left, clamped_right : bool
        Whether the curve runs out to zero at that end.
    """

    knots_deg: Floats
    clamped_left: bool
    clamped_right: bool

    @property
    def cells(self) -> int:
        """Number of knot intervals."""
        return len(self.knots_deg) - 1

    @property
    def first_deg(self) -> float:
        """Left end of the window."""
        return float(self.knots_deg[0])

    @property
    def last_deg(self) -> float:
        """Right end of the window."""
        return float(self.knots_deg[-1])

    @property
    def skipped(self) -> int:
        """Splines left out at the left end."""
        return 3 if self.clamped_left else 0

    @property
    def size(self) -> int:
        """Number of coefficients."""
        return self.cells + 3 - self.skipped - (3 if self.clamped_right else 0)

    @cached_property
    def widths_deg(self) -> Floats:
        """Width of each cell."""
        return np.asarray(np.diff(self.knots_deg), dtype=np.float64)

    @cached_property
    def _cubics(self) -> Floats:
        """Power (of degrees into the cell), cell, spline: coefficients of the four splines of each cell."""
        head = self.knots_deg[0] - self.widths_deg[0] * np.arange(3, 0, -1)
        tail = self.knots_deg[-1] + self.widths_deg[-1] * np.arange(1, 4)
        table = _cell_cubics(np.concatenate([head, self.knots_deg, tail]))
        kept = np.arange(self.cells)[:, None] + np.arange(4) - self.skipped
        table[:, (kept < 0) | (kept >= self.size)] = 0.0
        return table

    @cached_property
    def _first_index(self) -> Ints:
        kept = np.arange(self.cells)[:, None] + np.arange(4) - self.skipped
        return np.asarray(np.clip(kept, 0, self.size - 1), dtype=np.intp)

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
            Coefficients concerned; where a spline is left out its value is 0.
        value : ndarray, shape (n, 4)
        """
        cell, into, inside = self._locate(phase_deg)
        return self._first_index[cell], self._values(cell, into, inside, derivative)

    def spots(self, phase_deg: Floats) -> Spots:
        """Find the cells of phases."""
        return Spots(*self._locate(phase_deg))

    def curve(self, coefficients: Floats, spots: Spots) -> tuple[Floats, Floats]:
        """Level and slope of a curve at each spot."""
        level, slope, bend, third = self.cubics_of(coefficients)[:, spots.cell]
        into = spots.into
        lift = level + into * (slope + into * (bend + into * third))
        steep = slope + into * (2.0 * bend + 3.0 * into * third)
        return np.where(spots.inside, lift, 0.0), np.where(spots.inside, steep, 0.0)

    def cubics_of(self, coefficients: Floats, derivative: int = 0) -> Floats:
        """A curve (or derivative) in each cell by powers of the way into it, shape (powers, cells)."""
        own = np.einsum("pck,ck->pc", self._cubics, coefficients[self._first_index])
        return _differentiated(own, derivative)

    def gram(self, spots: Spots, weight: Floats) -> Floats:
        """Weighted normal matrix of the splines, shape (size, size).

        Splines are cubics in each cell: all that the readings say of them is seven moments a cell.
        """
        moments = self._moments(spots, weight, 7)
        hankel = moments[:, np.arange(4)[:, None] + np.arange(4)]
        cubics = self._by_cell
        block = np.swapaxes(cubics, 1, 2) @ hankel @ cubics
        index = self._first_index
        place = index[:, :, None] * self.size + index[:, None, :]
        total = np.bincount(place.ravel(), block.ravel(), self.size**2)
        return np.asarray(total, dtype=np.float64).reshape(self.size, self.size)

    def project(self, spots: Spots, weighted: Floats) -> Floats:
        """Splines times a weighted column of the readings, shape (size,)."""
        return np.asarray(self.project_groups(spots, weighted, np.zeros(1, dtype=np.intp), 1)[0])

    def project_groups(self, spots: Spots, weighted: Floats, group: Ints, groups: int) -> Floats:
        """The same for each group of readings, shape (groups, size)."""
        moments = self._moments(spots, weighted, 4, group, groups).reshape(groups, self.cells, 4)
        own = np.swapaxes(moments, 0, 1) @ self._by_cell
        total = np.zeros((self.cells + 3, groups))
        for spline in range(4):
            total[spline : spline + self.cells] += own[:, :, spline]
        return np.ascontiguousarray(total[self.skipped : self.skipped + self.size].T)

    def quadratic(self, matrix: Floats, linear: Floats, spots: Spots) -> tuple[Floats, Floats]:
        """Splines times a matrix times splines, and splines times a column, at each spot."""
        index, cubics = self._first_index, self._by_cell
        block = cubics @ matrix[index[:, :, None], index[:, None, :]] @ np.swapaxes(cubics, 1, 2)
        square = np.zeros((7, self.cells))
        for power in range(4):
            square[power : power + 4] += block[:, power].T
        inside, into = spots.inside, spots.into
        column = self.cubics_of(linear)
        of_square, of_column = (_horner(of, spots.cell, into) for of in (square, column))
        return np.where(inside, of_square, 0.0), np.where(inside, of_column, 0.0)

    def row(self, phase_deg: float, derivative: int = 0) -> tuple[slice, Floats]:
        """Which coefficients one phase of the window concerns, and the splines' values there."""
        cell = min(max(int(np.searchsorted(self.knots_deg, phase_deg, side="right")) - 1, 0), self.cells - 1)
        into = phase_deg - float(self.knots_deg[cell])
        powers = (1.0, into, into**2, into**3) if not derivative else (0.0, 1.0, 2.0 * into, 3.0 * into**2)
        first = cell - self.skipped
        left, right = max(-first, 0), max(first + 4 - self.size, 0)
        value = np.array(powers) @ self._by_cell[cell]
        return slice(first + left, first + 4 - right), value[left : 4 - right]

    @cached_property
    def _by_cell(self) -> Floats:
        """The table of cubics by cell, power and spline."""
        return np.ascontiguousarray(np.swapaxes(self._cubics, 0, 1))

    def _moments(
        self, spots: Spots, weight: Floats, count: int, group: Ints | None = None, groups: int = 1
    ) -> Floats:
        """Sums of weight times powers of the way into the cell, shape (groups times cells, count)."""
        place = spots.cell if groups == 1 or group is None else group * self.cells + spots.cell
        rest = np.where(spots.inside, weight, 0.0)
        total = np.empty((groups * self.cells, count))
        for power in range(count):
            total[:, power] = np.bincount(place, rest, groups * self.cells)
            rest = rest * spots.into
        return total

    def evaluate(self, coefficients: Floats, phase_deg: Floats, derivative: int = 0) -> Floats:
        """Value of the curve (or a derivative) at the given phases; held at open ends, zero beyond others."""
        cell, into, inside = self._locate(phase_deg)
        total = _horner(self.cubics_of(coefficients, derivative), cell, into)
        return np.asarray(np.where(inside, total, 0.0), dtype=np.float64)

    def rows(self, phase_deg: Floats, derivative: int = 0) -> Floats:
        """Dense design rows, shape (n, size)."""
        index, value = self.local(np.atleast_1d(phase_deg), derivative)
        dense = np.zeros((len(index), self.size))
        np.add.at(dense, (np.arange(len(index))[:, None], index), value)
        return dense

    @cached_property
    def bends(self) -> Floats:
        """Third derivative in each cell times the root of its width, shape (cells, size).

        The sum of squares of its product with the coefficients is the integral of that derivative squared.
        """
        dense = np.zeros((self.cells, self.size))
        value = 6.0 * self._cubics[3] * np.sqrt(self.widths_deg)[:, None]
        np.add.at(dense, (np.arange(self.cells)[:, None], self._first_index), value)
        return dense

    def penalty(self, bending: Floats) -> Floats:
        """Give what bending costs: the square of the third derivative over its variance, as a matrix."""
        penalty: Floats = self.bends.T @ (self.bends / bending[:, None])
        return penalty

    def split(self, cells: NDArray[np.bool_], parts: int) -> tuple[SplineBasis, Ints]:
        """The same window with some cells split evenly, and the old cell in which each new one lies."""
        count = np.where(cells, parts, 1)
        parent = np.repeat(np.arange(self.cells), count)
        place = np.arange(len(parent)) - np.repeat(np.cumsum(count) - count, count)
        knots = self.knots_deg[parent] + place * (self.widths_deg / count)[parent]
        return SplineBasis(np.append(knots, self.last_deg), self.clamped_left, self.clamped_right), parent

    def taken_over(self, other: SplineBasis, coefficients: Floats) -> Floats:
        """Coefficients here of a curve of a basis over the same window whose knots are knots here."""
        at = (
            self.knots_deg[:-1, None] + self.widths_deg[:, None] * np.array([0.125, 0.375, 0.625, 0.875])
        ).ravel()
        spots = self.spots(at)
        right = self.project(spots, other.evaluate(coefficients, at))
        return np.asarray(np.linalg.solve(self.gram(spots, np.ones_like(at)), right), dtype=np.float64)

    def covers(self, phase_deg: Floats) -> NDArray[np.bool_]:
        """Tell which phases the curve knows of: all but those beyond an open end."""
        after = self.clamped_left | (phase_deg >= self.first_deg)
        before = self.clamped_right | (phase_deg <= self.last_deg)
        known: NDArray[np.bool_] = after & before
        return known

    def _locate(self, phase_deg: Floats) -> tuple[Ints, Floats, NDArray[np.bool_]]:
        low = -np.inf if self.clamped_left else self.first_deg
        high = np.inf if self.clamped_right else self.last_deg
        held = np.minimum(np.maximum(phase_deg, low), high)
        cell = np.searchsorted(self.knots_deg, held, side="right") - 1
        inside = (cell >= 0) & (held <= self.last_deg)
        cell = np.minimum(np.maximum(cell, 0), self.cells - 1)
        return cell, held - self.knots_deg[cell], inside

    def _values(self, cell: Ints, into: Floats, inside: NDArray[np.bool_], derivative: int) -> Floats:
        table = _differentiated(self._cubics, derivative)[:, cell]
        column = into[:, None]
        total: Floats = table[-1]
        for power in range(len(table) - 2, -1, -1):
            total *= column
            total += table[power]
        total[~inside] = 0.0
        return total


def _differentiated(table: Floats, derivative: int) -> Floats:
    """Coefficients by power (first axis) of the derivative."""
    for _ in range(derivative):
        factor = np.arange(1, len(table)).reshape(-1, *([1] * (table.ndim - 1)))
        table = table[1:] * factor
    return table


def _cell_cubics(knots: Floats) -> Floats:
    """Power, cell, spline: the B-splines alive in each inner cell of extended knots, by Cox and de Boor."""
    cells = len(knots) - 7
    start = knots[3 : 3 + cells]
    share = np.array([0.0, 1.0 / 3.0, 2.0 / 3.0, 1.0])
    width = knots[4 : 4 + cells] - start
    at = start[:, None] + share * width[:, None]
    value = np.ones((cells, 1, len(share)))
    for degree in (1, 2, 3):
        raised = np.zeros((cells, degree + 1, len(share)))
        for k in range(degree):
            left = knots[3 - degree + 1 + k : 3 - degree + 1 + k + cells][:, None]
            right = knots[4 + k : 4 + k + cells][:, None]
            rising = (at - left) / (right - left)
            raised[:, k + 1] += rising * value[:, k]
            raised[:, k] += (1.0 - rising) * value[:, k]
        value = raised
    powers = np.linalg.inv(np.vander(share, 4, increasing=True))
    cubic = np.einsum("ps,cks->pck", powers, value)
    scale = width[None, :] ** -np.arange(4.0)[:, None]
    return np.asarray(cubic * scale[:, :, None], dtype=np.float64)


def _horner(table: Floats, cell: Ints, into: Floats) -> Floats:
    """Value of each cell's own polynomial; lowest power first."""
    total: Floats = table[-1, cell]
    for power in range(len(table) - 2, -1, -1):
        total *= into
        total += table[power, cell]
    return total

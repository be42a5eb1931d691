"""Numbers read off a fitted lobe, each expanded to an interval from the fit's own covariance."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.base import Component, Floats, GaugeFacts, LobeSettings, encoder_u_deg, expand, limit_u
from analysis.curve import CYCLE_DEG, LobeFit, crossed_at
from analysis.lobe import LobeShape, Measured, Reading, base_rounding_mm

_FEWEST_FREEDOM = 3.0
_SLOPE_GRID_DEG = 0.5
_PLACE_DEG = 1e-6
_OVERTONES = np.arange(1.0, 41.0)
_BEYOND = float(np.pi**2 / 6.0 - np.sum(1.0 / _OVERTONES**2))
"""What of the sum over all overtones lies beyond: without noise a place strays by the step in root twelve."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A number with its expanded uncertainty (k = 2, or more where readings are few), in one unit."""

    value: float
    u95: float

    @property
    def told(self) -> bool:
        """Whether the number is more than its own uncertainty."""
        return abs(self.value) > self.u95


@dataclass(frozen=True, slots=True)
class Flank:
    """One side of a lobe: -1 opening, +1 closing."""

    side: int

    @property
    def rising(self) -> float:
        """What makes a slope of this flank positive."""
        return float(-self.side)


class ReadingOff:
    """One measured lobe, asked for anything that its curve tells.

    Parameters
    ----------
    found : Measured
        As `analysis.lobe.find_lobe_with_fit` gives it.
    """

    def __init__(self, found: Measured, settings: LobeSettings, gauge: GaugeFacts) -> None:
        self.found, self.settings, self.gauge = found, settings, gauge
        self.fit: LobeFit = found.fit
        self.shape: LobeShape = found.shape

    @cached_property
    def base_u_mm(self) -> float:
        """What rounding leaves unknown of the base circle, and so of every lift."""
        return base_rounding_mm(self.found)

    @cached_property
    def level_u_mm(self) -> float:
        """What is unknown of a lift whatever the fit says: the base's rounding and the gauge's stated error."""
        return float(np.hypot(self.base_u_mm, limit_u(self.gauge.error_mm or 0.0)))

    def figure(self, reading: Reading, *others: tuple[str, float]) -> Figure:
        """Expand a reading of the curve with what others add to it, standard uncertainties in its unit."""
        freedom = max(self.fit.scatter_freedom, _FEWEST_FREEDOM)
        parts = [Component("curve", reading.u(self.fit.covariance), freedom)]
        parts += [Component(name, abs(u)) for name, u in others if u]
        return Figure(reading.value, expand(parts).expanded)

    def crank_deg(self, phase_deg: float) -> float:
        """Crank degrees from true TDC, 0 to 720, of a phase of the fit."""
        return float(np.mod(phase_deg + self.fit.survey.start_deg - self.settings.tdc_deg, CYCLE_DEG))

    def turn_u_deg(self, from_deg: float, to_deg: float) -> float:
        """What an encoder out of round leaves unknown between two phases."""
        start = self.fit.survey.start_deg
        return encoder_u_deg(self.settings.encoder_error_deg, from_deg + start, to_deg + start)

    def from_tdc_u_deg(self, phase_deg: float) -> float:
        """What true TDC and the encoder leave unknown of a place."""
        turn = encoder_u_deg(
            self.settings.encoder_error_deg, self.settings.tdc_deg, phase_deg + self.fit.survey.start_deg
        )
        return float(np.hypot(self.settings.tdc_u_deg, turn))

    def rows(self, phase_deg: Floats, derivative: int = 0) -> Floats:
        """Gradients of the curve (or a derivative) at phases, by [coefficients, base (if any), lag]."""
        rows = np.zeros((len(phase_deg), len(self.fit.covariance)))
        rows[:, : self.fit.basis.size] = self.fit.basis.rows(phase_deg, derivative)
        return rows

    def derivative(self, phase_deg: float, order: int) -> float:
        """Value of a derivative, per crank degree, at a phase."""
        return float(self.fit.lift_mm(np.array([phase_deg]), order)[0])

    def band(self, phase_deg: Floats, derivative: int) -> tuple[Floats, Floats]:
        """Curve or derivative at phases and its standard uncertainty."""
        rows = self.rows(phase_deg, derivative)
        variance = np.einsum("ij,jk,ik->i", rows, self.fit.covariance, rows)
        return self.fit.lift_mm(phase_deg, derivative), np.sqrt(np.maximum(variance, 0.0))

    def slope(self, at: Reading, flank: Flank) -> Reading:
        """Rate of the flank at a place that itself is uncertain, mm a crank degree, positive on both flanks."""
        row = self.rows(np.array([at.value]), 1)[0]
        bend = self.derivative(at.value, 2)
        return Reading(flank.rising * self.derivative(at.value, 1), flank.rising * (row + bend * at.gradient))

    def steepest(self, flank: Flank) -> tuple[float, Reading] | None:
        """Phase and rate of the steepest place of a flank."""
        low, high = self.fit.basis.first_deg, self.fit.basis.last_deg
        ends = (low, self.shape.peak_deg) if flank.side < 0 else (self.shape.peak_deg, high)
        if ends[1] - ends[0] < 2.0 * _SLOPE_GRID_DEG:
            return None
        grid: Floats = np.arange(ends[0], ends[1], _SLOPE_GRID_DEG)
        slope = flank.rising * self.fit.lift_mm(grid, 1)
        at = float(grid[int(np.argmax(slope))])
        row = self.rows(np.array([at]), 1)[0]
        return at, Reading(float(slope.max()), flank.rising * row)

    def where_slope_passes(self, level: float, start_deg: float, flank: Flank) -> float | None:
        """Phase, from a steep place down the flank, at which its rate falls to a level."""
        low, high = self.fit.basis.first_deg, self.fit.basis.last_deg
        end = low if flank.side < 0 else high
        grid: Floats = np.arange(start_deg, end, flank.side * _SLOPE_GRID_DEG)
        if len(grid) < 2:
            return None
        slope = flank.rising * self.fit.lift_mm(grid, 1)
        below = np.flatnonzero(slope < level)
        if not len(below) or below[0] == 0:
            return None
        k = int(below[0])

        def over(phase: float) -> float:
            return flank.rising * self.derivative(phase, 1) - level

        return crossed_at(over, float(grid[k]), float(grid[k - 1]), _PLACE_DEG)

    def area_row(self, from_deg: float, to_deg: float) -> Floats:
        """Gradient of the area under the curve between two phases, mm times degrees."""
        # Cubics are integrated exactly by two points of Gauss and Legendre in every cell.
        knots = self.fit.basis.knots_deg
        inner = knots[(knots > from_deg) & (knots < to_deg)]
        edges = np.concatenate([[from_deg], inner, [to_deg]])
        middle, half = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.diff(edges)
        reach = half / np.sqrt(3.0)
        points = np.concatenate([middle - reach, middle + reach])
        weight = np.concatenate([half, half])
        return np.asarray(weight @ self.rows(points))


def rounded_u_mm(step_mm: float, variance_mm2: float) -> float:
    """Give what rounding leaves of one place, however often it is read, as a standard uncertainty.

    All where the last digit rests, little where it shakes: the mean of rounded readings strays from the place along a
    saw whose period is the step, and noise before the rounding flattens each of its overtones by the noise's
    characteristic function there: the finest first.

    Parameters
    ----------
    variance_mm2 : float
        Of the rounded readings; what rounding itself adds to it is taken off.
    """
    flattened = _flattened(step_mm, variance_mm2)
    return float(
        step_mm / np.pi * np.sqrt(0.5 * np.sum(flattened / _OVERTONES**2) + 0.5 * _BEYOND * flattened[-1])
    )


def rounded_wave_u_mm(step_mm: float, variance_mm2: float, swing_mm: float) -> float:
    """Give what rounding leaves of a wave's height, where the gauge goes to and fro by `swing_mm`.

    Along a flank places that are rounded otherwise make up for one another; what is left is of the tops, where the
    reading lingers. There an overtone k of the saw leaves q / (pi k) times twice the Bessel function of 2 pi k A / q, by
    its asymptote for amplitudes A from a step q on, the mean taken of all places where a top may lie within a step.
    """
    overtones = np.sum(_flattened(step_mm, variance_mm2) / _OVERTONES**3)
    lingering = step_mm / np.pi**2 * np.sqrt(2.0 * step_mm / max(swing_mm, 1e-9) * overtones)
    return min(float(lingering), rounded_u_mm(step_mm, variance_mm2))


def _flattened(step_mm: float, variance_mm2: float) -> Floats:
    """How much noise leaves of the square of each of the saw's overtones."""
    shakes = max(variance_mm2 - step_mm**2 / 12.0, 0.0)
    return np.asarray(np.exp(-4.0 * np.pi**2 * _OVERTONES**2 * shakes / max(step_mm, 1e-9) ** 2))

"""Numbers read off a fitted lift curve, each with its gradient, so its uncertainty follows from the fit."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

import numpy as np

from analysis.base import Floats
from analysis.curve import LobeFit, crossed_at

_GRID_DEG = 0.5
_CROSSING_DEG = 1e-9
_LEAST_FLAT_MM = 1e-3
_FLAT_DOUBTS = 1.5
_FLAT_STEPS = 0.3


@dataclass(frozen=True, slots=True)
class Reading:
    """A number of the curve and its gradient with respect to [coefficients, base (if any), lag]."""

    value: float
    gradient: Floats

    def u(self, covariance: Floats) -> float:
        """Standard uncertainty by the law of propagation (GUM 5.2.2)."""
        return float(np.sqrt(max(float(self.gradient @ covariance @ self.gradient), 0.0)))


class LobeShape:
    """One fitted curve, asked for its peak, its crossings and what follows from them."""

    def __init__(self, fit: LobeFit) -> None:
        self.fit = fit
        low, high = fit.basis.first_deg, fit.basis.last_deg
        self.grid_deg: Floats = np.linspace(low, high, int((high - low) / _GRID_DEG) + 2)
        self.grid_mm: Floats = fit.lift_mm(self.grid_deg)
        self._knots: list[float] = fit.basis.knots_deg.tolist()
        self._cubics: list[list[float]] = fit.basis.cubics_of(fit.coefficients).T.tolist()
        self._known: dict[tuple[float, int, bool], Reading | None] = {}
        self.peak_deg = self._peak_deg()
        self.peak_mm = self.at(self.peak_deg)[0]

    def at(self, phase_deg: float) -> tuple[float, float]:
        """Lift and slope at one phase of the window."""
        cell = min(max(bisect_right(self._knots, phase_deg) - 1, 0), len(self._cubics) - 1)
        into = phase_deg - self._knots[cell]
        level, slope, bend, third = self._cubics[cell]
        lift = level + into * (slope + into * (bend + into * third))
        return lift, slope + into * (2.0 * bend + 3.0 * into * third)

    def _peak_deg(self) -> float:
        at = int(np.argmax(self.grid_mm))
        a, b = self.grid_deg[max(at - 1, 0)], self.grid_deg[min(at + 1, len(self.grid_deg) - 1)]
        fine = np.linspace(a, b, 41)
        slope = self.fit.lift_mm(fine, 1)
        down = np.flatnonzero((slope[:-1] > 0.0) & (slope[1:] <= 0.0))
        if not len(down):
            return float(self.grid_deg[at])
        k = int(down[0])
        return float(fine[k] + slope[k] / (slope[k] - slope[k + 1]) * (fine[k + 1] - fine[k]))

    def _row(self, phase_deg: float, derivative: int = 0) -> Floats:
        row = np.zeros(len(self.fit.covariance))
        concerned, value = self.fit.basis.row(phase_deg, derivative)
        row[concerned] = value
        return row

    def lift(self, phase_deg: float) -> Reading:
        """Lift at one phase."""
        return Reading(self.at(phase_deg)[0], self._row(phase_deg))

    def peak(self) -> Reading:
        """Peak lift above the base circle (above zero reading where the base circle was not seen)."""
        return self.lift(self.peak_deg)

    def full_lift(self) -> Reading:
        """Phase of full lift: the middle of what lies no surer than noise below the peak.

        On a pointed nose that is where the slope is nought, on a flat one the middle of the flat.
        """
        doubt = self.peak().u(self.fit.covariance)
        drop = max(_LEAST_FLAT_MM, _FLAT_DOUBTS * doubt, _FLAT_STEPS * self.fit.noise.step_mm)
        middle = self.centre_at_drop(drop)
        if middle is not None:
            return middle
        bend = float(self.fit.lift_mm(np.array([self.peak_deg]), 2)[0])
        return Reading(self.peak_deg, self._row(self.peak_deg, 1) / max(-bend, 1e-9))

    def crossing(self, level_mm: float, side: int) -> float | None:
        """Phase nearest the peak at which the curve passes a level before (-1) or after (+1) the peak."""
        inside = self.grid_deg > self.peak_deg if side > 0 else self.grid_deg < self.peak_deg
        place = np.flatnonzero(inside & (self.grid_mm < level_mm))
        if not len(place):
            return None
        outer = int(place[0] if side > 0 else place[-1])
        out, near = float(self.grid_deg[outer]), float(self.grid_deg[outer - side])
        near = max(near, self.peak_deg) if side > 0 else min(near, self.peak_deg)
        if self.at(near)[0] <= level_mm:
            return near
        return crossed_at(lambda phase: self.at(phase)[0] - level_mm, out, near, _CROSSING_DEG)

    def at_level(self, level_mm: float, side: int, follow_peak: bool) -> Reading | None:
        """A crossing with its gradient; `follow_peak` when the level is told from the peak."""
        asked = (level_mm, side, follow_peak)
        if asked not in self._known:
            self._known[asked] = self._at_level(*asked)
        return self._known[asked]

    def _at_level(self, level_mm: float, side: int, follow_peak: bool) -> Reading | None:
        phase = self.crossing(level_mm, side)
        if phase is None:
            return None
        slope = self.at(phase)[1]
        if slope * side >= 0.0:
            return None
        level = self._row(self.peak_deg) if follow_peak else np.zeros(len(self.fit.covariance))
        return Reading(phase, (level - self._row(phase)) / slope)

    def pair_at_drop(self, drop_mm: float) -> tuple[Reading, Reading] | None:
        """The equal-lift pair at a drop below full lift."""
        level = self.peak_mm - drop_mm
        before, after = self.at_level(level, -1, True), self.at_level(level, 1, True)
        return None if before is None or after is None else (before, after)

    def centre_at_drop(self, drop_mm: float) -> Reading | None:
        """Middle of the equal-lift pair at a drop below full lift."""
        pair = self.pair_at_drop(drop_mm)
        if pair is None:
            return None
        before, after = pair
        return Reading(0.5 * (before.value + after.value), 0.5 * (before.gradient + after.gradient))

    def slope_at(self, level_mm: float, side: int) -> float:
        """Slope, mm a crank degree, where the curve passes a level before or after the peak; else nought."""
        phase = self.crossing(level_mm, side)
        return 0.0 if phase is None else self.at(phase)[1]

    def largest_slope(self) -> float:
        """Largest slope of the curve, mm a crank degree, without a sign."""
        return float(np.max(np.abs(self.fit.lift_mm(self.grid_deg, 1))))

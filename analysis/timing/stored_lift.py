"""A lift curve that was measured before, asked for lift and slope at any crank angle."""

from __future__ import annotations

import numpy as np

from analysis.base import Curve, Floats, Refusal
from analysis.timing.engine import CYCLE_DEG

_PERIODS = 20.0
"""Degrees of the curve repeated beyond either end, so that the join is as smooth as the rest."""


class StoredLift:
    """A measured lift curve: the whole cycle, or only the part that was seen.

    Between its points it is a monotone cubic (PCHIP), so it makes no bumps of its own.

    Parameters
    ----------
    crank_deg : ndarray, shape (n,)
        Rising crank degrees after overlap TDC of the reference cylinder; may run beyond 720.
    lift_mm : ndarray, shape (n,)
        Valve lift there.
    u_mm : ndarray, shape (n,), optional
        Standard uncertainty there.
    """

    def __init__(self, crank_deg: Floats, lift_mm: Floats, u_mm: Floats | None = None) -> None:
        deg, lift = np.asarray(crank_deg, float), np.asarray(lift_mm, float)
        u = np.zeros_like(lift) if u_mm is None else np.asarray(u_mm, float)
        _refuse_unless_a_curve(deg, lift)
        self.whole = bool(deg[-1] - deg[0] + 1.5 * float(np.median(np.diff(deg))) >= CYCLE_DEG)
        self.first_deg, self.last_deg = float(deg[0]), float(deg[-1])
        if self.whole:
            deg, lift, u = _closed(deg, lift, u)
        from scipy.interpolate import PchipInterpolator  # here: it would hold up the first page

        self._lift = PchipInterpolator(deg, lift)
        self._slope = self._lift.derivative()
        self._knots, self._u = deg, u
        self.nose_deg = float(deg[int(np.argmax(lift))] % CYCLE_DEG)

    @classmethod
    def of(cls, curve: Curve) -> StoredLift:
        """Return the stored lift of an estimator's curve."""
        return cls(curve.crank_deg, curve.lift_mm, curve.u_mm)

    def covers(self, crank_deg: float) -> bool:
        """Tell whether the curve was seen at an angle."""
        return self.whole or self._placed(crank_deg) <= self.last_deg

    def _placed(self, crank_deg: float) -> float:
        return self.first_deg + (crank_deg - self.first_deg) % CYCLE_DEG

    def _at(self, crank_deg: float) -> float:
        if not self.covers(crank_deg):
            raise Refusal(
                "curve_does_not_reach",
                f"The stored curve of this lobe was not seen at {crank_deg % CYCLE_DEG:.0f} deg. Measure it "
                "over two full turns.",
            )
        return self._placed(crank_deg)

    def lift_mm(self, crank_deg: float) -> float:
        """Return the lift at an angle; raises `Refusal` where the curve was not seen."""
        return float(self._lift(self._at(crank_deg)))

    def slope_mm_deg(self, crank_deg: float) -> float:
        """Return the slope at an angle, mm a crank degree; raises `Refusal` where it was not seen."""
        return float(self._slope(self._at(crank_deg)))

    def u_mm(self, crank_deg: float) -> float:
        """Return the standard uncertainty of the lift at an angle."""
        return float(np.interp(self._at(crank_deg), self._knots, self._u))

    def lifts_mm(self, crank_deg: Floats) -> Floats:
        """Return the lifts at many angles at once, NaN where the curve was not seen."""
        placed = self.first_deg + np.mod(np.asarray(crank_deg, float) - self.first_deg, CYCLE_DEG)
        lifts: Floats = self._lift(placed)
        return lifts if self.whole else np.where(placed <= self.last_deg, lifts, np.nan)

    def slopes_mm_deg(self, crank_deg: Floats) -> Floats:
        """Return the slopes at many angles at once, NaN where the curve was not seen."""
        placed = self.first_deg + np.mod(np.asarray(crank_deg, float) - self.first_deg, CYCLE_DEG)
        slopes: Floats = self._slope(placed)
        return slopes if self.whole else np.where(placed <= self.last_deg, slopes, np.nan)


def _refuse_unless_a_curve(deg: Floats, lift: Floats) -> None:
    if len(deg) < 5 or len(deg) != len(lift) or np.any(np.diff(deg) <= 0) or not np.all(np.isfinite(lift)):
        raise Refusal(
            "no_curve",
            "This lobe has no lift curve to compute from: at least five rising angles with their lifts are "
            "needed. Measure it over two full turns.",
        )


def _closed(deg: Floats, lift: Floats, u: Floats) -> tuple[Floats, Floats, Floats]:
    """One cycle, with a piece of it repeated at either end."""
    once = deg < deg[0] + CYCLE_DEG - 1e-9
    deg, lift, u = deg[once], lift[once], u[once]
    head, tail = deg <= deg[0] + _PERIODS, deg >= deg[-1] - _PERIODS
    return (
        np.concatenate([deg[tail] - CYCLE_DEG, deg, deg[head] + CYCLE_DEG]),
        np.concatenate([lift[tail], lift, lift[head]]),
        np.concatenate([u[tail], u, u[head]]),
    )

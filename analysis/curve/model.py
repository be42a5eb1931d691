"""What a lobe fit is given and what it gives: readings, prior of the lag, readings placed, the fitted lobe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, NoiseModel
from analysis.curve.basis import SplineBasis, Spots
from analysis.curve.survey import Survey
from analysis.readings import CrankNoise

Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class ForwardReadings:
    """Readings that count for the curve: arrival times and lift-positive values (polarity applied)."""

    time_s: Floats
    value_mm: Floats

    @property
    def through(self) -> Floats:
        """From -1 at the first reading to 1 at the last."""
        first_s, last_s = float(self.time_s[0]), float(self.time_s[-1])
        return np.asarray(2.0 * (self.time_s - first_s) / max(last_s - first_s, 1e-9) - 1.0)


@dataclass(frozen=True, slots=True)
class LagPrior:
    """What is known of the gauge before the fit.

    Attributes
    ----------
    lag_s, u_s : float
        Mean and standard uncertainty of its lag, seconds.
    jitter_s : float or None
        How far its readings were found to be late or early before, one standard deviation.
    stick_mm : float
        By how much its readings trail the plunger either way: taken out.
    wander_s : float
        By how much more lag may have to be given to the last reading than to one amid them, one standard deviation.
    """

    lag_s: float
    u_s: float
    jitter_s: float | None = None
    stick_mm: float = 0.0
    wander_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Placed:
    """Readings put onto the cycle with one lag, and what the curve says there.

    Attributes
    ----------
    phase_deg, speed_deg_s : ndarray, shape (m,)
        Where the crank stood one lag before, counted from the survey's start, and how fast it turned.
    spots : Spots
        The same as the splines see it.
    cell : ndarray of int, shape (m,)
        Cell of the splines; those beyond the window share one more, the base circle.
    lift_mm, slope_mm_deg, rate_mm_s : ndarray, shape (m,)
        The curve there, its slope, and how fast the plunger moved.
    crank : CrankNoise
        How far the crank's angle may be wrong there.
    crank_mm : ndarray, shape (m,)
        What the crank's own uncertainty makes of the reading.
    residual_mm : ndarray, shape (m,)
        Reading less base less curve.
    known : ndarray of bool, shape (m,)
        Where the crank's angle was known one lag before; elsewhere a reading counts for nothing.
    """

    phase_deg: Floats
    speed_deg_s: Floats
    spots: Spots
    cell: Ints
    lift_mm: Floats
    slope_mm_deg: Floats
    rate_mm_s: Floats
    crank: CrankNoise
    crank_mm: Floats
    residual_mm: Floats
    known: Bools


@dataclass(frozen=True, slots=True)
class LobeFit:
    """The fitted lobe.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
        Of the spline, mm above the base level where the base circle was seen, else mm of reading.
    base_mm : float or None
        Lift-positive reading on the base circle.
    covariance : ndarray
        Of [coefficients, base (if any), lag].
    bending : ndarray, shape (cells,)
        Variance of the third derivative along the lobe, mm²/deg⁵.
    weight, variance_mm2 : ndarray, shape (m,)
        Weight that each reading had, 1/mm², and its variance by the noise model alone.
    scatter_freedom : float
        Degrees of freedom with which jitter and other scatter were found.
    readings_known : float
        As how many readings it counted what was known of the jitter before.
    """

    survey: Survey
    basis: SplineBasis
    coefficients: Floats
    base_mm: float | None
    lag_s: float
    covariance: Floats
    noise: NoiseModel
    bending: Floats
    placed: Placed
    weight: Floats
    variance_mm2: Floats
    rounds: int
    scatter_freedom: float = float("inf")
    readings_known: float = 0.0

    @property
    def lag_u_s(self) -> float:
        """Standard uncertainty of the lag."""
        return float(np.sqrt(self.covariance[-1, -1]))

    def lift_mm(self, phase_deg: Floats, derivative: int = 0) -> Floats:
        """Curve (or derivative a degree) at phases counted from the survey's start."""
        return self.basis.evaluate(self.coefficients, phase_deg, derivative)

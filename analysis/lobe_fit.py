"""The joint fit: lift curve, base circle and lag together, smoothed as much as the readings ask for.

Each reading is the curve at the phase where the crank stood one lag earlier. The curve is a cubic spline
whose third differences are taken as independent with a variance of their own along the lobe (a kink where
clearance is taken up does not roughen the nose); variances are found by restricted maximum likelihood, with
Fellner and Schall's step (Wood & Fasiolo 2017), and leant weakly on the bending that any lobe of this height
has. The lag is one more unknown of the same Gauss-Newton step, so its uncertainty and that of the curve are
never separated.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.ndimage import uniform_filter1d

from analysis.crank_motion import CrankMotion
from analysis.lobe_basis import SplineBasis, gram, project
from analysis.lobe_survey import Survey
from analysis.noise_model import NoiseModel, robust_weights
from analysis.streams import Floats

_ROUNDS = 24
_SETTLED_S = 2e-5
_SETTLED_LOG = 0.05
_TYPICAL_DURATION_DEG = 260.0
_PRIOR_COUNT = 2.0
_NEIGHBOURS_DEG = 16.0
_STIFF = 1e-10

Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class ForwardReadings:
    """Readings that count for the curve: arrival times and lift-positive values (polarity applied)."""

    time_s: Floats
    value_mm: Floats


@dataclass(frozen=True, slots=True)
class LagPrior:
    """What is known of the lag before the fit: mean and standard uncertainty, seconds."""

    lag_s: float
    u_s: float


@dataclass(frozen=True, slots=True)
class Placed:
    """Readings put onto the cycle with one lag: where the crank stood and how fast it turned."""

    phase_deg: Floats
    speed_deg_s: Floats
    crank_u_deg: Floats


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
    weight : ndarray, shape (m,)
        Weight of each reading, 1/mm².
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
    residual_mm: Floats
    weight: Floats
    variance_mm2: Floats
    rate_mm_s: Floats
    rounds: int

    @property
    def lag_u_s(self) -> float:
        """Standard uncertainty of the lag."""
        return float(np.sqrt(self.covariance[-1, -1]))

    def lift_mm(self, phase_deg: Floats, derivative: int = 0) -> Floats:
        """Curve (or derivative a degree) at phases counted from the survey's start."""
        return self.basis.evaluate(self.coefficients, phase_deg, derivative)


def place(motion: CrankMotion, survey: Survey, time_s: Floats, lag_s: float) -> Placed:
    """Put readings onto the cycle."""
    then = time_s - lag_s
    return Placed(survey.unrolled(motion.angle_deg(then)), motion.speed_deg_s(then), motion.u_deg(then))


def fit_lobe(
    motion: CrankMotion,
    survey: Survey,
    basis: SplineBasis,
    readings: ForwardReadings,
    *,
    prior: LagPrior,
    noise: NoiseModel,
    bending: Floats | None = None,
) -> LobeFit:
    """Fit curve, base level and lag to forward readings.

    Parameters
    ----------
    prior : LagPrior
        Mean and standard uncertainty of the lag before the fit; the fit starts from the mean.
    noise : NoiseModel
        First guess; jitter and extra are found from the residuals.
    bending : ndarray, shape (k,), optional
        Variances of the third differences to start from.
    """
    work = _Work(motion, survey, basis, readings, prior)
    typical = _typical_bending(survey, basis)
    state = work.start(noise, bending if bending is not None else np.full(len(work.difference), typical))
    for count in range(1, _ROUNDS + 1):
        before = state
        state = work.round(state, typical)
        moved = abs(state.lag_s - before.lag_s)
        bent = float(np.max(np.abs(np.log(state.bending / before.bending))))
        if count > 3 and moved < _SETTLED_S and bent < _SETTLED_LOG:
            break
    return work.result(state, count)


def _typical_bending(survey: Survey, basis: SplineBasis) -> float:
    """Variance of a third difference of a plain lobe of this height."""
    third = 0.5 * survey.rough_lift_mm * (2.0 * np.pi / _TYPICAL_DURATION_DEG) ** 3 * basis.knot_deg**3
    return max(0.5 * third**2, 1e-14)


@dataclass(frozen=True, slots=True)
class _State:
    coefficients: Floats
    base: float
    lag_s: float
    noise: NoiseModel
    bending: Floats
    covariance: Floats


class _Work:
    """One fit at work: what stays the same through its rounds."""

    def __init__(
        self,
        motion: CrankMotion,
        survey: Survey,
        basis: SplineBasis,
        readings: ForwardReadings,
        prior: LagPrior,
    ) -> None:
        self.motion, self.survey, self.basis, self.readings, self.prior = (
            motion,
            survey,
            basis,
            readings,
            prior,
        )
        self.difference = basis.third_differences()
        self.size = basis.size
        self.has_base = survey.base_mm is not None

    def start(self, noise: NoiseModel, bending: Floats) -> _State:
        base = self.survey.base_mm or 0.0
        empty = np.zeros((self.size + self.has_base + 1,) * 2)
        state = _State(np.zeros(self.size), base, self.prior.lag_s, noise, bending, empty)
        placed = self._place(state)
        index, value = self.basis.local(self.basis.held(placed.phase_deg))
        weight = np.full(len(value), 1.0 / max(noise.step_mm, 0.02) ** 2)
        normal = gram(index, value, weight, self.size) + self._penalty(bending)
        right = project(index, value, weight * (self.readings.value_mm - base), self.size)
        return replace(state, coefficients=_solve(normal, right)[0])

    def round(self, state: _State, typical: float) -> _State:
        """One Gauss-Newton step, then noise and bending again."""
        placed = self._place(state)
        index, value = self.basis.local(self.basis.held(placed.phase_deg))
        slope = self._slope(state, placed)
        rate = slope * placed.speed_deg_s
        residual = self._residual(state, index, value)
        crank_mm = placed.crank_u_deg * np.abs(slope)
        share = self._freedom(state, index, value, rate, crank_mm)
        noise = state.noise.refitted(residual, share, rate, crank_mm)
        weight = self._weights(
            noise, rate, crank_mm, residual=residual, index=index, value=value, state=state
        )
        normal, right = self._normal(index, value, rate, weight=weight, residual=residual, state=state)
        step, covariance = _solve(normal, right)
        coefficients = state.coefficients + step[: self.size]
        base = state.base + (float(step[self.size]) if self.has_base else 0.0)
        lag = float(np.clip(state.lag_s + step[-1], -0.2, 0.6))
        bending = self._bend(coefficients, covariance, state.bending, typical)
        return _State(coefficients, base, lag, noise, bending, covariance)

    def result(self, state: _State, rounds: int) -> LobeFit:
        placed = self._place(state)
        index, value = self.basis.local(self.basis.held(placed.phase_deg))
        slope = self._slope(state, placed)
        rate = slope * placed.speed_deg_s
        residual = self._residual(state, index, value)
        crank_mm = placed.crank_u_deg * np.abs(slope)
        weight = self._weights(
            state.noise, rate, crank_mm, residual=residual, index=index, value=value, state=state
        )
        return LobeFit(
            self.survey,
            self.basis,
            state.coefficients,
            state.base if self.has_base else None,
            state.lag_s,
            state.covariance,
            state.noise,
            state.bending,
            placed,
            residual,
            weight,
            state.noise.variance_mm2(rate, crank_mm),
            rate,
            rounds,
        )

    def _place(self, state: _State) -> Placed:
        return place(self.motion, self.survey, self.readings.time_s, state.lag_s)

    def _slope(self, state: _State, placed: Placed) -> Floats:
        return self.basis.evaluate(state.coefficients, placed.phase_deg, 1)

    def _residual(self, state: _State, index: Ints, value: Floats) -> Floats:
        lift = np.einsum("ij,ij->i", state.coefficients[index], value)
        residual: Floats = self.readings.value_mm - state.base - lift
        return residual

    def _freedom(self, state: _State, index: Ints, value: Floats, rate: Floats, crank_mm: Floats) -> float:
        if not state.covariance.any():
            return 1.0
        weight = 1.0 / state.noise.variance_mm2(rate, crank_mm)
        used = float(np.sum(weight * self._row_variance(state.covariance, index, value, rate)))
        return max(1.0 - used / len(rate), 0.2)

    def _row_variance(self, covariance: Floats, index: Ints, value: Floats, rate: Floats) -> Floats:
        """Variance of the fitted value at each reading."""
        own = covariance[index[:, :, None], index[:, None, :]]
        variance = np.einsum("ij,ijk,ik->i", value, own, value)
        cross = np.einsum("ij,ij->i", covariance[-1][index], value)
        variance += covariance[-1, -1] * rate**2 - 2.0 * cross * rate
        if self.has_base:
            k = self.size
            variance += covariance[k, k] + 2.0 * np.einsum("ij,ij->i", covariance[k][index], value)
            variance -= 2.0 * covariance[k, -1] * rate
        total: Floats = np.maximum(variance, 0.0)
        return total

    def _weights(
        self,
        noise: NoiseModel,
        rate: Floats,
        crank_mm: Floats,
        *,
        residual: Floats,
        index: Ints,
        value: Floats,
        state: _State,
    ) -> Floats:
        variance = noise.variance_mm2(rate, crank_mm)
        lift = np.einsum("ij,ij->i", state.coefficients[index], value)
        shared = _shared_error(self.readings.value_mm, lift, noise.step_mm)
        common = noise.step_mm**2 / 12.0 + crank_mm**2
        variance = variance + (shared - 1.0) * common
        return robust_weights(residual, np.sqrt(variance)) / variance

    def _normal(
        self, index: Ints, value: Floats, rate: Floats, *, weight: Floats, residual: Floats, state: _State
    ) -> tuple[Floats, Floats]:
        p, total = self.size, self.size + self.has_base + 1
        penalty = self._penalty(state.bending)
        normal = np.zeros((total, total))
        right = np.empty(total)
        normal[:p, :p] = gram(index, value, weight, p) + penalty
        right[:p] = project(index, value, weight * residual, p) - penalty @ state.coefficients
        columns = [np.ones_like(rate), -rate] if self.has_base else [-rate]
        for k, column in enumerate(columns, start=p):
            weighted = weight * column
            normal[:p, k] = normal[k, :p] = project(index, value, weighted, p)
            right[k] = float(weighted @ residual)
            for m, other in enumerate(columns, start=p):
                normal[k, m] = float(weighted @ other)
        certain = 1.0 / self.prior.u_s**2
        normal[-1, -1] += certain
        right[-1] += certain * (self.prior.lag_s - state.lag_s)
        return normal, right

    def _penalty(self, bending: Floats) -> Floats:
        scaled = self.difference / bending[:, None]
        penalty: Floats = self.difference.T @ scaled
        return penalty

    def _bend(self, coefficients: Floats, covariance: Floats, bending: Floats, typical: float) -> Floats:
        """Variance of the third differences along the lobe, by Fellner and Schall's step."""
        p = self.size
        squares = (self.difference @ coefficients) ** 2
        kept = np.einsum("ij,jk,ik->i", self.difference, covariance[:p, :p], self.difference)
        width = max(3, 2 * round(_NEIGHBOURS_DEG / self.basis.knot_deg) + 1)
        freedom = np.clip(p / max(p, len(bending)) - kept / bending, 0.0, 1.0)
        total = uniform_filter1d(squares, width, mode="constant") * width
        count = uniform_filter1d(freedom, width, mode="constant") * width
        found = (_PRIOR_COUNT * typical + total) / (_PRIOR_COUNT + count)
        return np.maximum(found, _STIFF * typical)


def _shared_error(value_mm: Floats, lift_mm: Floats, step_mm: float) -> Floats:
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


def _solve(normal: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Solution and inverse of a positive definite system, scaled for safety."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-30))
    scaled = normal * scale[:, None] * scale[None, :]
    factor = cho_factor(scaled + 1e-13 * np.eye(len(scaled)), lower=True, check_finite=False)
    inverse = cho_solve(factor, np.eye(len(scaled)), check_finite=False) * scale[:, None] * scale[None, :]
    return inverse @ right, inverse

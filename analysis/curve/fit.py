"""The joint fit: lift curve, base circle and lag together, smoothed as much as the readings ask for.

Each reading is the curve at the phase where the crank stood one lag earlier. The curve is a cubic spline
whose third differences are taken as independent with a variance of their own along the lobe (a kink where
clearance is taken up does not roughen the nose); variances are found by restricted maximum likelihood, with
Fellner and Schall's step (Wood & Fasiolo 2017), and leant weakly on the bending that any lobe of this height
has. The lag is one more unknown of the same Gauss-Newton step, so its uncertainty and that of the curve are
never separated.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from analysis.base import Floats, NoiseModel, robust_weights, solve_scaled
from analysis.curve.basis import SplineBasis
from analysis.curve.contrast import contrast_of, reliability_of
from analysis.curve.model import ForwardReadings, LagPrior, LobeFit, Placed
from analysis.curve.noise import count_known, local_roughness, renewed, shared_error
from analysis.curve.state import (
    ROUGHLY,
    WELL,
    FitState,
    Stillness,
    agree,
    lag_weakly_determined,
    prior_lag_kept,
)
from analysis.curve.survey import Survey
from analysis.readings import CrankMotion

_ROUNDS = 24
_FEWEST_ROUNDS = 3
_TYPICAL_DURATION_DEG = 260.0
_TYPICAL_WAVE_DEG = 30.0
_PRIOR_COUNT = 2.0
_NEIGHBOURS = 7
_STIFF = 1e-10
_LOOSE = 1e3
TRUSTING_ROUNDS = 3
"""So many rounds take every reading at its word, for a first curve may lie far off."""

_LEAST_FREEDOM = 0.2
_KINK_MM = 0.02
_PARTS = 4
_WIDE_DEG = 2.0
_MISSED_OF_LEAP = 0.015
_MISSED_SHARE = 0.3
_MOST_SPLIT = 14
_SECANT_S = (0.03, 0.05)
_CLEAR_S = 0.1
# What is left of the lag's steps when one takes the last one back: of passes at like speeds it swings to and fro.
_TURNED_BACK, _LEAST_PACE = 0.6, 0.1
_LEAST_TOLD = 1e-6
# Where else a lag that is told loosely is looked for, in standard uncertainties from what was supposed of it.
_OTHER_STARTS = (-1.5, 1.5)
# One that is told no better than so is as good as unknown anyway.
_HARDLY_TOLD = 0.6

Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]


def fit_lobe(
    motion: CrankMotion,
    survey: Survey,
    basis: SplineBasis,
    readings: ForwardReadings,
    *,
    prior: LagPrior,
    noise: NoiseModel,
) -> LobeFit:
    """Fit curve, base level and lag to forward readings.

    Parameters
    ----------
    prior : LagPrior
        Mean and standard uncertainty of the lag before the fit; the fit starts from the mean.
    noise : NoiseModel
        First guess; jitter and extra are found from the residuals.

    Notes
    -----
    Where a hand that starts or stops within the lobe is all that tells an unknown lag, a wrong lag with a curve
    bent to match may explain the readings as well as the right one. So a lag that is told loosely is believed only
    where the fit finds it from wherever it starts; else it is left as unknown as it was before.
    """

    def begun(from_lag_s: float) -> tuple[LobeWork, FitState, int]:
        """A fit that sets out from this lag, settled roughly."""
        work = LobeWork(motion, survey, basis, readings, prior)
        return work, *work.settle(work.start(noise, from_lag_s), TRUSTING_ROUNDS + 1, ROUGHLY)

    # Where knots are missing shows before all has settled, and what was settled without them would have to be again.
    work, state, first = begun(prior.lag_s)
    work, state = work.refined(state) or (work, state)
    state, rounds = work.settle(state, _FEWEST_ROUNDS, WELL, first)
    if lag_weakly_determined(state, prior) and state.lag_u_s < _HARDLY_TOLD * prior.u_s:
        others = (begun(prior.lag_s + share * prior.u_s)[1] for share in _OTHER_STARTS)
        if not all(agree(state, other) for other in others):
            state = prior_lag_kept(state, prior)
    return work.result(state, rounds)


class LobeWork:
    """One fit at work: what stays the same through its rounds.

    Parameters
    ----------
    motion, survey, basis, readings, prior
        As for `fit_lobe`.
    """

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
        self.size = basis.size
        self.has_base = survey.base_mm is not None
        self.interval_s = max(float(np.median(np.diff(readings.time_s))), 1e-3)
        third = 0.5 * survey.rough_lift_mm * (2.0 * np.pi / _TYPICAL_DURATION_DEG) ** 3
        self.typical = 0.5 * third**2 * _TYPICAL_WAVE_DEG

    def start(self, noise: NoiseModel, lag_s: float | None = None) -> FitState:
        """A plain smooth through the readings, the lag where it was or at its prior mean."""
        base = self.survey.base_mm or 0.0
        empty = np.zeros((self.size + self.has_base + 1,) * 2)
        flat = np.full(self.basis.cells, _LOOSE * self.typical)
        state = FitState(
            np.zeros(self.size),
            base,
            self.prior.lag_s if lag_s is None else lag_s,
            noise,
            flat,
            np.ones(self.basis.cells + 1),
            empty,
        )
        placed = self.place(state)
        weight = np.full(len(placed.phase_deg), 1.0 / max(noise.step_mm, 0.02) ** 2)
        normal = self.basis.gram(placed.spots, weight) + self.basis.penalty(flat)
        right = self.basis.project(placed.spots, weight * placed.residual_mm)
        return replace(state, coefficients=solve_scaled(normal, right)[0])

    def settle(
        self, state: FitState, fewest: int, stillness: Stillness, done: int = 0
    ) -> tuple[FitState, int]:
        """Rounds until nothing that matters moves; the first few take every reading at its word.

        Where that is never so, the one of the last two that knows less of the lag is the result.
        """
        before = state
        for count in range(done + 1, done + _ROUNDS + 1):
            before, state = state, self.round(state, trusting=count <= TRUSTING_ROUNDS)
            if count >= done + fewest and stillness.reached(before, state):
                return state, count
        return max(before, state, key=lambda one: one.lag_u_s), done + _ROUNDS

    def refined(self, state: FitState) -> tuple[LobeWork, FitState] | None:
        """The same fit on more knots where the curve bends sharply; `None` where they suffice."""
        sharp = self.sharp_cells(state)
        if not sharp.any():
            return None
        finer, parent = self.basis.split(sharp, _PARTS)
        work = LobeWork(self.motion, self.survey, finer, self.readings, self.prior)
        return work, FitState(
            finer.taken_over(self.basis, state.coefficients),
            state.base,
            state.lag_s,
            state.noise,
            state.bending[parent],
            np.append(state.roughness[parent], state.roughness[-1]),
            np.zeros((finer.size + self.has_base + 1,) * 2),
        )

    def sharp_cells(self, state: FitState) -> Bools:
        """Wide cells where the curve bends too sharply for its knots, against the readings' noise."""
        width, missed = self.basis.widths_deg, self.missed_mm(state)
        placed = self.place(state)
        sd = np.sqrt(state.noise.variance_mm2(placed.rate_mm_s, placed.crank_mm))
        total = np.bincount(placed.cell, 1.0 / sd**2, self.basis.cells + 1)[:-1]
        known = 1.0 / np.sqrt(np.maximum(total, 1e-12))
        excess = np.where(width > _WIDE_DEG, missed / known, 0.0)
        least = max(_MISSED_SHARE, float(np.sort(excess)[-_MOST_SPLIT:][0]))
        return excess >= least

    def missed_mm(self, state: FitState) -> Floats:
        """By how much cubics between these knots miss a curve that bends as this one does, in each cell.

        A kink between two knots shows as third derivatives that leap from cell to cell.
        """
        width = self.basis.widths_deg
        third = (self.basis.bends @ state.coefficients) / np.sqrt(width)
        leap = np.abs(np.diff(third, prepend=0.0, append=0.0))
        worst = maximum_filter1d(np.maximum(leap[:-1], leap[1:]), 3)
        missed: Floats = _MISSED_OF_LEAP * worst * width**3
        return missed

    def place(self, state: FitState) -> Placed:
        """Readings and curve as the present unknowns see them."""
        then = self.readings.time_s - state.lag_s
        phase = self.survey.unrolled(self.motion.angle_deg(then))
        speed = self._speed(then, state)
        spots = self.basis.spots(phase)
        cell = np.where(spots.inside & self.basis.covers(phase), spots.cell, self.basis.cells)
        lift, slope = self.basis.curve(state.coefficients, spots)
        crank = self.motion.noise(then)
        sure = (
            np.isfinite(crank.u_deg)
            & self.motion.covered(then - _CLEAR_S)
            & self.motion.covered(then + _CLEAR_S)
        )
        # As if errors of the crank at neighbouring readings had nothing in common.
        alone_u = np.sqrt(np.maximum(crank.u_deg**2, crank.density_deg2_s / self.interval_s))
        crank_mm = np.where(sure, alone_u, 0.0) * np.abs(slope)
        residual = self.readings.value_mm - state.base - lift
        if self.prior.stick_mm:
            residual = residual + self.prior.stick_mm * self._trailing(phase, lift, slope)
        missed = np.append(self.missed_mm(state), 0.0)[cell]
        known = np.hypot(crank_mm, missed)
        return Placed(phase, speed, spots, cell, lift, slope, slope * speed, crank, known, residual, sure)

    def _trailing(self, phase: Floats, lift: Floats, slope: Floats) -> Floats:
        """Which way readings turned forward trail the plunger: 1 as the valve opens, -1 as it shuts and after."""
        peak = int(np.argmax(lift))
        turned = np.where(
            phase < phase[peak],
            lift - (0.0 if self.has_base else float(lift.min()) - 1.0),
            2.0 * self.prior.stick_mm - (lift[peak] - lift),
        )
        way = np.clip(turned / self.prior.stick_mm - 1.0, -1.0, 1.0)
        return np.asarray(np.where((slope == 0.0) & self.has_base, -1.0, way))

    def _speed(self, then: Floats, state: FitState) -> Floats:
        """Mean speed over as much time as the lag is unsure of.

        The speed of one moment carries noise of the encoder's, which would pass for knowledge of the lag.
        """
        half = self._half_s(state)
        return (self.motion.angle_deg(then + half) - self.motion.angle_deg(then - half)) / (2.0 * half)

    def _half_s(self, state: FitState) -> float:
        lag_u = state.lag_u_s or self.prior.u_s
        return float(np.clip(lag_u, *_SECANT_S))

    def round(self, state: FitState, trusting: bool) -> FitState:
        """One Gauss-Newton step with the noise as the residuals show it, then the bending again."""
        placed = self.place(state)
        noise, roughness = self._noise(state, placed, trusting)
        if trusting:
            roughness = state.roughness
        weight = self._weights(noise, roughness, placed, trusting=trusting)
        step, covariance, along = self._step(placed, weight, state)
        pace = max(state.pace * _TURNED_BACK, _LEAST_PACE) if step[-1] * state.moved_s < 0.0 else state.pace
        coefficients = state.coefficients + step[: self.size]
        base = state.base + (float(step[self.size]) if self.has_base else 0.0)
        lag = float(np.clip(state.lag_s + step[-1], -0.2, 0.6))
        bending = self._bend(state.coefficients + along, covariance, state.bending)
        return FitState(
            coefficients, base, lag, noise, bending, roughness, covariance, weight, lag - state.lag_s, pace
        )

    def result(self, state: FitState, rounds: int) -> LobeFit:
        """The fit as the last round left it; weights and covariance are those of one and the same round."""
        placed = self.place(state)
        variance = state.noise.variance_mm2(placed.rate_mm_s, placed.crank_mm)
        base = state.base if self.has_base else None
        return LobeFit(
            self.survey,
            self.basis,
            state.coefficients,
            base,
            state.lag_s,
            state.covariance,
            state.noise,
            state.bending,
            placed,
            state.weight,
            variance,
            rounds,
            self._scatter_freedom(state, placed, variance),
            count_known(self.prior.jitter_s),
        )

    def _scatter_freedom(self, state: FitState, placed: Placed, variance: Floats) -> float:
        """Readings that show the scatter, each less what the curve follows it, and what was known of it before."""
        found = state.noise.extra_mm**2 + (state.noise.jitter_s * placed.rate_mm_s) ** 2
        lag = state.covariance[:, -1]
        held = state.covariance - np.outer(lag, lag) / max(float(lag[-1]), 1e-30)
        followed = np.minimum(state.weight * self._fitted_variance(held, placed), 1.0)
        shown = (state.weight > 0.0) * (found / np.maximum(variance, 1e-14)) * (1.0 - followed)
        return float(np.sum(shown)) + count_known(self.prior.jitter_s)

    def _noise(self, state: FitState, placed: Placed, trusting: bool) -> tuple[NoiseModel, Floats]:
        """Noise model and local roughness from residuals, each made up for the freedom it lost."""
        variance = state.noise.variance_mm2(placed.rate_mm_s, placed.crank_mm)
        fitted = self._fitted_variance(state.covariance, placed)
        freedom = variance / (variance + fitted) if trusting else np.maximum(1.0 - fitted / variance, 0.0)
        calm = placed.residual_mm / np.sqrt(state.roughness[placed.cell])
        noise = renewed(state.noise, calm, freedom, placed.rate_mm_s, placed.crank_mm, self.prior.jitter_s)
        sd = np.sqrt(noise.variance_mm2(placed.rate_mm_s, placed.crank_mm))
        ratio = placed.residual_mm / (sd * np.sqrt(np.maximum(freedom, _LEAST_FREEDOM)))
        return noise, local_roughness(ratio, placed.cell, state.roughness)

    def _fitted_variance(self, covariance: Floats, placed: Placed) -> Floats:
        """Variance of the fitted value at each reading."""
        rate, k = placed.rate_mm_s, self.size
        linear = -2.0 * covariance[-1, :k]
        square, with_lag = self.basis.quadratic(covariance[:k, :k], linear, placed.spots)
        total = square + rate * with_lag + covariance[-1, -1] * rate**2
        if self.has_base:
            with_base = self.basis.curve(covariance[k, :k], placed.spots)[0]
            total += covariance[k, k] - 2.0 * covariance[k, -1] * rate + 2.0 * with_base
        return np.asarray(np.maximum(total, 0.0))

    def _weights(self, noise: NoiseModel, roughness: Floats, placed: Placed, *, trusting: bool) -> Floats:
        """Weight of each reading."""
        shared = shared_error(self.readings.value_mm, placed.lift_mm, noise.step_mm)
        variance = noise.variance_mm2(placed.rate_mm_s, placed.crank_mm)
        variance = variance + (shared - 1.0) * noise.step_mm**2 / 12.0
        variance = variance * roughness[placed.cell]
        known = (self.basis.covers(placed.phase_deg) & placed.known) / variance
        if trusting:
            return np.asarray(known)
        return np.asarray(robust_weights(placed.residual_mm, np.sqrt(variance + _KINK_MM**2)) * known)

    def _step(self, placed: Placed, weight: Floats, state: FitState) -> tuple[Floats, Floats, Floats]:
        """Steps of curve, base and lag, the covariance of all, and the step of the curve alone were the lag to stay.

        The curve follows the lag wherever it goes; the lag itself is asked only of the contrast between
        readings of one phase at unlike speeds (as an instrument, so that nothing is biased). What else would
        seem to tell it is how well a shifted curve suits the knots and the smoothness it is given, and that
        is a supposition about the lobe.
        """
        normal, right = self._curve_normal(placed, weight, state)
        along, inverse = solve_scaled(normal, right)
        lag, contrast = -placed.rate_mm_s, -contrast_of(placed, weight)
        to_lag, to_contrast = (self._shared(placed, weight * column) for column in (lag, contrast))
        follows = inverse @ to_lag
        told = float(contrast @ (weight * contrast)) - float(to_contrast @ inverse @ to_contrast)
        gain = float(contrast @ (weight * lag)) - float(to_contrast @ follows)
        score = float(contrast @ (weight * placed.residual_mm)) - float(to_contrast @ along)
        gain *= reliability_of(contrast, weight, placed, self._half_s(state))
        pull = gain / told if told > _LEAST_TOLD and gain > 0.0 else 0.0
        if self.prior.wander_s and pull:
            wander = weight * lag * self.readings.through
            seems_s = (contrast @ wander - to_contrast @ (inverse @ self._shared(placed, wander))) / gain
            pull /= 1.0 + pull * gain * float(self.prior.wander_s * seems_s) ** 2
        certain = 1.0 / self.prior.u_s**2
        variance = 1.0 / (pull * gain + certain)
        moved = state.pace * variance * (pull * score + certain * (self.prior.lag_s - state.lag_s))
        covariance = np.empty((len(along) + 1,) * 2)
        covariance[:-1, :-1] = inverse + variance * np.outer(follows, follows)
        covariance[:-1, -1] = covariance[-1, :-1] = -variance * follows
        covariance[-1, -1] = variance
        return np.append(along - moved * follows, moved), covariance, along[: self.size]

    def _curve_normal(self, placed: Placed, weight: Floats, state: FitState) -> tuple[Floats, Floats]:
        p = self.size
        penalty = self.basis.penalty(state.bending)
        total = p + self.has_base
        normal = np.zeros((total, total))
        normal[:p, :p] = self.basis.gram(placed.spots, weight) + penalty
        if self.has_base:
            normal[:, p] = normal[p, :] = self._shared(placed, weight)
        right = self._shared(placed, weight * placed.residual_mm)
        right[:p] -= penalty @ state.coefficients
        return normal, right

    def _shared(self, placed: Placed, weighted: Floats) -> Floats:
        """What curve and base have in common with a weighted column of the readings."""
        shared = self.basis.project(placed.spots, weighted)
        return np.append(shared, weighted.sum()) if self.has_base else shared

    def _bend(self, coefficients: Floats, covariance: Floats, bending: Floats) -> Floats:
        """Variance of the third derivative along the lobe, by Fellner and Schall's step."""
        p, bends = self.size, self.basis.bends
        squares = (bends @ coefficients) ** 2
        kept = np.sum((bends @ covariance[:p, :p]) * bends, axis=1)
        freedom = np.clip(p / max(p, len(bending)) - kept / bending, 0.0, 1.0)
        total = uniform_filter1d(squares, _NEIGHBOURS, mode="constant") * _NEIGHBOURS
        count = uniform_filter1d(freedom, _NEIGHBOURS, mode="constant") * _NEIGHBOURS
        found = (_PRIOR_COUNT * self.typical + total) / (_PRIOR_COUNT + count)
        return np.maximum(found, _STIFF * self.typical)

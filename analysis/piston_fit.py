"""Weighted least squares of slider-crank motion, zero, gain and lag on the readings in contact."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.crank_motion import CrankMotion
from analysis.noise_model import NoiseModel, robust_weights
from analysis.slider_crank import piston_drop
from analysis.streams import Floats

CENTRE, ZERO, SCALE, LAG, RATIO, OFFSET = range(6)
_RATIO_BOUNDS = (0.12, 0.48)
_OFFSET_BOUND = 0.2
_LAG_BOUNDS = (-0.3, 1.0)
_STEPS = 25


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known before the readings: a mean and a standard uncertainty for every parameter.

    Order: centre (deg), zero (mm), scale (mm a throw), lag (s), throw over rod, offset over throw. Infinite is
    unknown.
    """

    mean: Floats
    sd: Floats

    @property
    def precision(self) -> Floats:
        """One over the variances."""
        return 1.0 / self.sd**2


@dataclass(frozen=True, slots=True)
class PistonFit:
    """The fitted parameters with all that the checks and the budget need.

    Attributes
    ----------
    values, covariance : ndarray, shapes (6,), (6, 6)
        Parameters in the order of `Prior`.
    jacobian : ndarray, shape (m, 6)
    residual_mm, variance_mm2, weight : ndarray, shape (m,)
        Reading less model, its variance, and the weight used (1 / variance times the robust weight).
    angle_deg : ndarray, shape (m,)
        Crank angle past the fitted centre, unwrapped, lag removed.
    """

    values: Floats
    covariance: Floats
    jacobian: Floats
    residual_mm: Floats
    variance_mm2: Floats
    weight: Floats
    robust: Floats
    angle_deg: Floats
    noise: NoiseModel
    time_s: Floats
    gauge_mm: Floats

    @property
    def chi_square(self) -> float:
        """Mean squared residual over variance."""
        return float(np.mean(self.residual_mm**2 / self.variance_mm2))


@dataclass(frozen=True, slots=True)
class _Model:
    residual: Floats
    jacobian: Floats
    angle: Floats
    rate: Floats
    crank: Floats


def fit_piston(
    motion: CrankMotion,
    time_s: Floats,
    gauge_mm: Floats,
    start: Floats,
    prior: Prior,
    noise: NoiseModel,
    rounds: int = 4,
) -> PistonFit:
    """Fit the piston's motion to readings in contact.

    Parameters
    ----------
    motion : CrankMotion
    time_s, gauge_mm : ndarray, shape (m,)
        Readings in contact with the piston.
    start : ndarray, shape (6,)
        First guess, in the order of `Prior`.
    prior : Prior
    noise : NoiseModel
        First guess of the noise; jitter and extra are estimated again `rounds` times.
    """
    values = start.copy()
    model = _evaluate(motion, time_s, gauge_mm, values)
    rate_share = _readings_a_second(time_s)
    robust = np.ones(len(time_s))
    for turn in range(max(rounds, 1)):
        crowd = _crowding(model, noise.step_mm)
        crank = model.crank * np.sqrt(np.maximum(1.0, 1.0)) if rate_share else model.crank
        if turn:
            noise = noise.refitted(model.residual, 1.0 - 6.0 / max(len(time_s), 12), model.rate, crank)
        variance = _variance(noise, model, crank, crowd)
        robust = robust_weights(model.residual, np.sqrt(variance)) if turn else robust
        values, model = _descend(motion, time_s, gauge_mm, values, prior, robust / variance)
    weight = robust / variance
    normal = (model.jacobian * weight[:, None]).T @ model.jacobian + np.diag(prior.precision)
    return PistonFit(
        values,
        _inverse(normal),
        model.jacobian,
        model.residual,
        variance,
        weight,
        robust,
        model.angle,
        replace(noise),
        time_s,
        gauge_mm,
    )


def predict(motion: CrankMotion, time_s: Floats, gauge_mm: Floats, fit: PistonFit) -> Floats:
    """Residuals of readings outside the fit, each over its standard deviation."""
    model = _evaluate(motion, time_s, gauge_mm, fit.values)
    spread: Floats = model.residual / np.sqrt(fit.noise.variance_mm2(model.rate, model.crank))
    return spread


def _readings_a_second(time_s: Floats) -> float:
    return 1.0 / max(float(np.median(np.diff(time_s))), 1e-6) if len(time_s) > 1 else 0.0


def _variance(noise: NoiseModel, model: _Model, crank: Floats, crowd: Floats) -> Floats:
    return noise.variance_mm2(model.rate, crank) + (crowd - 1.0) * noise.step_mm**2 / 12.0


def _crowding(model: _Model, step_mm: float) -> Floats:
    """How many readings share one step of the gauge: they carry one rounding error between them."""
    if step_mm <= 0.0:
        return np.ones(len(model.angle))
    travel = np.abs(np.diff(model.angle)) * np.abs(
        0.5 * (model.jacobian[1:, CENTRE] + model.jacobian[:-1, CENTRE])
    )
    cluster = np.concatenate([[0], (np.cumsum(travel) / step_mm).astype(np.intp)])
    counts = np.bincount(cluster - cluster[0]) if cluster[-1] < 50 * len(cluster) else None
    if counts is None:
        cluster = np.concatenate([[0], np.cumsum(np.diff(cluster) > 0)])
        counts = np.bincount(cluster)
    return counts[cluster].astype(np.float64)


def _evaluate(motion: CrankMotion, time_s: Floats, gauge_mm: Floats, values: Floats) -> _Model:
    moment = time_s - values[LAG]
    angle = motion.angle_deg(moment) - values[CENTRE]
    speed = motion.speed_deg_s(moment)
    piston = piston_drop(np.radians(angle), float(values[RATIO]), float(values[OFFSET]))
    slope = values[SCALE] * piston.slope * (np.pi / 180.0)
    jacobian = np.column_stack(
        [
            -slope,
            np.ones_like(slope),
            piston.drop,
            -slope * speed,
            values[SCALE] * piston.by_ratio,
            values[SCALE] * piston.by_offset,
        ]
    )
    residual = gauge_mm - values[ZERO] - values[SCALE] * piston.drop
    crank = np.abs(slope) * np.where(np.isfinite(motion.u_deg(moment)), motion.u_deg(moment), 0.0)
    return _Model(residual, jacobian, angle, slope * speed, crank)


def _descend(
    motion: CrankMotion, time_s: Floats, gauge_mm: Floats, values: Floats, prior: Prior, weight: Floats
) -> tuple[Floats, _Model]:
    """Gauss-Newton with halving of steps that do not help."""
    model = _evaluate(motion, time_s, gauge_mm, values)
    cost = _cost(model, values, prior, weight)
    for _ in range(_STEPS):
        weighted = model.jacobian * weight[:, None]
        known = np.isfinite(prior.sd)
        pull = np.where(known, prior.precision * np.where(known, prior.mean - values, 0.0), 0.0)
        right = weighted.T @ model.residual + pull
        step = _inverse(weighted.T @ model.jacobian + np.diag(prior.precision)) @ right
        share = 1.0
        while share > 1e-3:
            trial = _within_bounds(values + share * step)
            trial_model = _evaluate(motion, time_s, gauge_mm, trial)
            trial_cost = _cost(trial_model, trial, prior, weight)
            if trial_cost <= cost * (1.0 + 1e-12):
                break
            share *= 0.5
        else:
            break
        gained = cost - trial_cost
        values, model, cost = trial, trial_model, trial_cost
        if gained <= 1e-4:
            break
    return values, model


def _cost(model: _Model, values: Floats, prior: Prior, weight: Floats) -> float:
    known = np.isfinite(prior.sd)
    away = (values[known] - prior.mean[known]) / prior.sd[known]
    return float(weight @ model.residual**2 + away @ away)


def _within_bounds(values: Floats) -> Floats:
    bounded = values.copy()
    bounded[RATIO] = np.clip(values[RATIO], *_RATIO_BOUNDS)
    bounded[OFFSET] = np.clip(values[OFFSET], -_OFFSET_BOUND, _OFFSET_BOUND)
    bounded[LAG] = np.clip(values[LAG], *_LAG_BOUNDS)
    return bounded


def _inverse(normal: Floats) -> Floats:
    """Inverse of a normal matrix, scaled first so that unlike units do no harm."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal * np.outer(scale, scale)
    inverse: Floats = np.linalg.pinv(scaled, rcond=1e-13, hermitian=True) * np.outer(scale, scale)
    return inverse

"""Weighted least squares by Gauss-Newton, with what was known of each parameter before the readings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from analysis.base.streams import Floats

_MOST_STEPS = 25
_MOST_HALVINGS, _MOST_HALVINGS_NEAR = 12, 3
_GAIN_WORTH_A_STEP = 1e-3


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known before the readings: a mean and a standard uncertainty for every parameter.

    Infinite is unknown.
    """

    mean: Floats
    sd: Floats

    @property
    def precision(self) -> Floats:
        """One over the variances."""
        return np.asarray(1.0 / self.sd**2)

    def pull(self, values: Floats) -> Floats:
        """Force on each parameter towards what is known: precision times (mean less value); 0 where unknown."""
        known = np.isfinite(self.sd)
        return self.precision * np.where(known, self.mean - values, 0.0)


class Modelled(Protocol):
    """A model at each reading: what is left of the readings, and how the model follows its parameters."""

    @property
    def residual_mm(self) -> Floats:
        """Reading less model, shape (m,)."""

    @property
    def jacobian(self) -> Floats:
        """Derivatives of the model by the parameters, shape (m, p)."""


M = TypeVar("M", bound=Modelled)


def settle(
    model_at: Callable[[Floats], M],
    values: Floats,
    model: M,
    *,
    prior: Prior,
    weight: Floats,
    within: Callable[[Floats], Floats] = lambda values: values,
    nearly: bool = False,
) -> tuple[Floats, M, Floats]:
    """Bring the parameters to the least weighted sum of squares, halving steps that do not help.

    Parameters
    ----------
    model_at : callable
        Gives the model for parameters, shape (p,).
    values, model
        Where to start, and the model there.
    weight : ndarray, shape (m,)
        One over the variance of each reading; settled when a step gains less than 0.001 of the sum.
    within : callable
        Puts parameters back into their bounds.
    nearly : bool
        Whether the start was the end of another search among nearly the same readings: a step that would gain less than
        0.001 of the sum, a thirtieth of a standard uncertainty, is not tried then, and is halved less often.

    Returns
    -------
    values : ndarray, shape (p,)
    model
    covariance : ndarray, shape (p, p)
        Inverse of the normal matrix: the covariance of the parameters if the weights are true.
    """
    cost = _cost(model, values, prior, weight)
    for _ in range(_MOST_STEPS):
        covariance, step, gain = newton_step(model, values, prior, weight)
        if nearly and gain < _GAIN_WORTH_A_STEP:
            return values, model, covariance
        for halving in range(_MOST_HALVINGS_NEAR if nearly else _MOST_HALVINGS):
            trial = within(values + 0.5**halving * step)
            trial_model = model_at(trial)
            trial_cost = _cost(trial_model, trial, prior, weight)
            if trial_cost <= cost:
                break
        else:
            break
        gained = cost - trial_cost
        values, model, cost = trial, trial_model, trial_cost
        if gained < _GAIN_WORTH_A_STEP:
            break
    covariance, _, _ = newton_step(model, values, prior, weight)
    return values, model, covariance


def newton_step(
    model: Modelled, values: Floats, prior: Prior, weight: Floats
) -> tuple[Floats, Floats, float]:
    """Covariance, step, and by how much the step would lower the sum if the model were straight.

    Parameters
    ----------
    model, values, prior, weight
        As of `settle`.
    """
    weighted = model.jacobian * weight[:, None]
    covariance = _inverse(weighted.T @ model.jacobian + np.diag(prior.precision))
    force = weighted.T @ model.residual_mm + prior.pull(values)
    step = covariance @ force
    return covariance, step, float(force @ step)


def _cost(model: Modelled, values: Floats, prior: Prior, weight: Floats) -> float:
    known = np.isfinite(prior.sd)
    away = (values[known] - prior.mean[known]) / prior.sd[known]
    return float(weight @ model.residual_mm**2 + away @ away)


def _inverse(normal: Floats) -> Floats:
    """Inverse of a normal matrix, scaled first so that unlike units do no harm."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal * np.outer(scale, scale)
    size, axes = np.linalg.eigh(scaled)
    axes = axes[:, size > 1e-13 * size[-1]] / np.sqrt(size[size > 1e-13 * size[-1]])
    inverse: Floats = (axes @ axes.T) * np.outer(scale, scale)
    return inverse


def solve_scaled(normal: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Solve a positive definite system, scaled for safety.

    Returns
    -------
    tuple of ndarray
        Solution and inverse.
    """
    scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-30))
    scaled = normal * scale[:, None] * scale[None, :]
    factor = cho_factor(scaled + 1e-13 * np.eye(len(scaled)), lower=True, check_finite=False)
    inverse = cho_solve(factor, np.eye(len(scaled)), check_finite=False) * scale[:, None] * scale[None, :]
    return inverse @ right, inverse

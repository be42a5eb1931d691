"""The fit of the readings in contact: which these are depends on the fit, and so both are settled in turn."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, NoiseModel, Prior, Refusal
from analysis.tdc.contact import Contact
from analysis.tdc.fit import (
    CENTRE,
    LAG,
    SCALE,
    ZERO,
    Modelled,
    PistonFit,
    Readings,
    fit_piston,
    model_piston,
)

_FEWEST = 8
_COARSE = 1500
_REACH_DEG = 110.0

Flags = NDArray[np.bool_]


def fit_in_contact(
    readings: Readings, view: Contact, prior: Prior, noise: NoiseModel, near: PistonFit | None = None
) -> PistonFit:
    """Settle contact and parameters in turn: coarsely on some of the readings, then on all.

    Parameters
    ----------
    view : Contact
        Which of them move, and a rough place to start from.
    noise : NoiseModel
        What is known of it before: the gauge's step, its jitter.
    near : PistonFit, optional
        A fit of nearly the same readings: it is started from, and nothing is settled coarsely before.

    Raises
    ------
    Refusal
        `turn_not_360`, `no_contact`.
    """
    fit = _coarsely(readings, view, prior, noise) if near is None else near
    close, above, below = _in_contact(readings, view, fit)
    _refuse_unexplained(view.moving & (~close | below), view.moving, readings.time_s)
    if _follows(readings.only(close & ~above), fit):
        above |= close
    return fit_from(fit, _enough(readings, close & above), prior, nearly=near is not None)


def fit_from(begun: PistonFit, readings: Readings, prior: Prior, *, nearly: bool) -> PistonFit:
    """Fit readings from where another fit came to; less is left to settle where that was `nearly` the same."""
    return fit_piston(readings, begun.values, prior, begun.noise, rounds=2 if nearly else 3, nearly=nearly)


def _coarsely(readings: Readings, view: Contact, prior: Prior, noise: NoiseModel) -> PistonFit:
    values = prior.mean.copy()
    values[[CENTRE, ZERO, SCALE, LAG]] = view.centre_deg, view.zero_mm, view.scale_mm, view.lag_s
    coarse = readings.only(slice(None, None, max(1, len(readings.time_s) // _COARSE)))
    moving = view.moving[:: max(1, len(readings.time_s) // _COARSE)]
    fit = fit_piston(coarse.only(moving), values, prior, noise, rounds=2)
    for _ in range(2):
        near, above, _ = _in_contact(coarse, view, fit)
        fit = fit_piston(_enough(coarse, near & above), fit.values, prior, fit.noise, rounds=2)
    return fit


def _refuse_unexplained(outside: Flags, moving: Flags, time_s: Floats) -> None:
    """The plunger may not move where the piston, by the fit, is out of its reach."""
    if outside.sum() <= max(_FEWEST, 0.2 * moving.sum()):
        return
    raise Refusal(
        "turn_not_360",
        f"The gauge moves where the piston should be out of reach, first at {time_s[outside][0]:.1f} s: TDC does "
        "not come every 360 degrees of the encoder, or the gauge moved; check the counts a turn and the coupling.",
    )


def _enough(readings: Readings, chosen: Flags) -> Readings:
    if chosen.sum() < _FEWEST:
        raise Refusal(
            "no_contact",
            f"Only {int(chosen.sum())} readings touch the piston near the top: set the gauge with more pre-load "
            "and turn more slowly.",
        )
    return readings.only(chosen)


def _in_contact(readings: Readings, view: Contact, fit: PistonFit) -> tuple[Flags, Flags, Flags]:
    """Readings whose piston stands, by the fit, near a TDC; well within the plunger's travel; and well out of it."""
    values = fit.values
    model = model_piston(readings, values)
    near = np.abs((model.angle_deg + 180.0) % 360.0 - 180.0) <= _REACH_DEG
    travel = abs(view.floor_mm - values[ZERO])
    shaken = np.minimum(4.0 * fit.noise.jitter_s, 0.08) * np.abs(model.rate_mm_s)
    margin = np.maximum(4.0 * fit.noise.step_mm, 0.03 * travel) + shaken
    fallen = np.abs(values[SCALE]) * model.drop
    return near, fallen < travel - margin, fallen > travel + margin


def _follows(far: Readings, fit: PistonFit) -> bool:
    """Whether the readings at the far end of the travel follow the piston like all others."""
    if len(far.time_s) < 2:
        return False
    model = model_piston(far, fit.values)
    spread = _spread(far, fit, model)
    mean_square = float(np.mean(np.minimum(spread**2, 25.0)))
    if mean_square > 1.0 + 4.0 / np.sqrt(len(spread)) or float(np.max(np.abs(spread))) > 5.0:
        return False
    # At its stop the plunger does not move at all, whatever the noise.
    moves_mm = float(np.std(far.gauge_mm - model.residual_mm))
    return float(np.std(model.residual_mm)) < 0.5 * moves_mm + fit.noise.step_mm


def _spread(readings: Readings, fit: PistonFit, model: Modelled) -> Floats:
    """Residuals of readings outside the fit, each over its standard deviation.

    What the fit itself leaves open they may settle: where the crank turns about, readings do not jitter and tell far
    more of the piston than those that are known so far.
    """
    known = model.slope_mm_deg * np.minimum(readings.motion.u_deg(readings.moment_s(fit.values)), 10.0)
    variance = fit.noise.variance_mm2(model.rate_mm_s, known)
    weighted = model.jacobian / variance[:, None]
    open_ = fit.covariance @ (weighted.T @ model.jacobian)
    settled = np.linalg.solve(np.eye(len(open_)) + open_, fit.covariance @ (weighted.T @ model.residual_mm))
    spread: Floats = (model.residual_mm - model.jacobian @ settled) / np.sqrt(variance)
    return spread

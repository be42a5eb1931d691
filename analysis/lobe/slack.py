"""The drive's slack, from the way back: how far the curve turned backwards lags the curve turned forwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, robust_weights
from analysis.curve import ForwardReadings, LobeFit
from analysis.readings import CrankMotion

_FEWEST = 6
_SEARCH_DEG = np.arange(-2.0, 12.01, 0.5)
_LEAST_INFORMATION = 4.0
_LEAST_OF_A_FLANK = 0.5
_ROUNDS = 8
_OF_MEDIAN = 1.4826
# Readings on the base circle are the same whatever the slack is: were they asked too, they would outvote the flanks.
_RAISED = 0.03
_BESIDE_NOSE_DEG = 15.0

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Slack:
    """Slack of the cam drive and its standard uncertainty, crank degrees.

    `apart_deg` is by how much more the opening flank shows of it than the closing one, and `apart_u_deg` how surely
    that is known: infinite where the way back does not show both.
    """

    slack_deg: float
    u_deg: float
    apart_deg: float = 0.0
    apart_u_deg: float = np.inf


def find_slack(motion: CrankMotion, fit: LobeFit, back: ForwardReadings) -> Slack | None:
    """Find the shift between the way forward and the way back, lag removed.

    Parameters
    ----------
    back : ForwardReadings
        Readings taken while the crank drove the cam backwards, slack taken up that way.

    Returns
    -------
    Slack or None
        `None` where the way back says too little.
    """
    if len(back.time_s) < _FEWEST:
        return None
    then = back.time_s - fit.lag_s
    way = _Way(
        fit.survey.unrolled(motion.angle_deg(then)),
        motion.speed_deg_s(then),
        motion.u_deg(then),
        back.value_mm,
    )
    grid = np.linspace(fit.basis.first_deg, fit.basis.last_deg, 400)
    from_nose = way.crank_deg - float(grid[np.argmax(fit.lift_mm(grid))])
    opening, closing = (
        _shift(fit, way.only(side * from_nose > _BESIDE_NOSE_DEG), _LEAST_OF_A_FLANK) for side in (-1.0, 1.0)
    )
    whole = _shift(fit, way, _LEAST_INFORMATION)
    if opening is None or closing is None:
        return None if whole is None else Slack(*whole)
    apart, apart_u = opening[0] - closing[0], float(np.hypot(opening[1], closing[1]))
    # Flanks that disagree leave no one shift that would explain both.
    between = (0.5 * (opening[0] + closing[0]), 0.5 * (abs(apart) + apart_u))
    return Slack(*(whole or between), apart, apart_u)


@dataclass(frozen=True, slots=True)
class _Way:
    """Readings of the way back: where the crank stood, how fast it turned, how surely that is known, the value."""

    crank_deg: Floats
    speed_deg_s: Floats
    u_deg: Floats
    value_mm: Floats

    def only(self, some: Bools) -> _Way:
        return _Way(self.crank_deg[some], self.speed_deg_s[some], self.u_deg[some], self.value_mm[some])


def _shift(fit: LobeFit, way: _Way, least: float) -> tuple[float, float] | None:
    """How far the way back lags, and its standard uncertainty."""
    if len(way.value_mm) < _FEWEST:
        return None
    crank, speed, lift = way.crank_deg, way.speed_deg_s, way.value_mm - (fit.base_mm or 0.0)
    raised = lift > (_RAISED * float(np.max(fit.coefficients)) if fit.base_mm is not None else -np.inf)
    if np.count_nonzero(raised) < _FEWEST:
        return None
    costs = [float(np.median(np.abs(lift - fit.lift_mm(crank + s))[raised])) for s in _SEARCH_DEG]
    slack = float(_SEARCH_DEG[int(np.argmin(costs))])
    for _ in range(_ROUNDS):
        phase = crank + slack
        slope = fit.lift_mm(phase, 1)
        residual = lift - fit.lift_mm(phase)
        variance = fit.noise.variance_mm2(slope * speed, way.u_deg * np.abs(slope))
        variance *= _stray(residual[raised], variance[raised])
        weight = robust_weights(residual, np.sqrt(variance)) / variance
        known = _inside(fit, phase)
        weight = np.where(known, weight, 0.0)
        information = float(np.sum(weight * slope**2))
        if information < least:
            return None
        slack += float(np.sum(weight * slope * residual)) / information
    gradient = _gradient(fit, phase, slope, weight, speed) / information
    variance_slack = 1.0 / information + float(gradient @ fit.covariance @ gradient)
    return slack, float(np.sqrt(variance_slack))


def _stray(residual: Floats, variance: Floats) -> float:
    """By what factor residuals exceed what noise makes of them: while the shift is still rough, none is wild."""
    usual = _OF_MEDIAN * float(np.median(np.abs(residual) / np.sqrt(variance)))
    return max(1.0, usual**2)


def _inside(fit: LobeFit, phase: Floats) -> Bools:
    basis = fit.basis
    inside = np.ones(len(phase), dtype=bool)
    if not basis.clamped_left:
        inside &= phase > basis.first_deg
    if not basis.clamped_right:
        inside &= phase < basis.last_deg
    return inside


def _gradient(fit: LobeFit, phase: Floats, slope: Floats, weight: Floats, speed: Floats) -> Floats:
    """Change of the slack with each unknown of the fit, times the information."""
    pull = weight * slope
    gradient = np.zeros(len(fit.covariance))
    index, value = fit.basis.local(phase)
    gradient[: fit.basis.size] = -np.bincount(index.ravel(), (value * pull[:, None]).ravel(), fit.basis.size)
    if fit.base_mm is not None:
        gradient[fit.basis.size] = -float(pull.sum())
    gradient[-1] = float(np.sum(pull * slope * speed))
    return gradient

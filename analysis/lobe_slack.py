"""The drive's slack, from the way back: how far the curve turned backwards lags the curve turned forwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.crank_motion import CrankMotion
from analysis.lobe_model import ForwardReadings, LobeFit
from analysis.noise_model import robust_weights
from analysis.streams import Floats

_FEWEST = 6
_SEARCH_DEG = np.arange(-2.0, 12.01, 0.5)
_LEAST_INFORMATION = 4.0


@dataclass(frozen=True, slots=True)
class Slack:
    """Slack of the cam drive and its standard uncertainty, crank degrees."""

    slack_deg: float
    u_deg: float


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
    crank, speed, crank_u = (
        fit.survey.unrolled(motion.angle_deg(then)),
        motion.speed_deg_s(then),
        motion.u_deg(then),
    )
    base = fit.base_mm or 0.0
    costs = [float(np.median(np.abs(back.value_mm - base - fit.lift_mm(crank + s)))) for s in _SEARCH_DEG]
    slack = float(_SEARCH_DEG[int(np.argmin(costs))])
    for _ in range(8):
        phase = crank + slack
        slope = fit.lift_mm(phase, 1)
        residual = back.value_mm - base - fit.lift_mm(phase)
        variance = fit.noise.variance_mm2(slope * speed, crank_u * np.abs(slope))
        weight = robust_weights(residual, np.sqrt(variance)) / variance
        known = _inside(fit, phase)
        weight = np.where(known, weight, 0.0)
        information = float(np.sum(weight * slope**2))
        if information < _LEAST_INFORMATION:
            return None
        slack += float(np.sum(weight * slope * residual)) / information
    gradient = _gradient(fit, phase, slope, weight, speed) / information
    variance_slack = 1.0 / information + float(gradient @ fit.covariance @ gradient)
    return Slack(slack, float(np.sqrt(variance_slack)))


def _inside(fit: LobeFit, phase: Floats) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
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

"""How surely a piston's readings tell the lag when the crank is turned one way at nearly one speed.

Then the centre follows the lag degree by degree, and only small changes of speed tell them apart. Where those
are no larger than the noise of the crank's own readings, the sum of squares has many shallow hollows along the
lag; a fit settles in one of them and sees only its width. Here the whole range of lags is gone through.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from analysis.base import Floats, Prior, newton_step, settle
from analysis.tdc.fit import (
    CENTRE,
    LAG,
    Modelled,
    PistonFit,
    Readings,
    contradicted,
    model_piston,
    within_bounds,
)

# A lag that is known better than this, in share of what was known before, has one hollow only.
_SURE_SHARE = 0.02
_SPACING_S = 0.008
_REACH = 2.6
_MOST_READINGS = 300
# A step that lowers the sum of squares by less than so much is shorter than a standard uncertainty.
_SHORT_STEP = 1.0
_WIDER = 1.15
_CONTRADICTS = 5.0
_LEAST_WAY = 0.1
# Hollows that noise makes are deeper than its share lets one think (found on simulated hands).
_MISLED = 10.0
_FASTEST = 100.0
# Two gauges of one kind hardly differ by more: common practice, no source.
_MOST_WRONG_S = 0.05


def contradicted_lag(fit: PistonFit, prior: Prior) -> float | None:
    """Give the lag that the readings tell by themselves where it contradicts the one known before; else `None`."""
    if prior.sd[LAG] > _SPACING_S:
        return None
    return contradicted(fit, prior, LAG, _CONTRADICTS)


def unseen_error_s(fit: PistonFit, prior: Prior) -> float:
    """How far the lag known before may be wrong without the readings contradicting it, seconds."""
    sd_s = float(prior.sd[LAG])
    own = max(1.0 / float(fit.covariance[LAG, LAG]) - 1.0 / sd_s**2, 1e-6)
    return float(min(_CONTRADICTS * np.sqrt(sd_s**2 + 1.0 / own), _MOST_WRONG_S))


def turned_both_ways(fit: PistonFit) -> bool:
    """Whether the crank was turned both ways through the dwell: lag shifts the two ways apart, nothing else does."""
    rate2 = fit.weight * fit.model.rate_mm_s**2
    forward = float(np.sum(rate2[fit.model.speed_deg_s > 0.0])) / max(float(np.sum(rate2)), 1e-300)
    return _LEAST_WAY < forward < 1.0 - _LEAST_WAY


def doubt_lag(
    fit: PistonFit, prior: Prior, earlier: Sequence[Floats] | None = None
) -> tuple[PistonFit, Sequence[Floats]]:
    """Go through all lags that may be, and average over them by how well each fits.

    Parameters
    ----------
    earlier : sequence of ndarray, optional
        What nearly the same readings gave for each lag, to start from while the crank is still being turned.

    Returns
    -------
    fit : PistonFit
        The one given where the lag is told surely or was known before.
    told : sequence of ndarray
        The parameters for each lag gone through.
    """
    known_s = float(prior.sd[LAG])
    if known_s < 2.0 * _SPACING_S or fit.covariance[LAG, LAG] < (_SURE_SHARE * known_s) ** 2:
        return fit, ()
    # Lags that were gone through before are asked again, so that each goes on from where it came to.
    through_s = float(earlier[0][LAG]) if earlier else float(fit.values[LAG])
    lags = _lags(float(prior.mean[LAG]), known_s, float(fit.values[LAG]), through_s)
    values, covariances, chance = _along(
        fit, prior, lags, 1.0 + _MISLED * _share_of_noise(fit, prior), earlier
    )
    mean = chance @ values
    away = values - mean
    covariance = np.einsum("k,kij->ij", chance, covariances) + (away * chance[:, None]).T @ away
    if covariance[CENTRE, CENTRE] < _WIDER**2 * fit.covariance[CENTRE, CENTRE]:
        return fit, tuple(values)
    # The mean of curved hollows lies beside them; the fit with the mean lag does not.
    start = _moved_to_lag(fit.values, float(mean[LAG]), _usual_speed_deg_s(fit))
    told, model, _ = _with_lag(fit.readings, start, prior, fit.weight, nearly=earlier is not None)
    return replace(fit, values=told, covariance=covariance, model=model), tuple(values)


def _share_of_noise(fit: PistonFit, prior: Prior) -> float:
    """How much of what seems to tell the lag is noise of the crank's own motion: speed that never was.

    Smoothing that passes changes slower than w leaves of white noise of density d a variance of d w / 3 in the
    angle, and of the angle's variance times w² / 2 in the speed (see `crank_smoothing`).
    """
    noise = fit.readings.motion.noise(fit.readings.moment_s(fit.values))
    angle2 = np.square(np.minimum(noise.u_deg, 10.0))
    pace = np.minimum(3.0 * angle2 / noise.density_deg2_s, _FASTEST)
    supposed = float(np.sum(fit.weight * np.square(fit.model.slope_mm_deg * pace) * 0.5 * angle2))
    told = 1.0 / float(fit.covariance[LAG, LAG]) - 1.0 / float(prior.sd[LAG]) ** 2
    return supposed / max(told, 1e-3 / float(prior.sd[LAG]) ** 2)


def _lags(mean_s: float, sd_s: float, found_s: float, through_s: float) -> Floats:
    """Evenly through one of them, over all that may be."""
    reach = _REACH * sd_s
    low, high = min(mean_s - reach, found_s), max(mean_s + reach, found_s)
    return through_s + _SPACING_S * np.arange(
        np.floor((low - through_s) / _SPACING_S), (high - through_s) / _SPACING_S + 1
    )


def _along(
    fit: PistonFit, prior: Prior, lags: Floats, doubt: float, earlier: Sequence[Floats] | None
) -> tuple[Floats, Floats, Floats]:
    """The best parameters for every lag, their covariance, and the chance of each lag.

    What the readings say counts `doubt` times less than it would if all of it were true.
    """
    stride = max(1, len(fit.readings.time_s) // _MOST_READINGS)
    readings, weight = fit.readings.only(slice(None, None, stride)), stride * fit.weight[::stride]
    speed_deg_s = _usual_speed_deg_s(fit)
    values: list[Floats] = []
    covariances: list[Floats] = []
    cost: list[float] = []
    for lag_s in lags[np.argsort(np.abs(lags - fit.values[LAG]), kind="stable")]:
        nearest = _nearest([*values, *(earlier or ())], float(lag_s), fit.values)
        start = _moved_to_lag(nearest, float(lag_s), speed_deg_s)
        told, covariance, squares = _best_with_lag(readings, start, prior, weight, nearly=earlier is not None)
        values.append(told)
        covariances.append(covariance)
        cost.append(squares / doubt + _off_before(told, prior))
    chance = np.exp(-0.5 * (np.array(cost) - min(cost)))
    return np.array(values), np.array(covariances), chance / chance.sum()


def _nearest(found: list[Floats], lag_s: float, otherwise: Floats) -> Floats:
    return min(found, key=lambda values: abs(float(values[LAG]) - lag_s)) if found else otherwise


def _usual_speed_deg_s(fit: PistonFit) -> float:
    return float(np.median(fit.model.speed_deg_s))


def _moved_to_lag(values: Floats, lag_s: float, speed_deg_s: float) -> Floats:
    """The same for another lag, with which the centre goes as the crank turned meanwhile."""
    moved = values.copy()
    moved[CENTRE] -= speed_deg_s * (lag_s - values[LAG])
    moved[LAG] = lag_s
    return moved


def _best_with_lag(
    readings: Readings, start: Floats, prior: Prior, weight: Floats, *, nearly: bool
) -> tuple[Floats, Floats, float]:
    """Parameters with the lag held, their covariance, and the weighted sum of squares.

    While the crank is still being turned most steps are short: they are taken as the straight line has them, and the
    next readings start from there.
    """
    if nearly:
        held, model = _holding_lag(prior, start), model_piston(readings, start)
        covariance, step, gain = newton_step(model, start, held, weight)
        if gain < _SHORT_STEP:
            told = within_bounds(start + step)
            saved = gain + _off_before(told, held) - _off_before(start, held)
            return told, covariance, float(weight @ model.residual_mm**2) - saved
    told, model, covariance = _with_lag(readings, start, prior, weight, nearly=nearly)
    return told, covariance, float(weight @ model.residual_mm**2)


def _off_before(values: Floats, prior: Prior) -> float:
    """Squares of how far parameters are from what was known before the readings, in its standard uncertainties."""
    known = np.isfinite(prior.sd)
    off = (values[known] - prior.mean[known]) / prior.sd[known]
    return float(off @ off)


def _holding_lag(prior: Prior, values: Floats) -> Prior:
    mean, sd = prior.mean.copy(), prior.sd.copy()
    mean[LAG], sd[LAG] = values[LAG], 1e-6
    return Prior(mean, sd)


def _with_lag(
    readings: Readings, start: Floats, prior: Prior, weight: Floats, *, nearly: bool
) -> tuple[Floats, Modelled, Floats]:
    """Fit all but the lag, which is held."""
    model_at = partial(model_piston, readings)
    return settle(
        model_at,
        start,
        model_at(start),
        prior=_holding_lag(prior, start),
        weight=weight,
        within=within_bounds,
        nearly=nearly,
    )

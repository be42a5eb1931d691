"""Weighted least squares of slider-crank motion, zero, gain and lag on the readings in contact."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analysis.base import Floats, NoiseModel, Prior, crowding, robust_weights, settle
from analysis.readings import CrankMotion
from analysis.timing import piston_drop

CENTRE, ZERO, SCALE, LAG, RATIO, OFFSET, STICK, PLAY, WANDER = range(9)
"""Order of the parameters: centre (deg), zero (mm), scale (mm a throw), lag (s), throw over rod, offset over throw, and
by how much a reading trails the plunger either way (mm), which is half the retrace, and by how much later the encoder
shows the centre when turned back (deg), which is the play of its coupling: `CENTRE` is what it shows when turned forward.
Last by how much the lag grows from the middle of the readings to their end (s): where the gauge measures by a clock of
its own, that is what is not known of the clock's pace.
"""

PARAMETERS = 9

_RATIO_BOUNDS = (0.12, 0.48)
# Beyond so many standard deviations a reading is wild, and not late.
_FARTHEST_LATE = 8.0
_OFFSET_BOUND = 0.5
_LAG_BOUNDS = (-0.3, 1.0)
_STANDS = 0.003
_TURNS_DEG_S = 0.5
_LEAST_STICK_MM = 1e-6
_SELDOM = 2.0 * float(ndtr(-3.0))
_HALVINGS = 30
# Readings that tell less of a parameter, in share of what was known before, contradict nothing.
_LEAST_TOLD = 0.01


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings of the gauge in contact with the piston, the motion of the crank meanwhile, and how late lines were read."""

    motion: CrankMotion
    time_s: Floats
    gauge_mm: Floats
    late_s: float = 0.0

    def only(self, chosen: NDArray[np.bool_] | NDArray[np.intp] | slice) -> Readings:
        """Some of them."""
        return Readings(self.motion, self.time_s[chosen], self.gauge_mm[chosen], self.late_s)

    @property
    def through(self) -> Floats:
        """From -1 at the first reading to 1 at the last."""
        if not len(self.time_s):
            return np.zeros(0)
        first_s, last_s = float(self.time_s[0]), float(self.time_s[-1])
        return np.asarray(2.0 * (self.time_s - first_s) / max(last_s - first_s, 1e-9) - 1.0)

    def moment_s(self, values: Floats) -> Floats:
        """When the plunger stood where each tells, by the parameters in the order of `CENTRE` and its fellows."""
        return np.asarray(self.time_s - values[LAG] - values[WANDER] * self.through)

    @property
    def interval_s(self) -> float:
        """Usual time from one reading to the next."""
        return float(np.median(np.diff(self.time_s))) if len(self.time_s) > 1 else 1.0


@dataclass(frozen=True, slots=True)
class Modelled:
    """The model at each reading.

    Attributes
    ----------
    residual_mm : ndarray, shape (m,)
        Reading less model.
    jacobian : ndarray, shape (m, 9)
        Derivatives of the model by the parameters, in the order of `CENTRE` and its fellows.
    angle_deg, speed_deg_s, drop : ndarray, shape (m,)
        Crank angle past the centre (unwrapped), crank speed, and drop of the piston in throws, lag removed.
    """

    residual_mm: Floats
    jacobian: Floats
    angle_deg: Floats
    speed_deg_s: Floats
    drop: Floats

    @property
    def rate_mm_s(self) -> Floats:
        """How fast the reading changes."""
        return self.jacobian[:, LAG]

    @property
    def slope_mm_deg(self) -> Floats:
        """Change of the reading by a crank degree."""
        return -self.jacobian[:, CENTRE]


@dataclass(frozen=True, slots=True)
class PistonFit:
    """The fitted parameters with all that the checks and the budget need.

    Attributes
    ----------
    values, covariance : ndarray, shapes (9,), (9, 9)
        Parameters in the order of `CENTRE` and its fellows.
    variance_mm2, known_mm : ndarray, shape (m,)
        Variance of each reading, and the standard uncertainty in it that is not the step's, jitter's or extra.
    robust : ndarray, shape (m,)
        Robust weight, 1 for ordinary readings.
    """

    values: Floats
    covariance: Floats
    readings: Readings
    model: Modelled
    noise: NoiseModel
    variance_mm2: Floats
    known_mm: Floats
    robust: Floats

    @property
    def weight(self) -> Floats:
        """Weight of each reading in the fit, 1/mm²."""
        return self.robust / self.variance_mm2

    @property
    def folded_deg(self) -> Floats:
        """Crank angle past the nearest TDC, degrees, lag removed."""
        return (self.model.angle_deg + 180.0) % 360.0 - 180.0

    @property
    def freedom_used(self) -> float:
        """Number of parameters that the readings themselves had to settle."""
        weighted = self.model.jacobian * self.weight[:, None]
        return float(np.trace(self.covariance @ (weighted.T @ self.model.jacobian)))


def model_piston(readings: Readings, values: Floats) -> Modelled:
    """Model every reading with the given parameters, in the order of `CENTRE` and its fellows."""
    crank, speed = readings.motion.angle_and_speed(readings.moment_s(values))
    back = turned_back(speed)
    angle = crank - values[CENTRE] - values[PLAY] * back
    piston = piston_drop(np.radians(angle), float(values[RATIO]), float(values[OFFSET]))
    scale = float(values[SCALE])
    jacobian = np.empty((len(angle), PARAMETERS))
    jacobian[:, CENTRE] = piston.slope * (-scale * np.pi / 180.0)
    jacobian[:, PLAY] = jacobian[:, CENTRE] * back
    jacobian[:, ZERO] = 1.0
    jacobian[:, SCALE] = piston.drop
    jacobian[:, LAG] = jacobian[:, CENTRE] * speed
    jacobian[:, WANDER] = jacobian[:, LAG] * readings.through
    jacobian[:, RATIO] = scale * piston.by_ratio
    jacobian[:, OFFSET] = scale * piston.by_offset
    jacobian[:, STICK] = trailing(
        jacobian[:, LAG], scale * piston.drop, readings.time_s, float(values[STICK])
    )
    residual = readings.gauge_mm - values[ZERO] - scale * piston.drop - values[STICK] * jacobian[:, STICK]
    return Modelled(residual, jacobian, angle, speed, piston.drop)


def turned_back(speed_deg_s: Floats) -> Floats:
    """1 where the crank is turned back or was so before it stood, 0 where forward."""
    turns = np.abs(speed_deg_s) > _TURNS_DEG_S
    last = np.maximum.accumulate(np.where(turns, np.arange(len(turns)), 0))
    return np.asarray(speed_deg_s[last] < -_TURNS_DEG_S, dtype=np.float64)


def trailing(rate_mm_s: Floats, position_mm: Floats, time_s: Floats, stick_mm: float) -> Floats:
    """Which way readings trail the plunger: -1 where they grow, 1 where they fall, between these just past the top.

    `rate_mm_s` is the derivative by the lag: minus the reading's own pace. Where the crank stands, readings trail as
    they did when it stopped. A plunger that sticks has to come back by twice what it sticks before the reading follows.
    """
    fast = np.abs(rate_mm_s) > _STANDS * float(np.max(np.abs(rate_mm_s), initial=0.0))
    way = np.where(fast, np.sign(rate_mm_s), 0.0)
    last = np.maximum.accumulate(np.where(fast, np.arange(len(way)), 0))
    way = way[last]
    # Past the top, where readings that grew now fall or the other way about.
    beyond = way * np.sign(position_mm) < 0.0
    freed = np.clip(np.abs(position_mm) / max(abs(stick_mm), _LEAST_STICK_MM) - 1.0, -1.0, 1.0)
    return np.asarray(np.where(beyond, way * freed, way))


def fit_piston(
    readings: Readings,
    start: Floats,
    prior: Prior,
    noise: NoiseModel,
    *,
    rounds: int = 4,
    nearly: bool = False,
) -> PistonFit:
    """Fit the piston's motion to readings in contact, and their noise with it.

    Parameters
    ----------
    start : ndarray, shape (9,)
        First guess, in the order of `CENTRE` and its fellows.
    noise : NoiseModel
        First guess of the noise; jitter and extra are estimated anew in each round but the last.
    rounds : int
        How often weights and parameters are settled in turn.
    nearly : bool
        Whether it starts where a fit of nearly the same readings came to; see `settle`.
    """
    values = start
    model = model_piston(readings, values)
    for left in range(rounds, 0, -1):
        known = np.hypot(
            _known_mm(readings, model, noise.step_mm, readings.moment_s(values)),
            _within_play_mm(model, float(values[PLAY])),
        )
        variance = noise.variance_mm2(model.rate_mm_s, known)
        robust = robust_weights(model.residual_mm, np.sqrt(variance))
        values, model, covariance = settle(
            partial(model_piston, readings),
            values,
            model,
            prior=prior,
            weight=robust / variance,
            within=within_bounds,
            nearly=nearly,
        )
        fit = PistonFit(values, covariance, readings, model, noise, variance, known, robust)
        if left > 1:
            share = 1.0 - fit.freedom_used / len(readings.time_s)
            noise = noise.refitted(model.residual_mm, share, model.rate_mm_s, known)
    return fit


def contradicted(fit: PistonFit, prior: Prior, parameter: int, by: float) -> float | None:
    """What the readings tell by themselves of a parameter, where it is so many deviations off what was known before."""
    known, usual = float(prior.mean[parameter]), float(prior.sd[parameter]) ** 2
    variance = float(fit.covariance[parameter, parameter])
    own = 1.0 / variance - 1.0 / usual
    if own < _LEAST_TOLD / usual:
        return None
    told = (float(fit.values[parameter]) / variance - known / usual) / own
    return told if abs(told - known) > by * np.sqrt(usual + 1.0 / own) else None


def doubt_offset(fit: PistonFit, prior: Prior) -> PistonFit:
    """Weigh "no pin offset" against "some offset" and average over both.

    Many engines have none. The odds are even before the readings; after them they follow from how much the
    readings speak for an offset (Savage-Dickey density ratio). Two answers that differ widen the covariance, and so far
    that an error of one and a half intervals stays as seldom as it is of one answer: where the likely answer is none, and
    the unlikely one far off, twice their standard deviation is exceeded seldom but then by much.
    """
    variance = float(fit.covariance[OFFSET, OFFSET])
    offset = float(fit.values[OFFSET])
    log_odds = 0.5 * (np.log(prior.sd[OFFSET] ** 2 / variance) - offset**2 / variance)
    none = float(1.0 / (1.0 + np.exp(-np.clip(log_odds, -500.0, 500.0))))
    tied = fit.covariance[:, OFFSET] / variance
    away = tied * offset
    covariance = fit.covariance - none * np.outer(tied, tied) * variance
    covariance += none * (1.0 - none) * np.outer(away, away)
    some2 = float(fit.covariance[CENTRE, CENTRE])
    answers = TwoAnswers(none, max(some2 - tied[CENTRE] ** 2 * variance, 0.0), some2, float(away[CENTRE]))
    more2 = answers.u_of_tails**2 - float(covariance[CENTRE, CENTRE])
    if more2 > 0.0:
        covariance += np.outer(tied, tied) * (more2 / tied[CENTRE] ** 2)
    values = within_bounds(fit.values - none * away)
    return replace(fit, values=values, covariance=covariance, model=model_piston(fit.readings, values))


@dataclass(frozen=True, slots=True)
class TwoAnswers:
    """Two answers, one of them right: `chance` of the first, both variances, and how far the second is from the first."""

    chance: float
    first2: float
    second2: float
    apart: float

    @property
    def u_of_tails(self) -> float:
        """A third of what their mean is missed by as seldom as three standard deviations of one answer."""
        reach = (1.0 - self.chance) * abs(self.apart), self.chance * abs(self.apart)
        sd = float(np.sqrt(self.first2)), float(np.sqrt(self.second2))
        low, high = 0.0, max(reach[0] + 4.0 * sd[0], reach[1] + 4.0 * sd[1])
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            beyond = self.chance * _beyond(middle, reach[0], sd[0])
            beyond += (1.0 - self.chance) * _beyond(middle, reach[1], sd[1])
            low, high = (middle, high) if beyond > _SELDOM else (low, middle)
        return high / 3.0


def _beyond(limit: float, away: float, sd: float) -> float:
    """The chance that a normal number `away` from nought is beyond the limit to either side."""
    if sd <= 0.0:
        return float(away > limit)
    return float(ndtr((away - limit) / sd) + ndtr((-away - limit) / sd))


def doubt_lateness(fit: PistonFit) -> PistonFit:
    """Hold in the covariance what readings that come late to one side only would move, were they trusted in full.

    A fit that gives less weight to the latest takes a lag nearer to what most readings show than to their mean. Which
    of the two belongs to the gauge is not told by its readings: a long tail is its own, a hiccup is the computer's.
    """
    rate = fit.model.rate_mm_s
    of_jitter = (fit.noise.jitter_s * rate) ** 2 / fit.variance_mm2
    near = np.abs(fit.model.residual_mm) < _FARTHEST_LATE * np.sqrt(fit.variance_mm2)
    held_back = (1.0 - fit.robust) * of_jitter * near / fit.variance_mm2
    moved = fit.covariance @ (fit.model.jacobian.T @ (held_back * fit.model.residual_mm))
    return replace(fit, covariance=fit.covariance + np.outer(moved, moved))


def _known_mm(readings: Readings, model: Modelled, step_mm: float, moment_s: Floats) -> Floats:
    """What the crank's counts add, lines read late, and what one step shared by several readings adds to each."""
    noise = readings.motion.noise(moment_s)
    at_once = np.square(np.minimum(noise.u_deg, 10.0))
    crank = np.maximum(at_once, noise.density_deg2_s / max(readings.interval_s, 1e-3))
    slope = model.slope_mm_deg
    moved = np.diff(model.angle_deg) * 0.5 * (slope[1:] + slope[:-1])
    rounding = (crowding(moved, step_mm) - 1.0) * step_mm**2 / 12.0
    known: Floats = np.sqrt(slope**2 * crank + rounding + (readings.late_s * model.rate_mm_s) ** 2)
    return known


def _within_play_mm(model: Modelled, play_deg: float) -> Floats:
    """What play adds to readings beside a turning back: the encoder stands while the crank crosses it, unseen."""
    flips = np.diff(turned_back(model.speed_deg_s)) != 0.0
    beside = np.append(flips, False) | np.insert(flips, 0, False)
    return np.asarray(np.abs(model.slope_mm_deg) * play_deg * beside)


def within_bounds(values: Floats) -> Floats:
    """Put the parameters back among those of engines and gauges that can be."""
    bounded = values.copy()
    bounded[RATIO] = np.clip(values[RATIO], *_RATIO_BOUNDS)
    bounded[OFFSET] = np.clip(values[OFFSET], -_OFFSET_BOUND, _OFFSET_BOUND)
    bounded[LAG] = np.clip(values[LAG], *_LAG_BOUNDS)
    return bounded

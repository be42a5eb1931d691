"""What each cause adds to the uncertainty of a lobe centre (GUM, JCGM 100:2008, clause 5 and 8)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base import (
    ENCODER_LINE,
    RETRACE_LINE,
    Component,
    Floats,
    GaugeFacts,
    LobeSettings,
    encoder_u_deg,
    limit_u,
)
from analysis.curve import LobeFit
from analysis.lobe.passes import PassFit, scatter_of_passes
from analysis.lobe.shape import LobeShape, Reading
from analysis.own_clock import Ticks

_LEAST_FREEDOM = 1.0
# The readings that a pair hangs on settle its two places, too.
_SETTLED_BY_THEM = 2.0
# However few readings show the scatter: gauges are not unlike without limit.
_FEWEST_FREEDOM = 3.0
# What gauges show whose jitter is not known, and as how many readings that counts where next to none tell it.
_USUAL_JITTER_S, _USUAL_COUNT = 0.0035, 3.0
_FEW_READINGS = 12.0
_NEAR_PEAK_MM = 0.1
_CLOCK_PLACES, _PLACES_EACH = 24, 6
_CLOCK_PERIODS, _PERIOD_ROOM, _USUAL_SLOWEST_S = 15, 1.25, 0.125
_LEVEL_STEP_MM = 0.05


@dataclass(frozen=True, slots=True)
class UnseenClock:
    """A clock by which the gauge measures, or seems to, and which was not found among these readings.

    Attributes
    ----------
    periods_s : tuple of float
        How often it may measure, each as likely as the others.
    at_s : ndarray, shape (m,)
        When each forward reading arrived.
    """

    periods_s: tuple[float, ...]
    at_s: Floats

    @classmethod
    def behind(cls, jitter_s: float, known: bool, at_s: Floats) -> UnseenClock:
        """What clock may stand behind readings that are so unevenly late: its ages have that standard deviation.

        Where that is not `known` from before, a beat with the readings' own pace may have hidden most of them.
        """
        period_s = float(np.sqrt(12.0)) * jitter_s
        slowest_s = period_s * _PERIOD_ROOM if known else max(period_s * _PERIOD_ROOM, _USUAL_SLOWEST_S)
        return cls(tuple(np.linspace(period_s / _PERIOD_ROOM, slowest_s, _CLOCK_PERIODS).tolist()), at_s)

    def beyond_jitter_u(self, fit: LobeFit, centre: Reading) -> float:
        """What it does to the centre beyond what the same ages would, were they jitter.

        The ages of its values are a saw tooth, alike from one reading to the next, and do not average out. When it began
        is not known: the root mean square over all moments at which it may have.
        """
        by_age_deg_s = fit.weight * _moved_by(fit, centre, fit.covariance) * fit.placed.rate_mm_s
        places = _CLOCK_PLACES if len(self.periods_s) == 1 else _PLACES_EACH
        off_deg2 = [
            float(
                (Ticks(period_s, period_s * place / places).age_s(self.at_s) - 0.5 * period_s) @ by_age_deg_s
            )
            ** 2
            for period_s in self.periods_s
            for place in range(places)
        ]
        as_jitter_deg2 = fit.noise.jitter_s**2 * float(np.sum(by_age_deg_s**2))
        return float(np.sqrt(max(float(np.mean(off_deg2)) - as_jitter_deg2, 0.0)))


def budget_of(
    fit: LobeFit,
    shape: LobeShape,
    centre: Reading,
    *,
    settings: LobeSettings,
    gauge: GaugeFacts,
    passes: tuple[PassFit, ...],
    wander_s: float = 0.0,
    unsettled_deg: float = 0.0,
    unseen_clock: UnseenClock | None = None,
) -> tuple[Component, ...]:
    """Itemise the standard uncertainty of a centre; `uncertainty.expand` makes the whole of it."""
    lag_u = abs(float(centre.gradient @ fit.covariance[-1])) / fit.lag_u_s
    whole = centre.u(fit.covariance)
    fit_u2 = max(whole**2 - lag_u**2, 0.0)
    moved = _moved_by(fit, centre, _held(fit))
    parts = _noise_parts(fit, moved)
    smoothing = max(fit_u2 - sum(part**2 for part in parts.values()), 0.0)
    hung_on = _readings_that_carry(fit, moved)
    parts[_JITTER_LINE] *= _jitter_widened(fit, hung_on)
    carrying = hung_on - _SETTLED_BY_THEM
    freedom = max(min(fit.scatter_freedom, carrying + fit.readings_known), _FEWEST_FREEDOM)
    scatter = scatter_of_passes(passes, wander_s)
    alone = sum(one.shift_deg is not None for one in passes)
    clock_u = 0.0 if unseen_clock is None else unseen_clock.beyond_jitter_u(fit, centre)
    lines = [
        *(Component(name, u, freedom if name in _OF_SCATTER else np.inf) for name, u in parts.items()),
        Component("smoothing of the curve", float(np.sqrt(smoothing)), max(carrying, _FEWEST_FREEDOM)),
        Component("lag", lag_u),
        Component("gauge error", _gauge_error_u(shape, settings.drop_mm, gauge)),
        Component(RETRACE_LINE, retrace_u_deg(shape, settings.drop_mm, gauge)),
        Component(ENCODER_LINE, _encoder_u(fit, shape, settings)),
        Component("true TDC", settings.tdc_u_deg),
        Component("clock of the gauge", float(np.hypot(scatter.wander_u_deg, clock_u))),
        Component("pass to pass", scatter.between_u_deg, max(alone - 1.0, _LEAST_FREEDOM)),
        Component("not settled yet", unsettled_deg),
    ]
    return tuple(line for line in lines if line.u > 0.0)


_JITTER_LINE = "jitter of the lag"
_OF_SCATTER = (_JITTER_LINE, "other scatter of the readings")


def _jitter_widened(fit: LobeFit, hung_on: float) -> float:
    """By how much the jitter of the few readings that a centre hangs on may exceed what all readings show.

    A curve with few readings on its flanks bends after those that come late, and what is left of them tells too little.
    Where the gauge's jitter was found before, with many readings, it is in what the fit found already.
    """
    found2 = fit.noise.jitter_s**2
    if fit.readings_known > 1.0 or hung_on >= _FEW_READINGS or found2 <= 0.0:
        return 1.0
    usual = _USUAL_COUNT * (1.0 - hung_on / _FEW_READINGS)
    blended2 = (hung_on * found2 + usual * _USUAL_JITTER_S**2) / (hung_on + usual)
    return float(np.sqrt(max(blended2 / found2, 1.0)))


def retrace_u_deg(shape: LobeShape, drop_mm: float, gauge: GaugeFacts) -> float:
    """What is not known of the retrace: it makes the rising flank late by half of it over the slope, and the falling one."""
    slopes = [abs(shape.slope_at(shape.peak_mm - max(drop_mm, _NEAR_PEAK_MM), side)) for side in (-1, 1)]
    if min(slopes) <= 0.0:
        return 0.0
    return 0.5 * gauge.stick_mm[1] * sum(1.0 / slope for slope in slopes)


def _encoder_u(fit: LobeFit, shape: LobeShape, settings: LobeSettings) -> float:
    """The turn from true TDC to the middle of the pair, by an encoder that is out of round."""
    pair = shape.pair_at_drop(settings.drop_mm)
    if not settings.encoder_error_deg or pair is None:
        return 0.0
    before, after = (one.value + fit.survey.start_deg for one in pair)
    return encoder_u_deg(settings.encoder_error_deg, settings.tdc_deg, before, after)


def _held(fit: LobeFit) -> Floats:
    """The covariance were the lag known."""
    lag = fit.covariance[-1]
    return np.asarray(fit.covariance - np.outer(lag, lag) / lag[-1])


def _moved_by(fit: LobeFit, centre: Reading, covariance: Floats) -> Floats:
    """How far each reading would move the centre, were its weight one."""
    pull, placed = covariance @ centre.gradient, fit.placed
    moved = fit.basis.curve(pull[: fit.basis.size], placed.spots)[0] - pull[-1] * placed.rate_mm_s
    if fit.base_mm is not None:
        moved = moved + pull[fit.basis.size]
    return np.asarray(moved)


def _readings_that_carry(fit: LobeFit, moved: Floats) -> float:
    """How many readings the centre hangs on: as many as would carry it, were each as weighty as the others."""
    pull = np.abs(fit.weight * moved * fit.placed.slope_mm_deg)
    squares = float(np.sum(pull**2))
    return float(np.sum(pull)) ** 2 / squares if squares > 0.0 else 0.0


def _noise_parts(fit: LobeFit, moved: Floats) -> dict[str, float]:
    """How far each kind of reading noise moves the centre, the lag held."""
    placed = fit.placed
    share = fit.weight * moved
    whole = np.sum(share**2 / np.maximum(fit.weight, 1e-30))
    raw = np.sum(share**2 * fit.variance_mm2)
    stretch = float(whole / raw) if raw > 0.0 else 1.0

    def part(variance: Floats | float) -> float:
        """What errors of this variance, each of its own, leave of the result."""
        return float(np.sqrt(stretch * np.sum(share**2 * variance)))

    return {
        "gauge step": part(fit.noise.step_mm**2 / 12.0),
        _JITTER_LINE: part((fit.noise.jitter_s * placed.rate_mm_s) ** 2),
        "encoder count": part(placed.crank_mm**2),
        "other scatter of the readings": part(fit.noise.extra_mm**2),
    }


def _gauge_error_u(shape: LobeShape, drop_mm: float, gauge: GaugeFacts) -> float:
    """What the stated error, alike on both readings of a pair, does through the centre's slope with lift."""
    if not gauge.error_mm:
        return 0.0
    low, high = shape.centre_at_drop(drop_mm - _LEVEL_STEP_MM), shape.centre_at_drop(drop_mm + _LEVEL_STEP_MM)
    if low is None or high is None:
        return 0.0
    return abs(high.value - low.value) / (2.0 * _LEVEL_STEP_MM) * limit_u(gauge.error_mm)

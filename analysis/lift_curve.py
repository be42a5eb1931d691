"""One lobe from its streams: the whole lift curve with its lag, each number with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.lobe_budget import budget_of
from analysis.lobe_changes import PassScatter
from analysis.lobe_faults import refuse_before_fit, refuse_shape, warnings_of
from analysis.lobe_fit import fit_lobe
from analysis.lobe_model import ForwardReadings, LagPrior, LobeFit
from analysis.lobe_passes import PassFit, fit_passes
from analysis.lobe_play import SAFE_SLACK_DEG, find_engagement
from analysis.lobe_readings import backward_readings, forward_readings, wild_readings
from analysis.lobe_shape import LobeShape, Reading
from analysis.lobe_slack import Slack, find_slack
from analysis.lobe_survey import CYCLE_DEG, Survey, survey_lobe
from analysis.lobe_verdicts import Witnesses, refuse_faulty_fit
from analysis.lobe_watch import refuse_stream_faults
from analysis.noise_model import NoiseModel
from analysis.passes import Sweep, find_sweeps
from analysis.results import (
    CentreAtDrop,
    Curve,
    EqualReadings,
    LiftEvents,
    LobeResult,
    LobeSettings,
    Pass,
)
from analysis.streams import Floats, GaugeFacts, Streams
from analysis.trace_faults import CheckedStreams, check_streams

UNKNOWN_LAG = LagPrior(0.09, 0.06)
"""Before anything is known: dial indicators answer some 20 to 150 ms late."""

_FIRST_JITTER_S = 0.005
_MOST_BLUR_DEG = 12.0
_CURVE_STEP_DEG = 1.0
_WORTH_ADMITTING = 1.15
_SURE_SLACK_U_DEG = 0.2
_SLACK_ROOM_DEG = 0.5

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Found:
    """Everything that the numbers are taken from."""

    checked: CheckedStreams
    readings: ForwardReadings
    sweeps: tuple[Sweep, ...]
    fit: LobeFit
    shape: LobeShape
    slack: Slack | None
    passes: tuple[PassFit, ...]
    prior: LagPrior


def find_lobe(
    streams: Streams, settings: LobeSettings, gauge: GaugeFacts, start: LobeResult | None = None
) -> LobeResult:
    """Measure one lobe.

    Parameters
    ----------
    streams : Streams
        Crank and gauge as they arrived; one or many passes, whole turns or the nose rocked over.
    settings : LobeSettings
        True TDC, the drop and the check lifts asked for.
    gauge : GaugeFacts
        What is known of the gauge.
    start : LobeResult, optional
        An earlier result of the same measurement, from which the fit may start.

    Returns
    -------
    LobeResult

    Raises
    ------
    Refusal
        Where the readings cannot carry a number; see `analysis.lobe_faults`.
    """
    checked = check_streams(streams, gauge)
    found = _find(checked, _lag_prior(gauge), start)
    seen = Witnesses(checked.motion, found.readings, found.fit, found.shape, found.passes, found.prior)
    scatter = refuse_faulty_fit(seen, settings)
    return _result(found, settings, gauge, scatter)


def _lag_prior(gauge: GaugeFacts) -> LagPrior:
    if gauge.lag_s is None:
        return UNKNOWN_LAG
    return LagPrior(gauge.lag_s, max(gauge.lag_u_s if gauge.lag_u_s is not None else 0.001, 1e-5))


def _find(checked: CheckedStreams, prior: LagPrior, start: LobeResult | None) -> _Found:
    near = prior if start is None else LagPrior(start.lag_s, min(prior.u_s, max(start.lag_u_s, 0.005)))
    wild = wild_readings(checked.streams.gauge_mm)
    refuse_stream_faults(checked, prior, wild)
    first = _fitted(checked, prior, near, wild, SAFE_SLACK_DEG)
    bound = _slack_bound(first.slack)
    if bound >= SAFE_SLACK_DEG:
        return first
    engaged = find_engagement(checked.motion, bound)
    admitted = len(forward_readings(checked, engaged, near, wild)[0])
    if admitted < _WORTH_ADMITTING * len(first.readings.time_s):
        return first
    return _fitted(checked, prior, near, wild, bound)


def _slack_bound(slack: Slack | None) -> float:
    """The most that the slack can be: less than the safe supposition where the way back has told it well."""
    if slack is None or slack.u_deg > _SURE_SLACK_U_DEG or slack.slack_deg < 0.0:
        return SAFE_SLACK_DEG
    return min(slack.slack_deg + 4.0 * slack.u_deg + _SLACK_ROOM_DEG, SAFE_SLACK_DEG)


def _fitted(
    checked: CheckedStreams, prior: LagPrior, near: LagPrior, wild: Bools, slack_deg: float
) -> _Found:
    """Fit the readings that are turned forward with that much slack taken up."""
    motion = checked.motion
    sweeps = find_sweeps(motion)
    engaged = find_engagement(motion, slack_deg)
    time_s, value = forward_readings(checked, engaged, near, wild)
    refuse_before_fit(checked, sweeps, time_s)
    then = time_s - near.lag_s
    blur = min(near.u_s * float(np.median(np.abs(motion.speed_deg_s(then)))), _MOST_BLUR_DEG)
    survey = survey_lobe(motion.angle_deg(then), value, checked.step_mm, blur)
    basis = survey.basis(blur)
    noise = NoiseModel(checked.step_mm, _FIRST_JITTER_S, 0.0)
    readings = ForwardReadings(time_s, survey.polarity * value)
    fit = fit_lobe(motion, survey, basis, readings, prior=prior, noise=noise)
    found_lag = LagPrior(fit.lag_s, fit.lag_u_s)
    back = backward_readings(checked, engaged, found_lag, wild, survey.polarity)
    slack = find_slack(motion, fit, back)
    passes = fit_passes(motion, fit, readings, sweeps)
    return _Found(checked, readings, sweeps, fit, LobeShape(fit), slack, passes, prior)


def _result(found: _Found, settings: LobeSettings, gauge: GaugeFacts, scatter: PassScatter) -> LobeResult:
    fit, shape = found.fit, found.shape
    centre = refuse_shape(fit, shape, settings.drop_mm)
    peak, full = shape.peak(), shape.full_lift()
    tell = _Teller(fit.survey, settings.tdc_deg)
    budget = budget_of(fit, shape, centre, settings=settings, gauge=gauge, passes=found.passes)
    u_deg = float(np.sqrt(sum(line.u_deg**2 for line in budget)))
    centre_deg, full_deg = tell.phase(centre.value), tell.phase(full.value)
    return LobeResult(
        centre_deg=centre_deg,
        drop_mm=settings.drop_mm,
        u95_deg=2.0 * u_deg,
        full_lift_deg=full_deg,
        full_lift_u_deg=float(np.hypot(full.u(fit.covariance), settings.tdc_u_deg)),
        peak_lift_mm=peak.value,
        peak_lift_u_mm=float(np.hypot(peak.u(fit.covariance), (gauge.error_mm or 0.0) / np.sqrt(3.0))),
        slack_deg=None if found.slack is None else found.slack.slack_deg,
        slack_u_deg=None if found.slack is None else found.slack.u_deg,
        lag_s=fit.lag_s,
        lag_u_s=fit.lag_u_s,
        asymmetry_deg=centre.value - full.value,
        residual_sd_mm=float(np.sqrt(np.mean(fit.placed.residual_mm**2))),
        events=_events(found, settings, tell),
        centres=_centres(found, settings, tell),
        equal_readings=_pairs(found, settings, tell),
        passes=_passes(found, centre, tell, u_deg),
        warnings=(*found.checked.warnings, *warnings_of(fit, shape, found.prior, scatter)),
        budget=budget,
        curve=_curve(fit, settings.tdc_deg),
        polarity=fit.survey.polarity,
        max_slope_mm_deg=shape.largest_slope(),
        base_mm=None if fit.base_mm is None else fit.survey.polarity * fit.base_mm,
        centre_by_lag_deg_s=float(centre.gradient @ fit.covariance[-1]) / fit.lag_u_s**2,
    )


@dataclass(frozen=True, slots=True)
class _Teller:
    """Turns phases of the fit into the degrees that are told."""

    survey: Survey
    tdc_deg: float

    def phase(self, phase_deg: float) -> float:
        return float(np.mod(phase_deg + self.survey.start_deg - self.tdc_deg, CYCLE_DEG))


def _events(found: _Found, settings: LobeSettings, tell: _Teller) -> tuple[LiftEvents, ...]:
    if found.fit.base_mm is None:
        return ()
    events = []
    for lift in settings.check_lifts_mm:
        opens, closes = (found.shape.at_level(lift, side, False) for side in (-1, 1))
        if opens is None or closes is None:
            continue
        events.append(
            LiftEvents(
                lift,
                tell.phase(opens.value),
                tell.phase(closes.value),
                closes.value - opens.value,
                float(np.hypot(opens.u(found.fit.covariance), settings.tdc_u_deg)),
                float(np.hypot(closes.u(found.fit.covariance), settings.tdc_u_deg)),
            )
        )
    return tuple(events)


def _centres(found: _Found, settings: LobeSettings, tell: _Teller) -> tuple[CentreAtDrop, ...]:
    drops = sorted({*settings.drops_mm, settings.drop_mm})
    found_at = [(drop, found.shape.centre_at_drop(drop)) for drop in drops]
    return tuple(
        CentreAtDrop(
            drop, tell.phase(at.value), float(np.hypot(at.u(found.fit.covariance), settings.tdc_u_deg))
        )
        for drop, at in found_at
        if at is not None
    )


def _pairs(found: _Found, settings: LobeSettings, tell: _Teller) -> tuple[EqualReadings, ...]:
    pairs = []
    for drop in sorted({*settings.drops_mm, settings.drop_mm}):
        pair = found.shape.pair_at_drop(drop)
        if pair is not None:
            before, after = pair[0].value, pair[1].value
            middle = tell.phase(0.5 * (before + after))
            pairs.append(EqualReadings(drop, tell.phase(before), tell.phase(after), middle))
    return tuple(pairs)


def _passes(found: _Found, centre: Reading, tell: _Teller, u_deg: float) -> tuple[Pass, ...]:
    forward = [
        Pass(
            one.start_s,
            one.end_s,
            1,
            one.speed_deg_s,
            True,
            None if one.shift_deg is None else tell.phase(centre.value + one.shift_deg),
            None if one.shift_u_deg is None else float(np.hypot(one.shift_u_deg, u_deg)),
            None if one.offset_mm is None else found.shape.peak_mm + one.offset_mm,
        )
        for one in found.passes
    ]
    backward = [
        Pass(sweep.start_s, sweep.end_s, -1, sweep.speed_deg_s, False, None, None)
        for sweep in found.sweeps
        if sweep.direction < 0
    ]
    return tuple(sorted([*forward, *backward], key=lambda one: one.start_s))


def _curve(fit: LobeFit, tdc_deg: float) -> Curve:
    """The curve every degree: the whole cycle where the base circle closes it, else what was seen."""
    closed = fit.survey.left_seen and fit.survey.right_seen
    if closed:
        crank: Floats = np.arange(0.0, CYCLE_DEG, _CURVE_STEP_DEG)
        phase = np.mod(crank + tdc_deg - fit.survey.start_deg, CYCLE_DEG)
    else:
        phase = np.arange(fit.basis.first_deg, fit.basis.last_deg, _CURVE_STEP_DEG)
        first = np.mod(phase[0] + fit.survey.start_deg - tdc_deg, CYCLE_DEG)
        crank = phase - phase[0] + first
    index, value = fit.basis.local(phase)
    own = fit.covariance[index[:, :, None], index[:, None, :]]
    variance = np.einsum("ij,ijk,ik->i", value, own, value)
    return Curve(crank, fit.lift_mm(phase), np.sqrt(np.maximum(variance, 0.0)))


__all__ = ["SAFE_SLACK_DEG", "UNKNOWN_LAG", "find_lobe"]

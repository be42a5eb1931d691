"""True TDC: the piston's highest point, found from every reading in contact by one joint fit."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from analysis.base import (
    Floats,
    GaugeFacts,
    NoiseModel,
    Prior,
    Refusal,
    Streams,
    TdcResult,
    TdcSettings,
    Warn,
)
from analysis.readings import (
    TYPICAL_LAG_S,
    TYPICAL_LAG_U_S,
    CheckedStreams,
    ClockWatch,
    CrankMotion,
    Ticks,
    check_streams,
    find_ticks,
    follow_crank,
    no_fault_of_the_bench,
    refuse_slip,
    refuse_steps,
)
from analysis.tdc.contact import Contact, first_view
from analysis.tdc.faults import refuse_faulty_fit
from analysis.tdc.fit import (
    CENTRE,
    LAG,
    PLAY,
    SCALE,
    WANDER,
    ZERO,
    PistonFit,
    Readings,
    doubt_lateness,
    doubt_offset,
    fit_piston,
    model_piston,
    turned_back,
)
from analysis.tdc.lag_belief import contradicted_lag, doubt_lag, turned_both_ways
from analysis.tdc.misfit import coherence_of
from analysis.tdc.prior import piston_prior, unseen_play
from analysis.tdc.result import PLAY_SURE, tdc_result

_FEWEST = 8
_COARSE = 1500
_REACH_DEG = 110.0
_NEAR_S = 0.01
# A coupling that hangs by more is loose; what then seems play may be anything. Common practice, no source.
_PLAY_U_DEG, _MOST_PLAY_DEG = 0.3, 1.5

Flags = NDArray[np.bool_]


def find_tdc(
    streams: Streams,
    settings: TdcSettings,
    gauge: GaugeFacts,
    start: TdcResult | None = None,
    follow: Callable[[Floats, Floats], CrankMotion] = follow_crank,
    watch: ClockWatch | None = None,
) -> TdcResult:
    """Find true TDC from the crank's and the gauge's readings.

    Parameters
    ----------
    streams : Streams
        Turned through the dwell in any manner: both directions, several turns, rocking, stepping.
    settings : TdcSettings
        Stroke, rod and pin offset where known.
    gauge : GaugeFacts
        Lag, step and error of the gauge where known.
    start : TdcResult, optional
        An earlier result from the same trace, such as that of a moment ago: where it knew the lag, the search
        for it is spared. The number that comes out is the same.
    follow : callable
        Follows the crank; `crank_follower.CrankFollower` while it is still being turned.
    watch : ClockWatch, optional
        What was seen of the gauge's own clock a moment ago: it is looked for anew only where that is due.

    Returns
    -------
    TdcResult

    Raises
    ------
    Refusal
        When the readings cannot carry a trustworthy number.
    """
    checked = check_streams(streams, gauge, follow)
    with no_fault_of_the_bench(checked.waiting):
        watch = ClockWatch() if watch is None else watch
        if watch.ticks is not None and not watch.due(len(checked.streams.gauge_mm)):
            checked = checked.as_measured(watch.ticks)
        return _find(checked, settings, gauge, start, watch)


def _find(
    checked: CheckedStreams,
    settings: TdcSettings,
    gauge: GaugeFacts,
    start: TdcResult | None,
    watch: ClockWatch,
) -> TdcResult:
    prior = piston_prior(settings, gauge)
    refuse_slip(checked.streams.crank_time_s, checked.streams.crank_deg, checked.motion.count_deg)
    prior.sd[LAG] = np.hypot(prior.sd[LAG], checked.motion.late_u_s)
    if checked.ticks is not None:
        prior.sd[WANDER] = np.hypot(prior.sd[WANDER], checked.ticks.wander_s)
    readings = _covered(checked, float(prior.mean[LAG]))
    refuse_steps(
        checked.motion, readings.time_s, readings.gauge_mm, step_mm=checked.step_mm, lag_s=gauge.lag_s
    )
    near_s = start.lag_s if start is not None and start.lag_u_s < _NEAR_S else None
    rough_s = gauge.lag_s if gauge.lag_s is not None else near_s
    view = first_view(
        checked.motion, readings.time_s, readings.gauge_mm, step_mm=checked.step_mm, lag_s=rough_s
    )
    known_s = float(prior.mean[LAG])
    fit, prior, told_s = _fit_doubting_lag(readings, view, prior, checked.step_mm)
    if checked.ticks is None and checked.waiting.little and (ticks := _ticks_of(fit, checked, watch)):
        return _find(checked.as_measured(ticks), settings, gauge, start, watch)
    if settings.encoder_error_deg:
        fit, prior = _with_play(fit, prior, settings.encoder_error_deg)
    if settings.pin_offset_mm is None:
        fit = doubt_offset(fit, prior)
    coherence = coherence_of(fit)
    noted = refuse_faulty_fit(fit, prior, coherence)
    if told_s is not None:
        noted += (_lag_warning(fit, known_s, told_s),)
    fit = doubt_lateness(doubt_lag(fit, prior))
    return tdc_result(
        checked,
        fit,
        settings=settings,
        gauge=gauge,
        prior=prior,
        noted=noted,
        coherence=coherence,
    )


def _ticks_of(fit: PistonFit, checked: CheckedStreams, watch: ClockWatch) -> Ticks | None:
    readings = len(checked.streams.gauge_mm)
    if not watch.due(readings):
        return None
    rate, jitter_s = fit.model.rate_mm_s, fit.noise.jitter_s
    still = fit.variance_mm2 - (jitter_s * rate) ** 2
    way = 2.0 * np.round(fit.model.angle_deg / 360.0) + turned_back(fit.model.speed_deg_s)
    found = find_ticks(
        fit.readings.time_s,
        fit.model.residual_mm,
        fit.model.jacobian[:, [CENTRE, ZERO, SCALE, LAG]],
        rate,
        still_mm2=still,
        jitter_s=jitter_s,
        passes=np.cumsum(np.diff(way, prepend=way[:1]) != 0.0),
        period_s=None if watch.ticks is None else watch.period_s,
    )
    watch.seen(found[0] if found else None, readings)
    return watch.ticks


def _fit_doubting_lag(
    readings: Readings, view: Contact, prior: Prior, step_mm: float
) -> tuple[PistonFit, Prior, float | None]:
    """Fit with the lag as known before; without it where the readings contradict it, and then say what they tell."""
    fit = _fit(readings, view, prior, step_mm)
    told_s = contradicted_lag(fit, prior)
    if told_s is None:
        return fit, prior, None
    prior = _without_lag(prior)
    return _fit(readings, view, prior, step_mm), prior, told_s


def _with_play(fit: PistonFit, prior: Prior, limit_deg: float) -> tuple[PistonFit, Prior]:
    """Let the coupling have play: as much as the readings show, or what it may have where they do not.

    Turned back, an encoder that hangs behind shows all places alike later, at whatever speed and distance from the top:
    a lag's part grows with speed, a sticking plunger's as the top comes near.
    """
    if not turned_both_ways(fit):
        return fit, prior
    loose = _play_known(prior, 0.0, _PLAY_U_DEG)
    again = fit_piston(fit.readings, fit.values, loose, fit.noise, rounds=3)
    play_deg, u_deg = float(again.values[PLAY]), float(np.sqrt(again.covariance[PLAY, PLAY]))
    if PLAY_SURE * u_deg < play_deg < _MOST_PLAY_DEG:
        return again, loose
    own = max(1.0 / u_deg**2 - 1.0 / _PLAY_U_DEG**2, 0.0)
    likely = _play_known(prior, *unseen_play(play_deg / u_deg**2, own, limit_deg))
    return fit_piston(fit.readings, fit.values, likely, fit.noise, rounds=2), likely


def _play_known(prior: Prior, mean_deg: float, u_deg: float) -> Prior:
    mean, sd = prior.mean.copy(), prior.sd.copy()
    mean[PLAY], sd[PLAY] = mean_deg, u_deg
    return Prior(mean, sd)


def _lag_warning(fit: PistonFit, known_s: float, told_s: float) -> Warn:
    """Say that the lag known before is not believed; refuse where the readings are no better witness."""
    known_ms, told_ms = 1e3 * known_s, 1e3 * told_s
    if turned_both_ways(fit):
        return Warn(
            "lag_not_as_given",
            f"The readings tell a lag of {told_ms:.0f} ms, not the {known_ms:.0f} ms known before: theirs is used; "
            "check that the lag known is this gauge's, and that no counts were lost between the ways forward and back.",
        )
    raise Refusal(
        "lag_not_as_given",
        f"With the lag known before, {known_ms:.0f} ms, the passes do not agree; they would with {told_ms:.0f} ms: "
        "it is another gauge's lag, counts were lost or the stand moved between the passes. Turn through the top "
        "again at another speed, or back where the maker allows it, to tell.",
    )


def _without_lag(prior: Prior) -> Prior:
    mean, sd = prior.mean.copy(), prior.sd.copy()
    mean[LAG], sd[LAG] = TYPICAL_LAG_S, TYPICAL_LAG_U_S
    return Prior(mean, sd)


def _covered(checked: CheckedStreams, lag_s: float) -> Readings:
    streams = checked.streams
    time_s = streams.gauge_time_s
    inside = checked.motion.covered(time_s - lag_s) & checked.motion.covered(time_s)
    return Readings(checked.motion, time_s, streams.gauge_mm).only(inside)


def _fit(readings: Readings, view: Contact, prior: Prior, step_mm: float) -> PistonFit:
    """Settle contact and parameters in turn: coarsely on some of the readings, then on all."""
    values = prior.mean.copy()
    values[[CENTRE, ZERO, SCALE, LAG]] = view.centre_deg, view.zero_mm, view.scale_mm, view.lag_s
    noise = NoiseModel(step_mm, 0.003)
    coarse = readings.only(slice(None, None, max(1, len(readings.time_s) // _COARSE)))
    moving = view.moving[:: max(1, len(readings.time_s) // _COARSE)]
    fit = fit_piston(coarse.only(moving), values, prior, noise, rounds=2)
    for _ in range(2):
        near, above = _in_contact(coarse, view, fit)
        fit = fit_piston(_enough(coarse, near & above), fit.values, prior, fit.noise, rounds=2)
    near, above = _in_contact(readings, view, fit)
    _refuse_unexplained(view.moving & ~(near & above), view.moving, readings.time_s)
    if _follows(readings.only(near & ~above), fit):
        above |= near
    return fit_piston(_enough(readings, near & above), fit.values, prior, fit.noise, rounds=3)


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


def _in_contact(readings: Readings, view: Contact, fit: PistonFit) -> tuple[Flags, Flags]:
    """Readings whose piston stands, by the fit, near a TDC, and well within the plunger's travel."""
    values = fit.values
    model = model_piston(readings, values)
    near = np.abs((model.angle_deg + 180.0) % 360.0 - 180.0) <= _REACH_DEG
    travel = abs(view.floor_mm - values[ZERO])
    shaken = np.minimum(4.0 * fit.noise.jitter_s, 0.08) * np.abs(model.rate_mm_s)
    margin = np.maximum(4.0 * fit.noise.step_mm, 0.03 * travel) + shaken
    return near, np.abs(values[SCALE]) * model.drop < travel - margin


def _follows(far: Readings, fit: PistonFit) -> bool:
    """Whether the readings at the far end of the travel follow the piston like all others."""
    if len(far.time_s) < 2:
        return False
    spread = standardised(far, fit)
    mean_square = float(np.mean(np.minimum(spread**2, 25.0)))
    if mean_square > 1.0 + 4.0 / np.sqrt(len(spread)) or float(np.max(np.abs(spread))) > 5.0:
        return False
    # At its stop the plunger does not move at all, whatever the noise.
    model = model_piston(far, fit.values)
    return (
        float(np.std(model.residual_mm))
        < 0.5 * float(np.std(far.gauge_mm - model.residual_mm)) + fit.noise.step_mm
    )


def standardised(readings: Readings, fit: PistonFit) -> Floats:
    """Residuals of readings outside the fit, each over its standard deviation."""
    model = model_piston(readings, fit.values)
    known = model.slope_mm_deg * np.minimum(readings.motion.u_deg(readings.moment_s(fit.values)), 10.0)
    spread: Floats = model.residual_mm / np.sqrt(fit.noise.variance_mm2(model.rate_mm_s, known))
    return spread

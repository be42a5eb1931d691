"""One lobe from its streams: the whole lift curve with its lag, each number with its uncertainty."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from analysis.base import GaugeFacts, LobeResult, LobeSettings, NoiseModel, Refusal, Streams
from analysis.curve import (
    ForwardReadings,
    LagPrior,
    LobeFit,
    Survey,
    fit_lobe,
    nearest_clocks,
    survey_lobe,
    told_beside,
)
from analysis.lobe.faults import no_fault_of_the_drive, refuse_before_fit, refuse_unlike_slack
from analysis.lobe.passes import fit_passes, pass_of
from analysis.lobe.play import SAFE_SLACK_DEG, Engagement, find_engagement
from analysis.lobe.readings import backward_readings, forward_readings, wild_readings
from analysis.lobe.result import Measured, lobe_result
from analysis.lobe.shape import LobeShape
from analysis.lobe.slack import Slack, find_slack
from analysis.lobe.verdicts import FitChecks, refuse_faulty_fit
from analysis.lobe.watch import refuse_stream_faults
from analysis.own_clock import EXPLAINED, UNEVEN_S, Ticks, find_ticks, settle
from analysis.readings import (
    TYPICAL_LAG_U_S,
    CheckedStreams,
    ReadLate,
    Sweep,
    check_streams,
    find_sweeps,
    lag_prior,
    no_fault_of_the_bench,
)

_FIRST_JITTER_S = 0.005
_LIKELY, _LIKELY_LEFT = 4, 0.85
# A clock that leaves readings later by chance than this is looked at again.
_NEAREST, _LOOSE_S = 2, 0.004
_NEARER_AND_FARTHER, _LITTLE_LEFT = (1.0, 2.0), 0.25
_MOST_BLUR_DEG = 12.0
_WORTH_ADMITTING = 1.15
_SURE_SLACK_U_DEG = 0.2
_SLACK_ROOM_DEG = 0.5

Bools = NDArray[np.bool_]


def find_lobe(streams: Streams, settings: LobeSettings, gauge: GaugeFacts) -> LobeResult:
    """Measure one lobe: the numbers of `find_lobe_with_fit`, without what they were taken from."""
    return find_lobe_with_fit(streams, settings, gauge)[0]


def find_lobe_with_fit(
    streams: Streams, settings: LobeSettings, gauge: GaugeFacts
) -> tuple[LobeResult, Measured]:
    """Measure one lobe, and give the fit as well: more can be read off it.

    While the crank is still being turned, `analysis.lobe_follower.LobeFollower` gives the same again and again.

    Parameters
    ----------
    streams : Streams
        Crank and gauge as they arrived; one or many passes, whole turns or the nose rocked over.
    settings : LobeSettings
        True TDC, the drop and the check lifts asked for.
    gauge : GaugeFacts
        What is known of the gauge.

    Returns
    -------
    tuple of LobeResult and Measured

    Raises
    ------
    Refusal
        Where the readings cannot carry a number; see `analysis.lobe_faults`.
    """
    checked = check_streams(streams, gauge)
    with no_fault_of_the_bench(checked.waiting):
        return _found(checked, settings, gauge)


def _found(checked: CheckedStreams, settings: LobeSettings, gauge: GaugeFacts) -> tuple[LobeResult, Measured]:
    """Which kind of gauge it is has to be known before its readings are judged.

    Between its own ticks a gauge with a clock repeats itself, which would look like one that froze. What was seen to keep
    an even pace before is not taken for another kind of gauge.
    """
    prior = lobe_lag_prior(gauge)
    wild = wild_readings(checked.streams.gauge_mm)
    even, uneven = gauge.jitter_s is not None, (gauge.jitter_s or 0.0) > UNEVEN_S
    frozen = None if uneven else _seems_frozen(checked, prior, wild, sure=even)
    try:
        found = _measured(checked, prior, wild)
    except Refusal as fault:
        raise (frozen or fault) from None
    found = by_its_clock(found, gauge.tick_s) if uneven or not even else found
    if frozen and found.checked.ticks is None:
        raise frozen
    if frozen or uneven:
        refuse_stream_faults(found.checked, prior, wild_readings(found.checked.streams.gauge_mm))
    seen = FitChecks(found.checked.motion, found.readings, found.fit, found.shape, found.passes, found.prior)
    with no_fault_of_the_drive(clock_unseen=gauge.tick_s is not None and found.checked.ticks is None):
        scatter = refuse_faulty_fit(seen, settings)
        refuse_unlike_slack(found.slack)
    return lobe_result(found, settings, gauge, scatter), found


def _seems_frozen(checked: CheckedStreams, prior: LagPrior, wild: Bools, *, sure: bool) -> Refusal | None:
    """Refuse what the streams alone give away; a gauge that seems to have frozen is told, unless that is `sure`."""
    try:
        refuse_stream_faults(checked, prior, wild)
    except Refusal as fault:
        if sure or fault.code != "gauge_frozen":
            raise
        return fault
    return None


def by_its_clock(found: Measured, period_s: float | None = None) -> Measured:
    """Measure again from when the gauge measured, where a clock of its own explains how late its readings are.

    The first curve gives way to the ages in part, and several clocks seem likely; a curve through the moments of the
    right one leaves next to nothing, and beside the curve of a wrong one the right one may be seen. Of few readings more
    than one may stand: what an earlier trace of this gauge told of its clock, `period_s`, goes before. Where none is
    seen beside the curve, that one is looked for with all that the curve gave way by.
    """
    if not found.checked.waiting.little:
        return found
    known = [] if period_s is None else _ticks_of(found, found.fit, _LIKELY_LEFT, 1, period_s=period_s)
    told = [_by(found, likely, likely.period_s) for likely in known]
    if not any(told):
        told = [_by(found, likely) for likely in _ticks_of(found, found.fit, _LIKELY_LEFT, _LIKELY)]
        if seen := _evenest(told):
            told += [_by(found, likely) for likely in _ticks_of(found, seen.fit, _LIKELY_LEFT, _LIKELY)]
    best = _evenest(told)
    for wider in _NEARER_AND_FARTHER:
        if period_s is not None and (best is None or best.fit.noise.jitter_s > _LOOSE_S):
            best = _evenest([best, *_by_known(found, period_s, wider)])
    return best or found


def _evenest(told: list[Measured | None]) -> Measured | None:
    """Which clock leaves the readings least unevenly late; none where they are as uneven as those without."""
    even = [one for one in told if one is not None and one.fit.noise.jitter_s < UNEVEN_S]
    return min(even, key=lambda one: one.fit.noise.jitter_s, default=None)


def _by_known(found: Measured, known_s: float, wider: float) -> list[Measured]:
    """Measured from when the gauge measured by clocks near a known one, each settled amid the lines.

    Its period as it was, too: where lines creep past the ticks, they leave that loose, and the curve does not. A wrong
    clock to which all the curve may give way explains a good deal; the right one leaves next to nothing.
    """
    motion, readings, told = found.checked.motion, found.readings, list[Measured]()
    for likely in nearest_clocks(motion, found.fit, readings, found.prior.lag_s, known_s, wider, _NEAREST):
        with suppress(Refusal):
            beside = partial(told_beside, motion, _as_measured(found, likely).fit, readings)
            ticks = settle(likely, readings.time_s, beside)
            both = (ticks, replace(ticks, period_s=likely.period_s)) if ticks.tells else ()
            told += [_as_measured(found, one) for one in both]
    most_s = _LITTLE_LEFT * found.fit.noise.jitter_s
    return [one for one in told if one.fit.noise.jitter_s < most_s]


def _by(found: Measured, likely: Ticks, period_s: float | None = None) -> Measured | None:
    """Measured from when the gauge measured by a clock near that one, or by one it was mistaken for; `None` by neither."""
    with suppress(Refusal):
        curve = _as_measured(found, likely).fit
        for ticks in _ticks_of(found, curve, passes_apart=True, period_s=period_s):
            told = _as_measured(found, ticks)
            pace_s = float(np.median(np.diff(found.checked.streams.gauge_time_s)))
            others = [
                _by(found, other, other.period_s)
                for longer_s in ticks.mistaken_for(pace_s)
                for other in _ticks_of(found, curve, 1.0, 1, period_s=longer_s)
            ]
            return _evenest([told, *others])
    return None


def _as_measured(found: Measured, ticks: Ticks) -> Measured:
    checked = found.checked.as_measured(ticks)
    return _measured(checked, known_with(ticks, found.prior), wild_readings(checked.streams.gauge_mm))


def _ticks_of(
    found: Measured,
    curve: LobeFit,
    most_left: float = EXPLAINED,
    at_most: int = 1,
    *,
    passes_apart: bool = False,
    period_s: float | None = None,
) -> list[Ticks]:
    """The clocks by which the readings would lie on a curve."""
    readings, motion, noise = found.readings, found.checked.motion, found.fit.noise
    known = found.fit.placed.known
    time_s = readings.time_s[known]
    crank_deg, speed = motion.angle_and_speed(time_s - curve.lag_s)
    phase = curve.survey.unrolled(crank_deg)
    slope = curve.lift_mm(phase, 1)
    residual = readings.value_mm[known] - (curve.base_mm or 0.0) - curve.lift_mm(phase)
    still = noise.variance_mm2(np.zeros_like(slope), found.fit.placed.crank_mm[known])
    return find_ticks(
        time_s,
        residual,
        np.column_stack((slope, slope * speed, np.ones_like(slope))),
        -slope * speed,
        still_mm2=still,
        jitter_s=noise.jitter_s,
        passes=pass_of(motion, curve.survey, time_s - curve.lag_s, found.sweeps) if passes_apart else None,
        most_left=most_left,
        at_most=at_most,
        period_s=period_s,
        bends=True,
    )


def known_with(ticks: Ticks, prior: LagPrior) -> LagPrior:
    """What is known of the gauge's lag once it is known when it measured."""
    shaken_s = None
    if prior.jitter_s is not None:
        shaken_s = float(np.sqrt(max(prior.jitter_s**2 - ticks.spread_s**2, 0.0)))
    # What is supposed of a lag that nobody told is so of values as they are measured; these are older when they are said.
    lag_s = prior.lag_s + (0.5 * ticks.period_s if prior.u_s >= TYPICAL_LAG_U_S else 0.0)
    u_s = float(np.hypot(prior.u_s, ticks.u_s))
    return replace(prior, lag_s=lag_s, u_s=u_s, jitter_s=shaken_s, wander_s=ticks.wander_s)


def read_late_with(late: ReadLate, prior: LagPrior) -> LagPrior:
    """What is known of the gauge at least, where the computer reads lines late; asked again the same."""
    jitter_s = None if prior.jitter_s is None else max(prior.jitter_s, late.rms_s)
    return replace(prior, u_s=max(prior.u_s, late.mean_s), jitter_s=jitter_s)


def lobe_lag_prior(gauge: GaugeFacts) -> LagPrior:
    """What is known of the gauge beforehand: lag, jitter, and what its plunger sticks by."""
    mean_s, u_s = lag_prior(gauge)
    return LagPrior(mean_s, max(u_s, 1e-5), gauge.jitter_s, gauge.stick_mm[0])


def _measured(checked: CheckedStreams, prior: LagPrior, wild: Bools) -> Measured:
    ready = make_ready(checked, prior, wild, SAFE_SLACK_DEG)
    first = _fitted(ready)
    bound = slack_bound(first.slack)
    if bound >= SAFE_SLACK_DEG:
        return first
    more = make_ready(checked, prior, wild, bound)
    return _fitted(more) if worth_admitting(more, ready) else first


@dataclass(frozen=True, slots=True)
class Ready:
    """A trace made ready for the fit: what is turned forward with the slack taken up, and a first look at it.

    `blur_deg` is how far the readings may lie from where they seem, because of the lag.
    """

    checked: CheckedStreams
    prior: LagPrior
    wild: Bools
    sweeps: tuple[Sweep, ...]
    engaged: Engagement
    survey: Survey
    blur_deg: float
    readings: ForwardReadings


def make_ready(checked: CheckedStreams, prior: LagPrior, wild: Bools, slack_deg: float) -> Ready:
    """Pick and survey the readings that are turned forward with that much slack taken up.

    Raises
    ------
    Refusal
        `turned_backwards`, `slack_not_taken_up`, `not_a_lobe`, `nose_not_seen`.
    """
    motion, prior = checked.motion, read_late_with(checked.read_late, prior)
    sweeps = find_sweeps(motion)
    engaged = find_engagement(motion, slack_deg)
    time_s, value = forward_readings(checked, engaged, prior, wild)
    refuse_before_fit(sweeps, time_s)
    then = time_s - prior.lag_s
    angle, speed = motion.angle_and_speed(then)
    blur = min(prior.u_s * float(np.median(np.abs(speed))), _MOST_BLUR_DEG)
    survey = survey_lobe(angle, value, checked.step_mm, blur)
    readings = ForwardReadings(time_s, survey.polarity * value)
    return Ready(checked, prior, wild, sweeps, engaged, survey, blur, readings)


def first_noise(ready: Ready) -> NoiseModel:
    """What a fit supposes of the readings' noise before it knows."""
    return NoiseModel(ready.checked.step_mm, _FIRST_JITTER_S, 0.0)


def worth_admitting(more: Ready, ready: Ready) -> bool:
    """Whether less slack lets in so many more readings that they are worth another fit."""
    return len(more.readings.time_s) >= _WORTH_ADMITTING * len(ready.readings.time_s)


def slack_bound(slack: Slack | None) -> float:
    """The most that the slack can be: less than the safe supposition where the way back has told it well."""
    if slack is None or slack.u_deg > _SURE_SLACK_U_DEG or slack.slack_deg < 0.0:
        return SAFE_SLACK_DEG
    return min(slack.slack_deg + 4.0 * slack.u_deg + _SLACK_ROOM_DEG, SAFE_SLACK_DEG)


def slack_of(ready: Ready, fit: LobeFit) -> Slack | None:
    """The slack as the way back tells it."""
    found_lag = LagPrior(fit.lag_s, fit.lag_u_s)
    back = backward_readings(ready.checked, ready.engaged, found_lag, ready.wild, fit.survey.polarity)
    return find_slack(ready.checked.motion, fit, back)


def measured(ready: Ready, fit: LobeFit, slack: Slack | None) -> Measured:
    """What a fit of these readings found."""
    passes = fit_passes(ready.checked.motion, fit, ready.readings, ready.sweeps)
    return Measured(
        ready.checked, ready.readings, ready.sweeps, fit, LobeShape(fit), slack, passes, ready.prior
    )


def _fitted(ready: Ready) -> Measured:
    fit = fit_lobe(
        ready.checked.motion,
        ready.survey,
        ready.survey.basis(ready.blur_deg),
        ready.readings,
        prior=ready.prior,
        noise=first_noise(ready),
    )
    return measured(ready, fit, slack_of(ready, fit))


__all__ = ["SAFE_SLACK_DEG", "find_lobe", "find_lobe_with_fit"]

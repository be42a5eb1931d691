"""True TDC: the piston's highest point, found from every reading in contact by one joint fit."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import replace

import numpy as np

from analysis.base import (
    GaugeFacts,
    NoiseModel,
    Prior,
    Refusal,
    Streams,
    TdcResult,
    TdcSettings,
    Warn,
)
from analysis.own_clock import SLOWEST_S, UNEVEN_S, ClockWatch, Ticks, find_ticks
from analysis.readings import (
    FEWEST_GAUGE,
    TYPICAL_LAG_S,
    TYPICAL_LAG_U_S,
    CheckedStreams,
    check_streams,
    no_fault_of_the_bench,
    refuse_slip,
    refuse_steps,
)
from analysis.tdc.contact import Contact, first_view
from analysis.tdc.faults import refuse_faulty_fit, refuse_more_than_stroke, refuse_no_piston
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
    turned_back,
)
from analysis.tdc.in_contact import fit_from, fit_in_contact
from analysis.tdc.lag_belief import contradicted_lag, doubt_lag, turned_both_ways
from analysis.tdc.misfit import coherence_of
from analysis.tdc.prior import is_far_aside, piston_prior, unseen_play, with_any_offset
from analysis.tdc.result import PLAY_SURE, tdc_result
from analysis.tdc.so_far import Settled, SoFar

# A coupling that hangs by more is loose; what then seems play may be anything. Common practice, no source.
_PLAY_U_DEG, _MOST_PLAY_DEG = 0.3, 1.5
# Put to the ticks of the right clock, readings of a piston are next to even: a wrong one leaves milliseconds.
_EVEN_S = 0.0015
# So many clocks that explain enough are tried; another is taken where it leaves no more than such a share of the first's.
_LIKELY, _SLOWER, _MUCH_NEARER = 3, (2.0, 3.0), 0.7


def find_tdc(streams: Streams, settings: TdcSettings, gauge: GaugeFacts) -> TdcResult:
    """Find true TDC from the crank's and the gauge's readings.

    Parameters
    ----------
    streams : Streams
        Turned through the dwell in any manner: both directions, several turns, rocking, stepping.
    settings : TdcSettings
        Stroke, rod and pin offset where known.
    gauge : GaugeFacts
        Lag, step and error of the gauge where known.

    Returns
    -------
    TdcResult

    Raises
    ------
    Refusal
        When the readings cannot carry a trustworthy number.
    """
    return find_again(streams, settings, gauge, SoFar())


def find_again(streams: Streams, settings: TdcSettings, gauge: GaugeFacts, so_far: SoFar) -> TdcResult:
    """Find true TDC in readings of which most were looked at before, as `find_tdc` does; what was found is kept."""
    checked = check_streams(streams, gauge, so_far.follow)
    with no_fault_of_the_bench(checked.waiting):
        watch = so_far.watch
        if watch.ticks is not None and not watch.due(len(checked.streams.gauge_mm)):
            told = _by_that_clock(watch.ticks, checked, settings, gauge, so_far)
            if told is not None:
                return told
        return _find(checked, settings, gauge, so_far)


class _NotByThatClock(Exception):
    """Readings put to a clock's ticks are unevenly late all the same: the gauge measures by another, or by none."""


def _by_that_clock(
    ticks: Ticks, checked: CheckedStreams, settings: TdcSettings, gauge: GaugeFacts, so_far: SoFar
) -> TdcResult | None:
    """Find it in what was measured at those ticks; a clock that turns out to be none is forgotten, and nothing told."""
    try:
        return _find(checked.as_measured(ticks), settings, gauge, so_far)
    except _NotByThatClock:
        so_far.watch.seen(None, len(checked.streams.gauge_mm))
        return None


def _find(checked: CheckedStreams, settings: TdcSettings, gauge: GaugeFacts, so_far: SoFar) -> TdcResult:
    """Fit the passes, doubt in turn the lag, the clock, the offset and the coupling, and refuse what no doubt explains."""
    readings, prior = _known_before(checked, settings, gauge)
    count, known_s = len(readings.time_s), float(prior.mean[LAG])
    near = so_far.near(count, checked.ticks)
    so_far.settled = None
    rigid, prior, told_s = _fit_rigid(checked, readings, prior, gauge, near)
    if settings.pin_offset_mm is None and is_far_aside(rigid, prior):
        prior = with_any_offset(prior)
        rigid = fit_from(rigid, rigid.readings, prior, nearly=False)
    if checked.ticks is not None and rigid.noise.jitter_s > _EVEN_S:
        raise _NotByThatClock
    if checked.ticks is None and checked.waiting.little and so_far.watch.due(len(checked.streams.gauge_mm)):
        ticks = _evenest(_ticks_of(rigid, so_far.watch), checked, settings, gauge)
        so_far.watch.seen(ticks, len(checked.streams.gauge_mm))
        told = None if ticks is None else _by_that_clock(ticks, checked, settings, gauge, so_far)
        if told is not None:
            return told
    loose = _loosened(rigid, prior, near.loose if near else None) if settings.encoder_error_deg else None
    limit_deg = settings.encoder_error_deg
    fit, prior = _with_play(rigid, prior, loose, limit_deg, nearly=near is not None)
    if settings.pin_offset_mm is None:
        fit = doubt_offset(fit, prior)
    if settings.stroke_mm is not None:
        refuse_more_than_stroke(fit, settings.stroke_mm)
    refuse_no_piston(fit)
    coherence = coherence_of(fit)
    noted = refuse_faulty_fit(fit, prior, coherence)
    if told_s is not None:
        noted += (_lag_warning(fit, known_s, told_s),)
    fit, of_lags = doubt_lag(fit, prior, near.of_lags if near else None)
    if told_s is None:
        so_far.settled = Settled(rigid, loose, of_lags, checked.ticks, near.readings if near else count)
    return tdc_result(
        checked,
        doubt_lateness(fit),
        settings=settings,
        gauge=gauge,
        prior=prior,
        noted=noted,
        coherence=coherence,
    )


def _known_before(
    checked: CheckedStreams, settings: TdcSettings, gauge: GaugeFacts
) -> tuple[Readings, Prior]:
    """The readings of which the crank's place is known, and what is known of all else."""
    prior = piston_prior(settings, gauge)
    # How late both ports were read in the mean need not be the same, nor what it was when the lag was found.
    prior.sd[LAG] = np.hypot(prior.sd[LAG], np.hypot(checked.motion.late_u_s, checked.read_late.mean_s))
    if checked.ticks is not None:
        prior.sd[WANDER] = np.hypot(prior.sd[WANDER], checked.ticks.wander_s)
        if gauge.lag_s is None:  # what is supposed of it is so of values as they are measured
            prior.mean[LAG] += 0.5 * checked.ticks.period_s
    refuse_slip(checked.streams.crank_time_s, checked.streams.crank_deg, checked.motion.count_deg)
    return _covered(checked, float(prior.mean[LAG])), prior


def _fit_rigid(
    checked: CheckedStreams, readings: Readings, prior: Prior, gauge: GaugeFacts, near: Settled | None
) -> tuple[PistonFit, Prior, float | None]:
    """Fit as if nothing between crank and encoder gave way; see `_fit_doubting_lag`."""
    if checked.ticks is not None and len(readings.time_s) < FEWEST_GAUGE:
        raise _NotByThatClock
    refuse_steps(
        checked.motion, readings.time_s, readings.gauge_mm, step_mm=checked.step_mm, lag_s=gauge.lag_s
    )
    view = first_view(
        checked.motion,
        readings.time_s,
        readings.gauge_mm,
        step_mm=checked.step_mm,
        lag_s=gauge.lag_s,
        near=near.wave if near else None,
    )
    noise = NoiseModel(checked.step_mm, 0.003, known_jitter_s=_known_jitter_s(gauge, checked))
    return _fit_doubting_lag(readings, view, prior, noise, near.fit if near else None)


def _evenest(
    likely: list[Ticks], checked: CheckedStreams, settings: TdcSettings, gauge: GaugeFacts
) -> Ticks | None:
    """The likeliest clock, but where readings lie much nearer to a piston's way by another.

    Between passes that are short and far apart a clock may tick once more, or once less, and explain as much.
    """
    if len(likely) < 2:
        return likely[0] if likely else None
    told = [_told_by(checked.as_measured(ticks), settings, gauge) for ticks in likely]
    least = min(range(len(told)), key=lambda each: told[each][0])
    taken = least if told[least][0] < _MUCH_NEARER * told[0][0] else 0
    rivals = [k for k, one in enumerate(told) if k != taken and one[0] <= told[taken][0] / _MUCH_NEARER]
    far_deg = max((abs(math.remainder(told[k][1] - told[taken][1], 360.0)) for k in rivals), default=0.0)
    # A rival does not know its own ticks any better.
    far_s = max((math.hypot(0.5 * (told[k][2] - told[taken][2]), likely[k].u_s) for k in rivals), default=0.0)
    return replace(likely[taken], rival_deg=0.5 * far_deg, rival_s=far_s)


def _told_by(
    measured: CheckedStreams, settings: TdcSettings, gauge: GaugeFacts
) -> tuple[float, float, float]:
    """How far from a piston's way half of the readings lie, or what rounding alone leaves; the top and the lag by them."""
    with suppress(Refusal, _NotByThatClock):
        readings, prior = _known_before(measured, settings, gauge)
        fit, _, _ = _fit_rigid(measured, readings, prior, gauge, None)
        left_mm = max(float(np.median(np.abs(fit.model.residual_mm))), 0.25 * measured.step_mm)
        return left_mm, float(fit.values[CENTRE]), float(fit.values[LAG])
    return np.inf, 0.0, 0.0


def _ticks_of(fit: PistonFit, watch: ClockWatch) -> list[Ticks]:
    """Look in what the fit leaves over for a clock of the gauge's own; the likeliest first, then slower ones like it.

    Of few lines a clock that ticks twice or three times as often may explain as much, by ages half or a third as long.
    """
    rate, jitter_s = fit.model.rate_mm_s, fit.noise.jitter_s
    still = fit.variance_mm2 - (jitter_s * rate) ** 2
    way = 2.0 * np.round(fit.model.angle_deg / 360.0) + turned_back(fit.model.speed_deg_s)

    def found(at_most: int, period_s: float | None) -> list[Ticks]:
        """So many, near a known one or anywhere."""
        return find_ticks(
            fit.readings.time_s,
            fit.model.residual_mm,
            fit.model.jacobian[:, [CENTRE, ZERO, SCALE, LAG]],
            rate,
            still_mm2=still,
            jitter_s=jitter_s,
            passes=np.cumsum(np.diff(way, prepend=way[:1]) != 0.0),
            at_most=at_most,
            period_s=period_s,
        )

    likely = found(_LIKELY, None if watch.ticks is None else watch.period_s)
    slower_s = [times * likely[0].period_s for times in _SLOWER] if likely else []
    return likely + [one for period_s in slower_s if period_s <= SLOWEST_S for one in found(1, period_s)]


def _known_jitter_s(gauge: GaugeFacts, checked: CheckedStreams) -> float | None:
    """What readings of this gauge were found to be unevenly late by; not where its own clock makes it so."""
    its_own = gauge.tick_s is not None or checked.ticks is not None or (gauge.jitter_s or 0.0) > UNEVEN_S
    return None if its_own else gauge.jitter_s


def _fit_doubting_lag(
    readings: Readings, view: Contact, prior: Prior, noise: NoiseModel, near: PistonFit | None
) -> tuple[PistonFit, Prior, float | None]:
    """Fit with the lag as known before; without it where the readings contradict it, and then say what they tell."""
    fit = fit_in_contact(readings, view, prior, noise, near)
    told_s = contradicted_lag(fit, prior)
    if told_s is None:
        return fit, prior, None
    prior = _without_lag(prior)
    return fit_in_contact(readings, view, prior, noise), prior, told_s


def _loosened(fit: PistonFit, prior: Prior, near: PistonFit | None) -> PistonFit | None:
    """The same with play between crank and encoder; nothing where the crank was not turned both ways.

    Turned back, an encoder that hangs behind shows all places alike later, at whatever speed and distance from the top:
    a lag's part grows with speed, a sticking plunger's as the top comes near.
    """
    if not turned_both_ways(fit):
        return None
    loosened = _play_known(prior, 0.0, _PLAY_U_DEG)
    return fit_from(near or fit, fit.readings, loosened, nearly=near is not None)


def _with_play(
    fit: PistonFit, prior: Prior, loose: PistonFit | None, limit_deg: float, *, nearly: bool
) -> tuple[PistonFit, Prior]:
    """Let the coupling have play: as much as the readings show, or what it may have where they do not."""
    if loose is None:
        return fit, prior
    play_deg, u_deg = float(loose.values[PLAY]), float(np.sqrt(loose.covariance[PLAY, PLAY]))
    if PLAY_SURE * u_deg < play_deg < _MOST_PLAY_DEG:
        return loose, _play_known(prior, 0.0, _PLAY_U_DEG)
    own = max(1.0 / u_deg**2 - 1.0 / _PLAY_U_DEG**2, 0.0)
    likely = _play_known(prior, *unseen_play(play_deg / u_deg**2, own, limit_deg))
    return fit_piston(fit.readings, fit.values, likely, fit.noise, rounds=2, nearly=nearly), likely


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
    return Readings(checked.motion, time_s, streams.gauge_mm, checked.read_late.rms_s).only(inside)

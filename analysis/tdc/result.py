"""Everything that is told of a piston's dwell beside its centre: passes, pairs, budget, curve."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from analysis.base import (
    Contribution,
    Curve,
    EqualReadings,
    Floats,
    GaugeFacts,
    Pass,
    Prior,
    TdcResult,
    TdcSettings,
    Warn,
)
from analysis.readings import CheckedStreams, Sweep, equal_readings, find_sweeps
from analysis.tdc.budget import budget_of
from analysis.tdc.fit import CENTRE, LAG, OFFSET, PARAMETERS, PLAY, RATIO, SCALE, STICK, ZERO, PistonFit
from analysis.tdc.lag_belief import unseen_error_s
from analysis.tdc.misfit import Coherence
from analysis.tdc.prior import known_throw_mm
from analysis.timing import piston_drop

# A lag that is wrong by less is one that was badly found, which its own uncertainty tells.
_ANOTHER_LAG_S = 0.015
_MATTERS_DEG = 0.1
_WORTH_TIGHTENING_DEG = 0.1
PLAY_SURE = 3.0


def tdc_result(
    checked: CheckedStreams,
    fit: PistonFit,
    *,
    settings: TdcSettings,
    gauge: GaugeFacts,
    prior: Prior,
    noted: tuple[Warn, ...],
    coherence: Coherence,
) -> TdcResult:
    """Put a fit into the words of `TdcResult`."""
    values = fit.values
    passes = _passes(checked, fit)
    budget = budget_of(
        fit,
        prior,
        gauge=gauge,
        passes=passes,
        coherence=coherence,
        encoder_error_deg=settings.encoder_error_deg,
        rival_clock_deg=checked.ticks.rival_deg if checked.ticks else 0.0,
    )
    lag_u = math.sqrt(float(fit.covariance[LAG, LAG]))
    by_lag_deg_s = float(fit.covariance[CENTRE, LAG]) / lag_u**2
    warnings = [*checked.warnings, *noted]
    if gauge.lag_s is None and lag_u > 0.4 * prior.sd[LAG]:
        warnings.append(_lag_unknown())
    if _rests_on_trust(gauge, noted, unseen_error_s(fit, prior), by_lag_deg_s, budget.u95_deg):
        warnings.append(_lag_not_tested(float(prior.mean[LAG]), by_lag_deg_s))
    if values[PLAY] > max(_WORTH_TIGHTENING_DEG, PLAY_SURE * math.sqrt(float(fit.covariance[PLAY, PLAY]))):
        warnings.append(_coupling_has_play(float(values[PLAY])))
    if settings.pin_offset_mm and not settings.pin_side_known:
        warnings.append(_side_not_known(settings.pin_offset_mm))
    centre = float(values[CENTRE] % 360.0)
    throw = known_throw_mm(settings)
    return TdcResult(
        centre_deg=centre,
        u95_deg=budget.u95_deg,
        lag_s=float(values[LAG]),
        lag_u_s=math.hypot(lag_u, checked.ticks.unsure_s if checked.ticks else 0.0),
        gain=abs(float(values[SCALE])) / throw if throw else math.nan,
        rod_ratio=0.5 / float(values[RATIO]),
        residual_sd_mm=float(np.sqrt(np.mean(fit.model.residual_mm**2))),
        passes=passes,
        equal_readings=_pairs(fit, centre),
        warnings=tuple(warnings),
        budget=tuple(Contribution(part.source, part.u) for part in budget.components),
        curve=_curve(fit, centre),
        polarity=-1 if values[SCALE] > 0.0 else 1,
        centre_by_lag_deg_s=by_lag_deg_s,
        retrace_mm=2.0 * max(float(values[STICK]), 0.0),
        retrace_u_mm=2.0 * math.sqrt(float(fit.covariance[STICK, STICK])),
        jitter_s=math.hypot(fit.noise.jitter_s, checked.ticks.spread_s if checked.ticks else 0.0),
        tick_s=checked.ticks.period_s if checked.ticks else None,
    )


def _coupling_has_play(play_deg: float) -> Warn:
    return Warn(
        "coupling_has_play",
        f"Turned back, the encoder shows the top {play_deg:.2f} degrees later than turned forward, however slowly: "
        "there is play between crank and encoder. Tighten the coupling and the encoder's bracket. What is told here is "
        "for turning forward; come to every place turning forward.",
    )


def _side_not_known(pin_offset_mm: float) -> Warn:
    return Warn(
        "pin_side_not_known",
        f"It is not known to which side the pin is offset by {abs(pin_offset_mm):g} mm, and the interval holds "
        "both. Say whether it is to the thrust side.",
    )


def _lag_unknown() -> Warn:
    return Warn(
        "lag_unknown",
        "One direction at one speed cannot tell the gauge's lag from the centre, so the interval is wide: turn "
        "through the dwell again at another speed, or back where the maker allows it, or give the lag.",
    )


def _rests_on_trust(
    gauge: GaugeFacts, noted: tuple[Warn, ...], unseen_s: float, by_lag_deg_s: float, u95_deg: float
) -> bool:
    """Whether another gauge's lag could have been given, and the centre be spoilt unseen."""
    believed = gauge.lag_s is not None and all(warning.code != "lag_not_as_given" for warning in noted)
    spoilt_deg = abs(unseen_s * by_lag_deg_s)
    return believed and unseen_s > _ANOTHER_LAG_S and spoilt_deg > max(u95_deg, _MATTERS_DEG)


def _lag_not_tested(lag_s: float, by_lag_deg_s: float) -> Warn:
    return Warn(
        "lag_not_tested",
        f"The centre rests on the lag known before, {1e3 * lag_s:.0f} ms, which one direction at one speed does not "
        f"test: each 10 ms that it is wrong moves the centre by {abs(0.01 * by_lag_deg_s):.2f} degrees. Turn "
        "through the dwell again at another speed, or back where the maker allows it, to test it.",
    )


def _pairs(fit: PistonFit, centre: float) -> tuple[EqualReadings, ...]:
    sign = np.sign(fit.values[SCALE])
    below = sign * (fit.readings.gauge_mm - fit.values[ZERO])
    pairs = equal_readings(fit.folded_deg, below, sign * fit.model.slope_mm_deg, fit.weight)
    return tuple(
        replace(
            p,
            before_deg=p.before_deg + centre,
            after_deg=p.after_deg + centre,
            midpoint_deg=p.midpoint_deg + centre,
        )
        for p in pairs
    )


def _passes(checked: CheckedStreams, fit: PistonFit) -> tuple[Pass, ...]:
    """A pass ends where the crank turns back or goes on to the next top."""
    sweeps = find_sweeps(checked.motion)
    if not sweeps:
        return ()
    starts = np.array([sweep.start_s for sweep in sweeps])
    moment = fit.readings.moment_s(fit.values)
    sweep_of = np.clip(np.searchsorted(starts, moment, side="right") - 1, 0, len(sweeps) - 1)
    turn_of = np.round(fit.model.angle_deg / 360.0).astype(np.intp)
    change = np.flatnonzero((np.diff(sweep_of) != 0) | (np.diff(turn_of) != 0)) + 1
    begun, over = np.append(0, change).tolist(), np.append(change, len(moment)).tolist()
    folded_deg, weight = fit.folded_deg, fit.weight
    return tuple(
        _one_pass(
            fit, slice(first, end), folded_deg[first:end], weight[first:end], sweeps[int(sweep_of[first])]
        )
        for first, end in zip(begun, over, strict=True)
    )


def _one_pass(fit: PistonFit, rows: slice, folded: Floats, weight: Floats, sweep: Sweep) -> Pass:
    slope = np.ascontiguousarray(fit.model.jacobian[rows, CENTRE])
    information = float(weight @ slope**2)
    both = min(int((folded < -2.0).sum()), int((folded > 2.0).sum())) >= 2 and information > 0.0
    shift = float((weight * slope) @ fit.model.residual_mm[rows]) / information if both else None
    seen = fit.readings.gauge_mm[rows]
    return Pass(
        start_s=float(fit.readings.time_s[rows.start]),
        end_s=float(fit.readings.time_s[rows.stop - 1]),
        direction=sweep.direction,
        speed_deg_s=sweep.speed_deg_s,
        used=True,
        centre_deg=None if shift is None else float((fit.values[CENTRE] + shift) % 360.0),
        u_deg=None if shift is None else 1.0 / math.sqrt(information),
        peak_mm=float(seen.max() if fit.values[SCALE] < 0.0 else seen.min()),
    )


def _curve(fit: PistonFit, centre: float) -> Curve:
    folded = fit.folded_deg
    angle = np.linspace(float(folded.min()), float(folded.max()), 181)
    piston = piston_drop(np.radians(angle), float(fit.values[RATIO]), float(fit.values[OFFSET]))
    scale = float(fit.values[SCALE])
    jacobian = np.zeros((len(angle), PARAMETERS))
    jacobian[:, CENTRE] = -scale * piston.slope * (np.pi / 180.0)
    jacobian[:, ZERO], jacobian[:, SCALE] = 1.0, piston.drop
    jacobian[:, RATIO], jacobian[:, OFFSET] = scale * piston.by_ratio, scale * piston.by_offset
    u: Floats = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", jacobian, fit.covariance, jacobian), 0.0))
    return Curve(centre + angle, fit.values[ZERO] + scale * piston.drop, u)

"""True TDC: the piston's highest point, found from every reading in contact by one joint fit."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.equal_readings import equal_readings
from analysis.lag import lag_prior
from analysis.noise_model import NoiseModel
from analysis.passes import Sweep, find_sweeps
from analysis.piston_contact import Contact, first_view
from analysis.piston_fit import CENTRE, LAG, OFFSET, RATIO, SCALE, ZERO, PistonFit, Prior, fit_piston, predict
from analysis.refusals import Refusal, Warn
from analysis.results import Contribution, Curve, EqualReadings, Pass, TdcResult, TdcSettings
from analysis.slider_crank import piston_drop, throw_mm
from analysis.streams import Floats, GaugeFacts, Streams
from analysis.trace_faults import CheckedStreams, check_streams

_TYPICAL_RATIO = (0.29, 0.04)
_TYPICAL_OFFSET_U = 0.006
_LEAST_SIDE_DEG = 3.0
_REACH_DEG = 110.0

Ints = NDArray[np.intp]


def find_tdc(
    streams: Streams, settings: TdcSettings, gauge: GaugeFacts, start: TdcResult | None = None
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
        An earlier result from the same trace, to start from.

    Returns
    -------
    TdcResult

    Raises
    ------
    Refusal
        When the readings cannot carry a trustworthy number.
    """
    prior = _prior(settings, gauge)
    checked = check_streams(streams, gauge)
    time_s, gauge_mm = _covered(checked, float(prior.mean[LAG]))
    view = first_view(checked.motion, time_s, gauge_mm, step_mm=checked.step_mm, lag_s=gauge.lag_s)
    fit = _fit(checked, time_s, gauge_mm, view, prior)
    _refuse_one_side(fit, checked.step_mm)
    return _result(checked, fit, settings, gauge, prior)


def _prior(settings: TdcSettings, gauge: GaugeFacts) -> Prior:
    lag, lag_u = lag_prior(gauge)
    ratio, offset = _TYPICAL_RATIO, (0.0, _TYPICAL_OFFSET_U)
    stroke, rod = settings.stroke_mm, settings.rod_mm
    pin = settings.pin_offset_mm
    if stroke is not None and rod is not None:
        throw = _throw(stroke, rod, pin or 0.0)
        ratio = (throw / rod, 1e-3)
        if pin is not None:
            offset = (pin / throw, 1e-4)
    unknown = math.inf
    return Prior(
        np.array([0.0, 0.0, 0.0, lag, ratio[0], offset[0]]),
        np.array([unknown, unknown, unknown, lag_u, ratio[1], offset[1]]),
    )


def _throw(stroke_mm: float, rod_mm: float, pin_mm: float) -> float:
    if not (0.0 < stroke_mm < 2000.0 and 0.0 < rod_mm < 5000.0 and abs(pin_mm) < 0.2 * stroke_mm):
        raise Refusal("impossible_engine", _impossible(stroke_mm, rod_mm, pin_mm))
    try:
        return throw_mm(stroke_mm, rod_mm, pin_mm)
    except ValueError as why:
        raise Refusal("impossible_engine", _impossible(stroke_mm, rod_mm, pin_mm)) from why


def _impossible(stroke_mm: float, rod_mm: float, pin_mm: float) -> str:
    return (
        f"No engine can have a stroke of {stroke_mm:g} mm, a rod of {rod_mm:g} mm and a pin offset of {pin_mm:g} mm: "
        "check these three in the engine's data."
    )


def _covered(checked: CheckedStreams, lag_s: float) -> tuple[Floats, Floats]:
    time_s, gauge_mm = checked.streams.gauge_time_s, checked.streams.gauge_mm
    inside = checked.motion.covered(time_s - lag_s) & checked.motion.covered(time_s)
    return time_s[inside], gauge_mm[inside]


def _fit(checked: CheckedStreams, time_s: Floats, gauge_mm: Floats, view: Contact, prior: Prior) -> PistonFit:
    values = np.array(
        [view.centre_deg, view.zero_mm, view.scale_mm, view.lag_s, prior.mean[RATIO], prior.mean[OFFSET]]
    )
    chosen = view.moving
    noise = NoiseModel(checked.step_mm, 0.003, 0.0)
    fit = fit_piston(checked.motion, time_s[chosen], gauge_mm[chosen], values, prior, noise, rounds=2)
    for _ in range(2):
        near, above_floor = _in_contact(checked, time_s, view, fit)
        chosen = near & above_floor
        if chosen.sum() < 8:
            raise Refusal(
                "no_contact", "Fewer than 8 readings touch the piston: set more pre-load and turn slowly."
            )
        fit = fit_piston(checked.motion, time_s[chosen], gauge_mm[chosen], fit.values, prior, fit.noise)
    return _with_far_end(checked, time_s, gauge_mm, near & ~above_floor, prior, fit)


def _with_far_end(
    checked: CheckedStreams,
    time_s: Floats,
    gauge_mm: Floats,
    doubtful: NDArray[np.bool_],
    prior: Prior,
    fit: PistonFit,
) -> PistonFit:
    """Take in the readings at the far end of the travel where they follow the piston after all."""
    if not doubtful.any():
        return fit
    far = predict(checked.motion, time_s[doubtful], gauge_mm[doubtful], fit)
    if np.mean(np.minimum(far**2, 25.0)) > 1.0 + 4.0 / math.sqrt(len(far)) or np.max(np.abs(far)) > 5.0:
        return fit
    chosen = np.isin(time_s, fit.time_s) | doubtful
    return fit_piston(checked.motion, time_s[chosen], gauge_mm[chosen], fit.values, prior, fit.noise)


def _in_contact(
    checked: CheckedStreams, time_s: Floats, view: Contact, fit: PistonFit
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Readings whose piston stands, by the fit, near a TDC, and well within the plunger's travel."""
    values = fit.values
    angle = checked.motion.angle_deg(time_s - values[LAG]) - values[CENTRE]
    shape = piston_drop(np.radians(angle), float(values[RATIO]), float(values[OFFSET]))
    drop_mm = np.abs(values[SCALE]) * shape.drop
    near = np.abs((angle + 180.0) % 360.0 - 180.0) <= _REACH_DEG
    travel = abs(view.floor_mm - values[ZERO])
    rate = np.abs(values[SCALE] * shape.slope * np.radians(checked.motion.speed_deg_s(time_s - values[LAG])))
    shaken = np.minimum(4.0 * fit.noise.jitter_s, 0.08) * rate
    margin = np.maximum(4.0 * checked.step_mm, 0.03 * travel) + shaken
    return np.asarray(near), np.asarray(drop_mm < travel - margin)


def _folded(fit: PistonFit) -> Floats:
    return np.asarray((fit.angle_deg + 180.0) % 360.0 - 180.0)


def _refuse_one_side(fit: PistonFit, step_mm: float) -> None:
    folded = _folded(fit)
    below = (
        np.abs(fit.values[SCALE])
        * piston_drop(np.radians(folded), fit.values[RATIO], fit.values[OFFSET]).drop
    )
    for name, side in (("before", folded < 0.0), ("after", folded > 0.0)):
        reached = side & (np.abs(folded) > _LEAST_SIDE_DEG) & (below > 4.0 * step_mm)
        if reached.sum() < 3:
            other = "before" if name == "after" else "after"
            raise Refusal(
                "one_side_only",
                f"The dwell was seen from one side only: {int(reached.sum())} usable readings {name} the top; "
                f"turn as far {name} it as {other} it.",
            )


def _result(
    checked: CheckedStreams, fit: PistonFit, settings: TdcSettings, gauge: GaugeFacts, prior: Prior
) -> TdcResult:
    values = fit.values
    u_deg = math.sqrt(float(fit.covariance[CENTRE, CENTRE]))
    lag_u = math.sqrt(float(fit.covariance[LAG, LAG]))
    warnings = list(checked.warnings)
    if gauge.lag_s is None and lag_u > 0.4 * prior.sd[LAG]:
        warnings.append(
            Warn(
                "lag_unknown",
                "One direction at one speed cannot tell the gauge's lag from the centre, so the interval is wide: "
                "turn back through the dwell as well, or give the lag.",
            )
        )
    centre = float(values[CENTRE] % 360.0)
    gain = None
    if settings.stroke_mm is not None:
        throw = throw_mm(
            settings.stroke_mm, settings.rod_mm or 1.7 * settings.stroke_mm, settings.pin_offset_mm or 0.0
        )
        gain = abs(float(values[SCALE])) / throw
    return TdcResult(
        centre_deg=centre,
        u95_deg=2.0 * u_deg,
        lag_s=float(values[LAG]),
        lag_u_s=lag_u,
        gain=gain if gain is not None else math.nan,
        rod_ratio=0.5 / float(values[RATIO]),
        residual_sd_mm=float(np.sqrt(np.mean(fit.residual_mm**2))),
        passes=_passes(checked, fit),
        equal_readings=_pairs(fit, centre),
        warnings=tuple(warnings),
        budget=_budget(fit, prior),
        curve=_curve(fit, centre),
        polarity=-1 if values[SCALE] > 0.0 else 1,
    )


def _pairs(fit: PistonFit, centre: float) -> tuple[EqualReadings, ...]:
    sign = np.sign(fit.values[SCALE])
    below = sign * (fit.gauge_mm - fit.values[ZERO])
    slope = -sign * fit.jacobian[:, CENTRE]
    pairs = equal_readings(_folded(fit), below, slope, fit.weight)
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
    sweeps = find_sweeps(checked.motion)
    if not sweeps:
        return ()
    starts = np.array([sweep.start_s for sweep in sweeps])
    sweep_of = np.clip(
        np.searchsorted(starts, fit.time_s - fit.values[LAG], side="right") - 1, 0, len(sweeps) - 1
    )
    turn_of = np.round(fit.angle_deg / 360.0).astype(np.intp)
    keys = np.column_stack([sweep_of, turn_of])
    _, first, group = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first)
    return tuple(
        _one_pass(fit, np.flatnonzero(group.ravel() == k), sweeps[int(sweep_of[first[k]])]) for k in order
    )


def _one_pass(fit: PistonFit, rows: Ints, sweep: Sweep) -> Pass:
    folded = _folded(fit)[rows]
    slope, weight = fit.jacobian[rows, CENTRE], fit.weight[rows]
    information = float(weight @ slope**2)
    both = min(int((folded < -2.0).sum()), int((folded > 2.0).sum())) >= 2
    shift = (
        float((weight * slope) @ fit.residual_mm[rows]) / information if both and information > 0 else None
    )
    seen = fit.gauge_mm[rows]
    return Pass(
        start_s=float(fit.time_s[rows[0]]),
        end_s=float(fit.time_s[rows[-1]]),
        direction=sweep.direction,
        speed_deg_s=sweep.speed_deg_s,
        used=True,
        centre_deg=None if shift is None else float((fit.values[CENTRE] + shift) % 360.0),
        u_deg=None if shift is None else 1.0 / math.sqrt(information),
        peak_mm=float(seen.max() if fit.values[SCALE] < 0.0 else seen.min()),
    )


def _budget(fit: PistonFit, prior: Prior) -> tuple[Contribution, ...]:
    """Split the centre's variance exactly into what the readings and what the prior knowledge add."""
    row = fit.covariance[CENTRE]
    gains2 = ((fit.jacobian @ row) * fit.weight) ** 2
    lines = [
        ("readings: step, jitter of the lag, encoder count", math.sqrt(float(gains2 @ (fit.variance_mm2))))
    ]
    known = row**2 * prior.precision
    names = {LAG: "gauge lag as known before", RATIO: "rod ratio", OFFSET: "pin offset"}
    lines += [(name, math.sqrt(float(known[index]))) for index, name in names.items()]
    return tuple(Contribution(source, u) for source, u in lines)


def _curve(fit: PistonFit, centre: float) -> Curve:
    folded = _folded(fit)
    angle = np.linspace(float(folded.min()), float(folded.max()), 181)
    piston = piston_drop(np.radians(angle), float(fit.values[RATIO]), float(fit.values[OFFSET]))
    scale = float(fit.values[SCALE])
    slope = scale * piston.slope * (np.pi / 180.0)
    zeros = np.zeros_like(angle)
    jacobian = np.column_stack(
        [zeros, np.ones_like(angle), piston.drop, zeros, scale * piston.by_ratio, scale * piston.by_offset]
    )
    jacobian[:, CENTRE] = -slope
    u = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", jacobian, fit.covariance, jacobian), 0.0))
    return Curve(centre + angle, fit.values[ZERO] + scale * piston.drop, u)

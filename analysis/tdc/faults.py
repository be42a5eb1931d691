"""Faults that show in how the readings fit the piston's motion: refused with what, when and what to do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, Prior, Refusal, Residuals, Suspicion, Warn
from analysis.readings import zero_key
from analysis.tdc.fit import CENTRE, LAG, SCALE, ZERO, PistonFit, Readings
from analysis.tdc.misfit import Coherence

Flags = NDArray[np.bool_]

_SURE = 30.0
_DRIFT_SURE = 25.0
_WILD = 5.0
_MOST_WILD = 0.03
_MOST_JITTER_S = 0.06
_LEAST_SIDE_DEG = 3.0
# Throws begin at 18 mm, common practice, no source; a gauge that leans by 60 degrees shows half of that.
_LEAST_THROW_MM = 5.0
# A gauge that leans by 45 degrees shows up to 1.41 of what the piston moves.
_MOST_OF_STROKE = 1.5
_LIKELY = 9.0
# A gauge answers after the encoder; 20 to 150 ms is common practice, no source, and radio adds to it.
_LAGS_S = (-0.03, 0.4)
_LIKELY_LAGS_S = (0.0, 0.25)
_LAG_UNKNOWN_S = 0.02
# A gauge whose readings are means takes them over about so long; common practice, no source.
_AVERAGES_S = 0.1


def refuse_faulty_fit(fit: PistonFit, prior: Prior, coherence: Coherence) -> tuple[Warn, ...]:
    """Refuse a fit whose residuals tell of a fault; what is left gives warnings.

    Raises
    ------
    Refusal
        `one_side_only`, `turn_not_360`, `counts_lost`, `encoder_slipped`, `stand_moved`, `zero_key_pressed`,
        `scale_changed`, `lag_impossible`, `does_not_fit`.
    """
    _refuse_one_side(fit)
    wild = _isolated(np.abs(fit.model.residual_mm) > _WILD * np.sqrt(fit.variance_mm2))
    _refuse_breaks(fit, prior, wild)
    _refuse_misfit(fit, coherence)
    left_out = int(wild.sum())
    if not left_out:
        return ()
    return (
        Warn(
            "readings_left_out", f"Far off the rest and given next to no weight: {left_out} of the readings."
        ),
    )


def refuse_no_piston(fit: PistonFit) -> None:
    """Refuse what turns round on a circle so small that no crank has it: a part off its axis.

    Raises
    ------
    Refusal
        `no_piston`.
    """
    throw_mm = abs(float(fit.values[SCALE]))
    if throw_mm < _LEAST_THROW_MM:
        raise Refusal(
            "no_piston",
            f"What the gauge touches goes round on a circle of {throw_mm:.2g} mm, and no piston does: set the gauge on the "
            "piston and measure again.",
        )


def refuse_more_than_stroke(fit: PistonFit, stroke_mm: float) -> None:
    """Refuse a stroke that is less than the piston was seen to move: inches for millimetres, or a radius.

    Raises
    ------
    Refusal
        `more_than_stroke`.
    """
    low, high = np.percentile(fit.readings.gauge_mm, (1.0, 99.0))
    if high - low > _MOST_OF_STROKE * stroke_mm:
        raise Refusal(
            "more_than_stroke",
            f"The gauge moved by {high - low:.1f} mm, and a stroke of {stroke_mm:g} mm has no room for it: enter stroke "
            "and rod in mm, and the whole stroke, not the throw.",
        )


def _isolated(far: Flags) -> Flags:
    """Those of the flagged that have no flagged neighbour on either side but perhaps one."""
    padded = np.concatenate([[False], far, [False]])
    return np.asarray(far & ~(padded[:-2] & padded[2:]))


def _refuse_one_side(fit: PistonFit) -> None:
    folded = fit.folded_deg
    below = np.abs(fit.values[SCALE]) * fit.model.drop
    for name, side in (("before", folded < 0.0), ("after", folded > 0.0)):
        reached = side & (np.abs(folded) > _LEAST_SIDE_DEG) & (below > 4.0 * fit.noise.step_mm)
        if reached.sum() < 3:
            other = "before" if name == "after" else "after"
            raise Refusal(
                "one_side_only",
                f"The dwell was seen from one side only: {int(reached.sum())} usable readings {name} the top; "
                f"turn as far {name} it as {other} it.",
            )


def _refuse_breaks(fit: PistonFit, prior: Prior, wild: Flags) -> None:
    """Blame the likeliest of what changes within a trace: counts a turn, counts lost, a slip, the stand, the scale."""
    jacobian, values = fit.model.jacobian, fit.values
    residuals = Residuals(
        np.where(wild, 0.0, fit.model.residual_mm),
        fit.variance_mm2 + np.square(_blurred_mm(fit)),
        jacobian,
        fit.covariance,
        prior.pull(values),
    )
    turns = np.round(fit.model.angle_deg / 360.0)
    path = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(fit.model.angle_deg)))]) / 360.0
    drift = residuals.throughout(jacobian[:, CENTRE] * (turns - np.mean(turns)))
    loss = residuals.throughout(jacobian[:, CENTRE] * (path - np.mean(path)))
    slip = residuals.change(jacobian[:, CENTRE])
    stand = residuals.change(jacobian[:, ZERO])
    scale = residuals.change(jacobian[:, SCALE] * float(values[SCALE]))
    count = fit.readings.motion.count_deg
    smallest_mm = max(3.0 * fit.noise.step_mm, 0.02)
    found = [
        (drift, abs(drift.size) > max(0.15, count) and drift.chi_square > _DRIFT_SURE, _turn_refusal),
        (loss, abs(loss.size) > max(0.5, 2.0 * count) and loss.chi_square > _SURE, _loss_refusal),
        (slip, abs(slip.size) > max(0.3, 1.5 * count) and slip.chi_square > _SURE, _slip_refusal),
        (stand, abs(stand.size) > smallest_mm and stand.chi_square > _SURE, _stand_refusal),
        (scale, abs(scale.size) > 0.05 and scale.chi_square > _SURE, _scale_refusal),
    ]
    sure = [(what.chi_square, what, refusal) for what, certain, refusal in found if certain]
    if not sure and _lag_outside(fit, prior, _LIKELY_LAGS_S):
        sure = [
            (what.chi_square, what, refusal) for what, _, refusal in found[:3] if what.chi_square > _LIKELY
        ]
    if not sure and _lag_outside(fit, prior, _LAGS_S):
        raise _lag_refusal(fit)
    if sure:
        _, what, refusal = max(sure, key=lambda entry: entry[0])
        raise refusal(what, fit.readings)


def _blurred_mm(fit: PistonFit) -> Floats:
    """By how much a gauge that averages may be off where a hand stops or starts at once; nothing while it turns evenly.

    The mean of the angle over a short time differs from the angle amid it by a sixth of how far its ends are bent away.
    """
    moment_s, angle_deg = fit.readings.moment_s(fit.values), fit.readings.motion.angle_deg
    half_s = 0.5 * _AVERAGES_S
    bend_deg = angle_deg(moment_s - half_s) + angle_deg(moment_s + half_s) - 2.0 * angle_deg(moment_s)
    return np.asarray(fit.model.slope_mm_deg * bend_deg / 6.0)


def _lag_outside(fit: PistonFit, prior: Prior, lags_s: tuple[float, float]) -> bool:
    """Whether the readings need a lag outside these, where it was not known before."""
    lag_s, u_s = float(fit.values[LAG]), float(np.sqrt(fit.covariance[LAG, LAG]))
    low, high = lags_s
    return float(prior.sd[LAG]) > _LAG_UNKNOWN_S and (lag_s + 2.0 * u_s < low or lag_s - 2.0 * u_s > high)


def _lag_refusal(fit: PistonFit) -> Refusal:
    return Refusal(
        "lag_impossible",
        f"The passes agree only if the gauge answers {1e3 * fit.values[LAG]:.0f} ms after the encoder, which no "
        "gauge does: counts were lost between the passes, or the stand or the coupling moved; check them and turn "
        "slowly through the top several times.",
    )


def _turn_refusal(what: Suspicion, _: Readings) -> Refusal:
    return Refusal(
        "turn_not_360",
        f"From one TDC to the next the encoder counted {360.0 + what.size:.1f} degrees instead of 360: "
        "check the counts a turn in the bench file, then the encoder's coupling and cable for missed counts.",
    )


def _loss_refusal(what: Suspicion, _: Readings) -> Refusal:
    return Refusal(
        "counts_lost",
        f"TDC wanders by about {abs(what.size):.1f} degrees for each turn of crank travel: the encoder "
        "loses counts or its coupling creeps; check both and measure again.",
    )


def _slip_refusal(what: Suspicion, readings: Readings) -> Refusal:
    return Refusal(
        "encoder_slipped",
        f"At {readings.time_s[what.index]:.1f} s TDC moved by {what.size:+.1f} degrees on the encoder: "
        "its coupling or the pointer slipped, or counts were lost; fix it and measure again.",
    )


def _stand_refusal(what: Suspicion, readings: Readings) -> Refusal:
    near = slice(max(what.index - 2, 0), what.index + 3)
    if np.any(readings.gauge_mm[near] == 0.0) and abs(what.size) > 1.0:
        return zero_key(f"{readings.time_s[what.index]:.1f} s", -what.size)
    return Refusal(
        "stand_moved",
        f"At {readings.time_s[what.index]:.1f} s all readings of the gauge stepped by {what.size:+.3f} mm: "
        "the stand was knocked, the tip slipped or a key was pressed; leave it alone and measure again.",
    )


def _scale_refusal(what: Suspicion, readings: Readings) -> Refusal:
    return Refusal(
        "scale_changed",
        f"At {readings.time_s[what.index]:.1f} s the gauge's readings changed their scale: "
        "the unit key was pressed or the stand turned; set it back and measure again.",
    )


def _refuse_misfit(fit: PistonFit, coherence: Coherence) -> None:
    """Readings that no piston makes, whatever else was doubted."""
    noise = fit.noise
    far = np.abs(fit.model.residual_mm) > _WILD * np.sqrt(fit.variance_mm2)
    share = float(np.mean(far))
    tolerated_mm = 0.1 + 5.0 * noise.step_mm
    if (
        (coherence.wrong_motion and coherence.rms_mm > 0.03 + 2.0 * noise.step_mm)
        or noise.jitter_s > _MOST_JITTER_S
        or noise.extra_mm > tolerated_mm
        or (share > _MOST_WILD and far.sum() > 3)
    ):
        raise Refusal(
            "does_not_fit",
            f"The readings do not follow a piston: they scatter by {np.std(fit.model.residual_mm):.2f} mm about "
            f"the best fit, {100.0 * share:.0f} % of them far off; check what the plunger touches, the encoder's "
            "coupling and the counts a turn.",
        )

"""What is known of engine and gauge before a piston's dwell is measured."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import log_ndtr

from analysis.base import (
    USUAL_ENCODER_ERROR_DEG,
    WORST_ENCODER_ERROR_DEG,
    GaugeFacts,
    Prior,
    Refusal,
    TdcSettings,
    limit_u,
)
from analysis.readings import lag_prior
from analysis.tdc.fit import LAG, OFFSET, PARAMETERS, PLAY, RATIO, STICK, WANDER, PistonFit, contradicted
from analysis.timing import throw_mm

# Rods of 1.4 to 2.3 strokes and pin offsets of up to a millimetre or so: common practice, no source. Some engines have
# their crank set off by a centimetre and more (from memory); such a one is believed in where the readings speak for it.
_TYPICAL_RATIO = (0.29, 0.04)
_TYPICAL_OFFSET = (0.0, 0.02)
_ANY_OFFSET_U, _FAR_ASIDE, _MOST_OFFSET_STROKES = 0.15, 2.0, 0.25
_STATED_ROD_MM, _STATED_STROKE_MM = 0.5, 0.1
_NO_STICK_U_MM = 1e-7
_NO_PLAY_U_DEG = 1e-6
_NO_WANDER_U_S = 1e-8
_STATED_OFFSET_U = 2e-4
_LEAST_LEFT = 0.01
_CERTAIN = 50.0


def piston_prior(settings: TdcSettings, gauge: GaugeFacts) -> Prior:
    """Means and standard uncertainties of the parameters before the readings.

    Raises
    ------
    Refusal
        `impossible_engine`.
    """
    ratio, offset = _TYPICAL_RATIO, _TYPICAL_OFFSET
    throw = known_throw_mm(settings)
    if throw is not None and settings.rod_mm is not None:
        stated = (throw / settings.rod_mm) * math.hypot(
            limit_u(_STATED_ROD_MM) / settings.rod_mm, limit_u(_STATED_STROKE_MM) / (2.0 * throw)
        )
        ratio = (throw / settings.rod_mm, stated)
    if settings.pin_offset_mm is not None:
        aside = settings.pin_offset_mm / (throw or 40.0)
        offset = (aside, _STATED_OFFSET_U) if settings.pin_side_known else (0.0, _either_side(aside))
    mean, sd = np.zeros(PARAMETERS), np.full(PARAMETERS, math.inf)
    mean[LAG], sd[LAG] = lag_prior(gauge)
    mean[RATIO], sd[RATIO] = ratio
    mean[OFFSET], sd[OFFSET] = offset
    mean[STICK], sd[STICK] = _stick(gauge)
    sd[PLAY], sd[WANDER] = _NO_PLAY_U_DEG, _NO_WANDER_U_S
    return Prior(mean, sd)


def _either_side(stated: float) -> float:
    """Standard uncertainty of an offset that is as likely to one side as to the other."""
    return math.hypot(stated, _STATED_OFFSET_U)


def is_far_aside(fit: PistonFit, prior: Prior) -> bool:
    """Whether readings tell of a pin, or a crank, so far aside that it contradicts what is usual."""
    return contradicted(fit, prior, OFFSET, _FAR_ASIDE) is not None


def with_any_offset(prior: Prior) -> Prior:
    """The same of an engine whose crank may be set off by far."""
    sd = prior.sd.copy()
    sd[OFFSET] = _ANY_OFFSET_U
    return Prior(prior.mean, sd)


def _stick(gauge: GaugeFacts) -> tuple[float, float]:
    """What the plunger sticks by: as its limit has it, and rather more, for readings tell it and limits are exceeded."""
    known_mm, u_mm = gauge.stick_mm
    if gauge.found_retrace_mm is None:
        u_mm = 0.5 * (gauge.retrace_mm or 0.0)
    return known_mm, max(u_mm, _NO_STICK_U_MM)


def known_throw_mm(settings: TdcSettings) -> float | None:
    """Throw of the crank where the stroke is given.

    Raises
    ------
    Refusal
        `impossible_engine`, when the given dimensions cannot turn.
    """
    stroke, rod, pin = settings.stroke_mm, settings.rod_mm, settings.pin_offset_mm or 0.0
    given = [
        name for name, value in (("stroke", stroke), ("rod", rod)) if value is not None and not value > 0.0
    ]
    if (
        given
        or abs(pin) > _MOST_OFFSET_STROKES * (stroke or 200.0)
        or not all(map(math.isfinite, (stroke or 1.0, rod or 1.0, pin)))
    ):
        raise Refusal("impossible_engine", _impossible(settings))
    if stroke is None:
        return None
    try:
        return throw_mm(stroke, rod if rod is not None else 1.7 * stroke, pin)
    except ValueError as why:
        raise Refusal("impossible_engine", _impossible(settings)) from why


def _impossible(settings: TdcSettings) -> str:
    said = [
        f"a {name} of {value:g} mm"
        for name, value in (
            ("stroke", settings.stroke_mm),
            ("rod", settings.rod_mm),
            ("pin offset", settings.pin_offset_mm),
        )
        if value is not None
    ]
    return f"No engine can turn with {' and '.join(said)}: check these figures in the engine's data."


def unseen_play(pull: float, own: float, limit_deg: float) -> tuple[float, float]:
    """What to suppose of play that readings hardly show, so that a fit tells mean and spread of what is likely.

    Play is never below nought. Before the readings a coupling is as likely to have none at all, as it should, as to have
    some; of that a little is likelier than much (half a normal curve), and more than one fitted by eye may have is seldom:
    common practice, no source. The limit stated of the encoder sets the measure.

    Parameters
    ----------
    pull, own : float
        What the readings say of the play, times how surely (1/deg), and how surely (1/deg²).
    limit_deg : float
        Limit of the encoder's error.

    Returns
    -------
    tuple of float
        Mean and standard uncertainty, which give the mean of what is likely, and its spread as far as that is no more than
        the readings alone have, for what is supposed can only narrow it.
    """
    before = 1.0 / limit_u(limit_deg * WORST_ENCODER_ERROR_DEG / USUAL_ENCODER_ERROR_DEG) ** 2
    sd = 1.0 / math.sqrt(own + before)
    at = pull * sd
    rise = math.exp(-0.5 * at**2 - float(log_ndtr(at))) / math.sqrt(2.0 * math.pi)
    mean, variance = sd * (at + rise), sd**2 * max(1.0 - rise * (at + rise), _LEAST_LEFT)
    # By so much likelier are the readings with some play than with none.
    odds = 2.0 * math.sqrt(before) * sd * math.exp(min(0.5 * at**2 + float(log_ndtr(at)), _CERTAIN))
    some = odds / (1.0 + odds)
    variance = max(some * (variance + (1.0 - some) * mean**2), _LEAST_LEFT * sd**2)
    mean *= some
    precision = max(1.0 / variance - own, before)
    return (mean * (own + precision) - pull) / precision, 1.0 / math.sqrt(precision)

"""A lobe's curve and readings that are put back to when a clock of the gauge's own says that they were measured.

Nothing is taken for small here. A lobe may go from its foot to its nose between two measurements, and of few passes each
may be late by an age of its own: a curve through readings as they arrived has given way to those in every bend.
"""

from __future__ import annotations

import numpy as np

from analysis.base import Floats
from analysis.curve.basis import SplineBasis
from analysis.curve.model import ForwardReadings, LobeFit
from analysis.curve.survey import Survey
from analysis.own_clock import Ticks, near_hz
from analysis.readings import CrankMotion

_STEPS_A_TURN, _PLACES = 4.0, 24
# So near to a tick a line may tell the value of either side.
_UNSURE_TURNS = 0.1
_FIRM = 1e-3
_USUAL_JITTER_S = 0.004


def nearest_clocks(
    motion: CrankMotion,
    fit: LobeFit,
    readings: ForwardReadings,
    lag_s: float,
    known_s: float,
    wider: float,
    at_most: int,
) -> list[Ticks]:
    """Find clocks near a known one through whose moments one curve goes best, the best first.

    Parameters
    ----------
    motion : CrankMotion
    fit : LobeFit
        On whose knots the curve bends.
    readings : ForwardReadings
        As they arrived.
    lag_s : float
        How late they arrive on the average.
    known_s : float
        How often this gauge was found to measure before.
    """
    time_s = readings.time_s
    span_s = max(float(np.ptp(time_s)), 1.0)
    step_hz, middle_s = 1.0 / (_STEPS_A_TURN * span_s), 0.5 * float(time_s[0] + time_s[-1])
    steps = round(wider * near_hz(known_s, span_s) / step_hz)
    clocks = [
        Ticks(period_s, middle_s + place * period_s, period_s / _PLACES, period_s / _STEPS_A_TURN)
        for period_s in (1.0 / (1.0 / known_s + step_hz * np.arange(-steps, steps + 1))).tolist()
        for place in (np.arange(_PLACES) / _PLACES).tolist()
    ]
    left = [_left_by(motion, fit.survey, fit.basis, readings, lag_s, one) for one in clocks]
    return [clocks[k] for k in np.argsort(left)[:at_most]]


def _left_by(
    motion: CrankMotion,
    survey: Survey,
    basis: SplineBasis,
    readings: ForwardReadings,
    lag_s: float,
    ticks: Ticks,
) -> float:
    """Mean square that the best curve leaves of what was measured at those ticks, mm²."""
    age_s = ticks.age_s(readings.time_s)
    clear = np.abs(age_s - 0.5 * ticks.period_s) < (0.5 - _UNSURE_TURNS) * ticks.period_s
    if not np.any(clear):
        return float(np.inf)
    moment_s = readings.time_s[clear] - age_s[clear] + 0.5 * ticks.period_s
    phase, value = survey.unrolled(motion.angle_deg(moment_s - lag_s)), readings.value_mm[clear]
    rows = np.column_stack((np.ones_like(phase), basis.rows(phase)))
    firm = rows.T @ rows + _FIRM * np.eye(rows.shape[1])
    return float(np.mean((value - rows @ np.linalg.solve(firm, rows.T @ value)) ** 2))


def told_beside(motion: CrankMotion, curve: LobeFit, readings: ForwardReadings, ticks: Ticks) -> Floats:
    """Return what a curve leaves of each line, did it tell the tick before the newest, the newest, or the next.

    Parameters
    ----------
    motion : CrankMotion
    curve : LobeFit
        Through readings as they were measured, by a clock near this one.
    readings : ForwardReadings
        As they arrived.
    ticks : Ticks

    Returns
    -------
    ndarray, shape (m, 3)
        Each over its standard deviation; a lag that is told wrongly is taken out.
    """
    moment_s = readings.time_s - ticks.age_s(readings.time_s) + 0.5 * ticks.period_s - curve.lag_s

    def off(later: float) -> tuple[Floats, Floats]:
        crank_deg, speed = motion.angle_and_speed(moment_s + later * ticks.period_s)
        phase = curve.survey.unrolled(crank_deg)
        left = readings.value_mm - (curve.base_mm or 0.0) - curve.lift_mm(phase)
        return left, curve.lift_mm(phase, 1) * speed

    now, rate = off(0.0)
    still = curve.noise.variance_mm2(np.zeros_like(rate), np.zeros_like(rate))
    sd = np.sqrt(still + (_USUAL_JITTER_S * rate) ** 2)
    by_lag = np.linalg.qr((rate / sd)[:, None])[0][:, 0]
    newest = now / sd - by_lag * (by_lag @ (now / sd))
    return np.column_stack([newest + (off(later)[0] - now) / sd for later in (-1.0, 0.0, 1.0)])

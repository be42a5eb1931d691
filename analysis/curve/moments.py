"""A lobe's curve and readings that are put back to when a clock of the gauge's own says that they were measured.

Nothing is taken for small here. A lobe may go from its foot to its nose between two measurements, and of few passes each
may be late by an age of its own: a curve through readings as they arrived has given way to those in every bend.
"""

from __future__ import annotations

import numpy as np

from analysis.base import Floats
from analysis.curve.model import ForwardReadings, LobeFit
from analysis.own_clock import PLACES, USUAL_JITTER_S, Ticks, near_hz, step_hz
from analysis.readings import CrankMotion

_FIRM = 1e-3
# Where ticks elsewhere leave as little, as of passes that all come at the same ages, nothing tells where they are.
_AS_GOOD, _FAR_TURNS = 2.0, 0.3


def nearest_clocks(
    motion: CrankMotion,
    fit: LobeFit,
    readings: ForwardReadings,
    lag_s: float,
    known_s: float,
    wider: float,
    at_most: int,
) -> list[Ticks]:
    """Find clocks near a known one through whose moments one curve goes best; none where ticks elsewhere do as well.

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
    wider : float
        So many times as far from it as a known clock may be.
    """
    time_s = readings.time_s
    span_s = max(float(np.ptp(time_s)), 1.0)
    step, middle_s = step_hz(span_s), 0.5 * float(time_s[0] + time_s[-1])
    steps = round(wider * near_hz(known_s, span_s) / step)
    clocks = [
        Ticks(period_s, middle_s + place * period_s, period_s / PLACES, step * span_s * period_s)
        for period_s in (1.0 / (1.0 / known_s + step * np.arange(-steps, steps + 1))).tolist()
        for place in (np.arange(PLACES) / PLACES).tolist()
    ]
    left = [_left_by(motion, fit, readings, lag_s, one) for one in clocks]
    order = np.argsort(left)
    as_good = np.flatnonzero(np.asarray(left) <= _AS_GOOD * left[order[0]])
    apart = np.mod((as_good - order[0]) / PLACES + 0.5, 1.0) - 0.5
    if np.any(np.abs(apart) > _FAR_TURNS):
        return []
    return [clocks[k] for k in order[:at_most]]


def _left_by(
    motion: CrankMotion, fit: LobeFit, readings: ForwardReadings, lag_s: float, ticks: Ticks
) -> float:
    """Mean square that the best curve leaves of what was measured at those ticks, mm²."""
    clear = ticks.clear(readings.time_s)
    if not np.any(clear):
        return float(np.inf)
    moment_s, value = ticks.moment_s(readings.time_s[clear]), readings.value_mm[clear]
    phase = fit.survey.unrolled(motion.angle_deg(moment_s - lag_s))
    rows = np.column_stack((np.ones_like(phase), fit.basis.rows(phase)))
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
    then_s = ticks.moment_s(readings.time_s) - curve.lag_s

    def off(later: float) -> tuple[Floats, Floats]:
        """What is left so many ticks later, and how fast the plunger moves there."""
        crank_deg, speed = motion.angle_and_speed(then_s + later * ticks.period_s)
        phase = curve.survey.unrolled(crank_deg)
        left = readings.value_mm - (curve.base_mm or 0.0) - curve.lift_mm(phase)
        return left, curve.lift_mm(phase, 1) * speed

    now, rate = off(0.0)
    still = curve.noise.variance_mm2(np.zeros_like(rate), np.zeros_like(rate))
    sd = np.sqrt(still + (USUAL_JITTER_S * rate) ** 2)
    by_lag = np.linalg.qr((rate / sd)[:, None])[0][:, 0]
    newest = now / sd - by_lag * (by_lag @ (now / sd))
    return np.column_stack([newest + (off(later)[0] - now) / sd for later in (-1.0, 0.0, 1.0)])

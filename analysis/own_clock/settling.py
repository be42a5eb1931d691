"""A clock settled amid its lines: the ticks between those that tell an old value and those that tell the new one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats
from analysis.own_clock.placing import Placing
from analysis.own_clock.ticks import Ticks

_SUITS = 4.0
_SETTLING, _STRAYED = 3, 0.12
# By so much, on simulated gauges, ticks lie farther off than lines that each stand for themselves would let them.
_WIDER = 1.2

Bools = NDArray[np.bool_]


def settle(found: Ticks, time_s: Floats, beside: Callable[[Ticks], Floats]) -> Ticks:
    """Put the ticks between the lines that tell an old value and those that tell the new one.

    Which value a line tells shows in its residual. Where the ticks may lie among those lines, and how surely, is
    summed up over all places and periods that they allow.

    Parameters
    ----------
    found : Ticks
        Near the right clock.
    time_s : ndarray, shape (m,)
        When its readings arrived, not falling.
    beside : callable
        Gives, for a clock, residuals of shape (m, 3), each over its standard deviation: did each reading tell what was
        measured a tick before the newest, at the newest, or at the next.
    """
    middle_s = 0.5 * float(time_s[0] + time_s[-1])
    ticks = np.round((middle_s - found.first_s) / found.period_s)
    told, before = replace(found, first_s=found.first_s + found.period_s * float(ticks)), None
    for _ in range(_SETTLING):
        tick, sure = _ticks_told(told, time_s, np.abs(beside(told)))
        if before is not None and np.array_equal(tick[sure], before):
            break
        told, before = _amid_the_lines(told, time_s, tick, sure), tick[sure]
    return told


def _amid_the_lines(told: Ticks, time_s: Floats, tick: Floats, sure: Bools) -> Ticks:
    """The mean of all places of the ticks, each as likely as the lines beside it make it."""
    half = max(0.5 * float(np.ptp(time_s)) / told.period_s, 1.0)
    since_s = time_s - told.first_s - tick * told.period_s
    room_s = np.concatenate((since_s, told.period_s - since_s))
    way = np.repeat((-1.0, 1.0), len(tick))
    along = np.concatenate((tick, tick + 1.0)) / half
    counts = np.concatenate((sure, sure))
    place = Placing(_STRAYED * told.period_s, room_s[counts], way[counts], along[counts])
    longer_s = place.drift_s / half
    u_s, wander_s = _WIDER * place.shift_u_s, _WIDER * place.drift_u_s
    return Ticks(told.period_s + longer_s, told.first_s + place.shift_s, u_s, wander_s, place.shaken_s)


def _ticks_told(found: Ticks, time_s: Floats, apart: Floats) -> tuple[Floats, Bools]:
    """Which tick's value each line tells, of the newest and those beside it; and where there is no doubt of it."""
    newest = np.floor((time_s - found.first_s) / found.period_s)
    best = np.sort(apart, axis=1)
    sure = (best[:, 0] < _SUITS) & (best[:, 1] > 2.0 * _SUITS)
    return newest + np.argmin(apart, axis=1) - 1.0, sure

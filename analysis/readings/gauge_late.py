"""Readings of a gauge that waited on their way, told by the gauge's own pace.

A gauge that speaks by a clock of its own is never early. What comes sooner behind another than its pace allows shows that
the other came late: a busy computer, an adapter or a radio kept it back, and the plunger stood there some time before.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats

Flags = NDArray[np.bool_]

_OF_PACE = 0.99
_PACE_OVER = 8
_KEEPS_PACE = 0.15
_LEAST_LATE_S = 0.004
_TIMES_USUAL = 4.0
_NEXT_FEW = 6
_MOST = 0.3


def find_late_readings(time_s: Floats) -> Flags:
    """Mark the readings that came late, for a gauge that keeps a pace.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        When its readings arrived, not falling.

    Returns
    -------
    ndarray of bool, shape (n,)
        None where it keeps no pace, as one that is asked and answers when it can.
    """
    none = np.zeros(time_s.size, dtype=np.bool_)
    gap = np.diff(time_s)
    if gap.size < 3:
        return none
    pace_s = float(np.median(gap))
    if np.mean(np.abs(gap - pace_s) < _KEEPS_PACE * pace_s) < 1.0 - _MOST:
        return none
    late_s = at_least_late_s(gap, _OF_PACE * _over_several_s(time_s, pace_s))
    usual_s = float(np.quantile(late_s, 1.0 - _MOST))
    return np.asarray(late_s > max(_LEAST_LATE_S, _TIMES_USUAL * usual_s))


def _over_several_s(time_s: Floats, pace_s: float) -> float:
    """The pace as several lines together tell it: late by the same, one of them tells it several times less well."""
    if time_s.size < 2 * _PACE_OVER:
        return pace_s
    over_s = float(np.median(time_s[_PACE_OVER:] - time_s[:-_PACE_OVER])) / _PACE_OVER
    # Where many were lost between, what is seen from line to line stands.
    return min(over_s, pace_s)


def at_least_late_s(gap: Floats, pace_s: float) -> Floats:
    """How late each reading came at least: the most by which one of the next few outran the pace from there on.

    What waited comes in a lump with the next, and these then keep their time. One that outruns the pace a little, line
    after line, has another pace than before, and what it said long ago did not wait for that.
    """
    outrun_s = np.concatenate(([0.0], np.cumsum(pace_s - gap)))
    late_s = np.zeros_like(outrun_s)
    for ahead in range(1, min(_NEXT_FEW, gap.size) + 1):
        late_s[:-ahead] = np.maximum(late_s[:-ahead], outrun_s[ahead:] - outrun_s[:-ahead])
    return late_s

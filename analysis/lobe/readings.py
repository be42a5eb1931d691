"""Readings of a lobe made ready: the wild ones out, those turned forwards with the slack taken up picked."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats
from analysis.curve import ForwardReadings, LagPrior
from analysis.lobe.play import Engagement
from analysis.readings import CheckedStreams

_JITTER_ROOM_S = 0.03
_LEAST_WILD_MM = 0.3
_SIDE = 2

Bools = NDArray[np.bool_]


def wild_readings(value_mm: Floats) -> Bools:
    """Flag single readings that no movement of a valve explains.

    A reading is wild when it lies outside the range of the two before and the two after it, the oddest of
    them left out, by more than that range and 0.3 mm: a line that lost its first digit. Over a nose, however
    few the readings, the neighbours spread by more than the nose stands above them.

    Parameters
    ----------
    value_mm : ndarray, shape (m,)
        Readings in order of time.

    Examples
    --------
    >>> import numpy as np
    >>> wild_readings(np.array([1.0, 1.1, 7.0, 1.3, 1.4])).tolist()
    [False, False, True, False, False]
    """
    if len(value_mm) < 2 * _SIDE + 1:
        return np.zeros(len(value_mm), dtype=bool)
    padded = np.pad(value_mm, _SIDE, mode="reflect")
    beside = np.stack([padded[_SIDE + k : len(padded) - _SIDE + k] for k in (-2, -1, 1, 2)])
    first, second, third, fourth = np.sort(beside, axis=0)
    # One of the four may be wild itself.
    highest = fourth - third > second - first
    low, high = np.where(highest, first, second), np.where(highest, third, fourth)
    outside = np.maximum(low - value_mm, value_mm - high)
    return np.asarray(outside > np.maximum(high - low, _LEAST_WILD_MM))


def forward_readings(
    checked: CheckedStreams, engaged: Engagement, lag: LagPrior, wild: Bools
) -> tuple[Floats, Floats]:
    """Times and values of readings whose whole possible moment of sampling lies in forward drive."""
    time_s, value = checked.streams.gauge_time_s, checked.streams.gauge_mm
    room = 2.0 * lag.u_s + _JITTER_ROOM_S
    use = engaged.forward_throughout(time_s - lag.lag_s - room, time_s - max(lag.lag_s - room, 0.0))
    use &= checked.motion.covered(time_s - lag.lag_s) & ~wild
    return time_s[use], value[use]


def backward_readings(
    checked: CheckedStreams, engaged: Engagement, lag: LagPrior, wild: Bools, polarity: int
) -> ForwardReadings:
    """Lift-positive readings taken with the slack taken up the other way."""
    time_s, value = checked.streams.gauge_time_s, checked.streams.gauge_mm
    room = 2.0 * lag.u_s + _JITTER_ROOM_S
    use = engaged.backward_throughout(time_s - lag.lag_s - room, time_s - lag.lag_s + room)
    use &= checked.motion.covered(time_s - lag.lag_s) & ~wild
    return ForwardReadings(time_s[use], polarity * value[use])

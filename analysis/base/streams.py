"""What every estimator is given: the readings of the crank and of one gauge, as they arrived."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Streams:
    """The two streams of one measurement, each in order of arrival.

    Attributes
    ----------
    crank_time_s : ndarray, shape (n,)
        Arrival times of the encoder's readings, seconds, not falling.
    crank_deg : ndarray, shape (n,)
        Unwrapped crank angle at those times, degrees, growing in the running direction.
    gauge_time_s : ndarray, shape (m,)
        Arrival times of the gauge's readings on the same clock.
    gauge_mm : ndarray, shape (m,)
        Gauge readings, millimetres, larger as the plunger is pushed in or out: either polarity.
    """

    crank_time_s: Floats
    crank_deg: Floats
    gauge_time_s: Floats
    gauge_mm: Floats


@dataclass(frozen=True, slots=True)
class GaugeFacts:
    """What is known of a gauge before it is used; `None` is "find out from the readings".

    Attributes
    ----------
    lag_s, lag_u_s
        Gauge less encoder, seconds, and its standard uncertainty (`None` with a lag: taken as exact to 1 ms).
    step_mm
        Smallest step of the display.
    error_mm
        Stated limit of error over the range used (half width of a rectangular distribution).
    """

    lag_s: float | None = None
    lag_u_s: float | None = None
    step_mm: float | None = None
    error_mm: float | None = None


def changes(value: Floats) -> NDArray[np.bool_]:
    """Mark the readings that differ from a neighbour; those inside a standing stretch say nothing new.

    Examples
    --------
    >>> changes(np.array([1.0, 1.0, 1.0, 2.0])).tolist()
    [True, False, True, True]
    """
    if value.size < 3:
        return np.ones(value.size, np.bool_)
    differs = value[1:] != value[:-1]
    ends = np.ones(1, np.bool_)
    return np.asarray(np.concatenate((ends, differs)) | np.concatenate((differs, ends)))

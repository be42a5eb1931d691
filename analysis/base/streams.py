"""What every estimator is given: the readings of the crank and of one gauge, as they arrived."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.base.uncertainty import limit_u

# A retrace that is given without an uncertainty is taken as good to a thousandth.
_FOUND_U_MM = 0.001

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
    retrace_mm
        Stated limit of what the gauge reads less with its plunger going in than coming out, at one place.
    found_retrace_mm, found_retrace_u_mm
        The same as found with this gauge, and its standard uncertainty: it is taken out of lobes.
    jitter_s
        How far single readings of this gauge were found to be late or early, one standard deviation.
    tick_s
        How often it measures, where it was found to do so by a clock of its own.
    """

    lag_s: float | None = None
    lag_u_s: float | None = None
    step_mm: float | None = None
    error_mm: float | None = None
    retrace_mm: float | None = None
    found_retrace_mm: float | None = None
    found_retrace_u_mm: float | None = None
    jitter_s: float | None = None
    tick_s: float | None = None

    @property
    def stick_mm(self) -> tuple[float, float]:
        """Half the retrace, by which readings trail the plunger either way, and its standard uncertainty.

        Found with this gauge; else nought, as far as the limit allows (0 where there is none).
        """
        if self.found_retrace_mm is not None:
            known_u = _FOUND_U_MM if self.found_retrace_u_mm is None else self.found_retrace_u_mm
            return 0.5 * self.found_retrace_mm, 0.5 * known_u
        return 0.0, limit_u(0.5 * (self.retrace_mm or 0.0))


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

"""How old a value is when a gauge says it: told from where the readings lie, where a gauge measures by a clock of its own.

Such a gauge speaks when its output's pace or a question has it, and says what it measured last. The age of what it says
grows with time and falls back to nought with every measurement: a saw tooth, as high as the time between two
measurements. So the lag of its readings wanders, and while it repeats itself it says nothing new.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, Streams

SLOWEST_S = 0.25
"""No gauge measures more seldom."""
PLACES = 24
"""A clock is tried with its first tick at so many places."""
USUAL_JITTER_S = 0.004
"""How unevenly late lines may be where nobody knows, one standard deviation."""

# A gauge's clock of yesterday goes today as it went, but for warmth and its battery.
_SAME_CLOCK, _STEPS_A_TURN = 0.002, 4.0
_UNSURE, _MOST_UNSURE, _BY_CHANCE = 0.1, 0.4, 2.5
# To look costs more than all else of a live update; as readings grow by a share, it becomes ever rarer.
_FEWEST_TO_LOOK = 30
_GROWN, _GROWN_UNKNOWN = 1.25, 1.6


def step_hz(span_s: float) -> float:
    """How finely clocks are tried in a trace of that length: from one to the next the last tick moves by a quarter turn."""
    return 1.0 / (_STEPS_A_TURN * span_s)


def near_hz(known_s: float, span_s: float) -> float:
    """How far from a clock as it was known it may be in a trace of that length, or may seem to be."""
    return max(_SAME_CLOCK / known_s, step_hz(span_s))


@dataclass(frozen=True, slots=True)
class Ticks:
    """When a gauge measures, as seen in its readings.

    Attributes
    ----------
    period_s, first_s : float
        It measures at `first_s` and every `period_s` from there, either way; `first_s` counts the usual lag in.
    u_s, wander_s : float
        Standard uncertainty of the ticks amid the readings, and of the last against those, from that of the period.
    shaken_s : float
        How unevenly late its lines may well be, one standard deviation.
    rival_deg, rival_s : float
        Half of how far off centre and lag lie by another clock that explains the readings as well; nought without one.
    """

    period_s: float
    first_s: float
    u_s: float = 0.0
    wander_s: float = 0.0
    shaken_s: float = 0.0
    rival_deg: float = 0.0
    rival_s: float = 0.0

    @property
    def spread_s(self) -> float:
        """Standard deviation of the age of what is said."""
        return self.period_s / float(np.sqrt(12.0))

    @property
    def unsure_s(self) -> float:
        """How unsure the moments are that it tells, one standard deviation."""
        return float(np.hypot(self.u_s, self.rival_s))

    def age_s(self, time_s: Floats) -> Floats:
        """How old the value is that is told at each moment, 0 to `period_s`."""
        return np.asarray(np.mod(time_s - self.first_s, self.period_s))

    def moment_s(self, time_s: Floats) -> Floats:
        """When the value told at each moment was measured, and as late as the gauge is on the average."""
        return np.asarray(time_s - self.age_s(time_s) + 0.5 * self.period_s)

    def clear(self, time_s: Floats) -> NDArray[np.bool_]:
        """Which moments are so far from a tick that there is no doubt which one's value is told."""
        return np.asarray(
            np.abs(self.age_s(time_s) - 0.5 * self.period_s) < 0.5 * self.period_s - self._unsure_s
        )

    @property
    def tells(self) -> bool:
        """Whether lines enough are sure of which tick they tell, or chance hides nearly all."""
        return self._unsure_s < _MOST_UNSURE * self.period_s

    @property
    def _unsure_s(self) -> float:
        """So near a tick a line may tell the value of either side."""
        return max(_UNSURE * self.period_s, _BY_CHANCE * self.shaken_s)

    def mistaken_for(self, pace_s: float) -> list[float]:
        """Longer periods that look like this one at so many lines a second: at each its values are as fresh or as old."""
        hz = np.arange(1.0 / self.period_s - 1.0 / pace_s, 1.0 / SLOWEST_S, -1.0 / pace_s)
        return [1.0 / one for one in hz.tolist()]

    def as_measured(self, streams: Streams) -> Streams:
        """Each measurement once, at its own moment and as late as the gauge is on the average.

        What is said just as the next is due may be either of the two, and is left out.
        """
        clear = self.clear(streams.gauge_time_s)
        moment_s, value = self.moment_s(streams.gauge_time_s[clear]), streams.gauge_mm[clear]
        fresh = np.diff(moment_s, prepend=-np.inf) > 0.5 * self.period_s
        return replace(streams, gauge_time_s=moment_s[fresh], gauge_mm=value[fresh])


@dataclass(slots=True)
class ClockWatch:
    """A gauge's clock as seen so far; one that nobody has looked for yet is due.

    Attributes
    ----------
    period_s : float or None
        How often the gauge measures, as found in an earlier trace or a moment ago.
    ticks : Ticks or None
        When it does so in this trace.
    """

    period_s: float | None = None
    ticks: Ticks | None = None
    _looked_in: int = 0

    @property
    def looked(self) -> bool:
        """Whether it was looked for in readings enough."""
        return self._looked_in > 0

    def due(self, readings: int) -> bool:
        """Whether it is to be looked for in so many readings of the gauge."""
        grown = _GROWN_UNKNOWN if self.ticks is None else _GROWN
        return readings >= max(grown * self._looked_in, _FEWEST_TO_LOOK)

    def seen(self, ticks: Ticks | None, readings: int) -> None:
        """Keep what was found in so many readings."""
        self.ticks, self._looked_in = ticks, readings
        if ticks is not None:
            self.period_s = ticks.period_s

"""The instruments: an encoder with its counter, and dial indicators.

Each is a frozen description, whose vectorised methods serve whole traces, and a small stateful device
(`EncoderDevice`, `DialDevice`) with a pure ``update(time, input)`` that gives the readings due, for the live
bench. Neither knows of ports or lines.

The encoder answers at once. A dial indicator answers late: the reading that *arrives* at time t shows where
the plunger stood at t - lag - jitter.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MM_PER_INCH = 25.4
_LONGEST_PAST = 4096


@dataclass(frozen=True, slots=True)
class Encoder:
    """A rotary encoder and its counter, which steps at the edges as a quadrature counter does.

    Attributes
    ----------
    counts_per_turn : int
        Counts a crank turn.
    rate_hz : float
        Lines a second.
    zero_deg : float
        Crank angle at which the count is 0.
    direction : {1, -1}
        Sign of the count when the crank turns forward.
    index_deg : float or None
        Crank angle of the index mark, once a turn; `None` is no index.
    micros : bool
        Whether each line carries the device's own microseconds.
    clock_ppm : float
        Error of the device's clock.
    """

    counts_per_turn: int = 3600
    rate_hz: float = 200.0
    zero_deg: float = 0.0
    direction: Literal[1, -1] = 1
    index_deg: float | None = None
    micros: bool = False
    clock_ppm: float = 0.0

    def counts(self, crank_deg: Floats) -> Integers:
        """Counts shown at crank angles: the edges passed, rounded down."""
        passed = self.direction * (np.asarray(crank_deg) - self.zero_deg) * self.counts_per_turn / 360.0
        return np.floor(passed).astype(np.int64)

    def middle_deg(self, counts: Integers) -> Floats:
        """Middle of each count in the counter's own crank degrees, running direction positive."""
        return np.asarray(self.direction * (counts + 0.5) * 360.0 / self.counts_per_turn)

    def index_passes(self, crank_deg: Floats) -> Integers:
        """How many times the index mark has been passed, forward less backward."""
        if self.index_deg is None:
            return np.zeros(np.shape(crank_deg), dtype=np.int64)
        return np.floor((np.asarray(crank_deg) - self.index_deg) / 360.0).astype(np.int64)


@dataclass(frozen=True, slots=True)
class DialIndicator:
    """A digital dial indicator.

    Attributes
    ----------
    step : float
        Smallest step shown, in `unit`.
    unit : {"mm", "in"}
    rate_hz : float
        Readings a second (when continuous).
    lag_s, jitter_s : float
        Mean lateness of a reading, and its spread after `jitter_law`: standard deviation of ``normal``, half
        width of ``uniform``, mean of the ``exponential`` tail, and of ``late_only`` the standard deviation of the
        normal whose positive half it is (the mean lateness stays `lag_s`).
    travel_mm : float
        From fully out (0) to bottomed.
    angle_deg : float
        Between the plunger and the motion it measures.
    seat : {"face", "point"}
        Tip on a flat face (the plunger moves by more: 1/cos) or held at a point (by less: cos).
    polarity : {1, -1}
        +1: the reading grows as the plunger goes in.
    noise_mm : float
        Standard deviation of what shakes the plunger.
    zero_mm : float
        Added to the position before the step.
    asked : bool
        Answers only when asked.
    """

    step: float = 0.01
    unit: Literal["mm", "in"] = "mm"
    rate_hz: float = 10.0
    lag_s: float = 0.06
    jitter_s: float = 0.0
    jitter_law: Literal["normal", "uniform", "exponential", "late_only"] = "normal"
    travel_mm: float = 25.0
    angle_deg: float = 0.0
    seat: Literal["face", "point"] = "face"
    polarity: Literal[1, -1] = 1
    noise_mm: float = 0.0
    zero_mm: float = 0.0
    asked: bool = False

    @property
    def mm_per_unit(self) -> float:
        """Millimetres in one unit of the display."""
        return MM_PER_INCH if self.unit == "in" else 1.0

    @property
    def step_mm(self) -> float:
        """Smallest step, mm."""
        return self.step * self.mm_per_unit

    @property
    def gain(self) -> float:
        """Plunger travel over the motion measured."""
        cosine = math.cos(math.radians(self.angle_deg))
        return 1.0 / cosine if self.seat == "face" else cosine

    def plunger_mm(self, pushed_mm: Floats) -> Floats:
        """Plunger position, held by its stops: 0 fully out, `travel_mm` bottomed."""
        return np.clip(pushed_mm, 0.0, self.travel_mm)

    def display(self, plunger_mm: Floats, noise: Floats) -> Floats:
        """Values shown, in `unit`; `noise` is standard normal."""
        position = self.polarity * np.asarray(plunger_mm) + self.noise_mm * noise + self.zero_mm
        return np.asarray(np.round(position / self.step_mm) * self.step)

    def display_one(self, pushed_mm: float, noise: float) -> float:
        """One value as `display` shows it, for a plunger pushed to `pushed_mm` (held by its stops)."""
        plunger = min(max(pushed_mm, 0.0), self.travel_mm)
        position = self.polarity * plunger + self.noise_mm * noise + self.zero_mm
        return round(position / self.step_mm) * self.step

    def lateness_s(self, count: int, rng: np.random.Generator) -> Floats:
        """Lateness of that many readings, never negative."""
        if self.jitter_s <= 0.0:
            return np.full(count, self.lag_s)
        if self.jitter_law == "uniform":
            jitter = rng.uniform(-self.jitter_s, self.jitter_s, count)
        elif self.jitter_law == "exponential":
            jitter = rng.exponential(self.jitter_s, count) - self.jitter_s
        elif self.jitter_law == "late_only":
            late = np.abs(rng.normal(0.0, self.jitter_s, count))
            jitter = late - self.jitter_s * math.sqrt(2.0 / math.pi)
        else:
            jitter = rng.normal(0.0, self.jitter_s, count)
        return np.maximum(self.lag_s + jitter, 0.0)


@dataclass(frozen=True, slots=True)
class Mounting:
    """A gauge set up on something.

    Attributes
    ----------
    touches : str
        ``piston_N`` or the name of a valve.
    pushed_in_mm : float
        How far the plunger is pushed in with the piston at its highest or the valve shut.
    opposed : bool
        Whether a rising target lets the plunger out (a gauge on a retainer: lift takes it away) instead of
        pushing it in (a piston coming up).
    """

    gauge: DialIndicator
    touches: str
    pushed_in_mm: float
    opposed: bool = False

    def pushed_mm(self, rise_mm: Floats) -> Floats:
        """Where the target would hold the plunger, mm pushed in, were there no stops."""
        sign = -1.0 if self.opposed else 1.0
        return np.asarray(self.pushed_in_mm + sign * self.gauge.gain * np.asarray(rise_mm))


@dataclass(frozen=True, slots=True)
class CrankReading:
    """One line of the counter: its count, index passes and own microseconds, and when it was due."""

    time_s: float
    count: int
    index_passes: int
    micros: int


@dataclass(frozen=True, slots=True)
class GaugeReading:
    """One reading of an indicator in its own unit, and when it was due."""

    time_s: float
    value: float


class EncoderDevice:
    """The live counter: ``update(time, crank)`` gives the readings due since the last call."""

    def __init__(self, encoder: Encoder, start_s: float = 0.0) -> None:
        self.encoder = encoder
        self.due_s = start_s
        self._last: tuple[float, float] | None = None
        self.count_shift = 0
        self._booted_s = start_s

    def update(self, time_s: float, crank_deg: float) -> list[CrankReading]:
        """Readings due up to `time_s`, the crank having moved evenly since the last call.

        The newest shows the crank at `time_s` itself: a counter is never later than its caller.
        """
        last_s, last_deg = self._last or (time_s, crank_deg)
        self._last = (time_s, crank_deg)
        moments, self.due_s = _moments_due(self.due_s, time_s, self.encoder.rate_hz)
        return [self._reading(at, _between(at, last_s, last_deg, time_s, crank_deg)) for at in moments]

    def _reading(self, time_s: float, crank_deg: float) -> CrankReading:
        angle = np.asarray(crank_deg)
        own_s = (time_s - self._booted_s) * (1.0 + 1e-6 * self.encoder.clock_ppm)
        count = int(self.encoder.counts(angle)) - self.count_shift
        passes = int(self.encoder.index_passes(angle))
        return CrankReading(time_s, count, passes, round(own_s * 1e6) % 2**32)

    def reboot(self, time_s: float, crank_deg: float) -> None:
        """Begin again: the count is 0 here and now, and so are the device's microseconds."""
        self.count_shift = int(self.encoder.counts(np.asarray(crank_deg)))
        self._booted_s = time_s

    @property
    def zero_deg(self) -> float:
        """Crank angle at which the count is 0 now."""
        shift_deg = self.count_shift * 360.0 / self.encoder.counts_per_turn
        return self.encoder.zero_deg + self.encoder.direction * shift_deg


class DialDevice:
    """The live indicator: ``update(time, pushed)`` remembers the plunger and gives the readings due.

    An indicator that answers only when asked gives none of itself: `ask` does.
    """

    def __init__(self, gauge: DialIndicator, rng: np.random.Generator, start_s: float = 0.0) -> None:
        self.gauge = gauge
        self.due_s = start_s
        self._rng = rng
        self._past_s: list[float] = []
        self._past_mm: list[float] = []

    def update(self, time_s: float, pushed_mm: float) -> list[GaugeReading]:
        """Readings due up to `time_s`; the newest arrives at `time_s` itself."""
        self.follow(time_s, pushed_mm)
        if self.gauge.asked:
            return []
        moments, self.due_s = _moments_due(self.due_s, time_s, self.gauge.rate_hz)
        return [self._reading(at) for at in moments]

    def follow(self, time_s: float, pushed_mm: float) -> None:
        """Remember how far the plunger was pushed at a time, no earlier than the last one."""
        self._past_s.append(time_s)
        self._past_mm.append(pushed_mm)
        if len(self._past_s) > _LONGEST_PAST:
            keep_s = self.gauge.lag_s + 20.0 * self.gauge.jitter_s + 0.5
            old = max(bisect_right(self._past_s, time_s - keep_s) - 1, 0)
            del self._past_s[:old], self._past_mm[:old]

    def ask(self, time_s: float) -> GaugeReading:
        """The answer of an indicator asked at `time_s`, ready at once."""
        return self._reading(time_s)

    def _reading(self, time_s: float) -> GaugeReading:
        seen_s = time_s - float(self.gauge.lateness_s(1, self._rng)[0])
        noise = self._rng.standard_normal() if self.gauge.noise_mm else 0.0
        return GaugeReading(time_s, self.gauge.display_one(self._pushed_at(seen_s), noise))

    def _pushed_at(self, seen_s: float) -> float:
        if not self._past_s:
            return 0.0
        later = min(bisect_right(self._past_s, seen_s), len(self._past_s) - 1)
        earlier = max(later - 1, 0)
        return _between(
            seen_s,
            self._past_s[earlier],
            self._past_mm[earlier],
            self._past_s[later],
            self._past_mm[later],
        )


_MADE_UP_FOR_S = 0.02


def _moments_due(due_s: float, now_s: float, rate_hz: float) -> tuple[list[float], float]:
    """Moments due up to now, the last one moved to now itself, and when the next is due.

    A device whose caller slept does not make up for it: a real one would have spoken in time, and what it says too
    late, all at once, would be a fault of this machine and not of the bench.
    """
    if due_s < now_s - _MADE_UP_FOR_S:
        due_s = now_s
    moments = []
    while due_s <= now_s:
        moments.append(due_s)
        due_s += 1.0 / rate_hz
    return [*moments[:-1], now_s] if moments else [], due_s


def _between(at_s: float, first_s: float, first: float, second_s: float, second: float) -> float:
    """Straight line between two points, held at its ends."""
    if second_s <= first_s:
        return second
    share = min(max((at_s - first_s) / (second_s - first_s), 0.0), 1.0)
    return first + share * (second - first)

"""Instruments as they are in shops: no faults to be refused, but what every interval has to hold.

Each is made from its mechanism: a plunger held by dry friction, a disc off its axis, a computer that is busy.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simulated_devices.traces import Fault, Plunger, Setup

Floats = NDArray[np.float64]
Rng = np.random.Generator


@dataclass
class StickingPlunger(Fault):
    """Friction lets the sensor rest until its target has gone `retrace_mm` back: a band that the target drags along."""

    retrace_mm: float
    name = "sticking_plunger"

    def on_plunger(self, shown: Plunger, rng: Rng) -> Floats:
        """Follow the target moment by moment."""
        order = np.argsort(shown.time_s, kind="stable")
        sensor = np.empty_like(shown.pushed_mm)
        half = 0.5 * self.retrace_mm
        rests = float(shown.pushed_mm[order[0]]) + half * rng.uniform(-1.0, 1.0)
        for row in order.tolist():
            target = float(shown.pushed_mm[row])
            if target - rests > half:
                rests = target - half
            elif rests - target > half:
                rests = target + half
            sensor[row] = rests
        return sensor


@dataclass
class PinionOffItsAxis(Fault):
    """The pinion that the rack turns runs out of true: the gauge is out by a sine along its travel."""

    error_mm: float
    each_mm: float
    at_mm: float = 0.0
    name = "pinion_off_its_axis"

    def on_plunger(self, shown: Plunger, rng: Rng) -> Floats:
        """Read the rack by a pinion whose radius is not one and the same."""
        turned = 2.0 * np.pi * (shown.pushed_mm - self.at_mm) / self.each_mm
        return np.asarray(shown.pushed_mm + self.error_mm * np.sin(turned))


@dataclass
class DiscOffItsAxis(Fault):
    """The disc's marks go round a point `off_mm` beside the axis, read by one head at `radius_mm`.

    `towards_deg` is the crank angle at which the marks' own centre lies towards the head.
    """

    off_mm: float
    radius_mm: float = 25.0
    towards_deg: float = 0.0
    name = "disc_off_its_axis"

    def on_crank(self, time_s: Floats, crank_deg: Floats, rng: Rng) -> Floats:
        """See the marks under the head from their own centre."""
        turned = np.radians(crank_deg - self.towards_deg)
        aside, ahead = self.off_mm * np.sin(turned), self.radius_mm - self.off_mm * np.cos(turned)
        return np.asarray(crank_deg + np.degrees(np.arctan2(aside, ahead)))

    @property
    def amplitude_deg(self) -> float:
        """Largest error."""
        return math.degrees(math.asin(self.off_mm / self.radius_mm))


@dataclass
class LooseCoupling(Fault):
    """Dogs with clearance between crank and encoder: its shaft is dragged along behind, and rests while they cross the gap.

    Turned forward it shows all of the play less than the crank has turned, turned back nothing.
    """

    play_deg: float
    name = "loose_coupling"

    def on_crank(self, time_s: Floats, crank_deg: Floats, rng: Rng) -> Floats:
        """Drag the shaft along, moment by moment."""
        seen = np.empty_like(crank_deg)
        rests = float(crank_deg[0]) - self.play_deg * rng.uniform(0.0, 1.0)
        for row, turned in enumerate(crank_deg.tolist()):
            rests = min(max(rests, turned - self.play_deg), turned)
            seen[row] = rests
        return seen


@dataclass
class AveragingGauge(Fault):
    """Shows the mean of where its plunger stood during the last `over_s`, as one does that calms its last digit."""

    over_s: float
    name = "averaging_gauge"
    _tick_s = 0.002

    def on_plunger(self, shown: Plunger, rng: Rng) -> Floats:
        """Average over the moments before each that is shown."""
        first_s, last_s = float(np.min(shown.time_s)) - self.over_s, float(np.max(shown.time_s))
        at_s = np.arange(first_s - self._tick_s, last_s + 2.0 * self._tick_s, self._tick_s)
        pushed = shown.pushed_at_mm(at_s, rng)
        so_far = np.concatenate(([0.0], np.cumsum(0.5 * (pushed[1:] + pushed[:-1]) * self._tick_s)))
        ends, begins = (np.interp(shown.time_s - back, at_s, so_far) for back in (0.0, self.over_s))
        return np.asarray((ends - begins) / self.over_s)


@dataclass
class MeasuresByItsTick(Fault):
    """Measures when its own clock ticks and answers with the newest, however old that is by then."""

    tick_s: float
    name = "measures_by_its_tick"

    def on_plunger(self, shown: Plunger, rng: Rng) -> Floats:
        """Go back to the last tick."""
        first_s = rng.uniform(0.0, self.tick_s)
        ticked_s = first_s + self.tick_s * np.floor((shown.time_s - first_s) / self.tick_s)
        return shown.pushed_at_mm(ticked_s, rng)


@dataclass
class BusyComputer(Fault):
    """Now and then the computer looks elsewhere for `stall_s`: what came meanwhile is stamped when it looks again.

    It looks away from encoder and gauge alike. `alone`: one line of one port only is stamped late, as by a thread that
    was put to sleep between reading it and looking at the clock; the others were read by their own times.
    """

    stall_s: float
    each_s: float = 5.0
    alone: bool = False
    name = "busy_computer"
    _at_s: tuple[float, ...] = field(default=(), init=False)

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Choose when it looks away."""
        self._at_s = self._moments_s(setup.start_s, setup.start_s + setup.motion.duration_s, rng)
        return setup

    def on_arrivals(self, time_s: Floats, rng: Rng) -> Floats:
        """Delay what arrives within a stall to its end."""
        arrived = time_s.copy()
        moments_s = self._moments_s(float(time_s[0]), float(time_s[-1]), rng) if self.alone else self._at_s
        for at_s in moments_s:
            held = np.flatnonzero((time_s >= at_s) & (time_s < at_s + self.stall_s))
            if len(held):
                rows = held[:1] if self.alone else held
                arrived[rows] = np.minimum(
                    at_s + self.stall_s, time_s[min(held[-1] + 1, len(time_s) - 1)] - 1e-5
                )
        return np.maximum.accumulate(arrived)

    def _moments_s(self, first_s: float, last_s: float, rng: Rng) -> tuple[float, ...]:
        moments, at_s = list[float](), first_s + rng.uniform(0.0, self.each_s)
        while at_s < last_s:
            moments.append(at_s)
            at_s += self.each_s * rng.uniform(0.5, 1.5)
        return tuple(moments)


@dataclass(frozen=True)
class OverloadedComputer(Fault):
    """A computer with more work than processors: each port's thread wakes when it is let, now and then all stop.

    A thread that wakes reads whatever has arrived, and stamps it back from then at the pace of the wire.

    Parameters
    ----------
    stalls : tuple of (float, float)
        When everything stopped and for how long, seconds; the same for all streams of a trace.
    often, late_s : float
        The share of wakings that come late, and by how much in the mean; twice as often after a stall.
    line_s : float
        What a line takes on the wire.
    """

    stalls: tuple[tuple[float, float], ...]
    often: float = 0.15
    late_s: float = 0.006
    line_s: float = 0.0006
    name = "overloaded_computer"

    def on_arrivals(self, time_s: Floats, rng: Rng) -> Floats:
        """Read the port as its thread would."""
        arrived, first, read_s = time_s.copy(), 0, -math.inf
        while first < len(time_s):
            wakes_s = self._wakes_s(max(float(time_s[first]), read_s), rng)
            behind = max(int(np.searchsorted(time_s, wakes_s, side="right")), first + 1)
            stamps = wakes_s - self.line_s * np.arange(behind - first)[::-1]
            arrived[first:behind] = np.maximum(stamps, read_s)
            first, read_s = behind, wakes_s
        return np.maximum.accumulate(arrived)

    def _wakes_s(self, due_s: float, rng: Rng) -> float:
        wakes_s = due_s + (rng.exponential(self.late_s) if rng.random() < self.often else 0.0)
        for begun_s, lasted_s in self.stalls:
            if begun_s <= wakes_s < begun_s + lasted_s:
                late_s = rng.exponential(self.late_s) if rng.random() < 2.0 * self.often else 0.0
                return begun_s + lasted_s + late_s
        return wakes_s


@dataclass(frozen=True)
class OneQueueOverloaded(Fault):
    """One reader for all ports, run late by a scheduler that has more to run than processors: all ports share its waits.

    It runs for a slice and is then kept off for another, drawn anew; heavy spells follow light ones. What arrived while
    it was off is read when it runs again, and stamped back from then at the pace of the wire.

    Parameters
    ----------
    seed : int
        Draws the waits, the same for all streams of a trace.
    runs_s, off_s : float
        Mean times for which it runs and is kept off in a heavy spell.
    heavy : float
        Share of spells, half a second each, that are heavy.
    line_s : float
        What a line takes on the wire.
    """

    seed: int
    runs_s: float = 0.03
    off_s: float = 0.012
    heavy: float = 0.5
    line_s: float = 0.0006
    name = "one_queue_overloaded"
    _SPELL_S = 0.5

    def on_arrivals(self, time_s: Floats, rng: Rng) -> Floats:
        """Read every line when the reader next runs."""
        begun_s, ended_s = self._kept_off(float(time_s[-1]) + 1.0)
        place = np.maximum(np.searchsorted(begun_s, time_s, side="right") - 1, 0)
        held = (time_s >= begun_s[place]) & (time_s < ended_s[place])
        read_s = np.where(held, ended_s[place], time_s)
        behind = np.searchsorted(read_s, read_s, side="right") - 1 - np.arange(len(time_s))
        stamps = np.where(held, np.maximum(read_s - self.line_s * behind, begun_s[place]), time_s)
        return np.maximum.accumulate(stamps)

    def _kept_off(self, until_s: float) -> tuple[Floats, Floats]:
        """When the program that reads is kept off the processor: in spells, and in these again and again."""
        rng = np.random.default_rng([self.seed, 4])
        begun, ended, at_s = [-2.0], [-2.0], -1.0
        while at_s < until_s:
            if rng.random() >= self.heavy:
                at_s += self._SPELL_S
                continue
            over_s = at_s + self._SPELL_S
            while at_s < over_s:
                at_s += rng.exponential(self.runs_s)
                begun.append(at_s)
                at_s += rng.exponential(self.off_s)
                ended.append(at_s)
        return np.array(begun), np.array(ended)


@dataclass(frozen=True)
class ReaderAway(Fault):
    """A reader that is away again and again, and then reads at one go what came meanwhile.

    It stamps the lines back from then at the pace of the wire, but none before it was away.

    Parameters
    ----------
    seed : int
        Draws when it is away, the same for all streams of a trace.
    each_s, away_s : float, (float, float)
        How often in the mean, and for how long.
    apart : bool
        Whether each port has a reader of its own, which is away by itself.
    line_s : float
        What a line takes on the wire.
    """

    seed: int
    each_s: float = 1.0
    away_s: tuple[float, float] = (0.04, 0.18)
    apart: bool = False
    line_s: float = 0.0006
    name = "reader_away"

    def on_arrivals(self, time_s: Floats, rng: Rng) -> Floats:
        """Read what came while it was away when it is back."""
        own, at_s = rng if self.apart else np.random.default_rng([self.seed, 5]), -2.0
        stamps_s = time_s.copy()
        while at_s < time_s[-1]:
            back_s = at_s + own.uniform(*self.away_s)
            held = np.flatnonzero((time_s >= at_s) & (time_s < back_s))
            stamps_s[held] = np.maximum(back_s - self.line_s * np.arange(held.size)[::-1], at_s)
            at_s = back_s + own.exponential(self.each_s)
        return np.maximum.accumulate(stamps_s)

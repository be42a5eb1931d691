"""Whole traces at once, without ports: what the bench would have sent, and what is true of it.

``record(setup, rng)`` turns a `Setup` (engine, course of the crank, instruments) into a `Trace` in a few
milliseconds. Faults (`simulated_devices.faults`) are stacked on top, each changing the setup, what the
plunger does, the counts or the readings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from simulated_devices.machine import DialIndicator, Encoder, Engine, LobeTruth, Motion, Mounting

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True)
class Setup:
    """Everything that makes a trace.

    Attributes
    ----------
    mountings : mapping of str to Mounting
        Gauges by name.
    start_s : float
        Time at the first knot of the motion on the trace's clock.
    arrival_spread_s : float
        Half width of what the line adds to every arrival, evenly spread; order is kept.
    drop_unchanged : bool
        Leave out counter lines that repeat the count before, as a frugal logger does.
    """

    engine: Engine
    motion: Motion
    encoder: Encoder
    mountings: Mapping[str, Mounting]
    start_s: float = 0.0
    arrival_spread_s: float = 0.0
    drop_unchanged: bool = False


class Fault:
    """A thing that goes wrong; override what it touches. Each hook is given the rng of the recording."""

    name = "fault"

    def on_setup(self, setup: Setup, rng: np.random.Generator) -> Setup:
        """Change engine, course, instruments or mountings before anything is recorded."""
        return setup

    def on_sprocket(self, course: Course, rng: np.random.Generator) -> Floats:
        """Change where a cam's sprocket stands over the whole course (`course.sprocket_deg`)."""
        return course.sprocket_deg

    def on_plunger(self, shown: Plunger, rng: np.random.Generator) -> Floats:
        """Change where a target holds the plunger (`shown.pushed_mm`) at the moments that readings show."""
        return shown.pushed_mm

    def on_crank(self, time_s: Floats, crank_deg: Floats, rng: np.random.Generator) -> Floats:
        """Change the angle that the encoder's shaft sees."""
        return crank_deg

    def on_counts(self, time_s: Floats, counts: Integers, rng: np.random.Generator) -> Integers:
        """Change the counts."""
        return counts

    def lost_lines(self, time_s: Floats, rng: np.random.Generator) -> NDArray[np.bool_]:
        """Which lines of the counter never arrive."""
        return np.zeros(time_s.shape, dtype=np.bool_)

    def on_arrivals(self, time_s: Floats, rng: np.random.Generator) -> Floats:
        """Change when lines arrive, on the trace's clock; asked for each stream; order is kept."""
        return time_s

    def on_readings(
        self, time_s: Floats, value_mm: Floats, gauge: Mounting, rng: np.random.Generator
    ) -> Floats:
        """Change the values shown; NaN takes a reading out."""
        return value_mm


@dataclass(frozen=True, slots=True)
class Course:
    """The whole course of one cam's sprocket: the motion's knots, and the valve that a gauge touches."""

    setup: Setup
    valve: str
    sprocket_deg: Floats

    @property
    def time_s(self) -> Floats:
        """Times of the knots."""
        return self.setup.motion.time_s

    @property
    def crank_deg(self) -> Floats:
        """Crank angle at the knots."""
        return self.setup.motion.crank_deg


@dataclass(frozen=True, slots=True)
class Plunger:
    """What a fault may want to know of a plunger: moments shown, crank and target then, position."""

    name: str
    mounting: Mounting
    setup: Setup
    time_s: Floats
    crank_deg: Floats
    rise_mm: Floats
    pushed_mm: Floats

    def pushed_at_mm(self, time_s: Floats, rng: np.random.Generator) -> Floats:
        """Where a target without faults holds the plunger at other moments, seconds from the first knot on."""
        at_s = time_s + self.setup.motion.time_s[0]
        _, rise_mm = _target_course(self.setup, self.mounting.touches, at_s, rng, ())
        return self.mounting.pushed_mm(rise_mm)


@dataclass(frozen=True, slots=True)
class GaugeTrace:
    """Readings of one gauge, mm, by arrival; and the gauge as it was set up."""

    time_s: Floats
    value_mm: Floats
    mounting: Mounting


@dataclass(frozen=True)
class Truth:
    """What is true of a trace, in the trace's own crank degrees.

    Attributes
    ----------
    zero_deg : float
        What the trace shows at crank angle 0 (overlap TDC of cylinder 1), unwrapped.
    """

    engine: Engine
    zero_deg: float

    @property
    def tdc_deg(self) -> float:
        """True TDC of cylinder 1 in 0 to 360."""
        return self.zero_deg % 360.0

    @property
    def overlap_tdc_deg(self) -> float:
        """Overlap TDC of cylinder 1 in 0 to 720."""
        return self.zero_deg % 720.0

    def lobe(self, valve: str, less_deg: float = 0.0) -> LobeTruth:
        """Truth of a valve in the trace's degrees less `less_deg` (give `overlap_tdc_deg` for ATDC)."""
        return self.engine.truth_of(valve, self.zero_deg - less_deg)


@dataclass(frozen=True)
class Trace:
    """A whole trace: arrays as they arrive, and the truth.

    `crank_deg` is unwrapped and stands for the middle of each count.
    """

    crank_time_s: Floats
    crank_deg: Floats
    gauges: Mapping[str, GaugeTrace]
    setup: Setup
    truth: Truth
    faults: tuple[str, ...] = field(default=())

    @cached_property
    def _first(self) -> GaugeTrace:
        return next(iter(self.gauges.values()))

    @property
    def gauge_time_s(self) -> Floats:
        """Arrival times of the first gauge."""
        return self._first.time_s

    @property
    def gauge_mm(self) -> Floats:
        """Readings of the first gauge, mm."""
        return self._first.value_mm

    @property
    def mounting(self) -> Mounting:
        """The first gauge as set up."""
        return self._first.mounting

    @property
    def touches(self) -> str:
        """What the first gauge touches."""
        return self._first.mounting.touches

    @property
    def lag_s(self) -> float:
        """True mean lag of the first gauge."""
        return self._first.mounting.gauge.lag_s

    @property
    def lobe(self) -> LobeTruth:
        """Truth of the valve under the first gauge, in the trace's crank degrees."""
        return self.truth.lobe(self.touches)

    def rows(self) -> list[tuple[float, str, float]]:
        """(time_s, channel, value) in order of arrival; a gauge's channel is ``NAME_mm`` or ``NAME_in``."""
        rows = [
            (float(t), "crank_deg", round(float(v), 6))
            for t, v in zip(self.crank_time_s, self.crank_deg, strict=True)
        ]
        for name, trace in self.gauges.items():
            gauge = trace.mounting.gauge
            channel = f"{name}_{'in' if gauge.unit == 'in' else 'mm'}"
            values = np.round(trace.value_mm / gauge.mm_per_unit, 7)
            rows += [(float(t), channel, float(v)) for t, v in zip(trace.time_s, values, strict=True)]
        return sorted(rows, key=lambda row: row[0])


def record(setup: Setup, rng: np.random.Generator, faults: Sequence[Fault] = ()) -> Trace:
    """Record a trace.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of all chance: jitter, noise, phases of the clocks, places of faults.
    faults : sequence of Fault
        Applied in order at each stage.
    """
    for fault in faults:
        setup = fault.on_setup(setup, rng)
    crank_time, crank_deg = _crank_trace(setup, rng, faults)
    gauges = {
        name: _gauge_trace(name, mounting, setup, rng, faults) for name, mounting in setup.mountings.items()
    }
    truth = Truth(setup.engine, -setup.encoder.zero_deg)
    return Trace(crank_time, crank_deg, gauges, setup, truth, tuple(fault.name for fault in faults))


def _ticks(rate_hz: float, duration_s: float, rng: np.random.Generator) -> Floats:
    """Moments at which a clock of its own ticks."""
    first = rng.uniform(0.0, 1.0 / rate_hz)
    return np.arange(first, duration_s, 1.0 / rate_hz)


def _asked(gauge: DialIndicator, duration_s: float, rng: np.random.Generator) -> Floats:
    """Moments at which a gauge is asked: about as often as its rate says, and never evenly."""
    most = int(2.0 * gauge.rate_hz * duration_s) + 2
    time_s = np.cumsum(rng.uniform(0.5, 1.5, most) / gauge.rate_hz)
    return np.asarray(time_s[time_s < duration_s])


def _arrivals(
    time_s: Floats, kept: NDArray[np.bool_], setup: Setup, rng: np.random.Generator, faults: Sequence[Fault]
) -> Floats:
    """Arrival stamps of the lines that are kept, on the trace's clock, in order."""
    spread = setup.arrival_spread_s
    late = rng.uniform(-spread, spread, time_s.size) if spread > 0.0 else 0.0
    arrived = np.maximum.accumulate(time_s + late)[kept] + setup.start_s
    for fault in faults:
        arrived = np.maximum.accumulate(fault.on_arrivals(arrived, rng))
    return arrived


def _crank_trace(setup: Setup, rng: np.random.Generator, faults: Sequence[Fault]) -> tuple[Floats, Floats]:
    """What the encoder says: each fault has its say at the crank, at the count and on the way."""
    motion, encoder = setup.motion, setup.encoder
    time = _ticks(encoder.rate_hz, motion.duration_s, rng)
    angle = motion.at(time + motion.time_s[0])
    for fault in faults:
        angle = fault.on_crank(time, angle, rng)
    counts = encoder.counts(angle)
    for fault in faults:
        counts = fault.on_counts(time, counts, rng)
    keep = np.ones(time.shape, dtype=np.bool_)
    if setup.drop_unchanged:
        keep[1:-1] = np.diff(counts)[:-1] != 0
    for fault in faults:
        keep &= ~fault.lost_lines(time, rng)
    return _arrivals(time, keep, setup, rng, faults), encoder.middle_deg(counts)[keep]


def _gauge_trace(
    name: str, mounting: Mounting, setup: Setup, rng: np.random.Generator, faults: Sequence[Fault]
) -> GaugeTrace:
    """What one gauge says: each fault has its say at the plunger, at the reading and on the way."""
    gauge, motion = mounting.gauge, setup.motion
    when = _asked(gauge, motion.duration_s, rng) if gauge.asked else None
    time = _ticks(gauge.rate_hz, motion.duration_s, rng) if when is None else when
    shown_s = time - gauge.lateness_s(time.size, rng)
    crank, rise = _target_course(setup, mounting.touches, shown_s + motion.time_s[0], rng, faults)
    pushed = mounting.pushed_mm(rise)
    for fault in faults:
        pushed = fault.on_plunger(Plunger(name, mounting, setup, shown_s, crank, rise, pushed), rng)
    value = gauge.display(gauge.plunger_mm(pushed), rng.standard_normal(time.size)) * gauge.mm_per_unit
    for fault in faults:
        value = fault.on_readings(time, value, mounting, rng)
    kept = np.isfinite(value)
    return GaugeTrace(_arrivals(time, kept, setup, rng, faults), value[kept], mounting)


def _target_course(
    setup: Setup, touches: str, at_s: Floats, rng: np.random.Generator, faults: Sequence[Fault]
) -> tuple[Floats, Floats]:
    """Crank angle and rise of the target at the given moments of the course."""
    motion, engine = setup.motion, setup.engine
    crank = motion.at(at_s)
    if touches not in engine.cam_of:
        return crank, engine.rise_mm(touches, crank)
    # The slack remembers: it has to be followed along the whole course, then read off.
    sprocket = engine.sprocket_deg(touches, motion.crank_deg)
    for fault in faults:
        sprocket = fault.on_sprocket(Course(setup, touches, sprocket), rng)
    return crank, engine.valve_lift_mm(touches, np.interp(at_s, motion.time_s, sprocket))

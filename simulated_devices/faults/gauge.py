"""Faults of the gauge, its stand and its mounting.

Sizes and places left `None` are drawn anew for every recording.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from simulated_devices.faults.places import AtAMoment, first_mounting, some_sign
from simulated_devices.machine import MM_PER_INCH, Mounting
from simulated_devices.traces import Fault, Plunger, Setup

Floats = NDArray[np.float64]
Rng = np.random.Generator


def _remount(setup: Setup, change: Callable[[Mounting], Mounting]) -> Setup:
    return replace(setup, mountings={name: change(mounting) for name, mounting in setup.mountings.items()})


def _reach_mm(setup: Setup) -> float:
    """How far the first gauge's plunger has to move: full lift, or the part of the stroke it follows."""
    mounting = first_mounting(setup)
    if mounting.touches in setup.engine.cam_of:
        return setup.engine.truth_of(mounting.touches).peak_lift_mm
    return min(mounting.pushed_in_mm, 10.0)


@dataclass
class PlungerBottoms(Fault):
    """The plunger meets its inner stop `short_mm` before the end of its way in: a flat with sharp corners."""

    short_mm: float | None = None
    name = "plunger_bottoms"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Set the gauge up too deep."""
        short = self.short_mm or _reach_mm(setup) * rng.uniform(0.05, 0.5)
        lift = 0.0 if first_mounting(setup).touches.startswith("piston_") else _reach_mm(setup)

        def deeper(mounting: Mounting) -> Mounting:
            """Set so deep that the plunger meets its stop before full lift."""
            way_in = 0.0 if mounting.opposed else lift * mounting.gauge.gain
            return replace(mounting, pushed_in_mm=mounting.gauge.travel_mm - way_in + short)

        return _remount(setup, deeper)


@dataclass
class PlungerLiftsOff(Fault):
    """The plunger comes fully out `short_mm` before the target stops going away from it."""

    short_mm: float | None = None
    name = "plunger_lifts_off"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Set the gauge up too far away; on a valve it stands over the retainer then."""
        short = self.short_mm or _reach_mm(setup) * rng.uniform(0.05, 0.5)

        def farther(mounting: Mounting) -> Mounting:
            """Set so far off that the plunger loses what it touches."""
            if mounting.touches.startswith("piston_"):
                return replace(mounting, pushed_in_mm=-short)
            way_out = _reach_mm(setup) * mounting.gauge.gain
            return replace(mounting, opposed=True, pushed_in_mm=way_out - short)

        return _remount(setup, farther)


@dataclass
class TooLittleTravel(Fault):
    """A gauge whose travel cannot hold the dwell: both ends of it are met, or only a hair is followed."""

    name = "too_little_travel"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Shorten the travel to a fraction of what has to be followed."""
        reach = _reach_mm(setup)

        def shorter(mounting: Mounting) -> Mounting:
            """A gauge with less travel than what it touches moves."""
            if mounting.touches.startswith("piston_"):
                # The plunger just touches at the top: a few hundredths are followed.
                return replace(mounting, pushed_in_mm=rng.uniform(0.01, 0.05))
            travel = reach * rng.uniform(0.3, 0.6)
            pushed = travel * rng.uniform(0.6, 0.9) if mounting.opposed else travel * rng.uniform(0.1, 0.4)
            return replace(mounting, pushed_in_mm=pushed, gauge=replace(mounting.gauge, travel_mm=travel))

        return _remount(setup, shorter)


@dataclass
class TiltedGauge(Fault):
    """A gauge not parallel to the stem: every lift off by one share."""

    angle_deg: float | None = None
    name = "tilted_gauge"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Tilt every gauge."""
        angle = self.angle_deg or rng.uniform(12.0, 25.0)
        return _remount(setup, lambda m: replace(m, gauge=replace(m.gauge, angle_deg=angle)))


@dataclass
class KnockedStand(AtAMoment):
    """The stand is knocked, or the tip slips: the plunger steps and stays there.

    With `still` the crank is held for a moment when it happens.
    """

    by_mm: float | None = None
    still: bool | None = None
    name = "knocked_stand"
    _by_mm: float = field(default=0.0, init=False)

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Choose the moment, and hold the crank if it has to be still."""
        setup = super().on_setup(setup, rng)
        steps = max(10.0 * first_mounting(setup).gauge.step_mm, 0.1)
        self._by_mm = self.by_mm or some_sign(rng) * rng.uniform(steps, max(0.6, 2.0 * steps))
        if self.still if self.still is not None else rng.random() < 0.5:
            setup = replace(setup, motion=setup.motion.with_pause(self._at_s, 2.0))
            self._at_s += 1.0
        return setup

    def on_plunger(self, shown: Plunger, rng: Rng) -> Floats:
        """Step."""
        return np.asarray(shown.pushed_mm + np.where(shown.time_s >= self._at_s, self._by_mm, 0.0))


@dataclass
class ZeroKey(AtAMoment):
    """Somebody presses the zero key in a pass."""

    name = "zero_key"

    def on_readings(self, time_s: Floats, value_mm: Floats, gauge: Mounting, rng: Rng) -> Floats:
        """Take off what was shown then."""
        later = time_s >= self._at_s
        if later.all() or not later.any():
            return value_mm
        return np.where(later, value_mm - value_mm[np.argmax(later)], value_mm)


@dataclass
class UnitKey(AtAMoment):
    """Somebody presses the unit key in a pass: what comes is taken for what came before."""

    name = "unit_key"

    def on_readings(self, time_s: Floats, value_mm: Floats, gauge: Mounting, rng: Rng) -> Floats:
        """Multiply or divide by 25.4 from then on."""
        factor = 1.0 / MM_PER_INCH if gauge.gauge.unit == "mm" else MM_PER_INCH
        return np.where(time_s >= self._at_s, value_mm * factor, value_mm)


@dataclass
class FrozenGauge(AtAMoment):
    """The gauge repeats one value, for good or for a while: stale, hung, or held by a key."""

    for_s: float | None = None
    name = "frozen_gauge"
    _for_s: float = field(default=0.0, init=False)

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Choose the moment and for how long."""
        setup = super().on_setup(setup, rng)
        self._for_s = self.for_s or float(rng.choice([rng.uniform(1.5, 6.0), np.inf]))
        return setup

    def on_readings(self, time_s: Floats, value_mm: Floats, gauge: Mounting, rng: Rng) -> Floats:
        """Repeat the value shown first."""
        held = (time_s >= self._at_s) & (time_s < self._at_s + self._for_s)
        return np.where(held, value_mm[np.argmax(held)], value_mm) if held.any() else value_mm


@dataclass
class DeadGauge(Fault):
    """One value all along: a gauge that was never awake, or a tip that touches nothing."""

    name = "dead_gauge"

    def on_readings(self, time_s: Floats, value_mm: Floats, gauge: Mounting, rng: Rng) -> Floats:
        """Repeat one value."""
        return np.full_like(value_mm, value_mm[0] if value_mm.size else 0.0)


@dataclass
class LostReadings(AtAMoment):
    """Readings of the gauge are missing over a stretch in the dwell: flat battery, loose plug."""

    for_s: float | None = None
    name = "lost_readings"

    def on_readings(self, time_s: Floats, value_mm: Floats, gauge: Mounting, rng: Rng) -> Floats:
        """Take the readings out."""
        length = self.for_s or rng.uniform(1.0, 5.0)
        return np.where((time_s >= self._at_s) & (time_s < self._at_s + length), np.nan, value_mm)


@dataclass
class WildReadings(Fault):
    """A few readings are far off, as when a line lost its first digit; `share` of all."""

    share: float = 0.005
    name = "wild_readings"

    def on_readings(self, time_s: Floats, value_mm: Floats, gauge: Mounting, rng: Rng) -> Floats:
        """Throw some off."""
        wild = rng.random(value_mm.size) < self.share
        thrown = np.where(
            rng.random(value_mm.size) < 0.5, np.fmod(value_mm, 10.0), value_mm + rng.normal(0.0, 3.0)
        )
        return np.where(wild, thrown, value_mm)

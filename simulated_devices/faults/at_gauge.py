"""A fault of one gauge, or of what it touches, on a bench with several."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulated_devices.machine import Mounting
from simulated_devices.traces import Course, Fault, Plunger, Setup

Floats = NDArray[np.float64]
Rng = np.random.Generator


@dataclass
class AtGauge(Fault):
    """Let a fault made for a bench with one gauge strike the gauge of that name; the others stay as they are.

    What the fault does to the crank, the encoder or the engine all gauges see.
    """

    gauge: str
    fault: Fault

    def __post_init__(self) -> None:
        self.name = f"{self.fault.name} at {self.gauge}"

    def _alone(self, setup: Setup) -> Setup:
        return replace(setup, mountings={self.gauge: setup.mountings[self.gauge]})

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Change what the fault changes, with all other gauges left standing."""
        changed = self.fault.on_setup(self._alone(setup), rng)
        mountings = {name: changed.mountings.get(name, other) for name, other in setup.mountings.items()}
        self._touches = mountings[self.gauge].touches
        return replace(changed, mountings=mountings)

    def on_sprocket(self, course: Course, rng: Rng) -> Floats:
        """Move the sprocket of the cam under the gauge."""
        if course.valve != self._touches:
            return course.sprocket_deg
        return self.fault.on_sprocket(replace(course, setup=self._alone(course.setup)), rng)

    def on_plunger(self, shown: Plunger, rng: Rng) -> Floats:
        """Move the plunger of that gauge."""
        if shown.name != self.gauge:
            return shown.pushed_mm
        return self.fault.on_plunger(replace(shown, setup=self._alone(shown.setup)), rng)

    def on_crank(self, time_s: Floats, crank_deg: Floats, rng: Rng) -> Floats:
        """Move the encoder's shaft, for all."""
        return self.fault.on_crank(time_s, crank_deg, rng)

    def on_counts(self, time_s: Floats, counts: NDArray[np.int64], rng: Rng) -> NDArray[np.int64]:
        """Change the counts, for all."""
        return self.fault.on_counts(time_s, counts, rng)

    def lost_lines(self, time_s: Floats, rng: Rng) -> NDArray[np.bool_]:
        """Lose lines of the counter, for all."""
        return self.fault.lost_lines(time_s, rng)

    def on_readings(self, time_s: Floats, value_mm: Floats, gauge: Mounting, rng: Rng) -> Floats:
        """Change the readings of that gauge."""
        if gauge.touches != self._touches:
            return value_mm
        return self.fault.on_readings(time_s, value_mm, gauge, rng)

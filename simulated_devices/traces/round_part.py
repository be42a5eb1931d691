"""A journal, flange or face that is turned under a gauge: out of round, off its axis, drifting, knocked."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulated_devices.machine import DialIndicator, Encoder, Motion, Mounting
from simulated_devices.traces.offline import Fault, Plunger, Setup, Trace, record
from simulated_devices.traces.random_benches import random_engine

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RoundPart:
    """A part's outline about its own middle, and where the axis runs that it is turned about.

    Attributes
    ----------
    radius_mm : float
    lobes : tuple of (int, float, float)
        How many times round, height in mm above the mean radius, and where on the part its top stands, degrees.
    off_axis_mm, off_towards_deg : float
        How far the part's middle lies off the axis, and towards which place of the part.
    drift_mm : float
        How far the stand gives over the whole trace.
    """

    radius_mm: float
    lobes: tuple[tuple[int, float, float], ...] = ()
    off_axis_mm: float = 0.0
    off_towards_deg: float = 0.0
    drift_mm: float = 0.0

    def outline_mm(self, place_deg: Floats) -> Floats:
        """Radius about the part's own middle at places round it."""
        waves = [high * np.cos(times * np.radians(place_deg - top)) for times, high, top in self.lobes]
        return np.asarray(self.radius_mm + sum(waves, np.zeros(np.shape(place_deg))))

    def under_gauge_mm(self, crank_deg: Floats) -> Floats:
        """Distance from the axis to the surface where the gauge stands.

        The gauge stands still and the part turns on beneath it: after 90 degrees the place that was 90 degrees
        ahead has come back under it. Told so that place p is under the gauge when the crank stands at p.
        """
        towards = np.radians(crank_deg)
        middle = self.off_axis_mm * np.exp(1j * np.radians(self.off_towards_deg))
        far = np.full(np.shape(crank_deg), self.radius_mm)
        for _ in range(30):
            surface = far * np.exp(1j * towards) - middle
            wanted = self.outline_mm(np.degrees(np.angle(surface)))
            far = far + (wanted - np.abs(surface))
        return np.asarray(far)


class _UnderGauge(Fault):
    """Puts the part where an engine's piston would be."""

    name = "round_part"

    def __init__(self, part: RoundPart, knocked_mm: float, knocked_at: float) -> None:
        self.part, self.knocked_mm, self.knocked_at = part, knocked_mm, knocked_at

    def on_plunger(self, shown: Plunger, rng: np.random.Generator) -> Floats:
        """Let the part's surface push the plunger."""
        whole = float(shown.time_s[-1] - shown.time_s[0])
        along = (shown.time_s - shown.time_s[0]) / whole
        rise = self.part.under_gauge_mm(shown.crank_deg) - self.part.radius_mm
        rest = shown.mounting.pushed_in_mm + self.part.drift_mm * along
        return np.asarray(rest + rise + self.knocked_mm * (along > self.knocked_at))


def record_round(
    part: RoundPart,
    motion: Motion,
    gauge: DialIndicator,
    encoder: Encoder,
    rng: np.random.Generator,
    *,
    knocked_mm: float = 0.0,
    knocked_at: float = 0.5,
) -> Trace:
    """Record a gauge on a part that is turned by the crank."""
    mounting = Mounting(replace(gauge), "piston_1", 3.0)
    setup = Setup(random_engine(rng), motion, encoder, {"dial": mounting})
    return record(setup, rng, [_UnderGauge(part, knocked_mm, knocked_at)])

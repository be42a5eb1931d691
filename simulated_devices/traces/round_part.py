"""A journal, flange or face that is turned under a gauge: out of round, off its axis, drifting, knocked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simulated_devices.machine import DialIndicator, Encoder, Motion, Mounting, RoundPart
from simulated_devices.traces.offline import Fault, Plunger, Setup, Trace, record
from simulated_devices.traces.random_benches import random_engine

Floats = NDArray[np.float64]


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

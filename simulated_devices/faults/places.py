"""Where on a trace a fault has to strike to matter."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simulated_devices.machine import Mounting
from simulated_devices.traces import Fault, Setup

Floats = NDArray[np.float64]


def first_mounting(setup: Setup) -> Mounting:
    """The first gauge of a setup."""
    return next(iter(setup.mountings.values()))


def share_of_dwell(setup: Setup) -> Floats:
    """How deep in its dwell the first gauge's target is at every knot of the course, 0 to 1."""
    touches = first_mounting(setup).touches
    rise = setup.engine.rise_mm(touches, setup.motion.crank_deg)
    if touches in setup.engine.cam_of:
        return np.asarray(rise / setup.engine.truth_of(touches).peak_lift_mm)
    return np.asarray(np.maximum(1.0 + rise / 12.0, 0.0))


def moment_in_dwell(setup: Setup, rng: np.random.Generator, least: float = 0.3) -> float:
    """A random moment of the course at which the target is that deep in its dwell, first and last left out.

    The first and last tenth of such moments are left out, so that there is something before and after.
    """
    share = share_of_dwell(setup)
    knots = np.flatnonzero((share >= least) & (share <= 1.0))
    if knots.size == 0:
        return float(setup.motion.time_s[0] + setup.motion.duration_s * rng.uniform(0.3, 0.7))
    # By time, not by knots: a pause is two knots.
    weight = np.gradient(setup.motion.time_s)[knots]
    reached = np.cumsum(weight) / weight.sum()
    at = int(np.searchsorted(reached, rng.uniform(0.1, 0.9)))
    return float(setup.motion.time_s[knots[min(at, knots.size - 1)]])


@dataclass
class AtAMoment(Fault):
    """A fault that strikes at one moment in the dwell, drawn anew for every recording."""

    _at_s: float = field(default=0.0, init=False)

    def on_setup(self, setup: Setup, rng: np.random.Generator) -> Setup:
        """Choose the moment."""
        self._at_s = moment_in_dwell(setup, rng)
        return setup


def some_sign(rng: np.random.Generator) -> float:
    """+1 or -1."""
    return 1.0 if rng.random() < 0.5 else -1.0

"""Traces of published lobes, sampled here: no formula of the simulated bench or of the analysis is used."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from analysis.base import Streams

TICK_S = 0.001
COUNT_DEG = 0.1
LINE_S = 0.005


@dataclass(frozen=True)
class Gauge:
    """A dial indicator on a bench: how finely, how often and how late it reads."""

    step_mm: float = 0.001
    interval_s: float = 0.05
    lag_s: float = 0.06
    jitter_s: float = 0.003


Lift = Callable[[np.ndarray], np.ndarray]


def sampled(
    lift_mm: Lift,
    seed: int,
    *,
    speeds_deg_s: tuple[float, ...] = (45.0, 22.0, 45.0, 22.0),
    gauge: Gauge | None = None,
) -> Streams:
    """Turn the crank forward two turns at each speed and read the lift of one valve.

    `lift_mm` takes crank degrees 0 to 720. The crank's degrees stand for the middle of a count; the gauge
    falls as the valve opens and shows a rest of 12.34 mm.
    """
    rng = np.random.default_rng([1804, seed])
    dial = gauge or Gauge()
    pace = np.concatenate([np.full(int(720.0 / speed / TICK_S), speed) for speed in speeds_deg_s])
    wander = 1.0 + 0.1 * np.sin(2 * np.pi * 0.37 * TICK_S * np.arange(len(pace)) + rng.uniform(0, 6))
    course = np.cumsum(pace * wander) * TICK_S
    tick_s = TICK_S * np.arange(len(course))
    line_s = np.arange(0.3, tick_s[-1], LINE_S)
    shown = (np.floor(np.interp(line_s, tick_s, course) / COUNT_DEG) + 0.5) * COUNT_DEG
    read_s = np.arange(0.3 + rng.uniform(0, dial.interval_s), tick_s[-1], dial.interval_s)
    late_s = dial.lag_s + dial.jitter_s * rng.uniform(-1.7, 1.7, len(read_s))
    plunger = 12.34 - lift_mm(np.interp(read_s - late_s, tick_s, course) % 720.0)
    return Streams(line_s, shown, read_s, np.round(plunger / dial.step_mm) * dial.step_mm)


@pytest.fixture(scope="session")
def sample_lobe() -> Callable[..., Streams]:
    """The maker of traces: ``sample_lobe(lift_mm, seed, speeds_deg_s=..., gauge=...)``."""
    return sampled

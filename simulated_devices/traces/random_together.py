"""Random benches with several gauges at once: one on the piston, one or two on valves, in the same turns.

``random_together(rng)`` gives a `TogetherBench`: the trace of all gauges, and what a builder would know of each
beforehand. Gauges of one kind answer equally late but for what one sample differs from the next.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from simulated_devices.machine import DialIndicator, Engine, Hand, Motion, Mounting
from simulated_devices.traces.offline import Fault, Setup, Trace, record
from simulated_devices.traces.random_benches import (
    random_encoder,
    random_engine,
    random_gauge,
    random_manner,
)

Rng = np.random.Generator

PATTERNS = ("two_turns", "turns", "turns_at_speeds", "turns_and_back")
UNLIKE_S = 0.001
"""How far the lags of two gauges of one kind differ, one standard deviation."""

_NEAR_NOSE_DEG = 180.0
_READINGS_NEAR_NOSE = 60.0


@dataclass(frozen=True, slots=True)
class KnownGauge:
    """What a builder knows of one gauge before he measures; `None` is unknown."""

    step_mm: float
    lag_s: float | None = None
    lag_u_s: float | None = None


@dataclass(frozen=True)
class TogetherBench:
    """One trace of several gauges.

    Attributes
    ----------
    gauges : mapping of str to KnownGauge
        By name: ``piston``, ``inlet``, ``exhaust``; each stands on cylinder 1.
    alike : bool
        Whether all gauges are of one kind.
    geometry : bool
        Whether stroke, rod and pin offset are known.
    pattern : str
        How the crank was turned.
    """

    trace: Trace
    gauges: Mapping[str, KnownGauge]
    alike: bool
    geometry: bool
    pattern: str

    def lobe_atdc_deg(self, name: str, drop_mm: float = 1.27) -> float:
        """True centre of a valve's lobe from overlap TDC, 0 to 720."""
        return self.trace.setup.engine.truth_of(f"{name}_1").centre_deg(drop_mm)


def random_together(
    rng: Rng,
    pattern: str | None = None,
    *,
    alike: bool | None = None,
    lag_told: bool | None = None,
    valves: Sequence[str] = ("inlet", "exhaust"),
    faults: Sequence[Fault] = (),
    engine: Engine | None = None,
    cylinder_of: Mapping[str, int] | None = None,
) -> TogetherBench:
    """A trace with gauges on piston and valves of one cylinder, logged in the same turns.

    `cylinder_of` puts a gauge on another cylinder than 1 of an `engine` that has it.
    """
    pattern = pattern or str(rng.choice(PATTERNS))
    alike = bool(rng.random() < 0.6) if alike is None else alike
    lag_told = bool(rng.random() < 0.4) if lag_told is None else lag_told
    engine = engine or random_engine(rng)
    cylinders = cylinder_of or {}
    gauges = _gauges(rng, ("piston", *valves), alike)
    slowest = min(gauges.values(), key=lambda gauge: gauge.rate_hz)
    mountings = {
        name: _mounted(rng, engine, f"{name}_{cylinders.get(name, 1)}", gauge)
        for name, gauge in gauges.items()
    }
    setup = Setup(
        engine,
        together_motion(rng, pattern, slowest),
        random_encoder(rng),
        mountings,
        rng.uniform(0.0, 1000.0),
    )
    trace = record(setup, rng, faults)
    known = _known(rng, gauges, alike) if lag_told else {n: KnownGauge(g.step_mm) for n, g in gauges.items()}
    return TogetherBench(trace, known, alike, bool(rng.random() < 0.5), pattern)


def together_motion(rng: Rng, pattern: str, gauge: DialIndicator) -> Motion:
    """A course of whole turns, often enough for a gauge of that rate, that begins and ends beyond a TDC."""
    manner = random_manner(rng)
    if pattern == "two_turns":
        manner = replace(manner, speed_deg_s=min(manner.speed_deg_s, 3.0 * gauge.rate_hz))
        return Hand(rng.uniform(-170.0, -60.0), manner, rng).turns(2.5).done()
    needed = _READINGS_NEAR_NOSE * manner.speed_deg_s / (_NEAR_NOSE_DEG * gauge.rate_hz)
    passes = int(np.clip(np.ceil(needed), 2, 25))
    hand = Hand(rng.uniform(-170.0, -60.0), manner, rng)
    spread = rng.uniform(0.5, 1.7, 3) if pattern == "turns_at_speeds" else np.ones(3)
    for number in range(passes):
        speed = float(np.clip(manner.speed_deg_s * spread[number % 3], 5.0, 90.0))
        hand.turns(2.0, speed).pause(rng.uniform(0.0, 0.4))
    hand.turns(0.5)
    if pattern == "turns_and_back":
        hand.pause(0.5).turns(-2.0)
    return hand.done()


def _gauges(rng: Rng, names: Sequence[str], alike: bool) -> dict[str, DialIndicator]:
    if not alike:
        return {name: random_gauge(rng) for name in names}
    kind = random_gauge(rng)
    return {
        name: replace(
            kind,
            lag_s=max(kind.lag_s + UNLIKE_S * float(rng.standard_normal()), 0.005),
            polarity=1 if rng.random() < 0.5 else -1,
            zero_mm=rng.uniform(-20.0, 20.0),
        )
        for name in names
    }


def _mounted(rng: Rng, engine: Engine, touches: str, gauge: DialIndicator) -> Mounting:
    if touches.startswith("piston"):
        tilt = float(rng.choice([0.0, rng.uniform(0.0, 25.0)]))
        gauge = replace(gauge, angle_deg=tilt, travel_mm=float(rng.choice([12.7, 25.0])))
        return Mounting(gauge, touches, gauge.travel_mm - rng.uniform(0.5, 3.0))
    lift_mm = engine.truth_of(touches).peak_lift_mm
    pushed_mm = rng.uniform(0.5, 24.0 - lift_mm)
    opposed = bool(rng.random() < 0.7)
    return Mounting(gauge, touches, lift_mm + pushed_mm if opposed else pushed_mm, opposed)


def _known(rng: Rng, gauges: Mapping[str, DialIndicator], alike: bool) -> dict[str, KnownGauge]:
    """Lags as found on an earlier occasion: one for all gauges of a kind, else one each."""
    u_s = rng.uniform(0.0005, 0.003)
    off_s = u_s * rng.standard_normal(len(gauges))
    of_kind_s = float(np.mean([gauge.lag_s for gauge in gauges.values()])) + float(off_s[0])
    return {
        name: KnownGauge(gauge.step_mm, of_kind_s if alike else gauge.lag_s + float(off), u_s)
        for (name, gauge), off in zip(gauges.items(), off_s, strict=True)
    }

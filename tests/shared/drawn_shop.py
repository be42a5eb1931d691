"""An engine and its instruments drawn at random, and one course of the crank over its true TDC and its lobes."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from simulated_devices.faults.as_they_are import MeasuresByItsTick
from simulated_devices.machine import Cam, DialIndicator, Encoder, Engine, Hand, Manner, Motion, Mounting
from simulated_devices.traces import Fault, Setup, Trace, random_encoder, random_gauge, record
from simulated_devices.traces.random_benches import random_crank, random_valve

Rng = np.random.Generator
LOBES, DROP_MM = 6, 1.27
SLOWEST_DEG_S, FASTEST_DEG_S = 30.0, 110.0
OWN_CLOCK_SHARE = 0.25


@dataclass
class Part:
    """One measurement: what the gauge is put on, how it is turned, what the instruments say, what is true."""

    touches: str
    pattern: str
    speed_deg_s: float
    trace: Trace
    truth_deg: float


@dataclass
class Shop:
    """An engine, its instruments, and one course of the crank from part to part."""

    seed: int
    rng: Rng = field(init=False)
    faults: tuple[Fault, ...] = ()
    tdc_told: bool = False

    def __post_init__(self) -> None:
        self.rng = rng = np.random.default_rng([2026, self.seed])
        self.engine = _engine(rng)
        self.encoder: Encoder = replace(random_encoder(rng), zero_deg=float(rng.uniform(0.0, 720.0)))
        self.gauge: DialIndicator = random_gauge(rng, (8.0, 30.0))
        if rng.random() < OWN_CLOCK_SHARE:
            self.gauge = replace(self.gauge, rate_hz=float(rng.choice([10.0, 20.0, 30.0])))
            self.faults = (MeasuresByItsTick(1.0 / rng.uniform(8.0, 12.0)),)
        self._stands_deg = float(rng.uniform(-170.0, -90.0))
        self._course, self._made = ("piston_1", *self.engine.cam_of), list[Part]()

    @property
    def parts(self) -> list[Part]:
        """The whole course: true TDC, then every lobe."""
        return self._made_until(len(self._course))

    def part(self, touches: str) -> Part:
        """One of it; those before it are made as well, as each draws on where the last one left off."""
        return self._made_until(self._course.index(touches) + 1)[-1]

    def _made_until(self, count: int) -> list[Part]:
        while len(self._made) < count:
            self._made.append(self._part(self._course[len(self._made)]))
        return self._made[:count]

    def _part(self, touches: str) -> Part:
        speed = float(self.rng.uniform(SLOWEST_DEG_S, FASTEST_DEG_S))
        hand = Hand(self._stands_deg, Manner(speed, self.rng.uniform(0.0, 0.3), 0.3), self.rng).pause(0.5)
        pattern = self._over_the_top(hand) if touches == "piston_1" else self._over_the_nose(hand, touches)
        motion = hand.pause(1.0).done()
        self._stands_deg = hand.angle_deg
        trace = self._recorded(touches, motion)
        zero_deg = trace.truth.tdc_deg
        truth_deg = zero_deg
        if touches != "piston_1":
            truth_deg = trace.lobe.centre_deg(DROP_MM) - trace.truth.overlap_tdc_deg
        return Part(touches, pattern, speed, trace, truth_deg)

    def _recorded(self, touches: str, motion: Motion) -> Trace:
        gauge = self.gauge
        if touches == "piston_1":
            mounting = Mounting(gauge, touches, gauge.travel_mm - self.rng.uniform(0.5, 3.0))
        else:
            lift_mm = self.engine.truth_of(touches).peak_lift_mm
            mounting = Mounting(gauge, touches, lift_mm + self.rng.uniform(0.5, 5.0), opposed=True)
        setup = Setup(self.engine, motion, self.encoder, {"dial_a": mounting})
        return record(setup, self.rng, self.faults)

    def _over_the_top(self, hand: Hand) -> str:
        # Forty readings within forty degrees of the top, and two passes at the least, as a builder is asked for.
        speed = hand.manner.speed_deg_s
        passes = int(np.clip(np.ceil(0.5 * speed / self.gauge.rate_hz), 2, 30))
        if self.rng.random() < 0.6:
            half = float(self.rng.uniform(40.0, 60.0))
            hand.rock(0.0, half, (passes + 2) // 2, (speed, float(self.rng.uniform(0.6, 1.4)) * speed))
            return "rocked"
        for number in range(passes):
            hand.turns(1.0, speed * (1.0, 0.7, 1.3)[number % 3])
        return "turns"

    def _over_the_nose(self, hand: Hand, valve: str) -> str:
        speed = hand.manner.speed_deg_s
        passes = int(np.clip(np.ceil(speed / (3.0 * self.gauge.rate_hz)), 2, 25))
        pattern = str(self.rng.choice(["turns", "turns_and_back", "rocked"], p=[0.6, 0.25, 0.15]))
        factors = (1.0, float(self.rng.uniform(0.7, 1.4)), float(self.rng.uniform(0.7, 1.4)))
        if pattern == "rocked":
            truth, half = self.engine.truth_of(valve), float(self.rng.uniform(65.0, 90.0))
            back_deg = truth.slack_deg + float(self.rng.uniform(8.0, 25.0))
            ahead_deg = (truth.full_lift_deg - half - back_deg - hand.angle_deg) % 720.0
            hand.by(ahead_deg, 110.0)
            for number in range(passes + 1):
                hand.by(2.0 * half + back_deg, speed * factors[number % 3]).by(-2.0 * half - back_deg)
            return pattern
        for number in range(passes):
            hand.turns(2.0, speed * factors[number % 3]).pause(float(self.rng.uniform(0.0, 0.4)))
        if pattern == "turns_and_back":
            hand.turns(-2.0, 100.0)
        return pattern

    def bench_text(self, folder: Path) -> str:
        gauge = self.gauge
        return (
            f'[crank]\nport = "{folder}/crank"\nframe = "count"\ncounts_per_turn = {self.encoder.counts_per_turn}\n'
            f'error_deg = 0.0\n\n[[gauge]]\nname = "dial_a"\nport = "{folder}/dial_a"\nframe = "decimal"\nbaud = 9600\n'
            f'unit = "{gauge.unit}"\nstep_mm = {gauge.step_mm:g}\nerror_mm = 0.0\nretrace_mm = 0.0\n'
        )


def _engine(rng: Rng) -> Engine:
    """One cylinder whose cams are all unlike: each lobe on a shaft of its own."""
    cams = {}
    for number in range(LOBES):
        kind = ("inlet", "exhaust")[number % 2]
        nose_deg = float(rng.uniform(98.0, 122.0))
        valve = random_valve(rng, nose_deg if kind == "inlet" else 720.0 - nose_deg)
        name = f"{kind}_{number // 2 + 1}"
        cams[name] = Cam({name: valve}, float(rng.uniform(0.3, 6.0)), float(rng.uniform(-8.0, 8.0)))
    return Engine(random_crank(rng), cams)

"""Random engines, hands and instruments over the ranges met in shops, each as a trace with its truth.

``random_tdc(rng)`` and ``random_lobe(rng)`` give a `Bench`: a setup, the trace of it, and what a builder
would know beforehand. Everything comes from the one generator, so a seed is a bench.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from simulated_devices.machine import (
    LAWS,
    ArcProfile,
    Cam,
    DialIndicator,
    Encoder,
    Engine,
    Hand,
    LawProfile,
    Lobe,
    Manner,
    Motion,
    Mounting,
    PolynomialProfile,
    Profile,
    Ramp,
    SliderCrank,
    TangentProfile,
    Valve,
)
from simulated_devices.traces.offline import Fault, Setup, Trace, record

Rng = np.random.Generator

TDC_PATTERNS = ("rocking", "turns", "back_and_forth", "steps", "rock_and_turns")
LOBE_PATTERNS = ("turns", "turns_and_back", "nose_rocked", "one_pass", "one_pass_and_back", "stepped_nose")
FAMILIES = (*LAWS, "mixed_law", "polynomial", "arc", "tangent", "flat_nose")


@dataclass(frozen=True, slots=True)
class Known:
    """What a builder knows before he measures; `None` is unknown."""

    stroke_mm: float | None = None
    rod_mm: float | None = None
    pin_offset_mm: float | None = None
    lag_s: float | None = None
    lag_u_s: float | None = None
    step_mm: float | None = None
    error_mm: float | None = None
    tdc_deg: float | None = None


@dataclass(frozen=True)
class Bench:
    """A trace, what made it, and what is known beforehand. `pattern` and `family` name what it is like."""

    trace: Trace
    known: Known
    pattern: str
    family: str = ""

    @property
    def setup(self) -> Setup:
        """The setup after the faults."""
        return self.trace.setup


def random_profile(rng: Rng, lift_mm: float, opening_deg: float, closing_deg: float, family: str) -> Profile:
    """A profile of a family (`FAMILIES`); angles are cam degrees from nose to foot."""
    if family in LAWS:
        return LawProfile(lift_mm, opening_deg, closing_deg, family, family)
    if family == "mixed_law":
        laws = list(LAWS)
        opening, closing = (laws[i] for i in rng.choice(len(laws), 2, replace=False))
        return LawProfile(lift_mm, opening_deg, closing_deg, opening, closing)
    if family == "flat_nose":
        law = str(rng.choice(list(LAWS)))
        return LawProfile(lift_mm, opening_deg, closing_deg, law, law, flat_deg=rng.uniform(0.5, 5.0))
    if family == "polynomial":
        return PolynomialProfile(lift_mm, opening_deg, closing_deg, rng.uniform(4.2, 6.5))
    if family == "arc":
        least = lift_mm / (1.0 - np.cos(np.radians(min(opening_deg, closing_deg))))
        return ArcProfile(lift_mm, opening_deg, closing_deg, least * rng.uniform(1.2, 2.2))
    base = max(rng.uniform(14.0, 18.0), 1.5 * lift_mm)
    return TangentProfile(lift_mm, opening_deg, closing_deg, base, rng.uniform(7.0, 14.0))


def random_valve(rng: Rng, nose_deg: float, family: str | None = None) -> Valve:
    """A valve with lift 5 to 14 mm, duration 240 to 310 crank degrees, unlike flanks, clearance to 0.5 mm."""
    family = family or str(rng.choice(FAMILIES))
    ratio = float(rng.choice([1.0, 1.0, rng.uniform(1.2, 1.7)]))
    clearance = float(rng.choice([0.0, rng.uniform(0.05, 0.5)]))
    ramp_mm = (clearance + rng.uniform(0.02, 0.1)) / ratio if clearance or rng.random() < 0.3 else 0.0
    lift = rng.uniform(5.0, 14.0)
    half = rng.uniform(240.0, 310.0) / 4.0
    # At most 30 crank degrees between the flanks, as 15 cam degrees.
    apart = rng.uniform(-15.0, 15.0) * (rng.random() < 0.7)
    profile = random_profile(rng, lift / ratio, half - apart / 2.0, half + apart / 2.0, family)
    opening, closing = (Ramp(length, length * rng.uniform(0.6, 0.9)) for length in rng.uniform(12.0, 24.0, 2))
    drift = rng.uniform(-0.004, 0.004) if ratio != 1.0 else 0.0
    return Valve(Lobe(profile, ramp_mm, opening, closing), nose_deg, clearance, ratio, drift)


def random_crank(rng: Rng) -> SliderCrank:
    """Stroke 60 to 100 mm, rod 1.5 to 2.1 strokes, pin offset up to 1.5 mm (often none)."""
    stroke = rng.uniform(60.0, 100.0)
    offset = float(rng.choice([0.0, rng.uniform(-1.5, 1.5)]))
    return SliderCrank(stroke, stroke * rng.uniform(1.5, 2.1), offset)


def random_engine(rng: Rng, family: str | None = None) -> Engine:
    """One cylinder with an inlet and an exhaust cam, each with slack 0.3 to 6 degrees."""
    inlet = random_valve(rng, rng.uniform(98.0, 122.0), family)
    exhaust = random_valve(rng, 720.0 - rng.uniform(98.0, 122.0), family)
    return Engine(
        random_crank(rng),
        {
            "inlet": Cam({"inlet_1": inlet}, rng.uniform(0.3, 6.0), rng.uniform(-8.0, 8.0)),
            "exhaust": Cam({"exhaust_1": exhaust}, rng.uniform(0.3, 6.0), rng.uniform(-8.0, 8.0)),
        },
    )


def random_encoder(rng: Rng) -> Encoder:
    """1,000 to 20,000 counts a turn, 100 to 500 lines a second, zero anywhere."""
    counts = int(rng.choice([1000, 1440, 2000, 2048, 2400, 3600, 4096, 8192, 10000, 20000]))
    return Encoder(counts, float(rng.choice([100.0, 200.0, 200.0, 500.0])), rng.uniform(-720.0, 720.0))


def random_gauge(rng: Rng, rates_hz: tuple[float, float] = (5.0, 50.0)) -> DialIndicator:
    """Lag 10 to 150 ms, jitter to 15 ms, steps of 0.001 and 0.01 mm and 0.0005 in, any polarity."""
    step, unit = [(0.01, "mm"), (0.01, "mm"), (0.001, "mm"), (0.0005, "in")][int(rng.integers(4))]
    lag = rng.uniform(0.010, 0.150)
    return DialIndicator(
        step=step,
        unit="in" if unit == "in" else "mm",
        rate_hz=float(np.exp(rng.uniform(*np.log(rates_hz)))),
        lag_s=lag,
        jitter_s=float(rng.choice([0.0, rng.uniform(0.0, min(0.015, lag / 3.0))])),
        jitter_law="uniform" if rng.random() < 0.4 else "normal",
        travel_mm=25.0,
        polarity=1 if rng.random() < 0.5 else -1,
        noise_mm=float(rng.choice([0.0, rng.uniform(0.0, 0.004)])),
        zero_mm=rng.uniform(-20.0, 20.0),
    )


def random_manner(rng: Rng) -> Manner:
    """5 to 90 deg/s, wandering by up to 35 %."""
    speed = float(np.exp(rng.uniform(*np.log((5.0, 90.0)))))
    return Manner(speed, float(rng.choice([0.0, rng.uniform(0.0, 0.35)])), rng.uniform(0.1, 0.5))


def piston_motion(rng: Rng, pattern: str, gauge: DialIndicator) -> Motion:
    """A course that passes TDC (0 and 360 crank degrees) often enough for a gauge of that rate."""
    # 40 readings or more within 40 degrees of the top, so that there is something to find.
    manner = random_manner(rng)
    passes = int(np.clip(np.ceil(40.0 * manner.speed_deg_s / (80.0 * gauge.rate_hz)), 2, 30))
    half = rng.uniform(30.0, 60.0)
    if pattern == "rocking":
        hand = Hand(rng.uniform(-70.0, -half), manner, rng)
        return hand.rock(0.0, half, (passes + 1) // 2, _speeds(rng, manner)).pause(0.5).done()
    if pattern == "back_and_forth":
        hand = Hand(-80.0, manner, rng)
        for _ in range((passes + 1) // 2):
            hand.to(440.0).pause(rng.uniform(0.0, 0.5)).to(-80.0)
        return hand.done()
    if pattern == "steps":
        hand = Hand(-half, Manner(max(manner.speed_deg_s, 15.0), 0.2, 0.15), rng)
        pause = max(0.5, 4.0 / gauge.rate_hz) + gauge.lag_s
        return hand.steps(half, rng.uniform(4.0, 9.0), pause).done()
    hand = Hand(rng.uniform(-170.0, -90.0), manner, rng)
    if pattern == "rock_and_turns":
        hand.rock(0.0, half, 1).to(-60.0)
    for number in range(passes):
        hand.turns(1.0, _speeds(rng, manner)[number % 3])
    return hand.done()


def _speeds(rng: Rng, manner: Manner) -> tuple[float, float, float]:
    """Three speeds round the manner's: equal in one case of three, else 0.5 to 1.7 of it, within 5 to 90."""
    spread = np.ones(3) if rng.random() < 1 / 3 else rng.uniform(0.5, 1.7, 3)
    first, second, third = np.clip(manner.speed_deg_s * spread, 5.0, 90.0)
    return float(first), float(second), float(third)


def random_tdc(rng: Rng, pattern: str | None = None, faults: Sequence[Fault] = ()) -> Bench:
    """A trace with the gauge on piston 1."""
    pattern = pattern or str(rng.choice(TDC_PATTERNS))
    engine, gauge = random_engine(rng), random_gauge(rng)
    tilt = float(rng.choice([0.0, rng.uniform(0.0, 25.0)]))
    gauge = replace(gauge, angle_deg=tilt, seat="face" if rng.random() < 0.5 else "point")
    gauge = replace(gauge, travel_mm=float(rng.choice([12.7, 25.0])))
    mounting = Mounting(gauge, "piston_1", gauge.travel_mm - rng.uniform(0.5, 3.0))
    motion = piston_motion(rng, pattern, gauge)
    setup = Setup(engine, motion, random_encoder(rng), {"plunger": mounting}, rng.uniform(0.0, 1000.0))
    return Bench(record(setup, rng, faults), _known(rng, engine, gauge), pattern)


def _known(rng: Rng, engine: Engine, gauge: DialIndicator, tdc_deg: float | None = None) -> Known:
    geometry, lag_told = rng.random() < 0.5, rng.random() < 0.5
    lag_u = rng.uniform(0.0005, 0.003)
    return Known(
        stroke_mm=engine.crank.stroke_mm if geometry else None,
        rod_mm=engine.crank.rod_mm if geometry else None,
        pin_offset_mm=engine.crank.pin_offset_mm if geometry else None,
        lag_s=gauge.lag_s + lag_u * float(rng.standard_normal()) if lag_told else None,
        lag_u_s=lag_u if lag_told else None,
        step_mm=gauge.step_mm,
        tdc_deg=tdc_deg,
    )


def lobe_motion(rng: Rng, pattern: str, nose_deg: float, slack_deg: float, gauge: DialIndicator) -> Motion:
    """A course over a lobe whose nose stands at `nose_deg`, often enough for a gauge of that rate."""
    manner = random_manner(rng)
    # 60 readings or more within 90 degrees of the nose over all forward passes.
    passes = int(np.clip(np.ceil(60.0 * manner.speed_deg_s / (180.0 * gauge.rate_hz)), 2, 25))
    back_off = slack_deg + rng.uniform(8.0, 25.0)
    if pattern == "nose_rocked":
        half = rng.uniform(60.0, 90.0)
        hand = Hand(nose_deg - half - back_off, manner, rng)
        for number in range(passes):
            hand.to(nose_deg + half, _speeds(rng, manner)[number % 3]).pause(rng.uniform(0.0, 0.5))
            hand.to(nose_deg - half - back_off, rng.uniform(20.0, 90.0))
        return hand.to(nose_deg + half).done()
    if pattern == "stepped_nose":
        half, pause = rng.uniform(50.0, 80.0), max(0.5, 4.0 / gauge.rate_hz) + gauge.lag_s
        hand = Hand(nose_deg - half - back_off, Manner(max(manner.speed_deg_s, 15.0), 0.2, 0.15), rng)
        return hand.to(nose_deg - half).steps(nose_deg + half, rng.uniform(4.0, 8.0), pause).done()
    hand = Hand(nose_deg - rng.uniform(200.0, 350.0), manner, rng)
    if pattern.startswith("one_pass"):
        hand = Hand(hand.angle_deg, _slow_enough(manner, gauge), rng).turns(2.0)
    else:
        for number in range(passes):
            hand.turns(2.0, _speeds(rng, manner)[number % 3]).pause(rng.uniform(0.0, 0.4))
    if pattern.endswith("back"):
        hand.pause(0.5).turns(-2.0)
    return hand.done()


def _slow_enough(manner: Manner, gauge: DialIndicator) -> Manner:
    return Manner(min(manner.speed_deg_s, 3.0 * gauge.rate_hz), manner.wander, manner.ease_s)


def random_lobe(rng: Rng, pattern: str | None = None, faults: Sequence[Fault] = ()) -> Bench:
    """A trace with the gauge on a valve of cylinder 1."""
    pattern = pattern or str(rng.choice(LOBE_PATTERNS))
    family = str(rng.choice(FAMILIES))
    engine, gauge = random_engine(rng, family), random_gauge(rng)
    valve = "inlet_1" if rng.random() < 0.5 else "exhaust_1"
    truth = engine.truth_of(valve)
    pushed = rng.uniform(0.5, 24.0 - truth.peak_lift_mm)
    opposed = rng.random() < 0.7
    mounting = Mounting(gauge, valve, truth.peak_lift_mm + pushed if opposed else pushed, opposed)
    motion = lobe_motion(rng, pattern, truth.full_lift_deg, truth.slack_deg, gauge)
    setup = Setup(engine, motion, random_encoder(rng), {"valve": mounting}, rng.uniform(0.0, 1000.0))
    trace = record(setup, rng, faults)
    return Bench(trace, _known(rng, engine, gauge, trace.truth.overlap_tdc_deg), pattern, family)

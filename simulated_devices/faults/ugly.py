"""Good benches that only look bad: what a person does, and lobes as they are ground, without any fault.

``ugly_tdc(rng)`` and ``ugly_lobe(rng)`` give a `Bench` with one or several of: a wandering speed, pauses
anywhere, small reversals, flanks as unlike as they come, a nose with a flat, a few wild readings, unchanged
counts left out, arrivals spread by the line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from simulated_devices.faults.gauge import WildReadings
from simulated_devices.faults.places import first_mounting, moment_in_dwell
from simulated_devices.machine import Engine, Hand, LawProfile, Manner
from simulated_devices.traces import Bench, Fault, Setup, random_lobe, random_tdc

Rng = np.random.Generator


@dataclass
class Pauses(Fault):
    """The hand rests anywhere in the dwell, several times, for up to four seconds."""

    name = "pauses"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Hold the crank still at a few moments."""
        for _ in range(int(rng.integers(1, 6))):
            at = moment_in_dwell(setup, rng, least=0.05)
            setup = replace(setup, motion=setup.motion.with_pause(at, rng.uniform(0.3, 4.0)))
        return setup


@dataclass
class SmallReversals(Fault):
    """The bar slips back by a degree or so when it changes hands, every 30 to 90 degrees, over two passes."""

    name = "small_reversals"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Turn four turns in that manner, faster the second time."""
        speed = float(np.clip(1.5 * first_mounting(setup).gauge.rate_hz, 6.0, 40.0))
        hand = Hand(setup.motion.crank_deg[0], Manner(speed, rng.uniform(0.0, 0.3)), rng)
        for factor in (1.0, rng.uniform(1.3, 2.0)):
            end = hand.angle_deg + 720.0
            hand.falter(end, rng.uniform(30.0, 90.0), rng.uniform(0.3, 2.0), speed * factor)
        return replace(setup, motion=hand.done())


@dataclass
class ClumsySpeed(Fault):
    """The hand's speed wanders by half of itself, over the same course."""

    name = "clumsy_speed"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Stretch and squeeze the time of the course smoothly."""
        time = setup.motion.time_s
        frequency, phase = rng.uniform(0.1, 1.0, 4), rng.uniform(0.0, 2.0 * np.pi, 4)
        waves = np.sin(2.0 * np.pi * np.outer(frequency, time) + phase[:, None]).sum(axis=0) / 4.0
        pace = np.exp(0.9 * waves)
        stretched = np.concatenate([[0.0], np.cumsum(np.diff(time) * 0.5 * (pace[1:] + pace[:-1]))])
        return replace(setup, motion=replace(setup.motion, time_s=stretched))


@dataclass
class UnlikeFlanks(Fault):
    """A lobe whose flanks differ by up to 30 crank degrees, with or without a flat on the nose.

    The course is kept: it was made for a nose in the same place.
    """

    name = "unlike_flanks"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Grind every lobe anew."""
        engine = setup.engine
        for valve in engine.cam_of:
            engine = _reground(engine, valve, rng)
        return replace(setup, engine=engine)


def _reground(engine: Engine, valve: str, rng: Rng) -> Engine:
    """Another lobe in the same place: flanks of unlike laws and widths, at times a flat nose."""
    lobe = engine.valve(valve).lobe
    half, apart = rng.uniform(60.0, 76.0), float(rng.choice([-1.0, 1.0])) * rng.uniform(8.0, 15.0)
    opening_law, closing_law = rng.choice(["cycloidal", "3-4-5", "modified_sine", "harmonic"], 2)
    flat = float(rng.choice([0.0, rng.uniform(1.0, 6.0)]))
    profile = LawProfile(
        lobe.profile.lift_mm,
        half - apart / 2.0,
        half + apart / 2.0,
        str(opening_law),
        str(closing_law),
        flat,
    )
    return engine.with_valve(valve, lobe=replace(lobe, profile=profile))


@dataclass
class RoughLine(Fault):
    """Arrivals spread by a few milliseconds, and unchanged counts left out."""

    name = "rough_line"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Roughen the line."""
        return replace(setup, arrival_spread_s=rng.uniform(0.0005, 0.004), drop_unchanged=True)


def blemishes(rng: Rng, on_lobe: bool) -> list[Fault]:
    """One to three blemishes, in the order in which they can be stacked."""
    choices: list[Fault] = [Pauses(), SmallReversals(), ClumsySpeed(), RoughLine(), WildReadings(0.004)]
    if on_lobe:
        choices.append(UnlikeFlanks())
    count = int(rng.integers(1, 4))
    chosen = sorted(rng.choice(len(choices), count, replace=False))
    # A lobe is ground before the hand turns; reversals make the course that the others then disturb.
    order = ("unlike_flanks", "small_reversals", "clumsy_speed", "pauses", "rough_line", "wild_readings")
    return sorted((choices[i] for i in chosen), key=lambda fault: order.index(fault.name))


def ugly_tdc(rng: Rng) -> Bench:
    """A good trace on the piston that looks bad."""
    chosen = blemishes(rng, on_lobe=False)
    return random_tdc(rng, faults=chosen)


def ugly_lobe(rng: Rng) -> Bench:
    """A good trace on a valve that looks bad."""
    chosen = blemishes(rng, on_lobe=True)
    return random_lobe(rng, str(rng.choice(["turns", "turns_and_back", "nose_rocked"])), faults=chosen)

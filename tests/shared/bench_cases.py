"""One trace of a simulated bench and what the bench states of its instruments: what families of traces are made of."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.base import (
    GaugeFacts,
    LobeResult,
    LobeSettings,
    Refusal,
    Streams,
    TdcResult,
    TdcSettings,
    changes,
)
from analysis.lobe import find_lobe
from analysis.tdc import find_tdc
from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, Mounting
from simulated_devices.traces import Fault, Setup, Trace, random_encoder, random_gauge, record
from simulated_devices.traces.random_benches import random_engine

DROP_MM = 1.27
Rng = np.random.Generator


def as_stored(said: Trace | Streams, until_s: float = np.inf) -> Streams:
    """What the program measures from: of lines that repeat a count the store keeps the first and the last."""
    crank, gauge = said.crank_time_s <= until_s, said.gauge_time_s <= until_s
    crank_s, crank_deg = said.crank_time_s[crank], said.crank_deg[crank]
    kept = changes(crank_deg)
    return Streams(crank_s[kept], crank_deg[kept], said.gauge_time_s[gauge], said.gauge_mm[gauge])


@dataclass(frozen=True)
class Case:
    """A trace and what the bench states of its instruments; `zero_deg` is what the encoder shows at true TDC."""

    trace: Trace
    facts: GaugeFacts
    encoder_error_deg: float = 0.0
    zero_deg: float = 0.0
    piston: bool = False
    engine: TdcSettings = field(default_factory=TdcSettings)
    encoder_told: bool = True
    zero_u_deg: float = 0.0

    @property
    def asked(self) -> TdcSettings | LobeSettings:
        """What is asked of the analysis."""
        if self.piston:
            return replace(self.engine, encoder_error_deg=self.encoder_error_deg)
        return LobeSettings(
            tdc_deg=self.zero_deg,
            tdc_u_deg=self.zero_u_deg,
            drop_mm=DROP_MM,
            encoder_error_deg=self.encoder_error_deg,
            encoder_supposed=not self.encoder_told,
        )

    def error_deg(self, told: TdcResult | LobeResult) -> float:
        """By how much a centre is off."""
        if isinstance(told, TdcResult):
            return (told.centre_deg - self.trace.truth.tdc_deg - self.zero_deg + 180.0) % 360.0 - 180.0
        return (told.centre_deg - self.trace.lobe.centre_deg(DROP_MM) + 360.0) % 720.0 - 360.0

    def measured(self) -> tuple[float, float, bool]:
        """Error and interval of the centre, degrees, and whether it was said that the encoder could do more."""
        told = self.found(as_stored(self.trace))
        warned = any(warning.code == "encoder_not_stated" for warning in told.warnings)
        return self.error_deg(told), told.u95_deg, warned

    def found(self, streams: Streams) -> TdcResult | LobeResult:
        asked = self.asked
        if isinstance(asked, TdcSettings):
            return find_tdc(streams, asked, self.facts)
        return find_lobe(streams, asked, self.facts)


def ordinary_gauge(rng: Rng) -> DialIndicator:
    """What stands in shops: 0.01 or 0.001 mm, 8 to 20 readings a second, late by 20 to 120 ms, give or take 1 to 5."""
    gauge = random_gauge(rng, (8.0, 20.0))
    return replace(gauge, jitter_s=rng.uniform(0.001, 0.005), jitter_law="normal")


def lobe_trace(
    rng: Rng,
    gauge: DialIndicator,
    *faults: Fault,
    speeds: tuple[float, ...] = (),
    encoder: Encoder | None = None,
) -> Trace:
    """Whole turns over an inlet lobe, two at 15 to 60 deg/s unless speeds are given; any encoder unless one is given."""
    engine = random_engine(rng)
    truth = engine.truth_of("inlet_1")
    speed = rng.uniform(15.0, 60.0)
    hand = Hand(truth.full_lift_deg - rng.uniform(200.0, 330.0), Manner(speed, rng.uniform(0.0, 0.2)), rng)
    for each in speeds or (speed, speed * rng.uniform(0.7, 1.5)):
        hand.turns(2.0, each).pause(0.3)
    mounting = Mounting(gauge, "inlet_1", truth.peak_lift_mm + 2.0, opposed=True)
    encoder = encoder or replace(random_encoder(rng), zero_deg=0.0)
    return record(Setup(engine, hand.done(), encoder, {"valve": mounting}), rng, faults)


def tdc_trace(
    rng: Rng,
    gauge: DialIndicator,
    *faults: Fault,
    speeds: tuple[float, ...] = (),
    rocks: int = 3,
    fastest: float = 40.0,
) -> Trace:
    """Rocked over the top three times and on both sides, or turned over it at given speeds."""
    engine, speed = random_engine(rng), rng.uniform(0.3 * fastest, fastest)
    hand = Hand(-70.0, Manner(speed, rng.uniform(0.0, 0.2)), rng)
    for each in speeds:
        hand.turns(1.0, each)
    if not speeds:
        hand.rock(0.0, rng.uniform(40.0, 55.0), rocks)
    encoder = replace(random_encoder(rng), zero_deg=0.0)
    mounting = Mounting(gauge, "piston_1", gauge.travel_mm - 2.0)
    return record(Setup(engine, hand.done(), encoder, {"plug": mounting}), rng, faults)


def known_lag(rng: Rng, gauge: DialIndicator, u_s: float = 0.001, **more: float) -> GaugeFacts:
    """The gauge as TDC found it."""
    return GaugeFacts(gauge.lag_s + u_s * rng.standard_normal(), u_s, gauge.step_mm, **more)


def found_by_tdc(rng: Rng, gauge: DialIndicator, *faults: Fault) -> GaugeFacts:
    """The gauge as a TDC measured before on the same computer found it; refused, it is turned again, five times at most."""
    for _ in range(4):
        with contextlib.suppress(Refusal):
            return _as_one_tdc_found(rng, gauge, faults)
    return _as_one_tdc_found(rng, gauge, faults)


def _as_one_tdc_found(rng: Rng, gauge: DialIndicator, faults: tuple[Fault, ...]) -> GaugeFacts:
    top = tdc_trace(rng, gauge, *faults)
    streams = as_stored(top)
    found = find_tdc(streams, TdcSettings(), GaugeFacts(step_mm=gauge.step_mm))
    return GaugeFacts(found.lag_s, found.lag_u_s, gauge.step_mm, jitter_s=found.jitter_s, tick_s=found.tick_s)

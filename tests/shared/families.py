"""Families of traces of instruments as they are in shops, and what the bench states of them; for benchmarks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Literal

import numpy as np
from bench_cases import Case, Rng, as_stored, found_by_tdc, known_lag, lobe_trace, ordinary_gauge, tdc_trace

from analysis.base import GaugeFacts, TdcSettings
from analysis.base.limits import USUAL_ENCODER_ERROR_DEG, USUAL_GAUGE_ERROR_MM, USUAL_RETRACE_MM
from analysis.tdc import find_tdc
from simulated_devices.faults.as_they_are import (
    AveragingGauge,
    BusyComputer,
    DiscOffItsAxis,
    LooseCoupling,
    MeasuresByItsTick,
    OneQueueOverloaded,
    OverloadedComputer,
    PinionOffItsAxis,
    ReaderAway,
    StickingPlunger,
)
from simulated_devices.machine import Encoder
from simulated_devices.traces import Fault, random_lobe, random_tdc

DEFAULTS = {"error_mm": USUAL_GAUGE_ERROR_MM, "retrace_mm": USUAL_RETRACE_MM}


def ideal_lobe(rng: Rng) -> Case:
    bench = random_lobe(rng)
    known = bench.known
    return Case(bench.trace, GaugeFacts(known.lag_s, known.lag_u_s, known.step_mm, 0.0, 0.0))


def ideal_tdc(rng: Rng) -> Case:
    bench = random_tdc(rng)
    known = bench.known
    facts = GaugeFacts(known.lag_s, known.lag_u_s, known.step_mm, 0.0, 0.0)
    engine = TdcSettings(known.stroke_mm, known.rod_mm, known.pin_offset_mm)
    return Case(bench.trace, facts, piston=True, engine=engine)


def quick(rng: Rng) -> Case:
    gauge = replace(ordinary_gauge(rng), rate_hz=rng.uniform(8.0, 10.0))
    return Case(
        lobe_trace(rng, gauge, speeds=(rng.uniform(60.0, 130.0),)),
        known_lag(rng, gauge, error_mm=0.0, retrace_mm=0.0),
    )


def quick_jitter_known(rng: Rng) -> Case:
    gauge = replace(ordinary_gauge(rng), rate_hz=rng.uniform(8.0, 10.0))
    known = gauge.jitter_s * rng.uniform(0.75, 1.25)
    return Case(
        lobe_trace(rng, gauge, speeds=(rng.uniform(60.0, 130.0),)), known_lag(rng, gauge, jitter_s=known)
    )


def sticking(rng: Rng, piston: bool, told: bool) -> Case:
    gauge, limit = ordinary_gauge(rng), 0.02
    stuck = StickingPlunger(rng.uniform(0.0, limit))
    trace = (tdc_trace if piston else lobe_trace)(rng, gauge, stuck)
    stated = {"error_mm": 0.0, "retrace_mm": limit} if told else DEFAULTS
    facts = GaugeFacts(step_mm=gauge.step_mm, **stated) if piston else known_lag(rng, gauge, **stated)
    return Case(trace, facts, 0.0 if told else USUAL_ENCODER_ERROR_DEG, piston=piston)


def sticking_found(rng: Rng) -> Case:
    """Retrace and lag of the gauge found from the rock over TDC, then taken out of a lobe."""
    gauge, stuck = ordinary_gauge(rng), StickingPlunger(rng.uniform(0.0, 0.02))
    rocked = tdc_trace(rng, gauge, stuck)
    streams = as_stored(rocked)
    top = find_tdc(streams, TdcSettings(), GaugeFacts(step_mm=gauge.step_mm, retrace_mm=0.02))
    facts = GaugeFacts(
        top.lag_s,
        top.lag_u_s,
        gauge.step_mm,
        found_retrace_mm=top.retrace_mm,
        found_retrace_u_mm=top.retrace_u_mm,
        jitter_s=top.jitter_s,
    )
    return Case(lobe_trace(rng, gauge, stuck), facts)


def along_the_travel(rng: Rng, piston: bool) -> Case:
    gauge = ordinary_gauge(rng)
    pinion = PinionOffItsAxis(rng.uniform(0.0, 0.01), rng.uniform(2.0, 20.0), rng.uniform(0.0, 20.0))
    trace = (tdc_trace if piston else lobe_trace)(rng, gauge, pinion)
    stated = {"error_mm": 0.01, "retrace_mm": 0.0}
    facts = GaugeFacts(step_mm=gauge.step_mm, **stated) if piston else known_lag(rng, gauge, **stated)
    return Case(trace, facts, piston=piston)


def averaging(rng: Rng, piston: bool) -> Case:
    gauge, fault = ordinary_gauge(rng), AveragingGauge(rng.uniform(0.03, 0.2))
    if piston:
        return Case(tdc_trace(rng, gauge, fault), GaugeFacts(step_mm=gauge.step_mm), piston=True)
    return Case(lobe_trace(rng, gauge, fault), found_by_tdc(rng, gauge, fault))


def asked(rng: Rng, piston: bool) -> Case:
    """A gauge that measures ten or twenty times a second by itself, and is asked ten times."""
    gauge = replace(ordinary_gauge(rng), rate_hz=10.0, jitter_s=0.001, asked=True)
    fault = MeasuresByItsTick(rng.choice([0.05, 0.1]) * rng.uniform(0.999, 1.001))
    if piston:
        return Case(tdc_trace(rng, gauge, fault), GaugeFacts(step_mm=gauge.step_mm), piston=True)
    return Case(lobe_trace(rng, gauge, fault), found_by_tdc(rng, gauge, fault))


def held(rng: Rng, piston: bool) -> Case:
    """A gauge that measures 8 to 12 times a second, and says the newest 10, 20 or 30 times."""
    gauge = replace(ordinary_gauge(rng), rate_hz=float(rng.choice([10.0, 20.0, 30.0])))
    fault = MeasuresByItsTick(1.0 / rng.uniform(8.0, 12.0))
    if piston:
        return Case(tdc_trace(rng, gauge, fault), GaugeFacts(step_mm=gauge.step_mm), piston=True)
    return Case(lobe_trace(rng, gauge, fault), found_by_tdc(rng, gauge, fault))


def held_quick(rng: Rng, known: Literal["clock", "unevenness", "nothing"]) -> Case:
    """The same turned over a lobe twice at 30 to 110 deg/s; what is known of the gauge."""
    gauge, tick_s = (
        replace(ordinary_gauge(rng), rate_hz=float(rng.choice([10.0, 20.0, 30.0]))),
        1.0 / rng.uniform(8.0, 12.0),
    )
    speed = rng.uniform(30.0, 110.0)
    trace = lobe_trace(rng, gauge, MeasuresByItsTick(tick_s), speeds=(speed, speed * rng.uniform(0.7, 1.4)))
    if known == "nothing":
        return Case(trace, GaugeFacts(step_mm=gauge.step_mm, error_mm=0.0, retrace_mm=0.0))
    late = replace(gauge, lag_s=gauge.lag_s + 0.5 * tick_s)
    facts = known_lag(rng, late, error_mm=0.0, retrace_mm=0.0, jitter_s=tick_s / 12.0**0.5)
    return Case(trace, replace(facts, tick_s=tick_s) if known == "clock" else facts)


def loose(rng: Rng, piston: bool, at_limit: bool = False) -> Case:
    """A coupling with up to 0.3 degrees of play, the encoder's error stated as 0.1: TDC, or a lobe and the TDC before it.

    The disc runs true, or (of a lobe) out by all that is stated.
    """
    gauge, limit_deg = ordinary_gauge(rng), USUAL_ENCODER_ERROR_DEG
    coupling = LooseCoupling(rng.uniform(0.0, 0.3))
    faults: list[Fault] = [coupling]
    if at_limit:
        faults.append(DiscOffItsAxis(25.0 * np.radians(limit_deg), 25.0, rng.uniform(0.0, 360.0)))
    top, facts = tdc_trace(rng, gauge, *faults), GaugeFacts(step_mm=gauge.step_mm)
    if piston:
        return Case(top, facts, limit_deg, -coupling.play_deg, piston=True)
    streams = as_stored(top)
    found = find_tdc(streams, TdcSettings(encoder_error_deg=limit_deg), facts)
    facts = GaugeFacts(found.lag_s, found.lag_u_s, gauge.step_mm, jitter_s=found.jitter_s)
    zero_deg = (found.centre_deg + 180.0) % 360.0 - 180.0
    return Case(lobe_trace(rng, gauge, *faults), facts, limit_deg, zero_deg, zero_u_deg=0.5 * found.u95_deg)


def off_axis(rng: Rng, piston: bool, told: bool) -> Case:
    gauge, radius_mm, limit_deg = ordinary_gauge(rng), 25.0, 0.3
    off_mm = radius_mm * np.radians(rng.uniform(0.0, limit_deg))
    disc = DiscOffItsAxis(off_mm, radius_mm, rng.uniform(0.0, 360.0))
    trace = (tdc_trace if piston else lobe_trace)(rng, gauge, disc)
    zero = float(disc.on_crank(np.zeros(1), np.zeros(1), rng)[0])
    stated = {"error_mm": 0.0, "retrace_mm": 0.0} if told else DEFAULTS
    facts = GaugeFacts(step_mm=gauge.step_mm, **stated) if piston else known_lag(rng, gauge, **stated)
    stated_deg = limit_deg if told else USUAL_ENCODER_ERROR_DEG
    return Case(trace, facts, stated_deg, zero, piston, encoder_told=told)


def known_engine(rng: Rng, rod_out_mm: float) -> Case:
    gauge = ordinary_gauge(rng)
    trace = tdc_trace(rng, gauge)
    crank = trace.setup.engine.crank
    rod_mm = crank.rod_mm + rod_out_mm * rng.choice([-1.0, 1.0])
    engine = TdcSettings(crank.stroke_mm, rod_mm, crank.pin_offset_mm)
    return Case(trace, GaugeFacts(step_mm=gauge.step_mm), piston=True, engine=engine)


def hiccups(rng: Rng, piston: bool) -> Case:
    gauge = ordinary_gauge(rng)
    stall_s = float(np.exp(rng.uniform(*np.log((0.005, 0.2)))))
    busy = BusyComputer(stall_s, rng.uniform(2.0, 10.0), bool(rng.random() < 0.5))
    if piston:
        return Case(tdc_trace(rng, gauge, busy), GaugeFacts(step_mm=gauge.step_mm), piston=True)
    speed = rng.uniform(20.0, 110.0)
    return Case(lobe_trace(rng, gauge, busy, speeds=(speed, 0.8 * speed)), known_lag(rng, gauge))


def overloaded(rng: Rng, piston: bool) -> Case:
    gauge, at_s, stalls = ordinary_gauge(rng), 0.0, list[tuple[float, float]]()
    while at_s < 120.0:
        at_s += rng.uniform(1.0, 3.0)
        stalls.append((at_s, rng.uniform(0.05, 0.25)))
        at_s += stalls[-1][1]
    fault = OverloadedComputer(tuple(stalls))
    if piston:
        return Case(tdc_trace(rng, gauge, fault), GaugeFacts(step_mm=gauge.step_mm), piston=True)
    speed = rng.uniform(20.0, 110.0)
    return Case(lobe_trace(rng, gauge, fault, speeds=(speed, 0.8 * speed)), found_by_tdc(rng, gauge, fault))


def one_queue(rng: Rng, piston: bool, known: bool = False) -> Case:
    """Both ports read by one process that is run late, the gauge (and the engine) known from quiet, or not.

    As short as a builder in a hurry makes it: two rocks, or two turns over a lobe.
    """
    gauge, facts, asked = ordinary_gauge(rng), GaugeFacts(), TdcSettings()
    fault = OneQueueOverloaded(int(rng.integers(1 << 30)), off_s=rng.uniform(0.004, 0.02))
    if known or not piston:
        facts = found_by_tdc(rng, gauge)
    if not piston:
        return Case(lobe_trace(rng, gauge, fault, speeds=(rng.uniform(20.0, 110.0),) * 2), facts)
    trace = tdc_trace(rng, gauge, fault, rocks=2, fastest=90.0)
    if known:
        crank = trace.setup.engine.crank
        asked = TdcSettings(crank.stroke_mm, crank.rod_mm, crank.pin_offset_mm)
    return Case(trace, facts, piston=True, engine=asked)


def once(rng: Rng, apart: bool, keeps_step: bool = False) -> Case:
    """One quick pass, read by a computer that is away for 40 to 180 ms several times in it, and late by little in between.

    `keeps_step`: the encoder's lines tell of a count or two each, hardly ever of none.
    """
    gauge, speed = ordinary_gauge(rng), rng.uniform(60.0, 130.0)
    facts = found_by_tdc(rng, gauge)
    away = ReaderAway(int(rng.integers(1 << 30)), rng.uniform(0.5, 2.0), apart=apart)
    often = rng.uniform(0.0, 0.3)
    encoder = None
    if keeps_step:
        rate_hz = float(rng.choice([100.0, 200.0, 500.0]))
        encoder = Encoder(round(rng.uniform(1.02, 1.5) * rate_hz * 360.0 / speed), rate_hz)
    late = OverloadedComputer((), often)
    return Case(lobe_trace(rng, gauge, late, away, speeds=(speed,), encoder=encoder), facts)


def late_only(rng: Rng, piston: bool) -> Case:
    gauge = replace(ordinary_gauge(rng), lag_s=0.06, jitter_s=0.008, jitter_law="late_only")
    if piston:
        speeds = tuple(rng.uniform(25.0, 100.0, 8))
        facts = GaugeFacts(step_mm=gauge.step_mm)
        return Case(tdc_trace(rng, gauge, speeds=speeds), facts, piston=True)
    return Case(lobe_trace(rng, gauge, speeds=(60.0, 90.0)), GaugeFacts(step_mm=gauge.step_mm))


FAMILIES: dict[str, Callable[[Rng], Case]] = {
    "ideal_lobe": ideal_lobe,
    "ideal_tdc": ideal_tdc,
    "quick": quick,
    "quick_jitter_known": quick_jitter_known,
    "sticking_told": lambda rng: sticking(rng, piston=False, told=True),
    "sticking_told_tdc": lambda rng: sticking(rng, piston=True, told=True),
    "sticking_untold": lambda rng: sticking(rng, piston=False, told=False),
    "sticking_untold_tdc": lambda rng: sticking(rng, piston=True, told=False),
    "sticking_found": sticking_found,
    "travel_told": lambda rng: along_the_travel(rng, piston=False),
    "travel_told_tdc": lambda rng: along_the_travel(rng, piston=True),
    "averaging": lambda rng: averaging(rng, piston=False),
    "averaging_tdc": lambda rng: averaging(rng, piston=True),
    "asked": lambda rng: asked(rng, piston=False),
    "asked_tdc": lambda rng: asked(rng, piston=True),
    "held": lambda rng: held(rng, piston=False),
    "held_quick": lambda rng: held_quick(rng, "clock"),
    "held_quick_untold": lambda rng: held_quick(rng, "unevenness"),
    "held_unknown": lambda rng: held_quick(rng, "nothing"),
    "held_tdc": lambda rng: held(rng, piston=True),
    "loose": lambda rng: loose(rng, piston=False),
    "loose_at_limit": lambda rng: loose(rng, piston=False, at_limit=True),
    "loose_tdc": lambda rng: loose(rng, piston=True),
    "encoder_told": lambda rng: off_axis(rng, piston=False, told=True),
    "encoder_told_tdc": lambda rng: off_axis(rng, piston=True, told=True),
    "encoder_untold": lambda rng: off_axis(rng, piston=False, told=False),
    "encoder_untold_tdc": lambda rng: off_axis(rng, piston=True, told=False),
    "known_engine": lambda rng: known_engine(rng, 0.0),
    "rod_half_a_mm_out": lambda rng: known_engine(rng, 0.5),
    "hiccups": lambda rng: hiccups(rng, piston=False),
    "hiccups_tdc": lambda rng: hiccups(rng, piston=True),
    "overloaded": lambda rng: overloaded(rng, piston=False),
    "overloaded_tdc": lambda rng: overloaded(rng, piston=True),
    "one_queue": lambda rng: one_queue(rng, piston=False),
    "one_queue_tdc": lambda rng: one_queue(rng, piston=True),
    "one_queue_known_tdc": lambda rng: one_queue(rng, piston=True, known=True),
    "once": lambda rng: once(rng, apart=False),
    "once_port_by_port": lambda rng: once(rng, apart=True),
    "once_keeping_step": lambda rng: once(rng, apart=False, keeps_step=True),
    "late_only": lambda rng: late_only(rng, piston=False),
    "late_only_tdc": lambda rng: late_only(rng, piston=True),
}

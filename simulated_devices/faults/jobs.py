"""Faults that show only between the traces of one job: makers of several traces of one engine.

Each maker takes a generator and gives a `JobTraces`. With ``wrong=False`` the same job is made without the
fault, so that a check can be tried on both.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from simulated_devices.faults.drive import PulleyMoved, WrongClearance
from simulated_devices.faults.gauge import TiltedGauge
from simulated_devices.machine import (
    Cam,
    DialIndicator,
    Encoder,
    Engine,
    Hand,
    LobeTruth,
    Manner,
    Mounting,
    Valve,
)
from simulated_devices.traces import (
    Fault,
    Setup,
    Trace,
    random_crank,
    random_encoder,
    random_gauge,
    random_valve,
    record,
)

Rng = np.random.Generator


@dataclass(frozen=True)
class JobTraces:
    """Traces of one job, in the order taken.

    Attributes
    ----------
    engine : Engine
        The engine as its card has it, before anything went wrong.
    wrong : str
        What is wrong, or "" when nothing is.
    size : float
        How much (degrees, mm or a count, as the maker says).
    where : str
        The trace concerned, where it is one.
    """

    traces: Mapping[str, Trace]
    engine: Engine
    wrong: str
    size: float = 0.0
    where: str = ""

    def card(self, valve: str) -> LobeTruth:
        """What the card says of a valve, as degrees ATDC of cylinder 1."""
        return self.engine.truth_of(valve)


def four_cylinders(rng: Rng) -> Engine:
    """A twin-cam engine whose lobes of one kind are all alike, firing 1-3-4-2."""
    order = (1, 3, 4, 2)
    inlet, exhaust = (
        random_valve(rng, nose) for nose in (rng.uniform(98.0, 122.0), -rng.uniform(98.0, 122.0))
    )
    shift = {cylinder: 720.0 * place / len(order) for place, cylinder in enumerate(order)}
    cams = {
        kind: Cam(
            {
                f"{kind}_{c}": replace(valve, nose_deg=(valve.nose_deg + shift[c]) % 720.0)
                for c in sorted(order)
            },
            slack_deg=rng.uniform(0.3, 3.0),
        )
        for kind, valve in (("inlet", inlet), ("exhaust", exhaust))
    }
    return Engine(random_crank(rng), cams, order)


@dataclass(frozen=True)
class _Shop:
    """One gauge and one encoder, as they are used over a whole job."""

    encoder: Encoder
    gauge: DialIndicator
    rng: Rng

    def over(self, engine: Engine, touches: str, faults: Sequence[Fault] = ()) -> Trace:
        """A trace on any target: two speeds of two turns each, or a piston rocked over and turned."""
        rng, speed = self.rng, min(1.5 * self.gauge.rate_hz, 45.0)
        hand = Hand(rng.uniform(-180.0, -100.0), Manner(speed, rng.uniform(0.0, 0.2)), rng)
        if touches.startswith("piston_"):
            hand.rock(0.0, 50.0, 2).turns(1.0)
            mounting = Mounting(self.gauge, touches, self.gauge.travel_mm - rng.uniform(0.5, 3.0))
        else:
            hand.turns(2.2).turns(2.0, speed * 0.5)
            lift = engine.truth_of(touches).peak_lift_mm
            mounting = Mounting(self.gauge, touches, lift + rng.uniform(1.0, 8.0), opposed=True)
        setup = Setup(engine, hand.done(), self.encoder, {"gauge": mounting}, rng.uniform(0.0, 1000.0))
        return record(setup, rng, faults)


def _shop(rng: Rng) -> _Shop:
    return _Shop(random_encoder(rng), random_gauge(rng, (10.0, 50.0)), rng)


def _with_lobe(engine: Engine, name: str, change: Callable[[Valve], Valve]) -> Engine:
    valve = change(engine.valve(name))
    return engine.with_valve(name, lobe=valve.lobe, nose_deg=valve.nose_deg, clearance_mm=valve.clearance_mm)


def _inlets(rng: Rng, engine: Engine, fitted: Engine, *, wrong: str, size: float, where: str) -> JobTraces:
    shop = _shop(rng)
    names = sorted(engine.cams["inlet"].valves)
    return JobTraces({name: shop.over(fitted, name) for name in names}, engine, wrong, size, where)


def worn_lobe(rng: Rng, wrong: bool = True) -> JobTraces:
    """All inlet lobes, one of them worn by `size` mm at the nose."""
    engine, where = four_cylinders(rng), f"inlet_{rng.integers(1, 5)}"
    size = rng.uniform(0.15, 0.8) if wrong else 0.0
    fitted = _with_lobe(engine, where, lambda v: replace(v, lobe=replace(v.lobe, worn_mm=size)))
    return _inlets(rng, engine, fitted, wrong="worn_lobe" if wrong else "", size=size, where=where)


def twisted_shaft(rng: Rng, wrong: bool = True) -> JobTraces:
    """All inlet lobes, each `size` crank degrees later than its neighbour nearer the drive."""
    engine = four_cylinders(rng)
    size = rng.uniform(0.5, 1.5) if wrong else 0.0
    fitted = engine
    for name in engine.cams["inlet"].valves:
        late = size * (int(name.removeprefix("inlet_")) - 1)
        fitted = _with_lobe(fitted, name, lambda v, late=late: replace(v, nose_deg=v.nose_deg + late))  # type: ignore[misc]
    return _inlets(rng, engine, fitted, wrong="twisted_shaft" if wrong else "", size=size, where="")


def odd_clearance(rng: Rng, wrong: bool = True) -> JobTraces:
    """All inlet lobes, the clearance of one wider by `size` mm."""
    engine, where = four_cylinders(rng), f"inlet_{rng.integers(1, 5)}"
    size = rng.uniform(0.1, 0.3) if wrong else 0.0
    fitted = _with_lobe(engine, where, lambda v: replace(v, clearance_mm=v.clearance_mm + size))
    return _inlets(rng, engine, fitted, wrong="odd_clearance" if wrong else "", size=size, where=where)


def wrong_cylinder(rng: Rng, wrong: bool = True) -> JobTraces:
    """All inlet lobes, two of them measured at each other's cylinder."""
    engine, shop = four_cylinders(rng), _shop(rng)
    names = sorted(engine.cams["inlet"].valves)
    touched = list(names)
    first, second = rng.choice(4, 2, replace=False)
    if wrong:
        touched[first], touched[second] = touched[second], touched[first]
    traces = {name: shop.over(engine, touch) for name, touch in zip(names, touched, strict=True)}
    return JobTraces(traces, engine, "wrong_cylinder" if wrong else "", 0.0, names[first])


def wrong_stroke(rng: Rng, wrong: bool = True) -> JobTraces:
    """TDC and an inlet lobe, the crank counted from the firing TDC instead of the overlap one."""
    engine, shop = four_cylinders(rng), _shop(rng)
    # The trace's own 0 is within half a turn of the TDC that the builder took for the overlap one.
    zero = rng.uniform(-150.0, 150.0) + (360.0 if wrong else 0.0)
    shop = replace(shop, encoder=replace(shop.encoder, zero_deg=zero))
    traces = {name: shop.over(engine, name) for name in ("piston_1", "inlet_1")}
    return JobTraces(traces, engine, "wrong_stroke" if wrong else "", 360.0 if wrong else 0.0)


def tooth_out(rng: Rng, wrong: bool = True) -> JobTraces:
    """TDC and an inlet lobe, the cam `size` crank degrees (a tooth of 36 to 48) late or early."""
    engine, shop = four_cylinders(rng), _shop(rng)
    size = float(rng.choice([-1.0, 1.0])) * 720.0 / float(rng.integers(36, 49)) if wrong else 0.0
    traces = {
        "piston_1": shop.over(engine, "piston_1"),
        "inlet_1": shop.over(engine, "inlet_1", [PulleyMoved(size)]),
    }
    return JobTraces(traces, engine, "tooth_out" if wrong else "", size, "inlet_1")


def tightening_moved(rng: Rng, wrong: bool = True) -> JobTraces:
    """An inlet lobe nipped up and torqued; torque moved the pulley by `size` crank degrees."""
    engine, shop = four_cylinders(rng), _shop(rng)
    size = float(rng.choice([-1.0, 1.0])) * rng.uniform(0.5, 2.0) if wrong else 0.0
    traces = {
        "nipped_up": shop.over(engine, "inlet_1"),
        "torqued": shop.over(engine, "inlet_1", [PulleyMoved(size)]),
    }
    return JobTraces(traces, engine, "tightening_moved" if wrong else "", size, "torqued")


def zero_moved(rng: Rng, wrong: bool = True) -> JobTraces:
    """TDC at the start and at the end, and a lobe between; the coupling slipped by `size` before the end."""
    engine, shop = four_cylinders(rng), _shop(rng)
    size = float(rng.choice([-1.0, 1.0])) * rng.uniform(0.4, 5.0) if wrong else 0.0
    slipped = replace(shop, encoder=replace(shop.encoder, zero_deg=shop.encoder.zero_deg + size))
    traces = {
        "tdc_start": shop.over(engine, "piston_1"),
        "inlet_1": shop.over(engine, "inlet_1"),
        "tdc_end": slipped.over(engine, "piston_1"),
    }
    return JobTraces(traces, engine, "zero_moved" if wrong else "", size, "tdc_end")


def clearance_against_card(rng: Rng, wrong: bool = True) -> JobTraces:
    """An inlet lobe whose clearance is `size` mm wider than the card's."""
    engine, shop = four_cylinders(rng), _shop(rng)
    size = rng.uniform(0.1, 0.35) if wrong else 0.0
    faults = [WrongClearance(size)] if wrong else []
    return JobTraces(
        {"inlet_1": shop.over(engine, "inlet_1", faults)}, engine, "clearance" if wrong else "", size
    )


def tilted_gauge(rng: Rng, wrong: bool = True) -> JobTraces:
    """An inlet lobe measured by a gauge that stands `size` degrees off the stem."""
    engine, shop = four_cylinders(rng), _shop(rng)
    size = rng.uniform(12.0, 25.0) if wrong else 0.0
    faults = [TiltedGauge(size)] if wrong else []
    return JobTraces(
        {"inlet_1": shop.over(engine, "inlet_1", faults)}, engine, "tilted" if wrong else "", size
    )


def key_play(rng: Rng, wrong: bool = True) -> JobTraces:
    """One inlet lobe measured six times; a key with `size` crank degrees of play sets it in two groups."""
    engine, shop = four_cylinders(rng), _shop(rng)
    size = rng.uniform(1.0, 4.0) if wrong else 0.0
    ends = rng.permutation([0, 0, 0, 1, 1, 1])
    traces = {
        f"time_{n + 1}": shop.over(engine, "inlet_1", [PulleyMoved(size * float(end))])
        for n, end in enumerate(ends)
    }
    return JobTraces(traces, engine, "key_play" if wrong else "", size)


JOB_FAULTS: Mapping[str, Callable[[Rng, bool], JobTraces]] = {
    maker.__name__: maker
    for maker in (
        worn_lobe,
        twisted_shaft,
        odd_clearance,
        wrong_cylinder,
        wrong_stroke,
        tooth_out,
        tightening_moved,
        zero_moved,
        clearance_against_card,
        tilted_gauge,
        key_play,
    )
}
"""Every maker by name."""

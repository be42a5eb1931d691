"""A scenario's bench recorded instead of turned live: whole traces of its gauge, at once, as text."""

from __future__ import annotations

import numpy as np

from simulated_devices.machine import Hand, Manner
from simulated_devices.scenarios.scenario import Scenario
from simulated_devices.scenarios.scenario_build import encoder_of, engine_of, gauge_of, set_up
from simulated_devices.traces import Setup, record

FORWARD_SPEEDS_DEG_S = (60.0, 35.0, 48.0)


class RecordedBench:
    """The bench of a scenario, its first gauge carried from part to part.

    Parameters
    ----------
    scenario
        Whose bench it is.
    seed
        The same seed turns, wanders and jitters in the same way.
    """

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self._table = scenario.gauge[0]
        self._encoder = encoder_of(scenario)
        self._rng = np.random.default_rng(seed)
        self._start_deg = scenario.hand.start_deg
        self.gauge = self._table.name
        self.engine = engine_of(scenario)

    @property
    def overlap_tdc_deg(self) -> float:
        """Overlap TDC of cylinder 1 in the counter's own degrees, as a builder sees it on the valves."""
        return -self._encoder.zero_deg % 720.0

    def turn_cam(self, name: str, by_deg: float) -> None:
        """Turn a cam on its pulley by crank degrees, later when positive, and tighten it there."""
        self.engine = self.engine.with_cam(name, pulley_deg=self.engine.cams[name].pulley_deg + by_deg)

    def room_mm(self, valve: str, after_tdc_deg: float) -> float:
        """How far a valve can be pushed on at an angle until it meets its piston."""
        crank = np.asarray(after_tdc_deg)
        return float(self.engine.room_mm(valve, crank, self.engine.valve_lift_mm(valve, crank)))

    def trace(self, touches: str, *, forward_only: bool = False) -> str:
        """Turn the crank with the gauge on a part; give the trace as a trace file has it."""
        hand = Hand(self._start_deg, Manner(40.0, 0.1), self._rng)
        if forward_only:
            for speed in FORWARD_SPEEDS_DEG_S:
                hand.turns(2.05, speed)
        elif touches.startswith("piston"):
            hand.rock(0.0, 50.0, 3, (40.0, 25.0))
        else:
            hand.turns(2.4, 55.0).turns(2.0, 30.0).by(-720.0)
        mountings = {self.gauge: set_up(gauge_of(self._table), touches, self.engine)}
        trace = record(Setup(self.engine, hand.done(), self._encoder, mountings), self._rng)
        rows = (f"{time_s!r},{channel},{value!r}" for time_s, channel, value in trace.rows())
        return "time_s,channel,value\n" + "\n".join(rows) + "\n"

"""One instrument on its own wire: it reads the world, speaks its lines and answers requests when its turn comes."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np

from simulated_devices.live.world import World, WorldState
from simulated_devices.machine import (
    DialDevice,
    DialIndicator,
    EncoderDevice,
    GaugeReading,
    MachineClock,
    Mounting,
)
from simulated_devices.wire import CrankLine, GaugeLine, JournalledLine, LineFault, Outgoing, places

HEARS_EVERY_S = 0.005
FRESH_FOR_S = 0.01
_TRIES = 3
MOVING_A_GAUGE_S = 0.6


class LiveLine(ABC):
    """A line that is given its turns by a clock; a subclass says how long to rest and which lines are due.

    Parameters
    ----------
    name : str
        The channel.
    port : JournalledLine
        Opened by `start`, closed by `stop`.
    rng : numpy.random.Generator
        For faults and instruments of this line alone.
    """

    def __init__(
        self, name: str, port: JournalledLine, world: World, rng: np.random.Generator, clock: MachineClock
    ) -> None:
        self.name = name
        self.port = port
        self.faults: list[LineFault] = []
        self.last_line = ""
        self.lock = threading.RLock()
        self._world = world
        self._rng = rng
        self._clock = clock
        self._drain_at_s = 0.0

    def start(self) -> None:
        """Plug the cable in and begin to speak."""
        self.port.plug()
        self._clock.drive(self)

    def stop(self) -> None:
        """Fall silent and take the link away."""
        self._clock.let_go(self)
        self.port.close()

    @property
    def port_name(self) -> str:
        """Name of the port, as whoever reads it knows it."""
        return self.port.name.rsplit("/", 1)[-1]  # asked at every line: a Path would cost as much as the line

    @property
    def written(self) -> int:
        """Bytes that the port has accepted."""
        return self.port.written

    @property
    def listens(self) -> bool:
        """Whether it can be asked."""
        return False

    def received(self) -> int:
        """Bytes that were written to the port, as far as they have come."""
        with self.lock:
            return self.port.received()

    def heard(self) -> bool:
        """Whether anybody has the port open."""
        with self.lock:
            return self.port.has_reader()

    def turn(self, now_s: float) -> None:
        """Say what is due."""
        with self.lock:
            self._turn(now_s)

    def _turn(self, now_s: float) -> None:
        if now_s > self._drain_at_s:
            self._drain_at_s = now_s + 1.0
            self._drain()
        due = self._fresh(now_s)
        if due:
            self.last_line = due[-1].line.decode("ascii", "replace").strip()
        for fault in self.faults:
            due = fault.pass_on(due, now_s, self._rng)
        self.port.send(due)

    def _fresh(self, now_s: float) -> list[Outgoing]:
        """Lines due now; said anew where this machine was too busy to send them while they were true."""
        due = self._due(now_s)
        for _ in range(_TRIES):
            later_s = self._clock.now_s()
            if not due or later_s - now_s < FRESH_FOR_S:
                break
            due, now_s = self._due(later_s) or due, later_s
        return [Outgoing(line, line) for line in due]

    def _drain(self) -> None:
        """Throw away what a reader has written: an instrument that is not asked does not listen."""
        self.port.read()

    @abstractmethod
    def rest_s(self, now_s: float) -> float:
        """How long to rest before the next turn."""

    @abstractmethod
    def _due(self, now_s: float) -> list[bytes]:
        """Lines due now."""

    def set_plugged(self, plugged: bool, half_line: bool = False) -> None:
        """Pull the cable (in the middle of a line, if asked) or plug it in again, as a new terminal."""
        with self.lock:
            if plugged:
                self.port.plug()
            else:
                self.port.unplug(self.last_line.encode("ascii")[:3] if half_line else b"")


class CrankLiveLine(LiveLine):
    """The counter's line."""

    def __init__(
        self,
        port: JournalledLine,
        world: World,
        rng: np.random.Generator,
        clock: MachineClock,
        *,
        device: EncoderDevice,
        speak: CrankLine,
    ) -> None:
        super().__init__("crank", port, world, rng, clock)
        self.device = device
        self._speak = speak
        self._banner: bytes | None = None

    def rest_s(self, now_s: float) -> float:
        """See `LiveLine.rest_s`."""
        return max(self.device.due_s - now_s, 0.0002)

    def _due(self, now_s: float) -> list[bytes]:
        state = self._world.advance(now_s)
        readings = self.device.update(now_s, state.crank_deg + self._world.coupling_slip_deg)
        return [self._speak.line(reading) for reading in readings]

    def _fresh(self, now_s: float) -> list[Outgoing]:
        lines = super()._fresh(now_s)
        banner, self._banner = self._banner, None
        return [Outgoing(banner, banner), *lines] if banner else lines

    def reboot(self, banner: bytes = b"counter ready\r\n") -> None:
        """Start the counter anew: a banner, count 0, its microseconds from 0."""
        with self.lock:
            now = self._clock.now_s()
            state = self._world.advance(now)
            self.device.reboot(now, state.crank_deg + self._world.coupling_slip_deg)
            self._banner = banner


@dataclass(frozen=True, slots=True)
class Asking:
    """How an indicator that answers only when asked is asked, and how long it takes."""

    request: bytes = b"?\r"
    answers_after_s: float = 0.012


@dataclass(slots=True)
class Spoilt:
    """What may be wrong with an indicator itself."""

    knocked_mm: float = 0.0
    frozen: bool = False
    zero_shift: float = 0.0
    unit_factor: float = 1.0


class GaugeLiveLine(LiveLine):
    """An indicator's line: the gauge can be moved from one target to another while it speaks."""

    def __init__(
        self,
        name: str,
        port: JournalledLine,
        world: World,
        rng: np.random.Generator,
        clock: MachineClock,
        *,
        speak: GaugeLine,
        asking: Asking | None = None,
    ) -> None:
        super().__init__(name, port, world, rng, clock)
        self.gauge: DialIndicator = speak.gauge
        self.mounting: Mounting | None = None
        self.spoilt = Spoilt()
        self.reading = 0.0
        self._device = DialDevice(self.gauge, rng, clock.now_s())
        self._speak = speak
        self._asking = asking
        self._asked = b""
        self._answers: list[float] = []
        self._set_up_at_s = 0.0
        self._followed_s = clock.now_s()

    def move_onto(self, mounting: Mounting) -> None:
        """Take the gauge off and set it up elsewhere; it is out for a moment."""
        with self.lock:
            self.follow()
            self.mounting = mounting
            self.spoilt = Spoilt()
            self._set_up_at_s = self._clock.now_s() + MOVING_A_GAUGE_S

    def knock(self, by_mm: float) -> None:
        """Move the gauge on its stand."""
        with self.lock:
            self.follow()
            self.spoilt.knocked_mm += by_mm

    def rest_s(self, now_s: float) -> float:
        """See `LiveLine.rest_s`."""
        if self._asking is not None or self.gauge.asked:
            return HEARS_EVERY_S
        return max(self._device.due_s - now_s, 0.0002)

    @property
    def listens(self) -> bool:
        """Whether it can be asked."""
        return self._asking is not None

    @property
    def shown(self) -> str:
        """What the display says, in the gauge's own unit."""
        return f"{self.reading:+.{places(self.gauge.step)}f}"

    def pushed_mm(self, now_s: float) -> float:
        """How far the target pushes the plunger in now."""
        return self._pushed_mm(self._world.advance(now_s), now_s)

    def _pushed_mm(self, state: WorldState, now_s: float) -> float:
        if self.mounting is None or now_s < self._set_up_at_s:
            return 0.0
        rise = self._world.rise_mm(self.mounting.touches, state)
        return float(self.mounting.pushed_mm(np.asarray(rise))) + self.spoilt.knocked_mm

    def follow(self) -> None:
        """Let the plunger have been pushed as it was until now: what is changed next was not so before."""
        with self.lock:
            now_s = self._clock.now_s()
            pushed_mm = self.pushed_mm(now_s)
            self._catch_up(now_s)
            self._device.follow(now_s, pushed_mm)

    def _catch_up(self, now_s: float) -> None:
        """Follow the plunger in the world's fine steps however seldom it is read."""
        for state in self._world.passed_through(self._followed_s, now_s):
            self._device.follow(state.time_s, self._pushed_mm(state, state.time_s))
        self._followed_s = now_s

    def _due(self, now_s: float) -> list[bytes]:
        pushed_mm = self.pushed_mm(now_s)
        self._catch_up(now_s)
        readings = self._device.update(now_s, pushed_mm)
        self._hear(now_s)
        while self._answers and self._answers[0] <= now_s:
            self._answers.pop(0)
            readings.append(self._device.ask(now_s))
        return [self._speak.line(GaugeReading(r.time_s, self._shown(r.value))) for r in readings]

    def _shown(self, value: float) -> float:
        if not self.spoilt.frozen:
            self.reading = (value + self.spoilt.zero_shift) * self.spoilt.unit_factor
        return self.reading

    def press_zero(self) -> None:
        """Press the zero key: what is shown now becomes 0."""
        with self.lock:
            self.spoilt.zero_shift -= self.reading / self.spoilt.unit_factor

    def _drain(self) -> None:
        if self._asking is None:
            super()._drain()

    def _hear(self, now_s: float) -> None:
        """Understand requests; anything else is not answered."""
        if self._asking is None:
            return
        heard = self.port.read()
        self._asked = (self._asked + heard)[-256:]
        while (at := self._asked.find(self._asking.request)) >= 0:
            self._asked = self._asked[at + len(self._asking.request) :]
            self._answers.append(now_s + self._asking.answers_after_s)

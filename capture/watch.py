"""Looking round: is the wall clock still what it was, does another program read our ports."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from capture.base import Bus, Event, wire_now_ns
from capture.port import PortReader, holders

CLOCK_CHANGE_NS = 500_000_000


class ClockWatch:
    """Notices that somebody set the wall clock. Intervals never depend on it; only dates do.

    Parameters
    ----------
    mono_ns, wall_ns : int
        The pair of times at the start.
    """

    def __init__(self, mono_ns: int, wall_ns: int) -> None:
        self._offset_ns = wall_ns - mono_ns

    def change_ns(self, mono_ns: int, wall_ns: int) -> int:
        """By how much the clock was set since the last look; 0 for mere drift."""
        change = wall_ns - mono_ns - self._offset_ns
        self._offset_ns = wall_ns - mono_ns
        return change if abs(change) > CLOCK_CHANGE_NS else 0


class Watch:
    """A thread of its own, because looking through other processes takes milliseconds."""

    def __init__(
        self,
        readers: list[PortReader],
        bus: Bus,
        on_clock: Callable[[int, int], None],
        every_s: float = 0.7,
    ) -> None:
        self._readers, self._bus, self._on_clock, self._every_s = readers, bus, on_clock, every_s
        self._clock = ClockWatch(time.monotonic_ns(), time.time_ns())
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def stop(self) -> None:
        """End the thread."""
        self._stop.set()
        self._thread.join(2.0)

    def look(self) -> None:
        """Look once."""
        mono_ns, wall_ns = time.monotonic_ns(), time.time_ns()
        change_ns = self._clock.change_ns(mono_ns, wall_ns)
        if change_ns:
            self._on_clock(wire_now_ns(), wall_ns)
            sentence = (
                f"this machine's clock was set by {change_ns / 1e9:+.1f} s; dates change, intervals do not"
            )
            self._bus.event(Event(wire_now_ns(), "", "clock_set", sentence))
        self._look_for_others()

    def _run(self) -> None:
        while not self._stop.wait(self._every_s):
            self.look()

    def _look_for_others(self) -> None:
        ports = {reader.open_rdev: reader for reader in self._readers if reader.open_rdev is not None}
        others = holders({rdev for rdev in ports if rdev is not None}) if ports else {}
        for rdev, reader in ports.items():
            who = others.get(rdev or 0, [])
            reader.channels.shared_with(", ".join(str(holder) for holder in who))

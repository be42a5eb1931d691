"""Two instruments on pseudo-terminals that say, in time, what was recorded before."""

from __future__ import annotations

import math
import os
import time
import tty
from pathlib import Path

from simulated_devices.traces import Trace

COUNTS_PER_TURN = 3600


class Instruments:
    """An encoder and a gauge on the ports of `running.write_bench`; their lines wait while this machine is busy.

    What they say was computed before: a simulation that has to keep up with the machine would leave lines out, which
    no instrument does.
    """

    def __init__(self, folder: Path) -> None:
        self._ends = {
            "crank": _plugged(folder / "nothing-plugged-in"),
            "gauge": _plugged(folder / "nothing-either"),
        }
        self._stands_at = 0

    def unplug(self) -> None:
        for end in self._ends.values():
            os.close(end)

    def ahead_deg(self, trace: Trace) -> float:
        """Give by how much the counter will be on from the trace's own degrees: it goes on from where it stands."""
        return (self._stands_at - _count(trace.crank_deg[0])) * 360.0 / COUNTS_PER_TURN

    def say(self, trace: Trace) -> None:
        """Send every line when its time has come."""
        offset = self._stands_at - _count(trace.crank_deg[0])
        self._stands_at = _count(trace.crank_deg[-1]) + offset
        began_s = time.monotonic()
        for at_s, channel, value in trace.rows():
            if (early_s := began_s + at_s - time.monotonic()) > 0:
                time.sleep(early_s)
            if channel == "crank_deg":
                self.say_count(_count(value) + offset)
            else:
                self.say_mm(value)

    def rest(self) -> None:
        """Say once more where the crank stands."""
        self.say_count(self._stands_at)

    def say_count(self, count: int) -> None:
        """Send one line of the encoder."""
        os.write(self._ends["crank"], f"{count}\r\n".encode())

    def say_mm(self, value: float) -> None:
        """Send one line of the gauge."""
        os.write(self._ends["gauge"], f"{value:+.2f}\r\n".encode())


def _plugged(link: Path) -> int:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    link.symlink_to(os.ttyname(theirs))
    return ours


def _count(value_deg: float) -> int:
    return math.floor(value_deg * COUNTS_PER_TURN / 360.0)

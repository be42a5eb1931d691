"""When a reading arrived. Pure: the clock's readings are handed in.

A chunk is stamped once, when its read returns; earlier lines in it are back-dated by their place, at the
pace of the wire, but not before the read before it, which had emptied the port. Stamps never run backwards.
"""

from __future__ import annotations

import math
from collections import deque

HULL_WINDOW_NS = 10_000_000_000
LARGEST_DRIFT = 500e-6
LEAST_EVERY_NS = 1_000_000_000
LONGEST_WAY_BACK_MICROS = 1_000_000  # a gauge's packet is told after it has been read
_MICROS_WRAP = 2**32


class Stamper:
    """Stamps the lines of one port.

    Parameters
    ----------
    byte_ns : int
        Time that one byte takes on the wire, nanoseconds.
    """

    def __init__(self, byte_ns: int) -> None:
        self._byte_ns = byte_ns
        self._floor_ns = 0
        self._read_ns = 0

    def begin(self, now_ns: int) -> None:
        """The port was emptied now: nothing read later can have arrived earlier."""
        self._read_ns = max(self._read_ns, now_ns)

    def stamps(self, read_ns: int, chunk_bytes: int, ends: list[int]) -> list[int]:
        """Stamps for lines that ended at the given offsets of a chunk.

        Parameters
        ----------
        read_ns : int
            Monotonic time at which the read returned.
        chunk_bytes : int
            Length of the chunk.
        ends : list of int
            Offsets just behind each line, rising.

        Returns
        -------
        list of int
            Strictly rising, also from call to call.
        """
        stamps = []
        for end in ends:
            backdated = max(read_ns - (chunk_bytes - end) * self._byte_ns, self._read_ns)
            self._floor_ns = max(backdated, self._floor_ns + 1)
            stamps.append(self._floor_ns)
        self._read_ns = max(self._read_ns, read_ns)
        return stamps


class DeviceClock:
    """Stamps by a device's own microseconds, tied to our clock by the lower hull of the delays.

    A line can only arrive late, never early: over a few seconds the least delayed lines show how the two
    clocks stand to each other, and a line's own lateness (USB batching, a busy machine) drops out. Channels
    of one device share one; what a line says may lie a little before what another said.
    """

    def __init__(self) -> None:
        self._hull: deque[tuple[int, int]] = deque()
        self._least: deque[tuple[int, int]] = deque(maxlen=HULL_WINDOW_NS // LEAST_EVERY_NS)
        self.begin()

    def begin(self) -> None:
        """The port was opened: nothing is known of the device's clock."""
        self._hull.clear()
        self._least.clear()
        self._last_micros: int | None = None
        self._device_ns = 0

    def stamp(self, arrival_ns: int, micros: int) -> int:
        """Stamp of a line that arrived at `arrival_ns` and says `micros`; never after it arrived."""
        device_ns = self._device_time_ns(micros)
        if device_ns == self._device_ns:
            self._add(device_ns, arrival_ns - device_ns)
        return min(device_ns + round(self._offset_ns(device_ns)), arrival_ns)

    @property
    def drift_ppm(self) -> float:
        """By how much our clock is faster than the device's, millionths."""
        return 1e6 * self._longest_edge()[2]

    @property
    def uncertainty_ns(self) -> float | None:
        """How far the least delays of single seconds lie above the hull, root mean square; None before 10 s.

        What all lines have in common, the time a line takes on the wire at least, is not in it.
        """
        if len(self._least) < (self._least.maxlen or 0):
            return None
        above = [offset - self._offset_ns(device) for device, offset in self._least]
        return math.sqrt(sum(ns * ns for ns in above) / len(above))

    def _device_time_ns(self, micros: int) -> int:
        """The device's time without its wraps; goes on only with a line newer than all before."""
        if self._last_micros is None:
            self._last_micros = micros
        step = (micros - self._last_micros) % _MICROS_WRAP
        if step > _MICROS_WRAP - LONGEST_WAY_BACK_MICROS:
            return self._device_ns - (_MICROS_WRAP - step) * 1000
        if step > _MICROS_WRAP // 2:  # the device began again
            self.begin()
            step = 0
        self._device_ns += step * 1000
        self._last_micros = micros
        return self._device_ns

    def _add(self, device_ns: int, offset_ns: int) -> None:
        """Keep the lower hull of the delays over the last seconds."""
        self._note_least(device_ns, offset_ns)
        hull = self._hull
        while hull and hull[0][0] < device_ns - HULL_WINDOW_NS:
            hull.popleft()
        if hull and hull[-1][0] == device_ns:
            if hull[-1][1] <= offset_ns:
                return
            hull.pop()
        while len(hull) >= 2 and _above(hull[-2], hull[-1], (device_ns, offset_ns)):
            hull.pop()
        hull.append((device_ns, offset_ns))

    def _note_least(self, device_ns: int, offset_ns: int) -> None:
        if not self._least or device_ns // LEAST_EVERY_NS != self._least[-1][0] // LEAST_EVERY_NS:
            self._least.append((device_ns, offset_ns))
        elif offset_ns < self._least[-1][1]:
            self._least[-1] = (device_ns, offset_ns)

    def _offset_ns(self, device_ns: int) -> float:
        """Least delay at a device's time: the hull's longest edge, drawn on."""
        x, y, slope = self._longest_edge()
        return y + slope * (device_ns - x)

    def _longest_edge(self) -> tuple[int, int, float]:
        hull = self._hull
        if len(hull) < 2:
            return (*hull[-1], 0.0) if hull else (0, 0, 0.0)
        ends = zip(list(hull)[:-1], list(hull)[1:], strict=True)
        (x0, y0), (x1, y1) = max(ends, key=lambda edge: edge[1][0] - edge[0][0])
        return x1, y1, max(-LARGEST_DRIFT, min(LARGEST_DRIFT, (y1 - y0) / (x1 - x0)))


def _above(a: tuple[int, int], b: tuple[int, int], c: tuple[int, int]) -> bool:
    """Whether `b` lies on or above the line from `a` to `c`, and so is not on the lower hull."""
    return (b[1] - a[1]) * (c[0] - a[0]) >= (c[1] - a[1]) * (b[0] - a[0])

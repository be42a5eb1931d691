"""When a reading arrived. Pure: the clock's readings are handed in.

A chunk is stamped once, when its read returns; earlier lines in it are back-dated by their place, at the
pace of the wire, but not before the read before it, which had emptied the port. Stamps never run backwards.
"""

from __future__ import annotations

from collections import deque

HULL_WINDOW_NS = 10_000_000_000
LARGEST_DRIFT = 500e-6
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
    clocks stand to each other, and a line's own lateness (USB batching, a busy machine) drops out.
    """

    def __init__(self) -> None:
        self._hull: deque[tuple[int, int]] = deque()
        self._last_micros: int | None = None
        self._device_ns = 0
        self._floor_ns = 0

    def stamp(self, arrival_ns: int, micros: int) -> int:
        """Stamp of a line that arrived at `arrival_ns` and says `micros`; strictly rising."""
        if self._last_micros is not None:
            step = (micros - self._last_micros) % _MICROS_WRAP
            if step > _MICROS_WRAP // 2:  # the device began again
                self._hull.clear()
                step = 0
            self._device_ns += step * 1000
        self._last_micros = micros
        self._add(self._device_ns, arrival_ns - self._device_ns)
        estimate = min(self._device_ns + self._offset_ns(), arrival_ns)
        self._floor_ns = max(estimate, self._floor_ns + 1)
        return self._floor_ns

    def _add(self, device_ns: int, offset_ns: int) -> None:
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

    def _offset_ns(self) -> int:
        """Least delay at the device's present time: the hull's longest edge, drawn on."""
        hull = self._hull
        if len(hull) < 2:
            return hull[-1][1]
        ends = zip(list(hull)[:-1], list(hull)[1:], strict=True)
        (x0, y0), (x1, y1) = max(ends, key=lambda edge: edge[1][0] - edge[0][0])
        slope = max(-LARGEST_DRIFT, min(LARGEST_DRIFT, (y1 - y0) / (x1 - x0)))
        return round(y1 + slope * (hull[-1][0] - x1))


def _above(a: tuple[int, int], b: tuple[int, int], c: tuple[int, int]) -> bool:
    """Whether `b` lies on or above the line from `a` to `c`, and so is not on the lower hull."""
    return (b[1] - a[1]) * (c[0] - a[0]) >= (c[1] - a[1]) * (b[0] - a[0])

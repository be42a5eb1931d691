"""The readings of a running measurement: what is stored, then what came live since; none twice, none lost."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, Streams, changes

Counts = NDArray[np.int64]
StoredPart = tuple[Counts, Floats, int]


@dataclass(slots=True)
class ChannelSoFar:
    """One channel of an interval, growing at the end.

    Attributes
    ----------
    first_number
        Sequence number of the first live reading held; `None` before there is one.
    next_number
        Sequence number that the live feed must give next.
    """

    t_ns: array[int] = field(default_factory=lambda: array("q"))
    value: array[float] = field(default_factory=lambda: array("d"))
    first_number: int | None = None
    next_number: int | None = None

    def extend(self, first: int, t_ns: Sequence[int], value: Sequence[float]) -> None:
        """Take live readings in their order."""
        if self.first_number is None:
            self.first_number = first
        self.next_number = first + len(t_ns)
        self.t_ns.extend(t_ns)
        self.value.extend(value)

    def put_before(self, t_ns: Counts, value: Floats, last_number: int) -> bool:
        """Set stored readings, complete up to number `last_number`, before the live ones.

        Returns
        -------
        bool
            `False` where some between the two are still missing; then nothing is changed.
        """
        live_t, live_value = self.arrays()
        have = 0 if self.first_number is None else last_number - self.first_number + 1
        if have < 0:
            return False
        skip = min(have, live_t.size)
        self.t_ns = array("q", np.concatenate((t_ns, live_t[skip:])).astype(np.int64).tobytes())
        self.value = array("d", np.concatenate((value, live_value[skip:])).astype(np.float64).tobytes())
        self.next_number = (
            last_number + 1 if self.next_number is None else max(self.next_number, last_number + 1)
        )
        return True

    def arrays(self) -> tuple[Counts, Floats]:
        """Copies of what is there: times in ns and values, both shape (n,)."""
        return np.array(self.t_ns, np.int64), np.array(self.value, np.float64)


@dataclass(slots=True)
class Interval:
    """Crank and gauge from `start_ns` on.

    While `whole` is false, readings before the live ones are missing and have to be fetched from the store.
    """

    start_ns: int
    crank: ChannelSoFar = field(default_factory=ChannelSoFar)
    gauge: ChannelSoFar = field(default_factory=ChannelSoFar)
    whole: bool = True

    def take(self, quantity: str, first: int, t_ns: Sequence[int], value: Sequence[float]) -> None:
        """Take live readings of one of the two channels.

        Those before the start are left out, and those that the store has given already. Where the feed has
        left some out, everything held is dropped: the store has it.
        """
        skip = next((k for k, t in enumerate(t_ns) if t >= self.start_ns), len(t_ns))
        own = self._channel(quantity)
        if own.next_number is not None:
            skip = max(skip, own.next_number - first)
        if skip >= len(t_ns):
            return
        if own.next_number not in {None, first + skip}:
            self.start_over()
        self._channel(quantity).extend(first + skip, t_ns[skip:], value[skip:])

    def start_over(self) -> None:
        """Drop what is held; it has to be fetched from the store."""
        self.crank, self.gauge, self.whole = ChannelSoFar(), ChannelSoFar(), False

    def put_before(self, crank: StoredPart, gauge: StoredPart) -> None:
        """Set what is stored before what came live; starts over where the two do not meet."""
        self.whole = self.crank.put_before(*crank) and self.gauge.put_before(*gauge)
        if not self.whole:
            self.start_over()

    def _channel(self, quantity: str) -> ChannelSoFar:
        return self.crank if quantity == "crank" else self.gauge

    def streams(self) -> Streams:
        """Give both channels as the analysis wants them, seconds from the start."""
        crank_t, crank_deg = self.crank.arrays()
        moving = changes(crank_deg)
        gauge_t, gauge_mm = self.gauge.arrays()
        return streams_from(self.start_ns, crank_t[moving], crank_deg[moving], gauge_t, gauge_mm)


def streams_from(
    start_ns: int, crank_t: Counts, crank_deg: Floats, gauge_t: Counts, gauge_mm: Floats
) -> Streams:
    """Turn stamps into seconds from the start, exactly to the nanosecond."""
    return Streams((crank_t - start_ns) / 1e9, crank_deg, (gauge_t - start_ns) / 1e9, gauge_mm)

"""The newest minutes of every channel, in memory: what was turned before anybody knew that it would be measured."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterator, Sequence

import numpy as np

from analysis.base import Floats, Streams, changes
from api.base import Counts, streams_from

KEPT_NS = 400_000_000_000
MOST_READINGS = 400_000
STRIDE_DEG = 0.5
"""A crank that came no further stands: a count trembles on its edge, a hand on the bar."""


class _Newest:
    """One channel's newest readings, in order of time."""

    def __init__(self) -> None:
        self.t_ns: array[int] = array("q")
        self.value: array[float] = array("d")

    def take(self, t_ns: Sequence[int], value: Sequence[float]) -> None:
        """Take readings in their order; what is too old goes, now and then."""
        self.t_ns.extend(t_ns)
        self.value.extend(value)
        old = max(len(self.t_ns) - MOST_READINGS, bisect_left(self.t_ns, self.t_ns[-1] - KEPT_NS))
        if old > MOST_READINGS // 10:
            del self.t_ns[:old], self.value[:old]

    def since(self, since_ns: int) -> tuple[Counts, Floats]:
        """Copies of what came from an instant on, and the one reading before."""
        first = max(0, bisect_left(self.t_ns, since_ns) - 1)
        return np.array(self.t_ns[first:], np.int64), np.array(self.value[first:], np.float64)


class Recent:
    """What every channel said in the newest minutes; called from the event loop only."""

    def __init__(self) -> None:
        self._channels: dict[str, _Newest] = {}
        self._stood: tuple[int, float] | None = None
        self._crank: tuple[int, float] | None = None
        self._speaks_at_rest = False

    def take(self, channel: str, t_ns: Sequence[int], value: Sequence[float], *, is_crank: bool) -> None:
        """Take live readings of a channel."""
        if not t_ns:
            return
        self._channels.setdefault(channel, _Newest()).take(t_ns, value)
        if is_crank:
            for t, deg in zip(t_ns, value, strict=True):
                self._speaks_at_rest |= self._crank is not None and deg == self._crank[1]
                self._crank = t, deg
                if self._stood is None or abs(deg - self._stood[1]) > STRIDE_DEG:
                    self._stood = t, deg

    def forget(self) -> None:
        """The readings began anew: a counter that counts from elsewhere, or another run."""
        self._channels, self._stood, self._crank = {}, None, None

    def stands_since_ns(self) -> int | None:
        """Give when the crank came to where it stands; `None` before it was read."""
        return None if self._stood is None else self._stood[0]

    def crank_known_until_ns(self, now_ns: int, awaited_ns: int) -> int:
        """Give until when it is known where the crank was.

        An encoder that speaks while it stands has told so until its newest line, however long the next is on its way: by
        a cable that stalls, or to a service that is kept from hearing. One that is silent while it stands is waited for.
        """
        newest_ns = 0 if self._crank is None else self._crank[0]
        return newest_ns if self._speaks_at_rest else max(newest_ns, now_ns - awaited_ns)

    def last_at_ns(self, channel: str, value: float, within: float) -> int | None:
        """Give when a channel last said so much, nearly; `None` where it never did."""
        own = self._channels.get(channel)
        if own is None:
            return None
        near = (
            t
            for t, said in zip(reversed(own.t_ns), reversed(own.value), strict=True)
            if abs(said - value) <= within
        )
        return next(near, None)

    def newest_ns(self, channel: str) -> int:
        """Give when a channel was read last, 0 if never."""
        own = self._channels.get(channel)
        return own.t_ns[-1] if own is not None and own.t_ns else 0

    def course(self, channel: str, since_ns: int) -> Iterator[tuple[int, float]]:
        """Give what a channel said from an instant on, and the one reading before, each with its stamp."""
        own = self._channels.get(channel)
        t_ns, value = own.since(since_ns) if own is not None else ((), ())
        return zip(map(int, t_ns), map(float, value), strict=True)

    def streams(self, crank: str, gauge: str, since_ns: int) -> Streams | None:
        """Give crank and a gauge from an instant on, seconds from it; `None` where one of them said nothing."""
        if crank not in self._channels or gauge not in self._channels:
            return None
        crank_t, crank_deg = self._channels[crank].since(since_ns)
        gauge_t, gauge_mm = self._channels[gauge].since(since_ns)
        gauge_mm, gauge_t = gauge_mm[gauge_t >= since_ns], gauge_t[gauge_t >= since_ns]
        if not crank_t.size or not gauge_t.size:
            return None
        crank_t[0] = max(crank_t[0], since_ns)
        moving = changes(crank_deg)
        return streams_from(since_ns, crank_t[moving], crank_deg[moving], gauge_t, gauge_mm)

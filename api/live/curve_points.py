"""The points a screen draws while the crank turns: gauge over crank as they arrive, lag not taken out."""

from __future__ import annotations

import numpy as np

from analysis.base import Floats
from api.base import Counts, Interval

STILL_NS = 250_000_000
LOOK_BACK_NS = 150_000_000
STILL_DEG = 0.02
WORTH_DRAWING = 20_000


class CurvePointsSoFar:
    """Grows with an interval; each gauge reading becomes one point once the crank is known at its time."""

    def __init__(self) -> None:
        self.crank_deg: list[float] = []
        self.gauge_mm: list[float] = []
        self.way: list[int] = []

    def __len__(self) -> int:
        return len(self.crank_deg)

    def start_over(self) -> None:
        """Forget all points; screens are sent them anew."""
        self.__init__()  # type: ignore[misc]

    def grow(self, interval: Interval) -> bool:
        """Add the points that have become known; `True` if there were any."""
        have = len(self)
        gauge_t = np.array(interval.gauge.t_ns[have:], np.int64)
        if not gauge_t.size or not interval.crank.t_ns:
            return False
        known = int(np.searchsorted(gauge_t, _known_until(interval), side="right"))
        if not known:
            return False
        gauge_t = gauge_t[:known]
        crank_t, crank_deg = _recent(interval, int(gauge_t[0]) - LOOK_BACK_NS)
        at = np.interp(gauge_t, crank_t, crank_deg)
        gone = at - np.interp(gauge_t - LOOK_BACK_NS, crank_t, crank_deg)
        self.crank_deg.extend(np.round(at, 3).tolist())
        self.gauge_mm.extend(interval.gauge.value[have : have + known].tolist())
        self.way.extend(np.where(np.abs(gone) < STILL_DEG, 0, np.sign(gone)).astype(int).tolist())
        return True


def _known_until(interval: Interval) -> int:
    """Give the time up to which the crank is known; one that says nothing for a while stands still."""
    newest = max(interval.gauge.t_ns[-1], interval.crank.t_ns[-1])
    return max(interval.crank.t_ns[-1], newest - STILL_NS)


def _recent(interval: Interval, since_ns: int) -> tuple[Counts, Floats]:
    """Give the crank's readings from just before `since_ns` on."""
    t_ns = interval.crank.t_ns
    at = len(t_ns)
    step = 256
    while at > 0 and t_ns[at - 1] >= since_ns:
        at = max(0, at - step)
        step *= 2
    at = max(0, at - 1)
    return np.array(t_ns[at:], np.int64), np.array(interval.crank.value[at:], np.float64)

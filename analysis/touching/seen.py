"""A gauge's readings with the crank's angle and way at the moment that each of them shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, Streams

LOOK_BACK_S = 0.25
STILL_DEG = 0.3
"""Turned by less within the time of looking back, the crank stands: a hand on it trembles."""


@dataclass(frozen=True, slots=True)
class Seen:
    """Readings of a gauge against the crank.

    Attributes
    ----------
    time_s, deg, mm : ndarray, shape (n,)
        When each reading came; the crank's unwrapped angle when it was true, if the gauge is as late as was supposed;
        the reading.
    way : ndarray, shape (n,)
        +1 where the crank was turned forward then, -1 back, 0 where it stood.
    """

    time_s: Floats
    deg: Floats
    mm: Floats
    way: NDArray[np.int8]

    def __len__(self) -> int:
        return self.mm.size

    def some(self, chosen: NDArray[np.bool_]) -> Seen:
        """Give the readings that are marked."""
        return Seen(self.time_s[chosen], self.deg[chosen], self.mm[chosen], self.way[chosen])


def seen(streams: Streams, lag_s: float) -> Seen:
    """Give a gauge's readings against the crank, the gauge being late by `lag_s`; none before the crank's first."""
    time_s, crank_s, crank_deg = streams.gauge_time_s, streams.crank_time_s, streams.crank_deg
    if not crank_s.size or not time_s.size:
        nothing = np.empty(0)
        return Seen(nothing, nothing, nothing, np.empty(0, np.int8))
    inside = time_s - lag_s >= crank_s[0]
    time_s, mm = time_s[inside], streams.gauge_mm[inside]
    deg = np.interp(time_s - lag_s, crank_s, crank_deg)
    gone = deg - np.interp(time_s - lag_s - LOOK_BACK_S, crank_s, crank_deg)
    way = np.where(np.abs(gone) < STILL_DEG, 0, np.sign(gone)).astype(np.int8)
    return Seen(time_s, deg, mm, way)

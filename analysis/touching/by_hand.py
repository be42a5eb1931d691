"""A gauge that moves while the crank stands was moved by hand: set elsewhere, pushed, or its cam was turned."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, Streams
from analysis.readings import without_late_lines
from analysis.touching.seen import Seen, seen

SETTLED_S = 0.6
"""So long after the crank came to rest even a slow gauge shows where it stands; common practice, no source."""

LONGEST_LAG_S = 0.45
"""What a reading shows is no older: three times the lag of slow gauges."""

TREMBLES_DEG = 0.5
"""A count trembles on its edge, and a hand on the bar."""
LEAST_MOVE_MM = 0.15
MOST_MM_A_DEG = 1.2
"""No piston or valve moves a plunger by more for each degree that a resting crank gives; reckoned from the slider-crank."""


def last_moved_by_hand(streams: Streams, *, least_mm: float = LEAST_MOVE_MM) -> float | None:
    """Give when the gauge was last seen to have moved while the crank stood, on the streams' clock; `None` if never.

    Parameters
    ----------
    streams : Streams
        Crank and gauge.
    least_mm : float
        What a hand that holds the crank, and the gauge's own last digits, can make of it.
    """
    streams = without_late_lines(streams)
    own = seen(streams, 0.0)
    if len(own) < 2:
        return None
    count_deg = _count_deg(streams.crank_deg)
    leapt_s = _last_leap(own, streams, count_deg, least_mm)
    rested = _rested(own.time_s, streams)
    both = rested[1:] & rested[:-1]
    began = np.flatnonzero(np.diff(np.concatenate(([False], both)).astype(np.int8)) == 1)
    last = leapt_s
    for first in began.tolist():
        ends = np.flatnonzero(~both[first:])
        stop = first + (int(ends[0]) if ends.size else both.size - first)
        stretch = own.mm[first : stop + 1]
        by_crank = MOST_MM_A_DEG * (count_deg + float(np.ptp(own.deg[first : stop + 1])))
        moved = np.flatnonzero(np.abs(stretch - stretch[-1]) > least_mm + by_crank)
        if moved.size:
            last = max(last or 0.0, float(own.time_s[first + int(moved[-1]) + 1]))
        elif np.ptp(stretch) > 2 * (least_mm + by_crank):  # it went and came back
            last = max(last or 0.0, float(own.time_s[stop]))
    return last


def _last_leap(own: Seen, streams: Streams, count_deg: float, least_mm: float) -> float | None:
    """Give when the gauge leapt last by more than the crank's way just before, and its own lag, can explain."""
    before_s, after_s = own.time_s[:-1] - LONGEST_LAG_S, own.time_s[1:]
    way = np.concatenate(([0.0], np.cumsum(np.abs(np.diff(streams.crank_deg)))))
    gone = np.interp(after_s, streams.crank_time_s, way) - np.interp(before_s, streams.crank_time_s, way)
    leapt = np.flatnonzero(np.abs(np.diff(own.mm)) > 2 * least_mm + MOST_MM_A_DEG * (count_deg + gone))
    return float(after_s[leapt[-1]]) if leapt.size else None


def _count_deg(crank_deg: Floats) -> float:
    steps = np.abs(np.diff(crank_deg))
    steps = steps[steps > 1e-9]
    return float(np.min(steps)) if steps.size else 0.0


def _rested(time_s: Floats, streams: Streams) -> NDArray[np.bool_]:
    """Mark the moments at which the crank has stood long enough for the gauge to have settled."""
    deg = np.interp(time_s, streams.crank_time_s, streams.crank_deg)
    rested = time_s - streams.crank_time_s[0] > SETTLED_S
    for back_s in np.linspace(SETTLED_S / 4.0, SETTLED_S, 4):
        before = np.interp(time_s - back_s, streams.crank_time_s, streams.crank_deg)
        rested &= np.abs(deg - before) <= TREMBLES_DEG
    return np.asarray(rested)

"""What one gauge does since an instant: what it touches, when the crank was first turned, whether a hand moved it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analysis.base import GaugeFacts, Streams
from analysis.touching import KnownZero, Touch, last_moved_by_hand, recognise

BEFORE_NS = 400_000_000
"""So long before the crank is first turned a measurement begins: the gauge at rest belongs to it."""
SET_NS = 300_000_000
"""A gauge that a hand has just let go of still settles."""
MOVES_DEG = 0.5
RESTS_MM = 0.025
"""Two of the coarse steps: a reading that trembles on its edge rests."""


@dataclass(frozen=True, slots=True)
class Look:
    """What one gauge does since an instant.

    Attributes
    ----------
    touch
        What it touches.
    since_ns
        When the crank was first turned.
    turned_deg
        How far.
    moved_by_hand_ns
        When a hand moved it last, if one did since that instant.
    set_ns
        When it was seen to be set where it stands, 0 if it was not.
    """

    touch: Touch
    since_ns: int
    turned_deg: float
    moved_by_hand_ns: int | None
    set_ns: int = 0


@dataclass(frozen=True, slots=True)
class Heard:
    """What crank and a gauge have said, seconds from an instant of their run."""

    run_id: int
    since_ns: int
    streams: Streams

    @property
    def start_ns(self) -> int:
        """When it begins."""
        return self.since_ns + int(1e9 * min(self.streams.crank_time_s[0], self.streams.gauge_time_s[0]))

    @property
    def end_ns(self) -> int:
        """When it ends."""
        last_s = float(max(self.streams.crank_time_s[-1], self.streams.gauge_time_s[-1]))
        return self.since_ns + math.ceil(1e9 * last_s)


def look_at(streams: Streams, since_ns: int, facts: GaugeFacts, zero: KnownZero) -> Look:
    """Look at a gauge since it was moved by hand last."""
    hand_s = last_moved_by_hand(streams)
    if hand_s is not None:
        begins_s = hand_s + SET_NS / 1e9
        streams = _from(streams, begins_s)
    touch = recognise(streams, facts, zero) if streams.gauge_mm.size else Touch("not_yet")
    turns_s = _first_turned_s(streams)
    first_s = float(streams.crank_time_s[0]) if streams.crank_time_s.size else 0.0
    begins_ns = since_ns + int(1e9 * max(first_s, turns_s - BEFORE_NS / 1e9))
    hand_ns = None if hand_s is None else since_ns + int(1e9 * hand_s)
    return Look(touch, begins_ns, touch.turned_deg, hand_ns)


def told_by_both(streams: Streams, known_until_s: float) -> Streams:
    """Leave out what the gauge said since it is known where the crank was: until its next line it seems to stand."""
    heard = streams.gauge_time_s <= known_until_s
    return replace(streams, gauge_time_s=streams.gauge_time_s[heard], gauge_mm=streams.gauge_mm[heard])


def since_set(streams: Streams) -> Streams:
    """Give what crank and gauge have said since a hand set the gauge where it is."""
    hand_s = last_moved_by_hand(streams)
    return streams if hand_s is None else _from(streams, hand_s + SET_NS / 1e9)


def rests_since(streams: Streams, seconds: float) -> bool:
    """Whether the gauge has not moved for so long."""
    time_s = streams.gauge_time_s
    if not time_s.size or float(time_s[-1] - time_s[0]) < seconds:
        return False
    return float(np.ptp(streams.gauge_mm[time_s >= time_s[-1] - seconds])) <= RESTS_MM


def _from(streams: Streams, time_s: float) -> Streams:
    first = max(0, int(np.searchsorted(streams.crank_time_s, time_s)) - 1)
    crank_time_s = np.maximum(streams.crank_time_s[first:], time_s)
    gauge = streams.gauge_time_s >= time_s
    return Streams(
        crank_time_s, streams.crank_deg[first:], streams.gauge_time_s[gauge], streams.gauge_mm[gauge]
    )


def _first_turned_s(streams: Streams) -> float:
    """Give when the crank first left where it stood."""
    if not streams.crank_deg.size:
        return 0.0
    turned = np.flatnonzero(np.abs(streams.crank_deg - streams.crank_deg[0]) > MOVES_DEG)
    return float(streams.crank_time_s[max(0, int(turned[0]) - 1)]) if turned.size else 0.0

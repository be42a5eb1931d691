"""The clock of a gauge that measures by its own: whether there is one, when it ticks, how surely that is known."""

from analysis.own_clock.lateness import EXPLAINED, UNEVEN_S, find_ticks
from analysis.own_clock.settling import settle
from analysis.own_clock.ticks import PLACES, SLOWEST_S, USUAL_JITTER_S, ClockWatch, Ticks, near_hz, step_hz

__all__ = [
    "EXPLAINED",
    "PLACES",
    "SLOWEST_S",
    "UNEVEN_S",
    "USUAL_JITTER_S",
    "ClockWatch",
    "Ticks",
    "find_ticks",
    "near_hz",
    "settle",
    "step_hz",
]

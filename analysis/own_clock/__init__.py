"""The clock of a gauge that measures by its own: whether there is one, when it ticks, how surely that is known."""

from analysis.own_clock.lateness import EXPLAINED, UNEVEN_S, find_ticks
from analysis.own_clock.ticks import ClockWatch, Ticks

__all__ = ["EXPLAINED", "UNEVEN_S", "ClockWatch", "Ticks", "find_ticks"]

"""How late a computer reads what its instruments say, as the encoder's own lines tell.

A line can only be read late, never early. An encoder that speaks at a steady pace is a clock beside the computer's: what
comes sooner behind another line than the pace allows shows that the other was read late. The gauge's lines come through
the same computer, but too seldom to tell by themselves how late they were.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from analysis.base import Floats
from analysis.readings.crank_edges import find_lines
from analysis.readings.gauge_late import at_least_late_s

_OF_PACE = 0.97
_FEWEST = 20
_REST_S = 0.1
# What waited longer is left out by itself, on either port.
_LONGEST_S = 0.003
_LEAST_S = 0.0005


class ReadLate(NamedTuple):
    """How late lines were read: in the mean and root mean square, seconds; noughts where nothing tells it."""

    mean_s: float = 0.0
    rms_s: float = 0.0


def how_late(time_s: Floats, shaken_s: float | None) -> ReadLate:
    """Tell how late an encoder's lines were read.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        When its lines arrived, not falling, those left out that waited in a lump.
    shaken_s : float or None
        Jitter of lines that come by a clock; `None` where each count sends one: these keep no pace.

    Returns
    -------
    ReadLate
        Noughts, too, where they were hardly late: an instrument's own clock wavers by as much.
    """
    if shaken_s is None:
        return ReadLate()
    late_s = np.minimum(_late_s(time_s), _LONGEST_S)
    rms_s = float(np.sqrt(np.mean(late_s**2)))
    return ReadLate(float(np.mean(late_s)), rms_s) if rms_s > _LEAST_S else ReadLate()


def at_their_pace(time_s: Floats, crank_deg: Floats) -> Floats:
    """Put lines that were read late back to where they came at the latest, by the pace of those behind them."""
    lines = find_lines(time_s, crank_deg)
    if lines.shaken_s is None or lines.frugal:
        return time_s
    late_s = _late_s(time_s)
    return np.maximum.accumulate(time_s - np.where(late_s > _LEAST_S, late_s, 0.0))


def _late_s(time_s: Floats) -> Floats:
    """How late each line was read at least; nought where too few follow each other to have a pace."""
    gap = np.diff(time_s)
    short = gap[gap < _REST_S]
    if short.size < _FEWEST:
        return np.zeros_like(time_s)
    return at_least_late_s(gap, _OF_PACE * float(np.median(short)))
